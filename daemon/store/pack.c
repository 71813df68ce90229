/* pack.c - see pack.h. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <zlib.h>

#include "store/pack.h"

#define WINDOW_BITS  (-13) /* raw deflate, 8 KiB: texts are a few kB */
#define MEMORY_LEVEL 6
#define BASES_MOST   128
#define TEXT_MOST    ((size_t)16 << 20)

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
    struct texts texts; /* owned */
};

struct bases {
    z_stream deflate;
    struct base items[BASES_MOST];
    size_t count;
    struct buffer sent, became;
};

enum status bases_new(struct bases **out)
{
    struct bases *bases = calloc(1, sizeof(*bases));

    if (!bases)
        return STATUS_NO_MEMORY;
    if (deflateInit2(&bases->deflate, 1, Z_DEFLATED, WINDOW_BITS, MEMORY_LEVEL, Z_DEFAULT_STRATEGY) != Z_OK) {
        free(bases);
        return STATUS_NO_MEMORY;
    }
    *out = bases;
    return STATUS_OK;
}

static void texts_free(struct texts *texts)
{
    free((char *)(uintptr_t)texts->sent.bytes);
    free((char *)(uintptr_t)texts->became.bytes);
    *texts = (struct texts){{NULL, 0}, {NULL, 0}};
}

void bases_forget(struct bases *bases)
{
    for (size_t i = 0; i < bases->count; i++)
        texts_free(&bases->items[i].texts);
    bases->count = 0;
}

void bases_free(struct bases *bases)
{
    if (!bases)
        return;
    bases_forget(bases);
    deflateEnd(&bases->deflate);
    free(bases->sent.bytes);
    free(bases->became.bytes);
    free(bases);
}

static struct base *find(struct bases *bases, const char *kind, const char *role)
{
    for (size_t i = 0; i < bases->count; i++)
        if (strcmp(bases->items[i].kind, kind) == 0 && strcmp(bases->items[i].role, role) == 0)
            return &bases->items[i];
    return NULL;
}

/* The length of the text in four bytes, then the deflated bytes. False: no room, or it does not get shorter than two thirds. */
static bool pack_one(struct bases *bases, struct text text, struct text base, struct buffer *buffer, struct text *out)
{
    z_stream *stream = &bases->deflate;
    size_t most = text.length * 2 / 3;

    *out = (struct text){NULL, 0};
    if (!text.bytes)
        return true;
    if (!base.bytes || text.length < 64 || text.length > TEXT_MOST || !buffer_fits(buffer, most + 4))
        return false;
    for (int i = 0; i < 4; i++)
        buffer->bytes[i] = (char)(text.length >> (8 * i));
    if (deflateReset(stream) != Z_OK || deflateSetDictionary(stream, (const Bytef *)base.bytes, (uInt)base.length) != Z_OK)
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

void bases_pack(struct bases *bases, const char *kind, const char *role, const struct texts *texts, struct texts *out, int64_t *base_out)
{
    const struct base *base = find(bases, kind, role);

    *base_out = 0;
    if (base && pack_one(bases, texts->sent, base->texts.sent, &bases->sent, &out->sent) &&
        pack_one(bases, texts->became, base->texts.became, &bases->became, &out->became))
        *base_out = base->seq;
    else
        *out = *texts;
}

void bases_learn(struct bases *bases, const char *kind, const char *role, int64_t seq, const struct texts *texts)
{
    struct base *base = find(bases, kind, role);
    struct texts copied = {{copy(texts->sent), texts->sent.length}, {copy(texts->became), texts->became.length}};

    if ((texts->sent.bytes && !copied.sent.bytes) || (texts->became.bytes && !copied.became.bytes) ||
        (!base && bases->count == BASES_MOST) || strlen(kind) >= sizeof(base->kind) || strlen(role) >= sizeof(base->role) ||
        texts->sent.length + texts->became.length > 65536) {
        texts_free(&copied); /* not learned: the next one is written plain, too */
        return;
    }
    if (!base) {
        base = &bases->items[bases->count++];
        snprintf(base->kind, sizeof(base->kind), "%s", kind);
        snprintf(base->role, sizeof(base->role), "%s", role);
    } else {
        texts_free(&base->texts);
    }
    base->seq = seq;
    base->texts = copied;
}

/* ---- reading ---- */

#define KNOWN_MOST 16

struct unpacker {
    z_stream inflate;
    struct {
        int64_t seq;
        struct texts texts;
    } known[KNOWN_MOST];
    size_t next, current;
    struct buffer sent, became;
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
        texts_free(&unpacker->known[i].texts);
    inflateEnd(&unpacker->inflate);
    free(unpacker->sent.bytes);
    free(unpacker->became.bytes);
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

void unpacker_learn(struct unpacker *unpacker, int64_t base, const struct texts *texts)
{
    size_t slot = unpacker->next;

    unpacker->next = (slot + 1) % KNOWN_MOST;
    unpacker->current = slot;
    texts_free(&unpacker->known[slot].texts);
    unpacker->known[slot].seq = base;
    unpacker->known[slot].texts = (struct texts){{copy(texts->sent), texts->sent.length}, {copy(texts->became), texts->became.length}};
}

static enum status unpack_one(struct unpacker *unpacker, struct text packed, struct text base, struct buffer *buffer, struct text *out)
{
    z_stream *stream = &unpacker->inflate;
    size_t length = 0;

    *out = (struct text){NULL, 0};
    if (!packed.bytes)
        return STATUS_OK;
    for (int i = 0; i < 4 && packed.length > 4; i++)
        length |= (size_t)(unsigned char)packed.bytes[i] << (8 * i);
    if (!base.bytes || length == 0 || length > TEXT_MOST)
        return STATUS_DAMAGED;
    if (!buffer_fits(buffer, length + 1))
        return STATUS_NO_MEMORY;
    if (inflateReset(stream) != Z_OK || inflateSetDictionary(stream, (const Bytef *)base.bytes, (uInt)base.length) != Z_OK)
        return STATUS_DAMAGED;
    stream->next_in = (z_const Bytef *)(uintptr_t)(packed.bytes + 4);
    stream->avail_in = (uInt)(packed.length - 4);
    stream->next_out = (Bytef *)buffer->bytes;
    stream->avail_out = (uInt)length;
    if (inflate(stream, Z_FINISH) != Z_STREAM_END || stream->avail_out != 0)
        return STATUS_DAMAGED;
    *out = (struct text){buffer->bytes, length};
    return STATUS_OK;
}

enum status unpack(struct unpacker *unpacker, const struct texts *packed, struct texts *out)
{
    const struct texts *base = &unpacker->known[unpacker->current].texts;
    enum status status = unpack_one(unpacker, packed->sent, base->sent, &unpacker->sent, &out->sent);

    return status == STATUS_OK ? unpack_one(unpacker, packed->became, base->became, &unpacker->became, &out->became) : status;
}
