/* judge.c - limits, ranges and names of each value; what is charted of it. Refused, asked, flagged: always in this order. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "clinical/judge.h"

/* ---- what was found, and what it means ---- */

static const struct field *counted_field(const struct reading *reading, size_t part)
{
    for (size_t i = 0; i < reading->kind->fields_count; i++)
        if (reading->kind->fields[i].type == FIELD_COUNT && reading->kind->fields[i].gives == part && reading->fields[i].given)
            return &reading->kind->fields[i];
    return NULL;
}

void reading_pointer(const struct reading *reading, bool is_field, size_t index, char out[POINTER_ROOM])
{
    const struct field *counted = is_field ? NULL : counted_field(reading, index);
    const char *path = is_field ? reading->kind->fields[index].path : reading->kind->parts[index].name;
    const char *dot;
    char step[80];

    if (counted && reading->parts[index].worked_out)
        path = counted->path;
    dot = strchr(path, '.');
    if (!dot) {
        pointer_join(out, POINTER_ROOM, reading->pointer, path);
        return;
    }
    snprintf(step, sizeof(step), "%.*s", (int)(dot - path), path);
    pointer_join(out, POINTER_ROOM, reading->pointer, step);
    pointer_join(out, POINTER_ROOM, out, dot + 1);
}

static void add_note(struct judging *judging, struct judgement *judgement, const char *text)
{
    const char **longer = realloc(judgement->notes, (judgement->notes_count + 1) * sizeof(*longer));
    char *copy = longer ? strdup(text) : NULL;

    if (longer)
        judgement->notes = longer;
    if (!copy) {
        judging->no_memory = true;
        return;
    }
    judgement->notes[judgement->notes_count++] = copy;
}

static void raise_grade(struct judgement *judgement, enum grade grade)
{
    if (grade > judgement->grade)
        judgement->grade = grade;
}

void found_at(struct judging *judging, size_t index, enum grade grade, enum problem_code code, const char *pointer, const char *detail)
{
    const struct reading *reading = &judging->set->readings[index];
    struct judgement *judgement = &judging->judgements[index];

    switch (grade) {
    case GRADE_FINE:
        return;
    case GRADE_NOTE:
        add_note(judging, judgement, detail);
        return;
    case GRADE_ASK:
        if (reading->confirmed) {
            judgement->asked = true;
            return;
        }
        raise_grade(judgement, GRADE_ASK);
        if (!judging->frame->nobody_there)
            problem_add(judging->problems, PROBLEM_CONFIRM, pointer, "%s", detail);
        return;
    case GRADE_OVERRIDE:
        if (reading->override.given) {
            judgement->overridden = true;
            return;
        }
        raise_grade(judgement, GRADE_OVERRIDE);
        problem_add_override(judging->problems, pointer, "%s", detail);
        return;
    case GRADE_REFUSE:
        raise_grade(judgement, GRADE_REFUSE);
        problem_add(judging->problems, code, pointer, "%s", detail);
        return;
    }
}

/* ---- limits ---- */

struct worst {
    enum grade grade;
    const struct limit *limit;
};

static bool limit_fits(const struct judging *judging, const struct reading *reading, const struct limit *limit, const struct unit *entered)
{
    return (!limit->in || limit->in == entered) && ages_fit(&limit->ages, &judging->set->patient, reading->taken) &&
           whens_fit(&limit->whens, reading);
}

/* Outside: under `below` or over `above`; each is a bound of its own. */
static bool is_outside(const struct limit *limit, struct exact value)
{
    return (limit->bound.has_below && exact_compare(value, exact_of(limit->bound.below)) < 0) ||
           (limit->bound.has_above && exact_compare(value, exact_of(limit->bound.above)) > 0);
}

