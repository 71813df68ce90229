/* access.h - who may speak: enrolled devices and scripts with bearer tokens (RFC 6750), kept as hashes in one file.
 *
 * The file is JSON: {"clients": [{"name", "token-hash", "may": ["send", "read", "decide"], "attended", "practitioners": [...]}]}.
 * It is written by `wardpost device` and read again by the daemon when it changes. A broken file keeps the old
 * clients and says so in the log. Tokens have 256 random bits, so a plain BLAKE2b hash is enough. */
#ifndef WARDPOST_ACCESS_H
#define WARDPOST_ACCESS_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "wardpost/status.h"

#define DEVICE_NAME_ROOM      65 /* of those in the file */
#define CLIENT_NAME_ROOM      72 /* "user:" and the name of somebody who is signed in */
#define CLIENT_OF_USER        "user:" /* no device is named so */
#define PRACTITIONERS_MOST    16
#define PRACTITIONER_ROOM     101
#define TOKEN_TEXT_ROOM       64 /* "wp_" and 43 characters of base64url */
#define TOKEN_HASH_BYTES      32

enum right {
    RIGHT_NONE = 0,
    RIGHT_SEND = 1,
    RIGHT_READ = 2,
    RIGHT_DECIDE = 4,
    /* of people only (users.h), never of a token: */
    RIGHT_RESET = 8,    /* give a colleague who is no administrator a new PIN */
    RIGHT_ACCOUNTS = 16, /* add people, change roles, shut accounts */
    RIGHT_PEOPLE = RIGHT_RESET | RIGHT_ACCOUNTS /* of a route: either of them */
};

struct client {
    char name[CLIENT_NAME_ROOM];
    uint8_t hash[TOKEN_HASH_BYTES];
    unsigned rights;      /* of enum right */
    bool attended;        /* a person is there to answer when something is asked */
    bool signed_in;       /* it is that person, at the form: `by` must be there and theirs, and a set names whom they looked at */
    char second[PRACTITIONER_ROOM]; /* with that: who vouched a moment ago; "": nobody */
    bool any_practitioner; /* may name anyone in `by` */
    char practitioners[PRACTITIONERS_MOST][PRACTITIONER_ROOM];
    size_t practitioners_count;
};

struct clients {
    struct client *items;
    size_t count;
};

/* "send", "read", "decide"; RIGHT_NONE for any other word. */
enum right right_named(const char *word, size_t length);

/* NOT_FOUND: no file (an empty list is given); INVALID: broken, `why` says where. */
MUST_CHECK enum status clients_read(const char *path, struct clients *out, char why[200]);
/* Whole or not at all: temporary file, fsync, rename, fsync of the folder; mode 0600, and the owner it had. */
MUST_CHECK enum status clients_write(const char *path, const struct clients *clients);
void clients_clear(struct clients *clients);
/* Whoever reads, changes and writes holds this meanwhile; it waits for others. A descriptor to be closed, or -1. */
int clients_lock(const char *path);
struct client *clients_find(const struct clients *clients, const char *name);

/* A new token and its hash. */
void token_make(char text[TOKEN_TEXT_ROOM], uint8_t hash[TOKEN_HASH_BYTES]);
void token_hash(const char *text, size_t length, uint8_t hash[TOKEN_HASH_BYTES]);

struct access; /* the daemon's live view. Any thread. */

struct access_options {
    const char *path;  /* of the clients file */
    bool demo;         /* nobody needs a token */
    const char *first; /* a one-time token that is taken beside the file's; NULL: none */
};

MUST_CHECK enum status access_start(const struct access_options *options, struct access **out);
void access_stop(struct access *access);

/* The caller behind an Authorization header (NULL: none was sent). Copies into *out. False: not known. */
bool access_caller(struct access *access, const char *authorization, struct client *out);
bool client_may(const struct client *client, enum right right);
bool client_may_name(const struct client *client, const char *practitioner);

#endif
