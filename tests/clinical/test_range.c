/* test_range.c - how a value lies in its range: facts of the trade, published ranges of children at
 * each end of each band, what is charted. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "bedside.h"

#define ADULT "1950-03-14"

/* ---- flags: facts of the trade ---- */

#define NONE INTERPRETATION_NONE
#define N    INTERPRETATION_NORMAL
#define L    INTERPRETATION_LOW
#define H    INTERPRETATION_HIGH

static const struct {
    const char *told, *part;
    enum interpretation interpretation;
    const char *name, *charted;
} flags[] = {
  /* common practice, no source: 98.6 °F is the oral average; 97 to 99 usual; over 100.4 a fever
  */
    {"body-temperature value=98.6:[degF] route=oral",            "value",     N, NULL,               "37.0" },
    {"body-temperature value=98.60:[degF] route=oral",           "value",     N, NULL,               "37.0" },
    {"body-temperature value=97:[degF] route=oral",              "value",     N, NULL,               "36.1" },
    {"body-temperature value=99:[degF] route=oral",              "value",     N, NULL,               "37.2" },
    {"body-temperature value=97:[degF]",                         "value",     N, NULL,               "36.1" },
    {"body-temperature value=99:[degF]",                         "value",     N, NULL,               "37.2" },
    {"body-temperature value=100.4:[degF] route=oral",           "value",     H, NULL,               "38.0" },
    {"body-temperature value=100.5:[degF] route=oral",           "value",     H, "fever",            "38.1" },
    {"body-temperature value=38.1:Cel route=oral",               "value",     H, "fever",            "38.1" },
    {"body-temperature value=34.9:Cel route=rectal confirmed",   "value",     L, "hypothermia",      "34.9" },
 /* the range is that of the route (OPENRN) */
    {"body-temperature value=37.5:Cel route=oral",               "value",     H, NULL,               "37.5" },
    {"body-temperature value=37.5:Cel route=rectal",             "value",     N, NULL,               "37.5" },
    {"body-temperature value=36.5:Cel route=axillary",           "value",     H, NULL,               "36.5" },
 /* fever and hypothermia name the raw number, and no route calls usual what is named */
    {"body-temperature value=34.9:Cel route=axillary confirmed", "value",     L, "hypothermia",      "34.9" },
    {"body-temperature value=35.0:Cel route=axillary",           "value",     N, NULL,               "35.0" },
    {"body-temperature value=38.0:Cel route=rectal",             "value",     N, NULL,               "38.0" },
    {"body-temperature value=38.1:Cel route=rectal",             "value",     H, "fever",            "38.1" },
    {"body-temperature value=38.1:Cel route=core",               "value",     H, "fever",            "38.1" },
 /* over the usual range is in the class above it, with two decimals, too */
    {"body-mass-index value=24.9:kg/m2",                         "value",     N, NULL,               "24.9" },
    {"body-mass-index value=24.95:kg/m2",                        "value",     H, "overweight range", "24.95"},
    {"body-mass-index value=30:kg/m2",                           "value",     H, "obesity range",    "30"   },
 /* judged as charted: 99.2 °F is 37.33, charted 37.3 */
    {"body-temperature value=99.2:[degF] route=oral",            "value",     N, NULL,               "37.3" },
    {"body-temperature value=99.3:[degF] route=oral",            "value",     H, NULL,               "37.4" },
 /* pulse 60 to 100; under is brady-, over is tachycardia (common practice) */
    {"heart-rate value=59:/min",                                 "value",     L, "bradycardia",      "59"   },
    {"heart-rate value=60:/min",                                 "value",     N, NULL,               "60"   },
    {"heart-rate value=100:/min",                                "value",     N, NULL,               "100"  },
    {"heart-rate value=101:/min",                                "value",     H, "tachycardia",      "101"  },
    {"heart-rate counted=18/15",                                 "value",     N, NULL,               "72"   },
    {"respiratory-rate value=11:/min",                           "value",     L, "bradypnoea",       "11"   },
    {"respiratory-rate value=12:/min",                           "value",     N, NULL,               "12"   },
    {"respiratory-rate value=20:/min",                           "value",     N, NULL,               "20"   },
    {"respiratory-rate value=21:/min",                           "value",     H, "tachypnoea",       "21"   },
 /* saturation 95 to 100 % (common practice) */
    {"oxygen-saturation value=94:%",                             "value",     L, NULL,               "94"   },
    {"oxygen-saturation value=95:%",                             "value",     N, NULL,               "95"   },
    {"oxygen-saturation value=100:%",                            "value",     N, NULL,               "100"  },
 /* 90/60 to 120/80 usual, above 140/90 high, below 90/60 low (common practice) */
    {"blood-pressure systolic=89:mm[Hg] diastolic=59:mm[Hg]",    "systolic",  L, "low reading",      "89"   },
    {"blood-pressure systolic=89:mm[Hg] diastolic=59:mm[Hg]",    "diastolic", L, "low reading",      "59"   },
    {"blood-pressure systolic=90:mm[Hg] diastolic=60:mm[Hg]",    "systolic",  N, NULL,               "90"   },
    {"blood-pressure systolic=90:mm[Hg] diastolic=60:mm[Hg]",    "diastolic", N, NULL,               "60"   },
    {"blood-pressure systolic=120:mm[Hg] diastolic=80:mm[Hg]",   "systolic",  N, NULL,               "120"  },
    {"blood-pressure systolic=120:mm[Hg] diastolic=80:mm[Hg]",   "diastolic", N, NULL,               "80"   },
    {"blood-pressure systolic=140:mm[Hg] diastolic=90:mm[Hg]",   "systolic",  N, NULL,               "140"  },
    {"blood-pressure systolic=141:mm[Hg] diastolic=91:mm[Hg]",   "systolic",  H, "high reading",
     "141"                                                                                                  },
    {"blood-pressure systolic=141:mm[Hg] diastolic=91:mm[Hg]",   "diastolic", H, "high reading",
     "91"                                                                                                   },
};

