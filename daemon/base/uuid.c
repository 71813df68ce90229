/* uuid.c - RFC 9562. Randomness from libsodium; SHA-1 of version 5 from Nettle (which GnuTLS stands
 * on). */
#include <nettle/sha1.h>
#include <sodium.h>
#include <string.h>

#include "wardpost/uuid.h"

static int hex_value(char c)
{
    if (c >= '0' && c <= '9')
        return c - '0';
    if (c >= 'a' && c <= 'f')
        return c - 'a' + 10;
    return c >= 'A' && c <= 'F' ? c - 'A' + 10 : -1;
}

bool uuid_parse(const char *text, size_t length, struct uuid *out)
{
    struct uuid uuid;
    size_t at = 0;

    if (length != 36)
        return false;
    for (size_t i = 0; i < 16; i++) {
        int high, low;

        if (at == 8 || at == 13 || at == 18 || at == 23)
            if (text[at++] != '-')
                return false;
        high = hex_value(text[at]);
        low = hex_value(text[at + 1]);
        if (high < 0 || low < 0)
            return false;
        uuid.bytes[i] = (uint8_t)(high << 4 | low);
        at += 2;
    }
    *out = uuid;
    return true;
}

void uuid_text(const struct uuid *uuid, char out[UUID_TEXT_ROOM])
{
    static const char hex[] = "0123456789abcdef";
    size_t at = 0;

    for (size_t i = 0; i < 16; i++) {
        if (i == 4 || i == 6 || i == 8 || i == 10)
            out[at++] = '-';
        out[at++] = hex[uuid->bytes[i] >> 4];
        out[at++] = hex[uuid->bytes[i] & 15];
    }
    out[at] = '\0';
}

bool uuid_equal(const struct uuid *a, const struct uuid *b)
{
    return memcmp(a->bytes, b->bytes, sizeof(a->bytes)) == 0;
}

static void set_version(struct uuid *uuid, unsigned version)
{
    uuid->bytes[6] = (uint8_t)((uuid->bytes[6] & 0x0F) | version << 4);
    uuid->bytes[8] = (uint8_t)((uuid->bytes[8] & 0x3F) | 0x80);
}

/* Each ask of the kernel is a system call, so a thread asks for some ids at once. What it has left
 * is no secret: ids are public. */
static void random_bytes(struct uuid *out)
{
    static _Thread_local struct uuid ahead[16];
    static _Thread_local size_t left;

    if (left == 0) {
        randombytes_buf(ahead, sizeof(ahead));
        left = sizeof(ahead) / sizeof(ahead[0]);
    }
    *out = ahead[--left];
}

void uuid_random(struct uuid *out)
{
    random_bytes(out);
    set_version(out, 4);
}

void uuid_at(int64_t wall_ms, struct uuid *out)
{
    random_bytes(out);
    for (int i = 0; i < 6; i++)
        out->bytes[i] = (uint8_t)(wall_ms >> (40 - 8 * i));
    set_version(out, 7);
}

void uuid_named(const struct uuid *space, const char *name, struct uuid *out)
{
    struct sha1_ctx sha1;

    sha1_init(&sha1);
    sha1_update(&sha1, sizeof(space->bytes), space->bytes);
    sha1_update(&sha1, strlen(name), (const uint8_t *)name);
    sha1_digest(&sha1, sizeof(out->bytes), out->bytes);
    set_version(out, 5);
}
