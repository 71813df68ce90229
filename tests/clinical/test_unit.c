/* test_unit.c - spellings of units and their conversions, by the table that ships (mappings/). */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>

#include "kind_table.h"

static struct decimal number(const char *text)
{
    struct decimal value;

    assert_true(decimal_parse(text, strlen(text), &value));
    return value;
}

static void assert_digits(struct decimal value, const char *text)
{
    char digits[DECIMAL_TEXT_ROOM];

    decimal_text(value, digits);
    assert_string_equal(digits, text);
}

/* ---- conversions ---- */

/* Source: the standards pack (fhir-vitals 5.3), there from decimal arithmetic and agreed with a
 * UCUM library; `exact` is the pack's, cut at 9 decimals by half to even; `charted` has the places
 * of design 5. The pack's rows that turn back (Cel to [degF] and so on) stand in no_ways below. */
static const struct {
    const char *value, *from, *to, *exact, *charted;
} conversions[] = {
    {"98.6",   "[degF]",        "Cel",    "37.000000000",   "37.0" },
    {"100.4",  "[degF]",        "Cel",    "38.000000000",   "38.0" },
    {"99.1",   "[degF]",        "Cel",    "37.277777778",   "37.3" },
    {"100.9",  "[degF]",        "Cel",    "38.277777778",   "38.3" },
    {"97.7",   "[degF]",        "Cel",    "36.500000000",   "36.5" },
    {"95.0",   "[degF]",        "Cel",    "35.000000000",   "35.0" },
    {"104.0",  "[degF]",        "Cel",    "40.000000000",   "40.0" },
    {"32",     "[degF]",        "Cel",    "0.000000000",    "0.0"  },
    {"310.15", "K",             "Cel",    "37.000000000",   "37.0" },
    {"16.0",   "kPa",           "mm[Hg]", "120.010200867",  "120"  },
    {"10.7",   "kPa",           "mm[Hg]", "80.256821830",   "80"   },
    {"13.3",   "kPa",           "mm[Hg]", "99.758479471",   "100"  },
    {"9.3",    "kPa",           "mm[Hg]", "69.755929254",   "70"   },
    {"24.0",   "kPa",           "mm[Hg]", "180.015301301",  "180"  },
    {"13.6",   "cm[H2O]",       "mm[Hg]", "10.003633309",   "10"   },
    {"154",    "[lb_av]",       "kg",     "69.853224980",   "69.85"},
    {"185",    "[lb_av]",       "kg",     "83.914588450",   "83.91"},
    {"11",     "[stone_av]",    "kg",     "69.853224980",   "69.85"},
    {"158",    "[lb_av]",       "kg",     "71.667594460",   "71.67"},
    {"120",    "[oz_av]",       "g",      "3401.942775000", "3402" },
    {"3250",   "g",             "kg",     "3.250000000",    "3.25" },
    {"66.9",   "[in_i]",        "cm",     "169.926000000",  "169.9"},
    {"67",     "[in_i]",        "cm",     "170.180000000",  "170.2"},
    {"6",      "[ft_i]",        "cm",     "182.880000000",  "182.9"},
 /* ties, by hand: 66.69 x 5 / 9 = 37.05 and 66.87 x 5 / 9 = 37.15; half to even (design 5) */
    {"98.69",  "[degF]",        "Cel",    "37.050000000",   "37.0" },
    {"98.87",  "[degF]",        "Cel",    "37.150000000",   "37.2" },
 /* by definition of the units, by hand */
    {"72",     "{beats}/min",   "/min",   "72.000000000",   "72"   },
    {"18",     "{breaths}/min", "/min",   "18.000000000",   "18"   },
    {"0.97",   "1",             "%",      "97.000000000",   "97"   },
    {"120",    "[oz_av]",       "kg",     "3.401942775",    "3.40" },
    {"1.75",   "m",             "cm",     "175.000000000",  "175.0"},
    {"350",    "mm",            "cm",     "35.000000000",   "35.0" },
    {"175",    "cm",            "m",      "1.750000000",    "1.750"},
    {"500",    "mL/min",        "L/min",  "0.500000000",    "0.500"},
    {"0.4",    "L",             "mL",     "400.000000000",  "400"  },
    {"-40",    "[degF]",        "Cel",    "-40.000000000",  "-40.0"},
};

