/* test_exact.c - fractions: nothing is lost before the one rounding, and nothing wraps. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>

#include "wardpost/decimal.h"

#define COUNT(table) (sizeof(table) / sizeof((table)[0]))
#define WIDE_MOST    (((wide)INT64_MAX << 64) | (wide)UINT64_MAX)

static struct decimal decimal(const char *text)
{
    struct decimal value = {0};

    if (!decimal_parse(text, strlen(text), &value))
        fail_msg("\"%s\" is no decimal", text);
    return value;
}

static struct exact exact(const char *text)
{
    return exact_of(decimal(text));
}

static void assert_exact(struct exact seen, int64_t over, int64_t under)
{
    assert_true(seen.over == over && seen.under == under);
}

static void assert_rounds(struct exact value, unsigned places, enum rounding how,
                          const char *expected)
{
    char text[DECIMAL_TEXT_ROOM] = "";
    struct decimal rounded;

    assert_true(exact_round(value, places, how, &rounded));
    decimal_text(rounded, text);
    assert_string_equal(text, expected);
}

/* ---- conversions: fhir-vitals.md 5.3, whose figures come from decimal arithmetic and a UCUM
 * library ---- (value - before) x over / under + after. Factors from UCUM: [degF] = degf(5 K/9),
 * Cel = cel(1 K), m[Hg] = 133.3220 kPa, m[H2O] = 9.80665 kPa, [lb_av] = 7000 [gr], [gr] = 64.79891
 * mg, [stone_av] = 14 [lb_av], [oz_av] = [lb_av]/16, [in_i] = 2.54 cm, [ft_i] = 12 [in_i]; glucose
 * 180.156 g/mol (fhir-vitals.md 5). */
static const struct {
    const char *value, *before, *over, *under, *after;
    const char *exact; /* cut behind 9 places where it goes on */
    bool goes_on;
    unsigned places;
    const char *rounded;
} conversions[] = {
    {"98.6",   "32",     "5",          "9",          "0",  "37",            false, 1, "37.0" },
    {"100.4",  "32",     "5",          "9",          "0",  "38",            false, 1, "38.0" },
    {"99.1",   "32",     "5",          "9",          "0",  "37.277777777",  true,  1, "37.3" },
    {"100.9",  "32",     "5",          "9",          "0",  "38.277777777",  true,  1, "38.3" },
    {"97.7",   "32",     "5",          "9",          "0",  "36.5",          false, 1, "36.5" },
    {"95.0",   "32",     "5",          "9",          "0",  "35",            false, 1, "35.0" },
    {"104.0",  "32",     "5",          "9",          "0",  "40",            false, 1, "40.0" },
    {"32",     "32",     "5",          "9",          "0",  "0",             false, 1, "0.0"  },
    {"36.6",   "0",      "9",          "5",          "32", "97.88",         false, 1, "97.9" },
    {"38.2",   "0",      "9",          "5",          "32", "100.76",        false, 1, "100.8"},
    {"310.15", "273.15", "1",          "1",          "0",  "37",            false, 2, "37.00"},
    {"16.0",   "0",      "1",          "0.133322",   "0",  "120.010200867", true,  0, "120"  },
    {"10.7",   "0",      "1",          "0.133322",   "0",  "80.256821829",  true,  0, "80"   },
    {"13.3",   "0",      "1",          "0.133322",   "0",  "99.758479470",  true,  0, "100"  },
    {"9.3",    "0",      "1",          "0.133322",   "0",  "69.755929253",  true,  0, "70"   },
    {"24.0",   "0",      "1",          "0.133322",   "0",  "180.015301300", true,  0, "180"  },
    {"120",    "0",      "0.133322",   "1",          "0",  "15.99864",      false, 1, "16.0" },
    {"13.6",   "0",      "0.0980665",  "0.133322",   "0",  "10.003633308",  true,  0, "10"   },
    {"154",    "0",      "0.45359237", "1",          "0",  "69.85322498",   false, 2, "69.85"},
    {"185",    "0",      "0.45359237", "1",          "0",  "83.91458845",   false, 2, "83.91"},
    {"11",     "0",      "6.35029318", "1",          "0",  "69.85322498",   false, 2, "69.85"},
    {"158",    "0",      "0.45359237", "1",          "0",  "71.66759446",   false, 2, "71.67"},
    {"120",    "0",      "453.59237",  "16",         "0",  "3401.942775",   false, 0, "3402" },
    {"70",     "0",      "1",          "0.45359237", "0",  "154.323583529", true,  1, "154.3"},
    {"3250",   "0",      "1",          "1000",       "0",  "3.25",          false, 3, "3.250"},
    {"66.9",   "0",      "2.54",       "1",          "0",  "169.926",       false, 1, "169.9"},
    {"67",     "0",      "2.54",       "1",          "0",  "170.18",        false, 1, "170.2"},
    {"6",      "0",      "30.48",      "1",          "0",  "182.88",        false, 1, "182.9"},
    {"180",    "0",      "1",          "2.54",       "0",  "70.866141732",  true,  1, "70.9" },
    {"100",    "0",      "1",          "18.0156",    "0",  "5.550744909",   true,  1, "5.6"  },
    {"70",     "0",      "1",          "18.0156",    "0",  "3.885521436",   true,  1, "3.9"  },
    {"126",    "0",      "1",          "18.0156",    "0",  "6.993938586",   true,  1, "7.0"  },
    {"5.5",    "0",      "18.0156",    "1",          "0",  "99.0858",       false, 0, "99"   },
    {"11.1",   "0",      "18.0156",    "1",          "0",  "199.97316",     false, 0, "200"  },
    {"0.5",    "0",      "1000",       "1",          "0",  "500",           false, 0, "500"  },
    {"70",     "0",      "10000",      "30625",      "0",  "22.857142857",  true,  1, "22.9" }, /* kg, 175 cm: 175^2 */
    {"-40",    "32",     "5",          "9",          "0",  "-40",           false, 1, "-40.0"}, /* where both scales meet */
};

