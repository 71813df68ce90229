/* wave.h - one claim on its way: its items, and what request.c does for them. */
#ifndef WARDPOST_COURIER_WAVE_H
#define WARDPOST_COURIER_WAVE_H

#include "courier/courier_private.h"
#include "wardpost/bundle.h"
#include "wardpost/json_out.h"

enum todo { TODO_LOOK_UP, TODO_READ_BACK, TODO_SEND, TODO_NOTHING };

#define BUNDLES_MOST ((size_t)4)    /* at once */
#define ITEMS_MOST   ((size_t)4096) /* in a wave */

struct item { /* one Observation of the wave */
    const struct claim_entry *entry;
    uint32_t patient; /* hash of its key */
    struct delivery delivery;
    enum todo todo;
    bool alone;           /* not in a Bundle: it goes by another way than the others */
    struct json_out body; /* with its references looked up; empty: entry->became as it is */
    char remote[256], version[96];
    char *said; /* what the server said last, malloc'd */
    size_t said_length;
    long http_status;
    bool tried;      /* something went out for it in this wave */
    struct deed end; /* with TODO_NOTHING: how it is to be settled */
};

struct wave {
    struct courier *courier;
    struct claim *claim;
    struct settlement *settlements; /* when it is decided */
    struct item *items;
    size_t count;
    bool over; /* the destination is away or paused: nothing more goes out */
    size_t charted;
    size_t look_up_most; /* identifiers in one search; 1 when answers come in pages */
    char trouble[160];   /* why the destination is away, when nothing was charted */
    int64_t retry_after_ms;
};

/* request.c: each sends what it is given and tells wave_event() what came of it. */
void request_look_up(struct wave *wave, struct item **items, size_t count);
void request_read_back(struct wave *wave, struct item *item); /* of a correction that is charted */
/* Bundles of at most `most`, so many at once (at most BUNDLES_MOST). Items for whom there is no
 * room are left as they are. */
void request_bundles(struct wave *wave, struct item **items, size_t count, size_t most,
                     size_t at_once);
void request_alone(struct wave *wave, struct item **items, size_t count);

/* Something happened to an item: decide by courier_step() and note it. */
void wave_event(struct wave *wave, struct item *item, struct event event);
/* The destination itself is in trouble: nothing more goes out in this wave. */
void wave_away(struct wave *wave, const char *why, int64_t after_ms);
void wave_pause(struct wave *wave, const char *why);

const char *item_json(const struct item *item, size_t *length);

#endif
