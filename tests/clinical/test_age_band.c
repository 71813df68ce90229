/* test_age_band.c - whom a row of the table speaks of: ages by birthday, words of context, bounds.
 * Hand-built rows; no table is read. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "clinical/clinical_private.h"

/* ---- ages ---- */

#define NOON "T12:00:00Z"

static const struct {
    const char *born, *from, *to; /* NULL: without */
    const char *taken;
    bool unknown, fits;
} age_rows[] = {
  /* a birthday begins its year, and ends the one before (calendar; common practice) */
    {"2010-11-25", "P16Y", NULL,   "2026-11-24" NOON,           false, false},
    {"2010-11-25", "P16Y", NULL,   "2026-11-25" NOON,           false, true },
    {"2010-11-25", "P16Y", NULL,   "2026-11-26" NOON,           false, true },
    {"2010-11-25", NULL,   "P16Y", "2026-11-24" NOON,           false, true },
    {"2010-11-25", NULL,   "P16Y", "2026-11-25" NOON,           false, false},
    {"2010-11-25", "P12Y", "P16Y", "2026-11-24" NOON,           false, true },
    {"2010-11-25", "P12Y", "P16Y", "2022-11-24" NOON,           false, false},
    {"2010-11-25", "P12Y", "P16Y", "2022-11-25" NOON,           false, true },
 /* days and months: 28 days is not a month */
    {"2026-01-31", NULL,   "P28D", "2026-02-27" NOON,           false, true },
    {"2026-01-31", NULL,   "P28D", "2026-02-28" NOON,           false, false},
    {"2026-01-31", "P28D", "P1Y",  "2026-02-28" NOON,           false, true },
    {"2026-01-31", "P1M",  NULL,   "2026-02-27" NOON,           false, false},
    {"2026-01-31", "P1M",  NULL,   "2026-02-28" NOON,           false,
     true                                                                   }, /* moment.h: the month's last day */
    {"2026-11-18", NULL,   "P7D",  "2026-11-24" NOON,           false, true },
    {"2026-11-18", NULL,   "P7D",  "2026-11-25" NOON,           false, false},
    {"2026-11-18", "P1W",  NULL,   "2026-11-25" NOON,           false, true },
 /* born on 29 February: a year on is 28 February, four years on is the day itself */
    {"2024-02-29", "P1Y",  NULL,   "2025-02-27" NOON,           false, false},
    {"2024-02-29", "P1Y",  NULL,   "2025-02-28" NOON,           false, true },
    {"2024-02-29", NULL,   "P1Y",  "2025-02-28" NOON,           false, false},
    {"2008-02-29", "P16Y", NULL,   "2024-02-28" NOON,           false, false},
    {"2008-02-29", "P16Y", NULL,   "2024-02-29" NOON,           false, true },
    {"2008-02-29", "P18Y", NULL,   "2026-02-27" NOON,           false, false},
    {"2008-02-29", "P18Y", NULL,   "2026-02-28" NOON,           false, true },
    {"1884-02-29", "P16Y", NULL,   "1900-02-28" NOON,           false, true }, /* 1900 has no 29 February */
  /* the date is that of the place where it was taken */
    {"2010-11-25", "P16Y", NULL,   "2026-11-25T00:30:00+02:00", false, true }, /* 24th, 22:30 UTC */
    {"2010-11-25", "P16Y", NULL,   "2026-11-24T23:30:00-05:00", false, false}, /* 25th, 4:30 UTC */
  /* born today, and nobody is born tomorrow */
    {"2026-11-25", NULL,   "P28D", "2026-11-25" NOON,           false, true },
    {"2026-11-25", "P16Y", NULL,   "2026-11-25" NOON,           true,  false},
    {"2026-11-26", NULL,   "P16Y", "2026-11-25" NOON,           false, false},
    {"2026-11-26", "P16Y", NULL,   "2026-11-25" NOON,           true,  true },
 /* no birth date: only rows that say so */
    {NULL,         "P16Y", NULL,   "2026-11-25" NOON,           false, false},
    {NULL,         NULL,   "P16Y", "2026-11-25" NOON,           false, false},
    {NULL,         "P16Y", NULL,   "2026-11-25" NOON,           true,  true },
};

