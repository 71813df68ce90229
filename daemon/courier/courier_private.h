/* courier_private.h - the courier's thread and what its files share. */
#ifndef WARDPOST_COURIER_PRIVATE_H
#define WARDPOST_COURIER_PRIVATE_H

#include <pthread.h>
#include <stdatomic.h>

#include "courier/decide.h"
#include "courier/lookup.h"
#include "courier/transfer.h"

#define CHOKED_MOST 256 /* readings on which the server fails, that are remembered */

struct choked { /* a reading that got a 5xx of its own */
    int64_t seq;
    unsigned errors;
    bool others_succeed;
};

struct destination { /* the courier thread's */
    bool known;      /* its CapabilityStatement was read since the last outage */
    struct abilities abilities;
    enum courier_way way;
    bool batches;
    size_t batch_now; /* entries in a Bundle at the moment: halved by trouble, doubled by success */
    bool can_look;
    unsigned failures; /* in a row */
    struct choked choked[CHOKED_MOST];
    size_t choked_count;
};

struct wave;

struct courier {
    struct wave *
        settled; /* the last wave, decided and not on disk yet: it goes there with the next claim */
    struct courier_options options;
    char *server;
    struct outbox *outbox;
    struct outbox_reader *reader;
    struct client_pool *pool;
    struct lookups *lookups; /* NULL: no server */
    struct destination destination;
    pthread_t thread;
    bool runs;
    pthread_mutex_t lock; /* guards status, work and nudged */
    pthread_cond_t wake;
    bool work, nudged;
    atomic_bool stopping;
    struct courier_status status;
};

/* ---- destination.c ---- */

/* GET /metadata; true: it can be used, and how is decided. Otherwise trouble is noted. */
bool destination_meet(struct courier *courier);
void destination_up(struct courier *courier);
/* Away: tried again after a back-off (at least retry_after_ms). Paused: the same, at the longest
 * wait, and IT is told why. */
void destination_away(struct courier *courier, const char *why, int64_t after_ms);
void destination_pause(struct courier *courier, const char *why);

/* Server errors of single readings. */
struct choked *choked_find(struct destination *destination, int64_t seq);
void choked_note(struct destination *destination, int64_t seq, unsigned errors);
void choked_forget(struct destination *destination, int64_t seq);
void choked_others_succeed(struct destination *destination, int64_t but_seq);

/* ---- wave.c ---- */

/* One claim, delivered as far as it goes now, settled. *next_due_ms: when there may be more (wall
 * clock; INT64_MAX: on change). False: trouble of ours with the outbox. */
bool wave_run(struct courier *courier, int64_t *next_due_ms);
/* What the last wave came to goes to disk now: before a wait, and at the end. */
bool wave_settle(struct courier *courier);
/* At the very end: what could not go to disk is given up. */
void wave_drop(struct courier *courier);

uint32_t chance(void);

#endif