static void check_flag(const struct bedside *bedside, size_t i)
{
    const struct kind *kind = bedside->readings[0].kind;
    const struct judged *judged =
        &bedside->judgements[0].parts[kind_part(kind, flags[i].part) - kind->parts];
    char charted[DECIMAL_TEXT_ROOM] = "nothing";

    if (judged->has_charted)
        (void)decimal_text(judged->charted, charted);
    if (judged->interpretation != flags[i].interpretation || strcmp(charted, flags[i].charted) != 0)
        fail_msg("%s: %d %s", flags[i].told, judged->interpretation, charted);
    assert_int_equal(judged->range != NULL, flags[i].interpretation != NONE);
    if (flags[i].name && judged->name)
        assert_string_equal(judged->name, flags[i].name);
    else if (flags[i].name || judged->name)
        fail_msg("%s: %s", flags[i].told, judged->name ? judged->name : "no name");
}

static void test_flags(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof(flags) / sizeof(flags[0]); i++) {
        struct bedside bedside;

        bedside_begin(&bedside, kinds, ADULT);
        bedside_tell(&bedside, flags[i].told);
        bedside_judge(&bedside);
        check_flag(&bedside, i);
        bedside_end(&bedside);
    }
}

/* No birth date, no range that depends on age (design 5). */
static void test_no_birth_date_no_flag(void **state)
{
    struct bedside bedside;

    (void)state;
    bedside_begin(&bedside, kinds, NULL);
    bedside_tell(
        &bedside,
        "heart-rate value=130:/min | respiratory-rate value=25:/min"
        " | oxygen-saturation value=90:% | blood-pressure systolic=150:mm[Hg] diastolic=95:mm[Hg]");
    bedside_judge(&bedside);
    assert_int_equal(bedside.problems.count, 0);
    for (size_t i = 0; i < 4; i++) {
        assert_null(bedside.judgements[i].parts[0].range);
        assert_null(bedside.judgements[i].parts[0].name);
        assert_int_equal(bedside.judgements[i].parts[0].interpretation, NONE);
        assert_true(bedside.judgements[i].parts[0].has_charted);
    }
    bedside_end(&bedside);
}

/* ---- flags of children, at both ends of each band, on its first and on its last day ---- */

struct band {
    const char *first, *last; /* birth dates; taken on 2026-11-25 */
    const char *low, *high;
};

static enum interpretation flag_of(const char *born, const char *told, const char *part)
{
    struct bedside bedside;
    enum interpretation seen;

    bedside_begin(&bedside, kinds, born);
    bedside_tell(&bedside, told);
    bedside_judge(&bedside);
    seen = bedside.judgements[0]
               .parts[kind_part(bedside.readings[0].kind, part) - bedside.readings[0].kind->parts]
               .interpretation;
    bedside_end(&bedside);
    return seen;
}

