/* pool.c - what was used once is kept to be used again: last in, first out, a bounded number. */
#include "intake/intake_private.h"

void *pool_take(struct pool *pool)
{
    void *thing = NULL;

    pthread_mutex_lock(&pool->lock);
    if (pool->count > 0)
        thing = pool->idle[--pool->count];
    pthread_mutex_unlock(&pool->lock);
    return thing;
}

bool pool_give(struct pool *pool, void *thing)
{
    bool room;

    pthread_mutex_lock(&pool->lock);
    room = pool->count < POOL_MOST;
    if (room)
        pool->idle[pool->count++] = thing;
    pthread_mutex_unlock(&pool->lock);
    return room;
}
