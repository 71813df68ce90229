/* json_out.c - see wardpost/json_out.h. */
#include <assert.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "wardpost/json_in.h"
#include "wardpost/json_out.h"

static char *room_for(struct json_out *out, size_t more)
{
    size_t room = out->room ? out->room : 512;
    char *longer;

    if (out->failed)
        return NULL;
    if (out->room - out->length >= more && out->room > 0)
        return out->text + out->length;
    while (room < out->length + more)
        room *= 2;
    longer = realloc(out->text, room);
    if (!longer) {
        out->failed = true;
        return NULL;
    }
    out->text = longer;
    out->room = room;
    return out->text + out->length;
}

static void put(struct json_out *out, const char *bytes, size_t count)
{
    char *at = room_for(out, count);

    if (!at)
        return;
    memcpy(at, bytes, count);
    out->length += count;
}

/* Before each value: the comma that the last one left due, unless a name has just been written. */
static void begin_value(struct json_out *out)
{
    if (!out->name_given && out->comma_due)
        put(out, ",", 1);
    out->name_given = false;
    out->comma_due = true;
}

void json_out_clear(struct json_out *out)
{
    free(out->text);
    *out = (struct json_out)JSON_OUT_INIT;
}

void json_out_reset(struct json_out *out)
{
    char *text = out->text;
    size_t room = out->room;

    *out = (struct json_out)JSON_OUT_INIT;
    out->text = text;
    out->room = room;
}

static void open_with(struct json_out *out, char bracket)
{
    begin_value(out);
    put(out, &bracket, 1);
    out->depth++;
    out->comma_due = false;
}

static void close_with(struct json_out *out, char bracket)
{
    assert(out->depth > 0 && !out->name_given);
    put(out, &bracket, 1);
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

static bool is_plain(unsigned char c)
{
    return c >= 0x20 && c != '"' && c != '\\';
}

static void put_escape(struct json_out *out, unsigned char c)
{
    static const char hex[] = "0123456789abcdef";
    char escape[6] = {'\\', 'u', '0', '0', hex[c >> 4], hex[c & 15]};
    const char *short_forms = "\"\\\n\r\t", *letters = "\"\\nrt";
    const char *found = c ? strchr(short_forms, c) : NULL;

    if (!found) {
        put(out, escape, 6);
        return;
    }
    escape[1] = letters[found - short_forms];
    put(out, escape, 2);
}

static void put_string(struct json_out *out, const char *text, size_t length)
{
    size_t at = 0;

    put(out, "\"", 1);
    while (at < length) {
        size_t start = at;

        while (at < length && is_plain((unsigned char)text[at]))
            at++;
        put(out, text + start, at - start);
        if (at < length)
            put_escape(out, (unsigned char)text[at++]);
    }
    put(out, "\"", 1);
}

void out_name(struct json_out *out, const char *name)
{
    assert(out->depth > 0 && !out->name_given);
    if (out->comma_due)
        put(out, ",", 1);
    put_string(out, name, strlen(name));
    put(out, ":", 1);
    out->name_given = true;
}

void out_text_n(struct json_out *out, const char *text, size_t length)
{
    begin_value(out);
    put_string(out, text, length);
}

void out_text(struct json_out *out, const char *text)
{
    if (text)
        out_text_n(out, text, strlen(text));
    else
        out_null(out);
}

void out_decimal(struct json_out *out, struct decimal value)
{
    char text[DECIMAL_TEXT_ROOM];
    size_t length = decimal_text(value, text);

    begin_value(out);
    put(out, text, length);
}

void out_integer(struct json_out *out, int64_t value)
{
    char text[24];
    int length = snprintf(text, sizeof(text), "%lld", (long long)value);

    begin_value(out);
    put(out, text, (size_t)length);
}

void out_bool(struct json_out *out, bool value)
{
    begin_value(out);
    put(out, value ? "true" : "false", value ? 4 : 5);
}

void out_null(struct json_out *out)
{
    begin_value(out);
    put(out, "null", 4);
}

void out_raw(struct json_out *out, const char *json, size_t length)
{
    begin_value(out);
    put(out, json, length);
}

/* Depth is bounded by json_in(). */
void out_json(struct json_out *out, const json_t *value) /* NOLINT(misc-no-recursion) */
{
    const char *name;
    json_t *member;
    size_t index;

    if (digits_is(value)) {
        out_raw(out, digits_text(value), strlen(digits_text(value)));
    } else if (json_is_string(value)) {
        out_text_n(out, json_string_value(value), json_string_length(value));
    } else if (json_is_object(value)) {
        out_object(out);
        json_object_foreach(json_walk(value), name, member)
        {
            out_name(out, name);
            out_json(out, member);
        }
        out_object_end(out);
    } else if (json_is_array(value)) {
        out_array(out);
        json_array_foreach(value, index, member) out_json(out, member);
        out_array_end(out);
    } else if (json_is_boolean(value)) {
        out_bool(out, json_is_true(value));
    } else {
        out_null(out);
    }
}

void out_member(struct json_out *out, const char *name, const char *text)
{
    out_name(out, name);
    out_text(out, text);
}

void out_member_if(struct json_out *out, const char *name, const char *text)
{
    if (text)
        out_member(out, name, text);
}

void out_member_integer(struct json_out *out, const char *name, int64_t value)
{
    out_name(out, name);
    out_integer(out, value);
}

void out_member_decimal(struct json_out *out, const char *name, struct decimal value)
{
    out_name(out, name);
    out_decimal(out, value);
}

void out_member_bool(struct json_out *out, const char *name, bool value)
{
    out_name(out, name);
    out_bool(out, value);
}

bool json_out_ok(const struct json_out *out)
{
    return !out->failed;
}

const char *json_out_text(struct json_out *out)
{
    char *end = room_for(out, 1);

    if (!end)
        return NULL;
    *end = '\0';
    return out->text;
}

char *json_out_take(struct json_out *out, size_t *length_out)
{
    char *text = out->failed ? NULL : out->text;
    size_t length = out->length;

    if (!text) {
        json_out_clear(out);
        return NULL;
    }
    *out = (struct json_out)JSON_OUT_INIT;
    *length_out = length;
    return text;
}
