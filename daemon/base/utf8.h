/* utf8.h - UTF-8 as RFC 3629 has it: no overlong forms, no surrogates, nothing above U+10FFFF.
 * Pure. */
#ifndef WARDPOST_BASE_UTF8_H
#define WARDPOST_BASE_UTF8_H

#include <stddef.h>
#include <stdint.h>

/* Bytes of the character that starts at `at`, 1 to 4; 0 when there is no whole one within `left`
 * bytes. */
size_t utf8_length(const char *at, size_t left);

/* Writes a code point that is no surrogate and at most U+10FFFF; returns its bytes, 1 to 4. */
size_t utf8_put(char *out, uint32_t code);

/* A text that was cut at its room may end inside a character: that piece goes, too. */
void utf8_trim(char *text);

#endif
