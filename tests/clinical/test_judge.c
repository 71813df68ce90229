/* test_judge.c - limits, ranges, grades: what is refused, asked, overridden and flagged, by the
 * tables of mappings/, and by small tables of our own for what those do not hold. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "bedside.h"
#include "clinical/clinical_private.h"
#include "heap.h"

#define ADULT "1950-03-14"

static struct kinds *kinds;

static int load(void **state)
{
    (void)state;
    kinds = bedside_table();
    return 0;
}

static int unload(void **state)
{
    (void)state;
    kinds_free(kinds);
    return 0;
}

/* ---- limits (clinical pack 4.2: a proposal, synthesis of the published cut-offs in 4.1) ---- */

enum passing { PLAIN, CONFIRMED, OVERRIDDEN };

/* The same, plain, confirmed and overridden; what stands then. */
static const struct {
    const char *born, *told;
    enum grade stands[3];
} limits[] = {
    {ADULT,        "heart-rate value=72:/min",                    {GRADE_FINE, GRADE_FINE, GRADE_FINE}        },
    {ADULT,        "heart-rate value=40:/min",                    {GRADE_FINE, GRADE_FINE, GRADE_FINE}        },
    {ADULT,        "heart-rate value=39.999:/min",                {GRADE_ASK, GRADE_FINE, GRADE_ASK}          },
    {ADULT,        "heart-rate value=150:/min",                   {GRADE_FINE, GRADE_FINE, GRADE_FINE}        },
    {ADULT,        "heart-rate value=151:/min",                   {GRADE_ASK, GRADE_FINE, GRADE_ASK}          },
    {ADULT,        "heart-rate value=300:/min",                   {GRADE_ASK, GRADE_FINE, GRADE_ASK}          },
    {ADULT,        "heart-rate value=301:/min",                   {GRADE_OVERRIDE, GRADE_OVERRIDE, GRADE_FINE}},
    {ADULT,        "heart-rate value=390:/min",                   {GRADE_OVERRIDE, GRADE_OVERRIDE, GRADE_FINE}},
    {ADULT,        "heart-rate value=391:/min",                   {GRADE_REFUSE, GRADE_REFUSE, GRADE_REFUSE}  },
    {ADULT,        "heart-rate value=0:/min",                     {GRADE_REFUSE, GRADE_REFUSE, GRADE_REFUSE}  },
    {ADULT,        "heart-rate value=-72:/min",                   {GRADE_REFUSE, GRADE_REFUSE, GRADE_REFUSE}  },
    {ADULT,        "heart-rate value=170:{beats}/min",            {GRADE_ASK, GRADE_FINE, GRADE_ASK}          },
    {ADULT,        "respiratory-rate value=7:/min",               {GRADE_ASK, GRADE_FINE, GRADE_ASK}          },
    {ADULT,        "respiratory-rate value=8:/min",               {GRADE_FINE, GRADE_FINE, GRADE_FINE}        },
    {ADULT,        "respiratory-rate value=35:/min",              {GRADE_FINE, GRADE_FINE, GRADE_FINE}        },
    {ADULT,        "respiratory-rate value=36:/min",              {GRADE_ASK, GRADE_FINE, GRADE_ASK}          },
    {ADULT,        "respiratory-rate value=81:/min",              {GRADE_OVERRIDE, GRADE_OVERRIDE, GRADE_FINE}},
    {ADULT,        "oxygen-saturation value=100:%",               {GRADE_FINE, GRADE_FINE, GRADE_FINE}        },
    {ADULT,        "oxygen-saturation value=100.1:%",             {GRADE_REFUSE, GRADE_REFUSE, GRADE_REFUSE}  },
    {ADULT,        "oxygen-saturation value=85:%",                {GRADE_FINE, GRADE_FINE, GRADE_FINE}        },
    {ADULT,        "oxygen-saturation value=84:%",                {GRADE_ASK, GRADE_FINE, GRADE_ASK}          },
    {ADULT,        "oxygen-saturation value=29:%",                {GRADE_OVERRIDE, GRADE_OVERRIDE, GRADE_FINE}},
    {ADULT,        "body-temperature value=40.0:Cel",             {GRADE_FINE, GRADE_FINE, GRADE_FINE}        },
    {ADULT,        "body-temperature value=40.1:Cel",             {GRADE_ASK, GRADE_FINE, GRADE_ASK}          },
    {ADULT,        "body-temperature value=35.0:Cel",             {GRADE_FINE, GRADE_FINE, GRADE_FINE}        },
    {ADULT,        "body-temperature value=34.9:Cel",             {GRADE_ASK, GRADE_FINE, GRADE_ASK}          },
 /* the same limits in °F, exactly: 104 is 40, 113 is 45 */
    {ADULT,        "body-temperature value=104:[degF]",           {GRADE_FINE, GRADE_FINE, GRADE_FINE}        },
    {ADULT,        "body-temperature value=104.000000001:[degF]", {GRADE_ASK, GRADE_FINE, GRADE_ASK}          },
    {ADULT,        "body-temperature value=113:[degF]",           {GRADE_ASK, GRADE_FINE, GRADE_ASK}          },
    {ADULT,
     "body-temperature value=113.000000001:[degF]",               {GRADE_REFUSE, GRADE_REFUSE, GRADE_REFUSE}  },
    {ADULT,        "body-temperature value=77:[degF]",            {GRADE_ASK, GRADE_FINE, GRADE_ASK}          },
    {ADULT,
     "body-temperature value=76.999999999:[degF]",                {GRADE_REFUSE, GRADE_REFUSE, GRADE_REFUSE}  },
    {ADULT,        "pain value=10:{score} location=knee",         {GRADE_FINE, GRADE_FINE, GRADE_FINE}        },
    {ADULT,        "pain value=11:{score} location=knee",         {GRADE_REFUSE, GRADE_REFUSE, GRADE_REFUSE}  },
    {ADULT,        "pain value=3.5:{score} location=knee",        {GRADE_REFUSE, GRADE_REFUSE, GRADE_REFUSE}  },
    {ADULT,        "pain value=3.0:{score} location=knee",        {GRADE_FINE, GRADE_FINE, GRADE_FINE}        },
    {ADULT,        "pain value=-1:{score}",                       {GRADE_REFUSE, GRADE_REFUSE, GRADE_REFUSE}  },
    {ADULT,        "glasgow-coma-scale total=2:{score}",          {GRADE_REFUSE, GRADE_REFUSE, GRADE_REFUSE}  },
    {ADULT,        "glasgow-coma-scale total=16:{score}",         {GRADE_REFUSE, GRADE_REFUSE, GRADE_REFUSE}  },
    {ADULT,        "body-weight value=501:kg",                    {GRADE_OVERRIDE, GRADE_OVERRIDE, GRADE_FINE}},
    {ADULT,        "body-weight value=500:kg",                    {GRADE_ASK, GRADE_FINE, GRADE_ASK}          },
    {ADULT,
     "body-weight value=440.92:[lb_av]",                          {GRADE_FINE, GRADE_FINE, GRADE_FINE}        }, /* 199.998 kg */
    {ADULT,
     "body-weight value=440.93:[lb_av]",                          {GRADE_ASK, GRADE_FINE, GRADE_ASK}          }, /* 200.002 kg */
    {ADULT,        "glucose value=22.2:mmol/L",                   {GRADE_FINE, GRADE_FINE, GRADE_FINE}        },
    {ADULT,        "glucose value=22.3:mmol/L",                   {GRADE_ASK, GRADE_FINE, GRADE_ASK}          },
    {ADULT,
     "glucose value=100:mg/dL",                                   {GRADE_FINE, GRADE_FINE, GRADE_FINE}        }, /* rows of the other unit are silent */
  /* of a child: the row of its age speaks, and no other */
    {"2026-10-01", "heart-rate value=170:/min",                   {GRADE_FINE, GRADE_FINE, GRADE_FINE}        },
    {"2026-10-01", "heart-rate value=80:/min",                    {GRADE_ASK, GRADE_FINE, GRADE_ASK}          },
    {"2026-11-20", "body-weight value=3.4:kg",                    {GRADE_FINE, GRADE_FINE, GRADE_FINE}        },
    {"2026-11-20", "body-weight value=8.1:kg",                    {GRADE_OVERRIDE, GRADE_OVERRIDE, GRADE_FINE}},
 /* no birth date: as of an adult where the row says so, and what cannot be at any age */
    {NULL,         "heart-rate value=72:/min",                    {GRADE_FINE, GRADE_FINE, GRADE_FINE}        },
    {NULL,         "heart-rate value=151:/min",                   {GRADE_ASK, GRADE_FINE, GRADE_ASK}          },
    {NULL,         "heart-rate value=391:/min",                   {GRADE_REFUSE, GRADE_REFUSE, GRADE_REFUSE}  },
};

