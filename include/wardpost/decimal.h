/* decimal.h - numbers that keep the digits they were sent with (design 5).
 *
 * A decimal is digits x 10^-scale: {986, 1} is 98.6 and {9860, 2} is 98.60; the two are equal in value and
 * differ in what they say about precision. At most 15 significant digits and 9 places are taken.
 * An exact is a fraction, for conversions and sums that must not round before the end.
 * Pure: no I/O, no allocation, no globals. Any thread. */
#ifndef WARDPOST_DECIMAL_H
#define WARDPOST_DECIMAL_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct decimal {
    int64_t digits;
    unsigned scale;
};

#define DECIMAL_TEXT_ROOM 24
#define DECIMAL_PLACES_MOST 9U

/* A JSON number without exponent: -?(0|[1-9][0-9]*)(\.[0-9]+)? . False for anything else, for more than 15
 * digits or 9 places; *out is then untouched. "-0" reads as 0. */
bool decimal_parse(const char *text, size_t length, struct decimal *out);

/* Writes the digits with their scale, NUL at the end; returns the length. */
size_t decimal_text(struct decimal value, char out[DECIMAL_TEXT_ROOM]);

/* <0, 0, >0 by value: 98.6 and 98.60 are equal. */
int decimal_compare(struct decimal a, struct decimal b);

/* Equal in value and in digits: 98.6 and 98.60 are not. */
bool decimal_same(struct decimal a, struct decimal b);

bool decimal_is_whole(struct decimal value);

__extension__ typedef __int128 wide;

struct exact {
    wide over, under; /* over / under, under > 0, reduced */
};

/* All of these return false when 127 bits do not hold the result; *out is then untouched. */
struct exact exact_of(struct decimal value);
bool exact_add(struct exact a, struct exact b, struct exact *out);
bool exact_times(struct exact a, struct exact b, struct exact *out);
bool exact_over(struct exact a, struct exact b, struct exact *out); /* false also for b = 0 */
struct exact exact_magnitude(struct exact a);
int exact_compare(struct exact a, struct exact b); /* exact, whatever the size */

enum rounding {
    ROUND_HALF_EVEN, /* conversions (design 5) */
    ROUND_HALF_UP    /* scores: away from zero at the half */
};

/* Rounded once to `places` decimals (0..9), which all are kept: 37 at one place is 37.0. */
bool exact_round(struct exact value, unsigned places, enum rounding how, struct decimal *out);

#endif
