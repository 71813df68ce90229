/* age_band.c - does a row of the table speak of this patient and reading: its age band, its
 * conditions on context fields, its bound? */
#include <string.h>

#include "clinical/judge.h"

/* From is included, to is not; both are counted from the birth date to the local date of the
 * reading, as people count birthdays. A birth date after that day is none: nobody knows which of
 * the two is wrong. */
static bool ages_fit_on(const struct ages *ages, const struct patient *patient, struct date today)
{
    if (!ages->given)
        return true;
    if (!patient->has_birth_date || date_compare(today, patient->birth_date) < 0)
        return ages->unknown;
    if (ages->has_from && date_compare(today, date_after(patient->birth_date, ages->from)) < 0)
        return false;
    return !ages->has_to || date_compare(today, date_after(patient->birth_date, ages->to)) < 0;
}

bool ages_fit(const struct ages *ages, const struct patient *patient, struct moment taken)
{
    return ages_fit_on(ages, patient, moment_local_date(taken));
}

struct bearer bearer_of(const struct set *set, const struct reading *reading)
{
    struct moment taken = reading ? reading->taken : set_moment(set);

    return (struct bearer){
        .patient = &set->patient, .today = moment_local_date(taken), .reading = reading};
}

static bool has_word(const struct said *said, const char *word)
{
    for (size_t i = 0; i < said->words_count; i++)
        if (strcmp(said->words[i]->word, word) == 0)
            return true;
    return false;
}

static bool when_fits(const struct when *when, const struct reading *reading)
{
    const struct field *field = kind_field(reading->kind, when->path);
    const struct said *said = field ? &reading->fields[field - reading->kind->fields] : NULL;

    for (size_t i = 0; said && said->given && i < when->count; i++)
        if (has_word(said, when->words[i]))
            return true;
    return false;
}

bool whens_fit(const struct whens *whens, const struct reading *reading)
{
    for (size_t i = 0; i < whens->count; i++)
        if (!when_fits(&whens->items[i], reading))
            return false;
    return true;
}

bool row_fits(const struct ages *ages, const struct whens *whens, const struct bearer *bearer)
{
    bool in_context = bearer->reading ? whens_fit(whens, bearer->reading) : whens->count == 0;

    return in_context && ages_fit_on(ages, bearer->patient, bearer->today);
}

bool bound_holds(const struct bound *bound, struct exact value)
{
    return (!bound->has_below || exact_compare(value, exact_of(bound->below)) < 0) &&
           (!bound->has_above || exact_compare(value, exact_of(bound->above)) > 0) &&
           (!bound->has_at_most || exact_compare(value, exact_of(bound->at_most)) <= 0) &&
           (!bound->has_at_least || exact_compare(value, exact_of(bound->at_least)) >= 0);
}
