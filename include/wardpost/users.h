/* users.h - the people who sign in at the bedside: an account each, with a PIN that is kept as an argon2id string in one file.
 *
 * The file is JSON: {"users": [{"name", "practitioner", "display", "role", "disabled", "must-change", "pin"}]}. It is written by
 * `wardpost user` and by the daemon (a PIN of one's own, the first administrator) and read again by the daemon when it changes.
 * A broken file keeps the old accounts and says so in the log, which never has a name, an identifier or a PIN.
 *
 * A try to sign in ends in exactly one of
 *   OK        right name and PIN; with user.must_change nothing is open yet but users_change_pin()
 *   WRONG     name or PIN, never which; wait_s > 0: that was one too many, the next may come after so long
 *   LOCKED    not looked at: too many wrong ones; wait_s says how long still
 *   DISABLED  right PIN, and an administrator has shut the account
 * A name that nobody has costs the same work and is locked in the same way. Five wrong PINs are free, then the wait is 30 s, 1, 2,
 * 4, 8 and at most 15 min, until a right one. Counts are kept in memory only; a new PIN (`wardpost user reset`) begins anew. */
#ifndef WARDPOST_USERS_H
#define WARDPOST_USERS_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "wardpost/access.h"
#include "wardpost/status.h"

#define USER_NAME_ROOM      65
#define USER_DISPLAY_ROOM   101
#define PIN_HASH_ROOM       128 /* crypto_pwhash_STRBYTES */
#define PIN_LEAST           4   /* digits */
#define PIN_MOST            12
#define PIN_MADE_ROOM       7   /* six digits */
#define ENROLMENT_CODE_ROOM 20  /* "XXXX-XXXX-XXXX-XXXX" */

enum role { ROLE_NONE, ROLE_ASSISTANT, ROLE_NURSE, ROLE_LEAD, ROLE_ADMINISTRATOR };

struct user {
    char name[USER_NAME_ROOM];            /* to sign in; A and a are the same */
    char practitioner[PRACTITIONER_ROOM]; /* what stands in `by`; two accounts of one person share it */
    char display[USER_DISPLAY_ROOM];      /* for people */
    enum role role;
    bool disabled;
    bool must_change;                     /* somebody else chose the PIN */
    char pin[PIN_HASH_ROOM];
    uint64_t stamp;                       /* live view only: another PIN has another (for sessions, sessions.h) */
};

/* ---- roles. Any thread ---- */

/* "assistant", "nurse", "lead", "administrator"; ROLE_NONE for any other word. */
enum role role_named(const char *word);
const char *role_word(enum role role);
unsigned role_rights(enum role role); /* of enum right */
/* The words of a person's rights ("send", "read", "decide", "reset", "accounts"), one an index from 0; NULL: no more. */
const char *right_word(size_t index, enum right *right);

/* ---- PINs. Any thread ---- */

/* 4 to 12 digits (`least` may ask for more), and none of those that are tried first. False: `why` is for the person. */
bool pin_is_good(const char *pin, size_t least, char why[200]);
/* One that is good, by chance, for somebody's first sign-in. */
void pin_make(char pin[PIN_MADE_ROOM]);
MUST_CHECK enum status pin_hash(const char *pin, char hash[PIN_HASH_ROOM]);

/* ---- the file. As clients_*() in access.h ---- */

struct user_list {
    struct user *items;
    size_t count;
};

/* NOT_FOUND: no file (an empty list is given); INVALID: broken, `why` says where. */
MUST_CHECK enum status user_list_read(const char *path, struct user_list *out, char why[200]);
MUST_CHECK enum status user_list_write(const char *path, const struct user_list *list);
/* Takes a copy. CONFLICT: the name is taken. */
MUST_CHECK enum status user_list_add(struct user_list *list, const struct user *user);
struct user *user_list_find(const struct user_list *list, const char *name);
void user_list_clear(struct user_list *list);
int user_list_lock(const char *path);
/* The member that cannot stand in the file ("name", "practitioner", "display", "role"), NULL: all can. A name has no blank. */
const char *user_fault(const struct user *user);

