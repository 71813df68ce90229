/* limit.c - the limits of a value: which row is broken worst, and how that is said. */
#include <stdio.h>
#include <string.h>

#include "clinical/judge.h"

/* ---- which ---- */

struct number {
    struct decimal entered;
    bool has_canonical; /* false: it was entered in the part's own unit, or the part has none */
    struct exact canonical;
};

struct outside { /* of a bound */
    const struct number *number;
    bool below;
};

/* False: it is too large for our arithmetic. */
static bool number_of(const struct kinds *kinds, const struct part *part, struct decimal value,
                      const struct unit *unit, struct number *out)
{
    *out = (struct number){.entered = value, .has_canonical = part->unit && part->unit != unit};
    return !out->has_canonical || unit_exact(kinds, value, unit, part->unit, &out->canonical);
}

/* In the unit of the row's numbers. */
static struct exact as_compared(const struct number *number, const struct limit *limit)
{
    return limit->in || !number->has_canonical ? exact_of(number->entered) : number->canonical;
}

/* As entered, exactly. Most values come in the unit of the table, and there digits are compared
 * with digits: a fraction costs ten times as much, and this runs for each row. */
static int compare(const struct number *number, const struct limit *limit, struct decimal bound)
{
    if (limit->in || !number->has_canonical)
        return decimal_compare(number->entered, bound);
    return exact_compare(number->canonical, exact_of(bound));
}

/* Each of a row's two bounds stands alone: under `below`, or over `above`. */
static bool is_outside(const struct number *number, const struct limit *limit, bool *below)
{
    *below = limit->bound.has_below && compare(number, limit, limit->bound.below) < 0;
    return *below || (limit->bound.has_above && compare(number, limit, limit->bound.above) > 0);
}

/* A row `in` a unit speaks only for values that were sent in it (mappings/README.md). */
static bool limit_fits(const struct limit *limit, const struct bearer *bearer,
                       const struct unit *entered)
{
    bool excepted =
        limit->unless.count > 0 && bearer->reading && whens_fit(&limit->unless, bearer->reading);

    return (!limit->in || limit->in == entered) && !excepted &&
           row_fits(&limit->ages, &limit->whens, bearer);
}

/* What fits the last value is no slip. */
static bool is_near(const struct number *number, const struct number *last,
                    const struct limit *limit)
{
    struct exact minus = exact_of((struct decimal){-1, 0}), difference;

    return limit->has_near && exact_times(as_compared(last, limit), minus, &minus) &&
           exact_add(as_compared(number, limit), minus, &difference) &&
           exact_compare(exact_magnitude(difference), exact_of(limit->near)) <= 0;
}

/* The patient's last value, not long ago, lay outside the same bound (it was asked about then), or
 * near this one. */
static bool was_answered(const struct kinds *kinds, const struct part *part,
                         const struct limit *limit, const struct bearer *bearer,
                         const struct outside *outside)
{
    const struct measured *last = bearer->last;
    struct number number;
    bool last_below;

    return limit->unless_last_minutes > 0 && last && last->type == MEASURED_NUMBER &&
           bearer->since_last_ms <= (int64_t)limit->unless_last_minutes * 60000 &&
           (!limit->in || limit->in == last->unit) &&
           number_of(kinds, part, last->value, last->unit, &number) &&
           ((is_outside(&number, limit, &last_below) && last_below == outside->below) ||
            is_near(outside->number, &number, limit));
}

struct worst worst_limit(const struct kinds *kinds, const struct part *part,
                         const struct bearer *bearer, struct decimal value, const struct unit *unit)
{
    struct worst worst = {GRADE_FINE, NULL, false};
    struct number number;
    bool below;

    if (!number_of(kinds, part, value, unit, &number))
        return (struct worst){GRADE_REFUSE, NULL, false};
    for (size_t i = 0; i < part->limits_count; i++) {
        const struct limit *limit = &part->limits[i];

        if (limit->grade > worst.grade && is_outside(&number, limit, &below) &&
            limit_fits(limit, bearer, unit) &&
            !was_answered(kinds, part, limit, bearer, &(struct outside){&number, below}))
            worst = (struct worst){limit->grade, limit, below};
    }
    return worst;
}