static void test_ages(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof(age_rows) / sizeof(age_rows[0]); i++) {
        struct ages ages = {.given = true, .unknown = age_rows[i].unknown};
        struct patient patient = {.given = true};
        struct moment taken;

        if (age_rows[i].from)
            ages.has_from = span_parse(age_rows[i].from, strlen(age_rows[i].from), &ages.from);
        if (age_rows[i].to)
            ages.has_to = span_parse(age_rows[i].to, strlen(age_rows[i].to), &ages.to);
        assert_int_equal(ages.has_from, age_rows[i].from != NULL);
        assert_int_equal(ages.has_to, age_rows[i].to != NULL);
        if (age_rows[i].born)
            patient.has_birth_date =
                date_parse(age_rows[i].born, strlen(age_rows[i].born), &patient.birth_date);
        assert_int_equal(moment_parse(age_rows[i].taken, strlen(age_rows[i].taken), &taken),
                         MOMENT_FINE);
        if (ages_fit(&ages, &patient, taken) != age_rows[i].fits)
            fail_msg("row %zu: born %s, taken %s", i, age_rows[i].born ? age_rows[i].born : "-",
                     age_rows[i].taken);
    }
}

static void test_a_row_without_ages_is_for_everybody(void **state)
{
    const struct ages everybody = {.given = false};
    const struct patient nobody =
                             {
                                 .given = false
    },
                         adult = {true, NULL, NULL, NULL, true, {1950, 3, 14}};
    const struct moment taken = {1764000000000, 60};

    (void)state;
    assert_true(ages_fit(&everybody, &nobody, taken));
    assert_true(ages_fit(&everybody, &adult, taken));
}

/* ---- words of context ---- */

static const struct word oral = {.word = "oral"}, rectal = {.word = "rectal"};
static const struct field route_and_side[] = {
    {.path = "route", .name = "route",  .type = FIELD_WORD },
    { .path = "probe.side", .name = "side", .group = "probe", .type = FIELD_WORDS},
};
static const struct kind temperature = {
    .name = "temperature", .fields = route_and_side, .fields_count = 2};

static const char *const oral_or_axillary[] = {"oral", "axillary"};
static const char *const only_rectal[] = {"rectal"};

static void test_words_of_context(void **state)
{
    const struct when by_route = {"route", oral_or_axillary, 2};
    const struct when by_both[] = {
        {"route",      oral_or_axillary, 2},
        {"probe.side", only_rectal,      1}
    };
    const struct when by_stranger = {"nose", only_rectal, 1};
    const struct word *words[] = {&rectal, &oral};
    struct reading reading = {.kind = &temperature};

    (void)state;
    assert_true(whens_fit(&(struct whens){NULL, 0}, &reading));
    assert_false(whens_fit(&(struct whens){&by_route, 1}, &reading)); /* nothing was said */
    reading.fields[0] = (struct said){.given = true, .words = &words[0], .words_count = 1};
    assert_false(whens_fit(&(struct whens){&by_route, 1}, &reading));
    reading.fields[0].words = &words[1];
    assert_true(whens_fit(&(struct whens){&by_route, 1}, &reading));
    assert_false(whens_fit(&(struct whens){by_both, 2}, &reading)); /* all of them must */
    reading.fields[1] = (struct said){.given = true, .words = words, .words_count = 2};
    assert_true(
        whens_fit(&(struct whens){by_both, 2}, &reading)); /* one of several words is enough */
    assert_false(whens_fit(&(struct whens){&by_stranger, 1}, &reading));
}

/* ---- bounds ---- */

static const struct {
    struct bound bound;
    const char *value;
    bool holds;
} bound_rows[] = {
    {{0},                                                      "7",     true },
    {{.has_below = true, .below = {380, 1}},                   "37.99", true },
    {{.has_below = true, .below = {380, 1}},                   "38",    false},
    {{.has_above = true, .above = {380, 1}},                   "38.00", false},
    {{.has_above = true, .above = {380, 1}},                   "38.01", true },
    {{.has_at_most = true, .at_most = {380, 1}},               "38",    true },
    {{.has_at_most = true, .at_most = {380, 1}},               "38.01", false},
    {{.has_at_least = true, .at_least = {380, 1}},             "38.0",  true },
    {{.has_at_least = true, .at_least = {380, 1}},             "37.99", false},
    {{.has_above = true, .has_below = true, .below = {15, 0}}, "0",     false}, /* both must */
    {{.has_above = true, .has_below = true, .below = {15, 0}}, "14.9",  true },
    {{.has_above = true, .has_below = true, .below = {15, 0}}, "15",    false},
    {{.has_below = true, .below = {-1, 0}},                    "-1.1",  true },
    {{.has_below = true, .below = {-1, 0}},                    "-1",    false},
};

static void test_bounds_are_exact(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof(bound_rows) / sizeof(bound_rows[0]); i++) {
        struct decimal value;

        assert_true(decimal_parse(bound_rows[i].value, strlen(bound_rows[i].value), &value));
        if (bound_holds(&bound_rows[i].bound, exact_of(value)) != bound_rows[i].holds)
            fail_msg("row %zu: %s", i, bound_rows[i].value);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_ages),
        cmocka_unit_test(test_a_row_without_ages_is_for_everybody),
        cmocka_unit_test(test_words_of_context),
        cmocka_unit_test(test_bounds_are_exact),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
