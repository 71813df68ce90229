/* stream.c - one listener: which frame (HTML standard, "Server-sent events") is next for it, and
 * its sleep. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "intake/live_private.h"
#include "wardpost/moment.h"

#define SILENCE_MS 15000 /* then a comment, so that whoever is between does not hang up */
#define RETRY_MS   2000  /* after a lost connection the browser waits so long */

struct stream {
    struct live *live;
    struct MHD_Connection *connection;
    struct stream *next, *previous;
    struct stream *woken; /* next in the list of those that are being woken */
    uint64_t cursor;      /* number of the event it wants next */
    uint64_t server_seen;
    int64_t said_ms;
    bool begun, fell_out, asleep;
    char *frame;
};

/* ---- opened and closed ---- */

/* "EPOCH-NUMBER", as frame_of() wrote it. */
static bool read_id(const struct live *live, const char *id, uint64_t *number)
{
    size_t length = strlen(live->epoch);
    char *end;

    if (strncmp(id, live->epoch, length) != 0 || id[length] != '-' || id[length + 1] < '0' ||
        id[length + 1] > '9')
        return false;
    *number = strtoull(id + length + 1, &end, 10);
    return *end == '\0';
}

/* With the lock held. */
static void place(struct stream *stream, const char *last_id)
{
    const struct ring *ring = &stream->live->ring;
    uint64_t last;

    stream->cursor = ring->next;
    if (!last_id)
        return;
    if (read_id(stream->live, last_id, &last) && ring_follows(ring, last))
        stream->cursor = last + 1;
    else
        stream->fell_out = true;
}

static bool add(struct live *live, struct stream *stream, const char *last_id)
{
    bool room;

    pthread_mutex_lock(&live->lock);
    room = live->streams_count < live->parts.streams_most && !live->ended;
    if (room) {
        place(stream, last_id);
        stream->next = live->streams;
        if (stream->next)
            stream->next->previous = stream;
        live->streams = stream;
        live->streams_count++;
        live->look_now = true;
        live_signal(live);
    }
    pthread_mutex_unlock(&live->lock);
    return room;
}

enum status stream_open(struct live *live, struct MHD_Connection *connection, const char *last_id,
                        struct stream **out)
{
    struct stream *stream = calloc(1, sizeof(*stream));
    bool added;

    if (!stream)
        return STATUS_NO_MEMORY;
    stream->live = live;
    stream->connection = connection;
    pthread_mutex_lock(&live->turn);
    live_watch(live); /* first: what comes after its first frame is in the ring */
    added = add(live, stream, last_id);
    pthread_mutex_unlock(&live->turn);
    if (!added) {
        free(stream);
        return STATUS_BUSY;
    }
    *out = stream;
    return STATUS_OK;
}

void stream_close(struct stream *stream)
{
    struct live *live = stream->live;

    pthread_mutex_lock(&live->lock);
    if (stream->next)
        stream->next->previous = stream->previous;
    if (stream->previous)
        stream->previous->next = stream->next;
    else
        live->streams = stream->next;
    live->streams_count--;
    live->alone_ms = clock_monotonic_ms();
    pthread_mutex_unlock(&live->lock);
    free(stream->frame);
    free(stream);
}

/* ---- frames ---- */

/* `number` 0: it changes nothing about where to go on. No memory: NULL. */
static char *frame_of(const struct live *live, uint64_t number, const char *name, const char *data)
{
    size_t room = strlen(data) + 128;
    char *frame = malloc(room);
    int used = 0;

    if (!frame)
        return NULL;
    if (number > 0)
        used = snprintf(frame, room, "id: %s-%llu\n", live->epoch, (unsigned long long)number);
    (void)snprintf(frame + used, room - (size_t)used, "event: %s\ndata: %s\n\n", name, data);
    return frame;
}

static char *first_frame(const struct stream *stream)
{
    const size_t room = 96;
    char *frame = malloc(room);

    if (frame)
        (void)snprintf(frame, room, "retry: %d\nid: %s-%llu\n\n", RETRY_MS, stream->live->epoch,
                       (unsigned long long)(stream->cursor - 1));
    return frame;
}

/* It goes on with what comes now. */
static char *reload_frame(struct stream *stream)
{
    stream->fell_out = false;
    stream->cursor = stream->live->ring.next;
    return frame_of(stream->live, stream->cursor - 1, "reload", "{}");
}

static bool is_silent(const struct stream *stream, int64_t now_ms)
{
    return now_ms - stream->said_ms >= SILENCE_MS;
}

static bool fell_out(const struct stream *stream)
{
    return stream->fell_out || !ring_follows(&stream->live->ring, stream->cursor - 1);
}

/* With the lock held: is there something for it? */
static bool has_something(const struct stream *stream, int64_t now_ms)
{
    const struct live *live = stream->live;

    return live->ended || !stream->begun || fell_out(stream) || stream->cursor < live->ring.next ||
           stream->server_seen != live->server_version || is_silent(stream, now_ms);
}

/* Only when has_something(). */
static char *make_frame(struct stream *stream)
{
    const struct live *live = stream->live;
    const struct event *event;

    if (!stream->begun) {
        stream->begun = true;
        return first_frame(stream);
    }
    if (fell_out(stream))
        return reload_frame(stream);
    event = ring_at(&live->ring, stream->cursor);
    if (event)
        return frame_of(live, stream->cursor++, event->name, event->data);
    if (stream->server_seen != live->server_version) {
        stream->server_seen = live->server_version;
        return frame_of(live, 0, "server", live->server);
    }
    return strdup(":\n\n");
}

/* Suspended with the lock held, so that whoever wakes finds it either awake and to be asked, or
 * wholly asleep. libmicrohttpd holds none of its own locks that are wanted there while it calls. */
enum stream_step stream_next(struct stream *stream, const char **frame_out)
{
    struct live *live = stream->live;
    int64_t now_ms = clock_monotonic_ms();
    enum stream_step step = STREAM_FRAME;

    free(stream->frame);
    stream->frame = NULL;
    pthread_mutex_lock(&live->lock);
    if (live->ended) {
        step = STREAM_ENDS;
    } else if (has_something(stream, now_ms)) {
        stream->frame = make_frame(stream);
        stream->said_ms = now_ms;
        step = stream->frame ? STREAM_FRAME : STREAM_ENDS; /* the browser comes back */
    } else {
        step = STREAM_SLEEPS;
        stream->asleep = true;
        MHD_suspend_connection(stream->connection);
    }
    pthread_mutex_unlock(&live->lock);
    *frame_out = stream->frame;
    return step;
}

/* Resumed without the lock; from then on a stream is its own thread's and may be gone at once. */
void streams_wake(struct live *live)
{
    struct stream *woken = NULL, *stream;
    int64_t now_ms = clock_monotonic_ms();

    pthread_mutex_lock(&live->lock);
    for (stream = live->streams; stream; stream = stream->next) {
        if (!stream->asleep || !has_something(stream, now_ms))
            continue;
        stream->asleep = false;
        stream->woken = woken;
        woken = stream;
    }
    pthread_mutex_unlock(&live->lock);
    while ((stream = woken)) {
        woken = stream->woken;
        MHD_resume_connection(stream->connection);
    }
}
