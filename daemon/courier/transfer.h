/* transfer.h - HTTP requests by libcurl's multi interface: kept-alive connections, bounded answers,
 * a time-out each. */
#ifndef WARDPOST_COURIER_TRANSFER_H
#define WARDPOST_COURIER_TRANSFER_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "wardpost/courier.h"

struct client_pool; /* one a courier; one thread but for transfers_wake() */

enum transfer_end {
    TRANSFER_ANSWERED, /* status is set */
    TRANSFER_NOT_SENT, /* the connection never stood: nothing can have arrived */
    TRANSFER_LOST,     /* it went out, and no whole answer came */
    TRANSFER_TOO_LARGE /* the answer was larger than answer_most */
};

struct transfer {
    /* in; borrowed until transfers_run() returns */
    const char *method; /* "GET", "POST", "PUT" */
    const char *url;
    const char *body; /* NULL: none */
    size_t body_length;
    const char *if_none_exist; /* header values; NULL: none */
    const char *if_match;
    size_t answer_most;
    /* out */
    enum transfer_end end;
    long status;
    char location[512], version[96]; /* Location, ETag */
    int64_t retry_after_ms;
    char *answer; /* malloc'd; transfer_clear() */
    size_t answer_length, answer_room;
    size_t body_sent; /* transfer.c's own */
    char why[128];    /* libcurl's words, for IT; no URL, no personal data */
};

MUST_CHECK enum status transfers_open(const struct courier_options *options,
                                      struct client_pool **out);
void transfers_close(struct client_pool *pool);
/* Runs all of them, at most `parallel` at once; returns when all have ended. When `stop` becomes
 * true, what has not begun ends as NOT_SENT, and what is under way gets until `grace_ms` later,
 * then ends as LOST. */
MUST_CHECK enum status transfers_run(struct client_pool *pool, struct transfer *transfers,
                                     size_t count, size_t parallel);
void transfer_clear(struct transfer *transfer);
/* Any thread. */
void transfers_stop(struct client_pool *pool, int64_t grace_ms);

#endif
