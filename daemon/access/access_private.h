/* access_private.h - what the files of this module share. */
#ifndef WARDPOST_ACCESS_PRIVATE_H
#define WARDPOST_ACCESS_PRIVATE_H

#include <jansson.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <sys/stat.h>

#include "wardpost/status.h"
#include "wardpost/users.h"

/* ---- private_file.c: a small JSON file, read whole, and written whole or not at all ---- */

/* NOT_FOUND: no file; INVALID: no JSON, `why` says where. *root_out is the caller's. */
MUST_CHECK enum status private_file_read(const char *path, json_t **root_out, char why[200]);
/* Temporary file, fsync, rename, fsync of the folder; mode 0600, and the owner the
 * old one had (a new one of root: its folder). */
MUST_CHECK enum status private_file_replace(const char *path, const char *text, size_t length);
/* Whoever reads, changes and writes holds this meanwhile; it waits for others, threads too. A
 * descriptor to be closed, or -1: its folder cannot be opened. */
int private_file_lock(const char *path);
/* A string of 1 byte and more that fits into `room`. */
bool private_file_text(const json_t *value, char *out, size_t room);
/* Was it not written since? */
bool private_file_is_same(const struct stat *a, const struct stat *b);

struct json_out;

struct listed {         /* how things of one form stand in their file */
    const char *member; /* {"users": [...]} */
    size_t size;        /* of one in memory, {0} before it is read */
    const char *(*read)(const json_t *item, void *out); /* the member that is wrong; NULL: none */
    void (*write)(const void *one, struct json_out *out);
    bool (*same_name)(const void *a, const void *b); /* no two may have it */
};

/* As private_file_read(). *items_out is the caller's, after a failure too: *count_out of them were
 * read. */
MUST_CHECK enum status private_list_read(const char *path, const struct listed *listed,
                                         void **items_out, size_t *count_out, char why[200]);
MUST_CHECK enum status private_list_write(const char *path, const struct listed *listed,
                                          const void *items, size_t count);

/* ---- user_list.c ---- */

typedef enum status user_list_changer(struct user_list *list, void *context);
/* Reads, changes and writes while nobody else does; no file is an empty list. What `change` answers
 * other than STATUS_OK is the answer, and nothing is written. DAMAGED: a broken file. */
MUST_CHECK enum status user_list_change(const char *path, user_list_changer *change, void *context);

/* ---- users.c, for accounts.c ---- */

const char *users_path(const struct users *users);
void users_look(struct users *users, int64_t now_ms); /* at the file, now */
/* One PIN at a time. */
MUST_CHECK enum status users_hash(struct users *users, const char *pin, char hash[PIN_HASH_ROOM]);

/* ---- gate.c: how often a wrong PIN may be tried. Pure: the time comes in, ms, monotonic ---- */

struct gate { /* {0}: open */
    unsigned tries;
    int64_t shut_until_ms;
};

/* Seconds until a PIN may be tried again, rounded up; 0: now. */
unsigned gate_wait_s(const struct gate *gate, int64_t now_ms);
/* Before a PIN is looked at the try counts as a wrong one: guesses that come at once gain nothing.
 * The right one makes it {0} again. */
void gate_charge(struct gate *gate, int64_t now_ms);

/* ---- pin.c ---- */

enum pin_answer { PIN_WRONG, PIN_RIGHT, PIN_UNKNOWN /* no memory to tell */ };

/* Both take about a tenth of a second and 64 MiB, which are given back. */
enum pin_answer pin_compare(const char *pin, const char hash[PIN_HASH_ROOM]);
/* A hash of the same work that no PIN leads to. */
void pin_dummy(char hash[PIN_HASH_ROOM]);
/* Is it one of argon2id, whole? */
bool pin_hash_is_good(const char *hash);

#endif