static void test_limits(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof(limits) / sizeof(limits[0]); i++)
        for (int how = PLAIN; how <= OVERRIDDEN; how++) {
            struct bedside bedside;
            struct judgement *judgement = &bedside.judgements[0];
            enum grade stands = limits[i].stands[how], plain = limits[i].stands[PLAIN];

            bedside_begin(&bedside, kinds, limits[i].born);
            bedside_tell(&bedside, limits[i].told);
            bedside.readings[0].confirmed = how == CONFIRMED;
            if (how == OVERRIDDEN)
                bedside.readings[0].override = (struct override){true, "p-1", "p-2", "seen twice"};
            bedside_judge(&bedside);
            if (judgement->grade != stands)
                fail_msg("%s, way %d: grade %d, %s", limits[i].told, how, judgement->grade,
                         bedside_found(&bedside));
            assert_int_equal(bedside.problems.count > 0, stands != GRADE_FINE);
            assert_int_equal(judgement->asked, how == CONFIRMED && plain == GRADE_ASK);
            assert_int_equal(judgement->overridden, how == OVERRIDDEN && plain == GRADE_OVERRIDE);
            if (stands == GRADE_OVERRIDE)
                assert_true(bedside.problems.items[0].may_override);
            bedside_end(&bedside);
        }
}

