/* unit.c - spellings of units, and exact conversions by the table. Source of the factors: mappings/units.json. */
#include <stdlib.h>
#include <string.h>

#include "clinical/clinical_private.h"

static int by_spelling(const void *key, const void *item)
{
    return strcmp(key, ((const struct spelling *)item)->text);
}

static const struct unit *unit_spelled(const struct kinds *kinds, const char *spelling)
{
    const struct spelling *found =
        kinds->spellings_count == 0
            ? NULL
            : bsearch(spelling, kinds->spellings, kinds->spellings_count, sizeof(*kinds->spellings), by_spelling);

    return found ? found->unit : NULL;
}

const struct unit *kinds_unit(const struct kinds *kinds, const char *code)
{
    const struct unit *unit = unit_spelled(kinds, code);

    return unit && strcmp(unit->code, code) == 0 ? unit : NULL;
}

const struct unit *part_unit(const struct kinds *kinds, const struct part *part, const char *spelling)
{
    const struct unit *unit = unit_spelled(kinds, spelling);

    for (size_t i = 0; unit && i < part->accepts_count; i++)
        if (part->accepts[i] == unit)
            return unit;
    return NULL;
}

static const struct conversion *find_conversion(const struct kinds *kinds, const struct unit *from, const struct unit *to)
{
    for (size_t i = 0; i < kinds->conversions_count; i++)
        if (kinds->conversions[i].from == from && kinds->conversions[i].to == to)
            return &kinds->conversions[i];
    return NULL;
}

bool unit_exact(const struct kinds *kinds, struct decimal value, const struct unit *from, const struct unit *to, struct exact *out)
{
    const struct conversion *conversion;
    struct exact exact = exact_of(value);

    if (from != to) {
        conversion = find_conversion(kinds, from, to);
        if (!conversion || !exact_add(exact, exact_of(conversion->add), &exact) ||
            !exact_times(exact, exact_of(conversion->times), &exact) || !exact_over(exact, exact_of(conversion->over), &exact))
            return false;
    }
    *out = exact;
    return true;
}

bool unit_convert(const struct kinds *kinds, struct decimal value, const struct unit *from, const struct unit *to, struct decimal *out)
{
    struct exact exact;

    if (from == to) {
        *out = value;
        return true;
    }
    return unit_exact(kinds, value, from, to, &exact) && exact_round(exact, to->places, ROUND_HALF_EVEN, out);
}
