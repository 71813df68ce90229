/* reading_fields.c - parts and context of one reading, by its kind: numbers with units, words of lists, counts, groups. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "intake/reading_fields.h"

/* ---- units ---- */

static void list_accepted(const struct part *part, char *out, size_t room)
{
    size_t used = 0;

    out[0] = '\0';
    for (size_t i = 0; i < part->accepts_count && used < room - 1; i++) {
        int wrote = snprintf(out + used, room - used, "%s%s", i ? ", " : "", part->accepts[i]->code);

        used += wrote > 0 ? (size_t)wrote : 0;
    }
}

/* The unit of a number: what was sent, or the canonical one where none has to be. NULL: a problem was noted. */
static const struct unit *read_unit(const struct parsing *parsing, const struct spot *spot, const struct part *part)
{
    const struct unit *unit;
    const char *text;
    char accepted[160];

    if (!spot_has(spot, "unit") && part->unit_optional)
        return part->unit ? part->unit : part->accepts[0];
    list_accepted(part, accepted, sizeof(accepted));
    if (!spot_has(spot, "unit")) {
        spot_problem(spot, "unit", PROBLEM_MISSING_FIELD, "unit is missing; taken here: %s", accepted);
        return NULL;
    }
    text = spot_text(spot, "unit", 40, true);
    unit = text ? part_unit(parsing->set->kinds, part, text) : NULL;
    if (text && !unit)
        spot_problem(spot, "unit", PROBLEM_UNKNOWN_UNIT, "not a unit of this; taken here: %s", accepted);
    return unit;
}

/* ---- words ---- */

static const struct word *find_word(const struct spot *spot, const char *name, const struct word_list *list, const char *text)
{
    const struct word *word = word_list_find(list, text);
    const char *near;

    if (word)
        return word;
    near = word_list_nearest(list, text);
    if (near)
        spot_problem(spot, name, PROBLEM_UNKNOWN_WORD, "not a word of %s; was %s meant?", list->name, near);
    else
        spot_problem(spot, name, PROBLEM_UNKNOWN_WORD, "not a word of %s; see /v1/kinds", list->name);
    return NULL;
}

static const struct reason *read_reason(const struct parsing *parsing, const struct spot *spot)
{
    const char *text = spot_text(spot, "not-taken", 80, true);
    const struct reason *reason = text ? kinds_reason(parsing->set->kinds, text) : NULL;

    if (text && !reason)
        spot_problem(spot, "not-taken", PROBLEM_UNKNOWN_WORD, "not a reason for not taking a sign; see not-taken in /v1/kinds");
    return reason;
}

/* ---- parts ---- */

static void read_part_not_taken(const struct parsing *parsing, const struct spot *spot, const struct part *part, struct measured *out)
{
    static const char *const names[] = {"not-taken", NULL};
    char pointer[SPOT_POINTER];
    struct spot inner = {json_object_get(spot->json, part->name), pointer, spot->problems};

    pointer_join(pointer, sizeof(pointer), spot->pointer, part->name);
    if (!part->may_be_not_taken) {
        spot_problem(spot, part->name, PROBLEM_WRONG_TYPE, "a number is due here");
        return;
    }
    spot_no_strangers(&inner, names);
    out->reason = read_reason(parsing, &inner);
    if (out->reason)
        out->type = MEASURED_NOT_TAKEN;
}

static void read_part(const struct parsing *parsing, const struct spot *spot, const struct part *part, const struct unit *unit,
                      struct measured *out)
{
    const json_t *value = json_object_get(spot->json, part->name);
    const char *text;

    if (!value)
        return;
    if (json_is_object(value) && part->type == PART_QUANTITY) {
        read_part_not_taken(parsing, spot, part, out);
        return;
    }
    if (part->type == PART_WORD) {
        text = spot_text(spot, part->name, 80, true);
        out->word = text ? find_word(spot, part->name, part->list, text) : NULL;
        if (out->word)
            out->type = MEASURED_WORD;
        return;
    }
    if (!spot_number(spot, part->name, &out->value) || !unit)
        return;
    out->unit = unit;
    out->type = MEASURED_NUMBER;
}

