/* courier.h - delivers the outbox to the FHIR server; decisions in pure code (daemon/courier/step.c, answer.c, backoff.c), deeds in one thread
 * with libcurl's multi interface.
 *
 * For each Observation the courier makes an at-least-once transport have an exactly-once effect (design 3): one request in flight per
 * identifier; after a lost answer it waits at least the request time-out, looks up, then sends. */
#ifndef WARDPOST_COURIER_H
#define WARDPOST_COURIER_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "wardpost/outbox.h"
#include "wardpost/status.h"

struct courier;

enum courier_way { WAY_BY_ABILITY, WAY_UPDATE_AS_CREATE, WAY_CONDITIONAL_CREATE, WAY_SEARCH_FIRST };

enum courier_way way_named(const char *word); /* of the setting; any other word: by ability */

struct courier_options {
    const char *server; /* base URL without trailing slash; NULL: no server, nothing is delivered */
    enum courier_way way;
    size_t batch_most;         /* entries in a batch Bundle; 1: no batches */
    size_t transfers_most;     /* requests at once; of Bundles at most four */
    int64_t request_timeout_ms, connect_timeout_ms;
    int64_t retry_first_ms, retry_most_ms; /* back-off, full jitter */
    unsigned server_error_tries;           /* a 5xx that one reading gets so often while others succeed holds it */
};

enum destination_state { DESTINATION_NONE, DESTINATION_STARTING, DESTINATION_UP, DESTINATION_AWAY, DESTINATION_PAUSED };

const char *destination_state_text(enum destination_state state); /* "paused" */

struct courier_status { /* for /health, status and metrics */
    enum destination_state state;
    char why[160];        /* for IT; no personal data */
    int64_t since_ms;     /* wall clock, of this state */
    int64_t next_try_ms;  /* wall clock; 0: none planned */
    char way[32];         /* "conditional create", ... "" while unknown */
    bool batches;
};

/* Starts the thread. The outbox must outlive it. */
MUST_CHECK enum status courier_start(const struct courier_options *options, struct outbox *outbox,
                                     struct courier **out);
/* Lets requests in flight finish for at most `grace_ms`, settles what is known, stops. NULL does nothing. */
void courier_stop(struct courier *courier, int64_t grace_ms);
/* Try again now (a person or SIGHUP says the server is back). [any] */
void courier_nudge(struct courier *courier);
void courier_status_get(struct courier *courier, struct courier_status *out); /* [any] */

#endif
