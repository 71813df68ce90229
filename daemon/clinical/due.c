/* due.c - see due.h. */
#include "wardpost/due.h"

#define MINUTE_MS ((int64_t)60000)
#define OVER_MOST 99999 /* percent; nobody reads more */

const char *due_state_text(enum due_state state)
{
    static const char *const texts[] = {"missed", "late",  "due",  "continuous",
                                        "soon",   "never", "later"};

    return texts[state];
}

const char *due_why_text(enum due_why why)
{
    static const char *const texts[] = {"none", "default", "score", "order"};

    return texts[why];
}

int due_interval(const struct due_asked *asked, enum due_why *why_out)
{
    const bool scored = asked->score >= 0, ordered = asked->order >= 0;
    const bool score_wins =
        scored &&
        (!ordered || (asked->scored_ms > asked->ordered_ms && asked->score < asked->order));

    if (score_wins) {
        *why_out = DUE_BY_SCORE;
        return asked->score;
    }
    if (ordered) {
        *why_out = DUE_BY_ORDER;
        return asked->order;
    }
    *why_out = asked->usual >= 0 ? DUE_BY_DEFAULT : DUE_BY_NONE;
    return asked->usual;
}

/* In percent of the interval over, rounded down: a line is reached, not come near. */
static enum due_state state_over(int percent)
{
    return percent >= 67 ? DUE_MISSED : percent >= 33 ? DUE_LATE : DUE_NOW;
}

struct due due_at(int64_t from_ms, int interval, int64_t now_ms, int64_t soon_ms)
{
    const int64_t span_ms = interval * MINUTE_MS, due_ms = from_ms + span_ms;
    const int64_t over_ms = now_ms - due_ms;
    struct due due = {.due_ms = due_ms};

    if (interval == 0) {
        due.state = DUE_CONTINUOUS;
    } else if (over_ms < 0) {
        due.state = -over_ms <= soon_ms ? DUE_SOON : DUE_LATER;
    } else {
        due.over_percent =
            over_ms / span_ms > OVER_MOST / 100 ? OVER_MOST : (int)(over_ms * 100 / span_ms);
        due.state = state_over(due.over_percent);
    }
    return due;
}