static void check_edge(const struct band *band, const char *born, const char *format,
                       const char *part)
{
    const struct {
        long value;
        enum interpretation seen;
    } rows[] = {
        {strtol(band->low,  NULL, 10) - 1, L},
        {strtol(band->low,  NULL, 10),     N},
        {strtol(band->high, NULL, 10),     N},
        {strtol(band->high, NULL, 10) + 1, H},
    };

    for (size_t i = 0; i < 4; i++) {
        char told[160], number[24];
        const char *at = strstr(format, "###");

        (void)snprintf(number, sizeof(number), "%ld", rows[i].value);
        (void)snprintf(told, sizeof(told), "%.*s%s%s", (int)(at - format), format, number, at + 3);
        if (flag_of(born, told, part) != rows[i].seen)
            fail_msg("born %s: %s, flag %d", born, told, flag_of(born, told, part));
    }
}

static void check_bands(const struct band *bands, size_t count, const char *format,
                        const char *part)
{
    for (size_t i = 0; i < count; i++) {
        check_edge(&bands[i], bands[i].first, format, part);
        check_edge(&bands[i], bands[i].last, format, part);
    }
}

#define BANDS(bands, format, part) \
    check_bands(bands, sizeof(bands) / sizeof((bands)[0]), format, part)

/* FLEM11: 1st and 99th centile in the middle of each band (clinical pack 3.2). */
static const struct band heart_rates[] = {
    {"2026-11-18", "2026-08-26", "108", "181"}, /* from a week on: the first week has its own row */
    {"2026-08-25", "2026-05-26", "104", "175"},
    {"2026-05-25", "2026-02-26", "98",  "168"},
    {"2026-02-25", "2025-11-26", "93",  "161"},
    {"2025-11-25", "2025-05-26", "88",  "156"},
    {"2025-05-25", "2024-11-26", "82",  "149"},
    {"2024-11-25", "2023-11-26", "76",  "142"},
    {"2023-11-25", "2022-11-26", "70",  "136"},
    {"2022-11-25", "2020-11-26", "66",  "131"},
    {"2020-11-25", "2018-11-26", "59",  "123"},
    {"2018-11-25", "2014-11-26", "52",  "115"},
    {"2014-11-25", "2011-11-26", "47",  "108"},
    {"2011-11-25", "2008-11-26", "43",  "104"},
    {"2008-11-25", "1926-11-25", "60",  "100"}, /* adult: common practice */
};

static const struct band respiratory_rates[] = {
    {"2026-11-18", "2026-08-26", "25", "66"},
    {"2026-08-25", "2026-05-26", "24", "64"},
    {"2026-05-25", "2026-02-26", "23", "61"},
    {"2026-02-25", "2025-11-26", "22", "58"},
    {"2025-11-25", "2025-05-26", "21", "53"},
    {"2025-05-25", "2024-11-26", "19", "46"},
    {"2024-11-25", "2023-11-26", "17", "38"},
    {"2023-11-25", "2022-11-26", "17", "33"},
    {"2022-11-25", "2020-11-26", "17", "29"},
    {"2020-11-25", "2018-11-26", "16", "27"},
    {"2018-11-25", "2014-11-26", "14", "25"},
    {"2014-11-25", "2011-11-26", "12", "23"},
    {"2011-11-25", "2008-11-26", "10", "22"},
    {"2008-11-25", "1926-11-25", "12", "20"}, /* adult: common practice */
};

/* PALS15, reproducing Hazinski 2013 (clinical pack 3.1). */
static const struct band systolics[] = {
    {"2026-11-25", "2026-10-29", "67",  "84" }, /* 96 hours old; used to 28 days */
    {"2026-10-28", "2025-11-26", "72",  "104"},
    {"2025-11-25", "2023-11-26", "86",  "106"},
    {"2023-11-25", "2020-11-26", "89",  "112"},
    {"2020-11-25", "2016-11-26", "97",  "115"},
    {"2016-11-25", "2014-11-26", "102", "120"},
    {"2014-11-25", "2010-11-26", "110", "131"},
    {"2010-11-25", "1926-11-25", "90",  "140"}, /* adult: common practice */
};

static const struct band diastolics[] = {
    {"2026-11-25", "2026-10-29", "35", "53"},
    {"2026-10-28", "2025-11-26", "37", "56"},
    {"2025-11-25", "2023-11-26", "42", "63"},
    {"2023-11-25", "2020-11-26", "46", "72"},
    {"2020-11-25", "2016-11-26", "57", "76"},
    {"2016-11-25", "2014-11-26", "61", "80"},
    {"2014-11-25", "2010-11-26", "64", "83"},
    {"2010-11-25", "1926-11-25", "60", "90"},
};

