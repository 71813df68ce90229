/* load_computed.c - what a kind is worked out from when it was not measured; see load.h. */
#include <string.h>

#include "clinical/load.h"

bool take_kind(const struct place *at, const struct member *member, char *out)
{
    const char *name = place_text(at);
    const struct kind *kind = name ? kinds_find(at->loader->kinds, name) : NULL;

    put_pointer(out + member->offset, kind);
    return kind || (name && place_fail(at, "no such kind in kinds/"));
}

static bool take_factor_part(const struct place *at, const struct member *member, char *out)
{
    const struct factor *factor = (const struct factor *)(const void *)out;
    const char *name = place_text(at);
    size_t index;

    if (!name || !part_index(at, factor->kind, name, &index))
        return false;
    memcpy(out + member->offset, &index, sizeof(index));
    return true;
}

static bool read_factor(const struct place *place, void *out)
{
    static const struct member members[] = {
        MEMBER("kind", REQUIRED, take_kind, INTO(factor, kind)),
        MEMBER("part", REQUIRED, take_factor_part, INTO(factor, part)),
        MEMBER("in", REQUIRED, take_unit, INTO(factor, in)),
        MEMBER("power", OPTIONAL, take_places, INTO(factor, power)),
    };
    struct factor *factor = out;
    const struct part *part;

    factor->power = 1;
    if (!SHAPE(place, members, factor))
        return false;
    part = &factor->kind->parts[factor->part];
    if (factor->power < 1 || factor->power > 3)
        return place_fail(place, "power is 1, 2 or 3");
    if (factor->kind == place->loader->kind || part->type != PART_QUANTITY)
        return place_fail(place, "a number of another kind is due here");
    return ways_exist(place, part, factor->in);
}

/* set_work_out() has room for 8 inputs in all (judgement.h). */
static const struct rows over_rows = {sizeof(struct factor), 1, 4, read_factor};
static const struct rows under_rows = {sizeof(struct factor), 0, 4, read_factor};

bool load_computed(const struct place *at, struct kind *kind)
{
    static const struct member members[] = {
        MEMBER("numerator", REQUIRED, take_list, LISTED(computed, over, over_count, over_rows)),
        MEMBER("denominator", REQUIRED, take_list,
               LISTED(computed, under, under_count, under_rows)),
        MEMBER("unit", REQUIRED, take_unit, INTO(computed, unit)),
        MEMBER("places", REQUIRED, take_places, INTO(computed, places)),
        MEMBER("source", OPTIONAL, take_said, NOWHERE),
    };
    struct computed *computed = &kind->computed;

    computed->given = true;
    if (!SHAPE(at, members, computed))
        return false;
    if (kind->parts_count != 1 || kind->parts[0].type != PART_QUANTITY)
        return place_fail(at, "only a kind of one number can be worked out");
    return computed->unit == kind->parts[0].unit ||
           place_fail(at, "unit is not the canonical unit of this kind");
}