static bool has_number(const struct spot *spot, const struct kind *kind, const struct part **first)
{
    *first = NULL;
    for (size_t i = 0; i < kind->parts_count; i++)
        if (kind->parts[i].type == PART_QUANTITY) {
            if (!*first)
                *first = &kind->parts[i];
            if (spot_has(spot, kind->parts[i].name) && !json_is_object(json_object_get(spot->json, kind->parts[i].name)))
                return true;
        }
    return false;
}

/* One `unit` stands for all numbers of a reading; it is only asked for where there is a number. */
static const struct unit *unit_of_reading(const struct parsing *parsing, const struct spot *spot, const struct kind *kind)
{
    const struct part *first;

    if (has_number(spot, kind, &first))
        return read_unit(parsing, spot, first);
    if (first && spot_has(spot, "unit"))
        return read_unit(parsing, spot, first); /* it may be wrong even where nothing is measured in it */
    if (!first && spot_has(spot, "unit"))
        spot_problem(spot, "unit", PROBLEM_UNKNOWN_FIELD, "this kind has no unit");
    return NULL;
}

/* ---- counted beats ---- */

static bool rate_of(int64_t beats, int64_t seconds, struct decimal *out)
{
    struct exact exact = {beats * 60, 1};

    return exact_over(exact, (struct exact){seconds, 1}, &exact) && exact_round(exact, 0, ROUND_HALF_EVEN, out);
}

static bool length_is_taken(const struct field *field, int64_t seconds)
{
    for (size_t i = 0; i < field->seconds_count; i++)
        if (field->seconds[i] == seconds)
            return true;
    return false;
}

static bool read_count(const struct spot *spot, const struct field *field, struct said *out)
{
    static const char *const names[] = {"beats", "seconds", NULL};
    char pointer[SPOT_POINTER], lengths[80];
    struct spot count = {json_object_get(spot->json, field->name), pointer, spot->problems};
    int64_t beats = 0, seconds = 0;
    size_t used = 0;
    bool good;

    pointer_join(pointer, sizeof(pointer), spot->pointer, field->name);
    if (!json_is_object(count.json)) {
        spot_problem(&count, NULL, PROBLEM_WRONG_TYPE, "an object is due here: {\"beats\", \"seconds\"}");
        return false;
    }
    spot_no_strangers(&count, names);
    for (size_t i = 0; i < 2; i++)
        if (!spot_has(&count, names[i]))
            spot_problem(&count, names[i], PROBLEM_MISSING_FIELD, "%s is missing", names[i]);
    good = spot_whole(&count, "beats", 1, 1000, &beats);
    if (!spot_whole(&count, "seconds", 1, 3600, &seconds))
        return false;
    for (size_t i = 0; i < field->seconds_count; i++)
        used += (size_t)snprintf(lengths + used, sizeof(lengths) - used, "%s%d", i ? ", " : "", field->seconds[i]);
    if (!length_is_taken(field, seconds)) {
        spot_problem(&count, "seconds", PROBLEM_IMPLAUSIBLE, "counted over %s seconds", lengths);
        return false;
    }
    out->beats = (int)beats;
    out->seconds = (int)seconds;
    out->given = good;
    return good;
}

static void give_rate(const struct spot *spot, const struct field *field, const struct said *said, struct reading *out)
{
    struct measured *measured = &out->parts[field->gives];
    const struct part *part = &out->kind->parts[field->gives];
    struct decimal rate;

    if (!rate_of(said->beats, said->seconds, &rate))
        return;
    if (measured->type == MEASURED_NUMBER) {
        if (decimal_compare(measured->value, rate) != 0)
            spot_problem(spot, part->name, PROBLEM_INCONSISTENT, "it is not what was counted");
        return;
    }
    *measured = (struct measured){.type = MEASURED_NUMBER, .value = rate, .unit = part->unit, .worked_out = true};
}

/* ---- sums of points ---- */

static void give_sum(const struct spot *spot, struct reading *out, size_t at)
{
    const struct part *part = &out->kind->parts[at];
    struct measured *measured = &out->parts[at];
    int64_t sum = 0;

    for (size_t i = 0; i < part->sum_count; i++) {
        const struct measured *one = &out->parts[part->sum[i]];

        if (one->type != MEASURED_WORD || !one->word->has_points)
            return; /* what is missing is said where it is missing */
        sum += one->word->points;
    }
    if (measured->type == MEASURED_NUMBER) {
        if (decimal_compare(measured->value, (struct decimal){sum, 0}) != 0)
            spot_problem(spot, part->name, PROBLEM_INCONSISTENT, "the parts add up to %lld", (long long)sum);
        return;
    }
    *measured = (struct measured){.type = MEASURED_NUMBER, .value = {sum, 0}, .unit = part->unit ? part->unit : part->accepts[0], .worked_out = true};
}

