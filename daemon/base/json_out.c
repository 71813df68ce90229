/* json_out.c - see wardpost/json_out.h. */
#include <assert.h>
#include <stdlib.h>

#include "base/json_plain.h"
#include "base/utf8.h"
#include "wardpost/json_in.h"
#include "wardpost/json_out.h"

#define ROOM_FIRST 1024U
#define DEPTH_MOST 63U /* bits of in_object */

/* ---- the buffer: after a failed allocation it is gone, so that each put() finds no room and asks
 * here ---- */

static bool grow(struct json_out *out, size_t more)
{
    size_t room = out->room ? out->room * 2 : ROOM_FIRST;
    char *longer;

    if (out->failed)
        return false;
    while (room < out->length + more)
        room *= 2;
    longer = realloc(out->text, room);
    if (!longer) {
        free(out->text);
        out->text = NULL;
        out->length = out->room = 0;
        out->failed = true;
        return false;
    }
    out->text = longer;
    out->room = room;
    return true;
}

static inline bool make_room(struct json_out *out, size_t more)
{
    return out->room - out->length > more || grow(out, more + 1); /* one is left for the NUL */
}

static inline void put(struct json_out *out, const char *bytes, size_t count)
{
    if (!make_room(out, count))
        return;
    memcpy(out->text + out->length, bytes, count);
    out->length += count;
}

static inline void put_byte(struct json_out *out, char byte)
{
    if (make_room(out, 1))
        out->text[out->length++] = byte;
}

void json_out_clear(struct json_out *out)
{
    free(out->text);
    *out = (struct json_out)JSON_OUT_INIT;
}

void json_out_reset(struct json_out *out)
{
    *out = (struct json_out){.text = out->text, .room = out->room};
}

bool json_out_ok(const struct json_out *out)
{
    return !out->failed;
}

const char *json_out_text(struct json_out *out)
{
    if (!make_room(out, 0))
        return NULL;
    assert(out->depth == 0 && !out->name_given);
    out->text[out->length] = '\0';
    return out->text;
}

char *json_out_take(struct json_out *out, size_t *length_out)
{
    char *text = json_out_text(out) ? out->text : NULL;

    if (text) {
        *length_out = out->length;
        out->text = NULL;
    }
    json_out_clear(out);
    return text;
}

/* ---- what may follow what ---- */

void json_out_break(struct json_out *out)
{
    assert(out->depth == 0 && !out->name_given);
    out->comma_due = false;
}

static bool in_object(const struct json_out *out)
{
    return out->depth > 0 && (out->in_object >> out->depth & 1);
}

static inline void begin_value(struct json_out *out)
{
    assert(out->name_given || !in_object(out));
    if (!out->name_given && out->comma_due)
        put_byte(out, ',');
    out->name_given = false;
    out->comma_due = true;
}

static void open_with(struct json_out *out, char bracket)
{
    const uint64_t bit = (uint64_t)1 << (out->depth + 1);

    begin_value(out);
    put_byte(out, bracket);
    assert(out->depth < DEPTH_MOST);
    out->depth++;
    out->in_object = bracket == '{' ? out->in_object | bit : out->in_object & ~bit;
    out->comma_due = false;
}

static void close_with(struct json_out *out, char bracket)
{
    assert(out->depth > 0 && !out->name_given && in_object(out) == (bracket == '}'));
    put_byte(out, bracket);
    out->depth--;
    out->comma_due = out->depth > 0;
}

void out_object(struct json_out *out)
{
    open_with(out, '{');
}

void out_object_end(struct json_out *out)
{
    close_with(out, '}');
}

void out_array(struct json_out *out)
{
    open_with(out, '[');
}

void out_array_end(struct json_out *out)
{
    close_with(out, ']');
}

/* ---- strings ---- */

