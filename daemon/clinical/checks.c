/* checks.c - the checks of a kind on its reading, and those between the readings of a set. */
#include "clinical/judge.h"

enum outcome { OUTCOME_QUIET, OUTCOME_FIRES, OUTCOME_CANNOT };

static enum outcome look(struct scope *scope, const struct check *check, struct moment taken)
{
    scope->cannot = false;
    if (!ages_fit(&check->ages, &scope->judging->set->patient, taken))
        return OUTCOME_QUIET;
    for (size_t i = 0; i < check->conditions_count; i++)
        if (!condition_holds(scope, &check->conditions[i]))
            return scope->cannot ? OUTCOME_CANNOT : OUTCOME_QUIET;
    return OUTCOME_FIRES;
}

/* Somewhere in the set: at a part or field of it, or at its first reading as a whole. */
static void found_at(struct judging *judging, const struct finding *what,
                     const struct reading *reading, const char *pointer)
{
    struct finding finding = *what;

    finding.reading = (size_t)(reading - judging->set->readings);
    finding.pointer = pointer;
    found(judging, &finding);
}

/* A check between kinds may name, as the place to mend, something that this set does not have. What
 * it found is not lost by that: then it stands on the set's first reading. */
static void report(const struct scope *scope, struct judging *judging, const struct check *check,
                   const struct finding *what)
{
    const struct reading *reading;
    char pointer[POINTER_ROOM];
    size_t reported = 0;

    for (size_t i = 0; i < check->at_count; i++) {
        reading = scope_reading(scope, &check->at[i]);
        if (!reading || (reported > 0 && what->grade == GRADE_NOTE))
            continue; /* a remark is made once */
        reading_pointer(reading, check->at[i].is_field, check->at[i].index, pointer);
        found_at(judging, what, reading, pointer);
        reported++;
    }
    if (reported == 0)
        found_at(judging, what, judging->set->readings, judging->set->readings[0].pointer);
}

static void run(struct scope *scope, struct judging *judging, const struct check *check,
                struct moment taken)
{
    const struct say say = {scope, check->kind, check->say, NULL};
    char detail[DETAIL_ROOM];
    struct finding finding = {0, check->grade, check->code, "", detail};

    switch (look(scope, check, taken)) {
    case OUTCOME_QUIET:
        return;
    case OUTCOME_FIRES:
        say_text(&say, detail, sizeof(detail));
        break;
    case OUTCOME_CANNOT:
        finding.grade = GRADE_REFUSE;
        finding.code = PROBLEM_IMPLAUSIBLE;
        finding.detail = "these numbers are too large to be compared with one another";
        break;
    }
    report(scope, judging, check, &finding);
}

void check_reading(struct judging *judging, size_t index)
{
    const struct reading *reading = &judging->set->readings[index];
    struct scope scope = {judging, reading, false};

    for (size_t i = 0; i < reading->kind->checks_count; i++)
        run(&scope, judging, &reading->kind->checks[i], reading->taken);
}

void check_set(struct judging *judging)
{
    const struct kinds *kinds = judging->set->kinds;
    struct scope scope = {judging, NULL, false};

    if (judging->set->count == 0)
        return;
    for (size_t i = 0; i < kinds->checks_count; i++)
        run(&scope, judging, &kinds->checks[i], set_moment(judging->set));
}