/* ---- the daemon's live view. Any thread; now_ms is monotonic ---- */

struct users;

enum sign_in { SIGN_IN_WRONG, SIGN_IN_OK, SIGN_IN_LOCKED, SIGN_IN_DISABLED };

struct signed_in {
    enum sign_in result;
    unsigned wait_s;  /* WRONG, LOCKED: seconds until the next try; 0: at once */
    struct user user; /* OK: who it is, without the hash of the PIN; else empty */
};

struct users_options {
    const char *path;
    size_t pin_least; /* digits; 0: PIN_LEAST */
};

MUST_CHECK enum status users_start(const struct users_options *options, int64_t now_ms, struct users **out);
void users_stop(struct users *users);

/* Blocks for a tenth of a second and more: one PIN is looked at at a time, so that its 64 MiB are there once.
 * NO_MEMORY: the PIN could not be looked at, the try does not count. */
MUST_CHECK enum status users_sign_in(struct users *users, const char *name, const char *pin, int64_t now_ms, struct signed_in *out);
/* A PIN of one's own. It is changed when it answers STATUS_OK and out->result is SIGN_IN_OK.
 *   INVALID   `fresh` is not taken, `why` says it to the person; the old PIN was not looked at
 *   CONFLICT  the account was changed meanwhile: sign in anew */
MUST_CHECK enum status users_change_pin(struct users *users, const char *name, const char *pin, const char *fresh, int64_t now_ms,
                                        struct signed_in *out, char why[200]);
/* Is the account (still) there and open? For a session that goes on; the file is looked at at most once a second. */
bool users_find(struct users *users, const char *name, int64_t now_ms, struct user *out);

/* Has anybody, shut or not, that identifier? */
bool users_has_practitioner(struct users *users, const char *practitioner);

/* A one-time code for the first administrator, when the file is in order or missing and has nobody; its hash is kept in memory only.
 * A new code takes the place of the old. */
bool users_enrolment_code(struct users *users, char code[ENROLMENT_CODE_ROOM]);
/* The first administrator: name, practitioner and display of `first`, with a PIN of their own. The code is used up with STATUS_OK.
 *   NOT_FOUND  not the code    CONFLICT  there is somebody already    INVALID  `why` says it to the person */
MUST_CHECK enum status users_enrol(struct users *users, const char *code, const struct user *first, const char *pin, int64_t now_ms,
                                   char why[200]);

/* ---- accounts, changed by somebody who may (role.c). They block as above ----
 *   NOT_FOUND  nobody has that name     DAMAGED  the file is broken
 *   INVALID    not by them: `why` says it to the person. Whoever asks is looked at in the file itself, so two who shut each
 *              other's accounts do not both succeed */

/* All of them, as users_find() gives one. The caller's: user_list_clear(). */
MUST_CHECK enum status users_all(struct users *users, int64_t now_ms, struct user_list *out);
/* A new account; its PIN is made here. user->must_change says whether it has to be changed. CONFLICT: the name is taken. */
MUST_CHECK enum status users_add(struct users *users, const struct user *user, int64_t now_ms, char pin[PIN_MADE_ROOM]);

struct account_change {
    const char *by, *name;  /* whoever changes; whose account */
    bool new_pin;           /* made here, to be changed at the next sign-in */
    enum role role;         /* ROLE_NONE: as it is */
    bool shut, open;        /* neither: as it is */
};

struct account_changed {
    struct user user;        /* as it is now, as users_find() gives it (also when it is shut) */
    char pin[PIN_MADE_ROOM]; /* with new_pin */
};

MUST_CHECK enum status users_change(struct users *users, const struct account_change *change, int64_t now_ms,
                                    struct account_changed *out, char why[200]);

#endif
