/* work_out.c - what follows from the readings of a set: computed kinds, and estimates of parts that were not sent. */
#include <string.h>

#include "clinical/clinical_private.h"

static size_t find_input(const struct set *set, const struct judgement *judgements, const struct factor *factor)
{
    for (size_t i = 0; i < set->count; i++)
        if (set->readings[i].kind == factor->kind && set->readings[i].parts[factor->part].type == MEASURED_NUMBER &&
            !set->readings[i].not_taken && judgements[i].grade < GRADE_ASK)
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

static bool multiply(const struct set *set, const struct judgement *judgements, const struct factor *factors, size_t count,
                     struct exact *product, struct worked_out *out)
{
    for (size_t i = 0; i < count; i++) {
        size_t input = find_input(set, judgements, &factors[i]);
        const struct measured *measured;
        struct exact exact;

        if (input == SIZE_MAX)
            return false;
        measured = &set->readings[input].parts[factors[i].part];
        if (!unit_exact(set->kinds, measured->value, measured->unit, factors[i].in, &exact))
            return false;
        for (unsigned power = 0; power < factors[i].power; power++)
            if (!exact_times(*product, exact, product))
                return false;
        out->inputs[out->inputs_count++] = input;
    }
    return true;
}

static bool compute(const struct set *set, const struct judgement *judgements, const struct kind *kind, struct worked_out *out)
{
    const struct computed *computed = &kind->computed;
    struct exact over = {1, 1}, under = {1, 1}, value;

    *out = (struct worked_out){.kind = kind};
    if (!multiply(set, judgements, computed->over, computed->over_count, &over, out) ||
        !multiply(set, judgements, computed->under, computed->under_count, &under, out) || !exact_over(over, under, &value) ||
        !exact_round(value, computed->places, ROUND_HALF_EVEN, &out->value.charted))
        return false;
    out->value.has_charted = true;
    out->value.unit = computed->unit;
    return true;
}

/* The same ranges as for a value that was sent. */
static void flag(const struct set *set, struct worked_out *out)
{
    const struct part *part = &out->kind->parts[0];
    struct decimal value = out->value.charted;

    for (size_t i = 0; i < part->ranges_count && !out->value.range; i++) {
        const struct range *range = &part->ranges[i];

        if (!ages_fit(&range->ages, &set->patient, set->taken) || range->whens.count > 0)
            continue;
        out->value.range = range;
        out->value.interpretation = range->has_low && decimal_compare(value, range->low) < 0     ? INTERPRETATION_LOW
                                    : range->has_high && decimal_compare(value, range->high) > 0 ? INTERPRETATION_HIGH
                                                                                                  : INTERPRETATION_NORMAL;
    }
    for (size_t i = 0; i < part->names_count && !out->value.name; i++)
        if (ages_fit(&part->names[i].ages, &set->patient, set->taken) && bound_holds(&part->names[i].bound, exact_of(value)))
            out->value.name = part->names[i].name;
}

size_t set_work_out(const struct set *set, const struct judgement *judgements, struct worked_out out[WORKED_OUT_MOST])
{
    size_t count = 0;

    if (set->single)
        return 0;
    for (size_t i = 0; i < kinds_count(set->kinds) && count < WORKED_OUT_MOST; i++) {
        const struct kind *kind = kinds_at(set->kinds, i);

        if (!kind->computed.given || was_sent(set, kind) || !compute(set, judgements, kind, &out[count]))
            continue;
        flag(set, &out[count++]);
    }
    return count;
}

bool part_estimate(const struct set *set, size_t reading, size_t part, struct decimal *out)
{
    const struct reading *sent = &set->readings[reading];
    const struct estimate *estimate = &sent->kind->parts[part].estimate;
    struct exact sum = {0, 1}, one;

    if (estimate->count == 0 || sent->parts[part].type != MEASURED_NONE || sent->not_taken)
        return false;
    for (size_t i = 0; i < estimate->count; i++) {
        const struct measured *measured = &sent->parts[estimate->terms[i].part];
        const struct unit *unit = sent->kind->parts[estimate->terms[i].part].unit;

        if (measured->type != MEASURED_NUMBER || !unit_exact(set->kinds, measured->value, measured->unit, unit, &one) ||
            !exact_times(one, exact_of(estimate->terms[i].times), &one) || !exact_add(sum, one, &sum))
            return false;
    }
    return exact_over(sum, exact_of(estimate->over), &sum) && exact_round(sum, estimate->places, ROUND_HALF_EVEN, out);
}