static const struct {
    const char *told, *detail; /* a part of it */
} details[] = {
    {"heart-rate value=420:/min",                              "Pulse 420 /min is above 390 /min, which cannot be"            },
    {"heart-rate value=310:/min",                              "Pulse 310 /min is above 300 /min: taken only with an override"},
    {"heart-rate value=170:/min",                              "Pulse 170 /min is above 150 /min: is it right?"               },
    {"heart-rate value=39.5:{beats}/min",
     "Pulse 39.5 beats/min is below 40 beats/min: is it right?"                                                               },
    {"heart-rate value=0:/min",
     "Pulse 0 /min is below 1 /min, which cannot be; "                                                                        }, /* then the row's own words */
    {"heart-rate value=0:/min",                                "not taken"                                                    },
    {"body-temperature value=120:[degF]",                      "Temperature 120 °F is above 113 °F, which cannot be"        },
    {"body-temperature value=104.5:[degF]",                    "Temperature 104.5 °F is above 104 °F: is it right?"         },
    {"body-temperature value=320:K",                           "Temperature 320 K is above 318.15 K, which cannot be"         },
    {"body-weight value=1200:[lb_av]",
     "Weight 1200 lb is above 1102.3 lb: taken only with an override"                                                         },
    {"glucose value=25:mmol/L",                                "Glucose 25 mmol/L is above 22.2 mmol/L: is it right?"         },
    {"pain value=3.5:{score}",                                 "Pain is a whole number"                                       },
    {"blood-pressure systolic=400:mm[Hg] diastolic=80:mm[Hg]",
     "Systolic blood pressure 400 mmHg is above 375 mmHg"                                                                     },
};

static void test_what_is_said(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof(details) / sizeof(details[0]); i++) {
        struct bedside bedside;

        bedside_begin(&bedside, kinds, ADULT);
        bedside_tell(&bedside, details[i].told);
        bedside_judge(&bedside);
        if (!strstr(bedside_found(&bedside), details[i].detail))
            fail_msg("%s: %s", details[i].told, bedside_found(&bedside));
        bedside_end(&bedside);
    }
}

static const struct {
    const char *told, *pointer;
} places[] = {
    {"heart-rate value=420:/min",                                                                   "/readings/0/value"  },
    {"heart-rate counted=200/15",                                                                   "/readings/0/counted"},
    {"pain value=3:{score} location=knee | blood-pressure systolic=400:mm[Hg] diastolic=80:mm[Hg]",
     "/readings/1/systolic"                                                                                              },
    {"oxygen-saturation value=97:% oxygen.device=other-device oxygen.flow=151:L/min",
     "/readings/0/oxygen/flow"                                                                                           },
};

static void test_where_it_is_found(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof(places) / sizeof(places[0]); i++) {
        struct bedside bedside;

        bedside_begin(&bedside, kinds, ADULT);
        bedside_tell(&bedside, places[i].told);
        bedside_judge(&bedside);
        if (!bedside_problem(&bedside, places[i].pointer, PROBLEM_IMPLAUSIBLE, NULL))
            fail_msg("%s: %s", places[i].told, bedside_found(&bedside));
        bedside_end(&bedside);
    }
}

/* ---- overrides ---- */

static const struct {
    struct override override;
    bool passes;
} overrides[] = {
    {{true, "p-1", "p-2", "seen on two devices"},  true },
    {{true, "p-1", "p-1", "seen on two devices"},  false}, /* the second is another */
    {{true, "p-1", NULL, "seen on two devices"},   false},
    {{true, NULL, "p-2", "seen on two devices"},   false},
    {{true, "p-1", "p-2", NULL},                   false},
    {{true, "p-1", "p-2", ""},                     false},
    {{true, "", "p-2", "seen on two devices"},     false},
    {{false, "p-1", "p-2", "seen on two devices"}, false},
};

