/* work_out.c - what follows from the readings of a set: computed kinds, and estimates of parts that
 * were not sent. */
#include <stdint.h>

#include "clinical/judge.h"

/* ---- computed kinds ---- */

static bool gives(const struct reading *reading, const struct judgement *judgement,
                  const struct factor *factor)
{
    return reading->kind == factor->kind && !reading->not_taken &&
           reading->parts[factor->part].type == MEASURED_NUMBER && judgement->grade < GRADE_ASK;
}

/* The first that counts; what waits for a decision does not. SIZE_MAX: none. */
static size_t find_input(const struct set *set, const struct judgement *judgements,
                         const struct factor *factor)
{
    for (size_t i = 0; i < set->count; i++)
        if (gives(&set->readings[i], &judgements[i], factor))
            return i;
    return SIZE_MAX;
}

static bool was_sent(const struct set *set, const struct kind *kind)
{
    for (size_t i = 0; i < set->count; i++)
        if (set->readings[i].kind == kind)
            return true;
    return false;
}

static bool multiply_by(const struct set *set, const struct factor *factor, size_t input,
                        struct exact *product)
{
    const struct measured *measured = &set->readings[input].parts[factor->part];
    struct exact exact;

    if (!unit_exact(set->kinds, measured->value, measured->unit, factor->in, &exact))
        return false;
    for (unsigned power = 0; power < factor->power; power++)
        if (!exact_times(*product, exact, product))
            return false;
    return true;
}

struct factors {
    const struct factor *items;
    size_t count;
};

static bool multiply(const struct set *set, const struct judgement *judgements,
                     struct factors factors, struct exact *product, struct worked_out *out)
{
    *product = (struct exact){1, 1};
    for (size_t i = 0; i < factors.count; i++) {
        size_t input = find_input(set, judgements, &factors.items[i]);

        if (input == SIZE_MAX || !multiply_by(set, &factors.items[i], input, product))
            return false;
        out->inputs[out->inputs_count++] = input;
    }
    return true;
}

/* From what was entered, unrounded; one rounding at the end. */
static bool compute(const struct set *set, const struct judgement *judgements,
                    const struct kind *kind, struct worked_out *out)
{
    const struct computed *computed = &kind->computed;
    const struct factors over = {computed->over, computed->over_count};
    const struct factors under = {computed->under, computed->under_count};
    struct exact numerator, denominator, value;

    *out = (struct worked_out){.kind = kind};
    if (!multiply(set, judgements, over, &numerator, out) ||
        !multiply(set, judgements, under, &denominator, out) ||
        !exact_over(numerator, denominator, &value) ||
        !exact_round(value, computed->places, ROUND_HALF_EVEN, &out->value.charted))
        return false;
    out->value.has_charted = true;
    out->value.unit = computed->unit;
    return true;
}

size_t set_work_out(const struct set *set, const struct judgement *judgements,
                    struct worked_out out[WORKED_OUT_MOST])
{
    const struct bearer bearer = bearer_of(set, NULL);
    size_t count = 0;

    for (size_t i = 0; !set->single && i < kinds_count(set->kinds); i++) {
        const struct kind *kind = kinds_at(set->kinds, i);

        if (count == WORKED_OUT_MOST || !kind->computed.given || was_sent(set, kind) ||
            !compute(set, judgements, kind, &out[count]))
            continue;
        value_flag(set->kinds, &kind->parts[0], &bearer, out[count].value.unit, &out[count].value);
        count++;
    }
    return count;
}

/* ---- estimates ---- */

bool part_estimate(const struct set *set, size_t reading, size_t part, struct decimal *out)
{
    const struct reading *sent = &set->readings[reading];
    const struct estimate *estimate = &sent->kind->parts[part].estimate;
    struct exact sum = {0, 1}, one;

    if (estimate->count == 0 || sent->parts[part].type != MEASURED_NONE || sent->not_taken)
        return false;
    for (size_t i = 0; i < estimate->count; i++) {
        const struct estimate_term *term = &estimate->terms[i];
        const struct measured *measured = &sent->parts[term->part];
        const struct unit *unit = sent->kind->parts[term->part].unit;

        if (measured->type != MEASURED_NUMBER ||
            !unit_exact(set->kinds, measured->value, measured->unit, unit, &one) ||
            !exact_times(one, exact_of(term->times), &one) || !exact_add(sum, one, &sum))
            return false;
    }
    return exact_over(sum, exact_of(estimate->over), &sum) &&
           exact_round(sum, estimate->places, ROUND_HALF_EVEN, out);
}
