/* pack.c - see pack.h. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <zlib.h>

#include "store/pack.h"

#define WINDOW_BITS  (-12) /* raw deflate, 4 KiB: the end of the base and of the text itself */
#define MEMORY_LEVEL 3     /* small tables: they are cleared for each text */
#define BASES_MOST   128
#define BASE_MOST \
    16384 /* bytes of one: what is beyond the window does not help, and memory is bounded */
#define TEXT_MOST ((size_t)16 << 20)

/* ---- a buffer that only grows ---- */

struct buffer {
    char *bytes;
    size_t room;
};

static bool buffer_fits(struct buffer *buffer, size_t length)
{
    char *longer;

    if (length <= buffer->room)
        return true;
    longer = realloc(buffer->bytes, length * 2);
    if (!longer)
        return false;
    buffer->bytes = longer;
    buffer->room = length * 2;
    return true;
}

static char *copy(struct text text)
{
    char *bytes = text.bytes ? malloc(text.length + 1) : NULL;

    if (bytes)
        memcpy(bytes, text.bytes, text.length);
    return bytes;
}

/* ---- writing ---- */

struct base {
    char kind[64], role[64];
    int64_t seq;
    struct text text; /* owned */
};

struct bases {
    z_stream deflate;
    struct base items[BASES_MOST];
    size_t count;
    struct buffer buffer;
};

enum status bases_new(struct bases **out)
{
    struct bases *bases = calloc(1, sizeof(*bases));

    if (!bases)
        return STATUS_NO_MEMORY;
    if (deflateInit2(&bases->deflate, 1, Z_DEFLATED, WINDOW_BITS, MEMORY_LEVEL,
                     Z_DEFAULT_STRATEGY) != Z_OK) {
        free(bases);
        return STATUS_NO_MEMORY;
    }
    *out = bases;
    return STATUS_OK;
}

static void text_free(struct text *text)
{
    free((char *)(uintptr_t)text->bytes);
    *text = (struct text){NULL, 0};
}

void bases_forget_from(struct bases *bases, int64_t seq)
{
    for (size_t i = 0; i < bases->count;) {
        if (bases->items[i].seq < seq) {
            i++;
            continue;
        }
        text_free(&bases->items[i].text);
        bases->items[i] = bases->items[--bases->count];
    }
}

void bases_free(struct bases *bases)
{
    if (!bases)
        return;
    bases_forget_from(bases, 0);
    deflateEnd(&bases->deflate);
    free(bases->buffer.bytes);
    free(bases);
}

static struct base *find(struct bases *bases, const char *kind, const char *role)
{
    for (size_t i = 0; i < bases->count; i++)
        if (strcmp(bases->items[i].kind, kind) == 0 && strcmp(bases->items[i].role, role) == 0)
            return &bases->items[i];
    return NULL;
}

/* The length of the text in four bytes, then the deflated bytes. False: no room, or it does not get
 * shorter than two thirds. */
static bool pack_one(struct bases *bases, struct text text, struct text base, struct text *out)
{
    z_stream *stream = &bases->deflate;
    struct buffer *buffer = &bases->buffer;
    size_t most = text.length * 2 / 3;

    if (text.length < 64 || text.length > TEXT_MOST || !buffer_fits(buffer, most + 4))
        return false;
    for (int i = 0; i < 4; i++)
        buffer->bytes[i] = (char)(text.length >> (8 * i));
    if (deflateReset(stream) != Z_OK ||
        deflateSetDictionary(stream, (const Bytef *)base.bytes, (uInt)base.length) != Z_OK)
        return false;
    stream->next_in = (z_const Bytef *)(uintptr_t)text.bytes;
    stream->avail_in = (uInt)text.length;
    stream->next_out = (Bytef *)buffer->bytes + 4;
    stream->avail_out = (uInt)most;
    if (deflate(stream, Z_FINISH) != Z_STREAM_END)
        return false;
    *out = (struct text){buffer->bytes, stream->total_out + 4};
    return true;
}

void bases_pack(struct bases *bases, const char *kind, const char *role, struct text text,
                struct text *out, int64_t *base_out)
{
    const struct base *base = text.bytes ? find(bases, kind, role) : NULL;

    *base_out = 0;
    *out = text;
    if (base && pack_one(bases, text, base->text, out))
        *base_out = base->seq;
}

static struct base *base_new(struct bases *bases, const char *kind, const char *role)
{
    struct base *base = &bases->items[bases->count];

