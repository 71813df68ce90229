/* json_out.h - writes JSON text, member after member, into one growing buffer; numbers keep their
 * digits.
 *
 * Commas, quotes and escapes are its own affair; there are no templates. A failed allocation is
 * remembered and everything after it does nothing: check json_out_ok() once at the end. Calls that
 * do not nest (a value where a name is due) are our own bug and assert. Not thread-safe. */
#ifndef WARDPOST_JSON_OUT_H
#define WARDPOST_JSON_OUT_H

#include <jansson.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include "wardpost/decimal.h"

struct json_out {
    char *text; /* not NUL-terminated until json_out_text() */
    size_t length, room;
    unsigned depth;
    bool comma_due;
    bool name_given;
    bool failed;
    uint64_t in_object; /* a bit a level: object or array */
};

#define JSON_OUT_INIT {0}

void json_out_clear(struct json_out *out); /* frees the buffer */
void json_out_reset(struct json_out *out); /* keeps it for reuse */

void out_object(struct json_out *out); /* { */
void out_object_end(struct json_out *out);
void out_array(struct json_out *out); /* [ */
void out_array_end(struct json_out *out);
void out_name_n(struct json_out *out, const char *name, size_t length);

/* UTF-8, escaped as RFC 8259 7; what is no UTF-8 becomes U+FFFD. */
void out_text_n(struct json_out *out, const char *text, size_t length);
void out_decimal(struct json_out *out, struct decimal value);
void out_integer(struct json_out *out, int64_t value);
void out_bool(struct json_out *out, bool value);
void out_null(struct json_out *out);
void out_json(struct json_out *out, const json_t *value); /* from json_in(): digits stay */
/* A value as json_out wrote it before. */
void out_raw(struct json_out *out, const char *json, size_t length);
/* Members of an object as json_out wrote them ("a":1,"b":2), or none. */
void out_members_raw(struct json_out *out, const char *members, size_t length);

/* Those below stand here whole, and are put in whole, so that the length of a name written in the
 * source is known when it is compiled. */
#define OUT_IN_PLACE static inline __attribute__((always_inline))

OUT_IN_PLACE void out_name(struct json_out *out, const char *name) /* of the next value */
{
    out_name_n(out, name, strlen(name));
}

OUT_IN_PLACE void out_text(struct json_out *out, const char *text) /* NULL writes null */
{
    if (text)
        out_text_n(out, text, strlen(text));
    else
        out_null(out);
}

/* name and value in one; the *_if form leaves the member out when text is NULL. */
OUT_IN_PLACE void out_member(struct json_out *out, const char *name, const char *text)
{
    out_name(out, name);
    out_text(out, text);
}

OUT_IN_PLACE void out_member_if(struct json_out *out, const char *name, const char *text)
{
    if (text)
        out_member(out, name, text);
}

OUT_IN_PLACE void out_member_integer(struct json_out *out, const char *name, int64_t value)
{
    out_name(out, name);
    out_integer(out, value);
}

OUT_IN_PLACE void out_member_decimal(struct json_out *out, const char *name, struct decimal value)
{
    out_name(out, name);
    out_decimal(out, value);
}

OUT_IN_PLACE void out_member_bool(struct json_out *out, const char *name, bool value)
{
    out_name(out, name);
    out_bool(out, value);
}

/* The next value begins a document of its own in the same buffer: no comma. */
void json_out_break(struct json_out *out);

bool json_out_ok(const struct json_out *out);
const char *json_out_text(struct json_out *out); /* NUL-terminated, borrowed; NULL when it failed */

/* The text, NUL-terminated, is the caller's and `out` is as new; NULL when it failed. */
char *json_out_take(struct json_out *out, size_t *length_out);

#endif
