/* decide.h - the courier's mind: pure. Time and chance come in with the event, the deed goes out.
 *
 * One delivery is one Observation on its way to one destination. What it can be told to do next:
 *   look up   search by its identifier: it may be there already
 *   send      one create (in a Bundle or alone) by the way in force
 *   charted, hold, wait   settle it in the outbox
 * What trouble of the whole destination means (away, paused) is destination_*(). */
#ifndef WARDPOST_COURIER_DECIDE_H
#define WARDPOST_COURIER_DECIDE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "wardpost/courier.h"
#include "wardpost/outcome.h"

/* ---- answer.c: what an answer means (design 3; RFC 9110 15; RFC 6585) ---- */

enum verdict {
    VERDICT_CHARTED,
    VERDICT_LOOK_UP, /* there already, it says: see where */
    VERDICT_NEXT_WAY,
    VERDICT_SPLIT,       /* too large */
    VERDICT_SIGN_IN,     /* once more, then the destination pauses */
    VERDICT_PAUSE,       /* the destination will not have us: tell IT */
    VERDICT_WAIT,        /* it was refused for now, and surely not kept */
    VERDICT_WAIT_UNSURE, /* for now, and it may have been kept: look before sending again */
    VERDICT_HOLD
};

struct answer_rule {
    long from, to; /* HTTP status, both included */
    enum verdict alone, in_bundle,
        of_bundle;      /* of one request, of an entry in a Bundle, of the Bundle as a whole */
    const char *reason; /* for logs and people */
};

/* `status` 0: no answer. Never NULL. */
const struct answer_rule *answer_judge(long status);

/* ---- backoff.c ---- */

/* Full jitter: anywhere from 0 to min(most, first x 2^failures), by chance (0..UINT32_MAX); at
 * least `retry_after_ms`. */
int64_t backoff_ms(const struct courier_options *options, unsigned failures, uint32_t chance,
                   int64_t retry_after_ms);
/* Retry-After: seconds, or an HTTP date seen from now; 0 when it says nothing usable; at most a
 * day. */
int64_t retry_after_ms(const char *value, int64_t now_wall_ms);

/* ---- step.c: one delivery ---- */

enum event_type {
    EVENT_CLAIMED,     /* taken from the outbox */
    EVENT_FOUND,       /* looked up, and there (found >= 1) */
    EVENT_NOT_FOUND,   /* looked up, and not there */
    EVENT_CANNOT_LOOK, /* the server does not search */
    EVENT_ANSWER,      /* http_status of its own request or entry */
    EVENT_NOT_SENT,    /* the connection never stood */
    EVENT_LOST         /* it went out, and no answer came */
};

struct event {
    enum event_type type;
    int64_t now_ms; /* wall clock */
    uint32_t chance;
    long http_status;
    bool in_bundle;
    bool duplicate;    /* the OperationOutcome says it is there already */
    bool has_location; /* the answer said where it is */
    bool same;         /* read back: it says what we sent */
    bool changed;      /* read back: it is another version than the one we know */
    int64_t retry_after_ms;
};

enum deed_type { DEED_LOOK_UP, DEED_SEND, DEED_SEND_NEXT_WAY, DEED_CHARTED, DEED_HOLD, DEED_WAIT };

struct deed {
    enum deed_type type;
    int64_t due_ms; /* DEED_WAIT */
    bool ambiguous; /* DEED_WAIT: it may have arrived */
    bool not_sent;  /* DEED_WAIT: this try never left */
    const char *reason;
};

struct delivery {
    bool ambiguous;         /* may be there: look before sending */
    bool update;            /* a new version of something charted; courier_step() may find that it is */
    bool corrected;         /* its text is another one than that which was charted */
    bool released;          /* a person has seen it held, and let it go */
    int64_t sent_ms;        /* wall clock of the last try before this one; 0: none */
    enum courier_way way;   /* this one is going by; never WAY_BY_ABILITY */
    unsigned tries;         /* this round: answers that sent it back */
    bool accepted;          /* the server said it has it, and did not say where */
    unsigned server_errors; /* 5xx that it got */
    bool others_succeed;    /* since its first server error */
};

/* What this answer means for this delivery. */
enum verdict answer_verdict(const struct delivery *delivery, long status, bool in_bundle);
/* What to do about this delivery now that `event` has happened. */
struct deed courier_step(struct delivery *delivery, const struct courier_options *options,
                         const struct event *event);

/* ---- ways ---- */

/* The way to use with these abilities when the setting is WAY_BY_ABILITY. */
enum courier_way way_choose(enum courier_way setting, const struct abilities *abilities);
/* The way after this one; WAY_BY_ABILITY when there is none. */
enum courier_way way_next(enum courier_way way);
const char *way_text(enum courier_way way);

#endif
