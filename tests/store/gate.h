/* gate.h - a disk as slow as a test wants: the writer stands at the gate until it is opened, and
 * what is queued meanwhile shares the round after it. */
#ifndef WARDPOST_TESTS_GATE_H
#define WARDPOST_TESTS_GATE_H

#include <pthread.h>
#include <stdbool.h>

#include "store/store_private.h"

struct gate {
    struct job job;
    pthread_mutex_t lock;
    pthread_cond_t moved;
    bool reached, open, ended;
};

static inline void gate_wait(struct gate *gate, const bool *until)
{
    pthread_mutex_lock(&gate->lock);
    while (!*until)
        pthread_cond_wait(&gate->moved, &gate->lock);
    pthread_mutex_unlock(&gate->lock);
}

static inline void gate_move(struct gate *gate, bool *what)
{
    pthread_mutex_lock(&gate->lock);
    *what = true;
    pthread_cond_broadcast(&gate->moved);
    pthread_mutex_unlock(&gate->lock);
}

static inline enum status gate_run(struct outbox *outbox, struct job *job)
{
    struct gate *gate = (struct gate *)(void *)job;

    (void)outbox;
    gate_move(gate, &gate->reached);
    gate_wait(gate, &gate->open);
    return STATUS_OK;
}

static inline void gate_done(struct outbox *outbox, struct job *job)
{
    struct gate *gate = (struct gate *)(void *)job;

    (void)outbox;
    gate_move(gate, &gate->ended);
}

static inline void gate_close(struct gate *gate, struct outbox *outbox)
{
    *gate = (struct gate){
        .job = {.run = gate_run, .done = gate_done}
    };
    pthread_mutex_init(&gate->lock, NULL);
    pthread_cond_init(&gate->moved, NULL);
    queue_job(outbox, &gate->job);
    gate_wait(gate, &gate->reached);
}

static inline void gate_open(struct gate *gate)
{
    gate_move(gate, &gate->open);
    gate_wait(gate, &gate->ended);
}

#endif
