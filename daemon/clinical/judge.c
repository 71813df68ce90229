/* judge.c - a set is judged: refused, asked, flagged, always in this order (design 5). */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "clinical/judge.h"

struct moment set_moment(const struct set *set)
{
    return !set->taken_text && set->count > 0 ? set->readings[0].taken : set->taken;
}

/* ---- where it was found ---- */

/* What was counted was never sent as a number: the count is what can be mended. */
static const char *path_of_part(const struct reading *reading, size_t part)
{
    const struct kind *kind = reading->kind;

    for (size_t i = 0; reading->parts[part].worked_out && i < kind->fields_count; i++)
        if (kind->fields[i].type == FIELD_COUNT && kind->fields[i].gives == part &&
            reading->fields[i].given)
            return kind->fields[i].path;
    return kind->parts[part].name;
}

void reading_pointer(const struct reading *reading, bool is_field, size_t index,
                     char out[POINTER_ROOM])
{
    const struct field *field = is_field ? &reading->kind->fields[index] : NULL;

    if (!field) {
        pointer_join(out, POINTER_ROOM, reading->pointer, path_of_part(reading, index));
    } else if (!field->group) {
        pointer_join(out, POINTER_ROOM, reading->pointer, field->name);
    } else {
        pointer_join(out, POINTER_ROOM, reading->pointer, field->group);
        pointer_join(out, POINTER_ROOM, out, field->name);
    }
}

/* ---- what it means ---- */

static void add_note(struct judging *judging, struct judgement *judgement, const char *text)
{
    size_t count = judgement->notes_count;
    char **longer = realloc(judgement->notes, (count + 1) * sizeof(*longer));

    if (longer) {
        judgement->notes = longer;
        longer[count] = strdup(text);
    }
    if (longer && longer[count])
        judgement->notes_count++;
    else
        judging->no_memory = true;
}

static void ask(struct judging *judging, const struct finding *finding)
{
    struct judgement *judgement = &judging->judgements[finding->reading];

    if (judging->set->readings[finding->reading].confirmed) {
        judgement->asked = true;
        return;
    }
    if (judgement->grade < GRADE_ASK)
        judgement->grade = GRADE_ASK;
    if (!judging->frame->nobody_there)
        problem_add(judging->problems, PROBLEM_CONFIRM, finding->pointer, "%s", finding->detail);
}

/* On the word of two, and why (design 5). */
static bool override_is_whole(const struct override *override)
{
    return override->given && override->by && *override->by && override->second &&
           *override->second && override->reason && *override->reason &&
           strcmp(override->by, override->second) != 0;
}

static void want_override(struct judging *judging, const struct finding *finding)
{
    const struct override *override = &judging->set->readings[finding->reading].override;
    struct judgement *judgement = &judging->judgements[finding->reading];

    if (override_is_whole(override)) {
        judgement->overridden = true;
        return;
    }
    if (judgement->grade < GRADE_OVERRIDE)
        judgement->grade = GRADE_OVERRIDE;
    problem_add_override(
        judging->problems, finding->pointer, "%s%s", finding->detail,
        override->given ? "; an override names who, a second other than the first, and a reason"
                        : "");
}

void found(struct judging *judging, const struct finding *finding)
{
    struct judgement *judgement = &judging->judgements[finding->reading];

    switch (finding->grade) {
    case GRADE_FINE:
        return;
    case GRADE_NOTE:
        add_note(judging, judgement, finding->detail);
        return;
    case GRADE_ASK:
        ask(judging, finding);
        return;
    case GRADE_OVERRIDE:
        want_override(judging, finding);
        return;
    case GRADE_REFUSE:
        judgement->grade = GRADE_REFUSE;
        problem_add(judging->problems, finding->code, finding->pointer, "%s", finding->detail);
        return;
    }
}

/* ---- one value ---- */

struct value { /* of a part or of a field */
    size_t reading;
    bool is_field;
    size_t index;
    const struct part *part;
    struct own own;
};

static void found_in_value(struct judging *judging, const struct value *value, enum grade grade,
                           const char *detail)
{
    char pointer[POINTER_ROOM];

    reading_pointer(&judging->set->readings[value->reading], value->is_field, value->index,
                    pointer);
    found(judging, &(struct finding){value->reading, grade, PROBLEM_IMPLAUSIBLE, pointer, detail});
}

static void found_limit(struct judging *judging, const struct value *value,
                        const struct worst *worst)
{
    const struct reading *reading = &judging->set->readings[value->reading];
    const struct scope scope = {judging, reading, false};
    const struct limit_words words = {&scope, reading->kind, value->part, &value->own, ""};
    char detail[DETAIL_ROOM];

    limit_detail(&words, worst, detail);
    found_in_value(judging, value, worst->grade, detail);
}

static bool judge_whole(struct judging *judging, const struct value *value)
{
    char detail[DETAIL_ROOM];

    if (!value->part->whole || decimal_is_whole(value->own.value))
        return true;
    (void)snprintf(detail, sizeof(detail), "%.80s is a whole number", value->part->title);
    found_in_value(judging, value, GRADE_REFUSE, detail);
    return false;
}

