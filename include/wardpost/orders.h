/* orders.h - how often a patient is to be looked at, and reminders: what a person ordered, for the round.
 *
 * For a patient and kind ("": the whole set) at most one interval and one reminder are open; a new one ends the old one. Nothing
 * is taken away: who ended it, when and why stays on disk. Kept in the store's file, written by its one writer. */
#ifndef WARDPOST_ORDERS_H
#define WARDPOST_ORDERS_H

#include "wardpost/outbox.h"

struct watch_order { /* texts are borrowed */
    const char *patient; /* key: "system|value" */
    const char *kind;    /* name, or "" for the whole set */
    int interval_minutes; /* -1: this is no interval */
    int64_t at_ms;        /* 0: this is no reminder. Neither: ends what is open */
    const char *reason, *by;
    int64_t made_ms;
};

/* NOT_FOUND: it ends, and nothing was open. [any] Blocks for one COMMIT. */
MUST_CHECK enum status outbox_order(struct outbox *outbox, const struct watch_order *order);

typedef bool watch_order_seen(void *context, const struct watch_order *order); /* false: stop */

/* The open ones of a patient, at most 64, in the order they were made. */
MUST_CHECK enum status outbox_orders(struct outbox_reader *reader, const char *patient,
                                     watch_order_seen *seen, void *context);

#endif