static void test_ranges_by_age(void **state)
{
    (void)state;
    BANDS(heart_rates, "heart-rate value=###:/min", "value");
    BANDS(respiratory_rates, "respiratory-rate value=###:/min", "value");
    BANDS(systolics, "blood-pressure systolic=###:mm[Hg] diastolic=not-taken-unable", "systolic");
    BANDS(diastolics, "blood-pressure systolic=not-taken-unable diastolic=###:mm[Hg]", "diastolic");
}

/* ---- as entered (setting mapping.units) ---- */

static void test_charted_as_entered(void **state)
{
    static const struct {
        const char *told, *charted, *unit;
    } rows[] = {
        {"body-temperature value=98.60:[degF] route=oral", "98.60", "[degF]"},
        {"body-temperature value=310.2:K route=oral",      "37.0",
         "Cel"                                                              }, /* the profile does not take kelvin */
        {"body-temperature value=37:Cel route=oral",       "37",    "Cel"   },
        {"heart-rate value=72:{beats}/min",                "72",    "/min"  },
    };

    (void)state;
    for (size_t i = 0; i < sizeof(rows) / sizeof(rows[0]); i++) {
        struct bedside bedside;
        const struct judged *judged = &bedside.judgements[0].parts[0];
        char text[DECIMAL_TEXT_ROOM];

        bedside_begin(&bedside, kinds, ADULT);
        bedside.frame.as_entered = true;
        bedside_tell(&bedside, rows[i].told);
        bedside_judge(&bedside);
        (void)decimal_text(judged->charted, text);
        assert_string_equal(text, rows[i].charted);
        assert_string_equal(judged->unit->code, rows[i].unit);
        assert_int_equal(judged->interpretation,
                         N); /* by its canonical value, whatever it goes out as */
        bedside_end(&bedside);
    }
}

/* Oxygen that is given is charted in canonical units, too: 2000 mL/min is 2.000 L/min. */
static void test_quantities_of_the_context(void **state)
{
    struct bedside bedside;
    const struct judged *flow;
    char text[DECIMAL_TEXT_ROOM];

    (void)state;
    bedside_begin(&bedside, kinds, ADULT);
    bedside_tell(
        &bedside,
        "oxygen-saturation value=97:% oxygen.device=nasal-cannula oxygen.flow=2000:mL/min");
    bedside_judge(&bedside);
    flow = &bedside.judgements[0].fields[kind_field(bedside.readings[0].kind, "oxygen.flow") -
                                         bedside.readings[0].kind->fields];
    assert_true(flow->has_charted);
    (void)decimal_text(flow->charted, text);
    assert_string_equal(text, "2.000");
    assert_string_equal(flow->unit->code, "L/min");
    bedside_end(&bedside);
}

/* ---- words of the interpretation (HL7 R4, v3-ObservationInterpretation) ---- */

static void test_interpretation_words(void **state)
{
    static const struct {
        enum interpretation interpretation;
        const char *code, *display;
    } rows[] = {
        {INTERPRETATION_NORMAL,        "N",  "Normal"       },
        {INTERPRETATION_LOW,           "L",  "Low"          },
        {INTERPRETATION_HIGH,          "H",  "High"         },
        {INTERPRETATION_LOW_CRITICAL,  "LL", "Critical low" },
        {INTERPRETATION_HIGH_CRITICAL, "HH", "Critical high"},
    };

    (void)state;
    for (size_t i = 0; i < sizeof(rows) / sizeof(rows[0]); i++) {
        assert_string_equal(interpretation_code(rows[i].interpretation), rows[i].code);
        assert_string_equal(interpretation_display(rows[i].interpretation), rows[i].display);
    }
    assert_null(interpretation_code(INTERPRETATION_NONE));
    assert_null(interpretation_display(INTERPRETATION_NONE));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_flags),
        cmocka_unit_test(test_no_birth_date_no_flag),
        cmocka_unit_test(test_ranges_by_age),
        cmocka_unit_test(test_charted_as_entered),
        cmocka_unit_test(test_quantities_of_the_context),
        cmocka_unit_test(test_interpretation_words),
    };

    return cmocka_run_group_tests(tests, bedside_load, kind_table_free);
}
