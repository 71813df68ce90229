/* load_paths.c - what checks and scores speak of: paths, and texts with paths in them; see load.h.
 *
 * Within a kind "systolic", "oxygen.flow", "last.value"; between kinds "heart-rate.value",
 * "last.body-weight.value". No kind, part or field is called "last" (name_is_free()). */
#include <assert.h>
#include <string.h>

#include "clinical/load.h"
#include "wardpost/json_in.h"

/* ---- paths ---- */

void looks_at_last(struct loader *loader, const struct kind *kind)
{
    loader->list[kind - loader->list].looks_at_last = true;
}

static bool kind_of_path(const struct place *place, const char **text, struct path *out)
{
    size_t length = strcspn(*text, ".");
    char name[80];

    if (length >= sizeof(name) || (*text)[length] != '.')
        return place_fail(place, "a path between kinds is KIND.PART");
    memcpy(name, *text, length);
    name[length] = '\0';
    *text += length + 1;
    out->kind = kinds_find(place->loader->kinds, name);
    return out->kind || place_fail(place, "%s: no such kind in kinds/", name);
}

bool read_path(const struct place *place, const char *text, const struct kind *kind,
               struct path *out)
{
    const struct part *part;
    const struct field *field;

    *out = (struct path){.kind = kind, .last = strncmp(text, "last.", 5) == 0};
    text += out->last ? 5 : 0;
    if (!kind && !kind_of_path(place, &text, out))
        return false;
    assert(out->kind); /* given, or found */
    part = kind_part(out->kind, text);
    field = kind_field(out->kind, text);
    if (!part && !field)
        return place_fail(place, "%s is no part or field of %s", text, out->kind->name);
    if (out->last && !part)
        return place_fail(place, "of the last reading only parts are known");
    out->is_field = part == NULL;
    out->index = part ? (size_t)(part - out->kind->parts) : (size_t)(field - out->kind->fields);
    if (out->last)
        looks_at_last(place->loader, out->kind);
    return true;
}

static const struct part *number_at(const struct path *path)
{
    const struct field *field;

    if (!path->is_field)
        return path->kind->parts[path->index].type == PART_QUANTITY
                   ? &path->kind->parts[path->index]
                   : NULL;
    field = &path->kind->fields[path->index];
    return field->type == FIELD_QUANTITY ? &field->quantity : NULL;
}

const struct part *path_number(const struct path *path)
{
    return number_at(path);
}

const struct word_list *path_words(const struct path *path)
{
    return path->is_field ? path->kind->fields[path->index].list
                          : path->kind->parts[path->index].list;
}

/* ---- paths as members ---- */

static bool read_any_path(const struct place *item, void *out)
{
    const char *text = place_text(item);

    return text && read_path(item, text, item->loader->kind, out);
}

bool take_path(const struct place *at, const struct member *member, char *out)
{
    return read_any_path(at, out + member->offset);
}

bool read_sent_path(const struct place *item, void *out)
{
    const struct path *path = out;

    return read_any_path(item, out) &&
           (!path->last || place_fail(item, "a path of what was sent is due here"));
}

bool take_sent_path(const struct place *at, const struct member *member, char *out)
{
    return read_sent_path(at, out + member->offset);
}

bool read_number(const struct place *item, void *out)
{
    return read_any_path(item, out) &&
           (number_at(out) || place_fail(item, "there is no number at this path"));
}

bool take_number(const struct place *at, const struct member *member, char *out)
{
    return read_number(at, out + member->offset);
}

/* "A path means the exact value in canonical units" (mappings/README.md, Checks). */
bool read_exact(const struct place *item, void *out)
{
    return read_number(item, out) &&
           (number_at(out)->unit || place_fail(item, "there is no canonical unit at this path"));
}

bool take_words_path(const struct place *at, const struct member *member, char *out)
{
    const struct path *path = (const struct path *)(const void *)(out + member->offset);

    return take_path(at, member, out) &&
           (path_words(path) || place_fail(at, "no words are taken at this path"));
}