static void test_an_override_takes_two(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof(overrides) / sizeof(overrides[0]); i++) {
        struct bedside bedside;

        bedside_begin(&bedside, kinds, ADULT);
        bedside_tell(&bedside, "heart-rate value=310:/min");
        bedside.readings[0].override = overrides[i].override;
        bedside_judge(&bedside);
        assert_int_equal(bedside.judgements[0].overridden, overrides[i].passes);
        assert_int_equal(bedside.problems.count, overrides[i].passes ? 0 : 1);
        if (!overrides[i].passes)
            assert_int_equal(strstr(bedside.problems.items[0].detail, "second other than") != NULL,
                             overrides[i].override.given);
        bedside_end(&bedside);
    }
}

static void test_where_nobody_is_there(void **state)
{
    static const struct {
        const char *told;
        enum grade grade;
        size_t problems;
    } rows[] = {
        {"heart-rate value=72:/min",  GRADE_FINE,     0},
        {"heart-rate value=170:/min", GRADE_ASK,      0}, /* held by the caller */
        {"heart-rate value=310:/min", GRADE_OVERRIDE, 1},
        {"heart-rate value=420:/min", GRADE_REFUSE,   1},
    };

    (void)state;
    for (size_t i = 0; i < sizeof(rows) / sizeof(rows[0]); i++) {
        struct bedside bedside;

        bedside_begin(&bedside, kinds, ADULT);
        bedside.frame.nobody_there = true;
        bedside_tell(&bedside, rows[i].told);
        bedside_judge(&bedside);
        assert_int_equal(bedside.judgements[0].grade, rows[i].grade);
        assert_int_equal(bedside.problems.count, rows[i].problems);
        bedside_end(&bedside);
    }
}

static void test_what_was_not_taken_is_not_judged(void **state)
{
    struct bedside bedside;

    (void)state;
    bedside_begin(&bedside, kinds, ADULT);
    bedside_tell(&bedside, "heart-rate not-taken=refused"
                           " | blood-pressure systolic=90:mm[Hg] diastolic=not-taken-unable");
    bedside_judge(&bedside);
    assert_int_equal(bedside.problems.count, 0);
    assert_false(bedside.judgements[0].parts[0].has_charted);
    assert_null(bedside.judgements[0].parts[0].range);
    assert_true(bedside.judgements[1].parts[0].has_charted);
    assert_false(bedside.judgements[1].parts[1].has_charted);
    bedside_end(&bedside);
}

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
    {"body-temperature value=98.6:[degF] route=oral",          "value",     N, NULL,           "37.0"},
    {"body-temperature value=98.60:[degF] route=oral",         "value",     N, NULL,           "37.0"},
    {"body-temperature value=97:[degF] route=oral",            "value",     N, NULL,           "36.1"},
    {"body-temperature value=99:[degF] route=oral",            "value",     N, NULL,           "37.2"},
    {"body-temperature value=97:[degF]",                       "value",     N, NULL,           "36.1"},
    {"body-temperature value=99:[degF]",                       "value",     N, NULL,           "37.2"},
    {"body-temperature value=100.4:[degF] route=oral",         "value",     H, NULL,           "38.0"},
    {"body-temperature value=100.5:[degF] route=oral",         "value",     H, "fever",        "38.1"},
    {"body-temperature value=38.1:Cel route=oral",             "value",     H, "fever",        "38.1"},
    {"body-temperature value=34.9:Cel route=rectal confirmed", "value",     L, "hypothermia",  "34.9"},
 /* the range is that of the route (OPENRN) */
    {"body-temperature value=37.5:Cel route=oral",             "value",     H, NULL,           "37.5"},
    {"body-temperature value=37.5:Cel route=rectal",           "value",     N, NULL,           "37.5"},
    {"body-temperature value=36.5:Cel route=axillary",         "value",     H, NULL,           "36.5"},
 /* judged as charted: 99.2 °F is 37.33, charted 37.3 */
    {"body-temperature value=99.2:[degF] route=oral",          "value",     N, NULL,           "37.3"},
    {"body-temperature value=99.3:[degF] route=oral",          "value",     H, NULL,           "37.4"},
 /* pulse 60 to 100; under is brady-, over is tachycardia (common practice) */
    {"heart-rate value=59:/min",                               "value",     L, "bradycardia",  "59"  },
    {"heart-rate value=60:/min",                               "value",     N, NULL,           "60"  },
    {"heart-rate value=100:/min",                              "value",     N, NULL,           "100" },
    {"heart-rate value=101:/min",                              "value",     H, "tachycardia",  "101" },
    {"heart-rate counted=18/15",                               "value",     N, NULL,           "72"  },
    {"respiratory-rate value=11:/min",                         "value",     L, "bradypnoea",   "11"  },
    {"respiratory-rate value=12:/min",                         "value",     N, NULL,           "12"  },
    {"respiratory-rate value=20:/min",                         "value",     N, NULL,           "20"  },
    {"respiratory-rate value=21:/min",                         "value",     H, "tachypnoea",   "21"  },
 /* saturation 95 to 100 % (common practice) */
    {"oxygen-saturation value=94:%",                           "value",     L, NULL,           "94"  },
    {"oxygen-saturation value=95:%",                           "value",     N, NULL,           "95"  },
    {"oxygen-saturation value=100:%",                          "value",     N, NULL,           "100" },
 /* 90/60 to 120/80 usual, above 140/90 high, below 90/60 low (common practice) */
    {"blood-pressure systolic=89:mm[Hg] diastolic=59:mm[Hg]",  "systolic",  L, "low reading",  "89"  },
    {"blood-pressure systolic=89:mm[Hg] diastolic=59:mm[Hg]",  "diastolic", L, "low reading",  "59"  },
    {"blood-pressure systolic=90:mm[Hg] diastolic=60:mm[Hg]",  "systolic",  N, NULL,           "90"  },
    {"blood-pressure systolic=90:mm[Hg] diastolic=60:mm[Hg]",  "diastolic", N, NULL,           "60"  },
    {"blood-pressure systolic=120:mm[Hg] diastolic=80:mm[Hg]", "systolic",  N, NULL,           "120" },
    {"blood-pressure systolic=120:mm[Hg] diastolic=80:mm[Hg]", "diastolic", N, NULL,           "80"  },
    {"blood-pressure systolic=140:mm[Hg] diastolic=90:mm[Hg]", "systolic",  N, NULL,           "140" },
    {"blood-pressure systolic=141:mm[Hg] diastolic=91:mm[Hg]", "systolic",  H, "high reading",
     "141"                                                                                           },
    {"blood-pressure systolic=141:mm[Hg] diastolic=91:mm[Hg]", "diastolic", H, "high reading",
     "91"                                                                                            },
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

