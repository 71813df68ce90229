/* load_units.c - units, their spellings, and how one becomes another; see load.h. */
#include <stdlib.h>
#include <string.h>

#include "clinical/load.h"
#include "wardpost/json_in.h"

#define UNITS_MOST       500
#define CONVERSIONS_MOST 500

/* ---- systems ---- */

static bool read_system(const struct place *at, const char *name, void *to)
{
    const char *full = place_text(at);

    (void)name;
    (void)to;
    return full && (uri_is_whole(full) || place_fail(at, "a full URI is due here"));
}

static bool take_systems(const struct place *at, const struct member *member, char *out)
{
    (void)member;
    (void)out;
    at->loader->systems = at->json;
    return place_each(at, read_system, NULL);
}

/* ---- units and spellings ---- */

struct filling { /* the arrays that are being filled */
    struct kinds *kinds;
    struct unit *units;
    struct spelling *spellings;
};

static bool read_also(const struct place *item, void *out)
{
    const char *text = place_text(item);

    put_pointer(out, text);
    return text != NULL;
}

struct others { /* other spellings of one unit */
    const char *const *items;
    size_t count;
};

struct spelled { /* a unit as its file row says it */
    struct unit unit;
    struct others also;
};

static bool read_spelled(const struct place *at, struct spelled *out)
{
    static const struct rows also = {sizeof(char *), 0, 64, read_also};
    static const struct member members[] = {
        MEMBER("text", REQUIRED, take_text, INTO(spelled, unit.text)),
        MEMBER("places", REQUIRED, take_places, INTO(spelled, unit.places)),
        MEMBER("also", OPTIONAL, take_list, LISTED(spelled, also.items, also.count, also)),
        MEMBER("source", OPTIONAL, take_said, NOWHERE),
    };

    return SHAPE(at, members, out);
}

static bool read_unit_row(const struct place *at, const char *code, void *to)
{
    struct filling *filling = to;
    struct kinds *kinds = filling->kinds;
    struct unit *unit = &filling->units[kinds->units_count++];
    struct spelled spelled = {.unit.code = code};

    if (!*code || !read_spelled(at, &spelled))
        return place_fail(at, "a unit has a code");
    *unit = spelled.unit;
    filling->spellings[kinds->spellings_count++] = (struct spelling){code, unit};
    for (size_t i = 0; i < spelled.also.count; i++)
        filling->spellings[kinds->spellings_count++] =
            (struct spelling){spelled.also.items[i], unit};
    return true;
}

static bool count_spellings(const struct place *at, const char *code, void *to)
{
    size_t *count = to;

    (void)code;
    *count += 1 + json_array_size(json_object_get(at->json, "also"));
    return true;
}

static int by_spelling(const void *a, const void *b)
{
    return strcmp(((const struct spelling *)a)->text, ((const struct spelling *)b)->text);
}

/* A spelling that two units share would make the table's order decide what was measured. */
static bool spellings_are_apart(const struct place *units)
{
    const struct kinds *kinds = units->loader->kinds;
    struct place at;

    for (size_t i = 1; i < kinds->spellings_count; i++) {
        const struct spelling *one = &kinds->spellings[i - 1], *other = &kinds->spellings[i];

        if (strcmp(one->text, other->text) == 0 && place_member(units, other->unit->code, &at))
            return place_fail(&at, "the spelling %s stands for %s and for %s", one->text,
                              one->unit->code, other->unit->code);
    }
    return true;
}

static bool take_units(const struct place *at, const struct member *member, char *out)
{
    struct kinds *kinds = at->loader->kinds;
    struct filling filling = {.kinds = kinds};
    size_t spellings = 0;

    (void)member;
    (void)out;
    if (place_count(at) > UNITS_MOST)
        return place_fail(at, "more than %d units", UNITS_MOST);
    if (!place_each(at, count_spellings, &spellings))
        return false;
    kinds->units = filling.units = arena(at->loader, place_count(at), sizeof(struct unit));
    kinds->spellings = filling.spellings = arena(at->loader, spellings, sizeof(struct spelling));
    if (!filling.units || !filling.spellings || !place_each(at, read_unit_row, &filling))
        return false;
    qsort(filling.spellings, kinds->spellings_count, sizeof(struct spelling), by_spelling);
    return spellings_are_apart(at);
}

/* ---- units by name ---- */

bool read_unit(const struct place *item, void *out)
{
    const char *code = place_text(item);
    const struct unit *unit = code ? kinds_unit(item->loader->kinds, code) : NULL;

    put_pointer(out, unit);
    return unit || (code && place_fail(item, "no such unit in units.json"));
}

bool take_unit(const struct place *at, const struct member *member, char *out)
{
    return read_unit(at, out + member->offset);
}

/* ---- conversions ---- */

static bool read_conversion(const struct place *place, void *out)
{
    static const struct member members[] = {
        MEMBER("from", REQUIRED, take_unit, INTO(conversion, from)),
        MEMBER("to", REQUIRED, take_unit, INTO(conversion, to)),
        MEMBER("add", OPTIONAL, take_decimal, INTO(conversion, add)),
        MEMBER("times", OPTIONAL, take_decimal, INTO(conversion, times)),
        MEMBER("over", OPTIONAL, take_decimal, INTO(conversion, over)),
        MEMBER("source", REQUIRED, take_said, NOWHERE),
    };
    struct conversion *conversion = out;

    conversion->times = conversion->over = (struct decimal){1, 0};
    if (!SHAPE(place, members, conversion))
        return false;
    if (conversion->from == conversion->to)
        return place_fail(place, "from and to are one unit");
    return (conversion->times.digits > 0 && conversion->over.digits > 0) ||
           place_fail(place, "times and over are more than 0");
}

static const struct rows conversion_rows = {sizeof(struct conversion), 0, CONVERSIONS_MOST,
                                            read_conversion};

static bool conversions_are_apart(const struct place *file)
{
    const struct kinds *kinds = file->loader->kinds;
    struct place all, at;

    if (!place_member(file, "conversions", &all))
        return false;
    for (size_t i = 0; i < kinds->conversions_count; i++)
        for (size_t j = 0; j < i; j++)
            if (kinds->conversions[i].from == kinds->conversions[j].from &&
                kinds->conversions[i].to == kinds->conversions[j].to) {
                place_item(&all, i, &at);
                return place_fail(&at, "a second way from %s to %s",
                                  kinds->conversions[i].from->code, kinds->conversions[i].to->code);
            }
    return true;
}

bool load_units(const struct place *file)
{
    static const struct member members[] = {
        MEMBER("systems", REQUIRED, take_systems, NOWHERE),
        MEMBER("units", REQUIRED, take_units, NOWHERE),
        MEMBER("conversions", REQUIRED, take_list, LIST(kinds, conversions, conversion_rows)),
    };

    return SHAPE(file, members, file->loader->kinds) && conversions_are_apart(file);
}

/* Any value will do: what is asked is whether there is a way, not what comes out. */
bool ways_exist(const struct place *place, const struct part *part, const struct unit *to)
{
    struct exact exact;

    for (size_t i = 0; i < part->accepts_count; i++)
        if (!unit_exact(place->loader->kinds, (struct decimal){0, 0}, part->accepts[i], to, &exact))
            return place_fail(place, "no conversion from %s to %s in units.json",
                              part->accepts[i]->code, to->code);
    return true;
}
