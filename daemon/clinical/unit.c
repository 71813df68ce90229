/* unit.c - spellings of units, and exact conversions by the table; see wardpost/kind.h. The factors
 * and their sources stand in mappings/units.json. */
#include <stdlib.h>
#include <string.h>

#include "clinical/clinical_private.h"

/* ---- spellings ---- */

static int spelling_before(const void *key, const void *item)
{
    return strcmp(key, ((const struct spelling *)item)->text);
}

static const struct unit *unit_spelled(const struct kinds *kinds, const char *spelling)
{
    const struct spelling *found = bsearch(spelling, kinds->spellings, kinds->spellings_count,
                                           sizeof(*kinds->spellings), spelling_before);

    return found ? found->unit : NULL;
}

const struct unit *kinds_unit(const struct kinds *kinds, const char *code)
{
    const struct unit *unit = unit_spelled(kinds, code);

    return unit && strcmp(unit->code, code) == 0 ? unit : NULL;
}

const struct unit *part_unit(const struct kinds *kinds, const struct part *part,
                             const char *spelling)
{
    const struct unit *unit = unit_spelled(kinds, spelling);

    for (size_t i = 0; unit && i < part->accepts_count; i++)
        if (part->accepts[i] == unit)
            return unit;
    return NULL;
}

/* ---- conversions ---- */

static const struct conversion *find_conversion(const struct kinds *kinds, const struct unit *from,
                                                const struct unit *to)
{
    for (size_t i = 0; i < kinds->conversions_count; i++)
        if (kinds->conversions[i].from == from && kinds->conversions[i].to == to)
            return &kinds->conversions[i];
    return NULL;
}

/* (value + add) x times / over: Fahrenheit's zero is shifted first, then scaled. */
bool unit_exact(const struct kinds *kinds, struct decimal value, const struct unit *from,
                const struct unit *to, struct exact *out)
{
    const struct conversion *way;
    struct exact exact = exact_of(value);

    if (from != to) {
        way = find_conversion(kinds, from, to);
        if (!way || !exact_add(exact, exact_of(way->add), &exact) ||
            !exact_times(exact, exact_of(way->times), &exact) ||
            !exact_over(exact, exact_of(way->over), &exact))
            return false;
    }
    *out = exact;
    return true;
}

bool unit_convert(const struct kinds *kinds, struct decimal value, const struct unit *from,
                  const struct unit *to, struct decimal *out)
{
    struct exact exact;

    if (from == to) {
        *out = value;
        return true;
    }
    return unit_exact(kinds, value, from, to, &exact) &&
           exact_round(exact, to->places, ROUND_HALF_EVEN, out);
}