/* ---- a table of our own: what mappings/ does not hold ---- */

static const struct unit drops = {"{drops}", "drops", 0}, buckets = {"{buckets}", "buckets", 1},
                         oceans = {"{oceans}", "oceans", 0};
static const struct conversion ways[] = {
    {&drops,  &buckets, {0, 0}, {1, 0},               {1000, 0}           },
    {&oceans, &buckets, {0, 0}, {999999999999999, 0}, {999999999999999, 9}}, /* too much for us */
};
static const struct unit *const units[] = {&buckets, &drops, &oceans};
static const struct limit rain_limits[] = {
    {.grade = GRADE_ASK,                            .bound = {.has_above = true, .above = {5, 0}}, .source = "invented"},
    { .grade = GRADE_REFUSE,
     .in = &drops,
     .bound = {.has_above = true, .above = {9000, 0}},
     .source = "invented"},
    {                                                                                               .grade = GRADE_OVERRIDE,
     .bound = {.has_above = true, .above = {8, 0}},
     .source = "invented",
     .say = "{value} is a lot, {value/10} is not; {nothing}and {value*100}"},
};
static const struct range rain_ranges[] = {
    {.in = &drops,           .has_high = true, .high = {100, 0}, .text = "in drops"},
    { .has_low = true,
     .low = {2, 0},
     .has_high = true,
     .high = {4, 0},
     .has_low_critical = true,
     .low_critical = {1, 0},
     .has_high_critical = true,
     .high_critical = {5, 0},
     .text = "in buckets"},
};
static struct kind rain;
static const struct path amount = {.kind = &rain, .index = 0};
static const struct term huge_terms[] = {
    {{999999999999999, 0}, {.kind = &rain, .index = 0}},
    {{999999999999999, 9}, {.kind = &rain, .index = 0}},
};
static const struct condition too_much = {
    .type = CONDITION_SUM, .terms = huge_terms, .terms_count = 2, .bound = {.has_above = true}};
static const struct check rain_checks[] = {
    {.name = "too-much",
     .grade = GRADE_ASK,
     .code = PROBLEM_CONFIRM,
     .conditions = &too_much,
     .conditions_count = 1,
     .at = &amount,
     .at_count = 1,
     .say = "much",
     .source = "invented"},
};
static const struct part rain_parts[] = {
    {.name = "amount",
     .title = "Rain",
     .unit = &buckets,
     .accepts = units,
     .accepts_count = 3,
     .as_entered = &units[1],
     .as_entered_count = 1,
     .limits = rain_limits,
     .limits_count = 3,
     .ranges = rain_ranges,
     .ranges_count = 2},
};
static struct kind rain = {.name = "rain", .title = "Rain", .parts = rain_parts, .parts_count = 1};
static struct kinds weather = {.conversions = ways, .conversions_count = 2};

