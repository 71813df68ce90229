/* json_in.c - objects and arrays out of tokens; see wardpost/json_in.h.
 *
 * Values are built with jansson's own calls and not by its decoder: that one reads a second time
 * what had to be read for the numbers already, and alone takes longer than a reading may (8 us for
 * 400 bytes). What we take and what it takes is compared by tests/fuzz/fuzz_json_in.c. */
#include <stdlib.h>
#include <string.h>

#include "base/json_scan.h"

#define DEPTH_MOST 32U

static enum status read_value(struct json_scan *scan, unsigned depth, json_t **out);

static bool at_is(const struct json_scan *scan, char c)
{
    return scan->at < scan->end && *scan->at == c;
}

/* Where something else was due, or nothing more is there. */
static enum status missing(struct json_scan *scan, const char *words)
{
    return json_scan_wrong(scan, scan->at,
                           scan->at == scan->end ? "the text ends too early" : words);
}

static enum status made(json_t *value, json_t **out)
{
    *out = value;
    return value ? STATUS_OK : STATUS_NO_MEMORY;
}

static enum status read_string(struct json_scan *scan, json_t **out)
{
    size_t length = 0;
    enum status status = json_scan_string(scan, &length);

    return status == STATUS_OK ? made(json_stringn_nocheck(scan->scratch + scan->used, length), out)
                               : status;
}

static enum status read_number(struct json_scan *scan, json_t **out)
{
    char digits[NUMBER_TEXT_ROOM];
    size_t length = 0;
    enum status status = json_scan_number(scan, digits, &length);

    return status == STATUS_OK ? made(json_stringn_nocheck(digits, length), out) : status;
}

/* Behind a member or an item: true with `at` behind a comma, or on the closing bracket with *last
 * set. */
static enum status read_comma(struct json_scan *scan, char bracket, bool *last)
{
    json_scan_blanks(scan);
    *last = at_is(scan, bracket);
    if (!*last && !at_is(scan, ','))
        return missing(scan, "a comma or a closing bracket is missing here");
    scan->at++;
    json_scan_blanks(scan);
    return STATUS_OK;
}

/* NOLINTBEGIN(misc-no-recursion): at most DEPTH_MOST deep */

/* The name stays in the scratch while its value is read: jansson copies it only when both are
 * there. */
static enum status read_member(struct json_scan *scan, unsigned depth, json_t *object)
{
    const char *name = scan->scratch + scan->used, *start = scan->at;
    const size_t members = json_object_size(object);
    size_t length = 0;
    json_t *value = NULL;
    enum status status;

    if (!at_is(scan, '"'))
        return missing(scan, "a name in double quotes is missing here");
    status = json_scan_string(scan, &length);
    if (status != STATUS_OK)
        return status;
    json_scan_blanks(scan);
    if (!at_is(scan, ':'))
        return missing(scan, "a colon is missing behind a name");
    scan->at++;
    scan->used += length + 1;
    status = read_value(scan, depth, &value);
    if (status != STATUS_OK)
        return status;
    if (json_object_set_new_nocheck(object, name, value) != 0)
        return STATUS_NO_MEMORY;
    return json_object_size(object) > members
               ? STATUS_OK
               : json_scan_wrong(scan, start, "a name stands twice in one object");
}

static enum status read_object(struct json_scan *scan, unsigned depth, json_t **out)
{
    json_t *object = json_object();
    enum status status = object ? STATUS_OK : STATUS_NO_MEMORY;
    bool last;

    scan->at++;
    json_scan_blanks(scan);
    last = at_is(scan, '}');
    scan->at += last;
    while (status == STATUS_OK && !last) {
        status = read_member(scan, depth, object);
        if (status == STATUS_OK)
            status = read_comma(scan, '}', &last);
    }
    if (status == STATUS_OK)
        *out = object;
    else
        json_decref(object);
    return status;
}

static enum status read_item(struct json_scan *scan, unsigned depth, json_t *array)
{
    json_t *value = NULL;
    enum status status = read_value(scan, depth, &value);

    if (status == STATUS_OK && json_array_append_new(array, value) != 0)
        status = STATUS_NO_MEMORY;
    return status;
}

static enum status read_array(struct json_scan *scan, unsigned depth, json_t **out)
{
    json_t *array = json_array();
    enum status status = array ? STATUS_OK : STATUS_NO_MEMORY;
    bool last;

    scan->at++;
    json_scan_blanks(scan);
    last = at_is(scan, ']');
    scan->at += last;
    while (status == STATUS_OK && !last) {
        status = read_item(scan, depth, array);
        if (status == STATUS_OK)
            status = read_comma(scan, ']', &last);
    }
    if (status == STATUS_OK)
        *out = array;
    else
        json_decref(array);
    return status;
}

static enum status read_value(struct json_scan *scan, unsigned depth, json_t **out)
{
    char c;

    json_scan_blanks(scan);
    if (scan->at == scan->end)
        return missing(scan, "");
    c = *scan->at;
    if ((c == '{' || c == '[') && depth == DEPTH_MOST)
        return json_scan_wrong(scan, scan->at, "nested more than 32 deep");
    if (c == '{')
        return read_object(scan, depth + 1, out);
    if (c == '[')
        return read_array(scan, depth + 1, out);
    if (c == '"')
        return read_string(scan, out);
    if ((c >= '0' && c <= '9') || c == '-' || c == '+' || c == '.')
        return read_number(scan, out);
    return json_scan_word(scan, out);
}

/* NOLINTEND(misc-no-recursion) */

static enum status read_text(struct json_scan *scan, json_t **out)
{
    json_t *value = NULL;
    enum status status;

    json_scan_blanks(scan);
    if (scan->at == scan->end)
        return json_scan_wrong(scan, scan->at, "nothing was sent");
    if (scan->end - scan->at >= 3 && memcmp(scan->at, "\xEF\xBB\xBF", 3) == 0)
        return json_scan_wrong(
            scan, scan->at,
            "a byte order mark before the text: send it without"); /* RFC 8259 8.1 */
    if (*scan->at != '{' && *scan->at != '[')
        return json_scan_wrong(scan, scan->at, "the text must be an object or an array");
    status = read_value(scan, 0, &value);
    if (status != STATUS_OK)
        return status;
    json_scan_blanks(scan);
    if (scan->at < scan->end) {
        json_decref(value);
        return json_scan_wrong(scan, scan->at, "there is something behind the end");
    }
    *out = value;
    return STATUS_OK;
}

enum status json_in(const char *text, size_t length, json_t **out, struct json_fault *fault)
{
    struct json_scan scan = {
        .text = text, .at = text, .end = length > 0 ? text + length : text, .fault = fault};
    enum status status;

    *fault = (struct json_fault){0};
    scan.scratch = malloc(length + 1);
    if (!scan.scratch)
        return STATUS_NO_MEMORY;
    status = read_text(&scan, out);
    if (status == STATUS_INVALID)
        json_scan_place(&scan);
    free(scan.scratch);
    return status;
}
