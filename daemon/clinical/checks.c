/* checks.c - the checks of a kind on its reading, and those between the readings of a set. */
#include "clinical/judge.h"

static bool fires(const struct scope *scope, const struct check *check, struct moment taken)
{
    if (!ages_fit(&check->ages, &scope->judging->set->patient, taken))
        return false;
    for (size_t i = 0; i < check->conditions_count; i++)
        if (!condition_holds(scope, &check->conditions[i]))
            return false;
    return true;
}

static void report(struct judging *judging, const struct scope *scope, const struct check *check)
{
    char detail[256], pointer[POINTER_ROOM];

    say_text(scope, check, detail, sizeof(detail));
    for (size_t i = 0; i < check->at_count; i++) {
        const struct reading *reading = scope_reading(scope, &check->at[i]);

        if (!reading)
            continue;
        reading_pointer(reading, check->at[i].is_field, check->at[i].index, pointer);
        found_at(judging, (size_t)(reading - judging->set->readings), check->grade, check->code, pointer, detail);
        if (check->grade == GRADE_NOTE)
            return; /* a remark is made once */
    }
}

void check_reading(struct judging *judging, size_t index)
{
    const struct reading *reading = &judging->set->readings[index];
    struct scope scope = {judging, reading};

    for (size_t i = 0; i < reading->kind->checks_count; i++)
        if (fires(&scope, &reading->kind->checks[i], reading->taken))
            report(judging, &scope, &reading->kind->checks[i]);
}

void check_set(struct judging *judging)
{
    const struct kinds *kinds = judging->set->kinds;
    struct scope scope = {judging, NULL};

    if (judging->set->count < 2)
        return; /* there is nothing to compare between */
    for (size_t i = 0; i < kinds->checks_count; i++)
        if (fires(&scope, &kinds->checks[i], judging->set->taken))
            report(judging, &scope, &kinds->checks[i]);
}
