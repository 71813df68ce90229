/* ring.c - see ring.h. */
#include "intake/ring.h"

#include <stdlib.h>

static struct event *slot_of(struct ring *ring, uint64_t number)
{
    return &ring->events[number % RING_ROOM];
}

static void drop_first(struct ring *ring)
{
    struct event *event = slot_of(ring, ring->first++);

    free(event->data);
    *event = (struct event){0};
}

void ring_push(struct ring *ring, const char *name, char *data)
{
    if (!data) {
        ring_break(ring);
        return;
    }
    if (ring->next - ring->first == RING_ROOM)
        drop_first(ring);
    *slot_of(ring, ring->next++) = (struct event){name, data};
}

void ring_break(struct ring *ring)
{
    while (ring->first < ring->next)
        drop_first(ring);
    ring->first = ++ring->next; /* the number between is of what was lost */
}

const struct event *ring_at(const struct ring *ring, uint64_t number)
{
    return number >= ring->first && number < ring->next ? &ring->events[number % RING_ROOM] : NULL;
}

bool ring_follows(const struct ring *ring, uint64_t last)
{
    return last < ring->next && last + 1 >= ring->first;
}

void ring_clear(struct ring *ring)
{
    while (ring->first < ring->next)
        drop_first(ring);
}
