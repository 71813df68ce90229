/* reading_parts.c - what was measured, by the kind: numbers with their unit, words, what could not
 * be taken, sums of points. */
#include <stdio.h>
#include <string.h>

#include "intake/parsing.h"

/* ---- units and words ---- */

static void wrong_unit(const struct spot *spot, const struct part *part, enum problem_code code,
                       const char *what)
{
    struct listing accepted = {"", 0};

    for (size_t i = 0; i < part->accepts_count; i++)
        listing_add(&accepted, part->accepts[i]->code);
    spot_problem(spot, "unit", code, "%s; taken are: %s", what, accepted.text);
}

const struct unit *parse_unit(const struct parsing *parsing, const struct spot *spot,
                              const struct part *part)
{
    const struct unit *unit;
    const char *text;

    if (!spot_has(spot, "unit")) {
        if (part->unit_optional && part->unit)
            return part->unit;
        wrong_unit(spot, part, PROBLEM_MISSING_FIELD, "unit is missing");
        return NULL;
    }
    text = spot_word(spot, "unit", true);
    unit = text ? part_unit(parsing->set->kinds, part, text) : NULL;
    if (text && !unit)
        wrong_unit(spot, part, PROBLEM_UNKNOWN_UNIT, "not a unit of this");
    return unit;
}

const struct word *parse_word(const struct spot *spot, const char *name,
                              const struct word_list *list)
{
    const char *text = spot_word(spot, name, true);
    const struct word *word = text ? word_list_find(list, text) : NULL;

    if (text && !word)
        spot_unknown_word(spot, name, list, text);
    return word;
}

static void unknown_reason(const struct parsing *parsing, const struct spot *spot, const char *sent)
{
    const struct kinds *kinds = parsing->set->kinds;
    struct word words[32] = {{.word = NULL}};
    struct word_list list = {"not-taken", words, 0};

    for (; list.count < kinds_reason_count(kinds) && list.count < 32; list.count++)
        words[list.count].word = kinds_reason_at(kinds, list.count)->word;
    spot_unknown_word(spot, "not-taken", &list, sent);
}

static const struct reason *read_reason(const struct parsing *parsing, const struct spot *spot)
{
    const char *text = spot_word(spot, "not-taken", true);
    const struct reason *reason = text ? kinds_reason(parsing->set->kinds, text) : NULL;

    if (text && !reason)
        unknown_reason(parsing, spot, text);
    return reason;
}

/* ---- parts ---- */

static bool is_number(const struct spot *spot, const struct part *part)
{
    return part->type == PART_QUANTITY && spot_has(spot, part->name) &&
           !json_is_object(json_object_get(spot->json, part->name));
}

/* {"not-taken": reason} in the place of a value, where the table lets this part alone be missing.
 */
static void read_part_not_taken(const struct parsing *parsing, const struct spot *spot,
                                const struct part *part, struct measured *out)
{
    static const char *const names[] = {"not-taken"};
    char pointer[SPOT_POINTER];
    struct spot inner;

    if (!spot_inner(spot, part->name, "", pointer, &inner))
        return;
    if (!part->may_be_not_taken) {
        spot_problem(spot, part->name, PROBLEM_WRONG_TYPE, "a %s is due here; no part of it alone",
                     part->type == PART_WORD ? "text" : "number");
        return;
    }
    SPOT_NO_STRANGERS(&inner, names);
    out->reason = read_reason(parsing, &inner);
    if (out->reason)
        out->type = MEASURED_NOT_TAKEN;
}

/* One `unit` stands beside all numbers of a reading; what is wrong with it is said once. */
static void read_number(const struct parsing *parsing, const struct spot *spot,
                        const struct part *part, bool *unit_is_wrong, struct measured *out)
{
    bool good = spot_number(spot, part->name, &out->value);

    out->unit = *unit_is_wrong ? NULL : parse_unit(parsing, spot, part);
    if (!out->unit)
        *unit_is_wrong = true;
    else if (good)
        out->type = MEASURED_NUMBER;
}

static void read_part(const struct parsing *parsing, const struct spot *spot,
                      const struct part *part, bool *unit_is_wrong, struct measured *out)
{
    if (!spot_has(spot, part->name))
        return;
    if (json_is_object(json_object_get(spot->json, part->name))) {
        read_part_not_taken(parsing, spot, part, out);
    } else if (part->type == PART_QUANTITY) {
        read_number(parsing, spot, part, unit_is_wrong, out);
    } else {
        out->word = parse_word(spot, part->name, part->list);
        if (out->word)
            out->type = MEASURED_WORD;
    }
}

/* A unit without a number beside it is looked at all the same: what is sent is right or it is a
 * problem. */
static void check_lone_unit(const struct parsing *parsing, const struct spot *spot,
                            const struct kind *kind)
{
    const struct part *first = NULL;

    if (!spot_has(spot, "unit"))
        return;
    for (size_t i = kind->parts_count; i-- > 0;) {
        if (is_number(spot, &kind->parts[i]))
            return;
        if (kind->parts[i].type == PART_QUANTITY)
            first = &kind->parts[i];
    }
    if (first)
        (void)parse_unit(parsing, spot, first);
    else
        spot_problem(spot, "unit", PROBLEM_UNKNOWN_FIELD, "this kind has no unit");
}

/* ---- sums of points ---- */

enum sum { SUM_KNOWN, SUM_UNKNOWN, SUM_INCOMPLETE };

/* UNKNOWN: all words are there, but one has no points, so that there is no total to chart. */
static enum sum sum_of(const struct reading *reading, const struct part *part, int64_t *total)
{
    enum sum sum = SUM_KNOWN;