/* Of a part the row may ask what the last reading has there. */
static struct bearer bearer_of_value(const struct judging *judging, const struct value *value)
{
    const struct reading *reading = &judging->set->readings[value->reading];
    const struct scope scope = {judging, reading, false};
    const struct last *last = value->is_field ? NULL : scope_last(&scope, reading->kind);
    struct bearer bearer = bearer_of(judging->set, reading);

    if (last) {
        bearer.last = &last->parts[value->index];
        bearer.since_last_ms = reading->taken.ms - last->taken_ms;
    }
    return bearer;
}

static void judge_value(struct judging *judging, const struct value *value, struct judged *judged)
{
    const struct set *set = judging->set;
    const struct bearer bearer = bearer_of_value(judging, value);
    const struct own *own = &value->own;
    struct worst worst = worst_limit(set->kinds, value->part, &bearer, own->value, own->unit);
    bool whole = judge_whole(judging, value);

    if (worst.grade != GRADE_FINE)
        found_limit(judging, value, &worst);
    if (!whole || worst.grade == GRADE_REFUSE)
        return; /* never charted */
    if (value_chart(judging, value->part, own->value, own->unit, judged)) {
        value_flag(set->kinds, value->part, &bearer, own->unit, judged);
        return;
    }
    worst = (struct worst){GRADE_REFUSE, NULL, false};
    found_limit(judging, value, &worst);
}

/* ---- one reading ---- */

static void judge_parts(struct judging *judging, size_t index)
{
    const struct reading *reading = &judging->set->readings[index];
    struct value value = {.reading = index};

    for (size_t i = 0; i < reading->kind->parts_count; i++) {
        const struct measured *measured = &reading->parts[i];

        if (measured->type != MEASURED_NUMBER)
            continue;
        value.index = i;
        value.part = &reading->kind->parts[i];
        value.own = (struct own){measured->value, measured->unit};
        judge_value(judging, &value, &judging->judgements[index].parts[i]);
    }
}

static void judge_fields(struct judging *judging, size_t index)
{
    const struct reading *reading = &judging->set->readings[index];
    struct value value = {.reading = index, .is_field = true};

    for (size_t i = 0; i < reading->kind->fields_count; i++) {
        const struct said *said = &reading->fields[i];

        if (!said->given || reading->kind->fields[i].type != FIELD_QUANTITY)
            continue;
        value.index = i;
        value.part = &reading->kind->fields[i].quantity;
        value.own = (struct own){said->value, said->unit};
        judge_value(judging, &value, &judging->judgements[index].fields[i]);
    }
}

static void judge_reading(struct judging *judging, size_t index)
{
    /* A sign that was not taken has no values; what was said beside it (oxygen, say) is charted,
     * and so it is judged all the same. */
    if (!judging->set->readings[index].not_taken)
        judge_parts(judging, index);
    judge_fields(judging, index);
    check_reading(judging, index);
}

/* ---- what follows from several readings ---- */

static void found_in_inputs(struct judging *judging, const struct worked_out *worked_out,
                            enum grade grade, const char *detail)
{
    const struct computed *computed = &worked_out->kind->computed;

    for (size_t i = 0; i < worked_out->inputs_count; i++) {
        size_t input = worked_out->inputs[i];
        size_t part = i < computed->over_count ? computed->over[i].part
                                               : computed->under[i - computed->over_count].part;
        char pointer[POINTER_ROOM];

        reading_pointer(&judging->set->readings[input], false, part, pointer);
        found(judging, &(struct finding){input, grade, PROBLEM_IMPLAUSIBLE, pointer, detail});
    }
}

/* A computed value that cannot be (pounds taken for kilograms give such a body mass index) is a
 * fault of what it was computed from: nobody sent it. */
static void judge_worked_out(struct judging *judging)
{
    const struct set *set = judging->set;
    const struct bearer bearer = bearer_of(set, NULL);
    const struct scope scope = {judging, NULL, false};
    struct worked_out worked_out[WORKED_OUT_MOST];
    size_t count = set_work_out(set, judging->judgements, worked_out);

    for (size_t i = 0; i < count; i++) {
        const struct part *part = &worked_out[i].kind->parts[0];
        const struct own own = {worked_out[i].value.charted, worked_out[i].value.unit};
        const struct limit_words words = {&scope, worked_out[i].kind, part, &own,
                                          ", worked out from this set,"};
        struct worst worst = worst_limit(set->kinds, part, &bearer, own.value, own.unit);
        char detail[DETAIL_ROOM];

        if (worst.grade == GRADE_FINE)
            continue;
        limit_detail(&words, &worst, detail);
        found_in_inputs(judging, &worked_out[i], worst.grade, detail);
    }
}

enum status set_judge(const struct set *set, const struct judge_frame *frame, struct judgement *out,
                      struct problems *problems)
{
    struct judging judging = {set, frame, out, problems, false};

    for (size_t i = 0; i < set->count; i++)
        judge_reading(&judging, i);
    if (!set->single) {
        check_set(&judging);
        judge_worked_out(&judging);
    }
    return judging.no_memory || problems->no_memory ? STATUS_NO_MEMORY : STATUS_OK;
}

void judgement_clear(struct judgement *judgement)
{
    for (size_t i = 0; i < judgement->notes_count; i++)
        free(judgement->notes[i]);
    free(judgement->notes);
    judgement->notes = NULL;
    judgement->notes_count = 0;
}