static void measure(struct bedside *bedside, struct decimal value, const struct unit *unit)
{
    bedside_begin(bedside, &weather, ADULT);
    bedside->set.count = 1;
    bedside->readings[0].kind = &rain;
    bedside->readings[0].pointer = "";
    bedside->readings[0].parts[0] =
        (struct measured){.type = MEASURED_NUMBER, .value = value, .unit = unit};
    bedside_judge(bedside);
}

static void test_critical_bounds(void **state)
{
    static const struct {
        struct decimal buckets;
        enum interpretation seen;
    } rows[] = {
        {{9, 1},  INTERPRETATION_LOW_CRITICAL },
        {{10, 1}, L                           },
        {{19, 1}, L                           },
        {{20, 1}, N                           },
        {{40, 1}, N                           },
        {{41, 1}, H                           },
        {{50, 1}, H                           },
        {{51, 1}, INTERPRETATION_HIGH_CRITICAL},
    };

    (void)state;
    rain.checks_count = 0;
    for (size_t i = 0; i < sizeof(rows) / sizeof(rows[0]); i++) {
        struct bedside bedside;

        measure(&bedside, rows[i].buckets, &buckets);
        assert_int_equal(bedside.judgements[0].parts[0].interpretation, rows[i].seen);
        assert_string_equal(bedside.judgements[0].parts[0].range->text, "in buckets");
        bedside_end(&bedside);
    }
}

/* A row `in` a unit speaks for values sent in that unit, and a range only where they go out in it.
 */
static void test_rows_in_a_unit(void **state)
{
    struct bedside bedside;

    (void)state;
    rain.checks_count = 0;
    measure(&bedside, (struct decimal){3000, 0}, &drops);
    assert_string_equal(bedside.judgements[0].parts[0].range->text, "in buckets");
    assert_int_equal(bedside.judgements[0].parts[0].interpretation, N);
    bedside_end(&bedside);

    bedside_begin(&bedside, &weather, ADULT);
    bedside.frame.as_entered = true;
    bedside.set.count = 1;
    bedside.readings[0] = (struct reading){.kind = &rain, .pointer = ""};
    bedside.readings[0].parts[0] = (struct measured){
        .type = MEASURED_NUMBER, .value = {3000, 0},
             .unit = &drops
    };
    bedside_judge(&bedside);
    assert_string_equal(bedside.judgements[0].parts[0].range->text, "in drops");
    assert_int_equal(bedside.judgements[0].parts[0].interpretation, H);
    bedside_end(&bedside);

    measure(&bedside, (struct decimal){9001, 0}, &drops);
    assert_int_equal(bedside.judgements[0].grade, GRADE_REFUSE); /* the worst of three */
    assert_string_equal(bedside.problems.items[0].detail,
                        "Rain 9001 drops is above 9000 drops, which cannot be");
    bedside_end(&bedside);

    measure(&bedside, (struct decimal){91, 1}, &buckets);
    assert_int_equal(bedside.judgements[0].grade, GRADE_OVERRIDE);
    assert_non_null(strstr(bedside.problems.items[0].detail,
                           "; 9.1 buckets is a lot, 0.91 buckets is not; and 910 buckets"));
    bedside_end(&bedside);
}

/* Numbers beyond our arithmetic are refused in words; never charted, never wrapped. */
static void test_arithmetic_that_does_not_fit(void **state)
{
    struct bedside bedside;

    (void)state;
    rain.checks_count = 0;
    measure(&bedside, (struct decimal){999999999999999, 0}, &oceans);
    assert_non_null(bedside_problem(&bedside, "/amount", PROBLEM_IMPLAUSIBLE,
                                    "999999999999999 oceans is a number that cannot be converted"));
    assert_int_equal(bedside.judgements[0].grade, GRADE_REFUSE);
    assert_false(bedside.judgements[0].parts[0].has_charted);
    bedside_end(&bedside);

    rain.checks = rain_checks;
    rain.checks_count = 1;
    measure(&bedside, (struct decimal){999999999999999, 9}, &buckets);
    assert_non_null(
        bedside_problem(&bedside, "/amount", PROBLEM_IMPLAUSIBLE, "too large to be compared"));
    bedside_end(&bedside);
    measure(&bedside, (struct decimal){1, 0}, &buckets);
    assert_non_null(bedside_problem(&bedside, "/amount", PROBLEM_CONFIRM, "much"));
    bedside_end(&bedside);
}

