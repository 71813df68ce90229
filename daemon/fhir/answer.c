/* answer.c - reading what a server said, by json_in(): jansson's own decoder (2.14) writes outside
 * its buffer when an allocation fails while a text of it grows.
 *
 * json_in() keeps digits and therefore refuses numbers that it cannot keep: 36.700000000000003,
 * 1E+2. Digits do not matter here and such a number must not cost us the rest, so it is read as 0.
 */
#include <ctype.h>
#include <stdlib.h>
#include <string.h>

#include "fhir/answer.h"
#include "wardpost/json_in.h"

#define ANSWER_MOST ((size_t)64 << 20) /* the courier stops far earlier */

/* ---- numbers made plain ---- */

struct tidy {
    const char *at, *end;
    char *out;
};

/* \u0000 to \u001F: json_in() takes no control characters, and we show them to nobody. */
static bool is_control_escape(const struct tidy *tidy)
{
    return tidy->end - tidy->at >= 6 && memcmp(tidy->at, "\\u00", 4) == 0 &&
           (tidy->at[4] == '0' || tidy->at[4] == '1') && isxdigit((unsigned char)tidy->at[5]);
}

static void copy_string(struct tidy *tidy)
{
    *tidy->out++ = *tidy->at++;
    while (tidy->at < tidy->end && *tidy->at != '"') {
        if (is_control_escape(tidy)) {
            *tidy->out++ = ' ';
            tidy->at += 6;
            continue;
        }
        if (*tidy->at == '\\' && tidy->end - tidy->at > 1)
            *tidy->out++ = *tidy->at++;
        *tidy->out++ = *tidy->at++;
    }
    if (tidy->at < tidy->end)
        *tidy->out++ = *tidy->at++;
}

static void copy_number(struct tidy *tidy)
{
    const char *start = tidy->at;
    struct decimal value;
    size_t length;

    while (tidy->at < tidy->end && *tidy->at && strchr("+-.0123456789eE", *tidy->at))
        tidy->at++;
    length = (size_t)(tidy->at - start);
    if (decimal_parse(start, length, &value)) {
        memcpy(tidy->out, start, length);
        tidy->out += length;
    } else {
        *tidy->out++ = '0';
    }
}

/* Never longer than it was. Returns the length. */
static size_t make_plain(const char *text, size_t length, char *out)
{
    struct tidy tidy = {text, text + length, out};

    if (length >= 3 && memcmp(text, "\xEF\xBB\xBF", 3) == 0)
        tidy.at += 3; /* a byte order mark: some servers write one */
    while (tidy.at < tidy.end) {
        if (*tidy.at == '"')
            copy_string(&tidy);
        else if (*tidy.at == '-' || (*tidy.at >= '0' && *tidy.at <= '9'))
            copy_number(&tidy);
        else
            *tidy.out++ = *tidy.at++;
    }
    return (size_t)(tidy.out - out);
}

enum status answer_load(const char *text, size_t length, const char *type, json_t **out)
{
    struct json_fault fault;
    enum status status;
    json_t *json = NULL;
    char *plain;

    if (!text || length > ANSWER_MOST)
        return STATUS_INVALID;
    plain = malloc(length + 1);
    if (!plain)
        return STATUS_NO_MEMORY;
    status = json_in(plain, make_plain(text, length, plain), &json, &fault);
    free(plain);
    if (status == STATUS_OK && !answer_is(json, "resourceType", type)) {
        json_decref(json);
        return STATUS_INVALID;
    }
    if (status == STATUS_OK)
        *out = json;
    return status;
}

/* ---- looking into it ---- */

const char *answer_text(const json_t *object, const char *name)
{
    const json_t *value = json_object_get(object, name);

    return text_is(value) ? json_string_value(value) : "";
}

bool answer_is(const json_t *object, const char *name, const char *wanted)
{
    return strcmp(answer_text(object, name), wanted) == 0;
}

const json_t *answer_find(const json_t *list, const char *member, const char *wanted)
{
    size_t index;
    json_t *item;

    json_array_foreach(list, index, item)
    {
        if (answer_is(item, member, wanted))
            return item;
    }
    return NULL;
}

bool answer_id(const char *text, size_t length)
{
    static const char allowed[] =
        "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-.";

    if (length == 0 || length > 64)
        return false;
    for (size_t i = 0; i < length; i++)
        if (!memchr(allowed, text[i], sizeof(allowed) - 1))
            return false;
    return true;
}
