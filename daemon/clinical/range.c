/* range.c - what is charted of a value, and how it lies in the range for this patient. */
#include "clinical/judge.h"

/* ---- what is charted ---- */

static bool goes_as_entered(const struct judging *judging, const struct part *part,
                            const struct unit *unit)
{
    if (!part->unit || unit == part->unit)
        return true; /* the unit decides the code, or there is nothing to convert */
    for (size_t i = 0; judging->frame->as_entered && i < part->as_entered_count; i++)
        if (part->as_entered[i] == unit)
            return true;
    return false;
}

bool value_chart(const struct judging *judging, const struct part *part, struct decimal value,
                 const struct unit *unit, struct judged *out)
{
    if (goes_as_entered(judging, part, unit)) {
        out->charted = value;
        out->unit = unit;
        out->has_charted = true;
        return true;
    }
    out->unit = part->unit;
    out->has_charted = unit_convert(judging->set->kinds, value, unit, part->unit, &out->charted);
    return out->has_charted;
}

/* ---- how it lies in its range ---- */

static enum interpretation interpret(const struct range *range, struct decimal value)
{
    if (range->has_low_critical && decimal_compare(value, range->low_critical) < 0)
        return INTERPRETATION_LOW_CRITICAL;
    if (range->has_high_critical && decimal_compare(value, range->high_critical) > 0)
        return INTERPRETATION_HIGH_CRITICAL;
    if (range->has_low && decimal_compare(value, range->low) < 0)
        return INTERPRETATION_LOW;
    if (range->has_high && decimal_compare(value, range->high) > 0)
        return INTERPRETATION_HIGH;
    return INTERPRETATION_NORMAL;
}

struct charted { /* one value, ready for the rows */
    const struct part *part;
    const struct bearer *bearer;
    const struct unit *entered;
    const struct judged *judged;
    bool has_canonical;
    struct decimal canonical; /* what is charted, in the part's unit */
};

/* A row `in` a unit speaks only for values sent in it, and only where they are charted in it, too:
 * a range beside a value of another unit says nothing. */
static bool row_speaks(const struct charted *charted, const struct unit *in,
                       const struct ages *ages, const struct whens *whens)
{
    if (in ? in != charted->entered || in != charted->judged->unit : !charted->has_canonical)
        return false;
    return row_fits(ages, whens, charted->bearer);
}

static struct decimal value_for(const struct charted *charted, const struct unit *in)
{
    return in ? charted->judged->charted : charted->canonical;
}

static const struct range *find_range(const struct charted *charted)
{
    for (size_t i = 0; i < charted->part->ranges_count; i++) {
        const struct range *range = &charted->part->ranges[i];

        if (row_speaks(charted, range->in, &range->ages, &range->whens))
            return range;
    }
    return NULL;
}

static const char *find_name(const struct charted *charted)
{
    for (size_t i = 0; i < charted->part->names_count; i++) {
        const struct state_name *name = &charted->part->names[i];

        if (row_speaks(charted, name->in, &name->ages, &name->whens) &&
            bound_holds(&name->bound, exact_of(value_for(charted, name->in))))
            return name->name;
    }
    return NULL;
}

void value_flag(const struct kinds *kinds, const struct part *part, const struct bearer *bearer,
                const struct unit *entered, struct judged *out)
{
    struct charted charted = {.part = part,
                              .bearer = bearer,
                              .entered = entered,
                              .judged = out,
                              .has_canonical = true,
                              .canonical = out->charted};

    if (part->unit)
        charted.has_canonical =
            unit_convert(kinds, out->charted, out->unit, part->unit, &charted.canonical);
    out->range = find_range(&charted);
    if (out->range)
        out->interpretation = interpret(out->range, value_for(&charted, out->range->in));
    out->name = find_name(&charted);
}

/* ---- its words: HL7 v3-ObservationInterpretation; displays as in R4's own code system ---- */

static const struct {
    const char *code, *display;
} interpretations[] = {
    [INTERPRETATION_NONE] = {NULL, NULL           },
    [INTERPRETATION_NORMAL] = {"N",  "Normal"       },
    [INTERPRETATION_LOW] = {"L",  "Low"          },
    [INTERPRETATION_HIGH] = {"H",  "High"         },
    [INTERPRETATION_LOW_CRITICAL] = {"LL", "Critical low" },
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
