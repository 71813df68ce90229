/* fuzz_decimal.c - any bytes to decimal_parse(); what it takes must survive being written, compared
 * and rounded. Two decimals parted by a blank are put through the arithmetic of exact.c, which is
 * checked against its own inverse. */
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "must.h"
#include "wardpost/decimal.h"

static void check_one(const char *text, size_t length, struct decimal value)
{
    char written[DECIMAL_TEXT_ROOM];
    size_t count = decimal_text(value, written);
    struct decimal again;

    must(count == strlen(written) && count < sizeof(written));
    must(value.scale <= DECIMAL_PLACES_MOST);
    must(value.digits > -1000000000000000 && value.digits < 1000000000000000);
    if (value.digits == 0 && text[0] == '-') { /* -0 reads as 0 */
        text++;
        length--;
    }
    must(count == length && memcmp(text, written, length) == 0);
    must(decimal_parse(written, count, &again) && decimal_same(value, again));
    must(exact_round(exact_of(value), value.scale, ROUND_HALF_EVEN, &again) &&
         decimal_same(value, again));
    must(decimal_compare(value, again) == 0);
}

static void check_two(struct decimal a, struct decimal b)
{
    const struct exact x = exact_of(a), y = exact_of(b);
    struct exact there, back;

    must(exact_compare(x, y) == decimal_compare(a, b));
    must(exact_compare(x, y) == -exact_compare(y, x));
    must(decimal_compare(a, b) == 0 || !decimal_same(a, b));
    must(exact_add(x, y, &there));
    must(exact_add(there, (struct exact){-y.over, y.under}, &back));
    must(exact_compare(back, x) == 0 && there.under > 0);
    must(exact_compare(there, x) == (y.over > 0) - (y.over < 0));
    must(exact_times(x, y, &there));
    if (b.digits == 0) {
        must(!exact_over(x, y, &there));
        return;
    }
    must(exact_over(there, y, &back));
    must(exact_compare(back, x) == 0);
}

/* NOLINTNEXTLINE(readability-identifier-naming): the name is libFuzzer's */
int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t length);

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t length)
{
    const char *text = (const char *)bytes;
    const char *blank = length > 0 ? memchr(text, ' ', length) : NULL;
    size_t first = blank ? (size_t)(blank - text) : length;
    struct decimal a = {-7, 77}, b;

    if (!decimal_parse(text, first, &a)) {
        must(a.digits == -7 && a.scale == 77); /* untouched */
        return 0;
    }
    check_one(text, first, a);
    if (blank && decimal_parse(blank + 1, length - first - 1, &b))
        check_two(a, b);
    return 0;
}
