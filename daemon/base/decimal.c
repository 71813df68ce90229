/* decimal.c - digits and a scale; see wardpost/decimal.h. */
#include <assert.h>

#include "base/decimal_private.h"

int64_t decimal_ten_to(unsigned places)
{
    static const int64_t tens[] = {1,      10,      100,      1000,      10000,
                                   100000, 1000000, 10000000, 100000000, 1000000000};

    assert(places <= DECIMAL_PLACES_MOST);
    return tens[places];
}

static bool is_digit(char c)
{
    return c >= '0' && c <= '9';
}

/* -?(0|[1-9][0-9]*)(\.[0-9]+)? : RFC 8259 6 without the exponent. */
static bool scan(const char *text, size_t length, size_t *whole_start, size_t *point)
{
    size_t at = length > 0 && text[0] == '-';

    *whole_start = at;
    if (at == length || !is_digit(text[at]))
        return false;
    if (text[at] == '0')
        at++;
    else
        while (at < length && is_digit(text[at]))
            at++;
    *point = at;
    if (at == length)
        return true;
    if (text[at] != '.' || ++at == length)
        return false;
    while (at < length && is_digit(text[at]))
        at++;
    return at == length;
}

bool decimal_parse(const char *text, size_t length, struct decimal *out)
{
    size_t start = 0, point = 0, places;
    int64_t digits = 0;

    if (!scan(text, length, &start, &point))
        return false;
    places = point < length ? length - point - 1 : 0;
    if (places > DECIMAL_PLACES_MOST || point - start + places > DECIMAL_DIGITS_MOST)
        return false;
    for (size_t at = start; at < length; at++)
        if (at != point)
            digits = digits * 10 + (text[at] - '0');
    out->digits = start > 0 ? -digits : digits;
    out->scale = (unsigned)places;
    return true;
}

size_t decimal_text(struct decimal value, char out[DECIMAL_TEXT_ROOM])
{
    char reversed[DECIMAL_TEXT_ROOM];
    uint64_t rest =
        value.digits < 0 ? (uint64_t)0 - (uint64_t)value.digits : (uint64_t)value.digits;
    size_t count = 0, length = 0;
    unsigned place = 0;

    assert(value.scale <= DECIMAL_PLACES_MOST);
    do {
        if (place == value.scale && value.scale > 0)
            reversed[count++] = '.';
        reversed[count++] = (char)('0' + rest % 10);
        rest /= 10;
        place++;
    } while (rest > 0 || place <= value.scale);
    if (value.digits < 0)
        out[length++] = '-';
    while (count > 0)
        out[length++] = reversed[--count];
    out[length] = '\0';
    return length;
}

int decimal_compare(struct decimal a, struct decimal b)
{
    wide left = (wide)a.digits * (b.scale > a.scale ? decimal_ten_to(b.scale - a.scale) : 1);
    wide right = (wide)b.digits * (a.scale > b.scale ? decimal_ten_to(a.scale - b.scale) : 1);

    return (left > right) - (left < right);
}

bool decimal_same(struct decimal a, struct decimal b)
{
    return a.digits == b.digits && a.scale == b.scale;
}

bool decimal_is_whole(struct decimal value)
{
    return value.digits % decimal_ten_to(value.scale) == 0;
}
