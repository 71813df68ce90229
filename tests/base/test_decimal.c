/* test_decimal.c - digits as sent, and what they are worth. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "wardpost/decimal.h"

#define COUNT(table) (sizeof(table) / sizeof((table)[0]))

static const struct {
    const char *text;
    int64_t digits;
    unsigned scale;
    const char *written; /* NULL: as it was read */
} taken[] = {
    {"0",                 0,                0, NULL  },
    {"72",                72,               0, NULL  },
    {"98.6",              986,              1, NULL  },
    {"98.60",             9860,             2, NULL  },
    {"-0.5",              -5,               1, NULL  },
    {"-0",                0,                0, "0"   },
    {"-0.00",             0,                2, "0.00"},
    {"0.05",              5,                2, NULL  },
    {"-40",               -40,              0, NULL  },
    {"100",               100,              0, NULL  },
    {"0.000000001",       1,                9, NULL  },
    {"999999999999999",   999999999999999,  0, NULL  },
    {"-999999999999999",  -999999999999999, 0, NULL  },
    {"-999999.999999999", -999999999999999, 9, NULL  },
    {"0.999999999",       999999999,        9, NULL  },
};

/* RFC 8259 6, less the exponent; more than 15 digits or 9 places are ours (decimal.h). */
static const char *const refused[] = {
    "",
    "-",
    "+1",
    ".5",
    "-.5",
    "5.",
    "00",
    "01",
    "-01",
    "1e2",
    "1E2",
    "1e",
    "NaN",
    "nan",
    "1,5",
    " 1",
    "1 ",
    "1.2.3",
    "--1",
    "1-",
    "0x10",
    "1_000",
    "１",
    "Infinity",
    "1.-2",
    "-",
    "0.1e1",
    "1.",
    "00.1",
    "- 1",
    "1/2",
    "-Infinity",
    "1\t",
    "1\n",
    "٣",
    "½",
    "e5",
    "1e400",
    "0..1",
    "1.0.",
    "1000000000000000",
    "9999999999999999",
    "-1000000000000000",
    "1234567.123456789",
    "0.0000000001",
    "1.0000000000",
    "123456789012345678901234567890123456789012345678901234567890",
};

static struct decimal read_sure(const char *text)
{
    struct decimal value = {0};

    assert_true(decimal_parse(text, strlen(text), &value));
    return value;
}

static void test_digits_are_read_and_written_as_they_are(void **state)
{
    (void)state;
    for (size_t i = 0; i < COUNT(taken); i++) {
        const char *expected = taken[i].written ? taken[i].written : taken[i].text;
        struct decimal value = read_sure(taken[i].text);
        char text[DECIMAL_TEXT_ROOM];

        assert_int_equal(value.digits, taken[i].digits);
        assert_int_equal(value.scale, taken[i].scale);
        assert_int_equal(decimal_text(value, text), strlen(expected));
        assert_string_equal(text, expected);
    }
}

static void test_what_is_no_such_number_leaves_the_output_alone(void **state)
{
    (void)state;
    for (size_t i = 0; i < COUNT(refused); i++) {
        struct decimal value = {-77, 7};

        if (decimal_parse(refused[i], strlen(refused[i]), &value))
            fail_msg("\"%s\" was taken", refused[i]);
        assert_int_equal(value.digits, -77);
        assert_int_equal(value.scale, 7);
    }
}

static void test_only_the_given_length_is_read(void **state)
{
    struct decimal value;

    (void)state;
    assert_true(decimal_parse("98.65", 4, &value));
    assert_true(decimal_same(value, (struct decimal){986, 1}));
    assert_false(decimal_parse("7\0", 2, &value));
}

static const struct {
    const char *a, *b;
    int order;
} pairs[] = {
    {"98.6",             "98.60",        0 },
    {"0",                "0.000000000",  0 },
    {"-0",               "0.0",          0 },
    {"98.6",             "98.61",        -1},
    {"-98.6",            "-98.61",       1 },
    {"-1",               "1",            -1},
    {"999999999999999",  "0.000000001",  1 },
    {"999999.999999999", "1000000",      -1},
    {"0.1",              "0.10000001",   -1},
    {"120",              "119.99999999", 1 },
};