/* ---- texts with values in them: say.c fills what is let through here ---- */

struct hole {
    const char *path;
    size_t path_length;
    const char *how; /* "", "/10", "*100", "~[degF]:Cel" */
    size_t how_length;
};

#define PATH_ROOM 120 /* as say.c has it */
#define CODE_ROOM 40

static const struct unit *unit_in_hole(const struct place *place, const char *code, size_t length)
{
    const struct unit *unit = NULL;
    char name[CODE_ROOM];

    if (length < sizeof(name)) {
        memcpy(name, code, length);
        name[length] = '\0';
        unit = kinds_unit(place->loader->kinds, name);
    }
    if (!unit)
        place_fail(place, "{path~FROM:TO}: no such unit in units.json");
    return unit;
}

static bool has_way(const struct place *place, const struct hole *hole)
{
    const char *colon = memchr(hole->how, ':', hole->how_length);
    const char *end = hole->how + hole->how_length;
    const struct unit *from, *to;
    struct exact exact;

    if (!colon)
        return place_fail(place, "{path~FROM:TO} needs two units");
    from = unit_in_hole(place, hole->how + 1, (size_t)(colon - hole->how - 1));
    to = from ? unit_in_hole(place, colon + 1, (size_t)(end - colon - 1)) : NULL;
    if (!to)
        return false;
    return unit_exact(place->loader->kinds, (struct decimal){0, 0}, from, to, &exact) ||
           place_fail(place, "no conversion from %s to %s in units.json", from->code, to->code);
}

static bool how_is(const struct hole *hole, const char *how)
{
    return strlen(how) == hole->how_length && memcmp(how, hole->how, hole->how_length) == 0;
}

static bool how_is_known(const struct place *place, const struct hole *hole)
{
    static const char *const moves[] = {"/10", "/100", "*10", "*100"};

    if (*hole->how == '~')
        return has_way(place, hole);
    for (size_t i = 0; i < COUNT(moves); i++)
        if (how_is(hole, moves[i]))
            return true;
    return place_fail(place, "after the path stands /10, /100, *10, *100 or ~FROM:TO");
}

/* Never a text that somebody typed: only numbers and words of lists. */
static bool hole_is_known(const struct place *place, const struct hole *hole)
{
    char text[PATH_ROOM];
    struct path path;

    if (hole->path_length >= sizeof(text))
        return place_fail(place, "a path that is too long");
    memcpy(text, hole->path, hole->path_length);
    text[hole->path_length] = '\0';
    if (!read_path(place, text, place->loader->kind, &path))
        return false;
    if (!number_at(&path) && !path_words(&path))
        return place_fail(place, "{%s}: only numbers and words of a list can be said", text);
    return hole->how_length == 0 || number_at(&path) ||
           place_fail(place, "{%s}: only a number can be moved or converted", text);
}

static bool is_own(const struct place *place, const struct hole *hole)
{
    return (hole->path_length == 5 && memcmp(hole->path, "value", 5) == 0) ||
           place_fail(place, "a limit speaks of its own value only: {value}");
}

static bool say_is_readable(const struct place *place, const char *say, bool own)
{
    while (*(say += strcspn(say, "{}"))) {
        struct hole hole = {.path = say + 1};
        const char *end = strchr(say, '}');

        if (*say == '}' || !end)
            return place_fail(place, "a brace without its other half");
        hole.path_length = strcspn(hole.path, "/*~}");
        hole.how = hole.path + hole.path_length;
        hole.how_length = (size_t)(end - hole.how);
        if (!(own ? is_own(place, &hole) : hole_is_known(place, &hole)) ||
            (hole.how_length > 0 && !how_is_known(place, &hole)))
            return false;
        say = end + 1;
    }
    return true;
}

bool take_say(const struct place *at, const struct member *member, char *out)
{
    return take_text(at, member, out) && say_is_readable(at, json_string_value(at->json), false);
}

bool take_own_say(const struct place *at, const struct member *member, char *out)
{
    return take_text(at, member, out) && say_is_readable(at, json_string_value(at->json), true);
}