/* Writes what `at` starts with and cannot stand for itself; returns behind it. */
static const char *put_special(struct json_out *out, const char *at, const char *end)
{
    static const char hex[] = "0123456789abcdef", short_forms[] = "\"\\\n\r\t",
                      letters[] = "\"\\nrt";
    const unsigned char byte = (unsigned char)*at;
    const char *found = byte ? strchr(short_forms, byte) : NULL;
    size_t length;

    if (found) {
        put_byte(out, '\\');
        put_byte(out, letters[found - short_forms]);
    } else if (byte < 0x20) {
        put(out, (const char[]){'\\', 'u', '0', '0', hex[byte >> 4], hex[byte & 15]}, 6);
    } else if ((length = utf8_length(at, (size_t)(end - at))) > 0) {
        put(out, at, length);
        return at + length;
    } else {
        put(out, "\xEF\xBF\xBD",
            3); /* U+FFFD: what we send is UTF-8, whatever somebody's answer held */
    }
    return at + 1;
}

static void put_runs(struct json_out *out, const char *text, const char *end)
{
    put_byte(out, '"');
    for (;;) {
        const char *run = json_plain_end(text, end);

        put(out, text, (size_t)(run - text));
        if (run == end)
            break;
        text = put_special(out, run, end);
    }
    put_byte(out, '"');
}

/* Nearly all are plain from end to end: one look for room, one copy. */
static inline void put_string(struct json_out *out, const char *text, size_t length)
{
    char *at;

    if (json_plain_end(text, text + length) != text + length) {
        put_runs(out, text, text + length);
        return;
    }
    if (!make_room(out, length + 2))
        return;
    at = out->text + out->length;
    *at = '"';
    memcpy(at + 1, text, length);
    at[length + 1] = '"';
    out->length += length + 2;
}

void out_name_n(struct json_out *out, const char *name, size_t length)
{
    assert(in_object(out) && !out->name_given);
    if (out->comma_due)
        put_byte(out, ',');
    put_string(out, name, length);
    put_byte(out, ':');
    out->name_given = true;
}

void out_text_n(struct json_out *out, const char *text, size_t length)
{
    begin_value(out);
    put_string(out, text, length);
}

/* ---- other values ---- */

void out_raw(struct json_out *out, const char *json, size_t length)
{
    begin_value(out);
    put(out, json, length);
}

void out_members_raw(struct json_out *out, const char *members, size_t length)
{
    assert(in_object(out) && !out->name_given);
    if (length == 0)
        return;
    if (out->comma_due)
        put_byte(out, ',');
    put(out, members, length);
    out->comma_due = true;
}

void out_decimal(struct json_out *out, struct decimal value)
{
    char text[DECIMAL_TEXT_ROOM];
    size_t length = decimal_text(value, text);

    out_raw(out, text, length);
}

void out_integer(struct json_out *out, int64_t value)
{
    out_decimal(out, (struct decimal){value, 0});
}

void out_bool(struct json_out *out, bool value)
{
    out_raw(out, value ? "true" : "false", value ? 4 : 5);
}

void out_null(struct json_out *out)
{
    out_raw(out, "null", 4);
}

/* NOLINTBEGIN(misc-no-recursion): depth is bounded by json_in() */

static void put_members(struct json_out *out, const json_t *value)
{
    const char *name;
    json_t *member;

    out_object(out);
    json_object_foreach(json_walk(value), name, member)
    {
        out_name(out, name);
        out_json(out, member);
    }
    out_object_end(out);
}

static void put_items(struct json_out *out, const json_t *value)
{
    size_t index;
    json_t *item;

    out_array(out);
    json_array_foreach(value, index, item) out_json(out, item);
    out_array_end(out);
}

void out_json(struct json_out *out, const json_t *value)
{
    assert(!json_is_number(value)); /* of jansson's own: its digits are lost already */
    if (digits_is(value))
        out_raw(out, digits_text(value), json_string_length(value) - 1);
    else if (json_is_string(value))
        out_text_n(out, json_string_value(value), json_string_length(value));
    else if (json_is_object(value))
        put_members(out, value);
    else if (json_is_array(value))
        put_items(out, value);
    else if (json_is_boolean(value))
        out_bool(out, json_is_true(value));
    else
        out_null(out);
}

/* NOLINTEND(misc-no-recursion) */
