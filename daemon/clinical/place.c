/* place.c - places in a file of the table, and shapes as tables; see load.h. */
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "clinical/load.h"
#include "wardpost/json_in.h"

/* ---- memory: freed with the table ---- */

struct chunk {
    struct chunk *next;
    size_t used, room;
    _Alignas(16) char bytes[];
};

#define CHUNK_ROOM ((size_t)16384)

static struct chunk *chunk_for(struct loader *loader, size_t length)
{
    struct chunk *chunk = loader->kinds->memory;
    size_t room = length > CHUNK_ROOM ? length : CHUNK_ROOM;

    if (chunk && chunk->room - chunk->used >= length)
        return chunk;
    chunk = calloc(1, sizeof(*chunk) + room);
    if (!chunk) {
        loader->no_memory = true;
        return NULL;
    }
    chunk->room = room;
    chunk->next = loader->kinds->memory;
    loader->kinds->memory = chunk;
    return chunk;
}

void *arena(struct loader *loader, size_t count, size_t size)
{
    size_t length = (count * size + 15) & ~(size_t)15;
    struct chunk *chunk = chunk_for(loader, length ? length : 16);
    void *given;

    if (!chunk)
        return NULL;
    given = chunk->bytes + chunk->used;
    chunk->used += length ? length : 16;
    return given;
}

void arena_free(struct chunk *memory)
{
    while (memory) {
        struct chunk *next = memory->next;

        free(memory);
        memory = next;
    }
}

/* ---- places ---- */

bool place_fail(const struct place *place, const char *format, ...)
{
    struct kinds_fault *fault = place->loader->fault;
    va_list arguments;

    if (fault->reason[0])
        return false; /* the first one counts */
    snprintf(fault->file, sizeof(fault->file), "%s", place->loader->file);
    snprintf(fault->pointer, sizeof(fault->pointer), "%s", place->pointer);
    va_start(arguments, format);
    vsnprintf(fault->reason, sizeof(fault->reason), format, arguments);
    va_end(arguments);
    return false;
}

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

/* ---- shapes ---- */

static bool take_int(const struct place *at, int *out)
{
    struct decimal value;

    if (!digits_decimal(at->json, &value) || value.scale > 0 || value.digits < 0 || value.digits > 1000000)
        return place_fail(at, "a whole number from 0 to 1000000 is due here");
    *out = (int)value.digits;
    return true;
}

static bool take_decimal(const struct place *at, const struct member *member, char *out)
{
    struct decimal value;

    if (!digits_decimal(at->json, &value))
        return place_fail(at, "a number is due here");
    memcpy(out + member->offset, &value, sizeof(value));
    if (member->has)
        *(bool *)(out + member->has) = true;
    return true;
}

static bool take_text(const struct place *at, char *out)
{
    const char *text = text_is(at->json) ? json_string_value(at->json) : NULL;

    if (!text || !*text)
        return place_fail(at, "a text is due here");
    memcpy(out, &text, sizeof(text));
    return true;
}

static bool take_member(const struct place *at, const struct member *member, char *out)
{
    switch (member->type) {
    case MEMBER_TEXT:
        return take_text(at, out + member->offset);
    case MEMBER_WORD:
        return text_is(at->json) || place_fail(at, "a text is due here");
    case MEMBER_INT:
        return take_int(at, (int *)(void *)(out + member->offset));
    case MEMBER_BOOL:
        *(bool *)(out + member->offset) = json_is_true(at->json);
        return json_is_boolean(at->json) || place_fail(at, "true or false is due here");
    case MEMBER_DECIMAL:
        return take_decimal(at, member, out);
    case MEMBER_OBJECT:
        return json_is_object(at->json) || place_fail(at, "an object is due here");
    case MEMBER_ARRAY:
        return json_is_array(at->json) || place_fail(at, "a list is due here");
    case MEMBER_ANY:
        return true;
    }
    return false;
}

static bool no_strangers(const struct place *place, const struct member *members, size_t count)
{
    const char *name;
    json_t *value;

    json_object_foreach(json_walk(place->json), name, value)
    {
        struct place at;
        size_t i = 0;

        while (i < count && strcmp(members[i].name, name) != 0)
            i++;
        if (i == count && strcmp(name, "about") != 0) {
            place_member(place, name, &at);
            return place_fail(&at, "no such member here");
        }
    }
    return true;
}

bool place_shape(const struct place *place, const struct member *members, size_t count, void *out)
{
    if (!json_is_object(place->json))
        return place_fail(place, "an object is due here");
    if (!no_strangers(place, members, count))
        return false;
    for (size_t i = 0; i < count; i++) {
        struct place at;

        if (!place_member(place, members[i].name, &at)) {
            if (members[i].required)
                return place_fail(place, "%s is missing", members[i].name);
            continue;
        }
        if (!take_member(&at, &members[i], out))
            return false;
    }
    return true;
}

bool read_list(const struct place *place, const char *name, size_t size, read_item *read, void *items_out, size_t *count_out)
{
    struct place list, item;
    char *items;

    *count_out = 0;
    if (!place_member(place, name, &list))
        return true;
    if (!json_is_array(list.json))
        return place_fail(&list, "a list is due here");
    items = arena(place->loader, json_array_size(list.json), size);
    if (!items)
        return false;
    for (size_t i = 0; i < json_array_size(list.json); i++) {
        place_item(&list, i, &item);
        if (!read(&item, items + i * size))
            return false;
    }
    memcpy(items_out, &items, sizeof(items));
    *count_out = json_array_size(list.json);
    return true;
}