    if (bases->count == BASES_MOST || strlen(kind) >= sizeof(base->kind) ||
        strlen(role) >= sizeof(base->role))
        return NULL;
    bases->count++;
    *base = (struct base){0};
    snprintf(base->kind, sizeof(base->kind), "%s", kind);
    snprintf(base->role, sizeof(base->role), "%s", role);
    return base;
}

void bases_learn(struct bases *bases, const char *kind, const char *role, int64_t seq,
                 struct text text)
{
    struct text kept = {text.length <= BASE_MOST ? copy(text) : NULL, text.length};
    struct base *base = kept.bytes ? find(bases, kind, role) : NULL;

    if (kept.bytes && !base)
        base = base_new(bases, kind, role);
    if (!base) {
        text_free(&kept); /* not learned: the next one is written plain, too */
        return;
    }
    text_free(&base->text);
    base->seq = seq;
    base->text = kept;
}

/* ---- reading ---- */

#define KNOWN_MOST 16

struct unpacker {
    z_stream inflate;
    struct {
        int64_t seq;
        struct text text;
    } known[KNOWN_MOST];
    size_t next, current;
    struct buffer buffer;
};

enum status unpacker_new(struct unpacker **out)
{
    struct unpacker *unpacker = calloc(1, sizeof(*unpacker));

    if (!unpacker)
        return STATUS_NO_MEMORY;
    if (inflateInit2(&unpacker->inflate, WINDOW_BITS) != Z_OK) {
        free(unpacker);
        return STATUS_NO_MEMORY;
    }
    *out = unpacker;
    return STATUS_OK;
}

void unpacker_free(struct unpacker *unpacker)
{
    if (!unpacker)
        return;
    for (size_t i = 0; i < KNOWN_MOST; i++)
        text_free(&unpacker->known[i].text);
    inflateEnd(&unpacker->inflate);
    free(unpacker->buffer.bytes);
    free(unpacker);
}

bool unpacker_knows(struct unpacker *unpacker, int64_t base)
{
    for (size_t i = 0; i < KNOWN_MOST; i++)
        if (unpacker->known[i].seq == base) {
            unpacker->current = i;
            return true;
        }
    return false;
}

enum status unpacker_learn(struct unpacker *unpacker, int64_t base, struct text text)
{
    size_t slot = unpacker->next;
    struct text kept = {copy(text), text.length};

    if (!kept.bytes)
        return text.bytes ? STATUS_NO_MEMORY : STATUS_DAMAGED;
    unpacker->next = (slot + 1) % KNOWN_MOST;
    unpacker->current = slot;
    text_free(&unpacker->known[slot].text);
    unpacker->known[slot].seq = base;
    unpacker->known[slot].text = kept;
    return STATUS_OK;
}

static size_t length_of(struct text packed)
{
    size_t length = 0;

    for (int i = 0; i < 4 && packed.length > 4; i++)
        length |= (size_t)(unsigned char)packed.bytes[i] << (8 * i);
    return length;
}

/* Inflating allocates its window only now. */
static enum status status_of_zlib(int code)
{
    return code == Z_OK || code == Z_STREAM_END ? STATUS_OK
           : code == Z_MEM_ERROR                ? STATUS_NO_MEMORY
                                                : STATUS_DAMAGED;
}

static enum status inflate_all(z_stream *stream, struct text packed, struct text base)
{
    enum status status = status_of_zlib(inflateReset(stream));

    if (status == STATUS_OK)
        status = status_of_zlib(
            inflateSetDictionary(stream, (const Bytef *)base.bytes, (uInt)base.length));
    if (status != STATUS_OK)
        return status;
    stream->next_in = (z_const Bytef *)(uintptr_t)packed.bytes;
    stream->avail_in = (uInt)packed.length;
    return status_of_zlib(inflate(stream, Z_FINISH));
}

enum status unpack(struct unpacker *unpacker, struct text packed, struct text *out)
{
    const struct text base = unpacker->known[unpacker->current].text;
    size_t length = length_of(packed);
    enum status status;

    if (!base.bytes || length == 0 || length > TEXT_MOST)
        return STATUS_DAMAGED;
    if (!buffer_fits(&unpacker->buffer, length + 1))
        return STATUS_NO_MEMORY;
    unpacker->inflate.next_out = (Bytef *)unpacker->buffer.bytes;
    unpacker->inflate.avail_out = (uInt)length;
    status =
        inflate_all(&unpacker->inflate, (struct text){packed.bytes + 4, packed.length - 4}, base);
    if (status == STATUS_OK && unpacker->inflate.avail_out != 0)
        status = STATUS_DAMAGED;
    if (status == STATUS_OK)
        *out = (struct text){unpacker->buffer.bytes, length};
    return status;
}