/* ---- how it is said ---- */

static const struct conversion *conversion_between(const struct kinds *kinds,
                                                   const struct unit *from, const struct unit *to)
{
    for (size_t i = 0; i < kinds->conversions_count; i++)
        if (kinds->conversions[i].from == from && kinds->conversions[i].to == to)
            return &kinds->conversions[i];
    return NULL;
}

/* The table's way from the value's unit, walked backwards. For a message only: nothing that is
 * compared or charted is ever converted so. */
static bool turn_back(const struct conversion *way, struct decimal bound, struct exact *out)
{
    struct exact add = exact_of(way->add);

    add.over = -add.over;
    return exact_times(exact_of(bound), exact_of(way->over), out) &&
           exact_over(*out, exact_of(way->times), out) && exact_add(*out, add, out);
}

static struct decimal without_end_zeros(struct decimal value)
{
    while (value.scale > 0 && value.digits % 10 == 0)
        value = (struct decimal){value.digits / 10, value.scale - 1};
    return value;
}

/* The bound as the person who entered the value thinks of it; in the table's own unit where that
 * does not work. */
static const struct unit *bound_for_person(const struct limit_words *words,
                                           const struct limit *limit, struct decimal *bound)
{
    const struct unit *own = limit->in ? limit->in : words->part->unit;
    const struct unit *entered = words->own->unit;
    const struct conversion *way;
    struct decimal turned;
    struct exact exact;

    if (!own || !entered || own == entered)
        return own ? own : entered;
    way = conversion_between(words->scope->judging->set->kinds, entered, own);
    if (!way || !turn_back(way, *bound, &exact) ||
        !exact_round(exact, entered->places, ROUND_HALF_EVEN, &turned) ||
        (turned.digits == 0 && exact.over != 0)) /* too coarse a unit to say it in */
        return own;
    *bound = without_end_zeros(turned);
    return entered;
}

static void quantity_text(struct decimal value, const struct unit *unit, char out[64])
{
    char digits[DECIMAL_TEXT_ROOM];

    (void)decimal_text(value, digits);
    (void)snprintf(out, 64, "%s%s%.30s", digits, unit ? " " : "", unit ? unit->text : "");
}

/* What the row itself has to say, behind a semicolon. */
static void add_say(const struct limit_words *words, const struct limit *limit, char *out,
                    size_t room)
{
    const struct say say = {words->scope, words->kind, limit->say, words->own};

    if (!limit->say || room < 3)
        return;
    out[0] = ';';
    out[1] = ' ';
    say_text(&say, out + 2, room - 2);
}

void limit_detail(const struct limit_words *words, const struct worst *worst, char out[DETAIL_ROOM])
{
    static const char *const ends[] = {
        [GRADE_FINE] = "",
        [GRADE_NOTE] = "",
        [GRADE_ASK] = ": is it right? Measure again, or confirm",
        [GRADE_OVERRIDE] =
            ": taken only with an override, on the word of a second person or device",
        [GRADE_REFUSE] = ", which cannot be",
    };
    const struct limit *limit = worst->limit;
    char value[64], bound_text[64];
    const struct unit *unit;
    struct decimal bound;
    size_t used;

    quantity_text(words->own->value, words->own->unit, value);
    if (!limit) {
        (void)snprintf(out, DETAIL_ROOM, "%.80s %s is a number that cannot be converted",
                       words->part->title, value);
        return;
    }
    bound = worst->below ? limit->bound.below : limit->bound.above;
    unit = bound_for_person(words, limit, &bound);
    quantity_text(bound, unit, bound_text);
    (void)snprintf(out, DETAIL_ROOM, "%.80s %s%s is %s %s%s", words->part->title, value, words->of,
                   worst->below ? "below" : "above", bound_text, ends[worst->grade]);
    used = strlen(out);
    add_say(words, limit, out + used, DETAIL_ROOM - used);
}
