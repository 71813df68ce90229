/* takes.c - what the members of a shape can be; see load.h. */
#include <stdio.h>
#include <string.h>

#include "clinical/load.h"
#include "wardpost/json_in.h"

void put_pointer(char *out, const void *pointer)
{
    memcpy(out, &pointer, sizeof(pointer));
}

static bool put(const struct member *member, char *out, const void *value, size_t size)
{
    const bool there = true;

    memcpy(out + member->offset, value, size);
    if (member->second != NONE)
        memcpy(out + member->second, &there, sizeof(there));
    return true;
}

/* ---- texts ---- */

bool take_text(const struct place *at, const struct member *member, char *out)
{
    const char *text = place_text(at);

    return text && put(member, out, &text, sizeof(text));
}

/* Names stand in paths, in pointers and in URLs: a dot, a slash or a blank would take them apart.
 */
bool word_is_well(const char *word)
{
    return *word >= 'a' && *word <= 'z' &&
           word[strspn(word, "abcdefghijklmnopqrstuvwxyz0123456789-")] == '\0';
}

bool take_word(const struct place *at, const struct member *member, char *out)
{
    const char *word = place_text(at);

    if (!word)
        return false;
    if (!word_is_well(word))
        return place_fail(at, "a word is lower-case letters, digits and hyphens, a letter first");
    return put(member, out, &word, sizeof(word));
}

bool take_file_name(const struct place *at, const struct member *member, char *out)
{
    const char *file = at->loader->file, *base = strchr(file, '/');
    const char *name = json_string_value(at->json);
    size_t length;

    if (!take_word(at, member, out))
        return false;
    length = strlen(name);
    return (base && strncmp(base + 1, name, length) == 0 &&
            strcmp(base + 1 + length, ".json") == 0) ||
           place_fail(at, "not the name of the file");
}

bool read_word(const struct place *item, void *out)
{
    static const struct member here = MEMBER("", REQUIRED, take_word, NOWHERE);

    return take_word(item, &here, out);
}

bool take_said(const struct place *at, const struct member *member, char *out)
{
    (void)member;
    (void)out;
    return place_text(at) != NULL;
}

bool take_object(const struct place *at, const struct member *member, char *out)
{
    (void)member;
    (void)out;
    return json_is_object(at->json) || place_fail(at, "an object is due here");
}

bool take_rows(const struct place *at, const struct member *member, char *out)
{
    (void)member;
    (void)out;
    return json_is_array(at->json) || place_fail(at, "a list is due here");
}

/* ---- numbers ---- */

static bool whole_to(const struct place *at, int most, int *out)
{
    struct decimal value;

    if (!digits_decimal(at->json, &value) || value.scale > 0 || value.digits < 0 ||
        value.digits > most)
        return place_fail(at, "a whole number from 0 to %d is due here", most);
    *out = (int)value.digits;
    return true;
}

bool take_whole(const struct place *at, const struct member *member, char *out)
{
    int value;

    return whole_to(at, 1000000, &value) && put(member, out, &value, sizeof(value));
}

bool take_points(const struct place *at, const struct member *member, char *out)
{
    int value;

    return whole_to(at, 100, &value) && put(member, out, &value, sizeof(value));
}

bool take_places(const struct place *at, const struct member *member, char *out)
{
    unsigned places;
    int value = 0;

    if (!whole_to(at, (int)DECIMAL_PLACES_MOST, &value))
        return false;
    places = (unsigned)value;
    return put(member, out, &places, sizeof(places));
}

bool take_decimal(const struct place *at, const struct member *member, char *out)
{
    struct decimal value;

    if (!digits_decimal(at->json, &value))
        return place_fail(at, "a number is due here");
    return put(member, out, &value, sizeof(value));
}

/* ---- true and false ---- */

bool take_bool(const struct place *at, const struct member *member, char *out)
{
    bool value = json_is_true(at->json);

    if (!json_is_boolean(at->json))
        return place_fail(at, "true or false is due here");
    return put(member, out, &value, sizeof(value));
}

bool take_true(const struct place *at, const struct member *member, char *out)
{
    (void)member;
    (void)out;
    return json_is_true(at->json) || place_fail(at, "only true can stand here");
}

/* ---- one of some names ---- */

static bool no_such_name(const struct place *at, const struct names *names)
{
    char all[160] = "";
    size_t used = 0;

    for (size_t i = 0; i < names->count && used < sizeof(all); i++)
        used += (size_t)snprintf(all + used, sizeof(all) - used, "%s%s", i > 0 ? ", " : "",
                                 names->items[i].name);
    return place_fail(at, "one of these is due here: %s", all);
}

bool take_name(const struct place *at, const struct member *member, char *out)
{
    const struct names *names = member->with;
    const char *name = place_text(at);

    if (!name)
        return false;
    for (size_t i = 0; i < names->count; i++)
        if (strcmp(names->items[i].name, name) == 0)
            return put(member, out, &names->items[i].value, sizeof(int));
    return no_such_name(at, names);
}

/* ---- lists ---- */

bool take_list(const struct place *at, const struct member *member, char *out)
{
    const struct rows *rows = member->with;
    size_t count = json_array_size(at->json);
    struct place item;
    char *items;

    if (!json_is_array(at->json) || count < rows->least || count > rows->most)
        return place_fail(at, "a list of %zu to %zu is due here", rows->least, rows->most);
    items = arena(at->loader, count, rows->size);
    if (!items)
        return false;
    for (size_t i = 0; i < count; i++) {
        place_item(at, i, &item);
        if (!rows->read(&item, items + i * rows->size))
            return false;
    }
    put_pointer(out + member->offset, items);
    memcpy(out + member->second, &count, sizeof(count));
    return true;
}
