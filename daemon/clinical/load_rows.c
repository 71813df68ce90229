/* load_rows.c - the rows of a part that carry numbers: limits, ranges, names; see load.h. */
#include <stdlib.h>
#include <string.h>

#include "clinical/load.h"
#include "wardpost/json_in.h"

/* ---- when: context fields that a row asks for ---- */

static int by_text(const void *a, const void *b)
{
    return strcmp(*(const char *const *)a, *(const char *const *)b);
}

/* Sorted, so that two rows' words can be compared. */
static bool read_when_words(const struct place *at, struct when *out)
{
    static const struct rows words = {sizeof(char *), 1, WORDS_MOST, read_word};
    static const struct member here =
        MEMBER("", REQUIRED, take_list, LISTED(when, words, count, words));
    const char **sorted;

    if (!take_list(at, &here, (char *)out))
        return false;
    sorted = arena(at->loader, out->count, sizeof(*sorted));
    if (!sorted)
        return false;
    memcpy(sorted, out->words, out->count * sizeof(*sorted));
    qsort(sorted, out->count, sizeof(*sorted), by_text);
    out->words = sorted;
    for (size_t i = 1; i < out->count; i++)
        if (strcmp(sorted[i - 1], sorted[i]) == 0)
            return place_fail(at, "%s stands here twice", sorted[i]);
    return true;
}

struct filling { /* a row's whens, while they are read */
    struct whens *whens;
    struct when *list;
};

static bool read_when(const struct place *at, const char *path, void *to)
{
    struct filling *filling = to;
    struct when *when = &filling->list[filling->whens->count++];
    const struct field *field = kind_field(at->loader->kind, path);

    when->path = path;
    if (!field || !field->list)
        return place_fail(at, "%s is no field of this kind that takes words", path);
    if (!read_when_words(at, when))
        return false;
    for (size_t i = 0; i < when->count; i++)
        if (!word_list_find(field->list, when->words[i]))
            return place_fail(at, "%s is no word of %s", when->words[i], field->list->name);
    return true;
}

static int by_path(const void *a, const void *b)
{
    return strcmp(((const struct when *)a)->path, ((const struct when *)b)->path);
}

static bool take_whens(const struct place *at, const struct member *member, char *out)
{
    struct filling filling = {.whens = (struct whens *)(void *)(out + member->offset)};
    size_t count = place_count(at);

    if (!json_is_object(at->json) || count == 0 || count > FIELDS_MOST)
        return place_fail(at, "an object of 1 to %d fields is due here", FIELDS_MOST);
    filling.list = arena(at->loader, count, sizeof(*filling.list));
    filling.whens->items = filling.list;
    if (!filling.list || !place_each(at, read_when, &filling))
        return false;
    qsort(filling.list, count, sizeof(*filling.list), by_path);
    return true;
}

static bool when_same(const struct when *a, const struct when *b)
{
    if (strcmp(a->path, b->path) != 0 || a->count != b->count)
        return false;
    for (size_t i = 0; i < a->count; i++)
        if (strcmp(a->words[i], b->words[i]) != 0)
            return false;
    return true;
}

static bool whens_same(const struct whens *a, const struct whens *b)
{
    if (a->count != b->count)
        return false;
    for (size_t i = 0; i < a->count; i++)
        if (!when_same(&a->items[i], &b->items[i]))
            return false;
    return true;
}

/* ---- bounds ---- */

bool bound_is_possible(const struct place *place, const struct bound *bound)
{
    bool nothing = (bound->has_above && bound->has_below &&
                    decimal_compare(bound->above, bound->below) >= 0) ||
                   (bound->has_above && bound->has_at_most &&
                    decimal_compare(bound->above, bound->at_most) >= 0) ||
                   (bound->has_at_least && bound->has_below &&
                    decimal_compare(bound->at_least, bound->below) >= 0) ||
                   (bound->has_at_least && bound->has_at_most &&
                    decimal_compare(bound->at_least, bound->at_most) > 0);

    if (!bound->has_below && !bound->has_above && !bound->has_at_most && !bound->has_at_least)
        return place_fail(place, "below, above, at-most or at-least is missing");
    return !nothing || place_fail(place, "no number lies within these bounds");
}

static bool edge_same(bool has_a, struct decimal a, bool has_b, struct decimal b)
{
    return has_a == has_b && (!has_a || decimal_compare(a, b) == 0);
}

static bool bound_same(const struct bound *a, const struct bound *b)
{
    return edge_same(a->has_below, a->below, b->has_below, b->below) &&
           edge_same(a->has_above, a->above, b->has_above, b->above) &&
           edge_same(a->has_at_most, a->at_most, b->has_at_most, b->at_most) &&
           edge_same(a->has_at_least, a->at_least, b->has_at_least, b->at_least);
}

