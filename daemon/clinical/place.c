/* place.c - places in a file of the table, and shapes as tables; see load.h. */
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#include "clinical/load.h"
#include "wardpost/json_in.h"

/* ---- faults ---- */

/* vsnprintf() may have cut a character of several bytes (RFC 3629) in two: half of one is dropped.
 */
static void drop_half_character(char *text)
{
    size_t length = strlen(text), back = 0;
    unsigned char lead;

    while (back < length && back < 4 && ((unsigned char)text[length - 1 - back] & 0xC0) == 0x80)
        back++;
    if (back == length)
        return;
    lead = (unsigned char)text[length - 1 - back];
    if ((lead >= 0xF0 && back < 3) || (lead >= 0xE0 && back < 2) || (lead >= 0xC0 && back < 1))
        text[length - 1 - back] = '\0';
}

bool place_fail(const struct place *place, const char *format, ...)
{
    struct kinds_fault *fault = place->loader->fault;
    va_list arguments;

    if (fault->reason[0])
        return false; /* the first one counts */
    (void)snprintf(fault->file, sizeof(fault->file), "%s", place->loader->file);
    (void)snprintf(fault->pointer, sizeof(fault->pointer), "%s", place->pointer);
    va_start(arguments, format);
    (void)vsnprintf(fault->reason, sizeof(fault->reason), format, arguments);
    va_end(arguments);
    drop_half_character(fault->file);
    drop_half_character(fault->pointer);
    drop_half_character(fault->reason);
    return false;
}

/* ---- places ---- */

bool place_member(const struct place *place, const char *name, struct place *out)
{
    const json_t *json = json_object_get(place->json, name);

    if (!json)
        return false;
    out->loader = place->loader;
    out->json = json;
    pointer_join(out->pointer, sizeof(out->pointer), place->pointer, name);
    return true;
}

void place_item(const struct place *place, size_t index, struct place *out)
{
    out->loader = place->loader;
    out->json = json_array_get(place->json, index);
    pointer_join_index(out->pointer, sizeof(out->pointer), place->pointer, index);
}

const char *place_text(const struct place *place)
{
    const char *text = text_is(place->json) ? json_string_value(place->json) : NULL;

    if (text && *text)
        return text;
    place_fail(place, "a text is due here");
    return NULL;
}

/* ---- shapes ---- */

bool place_is_remark(const char *name)
{
    return strcmp(name, "about") == 0;
}

static bool is_member(const char *name, const struct member *members, size_t count)
{
    for (size_t i = 0; i < count; i++)
        if (strcmp(members[i].name, name) == 0)
            return true;
    return false;
}

static bool no_strangers(const struct place *place, const struct member *members, size_t count)
{
    struct place at;
    const char *name;
    json_t *value;

    json_object_foreach(json_walk(place->json), name, value)
    {
        if (place_is_remark(name) || is_member(name, members, count))
            continue;
        return place_member(place, name, &at) && place_fail(&at, "no such member here");
    }
    return true;
}

bool place_shape(const struct place *place, const struct member *members, size_t count, void *out)
{
    struct place at;

    if (!json_is_object(place->json))
        return place_fail(place, "an object is due here");
    if (!no_strangers(place, members, count))
        return false;
    for (size_t i = 0; i < count; i++) {
        const struct member *member = &members[i];

        if (place_member(place, member->name, &at)) {
            if (!member->take(&at, member, out))
                return false;
        } else if (member->required) {
            return place_fail(place, "%s is missing", member->name);
        }
    }
    return true;
}

bool place_each(const struct place *place, read_named *read, void *to)
{
    struct place at;
    const char *name;
    json_t *value;

    if (!json_is_object(place->json))
        return place_fail(place, "an object is due here");
    json_object_foreach(json_walk(place->json), name, value)
    {
        if (!place_is_remark(name) && place_member(place, name, &at) && !read(&at, name, to))
            return false;
    }
    return true;
}

size_t place_count(const struct place *place)
{
    return json_object_size(place->json) - (json_object_get(place->json, "about") ? 1 : 0);
}