static void test_conversions(void **state)
{
    const struct kinds *kinds = *state;

    for (size_t i = 0; i < sizeof(conversions) / sizeof(conversions[0]); i++) {
        const struct unit *from = kinds_unit(kinds, conversions[i].from);
        const struct unit *to = kinds_unit(kinds, conversions[i].to);
        struct decimal value = number(conversions[i].value), out;
        struct exact exact;

        assert_non_null(from);
        assert_non_null(to);
        assert_true(unit_exact(kinds, value, from, to, &exact));
        assert_true(exact_round(exact, 9, ROUND_HALF_EVEN, &out));
        assert_digits(out, conversions[i].exact);
        assert_true(unit_convert(kinds, value, from, to, &out));
        assert_digits(out, conversions[i].charted);
    }
}

/* Only as listed: nothing is turned round and nothing is chained (mappings/README.md). Glucose is
 * never converted for the chart (design 5). */
static const struct {
    const char *from, *to;
} no_ways[] = {
    {"Cel",    "[degF]" },
    {"mm[Hg]", "kPa"    },
    {"kg",     "[lb_av]"},
    {"cm",     "[in_i]" },
    {"L/min",  "mL/min" },
    {"mg/dL",  "mmol/L" },
    {"mmol/L", "mg/dL"  },
    {"K",      "[degF]" },
    {"kg",     "cm"     },
};

static void test_no_other_ways(void **state)
{
    const struct kinds *kinds = *state;

    for (size_t i = 0; i < sizeof(no_ways) / sizeof(no_ways[0]); i++) {
        const struct unit *from = kinds_unit(kinds, no_ways[i].from);
        const struct unit *to = kinds_unit(kinds, no_ways[i].to);
        struct exact exact = {7, 1};
        struct decimal out = {7, 0};

        assert_non_null(from);
        assert_non_null(to);
        assert_false(unit_exact(kinds, number("100"), from, to, &exact));
        assert_false(unit_convert(kinds, number("100"), from, to, &out));
        assert_true(exact.over == 7 && exact.under == 1); /* untouched */
        assert_true(out.digits == 7 && out.scale == 0);
    }
}

static void test_same_unit_keeps_digits(void **state)
{
    static const char *const texts[] = {"98.60", "37", "37.0", "0.10", "-1.50"};
    const struct kinds *kinds = *state;
    const struct unit *celsius = kinds_unit(kinds, "Cel");
    struct decimal out;
    struct exact exact;

    for (size_t i = 0; i < sizeof(texts) / sizeof(texts[0]); i++) {
        assert_true(unit_convert(kinds, number(texts[i]), celsius, celsius, &out));
        assert_digits(out, texts[i]);
        assert_true(unit_exact(kinds, number(texts[i]), celsius, celsius, &exact));
        assert_int_equal(exact_compare(exact, exact_of(number(texts[i]))), 0);
    }
}

/* A converted value has at most 15 digits, as one that is sent (decimal.h). */
static void test_a_value_that_does_not_fit(void **state)
{
    const struct kinds *kinds = *state;
    const struct unit *litre = kinds_unit(kinds, "L"), *millilitre = kinds_unit(kinds, "mL");
    struct decimal out = {7, 0};
    struct exact exact;

    assert_true(unit_exact(kinds, number("999999999999999"), litre, millilitre, &exact));
    assert_false(unit_convert(kinds, number("999999999999999"), litre, millilitre, &out));
    assert_true(out.digits == 7 && out.scale == 0);
}