/* What converts but has no room when rounded: 10^14 and three more digits. */
static void test_no_room_for_what_is_charted(void **state)
{
    static const struct conversion way = {
        &drops, &buckets, {0,    0},
          {1000, 0},
          {1,    0}
    };
    static const struct part parts[] = {
        {.name = "amount",
         .title = "Rain",
         .unit = &buckets,
         .accepts = units,
         .accepts_count = 3}
    };
    static const struct kind flood = {
        .name = "flood", .title = "Flood", .parts = parts, .parts_count = 1};
    struct kinds table = {.conversions = &way, .conversions_count = 1};
    struct bedside bedside;

    (void)state;
    bedside_begin(&bedside, &table, NULL);
    bedside.set.count = 1;
    bedside.readings[0] = (struct reading){.kind = &flood, .pointer = ""};
    bedside.readings[0].parts[0] = (struct measured){
        .type = MEASURED_NUMBER, .value = {100000000000000, 0},
             .unit = &drops
    };
    bedside_judge(&bedside);
    assert_non_null(
        bedside_problem(&bedside, "/amount", PROBLEM_IMPLAUSIBLE, "cannot be converted"));
    assert_false(bedside.judgements[0].parts[0].has_charted);
    bedside_end(&bedside);
}

/* ---- memory ---- */

static void test_nothing_is_allocated_for_a_plain_reading(void **state)
{
    struct bedside bedside;
    enum status status;

    (void)state;
    bedside_begin(&bedside, kinds, ADULT);
    bedside_tell(&bedside, "heart-rate value=72:/min site=radial-artery rhythm=regular"
                           " | blood-pressure systolic=120:mm[Hg] diastolic=80:mm[Hg]"
                           " | last heart-rate value=70:/min");
    heap_fail_at(1);
    status = set_judge(&bedside.set, &bedside.frame, bedside.judgements, &bedside.problems);
    heap_fail_at(0);
    assert_false(heap_did_fail());
    assert_int_equal(status, STATUS_OK);
    bedside_end(&bedside);
}

static void test_each_failed_allocation(void **state)
{
    enum status status = STATUS_NO_MEMORY;
    unsigned nth = 0;

    (void)state;
    while (status != STATUS_OK) {
        struct bedside bedside;

        bedside_begin(&bedside, kinds, ADULT);
        bedside_tell(
            &bedside,
            "pain value=3:{score} | heart-rate value=420:/min | heart-rate value=170:/min"
            " | heart-rate value=310:/min | body-temperature value=98.6:Cel"
            " | blood-pressure systolic=121:mm[Hg] diastolic=81:mm[Hg] method=auscultation");
        heap_fail_at(++nth);
        status = set_judge(&bedside.set, &bedside.frame, bedside.judgements, &bedside.problems);
        heap_fail_at(0);
        assert_int_equal(status, heap_did_fail() ? STATUS_NO_MEMORY : STATUS_OK);
        bedside_end(&bedside);
    }
    assert_in_range(nth, 5, 100);
}

/* ---- whatever is sent ---- */

static uint64_t random_next(
    uint64_t *seed) /* xorshift64 (Marsaglia 2003); the same numbers on every run */
{
    *seed ^= *seed << 13;
    *seed ^= *seed >> 7;
    *seed ^= *seed << 17;
    return *seed;
}

static struct decimal random_decimal(uint64_t *seed)
{
    static const int64_t sizes[] = {10, 100, 1000, 100000, 1000000000000000};
    int64_t size = sizes[random_next(seed) % 5];
    int64_t digits = (int64_t)(random_next(seed) % (uint64_t)size);

    return (struct decimal){random_next(seed) % 8 ? digits : -digits,
                            (unsigned)(random_next(seed) % 10)};
}

static const struct unit *random_unit(const struct part *part, uint64_t *seed)
{
    return part->accepts[random_next(seed) % part->accepts_count];
}

static struct measured random_measured(const struct part *part, uint64_t *seed)
{
    struct measured measured = {.type = MEASURED_NONE};

    if (random_next(seed) % 8 == 0)
        return measured;
    if (part->type == PART_WORD) {
        measured.type = MEASURED_WORD;
        measured.word = &part->list->words[random_next(seed) % part->list->count];
        return measured;
    }
    measured.type = MEASURED_NUMBER;
    measured.value = random_decimal(seed);
    measured.unit = random_unit(part, seed);
    return measured;
}

static void random_field(struct bedside *bedside, size_t reading, size_t index, uint64_t *seed)
{
    const struct field *field = &bedside->readings[reading].kind->fields[index];
    struct said *said = &bedside->readings[reading].fields[index];

    said->given = random_next(seed) % 2;
    if (field->type == FIELD_QUANTITY) {
        said->value = random_decimal(seed);
        said->unit = random_unit(&field->quantity, seed);
    } else if (field->list && said->given) {
        said->words = bedside->words[reading][index];
        said->words[0] = &field->list->words[random_next(seed) % field->list->count];
        said->words_count = 1;
    }
}

