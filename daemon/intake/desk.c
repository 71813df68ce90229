/* desk.c - one thread for what blocks for a tenth of a second and more: PINs, and the file of
 * people.
 *
 * One PIN is looked at at a time anyway (its 64 MiB are there once), so one thread is enough. The
 * queue is short: whoever would wait longer than a few seconds is told so at once, and the serving
 * threads are never held up. */
#include <pthread.h>
#include <stdlib.h>

#include "intake/intake_private.h"

#define WAITING_MOST 32

struct desk {
    pthread_t thread;
    pthread_mutex_t lock; /* guards all below */
    pthread_cond_t news;
    struct exchange *first, *last;
    size_t waiting; /* with the one that is looked at */
    bool ending;
};

static struct exchange *next_one(struct desk *desk)
{
    struct exchange *exchange;

    pthread_mutex_lock(&desk->lock);
    while (!desk->first && !desk->ending)
        pthread_cond_wait(&desk->news, &desk->lock);
    exchange = desk->first;
    if (exchange) {
        desk->first = exchange->next_at_desk;
        if (!desk->first)
            desk->last = NULL;
    }
    pthread_mutex_unlock(&desk->lock);
    return exchange;
}

static void *keep_desk(void *context)
{
    struct desk *desk = context;
    struct exchange *exchange;

    while ((exchange = next_one(desk))) {
        exchange->work(exchange);
        pthread_mutex_lock(&desk->lock);
        desk->waiting--;
        pthread_mutex_unlock(&desk->lock);
        exchange_resume(exchange);
    }
    return NULL;
}

enum status desk_start(struct desk **out)
{
    struct desk *desk = calloc(1, sizeof(*desk));

    if (!desk)
        return STATUS_NO_MEMORY;
    pthread_mutex_init(&desk->lock, NULL);
    pthread_cond_init(&desk->news, NULL);
    if (pthread_create(&desk->thread, NULL, keep_desk, desk) != 0) {
        free(desk);
        return STATUS_NO_MEMORY;
    }
    *out = desk;
    return STATUS_OK;
}

void desk_stop(struct desk *desk)
{
    if (!desk)
        return;
    pthread_mutex_lock(&desk->lock);
    desk->ending = true;
    pthread_cond_signal(&desk->news);
    pthread_mutex_unlock(&desk->lock);
    pthread_join(desk->thread, NULL);
    pthread_cond_destroy(&desk->news);
    pthread_mutex_destroy(&desk->lock);
    free(desk);
}

static bool take_place(struct desk *desk)
{
    bool room;

    pthread_mutex_lock(&desk->lock);
    room = desk->waiting < WAITING_MOST;
    if (room)
        desk->waiting++;
    pthread_mutex_unlock(&desk->lock);
    return room;
}

/* Suspended before it stands in the queue: it may be resumed at once. */
void desk_take(struct exchange *exchange, desk_work *work)
{
    struct desk *desk = exchange->intake->desk;

    if (!take_place(desk)) {
        reply_problem(exchange, 503, "many are signing in", "Nothing was looked at; try again.",
                      NULL);
        exchange->reply.retry_after = 3;
        return;
    }
    exchange->work = work;
    exchange->next_at_desk = NULL;
    exchange_suspend(exchange);
    pthread_mutex_lock(&desk->lock);
    if (desk->last)
        desk->last->next_at_desk = exchange;
    else
        desk->first = exchange;
    desk->last = exchange;
    pthread_cond_signal(&desk->news);
    pthread_mutex_unlock(&desk->lock);
}