/* ---- spellings ---- */

static const struct {
    const char *kind, *part, *spelling, *code; /* NULL: not taken there */
} spellings[] = {
    {"heart-rate",        "value",    "/min",        "/min"       },
    {"heart-rate",        "value",    "bpm",         "/min"       },
    {"heart-rate",        "value",    "{beats}/min", "{beats}/min"},
    {"heart-rate",        "value",    "kg",          NULL         },
    {"heart-rate",        "value",    "",            NULL         },
    {"heart-rate",        "value",    "Bpm",         NULL         }, /* only as listed */
    {"body-temperature",  "value",    "°C",         "Cel"        },
    {"body-temperature",  "value",    "degF",        "[degF]"     },
    {"body-temperature",  "value",    "°F",         "[degF]"     },
    {"body-temperature",  "value",    "mmHg",        NULL         },
    {"blood-pressure",    "systolic", "mmHg",        "mm[Hg]"     },
    {"blood-pressure",    "systolic", "mm Hg",       "mm[Hg]"     },
    {"blood-pressure",    "systolic", "kPa",         "kPa"        },
    {"oxygen-saturation", "value",    "percent",     "%"          },
    {"body-weight",       "value",    "lbs",         "[lb_av]"    },
    {"body-height",       "value",    "inches",      "[in_i]"     },
    {"glucose",           "value",    "mg/dl",       "mg/dL"      },
    {"glucose",           "value",    "mmol/l",      "mmol/L"     },
};

static void test_spellings(void **state)
{
    const struct kinds *kinds = *state;

    for (size_t i = 0; i < sizeof(spellings) / sizeof(spellings[0]); i++) {
        const struct kind *kind = kinds_find(kinds, spellings[i].kind);
        const struct part *part = kind ? kind_part(kind, spellings[i].part) : NULL;
        const struct unit *unit;

        assert_non_null(part);
        unit = part_unit(kinds, part, spellings[i].spelling);
        assert_int_equal(unit != NULL, spellings[i].code != NULL);
        if (unit)
            assert_string_equal(unit->code, spellings[i].code);
    }
}

/* By code only: "bpm" must never go out as a code. */
static void test_a_spelling_is_no_code(void **state)
{
    const struct kinds *kinds = *state;

    assert_null(kinds_unit(kinds, "bpm"));
    assert_null(kinds_unit(kinds, "mmHg"));
    assert_null(kinds_unit(kinds, ""));
    assert_string_equal(kinds_unit(kinds, "mm[Hg]")->text, "mmHg");
}

/* What a kind takes it can also chart: in the canonical unit, or as it is. */
static void test_each_accepted_unit_has_a_way(void **state)
{
    const struct kinds *kinds = *state;
    size_t tried = 0;

    for (size_t i = 0; i < kinds_count(kinds); i++) {
        const struct kind *kind = kinds_at(kinds, i);

        for (size_t j = 0; j < kind->parts_count; j++)
            for (size_t k = 0; k < kind->parts[j].accepts_count; k++) {
                const struct part *part = &kind->parts[j];
                struct decimal out;

                assert_ptr_equal(part_unit(kinds, part, part->accepts[k]->code), part->accepts[k]);
                if (!part->unit)
                    continue;
                assert_true(unit_convert(kinds, number("50"), part->accepts[k], part->unit, &out));
                tried++;
            }
    }
    assert_in_range(tried, 20, 200);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_conversions),
        cmocka_unit_test(test_no_other_ways),
        cmocka_unit_test(test_same_unit_keeps_digits),
        cmocka_unit_test(test_a_value_that_does_not_fit),
        cmocka_unit_test(test_spellings),
        cmocka_unit_test(test_a_spelling_is_no_code),
        cmocka_unit_test(test_each_accepted_unit_has_a_way),
    };

    return cmocka_run_group_tests(tests, kind_table_shipped, kind_table_free);
}