static struct worst worst_limit(const struct judging *judging, const struct reading *reading, const struct part *part, struct decimal value,
                                const struct unit *unit)
{
    struct worst worst = {GRADE_FINE, NULL};
    struct exact canonical, exact;
    bool has_canonical = part->unit && unit_exact(judging->set->kinds, value, unit, part->unit, &canonical);

    for (size_t i = 0; i < part->limits_count; i++) {
        const struct limit *limit = &part->limits[i];

        if (limit->grade <= worst.grade || !limit_fits(judging, reading, limit, unit))
            continue;
        if (!limit->in && part->unit && !has_canonical)
            return (struct worst){GRADE_REFUSE, limit}; /* so large that it cannot be converted */
        exact = limit->in || !part->unit ? exact_of(value) : canonical;
        if (is_outside(limit, exact))
            worst = (struct worst){limit->grade, limit};
    }
    return worst;
}

static void limit_detail(const struct part *part, struct decimal value, const struct unit *unit, const struct worst *worst, char out[256])
{
    static const char *const ends[] = {[GRADE_ASK] = ": is it true?", [GRADE_OVERRIDE] = ": taken only with the word of a second person or device",
                                       [GRADE_REFUSE] = ", which cannot be true"};
    const struct limit *limit = worst->limit;
    const struct unit *in = limit->in ? limit->in : part->unit;
    char text[DECIMAL_TEXT_ROOM], bound[DECIMAL_TEXT_ROOM];
    bool below = limit->bound.has_below && (!limit->bound.has_above || decimal_compare(value, limit->bound.below) < 0);

    decimal_text(value, text);
    decimal_text(below ? limit->bound.below : limit->bound.above, bound);
    snprintf(out, 256, "%s %s%s%s is %s %s%s%s%s%s%s", part->title, text, unit ? " " : "", unit ? unit->text : "", below ? "under" : "over",
             bound, in ? " " : "", in ? in->text : "", ends[worst->grade], limit->say ? "; " : "", limit->say ? limit->say : "");
}

static void judge_limits(struct judging *judging, size_t index, bool is_field, size_t at, struct decimal value, const struct unit *unit)
{
    const struct reading *reading = &judging->set->readings[index];
    const struct part *part = is_field ? &reading->kind->fields[at].quantity : &reading->kind->parts[at];
    struct worst worst = worst_limit(judging, reading, part, value, unit);
    char pointer[POINTER_ROOM], detail[256];

    if (part->whole && !decimal_is_whole(value)) {
        reading_pointer(reading, is_field, at, pointer);
        snprintf(detail, sizeof(detail), "%s is a whole number", part->title);
        found_at(judging, index, GRADE_REFUSE, PROBLEM_IMPLAUSIBLE, pointer, detail);
    }
    if (worst.grade == GRADE_FINE)
        return;
    reading_pointer(reading, is_field, at, pointer);
    limit_detail(part, value, unit, &worst, detail);
    found_at(judging, index, worst.grade, PROBLEM_IMPLAUSIBLE, pointer, detail);
}

/* ---- what is charted ---- */

static bool goes_as_entered(const struct judging *judging, const struct part *part, const struct unit *unit)
{
    if (!part->unit || unit == part->unit)
        return true; /* the unit decides the code, or there is nothing to convert */
    for (size_t i = 0; judging->frame->as_entered && i < part->as_entered_count; i++)
        if (part->as_entered[i] == unit)
            return true;
    return false;
}

static void chart(struct judging *judging, const struct part *part, struct decimal value, const struct unit *unit, struct judged *out)
{
    if (goes_as_entered(judging, part, unit)) {
        *out = (struct judged){.has_charted = true, .charted = value, .unit = unit};
        return;
    }
    out->has_charted = unit_convert(judging->set->kinds, value, unit, part->unit, &out->charted);
    out->unit = part->unit;
}

/* ---- ranges ---- */

static bool row_fits(const struct judging *judging, const struct reading *reading, const struct ages *ages, const struct whens *whens,
                     const struct unit *in, const struct unit *unit)
{
    return (!in || in == unit) && ages_fit(ages, &judging->set->patient, reading->taken) && whens_fit(whens, reading);
}

static enum interpretation interpret(const struct range *range, struct decimal value)
{
    if (range->has_low_critical && decimal_compare(value, range->low_critical) < 0)
        return INTERPRETATION_LOW_CRITICAL;
    if (range->has_low && decimal_compare(value, range->low) < 0)
        return INTERPRETATION_LOW;
    if (range->has_high_critical && decimal_compare(value, range->high_critical) > 0)
        return INTERPRETATION_HIGH_CRITICAL;
    if (range->has_high && decimal_compare(value, range->high) > 0)
        return INTERPRETATION_HIGH;
    return INTERPRETATION_NORMAL;
}

