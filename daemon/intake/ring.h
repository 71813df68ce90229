/* ring.h - the last events, numbered: what a stream that comes back has missed, as long as it is
 * not too long ago. Pure; whoever has it guards it. */
#ifndef WARDPOST_INTAKE_RING_H
#define WARDPOST_INTAKE_RING_H

#include <stdbool.h>
#include <stdint.h>

#define RING_ROOM 1024 /* a power of two */

struct event {
    const char *name; /* of a constant text: "reading" */
    char *data;       /* JSON in one line, malloc'd */
};

/* Numbers begin with 1 and never come again. Those in it: first <= number < next. */
struct ring {
    uint64_t first, next;
    struct event events[RING_ROOM];
};

#define RING_INIT             \
    {                         \
        .first = 1, .next = 1 \
    }

/* Takes `data` over; the oldest goes when there is no room. NULL (there was no memory): breaks. */
void ring_push(struct ring *ring, const char *name, char *data);
/* There was something that is not in it: nobody who is not up to date can be brought up to date any
 * more. */
void ring_break(struct ring *ring);
/* The event, borrowed until the next call; NULL: it is not in it (any more, or yet). */
const struct event *ring_at(const struct ring *ring, uint64_t number);
/* Can one whose last was `last` go on with the next? */
bool ring_follows(const struct ring *ring, uint64_t last);
void ring_clear(struct ring *ring);

#endif
