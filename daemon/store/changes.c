/* changes.c - what a round changed, noted while it is written and told after its COMMIT. While
 * nobody watches the cost is one look at a pointer. */
#include <stdlib.h>

#include "store/store_private.h"

void outbox_watch(struct outbox *outbox, outbox_changes_seen *seen, void *context)
{
    pthread_mutex_lock(&outbox->watch); /* waits for a call under way */
    outbox->seen = seen;
    outbox->seen_context = context;
    pthread_mutex_lock(&outbox->lock);
    outbox->watching = seen != NULL;
    pthread_mutex_unlock(&outbox->lock);
    pthread_mutex_unlock(&outbox->watch);
}

/* The room is kept for the next round, and given back when nobody watches. */
void changes_begin(struct outbox *outbox)
{
    struct changes *changes = &outbox->changes;
    bool watched;

    pthread_mutex_lock(&outbox->lock);
    watched = outbox->watching;
    pthread_mutex_unlock(&outbox->lock);
    if (watched && !changes->items)
        changes->items = calloc(CHANGES_MOST, sizeof(*changes->items));
    if (!watched) {
        free(changes->items);
        changes->items = NULL;
    }
    changes->count = 0;
    changes->lost = watched && !changes->items;
}

void change_note(struct outbox *outbox, int64_t seq, bool of_set)
{
    struct changes *changes = &outbox->changes;

    if (!changes->items)
        return;
    if (changes->count == CHANGES_MOST)
        changes->lost = true;
    else
        changes->items[changes->count++] = (struct outbox_change){seq, of_set};
}

void changes_tell(struct outbox *outbox)
{
    const struct changes *changes = &outbox->changes;

    if (changes->count == 0 && !changes->lost)
        return;
    pthread_mutex_lock(&outbox->watch);
    if (outbox->seen)
        outbox->seen(outbox->seen_context, changes->items, changes->count, changes->lost);
    pthread_mutex_unlock(&outbox->watch);
}
