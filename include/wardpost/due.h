/* due.h - when a patient's next set is due, and how late it is. Pure. */
#ifndef WARDPOST_DUE_H
#define WARDPOST_DUE_H

#include <stdbool.h>
#include <stdint.h>

/* In the order of a round: what has waited longest first. */
enum due_state {
    DUE_MISSED,     /* over by 67 % of the interval or more */
    DUE_LATE,       /* over by 33 % or more */
    DUE_NOW,        /* the time has come */
    DUE_CONTINUOUS, /* watched all the time: an interval of 0 */
    DUE_SOON,
    DUE_NEVER,      /* nothing was ever taken, and nothing says when */
    DUE_LATER
};
const char *due_state_text(enum due_state state); /* "missed", "late", "due", "continuous", "soon", "never", "later" */

enum due_why { DUE_BY_NONE, DUE_BY_DEFAULT, DUE_BY_SCORE, DUE_BY_ORDER };
const char *due_why_text(enum due_why why); /* "none", "default", "score", "order" */

/* Every interval is in minutes; -1: none is given. Every time is wall clock in ms. */
struct due_asked {
    int score;  /* of the last score that was not withheld; 0: continuous */
    int order;  /* somebody ordered it */
    int usual;  /* where neither says; -1: none */
    int64_t scored_ms, ordered_ms; /* when that was */
};

/* Which interval holds. An order that was made after the score stands, for who made it knew the score; a score that came after
 * the order and asks for less time wins: an ordered frequency is a minimum, and deterioration resets it (clinical 8.1). */
int due_interval(const struct due_asked *asked, enum due_why *why_out);

struct due {
    enum due_state state;
    int64_t due_ms;
    int over_percent; /* of the interval, from 0; only where state is DUE_NOW, LATE or MISSED */
};

/* How it stands `now_ms`, when something is due `interval` minutes after `from_ms`; soon: within `soon_ms`. 33 % and 67 %: RED19
 * (clinical 8.2). */
struct due due_at(int64_t from_ms, int interval, int64_t now_ms, int64_t soon_ms);

#endif
