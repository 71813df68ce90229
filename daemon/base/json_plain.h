/* json_plain.h - how far the bytes of a text stand for themselves in a JSON string (RFC 8259 7):
 * ASCII, no control character, no quote, no backslash. Most of what passes here is such a run, so
 * eight bytes are looked at in one step. */
#ifndef WARDPOST_BASE_JSON_PLAIN_H
#define WARDPOST_BASE_JSON_PLAIN_H

#include <stdbool.h>
#include <stdint.h>
#include <string.h>

static inline bool json_plain_is(unsigned char c)
{
    return c >= 0x20 && c < 0x80 && c != '"' && c != '\\';
}

/* Subtracting sets the top bit of the lowest byte that is too small (or, after the exclusive or,
 * zero); a borrow into higher bytes changes nothing, for the answer is already no. A byte from 0x80
 * on keeps its top bit in one of the three. */
static inline bool json_plain_is_eight(uint64_t eight)
{
    const uint64_t each = 0x0101010101010101U;

    return (((eight - each * 0x20) | ((eight ^ each * '"') - each) |
             ((eight ^ each * '\\') - each)) &
            each * 0x80) == 0;
}

static inline bool json_plain_is_eight_at(const char *at)
{
    uint64_t eight;

    memcpy(&eight, at, 8);
    return json_plain_is_eight(eight);
}

static inline const char *json_plain_end(const char *at, const char *end)
{
    const bool is_long = end - at >= 8;

    while (end - at >= 8 && json_plain_is_eight_at(at))
        at += 8;
    if (is_long && end - at < 8 && json_plain_is_eight_at(end - 8)) /* some of them once more */
        return end;
    while (at < end && json_plain_is((unsigned char)*at))
        at++;
    return at;
}

#endif