static void test_order_is_by_value(void **state)
{
    (void)state;
    for (size_t i = 0; i < COUNT(pairs); i++) {
        struct decimal a = read_sure(pairs[i].a), b = read_sure(pairs[i].b);

        assert_int_equal(decimal_compare(a, b), pairs[i].order);
        assert_int_equal(decimal_compare(b, a), -pairs[i].order);
    }
}

static void test_same_is_by_digits(void **state)
{
    (void)state;
    assert_true(decimal_same(read_sure("98.6"), read_sure("98.6")));
    assert_false(decimal_same(read_sure("98.6"), read_sure("98.60")));
    assert_false(decimal_same(read_sure("986"), read_sure("98.6")));
    assert_true(decimal_same(read_sure("-0"), read_sure("0")));
}

static void test_whole_is_by_value(void **state)
{
    static const char *const whole[] = {"0", "-3", "72.0", "1000", "5.000000000", "-0.0"};
    static const char *const broken[] = {"0.1", "-3.5", "72.000000001", "999999.999999999"};

    (void)state;
    for (size_t i = 0; i < COUNT(whole); i++)
        assert_true(decimal_is_whole(read_sure(whole[i])));
    for (size_t i = 0; i < COUNT(broken); i++)
        assert_false(decimal_is_whole(read_sure(broken[i])));
}

/* splitmix64 with a fixed seed (S. Vigna, public domain; constants from memory). Any spread would
 * do. */
static uint64_t next_chance(uint64_t *state)
{
    uint64_t mixed = *state += 0x9E3779B97F4A7C15U;

    mixed = (mixed ^ mixed >> 30) * 0xBF58476D1CE4E5B9U;
    mixed = (mixed ^ mixed >> 27) * 0x94D049BB133111EBU;
    return mixed ^ mixed >> 31;
}

static struct decimal any_decimal(uint64_t *chance)
{
    int64_t most = 1;

    for (uint64_t places = next_chance(chance) % 16; places > 0; places--)
        most *= 10;
    return (struct decimal){(int64_t)(next_chance(chance) % (uint64_t)(2 * most - 1)) - (most - 1),
                            (unsigned)(next_chance(chance) % 10)};
}

static void test_any_decimal_survives_its_text(void **state)
{
    uint64_t chance = 1;

    (void)state;
    for (int i = 0; i < 20000; i++) {
        struct decimal value = any_decimal(&chance), again;
        char text[DECIMAL_TEXT_ROOM];
        size_t length = decimal_text(value, text);

        assert_int_equal(length, strlen(text));
        assert_true(decimal_parse(text, length, &again));
        assert_true(decimal_same(value, again));
    }
}

/* Against exact.c, which compares in another way. */
static void test_any_two_decimals_have_one_order(void **state)
{
    uint64_t chance = 2;

    (void)state;
    for (int i = 0; i < 20000; i++) {
        struct decimal a = any_decimal(&chance), b = any_decimal(&chance);

        assert_int_equal(decimal_compare(a, b), exact_compare(exact_of(a), exact_of(b)));
        assert_int_equal(decimal_compare(a, b), -decimal_compare(b, a));
        assert_int_equal(decimal_compare(a, a), 0);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_digits_are_read_and_written_as_they_are),
        cmocka_unit_test(test_what_is_no_such_number_leaves_the_output_alone),
        cmocka_unit_test(test_only_the_given_length_is_read),
        cmocka_unit_test(test_order_is_by_value),
        cmocka_unit_test(test_same_is_by_digits),
        cmocka_unit_test(test_whole_is_by_value),
        cmocka_unit_test(test_any_decimal_survives_its_text),
        cmocka_unit_test(test_any_two_decimals_have_one_order),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
