/* sessions.h - who is signed in: sessions of people at browsers, in memory only. A restart of the daemon ends them all.
 *
 * A session is known by a random id of 256 bits, which the browser keeps as a cookie and of which only a hash is kept here.
 * It is in exactly one state:
 *   open     the person is there             leaves by idleness or sessions_lock() (locked)
 *   locked   the PIN is asked for again      leaves by sessions_unlock() (open)
 *   none     nobody has it (any more): never opened, sessions_end(), `longest_ms` over, pushed out by newer ones, or its account was
 *            shut, removed or got another PIN
 *
 * No call fails and none blocks. The time comes in: ms, monotonic, and never goes back. Any thread. */
#ifndef WARDPOST_SESSIONS_H
#define WARDPOST_SESSIONS_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "wardpost/users.h"

#define SESSION_TEXT_ROOM 44 /* 256 bits as 43 characters of base64url */

enum session_state { SESSION_NONE, SESSION_OPEN, SESSION_LOCKED };

struct session { /* a copy of what is known of one */
    enum session_state state;
    char name[USER_NAME_ROOM];    /* of the account */
    uint64_t stamp;               /* of the PIN it was opened with (struct user) */
    char csrf[SESSION_TEXT_ROOM]; /* what a page of ours knows and no other can */
    char second[PRACTITIONER_ROOM]; /* who vouched a moment ago; "": nobody */
    int64_t ends_in_ms;             /* however busy it is */
};

struct sessions_options {
    int64_t idle_ms;    /* without anything done for so long it is locked */
    int64_t longest_ms; /* it ends so long after it was opened */
    int64_t vouched_ms; /* a second person's word is good for so long */
    size_t most;        /* at once; the one that was idle longest makes room */
    size_t user_most;   /* of one account */
};

struct sessions;

MUST_CHECK enum status sessions_new(const struct sessions_options *options, struct sessions **out);
void sessions_free(struct sessions *sessions);

/* A session of somebody who has just given the right PIN; `id` is told to nobody else. */
void sessions_open(struct sessions *sessions, const struct user *user, int64_t now_ms, char id[SESSION_TEXT_ROOM]);
/* How is it now? `active`: the person did something, which keeps an open one from being locked. */
enum session_state sessions_look(struct sessions *sessions, const char *id, bool active, int64_t now_ms, struct session *out);
/* The same, and the account behind it as it is now; a session whose account is no longer what it was ends here. */
enum session_state sessions_judge(struct sessions *sessions, struct users *users, const char *id, bool active, int64_t now_ms,
                                  struct session *out, struct user *user);
void sessions_lock(struct sessions *sessions, const char *id);
/* The right PIN was given (again, or a new one): it is open, and the PIN is that of `user` now. It does not last longer for it.
 * False: there is no such session of theirs. */
bool sessions_unlock(struct sessions *sessions, const char *id, const struct user *user, int64_t now_ms);
/* A second person stands beside it and gave their own PIN; one without a practitioner: nobody does any more. */
void sessions_vouch(struct sessions *sessions, const char *id, const struct user *second, int64_t now_ms);
void sessions_end(struct sessions *sessions, const char *id);

#endif
