/* round.h - who is due, for POST /v1/round/_search. Reads only; knows no HTTP. */
#ifndef WARDPOST_ROUND_H
#define WARDPOST_ROUND_H

#include "wardpost/json_out.h"
#include "wardpost/kind.h"
#include "wardpost/outbox.h"

#define ROUND_MOST 200 /* patients that are looked at */

struct round { /* all borrowed */
    struct outbox_reader *reader;
    const struct kinds *kinds;
    int64_t now_ms, soon_ms; /* wall clock; due within so long is soon */
    int usual_minutes;       /* where neither a score nor an order says */
    struct json_out *out;    /* one JSON document; the caller checks json_out_ok() */
};

/* Of one ward, or (NULL) of all wards and those in none who had a set in the last day; at most `most` of them, the most overdue
 * first. */
MUST_CHECK enum status view_round(struct round *round, const char *ward, size_t most);

#endif
