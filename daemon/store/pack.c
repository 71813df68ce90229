/* pack.c - see pack.h. */
#include <lz4.h>
#include <sodium.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "store/pack.h"

#define BASES_MOST 128
#define BASE_MOST  16384 /* bytes of one: memory is bounded */
#define TEXT_MOST  ((size_t)16 << 20)

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
    struct text text;     /* owned */
    LZ4_stream_t *loaded; /* owned: the text as dictionary, ready to be copied */
};

struct bases {
    LZ4_stream_t stream; /* a copy of a base's for each text */
    struct base items[BASES_MOST];
    size_t count;
    struct buffer buffer;
};

enum status bases_new(struct bases **out)
{
    struct bases *bases = calloc(1, sizeof(*bases));

    if (!bases)
        return STATUS_NO_MEMORY;
    *out = bases;
    return STATUS_OK;
}

static void text_free(struct text *text)
{
    free((void *)(uintptr_t)text->bytes);
    *text = (struct text){NULL, 0};
}

static void base_clear(struct base *base)
{
    text_free(&base->text);
    free(base->loaded);
    base->loaded = NULL;
}

void bases_forget_from(struct bases *bases, int64_t seq)
{
    for (size_t i = 0; i < bases->count;) {
        if (bases->items[i].seq < seq) {
            i++;
            continue;
        }
        base_clear(&bases->items[i]);
        bases->items[i] = bases->items[--bases->count];
    }
}

void bases_free(struct bases *bases)
{
    if (!bases)
        return;
    bases_forget_from(bases, 0);
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

/* What stands before the block: the length of the text in four bytes, and a hash of it in eight:
 * neither LZ4 nor SQLite would notice a damaged byte, and what it changed might be a name. */
#define HEAD_BYTES 12U

static void write_head(struct text text, char out[HEAD_BYTES])
{
    static const unsigned char key[crypto_shorthash_KEYBYTES] = "wardpost packed";

    for (int i = 0; i < 4; i++)
        out[i] = (char)(text.length >> (8 * i));
    crypto_shorthash((unsigned char *)out + 4, (const unsigned char *)text.bytes, text.length, key);
}

/* False: no room, or it does not get shorter than two thirds. */
static bool pack_one(struct bases *bases, struct text text, const struct base *base,
                     struct text *out)
{
    struct buffer *buffer = &bases->buffer;
    size_t most = text.length * 2 / 3;
    int length;

    if (text.length < 64 || text.length > TEXT_MOST || !buffer_fits(buffer, most + HEAD_BYTES))
        return false;
    write_head(text, buffer->bytes);
    bases->stream = *base->loaded;
    length = LZ4_compress_fast_continue(&bases->stream, text.bytes, buffer->bytes + HEAD_BYTES,
                                        (int)text.length, (int)most, 1);
    *out = (struct text){buffer->bytes, (size_t)length + HEAD_BYTES};
    return length > 0;
}

void bases_pack(struct bases *bases, const char *kind, const char *role, struct text text,
                struct text *out, int64_t *base_out)
{
    const struct base *base = text.bytes ? find(bases, kind, role) : NULL;

    struct text packed;

    *base_out = 0;
    *out = text;
    if (!base || !pack_one(bases, text, base, &packed))
        return;
    *base_out = base->seq;
    *out = packed;
}

static struct base *base_new(struct bases *bases, const char *kind, const char *role)
{
    struct base *base = &bases->items[bases->count];

    if (bases->count == BASES_MOST || strlen(kind) >= sizeof(base->kind) ||
        strlen(role) >= sizeof(base->role))
        return NULL;
    bases->count++;
    *base = (struct base){0};
    (void)snprintf(base->kind, sizeof(base->kind), "%s", kind);
    (void)snprintf(base->role, sizeof(base->role), "%s", role);
    return base;
}

void bases_learn(struct bases *bases, const char *kind, const char *role, int64_t seq,
                 struct text text)
{
    struct base *base = find(bases, kind, role);
    LZ4_stream_t *loaded = text.length <= BASE_MOST ? malloc(sizeof(*loaded)) : NULL;
    struct text kept = {loaded ? copy(text) : NULL, text.length};

    if (kept.bytes && !base)
        base = base_new(bases, kind, role);
    if (!kept.bytes || !base) {
        text_free(&kept); /* not learned: the next one is written plain, too */
        free(loaded);
        return;
    }
    base_clear(base);
    LZ4_initStream(loaded, sizeof(*loaded));
    LZ4_loadDict(loaded, kept.bytes, (int)kept.length);
    base->seq = seq;
    base->text = kept;
    base->loaded = loaded;
}

/* ---- reading ---- */

#define KNOWN_MOST 16

struct unpacker {
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
    *out = unpacker;
    return STATUS_OK;
}

void unpacker_free(struct unpacker *unpacker)
{
    if (!unpacker)
        return;
    for (size_t i = 0; i < KNOWN_MOST; i++)
        text_free(&unpacker->known[i].text);
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

void unpacker_forget_from(struct unpacker *unpacker, int64_t seq)
{
    for (size_t i = 0; i < KNOWN_MOST; i++)
        if (unpacker->known[i].seq >= seq) {
            text_free(&unpacker->known[i].text);
            unpacker->known[i].seq = 0;
        }
}

static size_t length_of(struct text packed)
{
    size_t length = 0;

    for (int i = 0; i < 4 && packed.length > HEAD_BYTES; i++)
        length |= (size_t)(unsigned char)packed.bytes[i] << (8 * i);
    return length;
}

static bool is_as_written(struct text packed, struct text text)
{
    char head[HEAD_BYTES];

    write_head(text, head);
    return memcmp(head, packed.bytes, HEAD_BYTES) == 0;
}

enum status unpack(struct unpacker *unpacker, struct text packed, struct text *out)
{
    const struct text base = unpacker->known[unpacker->current].text;
    const size_t length = length_of(packed);
    struct text text;

    if (!base.bytes || length == 0 || length > TEXT_MOST || packed.length > TEXT_MOST)
        return STATUS_DAMAGED;
    if (!buffer_fits(&unpacker->buffer, length + 1))
        return STATUS_NO_MEMORY;
    text = (struct text){unpacker->buffer.bytes, length};
    if (LZ4_decompress_safe_usingDict(packed.bytes + HEAD_BYTES, unpacker->buffer.bytes,
                                      (int)(packed.length - HEAD_BYTES), (int)length, base.bytes,
                                      (int)base.length) != (int)length ||
        !is_as_written(packed, text))
        return STATUS_DAMAGED;
    *out = text;
    return STATUS_OK;
}