/* Do both bound the same sides? */
static bool bound_alike(const struct bound *a, const struct bound *b)
{
    return (a->has_below || a->has_at_most) == (b->has_below || b->has_at_most) &&
           (a->has_above || a->has_at_least) == (b->has_above || b->has_at_least);
}

/* ---- single rows ---- */

static const struct named grades[] = {
    {"refuse",   GRADE_REFUSE  },
    {"override", GRADE_OVERRIDE},
    {"ask",      GRADE_ASK     },
};
static const struct names limit_grades = {grades, COUNT(grades)};

/* What was answered is not asked again for a while; nothing else ever passes for having passed. */
static bool answers_hold(const struct place *place, const struct limit *limit)
{
    if (limit->unless_last_minutes == 0)
        return !limit->has_near ||
               place_fail(place, "unless-last-near: for how long? unless-last-minutes is missing");
    if (limit->grade != GRADE_ASK)
        return place_fail(place, "unless-last-minutes: only what is asked can have been answered");
    looks_at_last(place->loader, place->loader->kind);
    return true;
}

/* A limit's two bounds stand alone: what is under the one or over the other gets the grade. */
static bool read_limit(const struct place *place, void *out)
{
    static const struct member members[] = {
        MEMBER("grade", REQUIRED, take_name, NAMED(limit, grade, limit_grades)),
        MEMBER("ages", OPTIONAL, take_ages, INTO(limit, ages)),
        MEMBER("when", OPTIONAL, take_whens, INTO(limit, whens)),
        MEMBER("unless", OPTIONAL, take_whens, INTO(limit, unless)),
        MEMBER("below", OPTIONAL, take_decimal, FLAGGED(limit, bound.below, bound.has_below)),
        MEMBER("above", OPTIONAL, take_decimal, FLAGGED(limit, bound.above, bound.has_above)),
        MEMBER("in", OPTIONAL, take_unit, INTO(limit, in)),
        MEMBER("unless-last-minutes", OPTIONAL, take_whole, INTO(limit, unless_last_minutes)),
        MEMBER("unless-last-near", OPTIONAL, take_decimal, FLAGGED(limit, near, has_near)),
        MEMBER("say", OPTIONAL, take_own_say, INTO(limit, say)),
        MEMBER("source", REQUIRED, take_text, INTO(limit, source)),
    };
    struct limit *limit = out;

    if (!SHAPE(place, members, limit) || !answers_hold(place, limit))
        return false;
    if (!limit->bound.has_below && !limit->bound.has_above)
        return place_fail(place, "below or above is missing");
    return !limit->bound.has_below || !limit->bound.has_above ||
           decimal_compare(limit->bound.below, limit->bound.above) <= 0 ||
           place_fail(place, "below is over above: no value gets through");
}

static bool range_is_ordered(const struct place *place, const struct range *range)
{
    if (!range->has_low && !range->has_high)
        return place_fail(place, "low or high is missing");
    if ((range->has_low_critical && !range->has_low) ||
        (range->has_high_critical && !range->has_high))
        return place_fail(place, "a critical bound stands beside a bound of its side");
    if (range->has_low && range->has_high && decimal_compare(range->low, range->high) > 0)
        return place_fail(place, "low is over high");
    if (range->has_low_critical && decimal_compare(range->low_critical, range->low) > 0)
        return place_fail(place, "low-critical is over low");
    return !range->has_high_critical || decimal_compare(range->high_critical, range->high) >= 0 ||
           place_fail(place, "high-critical is under high");
}

static bool read_range(const struct place *place, void *out)
{
    static const struct member members[] = {
        MEMBER("ages", OPTIONAL, take_ages, INTO(range, ages)),
        MEMBER("when", OPTIONAL, take_whens, INTO(range, whens)),
        MEMBER("in", OPTIONAL, take_unit, INTO(range, in)),
        MEMBER("low", OPTIONAL, take_decimal, FLAGGED(range, low, has_low)),
        MEMBER("high", OPTIONAL, take_decimal, FLAG(range, high)),
        MEMBER("low-critical", OPTIONAL, take_decimal,
               FLAGGED(range, low_critical, has_low_critical)),
        MEMBER("high-critical", OPTIONAL, take_decimal,
               FLAGGED(range, high_critical, has_high_critical)),
        MEMBER("text", REQUIRED, take_text, INTO(range, text)),
        MEMBER("source", REQUIRED, take_text, INTO(range, source)),
    };

    return SHAPE(place, members, out) && range_is_ordered(place, out);
}

