/* events.c - GET /v1/events: a response that goes on for as long as both sides like. */
#include <stdlib.h>
#include <string.h>

#include "intake/answers.h"
#include "intake/exchange.h"
#include "intake/live.h"
#include "wardpost/moment.h"

struct listening {
    struct exchange *exchange;
    struct stream *stream;
    const char *rest; /* of a frame; NULL: none */
};

static ssize_t hand_out(struct listening *listening, char *to, size_t room)
{
    size_t length = strlen(listening->rest);

    if (length > room)
        length = room;
    memcpy(to, listening->rest, length);
    listening->rest = listening->rest[length] ? listening->rest + length : NULL;
    return (ssize_t)length;
}

/* libmicrohttpd has room. While it sleeps there is no deadline; a frame that is not taken away in
 * time has one. No frame goes to a session that was locked or to a token that was taken away:
 * looked at before each. */
static ssize_t on_room(void *context, uint64_t at, char *to, size_t room)
{
    struct listening *listening = context;
    struct exchange *exchange = listening->exchange;
    const struct settings *settings = exchange->intake->parts.settings;

    (void)at;
    if (listening->rest)
        return hand_out(listening, to, room);
    if (!exchange_may_still(exchange))
        return MHD_CONTENT_READER_END_OF_STREAM;
    switch (stream_next(listening->stream, &listening->rest)) {
    case STREAM_FRAME:
        intake_deadline(exchange->line, exchange->intake, settings->body_deadline_ms);
        return hand_out(listening, to, room);
    case STREAM_SLEEPS:
        intake_deadline(exchange->line, exchange->intake, INT64_MAX);
        return 0;
    case STREAM_ENDS:
        break;
    }
    return MHD_CONTENT_READER_END_OF_STREAM;
}

static void on_end(void *context)
{
    struct listening *listening = context;

    stream_close(listening->stream);
    free(listening);
}

static enum status listening_new(struct exchange *exchange, struct listening **out)
{
    struct listening *listening = calloc(1, sizeof(*listening));
    enum status status;

    if (!listening)
        return STATUS_NO_MEMORY;
    listening->exchange = exchange;
    status = stream_open(exchange->intake->live, exchange->connection,
                         exchange_header(exchange, "Last-Event-ID"), &listening->stream);
    if (status != STATUS_OK) {
        free(listening);
        return status;
    }
    *out = listening;
    return STATUS_OK;
}

static void begin(struct exchange *exchange)
{
    struct listening *listening;
    struct MHD_Response *response;
    enum status status = listening_new(exchange, &listening);

    if (status == STATUS_BUSY) {
        exchange->reply.retry_after = 30;
        reply_problem(exchange, 503, "too many listen",
                      "There are as many event streams as intake.streams_most allows.", NULL);
        return;
    }
    if (status != STATUS_OK) {
        reply_status(exchange, status);
        return;
    }
    response =
        MHD_create_response_from_callback(MHD_SIZE_UNKNOWN, 2048, on_room, listening, on_end);
    if (!response) {
        on_end(listening);
        reply_status(exchange, STATUS_NO_MEMORY);
        return;
    }
    exchange_listens(exchange);
    reply_made(exchange, 200, "text/event-stream", response);
}

void answer_events(struct exchange *exchange)
{
    if (exchange->headers_only)
        reply_text(exchange, 200, "text/event-stream", strdup(""), 0);
    else
        begin(exchange);
}
