/* live_private.h - shared by live.c (the thread, presence) and stream.c. */
#ifndef WARDPOST_INTAKE_LIVE_PRIVATE_H
#define WARDPOST_INTAKE_LIVE_PRIVATE_H

#include <pthread.h>

#include "intake/live.h"
#include "intake/ring.h"

#define PENDING_MOST 1024

struct pending { /* of the outbox, not looked up yet */
    struct outbox_change items[PENDING_MOST];
    size_t count;
    bool lost; /* there was more */
};

#define EPOCH_ROOM  17
#define SERVER_ROOM 64

struct live {
    struct live_parts parts;
    char epoch[EPOCH_ROOM]; /* of this process: its numbers are no other's */
    uint8_t secret[32];
    pthread_t thread;
    struct outbox_reader *reader; /* the thread's own; NULL until it is needed */
    struct pending taken;         /* the thread's own */

    pthread_mutex_t turn; /* held while the outbox is told to begin or stop; before `lock` */
    bool watching;        /* written with both held */

    pthread_mutex_t lock; /* guards all that follows */
    pthread_cond_t news;  /* for the thread */
    struct pending pending;
    struct ring ring;
    struct presence presence;
    char server[SERVER_ROOM]; /* event `server`: JSON; "": not known yet */
    uint64_t server_version;
    struct stream *streams;
    size_t streams_count;
    int64_t alone_ms; /* since when there is no stream, monotonic */
    bool stirred;     /* there is something for the thread */
    bool look_now;    /* at the server */
    bool ended, stopping;
};

/* With `lock` held. */
void live_signal(struct live *live);
/* Asks the outbox for its changes, if nobody has. With `turn` held. */
void live_watch(struct live *live);
/* Wakes the streams for which there is something. Without `lock`. */
void streams_wake(struct live *live);

#endif