static bool read_state_name(const struct place *place, void *out)
{
    static const struct member members[] = {
        MEMBER("ages", OPTIONAL, take_ages, INTO(state_name, ages)),
        MEMBER("when", OPTIONAL, take_whens, INTO(state_name, whens)),
        MEMBER("in", OPTIONAL, take_unit, INTO(state_name, in)),
        BOUNDS(state_name),
        MEMBER("name", REQUIRED, take_text, INTO(state_name, name)),
        MEMBER("source", REQUIRED, take_text, INTO(state_name, source)),
    };
    struct state_name *name = out;

    return SHAPE(place, members, name) && bound_is_possible(place, &name->bound);
}

/* ---- a part's lists of rows ---- */

/* Which values a row speaks of: `in` names an accepted unit, and stands there where there is no
 * canonical one. */
static bool unit_is_said(const struct place *rows, size_t index, const struct part *part,
                         const struct unit *in)
{
    struct place at;

    if (in ? part_accepts(part, in) : part->unit != NULL)
        return true;
    place_item(rows, index, &at);
    return place_fail(&at, in ? "in: this part does not take that unit"
                              : "in is missing: the part has no canonical unit");
}

bool take_limits(const struct place *at, const struct member *member, char *out)
{
    static const struct rows rows = {sizeof(struct limit), 1, ROWS_MOST, read_limit};
    static const struct member here = MEMBER("", REQUIRED, take_list, LIST(part, limits, rows));
    struct part *part = (struct part *)(void *)(out + member->offset);

    if (!take_list(at, &here, (char *)part))
        return false;
    for (size_t i = 0; i < part->limits_count; i++)
        if (!unit_is_said(at, i, part, part->limits[i].in))
            return false;
    return true;
}

static bool two_rows(const struct place *rows, size_t later, size_t earlier, const char *how)
{
    struct place at;

    place_item(rows, later, &at);
    return place_fail(&at, "%s row %zu of this list", how, earlier);
}

/* The first range that fits is used: two that fit one patient under the same conditions would make
 * their order decide. A row for everybody may stand last, to fall back to. */
static bool ranges_are_apart(const struct place *at, const struct part *part)
{
    struct band bands[ROWS_MOST];

    for (size_t i = 0; i < part->ranges_count; i++) {
        const struct range *later = &part->ranges[i];

        bands[i] = band_of(&later->ages);
        for (size_t j = 0; j < i; j++) {
            const struct range *earlier = &part->ranges[j];
            bool same_whens = whens_same(&earlier->whens, &later->whens);

            if (earlier->in != later->in)
                continue;
            if (!bands[j].given && (earlier->whens.count == 0 || same_whens))
                return two_rows(at, i, j, "never used behind");
            if (bands[i].given && same_whens && bands_overlap(&bands[i], &bands[j]))
                return two_rows(at, i, j, "holds at the same age as");
        }
    }
    return true;
}

bool take_ranges(const struct place *at, const struct member *member, char *out)
{
    static const struct rows rows = {sizeof(struct range), 0, ROWS_MOST, read_range};
    static const struct member here = MEMBER("", REQUIRED, take_list, LIST(part, ranges, rows));
    struct part *part = (struct part *)(void *)(out + member->offset);

    if (!take_list(at, &here, (char *)part))
        return false;
    for (size_t i = 0; i < part->ranges_count; i++)
        if (!unit_is_said(at, i, part, part->ranges[i].in))
            return false;
    return ranges_are_apart(at, part);
}

/* Names of one age may stand one behind the other, the narrower bound first ("obesity" before
 * "overweight"); of ages that only overlap they may not. */
static bool names_are_apart(const struct place *at, const struct part *part)
{
    struct band bands[ROWS_MOST];

    for (size_t i = 0; i < part->names_count; i++) {
        const struct state_name *later = &part->names[i];

        bands[i] = band_of(&later->ages);
        for (size_t j = 0; j < i; j++) {
            const struct state_name *earlier = &part->names[j];
            bool same_ages = ages_same(&earlier->ages, &later->ages);

            if (earlier->in != later->in || !whens_same(&earlier->whens, &later->whens) ||
                !bound_alike(&earlier->bound, &later->bound))
                continue;
            if (same_ages && bound_same(&earlier->bound, &later->bound))
                return two_rows(at, i, j, "never used behind");
            if (!same_ages && bands[i].given && bands[j].given &&
                bands_overlap(&bands[i], &bands[j]))
                return two_rows(at, i, j, "holds at the same age as");
        }
    }
    return true;
}

bool take_state_names(const struct place *at, const struct member *member, char *out)
{
    static const struct rows rows = {sizeof(struct state_name), 0, ROWS_MOST, read_state_name};
    static const struct member here = MEMBER("", REQUIRED, take_list, LIST(part, names, rows));
    struct part *part = (struct part *)(void *)(out + member->offset);

    if (!take_list(at, &here, (char *)part))
        return false;
    for (size_t i = 0; i < part->names_count; i++)
        if (!unit_is_said(at, i, part, part->names[i].in))
            return false;
    return names_are_apart(at, part);
}