static void judge_ranges(const struct judging *judging, const struct reading *reading, const struct part *part, struct decimal value,
                         struct judged *out)
{
    for (size_t i = 0; i < part->ranges_count && !out->range; i++) {
        const struct range *range = &part->ranges[i];

        if (!row_fits(judging, reading, &range->ages, &range->whens, range->in, out->unit))
            continue;
        out->range = range;
        out->interpretation = interpret(range, value);
    }
    for (size_t i = 0; i < part->names_count && !out->name; i++) {
        const struct state_name *name = &part->names[i];

        if (row_fits(judging, reading, &name->ages, &name->whens, name->in, out->unit) && bound_holds(&name->bound, exact_of(value)))
            out->name = name->name;
    }
}

/* Ranges are in the canonical unit and speak of the value as it is charted there. */
static bool value_for_ranges(const struct judging *judging, const struct part *part, const struct judged *judged, struct decimal *out)
{
    if (!part->unit)
        *out = judged->charted;
    return !part->unit || unit_convert(judging->set->kinds, judged->charted, judged->unit, part->unit, out);
}

static void judge_number(struct judging *judging, size_t index, size_t at)
{
    const struct reading *reading = &judging->set->readings[index];
    const struct measured *measured = &reading->parts[at];
    const struct part *part = &reading->kind->parts[at];
    struct judged *judged = &judging->judgements[index].parts[at];
    struct decimal value;

    judge_limits(judging, index, false, at, measured->value, measured->unit);
    chart(judging, part, measured->value, measured->unit, judged);
    if (judged->has_charted && value_for_ranges(judging, part, judged, &value))
        judge_ranges(judging, reading, part, value, judged);
}

static void judge_reading(struct judging *judging, size_t index)
{
    const struct reading *reading = &judging->set->readings[index];

    if (reading->not_taken)
        return;
    for (size_t i = 0; i < reading->kind->parts_count; i++)
        if (reading->parts[i].type == MEASURED_NUMBER)
            judge_number(judging, index, i);
    for (size_t i = 0; i < reading->kind->fields_count; i++) {
        const struct said *said = &reading->fields[i];

        if (reading->kind->fields[i].type != FIELD_QUANTITY || !said->given)
            continue;
        judge_limits(judging, index, true, i, said->value, said->unit);
        chart(judging, &reading->kind->fields[i].quantity, said->value, said->unit, &judging->judgements[index].fields[i]);
    }
    check_reading(judging, index);
}

enum status set_judge(const struct set *set, const struct judge_frame *frame, struct judgement *out, struct problems *problems)
{
    struct judging judging = {set, frame, out, problems, false};

    for (size_t i = 0; i < set->count; i++)
        judge_reading(&judging, i);
    check_set(&judging);
    return judging.no_memory || problems->no_memory ? STATUS_NO_MEMORY : STATUS_OK;
}

void judgement_clear(struct judgement *judgement)
{
    for (size_t i = 0; i < judgement->notes_count; i++)
        free((char *)(uintptr_t)judgement->notes[i]);
    free(judgement->notes);
    judgement->notes = NULL;
    judgement->notes_count = 0;
}

/* ---- interpretation (HL7 v3-ObservationInterpretation; displays as in R4's own code system) ---- */

static const struct {
    const char *code, *display;
} interpretations[] = {
    [INTERPRETATION_NONE] = {NULL, NULL},
    [INTERPRETATION_NORMAL] = {"N", "Normal"},
    [INTERPRETATION_LOW] = {"L", "Low"},
    [INTERPRETATION_HIGH] = {"H", "High"},
    [INTERPRETATION_LOW_CRITICAL] = {"LL", "Critical low"},
    [INTERPRETATION_HIGH_CRITICAL] = {"HH", "Critical high"},
};

const char *interpretation_code(enum interpretation interpretation)
{
    return interpretations[interpretation].code;
}

const char *interpretation_display(enum interpretation interpretation)
{
    return interpretations[interpretation].display;
}
