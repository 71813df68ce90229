/* utf8.c - see utf8.h. */
#include <stdbool.h>
#include <string.h>

#include "base/utf8.h"

static bool follows(unsigned char byte)
{
    return (byte & 0xC0) == 0x80;
}

/* By the first byte; 0 for one that starts nothing (RFC 3629 4). */
static size_t length_by_first(unsigned char first)
{
    if (first < 0x80)
        return 1;
    if (first < 0xC2)
        return 0;
    if (first < 0xE0)
        return 2;
    if (first < 0xF0)
        return 3;
    return first < 0xF5 ? 4 : 0;
}

/* Where the second byte has less than its whole range: overlong forms, surrogates, above U+10FFFF.
 */
static bool second_fits(unsigned char first, unsigned char second)
{
    switch (first) {
    case 0xE0:
        return second >= 0xA0;
    case 0xED:
        return second < 0xA0;
    case 0xF0:
        return second >= 0x90;
    case 0xF4:
        return second < 0x90;
    default:
        return true;
    }
}

size_t utf8_length(const char *at, size_t left)
{
    size_t length;

    if (left == 0)
        return 0;
    length = length_by_first((unsigned char)at[0]);
    if (length > left)
        return 0;
    for (size_t i = 1; i < length; i++)
        if (!follows((unsigned char)at[i]))
            return 0;
    if (length > 1 && !second_fits((unsigned char)at[0], (unsigned char)at[1]))
        return 0;
    return length;
}

size_t utf8_put(char *out, uint32_t code)
{
    if (code < 0x80) {
        out[0] = (char)code;
        return 1;
    }
    if (code < 0x800) {
        out[0] = (char)(0xC0 | code >> 6);
        out[1] = (char)(0x80 | (code & 0x3F));
        return 2;
    }
    if (code < 0x10000) {
        out[0] = (char)(0xE0 | code >> 12);
        out[1] = (char)(0x80 | (code >> 6 & 0x3F));
        out[2] = (char)(0x80 | (code & 0x3F));
        return 3;
    }
    out[0] = (char)(0xF0 | code >> 18);
    out[1] = (char)(0x80 | (code >> 12 & 0x3F));
    out[2] = (char)(0x80 | (code >> 6 & 0x3F));
    out[3] = (char)(0x80 | (code & 0x3F));
    return 4;
}

void utf8_trim(char *text)
{
    size_t length = strlen(text), start = length;

    while (start > 0 && length - start < 3 && follows((unsigned char)text[start - 1]))
        start--;
    if (start > 0 && length_by_first((unsigned char)text[start - 1]) > length - start + 1)
        text[start - 1] = '\0';
}