static struct exact convert(size_t i)
{
    struct exact before = exact(conversions[i].before), value;

    before.over = -before.over;
    assert_true(exact_add(exact(conversions[i].value), before, &value));
    assert_true(exact_times(value, exact(conversions[i].over), &value));
    assert_true(exact_over(value, exact(conversions[i].under), &value));
    assert_true(exact_add(value, exact(conversions[i].after), &value));
    return value;
}

static void test_conversions_are_exact_and_round_once(void **state)
{
    (void)state;
    for (size_t i = 0; i < COUNT(conversions); i++) {
        struct exact value = convert(i), low = exact(conversions[i].exact), high;

        assert_true(exact_add(low, exact("0.000000001"), &high));
        assert_int_equal(exact_compare(value, low), conversions[i].goes_on ? 1 : 0);
        assert_int_equal(exact_compare(value, high), -1);
        assert_rounds(value, conversions[i].places, ROUND_HALF_EVEN, conversions[i].rounded);
        assert_rounds(value, conversions[i].places, ROUND_HALF_UP,
                      conversions[i].rounded); /* no ties: 5.3 */
    }
}

/* ---- rounding ---- */

static const struct {
    const char *value;
    unsigned places;
    const char *even, *up;
} ties[] = {
    {"0.5",       0, "0",     "1"    },
    {"1.5",       0, "2",     "2"    },
    {"2.5",       0, "2",     "3"    },
    {"-0.5",      0, "0",     "-1"   },
    {"-2.5",      0, "-2",    "-3"   },
    {"-3.5",      0, "-4",    "-4"   },
    {"37.25",     1, "37.2",  "37.3" },
    {"37.35",     1, "37.4",  "37.4" },
    {"37.251",    1, "37.3",  "37.3" },
    {"37.249999", 1, "37.2",  "37.2" },
    {"0.05",      1, "0.0",   "0.1"  },
    {"0.0500001", 1, "0.1",   "0.1"  },
    {"-0.04",     1, "0.0",   "0.0"  },
    {"69.995",    2, "70.00", "70.00"},
    {"69.985",    2, "69.98", "69.99"},
    {"37",        1, "37.0",  "37.0" },
    {"38.05",     1, "38.0",  "38.1" }, /* a score's edge (NEWS2 38.1): half up, design 5 */
};

static void test_ties(void **state)
{
    (void)state;
    for (size_t i = 0; i < COUNT(ties); i++) {
        assert_rounds(exact(ties[i].value), ties[i].places, ROUND_HALF_EVEN, ties[i].even);
        assert_rounds(exact(ties[i].value), ties[i].places, ROUND_HALF_UP, ties[i].up);
    }
}

