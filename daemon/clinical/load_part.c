/* load_part.c - one measured part of a kind: its units, its rows, what it is the sum of; see
 * load.h. */
#include <string.h>

#include "clinical/load.h"
#include "wardpost/json_in.h"

/* ---- units ---- */

bool part_accepts(const struct part *part, const struct unit *unit)
{
    for (size_t i = 0; i < part->accepts_count; i++)
        if (part->accepts[i] == unit)
            return true;
    return false;
}

static bool units_are_apart(const struct place *at, const struct unit *const *units, size_t count)
{
    struct place item;

    for (size_t i = 0; i < count; i++)
        for (size_t j = 0; j < i; j++)
            if (units[i] == units[j]) {
                place_item(at, i, &item);
                return place_fail(&item, "this unit stands here twice");
            }
    return true;
}

static const struct rows unit_rows = {sizeof(struct unit *), 1, ROWS_MOST, read_unit};

bool take_accepts(const struct place *at, const struct member *member, char *out)
{
    static const struct member here =
        MEMBER("", REQUIRED, take_list, LIST(part, accepts, unit_rows));
    struct part *part = (struct part *)(void *)(out + member->offset);

    if (!take_list(at, &here, (char *)part) ||
        !units_are_apart(at, part->accepts, part->accepts_count))
        return false;
    if (!part->unit)
        return true; /* code-by-unit says more */
    if (part->accepts[0] != part->unit)
        return place_fail(at, "the canonical unit stands first");
    return ways_exist(at, part, part->unit);
}

static bool take_as_entered(const struct place *at, const struct member *member, char *out)
{
    struct part *part = (struct part *)(void *)out;
    struct place item;

    if (!take_list(at, member, out) ||
        !units_are_apart(at, part->as_entered, part->as_entered_count))
        return false;
    for (size_t i = 0; i < part->as_entered_count; i++)
        if (!part_accepts(part, part->as_entered[i])) {
            place_item(at, i, &item);
            return place_fail(&item, "not one of the units in accepts");
        }
    return true;
}

/* ---- codes by unit: the unit decides the code, and nothing is converted ---- */

struct filling {
    struct part *part;
    struct code_by_unit *list;
};

static bool read_code_by_unit(const struct place *at, const char *code, void *to)
{
    static const struct member codes =
        MEMBER("", REQUIRED, take_codings, INTO(code_by_unit, codes));
    struct filling *filling = to;
    struct code_by_unit *one = &filling->list[filling->part->code_by_unit_count++];

    one->unit = kinds_unit(at->loader->kinds, code);
    if (!one->unit || !part_accepts(filling->part, one->unit))
        return place_fail(at, "not one of the units in accepts");
    return take_codings(at, &codes, (char *)one);
}

static bool take_code_by_unit(const struct place *at, const struct member *member, char *out)
{
    struct filling filling = {.part = (struct part *)(void *)out};

    (void)member;
    if (filling.part->unit)
        return place_fail(at, "stands in place of unit, not beside it");
    if (place_count(at) != filling.part->accepts_count)
        return place_fail(at, "each unit in accepts has its code here, and no other");
    filling.list = arena(at->loader, place_count(at), sizeof(*filling.list));
    filling.part->code_by_unit = filling.list;
    return filling.list && place_each(at, read_code_by_unit, &filling);
}

/* ---- what names other parts ---- */

bool part_index(const struct place *place, const struct kind *kind, const char *name, size_t *out)
{
    const struct part *part = kind_part(kind, name);

    if (!part)
        return place_fail(place, "%s has no such part", kind->name);
    *out = (size_t)(part - kind->parts);
    return true;
}

static bool read_sum_part(const struct place *item, void *out)
{
    const char *name = place_text(item);

    return name && part_index(item, item->loader->kind, name, out);
}

static const struct rows sum_rows = {sizeof(size_t), 1, PARTS_MOST, read_sum_part};

static bool take_part(const struct place *at, const struct member *member, char *out)
{
    size_t index;

    if (!read_sum_part(at, &index))
        return false;
    memcpy(out + member->offset, &index, sizeof(index));
    return true;
}

static bool read_estimate_term(const struct place *item, void *out)
{
    static const struct member members[] = {
        MEMBER("part", REQUIRED, take_part, INTO(estimate_term, part)),
        MEMBER("times", REQUIRED, take_decimal, INTO(estimate_term, times)),
    };

    return SHAPE(item, members, out);
}

static const struct rows term_rows = {sizeof(struct estimate_term), 1, PARTS_MOST,
                                      read_estimate_term};

static bool take_estimate(const struct place *at, const struct member *member, char *out)
{
    static const struct member members[] = {
        MEMBER("terms", REQUIRED, take_list, LISTED(estimate, terms, count, term_rows)),
        MEMBER("over", REQUIRED, take_decimal, INTO(estimate, over)),
        MEMBER("places", REQUIRED, take_places, INTO(estimate, places)),
        MEMBER("source", OPTIONAL, take_said, NOWHERE),
    };
    struct estimate *estimate = (struct estimate *)(void *)(out + member->offset);

    return SHAPE(at, members, estimate) &&
           (estimate->over.digits > 0 || place_fail(at, "over is more than 0"));
}

static bool has_points(const struct word_list *list)
{
    for (size_t i = 0; list && i < list->count; i++)
        if (list->words[i].has_points)
            return true;
    return false;
}

