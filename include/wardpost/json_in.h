/* json_in.h - JSON text to jansson values whose numbers keep their digits.
 *
 * jansson reads 98.60 as a double and fails a whole text on 1e400. So the text is read here, and
 * each number is kept as a json_string with U+0001 (which no text of a sender may hold) before its
 * digits. It is asked for with digits_*(), so "72" in quotes never passes for 72. -0 is kept as 0.
 * Refused, each with line, column and words: what is no JSON (RFC 8259), bytes that are no UTF-8,
 * duplicate names, a top that is neither object nor array, NaN and Infinity, control characters
 * other than tab and line breaks in a string, more than 15 digits or 9 places, exponents, more than
 * 32 levels of nesting. */
#ifndef WARDPOST_JSON_IN_H
#define WARDPOST_JSON_IN_H

#include <jansson.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "wardpost/decimal.h"
#include "wardpost/status.h"

struct json_fault {
    size_t offset; /* byte of the text, from 0 */
    unsigned line, column;
    char detail[200]; /* for a person; never holds what was sent but a number's first digits */
};

/* `text` needs no NUL. STATUS_INVALID with *fault filled when the text is no such JSON.
 * *out is the caller's (json_decref). */
MUST_CHECK enum status json_in(const char *text, size_t length, json_t **out,
                               struct json_fault *fault);

bool digits_is(const json_t *value); /* is it a number? */
const char *digits_text(
    const json_t *value); /* its digits as sent, NULL when it is none; borrowed */
bool digits_decimal(const json_t *value, struct decimal *out);
bool text_is(const json_t *value); /* a string that is no number */

/* For json_object_foreach, which wants a json_t * and only reads. */
static inline json_t *json_walk(const json_t *value)
{
    union {
        const json_t *in;
        json_t *out;
    } both = {value};

    return both.out;
}

/* A file or pipe whole, at most 16 MiB, for tables and the tool: STATUS_IO (errno says why) when it
 * cannot be read, else as json_in(). */
MUST_CHECK enum status json_in_file(const char *path, json_t **out, struct json_fault *fault);

/* Hash of a value for "same content": object order does not matter, digits do. `skip` names members
 * of any object that do not count (NULL-terminated). */
void json_in_hash(const json_t *value, const char *const *skip, uint8_t out[32]);

#endif