/* Rows from Python's decimal: tests/base/rounding.py. */
static bool check_row(char *line)
{
    char *fields[6], *rest = line;
    struct exact value;

    if (line[0] == '#')
        return false;
    for (size_t i = 0; i < 6; i++) {
        fields[i] = rest;
        rest += strcspn(rest, "\t\n");
        assert_true(*rest == (i < 5 ? '\t' : '\n'));
        *rest++ = '\0';
    }
    assert_true(exact_times(exact(fields[0]), exact(fields[1]), &value));
    assert_true(exact_over(value, exact(fields[2]), &value));
    assert_rounds(value, (unsigned)decimal(fields[3]).digits, ROUND_HALF_EVEN, fields[4]);
    assert_rounds(value, (unsigned)decimal(fields[3]).digits, ROUND_HALF_UP, fields[5]);
    return true;
}

static void test_rounding_agrees_with_pythons_decimal(void **state)
{
    FILE *rows = fopen(WARDPOST_SOURCE_DIR "/tests/base/rounding.tsv", "r");
    char line[256];
    unsigned count = 0;

    (void)state;
    assert_non_null(rows);
    while (fgets(line, sizeof(line), rows))
        count += check_row(line);
    assert_int_equal(fclose(rows), 0);
    assert_int_equal(count, 400);
}

static void test_rounding_has_its_bounds(void **state)
{
    struct decimal seen = {-7, 7};
    struct exact large;

    (void)state;
    assert_false(exact_round(exact("1"), 10, ROUND_HALF_EVEN, &seen)); /* places 0..9 */
    assert_false(exact_round(exact("999999999999999"), 1, ROUND_HALF_EVEN, &seen));
    assert_true(exact_times(exact("999999999999999"), exact("2"), &large));
    assert_false(exact_round(large, 0, ROUND_HALF_UP, &seen));
    assert_false(exact_round((struct exact){1999999999999999, 2}, 0, ROUND_HALF_UP,
                             &seen)); /* up to 16 digits */
    assert_false(exact_round((struct exact){WIDE_MOST, 1}, 9, ROUND_HALF_UP, &seen));
    assert_true(decimal_same(seen, (struct decimal){-7, 7}));
    assert_rounds(exact("-999999999999999"), 0, ROUND_HALF_UP, "-999999999999999");
    assert_rounds((struct exact){WIDE_MOST / 2, WIDE_MOST}, 0, ROUND_HALF_EVEN,
                  "0"); /* a hair under the half */
    assert_rounds((struct exact){WIDE_MOST / 2 + 1, WIDE_MOST}, 0, ROUND_HALF_EVEN, "1");
    assert_rounds((struct exact){-WIDE_MOST / 2 - 1, WIDE_MOST}, 0, ROUND_HALF_EVEN, "-1");
}

/* ---- arithmetic ---- */

static void test_fractions_are_kept_reduced(void **state)
{
    struct exact seen;

    (void)state;
    assert_exact(exact("98.60"), 493, 5);
    assert_exact(exact("0.000"), 0, 1);
    assert_exact(exact("-2.50"), -5, 2);
    assert_true(exact_add(exact("0.1"), exact("0.2"), &seen)); /* what binary fractions get wrong */
    assert_exact(seen, 3, 10);
    assert_true(exact_add(exact("0.5"), exact("-0.5"), &seen));
    assert_exact(seen, 0, 1);
    assert_true(exact_times(exact("-0.25"), exact("4"), &seen));
    assert_exact(seen, -1, 1);
    assert_true(exact_over(exact("1"), exact("-3"), &seen)); /* the sign goes on top */
    assert_exact(seen, -1, 3);
    assert_exact(exact_magnitude(seen), 1, 3);
    assert_exact(exact_magnitude(exact("0.5")), 1, 2);
    assert_exact(exact_of((struct decimal){1000000000, 9}), 1, 1);
    assert_true(exact_over((struct exact){(wide)3 << 100, 1}, exact("9"), &seen));
    assert_true(seen.over == (wide)1 << 100 && seen.under == 3);
    assert_true(
        exact_times((struct exact){1, (wide)3 << 100}, (struct exact){(wide)1 << 90, 1}, &seen));
    assert_exact(seen, 1, 3 << 10);
}

