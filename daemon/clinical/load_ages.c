/* load_ages.c - age bands: read, and compared with each other; see load.h. */
#include <string.h>

#include "clinical/load.h"
#include "wardpost/json_in.h"

/* ---- as they are written ---- */

static bool take_span(const struct place *at, const struct member *member, char *out)
{
    const bool there = true;
    struct span span;

    if (!text_is(at->json) ||
        !span_parse(json_string_value(at->json), json_string_length(at->json), &span))
        return place_fail(at, "an age is written P28D, P6W, P1M or P16Y");
    memcpy(out + member->offset, &span, sizeof(span));
    memcpy(out + member->second, &there, sizeof(there));
    return true;
}

/* ---- in days ---- */

/* How long a span of months is depends on the month of birth: tried on the first and the last days
 * of each month of four years, one of them a leap year. */
static struct stretch months_stretch(struct span span)
{
    struct stretch stretch = {INT64_MAX, 0, span.unit == 'Y' ? span.count * 12 : span.count};

    for (int month = 0; month < 48; month++)
        for (int day = 1; day <= 31; day = day == 1 ? 28 : day + 1) {
            struct date asked = {2000 + month / 12, month % 12 + 1, day}, birth;
            int64_t days;

            birth =
                date_after((struct date){asked.year, asked.month, 1}, (struct span){day - 1, 'D'});
            days = date_days(date_after(birth, span)) - date_days(birth);
            stretch.least = days < stretch.least ? days : stretch.least;
            stretch.most = days > stretch.most ? days : stretch.most;
        }
    return stretch;
}

static struct stretch stretch_of(struct span span)
{
    int64_t days = (int64_t)span.count * (span.unit == 'W' ? 7 : 1);

    if (span.unit == 'M' || span.unit == 'Y')
        return months_stretch(span);
    return (struct stretch){days, days, -1};
}

/* Whoever it is: is `a` over when `b` is? */
static bool always_by(const struct stretch *a, const struct stretch *b)
{
    return a->months >= 0 && b->months >= 0 ? a->months <= b->months : a->most <= b->least;
}

/* Is it so for nobody? */
static bool never_before(const struct stretch *a, const struct stretch *b)
{
    return a->months >= 0 && b->months >= 0 ? a->months >= b->months : a->least >= b->most;
}

struct band band_of(const struct ages *ages)
{
    struct band band = {.given = ages->given,
                        .unknown = ages->unknown,
                        .has_from = ages->has_from,
                        .has_to = ages->has_to};

    if (ages->has_from)
        band.from = stretch_of(ages->from);
    if (ages->has_to)
        band.to = stretch_of(ages->to);
    return band;
}

bool bands_overlap(const struct band *a, const struct band *b)
{
    if (a->unknown && b->unknown)
        return true;
    if (a->has_to && b->has_from && always_by(&a->to, &b->from))
        return false;
    return !(b->has_to && a->has_from && always_by(&b->to, &a->from));
}

/* ---- the member `ages` ---- */

static bool somebody_fits(const struct place *at, const struct ages *ages)
{
    const struct stretch birth = {0, 0, 0};
    struct band band = band_of(ages);

    if (!ages->has_from && !ages->has_to)
        return place_fail(at, "from or to is missing");
    if (ages->has_to && never_before(ages->has_from ? &band.from : &birth, &band.to))
        return place_fail(at, "nobody is of this age: it ends before it begins");
    return true;
}

bool take_ages(const struct place *at, const struct member *member, char *out)
{
    static const struct member members[] = {
        MEMBER("from", OPTIONAL, take_span, FLAGGED(ages, from, has_from)),
        MEMBER("to", OPTIONAL, take_span, FLAGGED(ages, to, has_to)),
        MEMBER("unknown", OPTIONAL, take_bool, INTO(ages, unknown)),
    };
    struct ages *ages = (struct ages *)(void *)(out + member->offset);

    ages->given = true;
    return SHAPE(at, members, ages) && somebody_fits(at, ages);
}

static bool span_same(bool has_a, struct span a, bool has_b, struct span b)
{
    return has_a == has_b && (!has_a || (a.count == b.count && a.unit == b.unit));
}

bool ages_same(const struct ages *a, const struct ages *b)
{
    return a->given == b->given && a->unknown == b->unknown &&
           span_same(a->has_from, a->from, b->has_from, b->from) &&
           span_same(a->has_to, a->to, b->has_to, b->to);
}
