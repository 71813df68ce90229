/* answer.c - reading what a server said: plain jansson, for digits do not matter here and a number
 * that json_in.h refuses (17 digits of a double) must not cost us the rest. */
#include <string.h>

#include "fhir/answer.h"

#define ANSWER_MOST ((size_t)64 << 20) /* the courier stops far earlier */

json_t *answer_load(const char *text, size_t length, const char *type)
{
    json_t *json;

    if (!text || length > ANSWER_MOST)
        return NULL;
    /* Integers of any size: only small ones are looked at. A NUL in somebody's text is no reason to
     * refuse all. */
    json = json_loadb(text, length, JSON_DECODE_INT_AS_REAL | JSON_ALLOW_NUL, NULL);
    if (answer_is(json, "resourceType", type))
        return json;
    json_decref(json);
    return NULL;
}

const char *answer_text(const json_t *object, const char *name)
{
    const char *text = json_string_value(json_object_get(object, name));

    return text ? text : "";
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