bool part_links_hold(const struct place *place, const struct kind *kind, const struct part *part)
{
    for (size_t i = 0; i < part->sum_count; i++)
        if (!has_points(kind->parts[part->sum[i]].list))
            return place_fail(place, "sum: the words of %s have no points",
                              kind->parts[part->sum[i]].name);
    for (size_t i = 0; i < part->estimate.count; i++) {
        const struct part *other = &kind->parts[part->estimate.terms[i].part];

        if (other == part || !part->unit || other->unit != part->unit)
            return place_fail(place, "estimate: %s is not another part in the same unit",
                              other->name);
    }
    return true;
}

/* ---- a part ---- */

/* `as` can say one thing only; a part of many says it, the only one is it anyway. */
static bool take_as_value(const struct place *at, const struct member *member, char *out)
{
    const char *text = place_text(at);

    (void)member;
    if (!text)
        return false;
    ((struct part *)(void *)out)->is_value = true;
    return strcmp(text, "value") == 0 || place_fail(at, "a part becomes the value, or a component");
}

static const struct named types[] = {
    {"quantity", PART_QUANTITY},
    {"word",     PART_WORD    },
};
static const struct names part_types = {types, COUNT(types)};

static const struct member quantity_members[] = {
    MEMBER("title", REQUIRED, take_text, INTO(part, title)),
    MEMBER("ask", OPTIONAL, take_said, NOWHERE),
    MEMBER("type", REQUIRED, take_said, NOWHERE),
    MEMBER("required", OPTIONAL, take_bool, INTO(part, required)),
    MEMBER("as", OPTIONAL, take_as_value, NOWHERE),
    MEMBER("code", OPTIONAL, take_codings, INTO(part, codes)),
    MEMBER("unit", OPTIONAL, take_unit, INTO(part, unit)),
    MEMBER("text", OPTIONAL, take_text, INTO(part, text)),
    MEMBER("accepts", REQUIRED, take_accepts, ITSELF),
    MEMBER("offers", OPTIONAL, take_offers, ITSELF),
    MEMBER("as-entered", OPTIONAL, take_as_entered, LIST(part, as_entered, unit_rows)),
    MEMBER("code-by-unit", OPTIONAL, take_code_by_unit, NOWHERE),
    MEMBER("unit-optional", OPTIONAL, take_bool, INTO(part, unit_optional)),
    MEMBER("whole", OPTIONAL, take_bool, INTO(part, whole)),
    MEMBER("not-taken", OPTIONAL, take_bool, INTO(part, may_be_not_taken)),
    MEMBER("sum", OPTIONAL, take_list, LIST(part, sum, sum_rows)),
    MEMBER("estimate", OPTIONAL, take_estimate, INTO(part, estimate)),
    MEMBER("limits", REQUIRED, take_limits, ITSELF),
    MEMBER("ranges", OPTIONAL, take_ranges, ITSELF),
    MEMBER("names", OPTIONAL, take_state_names, ITSELF),
};

static const struct member word_members[] = {
    MEMBER("title", REQUIRED, take_text, INTO(part, title)),
    MEMBER("ask", OPTIONAL, take_said, NOWHERE),
    MEMBER("type", REQUIRED, take_said, NOWHERE),
    MEMBER("required", OPTIONAL, take_bool, INTO(part, required)),
    MEMBER("as", OPTIONAL, take_as_value, NOWHERE),
    MEMBER("code", OPTIONAL, take_codings, INTO(part, codes)),
    MEMBER("list", REQUIRED, take_word_list, INTO(part, list)),
    MEMBER("not-taken", OPTIONAL, take_bool, INTO(part, may_be_not_taken)),
};

static bool is_refused_for_all(const struct part *part, const struct unit *in)
{
    for (size_t i = 0; i < part->limits_count; i++) {
        const struct limit *limit = &part->limits[i];

        if (limit->grade == GRADE_REFUSE && !limit->ages.given && limit->whens.count == 0 &&
            limit->unless.count == 0 && limit->in == in)
            return true;
    }
    return false;
}

/* Something of each value must be refusable whatever is known of the patient. */
static bool refusals_are_there(const struct place *place, const struct part *part)
{
    if (part->unit)
        return is_refused_for_all(part, NULL) ||
               place_fail(place, "limits: a refuse row for every age is missing");
    for (size_t i = 0; i < part->accepts_count; i++)
        if (!is_refused_for_all(part, part->accepts[i]))
            return place_fail(place, "limits: a refuse row for every age in %s is missing",
                              part->accepts[i]->code);
    return true;
}

static bool load_quantity(const struct place *place, struct part *part)
{
    if (!SHAPE(place, quantity_members, part))
        return false;
    if (!part->unit && part->code_by_unit_count == 0)
        return place_fail(place, "unit is missing, and code-by-unit, too");
    if (!part->unit && part->unit_optional)
        return place_fail(place, "unit-optional: which unit would it be?");
    return refusals_are_there(place, part);
}

bool load_part(const struct place *place, struct part *part)
{
    static const struct member type =
        MEMBER("type", REQUIRED, take_name, NAMED(part, type, part_types));
    struct place at;

    part->required = true;
    if (!place_member(place, "type", &at))
        return place_fail(place, "type is missing");
    if (!take_name(&at, &type, (char *)part))
        return false;
    return part->type == PART_WORD ? SHAPE(place, word_members, part) : load_quantity(place, part);
}