static void test_what_does_not_fit_says_so(void **state)
{
    struct exact most = {WIDE_MOST, 1}, finest = {1, WIDE_MOST}, seen = {-7, 7};

    (void)state;
    assert_false(exact_over(exact("1"), exact("0"), &seen));
    assert_false(exact_add(most, exact("1"), &seen));
    assert_false(
        exact_add((struct exact){-WIDE_MOST, 1}, exact("-1"), &seen)); /* has no magnitude */
    assert_false(exact_add(finest, exact("0.5"), &seen));
    assert_false(exact_times(most, exact("2"), &seen));
    assert_false(exact_times((struct exact){(wide)1 << 126, 1}, exact("-2"),
                             &seen)); /* just as much too low */
    assert_false(exact_times(finest, exact("0.5"), &seen));
    assert_false(exact_over(most, exact("0.5"), &seen));
    assert_exact(seen, -7, 7);
    assert_true(exact_add(most, exact("-1"), &seen));
    assert_true(seen.over == WIDE_MOST - 1 && seen.under == 1);
    assert_true(exact_magnitude((struct exact){-WIDE_MOST, 1}).over == WIDE_MOST);
}

/* ---- order ---- */

static const struct {
    struct exact low, high;
} ordered[] = {
    {{WIDE_MOST, WIDE_MOST - 1},      {WIDE_MOST - 1, WIDE_MOST - 2}   }, /* 1 + 1/n against 1 + 1/(n-1) */
    {{WIDE_MOST - 2, WIDE_MOST - 1},  {WIDE_MOST - 1, WIDE_MOST}       },
    {{-WIDE_MOST, 1},                 {WIDE_MOST, 1}                   },
    {{-WIDE_MOST, 1},                 {-WIDE_MOST, 2}                  },
    {{-WIDE_MOST, WIDE_MOST / 4 * 3}, {-1, 1}                          },
    {{-1, 1},                         {-(WIDE_MOST / 4 * 3), WIDE_MOST}},
    {{0, 1},                          {1, WIDE_MOST}                   },
    {{-1, WIDE_MOST},                 {0, 1}                           },
    {{1, WIDE_MOST},                  {1, WIDE_MOST - 1}               },
    {{WIDE_MOST - 1, 3},              {WIDE_MOST, 3}                   },
    {{5, 1},                          {WIDE_MOST, WIDE_MOST / 6}       },
};

static void test_order_holds_where_no_product_fits(void **state)
{
    (void)state;
    for (size_t i = 0; i < COUNT(ordered); i++) {
        assert_int_equal(exact_compare(ordered[i].low, ordered[i].high), -1);
        assert_int_equal(exact_compare(ordered[i].high, ordered[i].low), 1);
        assert_int_equal(exact_compare(ordered[i].low, ordered[i].low), 0);
        assert_int_equal(exact_compare(ordered[i].high, ordered[i].high), 0);
    }
}

/* The same two fractions, small and blown up so far that their products do not fit: the long way
 * must agree with the short one. */
static void test_both_ways_to_compare_agree(void **state)
{
    const wide blow = (wide)1 << 110;

    (void)state;
    for (int a = -20; a <= 20; a++)
        for (int b = 1; b <= 12; b++)
            for (int c = -20; c <= 20; c++)
                for (int d = 1; d <= 12; d++) {
                    int order = (a * d > c * b) - (a * d < c * b);

                    assert_int_equal(exact_compare((struct exact){a, b}, (struct exact){c, d}),
                                     order);
                    assert_int_equal(exact_compare((struct exact){a * blow, b * blow},
                                                   (struct exact){c * blow, d * blow}),
                                     order);
                }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_conversions_are_exact_and_round_once),
        cmocka_unit_test(test_ties),
        cmocka_unit_test(test_rounding_agrees_with_pythons_decimal),
        cmocka_unit_test(test_rounding_has_its_bounds),
        cmocka_unit_test(test_fractions_are_kept_reduced),
        cmocka_unit_test(test_what_does_not_fit_says_so),
        cmocka_unit_test(test_order_holds_where_no_product_fits),
        cmocka_unit_test(test_both_ways_to_compare_agree),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
