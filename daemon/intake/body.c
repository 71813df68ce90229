/* body.c - a request's body, collected up to its limit and unpacked up to the same limit (a small
 * gzip may hold a large text). */
#include <stdlib.h>
#include <string.h>
#include <zlib.h>

#include "intake/intake_private.h"

static bool make_room(struct body *body, size_t more)
{
    size_t room = body->room ? body->room : 1024;
    char *bytes;

    while (room < body->length + more)
        room *= 2;
    if (room == body->room)
        return true;
    bytes = realloc(body->bytes, room);
    if (!bytes) {
        body->no_memory = true;
        return false;
    }
    body->bytes = bytes;
    body->room = room;
    return true;
}

void body_take(struct body *body, const char *piece, size_t length)
{
    if (body->too_large || body->no_memory)
        return; /* what is left of it only drains */
    if (length > body->most - body->length) {
        body->too_large = true;
        return;
    }
    if (!make_room(body, length))
        return;
    memcpy(body->bytes + body->length, piece, length);
    body->length += length;
}

void body_clear(struct body *body)
{
    free(body->bytes);
    body->bytes = NULL;
    body->length = body->room = 0;
}

#define KEPT_MOST 4096 /* bytes of a buffer that a connection keeps for its next request */

struct body body_again(struct body *body)
{
    if (body->room > KEPT_MOST)
        body_clear(body);
    return (struct body){.bytes = body->bytes, .room = body->room};
}

/* One stream, whole, with nothing behind it; a window of 15 bits, gzip header only (RFC 1952). */
static enum status inflate_all(z_stream *stream, struct body *out)
{
    char piece[16384];
    int answer;

    do {
        stream->next_out = (Bytef *)piece;
        stream->avail_out = sizeof(piece);
        answer = inflate(stream, Z_NO_FLUSH);
        if (answer != Z_OK && answer != Z_STREAM_END)
            return answer == Z_MEM_ERROR ? STATUS_NO_MEMORY : STATUS_INVALID;
        body_take(out, piece, sizeof(piece) - stream->avail_out);
        if (out->no_memory)
            return STATUS_NO_MEMORY;
        if (out->too_large)
            return STATUS_BUSY;
    } while (answer != Z_STREAM_END);
    return stream->avail_in == 0 ? STATUS_OK : STATUS_INVALID;
}

enum status body_unpack(struct body *body)
{
    struct body plain = {.most = body->most};
    z_stream stream = {0};
    enum status status;

    if (!body->gzip)
        return STATUS_OK;
    if (inflateInit2(&stream, 15 + 16) != Z_OK)
        return STATUS_NO_MEMORY;
    stream.next_in = (Bytef *)body->bytes;
    stream.avail_in = (uInt)body->length;
    status = inflate_all(&stream, &plain);
    inflateEnd(&stream);
    if (status != STATUS_OK) {
        body_clear(&plain);
        return status;
    }
    body_clear(body);
    plain.gzip = false;
    *body = plain;
    return STATUS_OK;
}
