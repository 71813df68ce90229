/* exact.c - fractions that do not round before the end; see wardpost/decimal.h. */
#include "wardpost/decimal.h"

static const int64_t tens[] = {1,       10,       100,       1000,       10000,
                               100000, 1000000, 10000000, 100000000, 1000000000};

static wide magnitude(wide value)
{
    return value < 0 ? -value : value;
}

static wide common_divisor(wide a, wide b)
{
    while (b != 0) {
        wide rest = a % b;

        a = b;
        b = rest;
    }
    return a;
}

static struct exact reduced(wide over, wide under)
{
    wide divisor = common_divisor(magnitude(over), under);

    return divisor > 1 ? (struct exact){over / divisor, under / divisor} : (struct exact){over, under};
}

struct exact exact_of(struct decimal value)
{
    return value.scale == 0 ? (struct exact){value.digits, 1} : reduced(value.digits, tens[value.scale]);
}

bool exact_add(struct exact a, struct exact b, struct exact *out)
{
    wide left, right, under, sum;

    if (__builtin_mul_overflow(a.over, b.under, &left) || __builtin_mul_overflow(b.over, a.under, &right) ||
        __builtin_mul_overflow(a.under, b.under, &under) || __builtin_add_overflow(left, right, &sum))
        return false;
    *out = reduced(sum, under);
    return true;
}

bool exact_times(struct exact a, struct exact b, struct exact *out)
{
    wide over, under;

    if (__builtin_mul_overflow(a.over, b.over, &over) || __builtin_mul_overflow(a.under, b.under, &under))
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

/* By continued fractions, so that no product has to fit: compare the whole parts, then the turned rests. */
int exact_compare(struct exact a, struct exact b)
{
    int turned = 1;

    for (;;) {
        wide whole_a = a.over / a.under - (a.over % a.under < 0);
        wide whole_b = b.over / b.under - (b.over % b.under < 0);
        wide rest_a = a.over - whole_a * a.under;
        wide rest_b = b.over - whole_b * b.under;

        if (whole_a != whole_b)
            return whole_a > whole_b ? turned : -turned;
        if (rest_a == 0 || rest_b == 0)
            return rest_a == rest_b ? 0 : (rest_a > 0 ? turned : -turned);
        a = (struct exact){a.under, rest_a};
        b = (struct exact){b.under, rest_b};
        turned = -turned;
    }
}

static wide round_up(wide whole, wide rest, wide under, enum rounding how)
{
    wide twice = magnitude(rest) * 2;
    wide away = rest < 0 ? -1 : 1;

    if (twice < under || (twice == under && how == ROUND_HALF_EVEN && whole % 2 == 0))
        return whole;
    return whole + away;
}

bool exact_round(struct exact value, unsigned places, enum rounding how, struct decimal *out)
{
    wide over, rounded;

    if (places > DECIMAL_PLACES_MOST || value.under > ((wide)1 << 125) ||
        __builtin_mul_overflow(value.over, (wide)tens[places], &over))
        return false;
    rounded = round_up(over / value.under, over % value.under, value.under, how);
    if (magnitude(rounded) > (wide)999999999999999)
        return false;
    out->digits = (int64_t)rounded;
    out->scale = places;
    return true;
}