/* ---- context fields ---- */

static bool make_words(struct parsing *parsing, struct said *out, size_t count)
{
    out->words = calloc(count, sizeof(*out->words));
    if (!out->words)
        parsing->no_memory = true;
    return out->words != NULL;
}

static void read_word_field(struct parsing *parsing, const struct spot *spot, const struct field *field, struct said *out)
{
    const char *text = spot_text(spot, field->name, 80, true);
    const struct word *word = text ? find_word(spot, field->name, field->list, text) : NULL;

    if (!word || !make_words(parsing, out, 1))
        return;
    out->words[out->words_count++] = word;
    out->given = true;
}

static void read_words_field(struct parsing *parsing, const struct spot *spot, const struct field *field, struct said *out)
{
    const json_t *list = json_object_get(spot->json, field->name);
    char pointer[SPOT_POINTER], index[24];
    struct spot inner = {list, pointer, spot->problems};

    pointer_join(pointer, sizeof(pointer), spot->pointer, field->name);
    if (!json_is_array(list) || json_array_size(list) == 0 || json_array_size(list) > field->list->count) {
        spot_problem(spot, field->name, PROBLEM_WRONG_TYPE, "a list of words of %s is due here", field->list->name);
        return;
    }
    if (!make_words(parsing, out, json_array_size(list)))
        return;
    for (size_t i = 0; i < json_array_size(list); i++) {
        const json_t *item = json_array_get(list, i);
        const struct word *word = NULL;

        snprintf(index, sizeof(index), "%zu", i);
        if (text_is(item))
            word = find_word(&inner, index, field->list, json_string_value(item));
        else
            spot_problem(&inner, index, PROBLEM_WRONG_TYPE, "a text is due here");
        if (word)
            out->words[out->words_count++] = word;
    }
    out->given = out->words_count > 0;
}

static void read_quantity_field(const struct parsing *parsing, const struct spot *spot, const struct field *field, struct said *out)
{
    static const char *const names[] = {"value", "unit", NULL};
    char pointer[SPOT_POINTER];
    struct spot inner = {json_object_get(spot->json, field->name), pointer, spot->problems};

    pointer_join(pointer, sizeof(pointer), spot->pointer, field->name);
    if (!json_is_object(inner.json)) {
        spot_problem(&inner, NULL, PROBLEM_WRONG_TYPE, "an object is due here: {\"value\", \"unit\"}");
        return;
    }
    spot_no_strangers(&inner, names);
    if (!spot_has(&inner, "value"))
        spot_problem(&inner, "value", PROBLEM_MISSING_FIELD, "value is missing");
    out->unit = read_unit(parsing, &inner, &field->quantity);
    out->given = spot_number(&inner, "value", &out->value) && out->unit;
}

static void read_field(struct parsing *parsing, const struct spot *spot, size_t at, struct reading *out)
{
    const struct field *field = &out->kind->fields[at];
    struct said *said = &out->fields[at];

    if (!spot_has(spot, field->name))
        return;
    switch (field->type) {
    case FIELD_WORD:
        read_word_field(parsing, spot, field, said);
        return;
    case FIELD_WORDS:
        read_words_field(parsing, spot, field, said);
        return;
    case FIELD_TEXT:
        said->text = spot_text(spot, field->name, 500, true);
        said->given = said->text != NULL;
        return;
    case FIELD_QUANTITY:
        read_quantity_field(parsing, spot, field, said);
        return;
    case FIELD_COUNT:
        if (read_count(spot, field, said))
            give_rate(spot, field, said, out);
        return;
    }
}

static bool is_first_of_group(const struct kind *kind, size_t at)
{
    for (size_t i = 0; i < at; i++)
        if (kind->fields[i].group && strcmp(kind->fields[i].group, kind->fields[at].group) == 0)
            return false;
    return true;
}