static void random_set(struct bedside *bedside, uint64_t *seed)
{
    size_t count = 1 + random_next(seed) % 8;

    bedside->frame.nobody_there = random_next(seed) % 2;
    bedside->frame.as_entered = random_next(seed) % 2;
    for (size_t i = 0; i < count; i++) {
        const struct kind *kind = kinds_at(kinds, random_next(seed) % kinds_count(kinds));
        struct reading *reading = bedside_reading(bedside, kind->name);
        struct last *last = bedside_last(bedside, kind->name);

        reading->confirmed = random_next(seed) % 2;
        if (random_next(seed) % 10 == 0)
            reading->not_taken = kinds_reason_at(kinds, 0);
        for (size_t j = 0; j < kind->parts_count; j++) {
            reading->parts[j] = random_measured(&kind->parts[j], seed);
            last->parts[j] = random_measured(&kind->parts[j], seed);
        }
        for (size_t j = 0; j < kind->fields_count; j++)
            random_field(bedside, i, j, seed);
    }
}

/* Each problem has a place and words; what is refused has a problem; what is charted was not
 * refused. */
static void check_whole(const struct bedside *bedside)
{
    size_t refused = 0;

    for (size_t i = 0; i < bedside->set.count; i++)
        refused += bedside->judgements[i].grade >= GRADE_OVERRIDE;
    assert_true(refused == 0 || bedside->problems.count > 0);
    for (size_t i = 0; i < bedside->problems.count; i++) {
        assert_int_equal(bedside->problems.items[i].pointer[0], '/');
        assert_int_not_equal(bedside->problems.items[i].detail[0], '\0');
        assert_null(strchr(bedside->problems.items[i].detail, '{'));
    }
    for (size_t i = 0; i < bedside->set.count; i++)
        for (size_t j = 0; j < bedside->readings[i].kind->parts_count; j++)
            if (bedside->judgements[i].grade < GRADE_REFUSE &&
                bedside->readings[i].parts[j].type == MEASURED_NUMBER &&
                !bedside->readings[i].not_taken)
                assert_true(bedside->judgements[i].parts[j].has_charted);
}

static void test_whatever_is_sent(void **state)
{
    static const char *const births[] = {NULL, ADULT, "2020-05-05", "2026-11-20", "2027-01-01"};
    uint64_t seed = 20261125;

    (void)state;
    for (int round = 0; round < 20000; round++) {
        struct bedside bedside;
        struct worked_out worked_out[WORKED_OUT_MOST];
        struct score_answer answer;
        struct decimal estimate;
        bool asked;

        bedside_begin(&bedside, kinds, births[random_next(&seed) % 5]);
        random_set(&bedside, &seed);
        bedside_judge(&bedside);
        check_whole(&bedside);
        assert_true(set_work_out(&bedside.set, bedside.judgements, worked_out) <= WORKED_OUT_MOST);
        set_score(&bedside.set, bedside.judgements, 0, &asked, &answer);
        for (size_t i = 0; i < bedside.set.count; i++)
            for (size_t j = 0; j < bedside.readings[i].kind->parts_count; j++)
                (void)part_estimate(&bedside.set, i, j, &estimate);
        bedside_end(&bedside);
    }
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
        cmocka_unit_test(test_limits),
        cmocka_unit_test(test_what_is_said),
        cmocka_unit_test(test_where_it_is_found),
        cmocka_unit_test(test_an_override_takes_two),
        cmocka_unit_test(test_where_nobody_is_there),
        cmocka_unit_test(test_what_was_not_taken_is_not_judged),
        cmocka_unit_test(test_flags),
        cmocka_unit_test(test_no_birth_date_no_flag),
        cmocka_unit_test(test_ranges_by_age),
        cmocka_unit_test(test_charted_as_entered),
        cmocka_unit_test(test_quantities_of_the_context),
        cmocka_unit_test(test_critical_bounds),
        cmocka_unit_test(test_rows_in_a_unit),
        cmocka_unit_test(test_arithmetic_that_does_not_fit),
        cmocka_unit_test(test_no_room_for_what_is_charted),
        cmocka_unit_test(test_nothing_is_allocated_for_a_plain_reading),
        cmocka_unit_test(test_each_failed_allocation),
        cmocka_unit_test(test_whatever_is_sent),
        cmocka_unit_test(test_interpretation_words),
    };

    return cmocka_run_group_tests(tests, load, unload);
}