    *total = 0;
    for (size_t i = 0; i < part->sum_count; i++) {
        const struct measured *one = &reading->parts[part->sum[i]];

        if (one->type == MEASURED_NONE)
            return SUM_INCOMPLETE;
        if (one->type != MEASURED_WORD || !one->word->has_points)
            sum = SUM_UNKNOWN;
        else
            *total += one->word->points;
    }
    return sum;
}

static void check_sum(const struct spot *spot, const struct part *part,
                      const struct measured *measured, enum sum sum, int64_t total)
{
    if (sum == SUM_UNKNOWN)
        spot_problem(spot, part->name, PROBLEM_INCONSISTENT,
                     "one of the parts has no points, so there is no sum");
    else if (decimal_compare(measured->value, (struct decimal){total, 0}) != 0)
        spot_problem(spot, part->name, PROBLEM_INCONSISTENT, "the parts add up to %lld",
                     (long long)total);
}

static void read_sum(const struct spot *spot, struct reading *out, size_t at)
{
    const struct part *part = &out->kind->parts[at];
    struct measured *measured = &out->parts[at];
    int64_t total;
    enum sum sum = sum_of(out, part, &total);

    if (part->sum_count == 0 || sum == SUM_INCOMPLETE)
        return;
    if (measured->type == MEASURED_NUMBER)
        check_sum(spot, part, measured, sum, total);
    else if (sum == SUM_KNOWN && !spot_has(spot, part->name))
        *measured = (struct measured){
            .type = MEASURED_NUMBER, .value = {total, 0},
                 .unit = part->unit, .worked_out = true
        };
}

/* ---- what is missing, what is too much ---- */

static bool is_counted(const struct spot *spot, const struct kind *kind, size_t part)
{
    for (size_t i = 0; i < kind->fields_count; i++)
        if (kind->fields[i].type == FIELD_COUNT && kind->fields[i].gives == part &&
            spot_has(spot, kind->fields[i].group ? kind->fields[i].group : kind->fields[i].name))
            return true;
    return false;
}

/* A total whose words are all due, or all there, is not missed itself. */
static bool is_told_by_words(const struct reading *reading, const struct part *part)
{
    int64_t total;
    bool due = true;

    for (size_t i = 0; i < part->sum_count; i++)
        due = due && reading->kind->parts[part->sum[i]].required;
    return part->sum_count > 0 && (due || sum_of(reading, part, &total) != SUM_INCOMPLETE);
}

static void nothing_missing(const struct spot *spot, const struct reading *reading)
{
    for (size_t i = 0; i < reading->kind->parts_count; i++) {
        const struct part *part = &reading->kind->parts[i];

        if (part->required && !is_counted(spot, reading->kind, i) &&
            !is_told_by_words(reading, part))
            spot_due(spot, part->name);
    }
}

static void not_taken_alone(const struct spot *spot, const struct kind *kind)
{
    static const char either[] = "either a value or not-taken, not both";

    for (size_t i = 0; i < kind->parts_count; i++)
        if (spot_has(spot, kind->parts[i].name))
            spot_problem(spot, kind->parts[i].name, PROBLEM_INCONSISTENT, "%s", either);
    for (size_t i = 0; i < kind->fields_count; i++)
        if (kind->fields[i].type == FIELD_COUNT && spot_has(spot, kind->fields[i].name))
            spot_problem(spot, kind->fields[i].name, PROBLEM_INCONSISTENT, "%s", either);
    if (kind->computed.given)
        spot_problem(spot, "not-taken", PROBLEM_INCONSISTENT,
                     "this is computed, not taken: leave it out");
}

static bool is_known(const struct kind *kind, const char *name)
{
    static const char *const common[] = {"id",   "patient",   "taken",    "age",
                                         "kind", "unit",      "by",       "device",
                                         "note", "confirmed", "override", "not-taken"};

    for (size_t i = 0; i < sizeof(common) / sizeof(common[0]); i++)
        if (strcmp(common[i], name) == 0)
            return true;
    for (size_t i = 0; i < kind->fields_count; i++)
        if (strcmp(kind->fields[i].group ? kind->fields[i].group : kind->fields[i].name, name) == 0)
            return true;
    return kind_part(kind, name) != NULL;
}

static void no_strangers(const struct spot *spot, const struct kind *kind)
{
    const char *name;
    json_t *value;

    json_object_foreach(json_walk(spot->json), name, value)
    {
        const char *near;

        if (is_known(kind, name))
            continue;
        near = kind_nearest_field(kind, name);
        spot_problem(spot, name, PROBLEM_UNKNOWN_FIELD,
                     near ? "no such field of this kind; was %s meant?"
                          : "no such field of this kind%s",
                     near ? near : "");
    }
}

void parse_by_kind(struct parsing *parsing, const struct spot *spot, struct reading *out)
{
    const struct kind *kind = out->kind;
    bool unit_is_wrong = false;

    no_strangers(spot, kind);
    check_lone_unit(parsing, spot, kind);
    if (spot_has(spot, "not-taken")) {
        out->not_taken = read_reason(parsing, spot);
        not_taken_alone(spot, kind);
        parse_context(parsing, spot, out);
        return;
    }
    for (size_t i = 0; i < kind->parts_count; i++)
        read_part(parsing, spot, &kind->parts[i], &unit_is_wrong, &out->parts[i]);
    parse_context(parsing, spot, out);
    for (size_t i = 0; i < kind->parts_count; i++)
        read_sum(spot, out, i);
    nothing_missing(spot, out);
}