static void read_group(struct parsing *parsing, const struct spot *spot, const char *group, struct reading *out)
{
    const char *names[FIELDS_MOST + 1];
    char pointer[SPOT_POINTER];
    struct spot inner = {json_object_get(spot->json, group), pointer, spot->problems};
    size_t count = 0;

    if (!inner.json)
        return;
    pointer_join(pointer, sizeof(pointer), spot->pointer, group);
    if (!json_is_object(inner.json)) {
        spot_problem(&inner, NULL, PROBLEM_WRONG_TYPE, "an object is due here");
        return;
    }
    for (size_t i = 0; i < out->kind->fields_count; i++) {
        if (!out->kind->fields[i].group || strcmp(out->kind->fields[i].group, group) != 0)
            continue;
        names[count++] = out->kind->fields[i].name;
        read_field(parsing, &inner, i, out);
    }
    names[count] = NULL;
    spot_no_strangers(&inner, names);
}

static void read_context(struct parsing *parsing, const struct spot *spot, struct reading *out)
{
    for (size_t i = 0; i < out->kind->fields_count; i++) {
        const struct field *field = &out->kind->fields[i];

        if (!field->group)
            read_field(parsing, spot, i, out);
        else if (is_first_of_group(out->kind, i))
            read_group(parsing, spot, field->group, out);
    }
}

/* ---- what is missing, what is too much ---- */

static bool is_known(const struct kind *kind, const char *name)
{
    static const char *const common[] = {"id", "patient", "taken", "age", "kind", "unit", "by", "device", "note", "confirmed", "override",
                                         "not-taken"};

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
        spot_problem(spot, name, PROBLEM_UNKNOWN_FIELD, near ? "no such field of this kind; was %s meant?" : "no such field of this kind%s",
                     near ? near : "");
    }
}

static bool counted_instead(const struct spot *spot, const struct kind *kind, size_t part)
{
    for (size_t i = 0; i < kind->fields_count; i++)
        if (kind->fields[i].type == FIELD_COUNT && kind->fields[i].gives == part && spot_has(spot, kind->fields[i].name))
            return true;
    return false;
}

static void nothing_missing(const struct spot *spot, const struct reading *reading)
{
    for (size_t i = 0; i < reading->kind->parts_count; i++) {
        const struct part *part = &reading->kind->parts[i];

        if (part->required && reading->parts[i].type == MEASURED_NONE && !spot_has(spot, part->name) && part->sum_count == 0 &&
            !counted_instead(spot, reading->kind, i))
            spot_problem(spot, part->name, PROBLEM_MISSING_FIELD, "%s is missing", part->name);
    }
}

static void not_taken_alone(const struct spot *spot, const struct reading *reading)
{
    for (size_t i = 0; i < reading->kind->parts_count; i++)
        if (spot_has(spot, reading->kind->parts[i].name))
            spot_problem(spot, reading->kind->parts[i].name, PROBLEM_INCONSISTENT, "either a value or not-taken");
    for (size_t i = 0; i < reading->kind->fields_count; i++)
        if (reading->kind->fields[i].type == FIELD_COUNT && spot_has(spot, reading->kind->fields[i].name))
            spot_problem(spot, reading->kind->fields[i].name, PROBLEM_INCONSISTENT, "either a value or not-taken");
    if (reading->kind->computed.given)
        spot_problem(spot, "not-taken", PROBLEM_INCONSISTENT, "this is computed, not taken");
}

void reading_fields(struct parsing *parsing, const struct spot *spot, struct reading *out)
{
    const struct unit *unit;

    no_strangers(spot, out->kind);
    if (spot_has(spot, "not-taken")) {
        out->not_taken = read_reason(parsing, spot);
        not_taken_alone(spot, out);
        read_context(parsing, spot, out);
        return;
    }
    unit = unit_of_reading(parsing, spot, out->kind);
    for (size_t i = 0; i < out->kind->parts_count; i++)
        read_part(parsing, spot, &out->kind->parts[i], unit, &out->parts[i]);
    read_context(parsing, spot, out);
    for (size_t i = 0; i < out->kind->parts_count; i++)
        if (out->kind->parts[i].sum_count > 0)
            give_sum(spot, out, i);
    nothing_missing(spot, out);
}
