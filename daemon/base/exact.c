/* exact.c - fractions that do not round before the end; see wardpost/decimal.h. */
#include "base/decimal_private.h"

#define WIDE_MOST (((wide)INT64_MAX << 64) | (wide)UINT64_MAX)
#define DIGITS_PAST \
    ((wide)1000000000000000) /* the first number with more than DECIMAL_DIGITS_MOST digits */

static wide magnitude(wide value)
{
    return value < 0 ? -value : value;
}

/* The lowest value has no magnitude, so a result may not be it. */
static bool multiply(wide a, wide b, wide *out)
{
    return !__builtin_mul_overflow(a, b, out) && *out >= -WIDE_MOST;
}

static uint64_t common_divisor_small(uint64_t a, uint64_t b)
{
    while (b != 0) {
        uint64_t rest = a % b;

        a = b;
        b = rest;
    }
    return a;
}

/* Dividing 128 bits costs much more than dividing 64, and bedside numbers soon are that small. */
static wide common_divisor(wide a, wide b)
{
    while (b > (wide)UINT64_MAX) {
        wide rest = a % b;

        a = b;
        b = rest;
    }
    return b == 0 ? a : (wide)common_divisor_small((uint64_t)b, (uint64_t)(a % b));
}

static struct exact reduced(wide over, wide under)
{
    wide divisor = common_divisor(magnitude(over), under);

    return divisor > 1 ? (struct exact){over / divisor, under / divisor}
                       : (struct exact){over, under};
}

struct exact exact_of(struct decimal value)
{
    return reduced(value.digits, decimal_ten_to(value.scale));
}

bool exact_add(struct exact a, struct exact b, struct exact *out)
{
    wide left, right, under, sum;

    if (!multiply(a.over, b.under, &left) || !multiply(b.over, a.under, &right) ||
        !multiply(a.under, b.under, &under) || __builtin_add_overflow(left, right, &sum) ||
        sum < -WIDE_MOST)
        return false;
    *out = reduced(sum, under);
    return true;
}

bool exact_times(struct exact a, struct exact b, struct exact *out)
{
    wide over, under;

    if (!multiply(a.over, b.over, &over) || !multiply(a.under, b.under, &under))
        return false;
    *out = reduced(over, under);
    return true;
}

bool exact_over(struct exact a, struct exact b, struct exact *out)
{
    struct exact turned = {b.over < 0 ? -b.under : b.under, magnitude(b.over)};

    return b.over != 0 && exact_times(a, turned, out);
}

struct exact exact_magnitude(struct exact a)
{
    return (struct exact){magnitude(a.over), a.under};
}

/* over / under as a whole number and a rest of 0 <= rest < under. */
static wide floor_of(struct exact value, wide *rest)
{
    *rest = value.over % value.under;
    if (*rest >= 0)
        return value.over / value.under;
    *rest += value.under;
    return value.over / value.under - 1;
}

/* By continued fractions, where the products do not fit: compare the whole parts, then the rests
 * turned over. */
static int compare_by_parts(struct exact a, struct exact b)
{
    int turned = 1;

    for (;;) {
        wide rest_a, rest_b;
        wide whole_a = floor_of(a, &rest_a), whole_b = floor_of(b, &rest_b);

        if (whole_a != whole_b)
            return whole_a > whole_b ? turned : -turned;
        if (rest_a == 0 || rest_b == 0)
            return turned * ((rest_a > rest_b) - (rest_a < rest_b));
        a = (struct exact){a.under, rest_a};
        b = (struct exact){b.under, rest_b};
        turned = -turned;
    }
}

int exact_compare(struct exact a, struct exact b)
{
    wide left, right;

    if (multiply(a.over, b.under, &left) && multiply(b.over, a.under, &right))
        return (left > right) - (left < right);
    return compare_by_parts(a, b);
}

/* `whole` and `rest` are of one sign (C17 6.5.5); the rest against what is missing to the next
 * whole number. */
static wide round_whole(wide whole, wide rest, wide under, enum rounding how)
{
    wide away = rest < 0 ? -1 : 1;
    wide lies = magnitude(rest), lacks = under - lies;

    if (lies < lacks || (lies == lacks && how == ROUND_HALF_EVEN && whole % 2 == 0))
        return whole;
    return whole + away;
}

bool exact_round(struct exact value, unsigned places, enum rounding how, struct decimal *out)
{
    wide over, rounded;

    if (places > DECIMAL_PLACES_MOST || !multiply(value.over, decimal_ten_to(places), &over))
        return false;
    rounded = round_whole(over / value.under, over % value.under, value.under, how);
    if (magnitude(rounded) >= DIGITS_PAST)
        return false;
    out->digits = (int64_t)rounded;
    out->scale = places;
    return true;
}
