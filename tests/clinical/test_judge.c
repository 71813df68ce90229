/* test_judge.c - limits and grades by the tables of mappings/: what is refused, asked and
 * overridden, where, and in which words. Ranges: test_range.c; what no table holds:
 * test_extremes.c. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "bedside.h"

#define ADULT "1950-03-14"

/* ---- limits (clinical pack 4.2: a proposal, synthesis of the published cut-offs in 4.1) ---- */

enum passing { PLAIN, CONFIRMED, OVERRIDDEN };

/* The same, plain, confirmed and overridden; what stands then. */
static const struct {
    const char *born, *told;
    enum grade stands[3];
} limits[] = {
    {ADULT,        "heart-rate value=72:/min",                       {GRADE_FINE, GRADE_FINE, GRADE_FINE}        },
    {ADULT,        "heart-rate value=40:/min",                       {GRADE_FINE, GRADE_FINE, GRADE_FINE}        },
    {ADULT,        "heart-rate value=39.999:/min",                   {GRADE_ASK, GRADE_FINE, GRADE_ASK}          },
    {ADULT,        "heart-rate value=150:/min",                      {GRADE_FINE, GRADE_FINE, GRADE_FINE}        },
    {ADULT,        "heart-rate value=151:/min",                      {GRADE_ASK, GRADE_FINE, GRADE_ASK}          },
    {ADULT,        "heart-rate value=300:/min",                      {GRADE_ASK, GRADE_FINE, GRADE_ASK}          },
    {ADULT,        "heart-rate value=301:/min",                      {GRADE_OVERRIDE, GRADE_OVERRIDE, GRADE_FINE}},
    {ADULT,        "heart-rate value=390:/min",                      {GRADE_OVERRIDE, GRADE_OVERRIDE, GRADE_FINE}},
    {ADULT,        "heart-rate value=391:/min",                      {GRADE_REFUSE, GRADE_REFUSE, GRADE_REFUSE}  },
    {ADULT,        "heart-rate value=0:/min",                        {GRADE_REFUSE, GRADE_REFUSE, GRADE_REFUSE}  },
    {ADULT,        "heart-rate value=-72:/min",                      {GRADE_REFUSE, GRADE_REFUSE, GRADE_REFUSE}  },
    {ADULT,        "heart-rate value=170:{beats}/min",               {GRADE_ASK, GRADE_FINE, GRADE_ASK}          },
    {ADULT,        "respiratory-rate value=7:/min",                  {GRADE_ASK, GRADE_FINE, GRADE_ASK}          },
    {ADULT,        "respiratory-rate value=8:/min",                  {GRADE_FINE, GRADE_FINE, GRADE_FINE}        },
    {ADULT,        "respiratory-rate value=35:/min",                 {GRADE_FINE, GRADE_FINE, GRADE_FINE}        },
    {ADULT,        "respiratory-rate value=36:/min",                 {GRADE_ASK, GRADE_FINE, GRADE_ASK}          },
    {ADULT,        "respiratory-rate value=81:/min",                 {GRADE_OVERRIDE, GRADE_OVERRIDE, GRADE_FINE}},
    {ADULT,        "oxygen-saturation value=100:%",                  {GRADE_FINE, GRADE_FINE, GRADE_FINE}        },
    {ADULT,        "oxygen-saturation value=100.1:%",                {GRADE_REFUSE, GRADE_REFUSE, GRADE_REFUSE}  },
    {ADULT,        "oxygen-saturation value=85:%",                   {GRADE_FINE, GRADE_FINE, GRADE_FINE}        },
    {ADULT,        "oxygen-saturation value=84:%",                   {GRADE_ASK, GRADE_FINE, GRADE_ASK}          },
    {ADULT,        "oxygen-saturation value=29:%",                   {GRADE_OVERRIDE, GRADE_OVERRIDE, GRADE_FINE}},
    {ADULT,        "body-temperature value=41.0:Cel",                {GRADE_FINE, GRADE_FINE, GRADE_FINE}        },
    {ADULT,        "body-temperature value=41.1:Cel",                {GRADE_ASK, GRADE_FINE, GRADE_ASK}          },
    {ADULT,        "body-temperature value=35.0:Cel",                {GRADE_FINE, GRADE_FINE, GRADE_FINE}        },
    {ADULT,        "body-temperature value=34.9:Cel",                {GRADE_ASK, GRADE_FINE, GRADE_ASK}          },
    {ADULT,        "body-temperature value=34.9:Cel route=oral",     {GRADE_ASK, GRADE_FINE, GRADE_ASK}          },
 /* the axilla of a grown-up has a bound of its own, that of a child has not */
    {ADULT,        "body-temperature value=34.8:Cel route=axillary", {GRADE_FINE, GRADE_FINE, GRADE_FINE}        },
    {ADULT,        "body-temperature value=34.7:Cel route=axillary", {GRADE_ASK, GRADE_FINE, GRADE_ASK}          },
    {"2022-02-01",
     "body-temperature value=34.9:Cel route=axillary",               {GRADE_ASK, GRADE_FINE, GRADE_ASK}          },
    {NULL,         "body-temperature value=34.8:Cel route=axillary", {GRADE_FINE, GRADE_FINE, GRADE_FINE}        },
    {ADULT,
     "body-temperature value=34.9:Cel route=temporal-artery",        {GRADE_ASK, GRADE_FINE, GRADE_ASK}          },
 /* the same limits in °F, exactly: 105.8 is 41, 113 is 45 */
    {ADULT,        "body-temperature value=105.8:[degF]",            {GRADE_FINE, GRADE_FINE, GRADE_FINE}        },
    {ADULT,        "body-temperature value=105.800000001:[degF]",    {GRADE_ASK, GRADE_FINE, GRADE_ASK}          },
    {ADULT,        "body-temperature value=113:[degF]",              {GRADE_ASK, GRADE_FINE, GRADE_ASK}          },
    {ADULT,
     "body-temperature value=113.000000001:[degF]",                  {GRADE_REFUSE, GRADE_REFUSE, GRADE_REFUSE}  },
    {ADULT,        "body-temperature value=77:[degF]",               {GRADE_ASK, GRADE_FINE, GRADE_ASK}          },
    {ADULT,
     "body-temperature value=76.999999999:[degF]",                   {GRADE_REFUSE, GRADE_REFUSE, GRADE_REFUSE}  },
    {ADULT,        "pain value=10:{score} location=knee",            {GRADE_FINE, GRADE_FINE, GRADE_FINE}        },
    {ADULT,        "pain value=11:{score} location=knee",            {GRADE_REFUSE, GRADE_REFUSE, GRADE_REFUSE}  },
    {ADULT,        "pain value=3.5:{score} location=knee",           {GRADE_REFUSE, GRADE_REFUSE, GRADE_REFUSE}  },
    {ADULT,        "pain value=3.0:{score} location=knee",           {GRADE_FINE, GRADE_FINE, GRADE_FINE}        },
    {ADULT,        "pain value=-1:{score}",                          {GRADE_REFUSE, GRADE_REFUSE, GRADE_REFUSE}  },
    {ADULT,        "glasgow-coma-scale total=2:{score}",             {GRADE_REFUSE, GRADE_REFUSE, GRADE_REFUSE}  },
    {ADULT,        "glasgow-coma-scale total=16:{score}",            {GRADE_REFUSE, GRADE_REFUSE, GRADE_REFUSE}  },
    {ADULT,        "body-weight value=501:kg",                       {GRADE_OVERRIDE, GRADE_OVERRIDE, GRADE_FINE}},
    {ADULT,        "body-weight value=500:kg",                       {GRADE_ASK, GRADE_FINE, GRADE_ASK}          },
    {ADULT,
     "body-weight value=440.92:[lb_av]",                             {GRADE_FINE, GRADE_FINE, GRADE_FINE}        }, /* 199.998 kg */
    {ADULT,
     "body-weight value=440.93:[lb_av]",                             {GRADE_ASK, GRADE_FINE, GRADE_ASK}          }, /* 200.002 kg */
    {ADULT,        "glucose value=22.2:mmol/L",                      {GRADE_FINE, GRADE_FINE, GRADE_FINE}        },
    {ADULT,        "glucose value=22.3:mmol/L",                      {GRADE_ASK, GRADE_FINE, GRADE_ASK}          },
    {ADULT,
     "glucose value=100:mg/dL",                                      {GRADE_FINE, GRADE_FINE, GRADE_FINE}        }, /* rows of the other unit are silent */
  /* of a child: the row of its age speaks, and no other */
    {"2026-10-01", "heart-rate value=170:/min",                      {GRADE_FINE, GRADE_FINE, GRADE_FINE}        },
    {"2026-10-01", "heart-rate value=80:/min",                       {GRADE_ASK, GRADE_FINE, GRADE_ASK}          },
    {"2026-11-20", "body-weight value=3.4:kg",                       {GRADE_FINE, GRADE_FINE, GRADE_FINE}        },
    {"2026-11-20", "body-weight value=8.1:kg",                       {GRADE_OVERRIDE, GRADE_OVERRIDE, GRADE_FINE}},
 /* no birth date: as of an adult where the row says so, and what cannot be at any age */
    {NULL,         "heart-rate value=72:/min",                       {GRADE_FINE, GRADE_FINE, GRADE_FINE}        },
    {NULL,         "heart-rate value=151:/min",                      {GRADE_ASK, GRADE_FINE, GRADE_ASK}          },
    {NULL,         "heart-rate value=391:/min",                      {GRADE_REFUSE, GRADE_REFUSE, GRADE_REFUSE}  },
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
            for (size_t j = 0; j < PARTS_MOST; j++)
                if (bedside.readings[0].parts[j].type == MEASURED_NUMBER)
                    assert_int_equal(judgement->parts[j].has_charted, plain != GRADE_REFUSE);
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
    {"body-temperature value=106:[degF]",                      "Temperature 106 °F is above 105.8 °F: is it right?"         },
    {"body-temperature value=320:K",                           "Temperature 320 K is above 318.15 K, which cannot be"         },
    {"body-weight value=1200:[lb_av]",
     "Weight 1200 lb is above 1102.3 lb: taken only with an override"                                                         },
    {"body-temperature value=34.9:Cel route=temporal-artery",
     "this route"                                                                                                             }, /* of two alike the first */
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
    {"heart-rate counted=200/15 value=800:/min",                                                    "/readings/0/value"  }, /* sent itself */
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
    bedside_tell(&bedside, "heart-rate value=420:/min not-taken=refused"
                           " | blood-pressure systolic=90:mm[Hg] diastolic=not-taken-unable");
    bedside_judge(&bedside);
    assert_int_equal(bedside.problems.count, 0);
    assert_false(bedside.judgements[0].parts[0].has_charted);
    assert_null(bedside.judgements[0].parts[0].range);
    assert_true(bedside.judgements[1].parts[0].has_charted);
    assert_false(bedside.judgements[1].parts[1].has_charted);
    bedside_end(&bedside);
}

/* ---- what was answered is not asked again within a day ---- */

#define PRESSURE(systolic, diastolic) \
    "blood-pressure systolic=" systolic ":mm[Hg] diastolic=" diastolic ":mm[Hg]"

/* clang-format off */
static const struct {
    const char *told;
    enum grade stands;
    size_t problems;
} again[] = {
    {"heart-rate value=36:/min | last heart-rate value=39:/min days=0.2", GRADE_FINE, 0},
    {"heart-rate value=36:/min | last heart-rate value=39:/min days=1", GRADE_FINE, 0},
    /* 0.864 s more */
    {"heart-rate value=36:/min | last heart-rate value=39:/min days=1.00001", GRADE_ASK, 1},
    /* at the bound, which was never asked about, and far */
    {"heart-rate value=29:/min | last heart-rate value=40:/min days=0.2", GRADE_ASK, 1},
    /* near: to the digit, and not for longer */
    {"heart-rate value=36:/min | last heart-rate value=46:/min days=0.2", GRADE_FINE, 0},
    {"heart-rate value=36:/min | last heart-rate value=47:/min days=0.2", GRADE_ASK, 1},
    {"heart-rate value=36:/min | last heart-rate value=46:/min days=1.00001", GRADE_ASK, 1},
    /* the other bound */
    {"heart-rate value=36:/min | last heart-rate value=160:/min days=0.2", GRADE_ASK, 1},
    {"heart-rate value=170:/min | last heart-rate value=160:{beats}/min days=0.2", GRADE_FINE, 0},
    {"heart-rate value=310:/min | last heart-rate value=310:/min days=0.2", GRADE_OVERRIDE, 1},
    {"heart-rate value=391:/min | last heart-rate value=391:/min days=0.2", GRADE_REFUSE, 1},
    {"body-temperature value=34.6:Cel | last body-temperature value=93.9:[degF] days=0.2",
     GRADE_FINE, 0},
    {"body-temperature value=34.5:Cel | last body-temperature value=95:[degF] days=0.2", GRADE_FINE,
     0},
    {"body-temperature value=34.4:Cel | last body-temperature value=95:[degF] days=0.2", GRADE_ASK,
     1},
    {PRESSURE("224", "146") " | last " PRESSURE("221", "118") " days=0.2", GRADE_ASK, 1},
    {PRESSURE("224", "146") " | last " PRESSURE("221", "138") " days=0.2", GRADE_FINE, 0},
    /* where the table does not say so it is asked each time: a weight, and what is no part */
    {"body-weight value=210:kg | last body-weight value=209:kg days=0.2", GRADE_ASK, 1},
};
/* clang-format on */

static void test_what_was_answered_is_not_asked_again(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof(again) / sizeof(again[0]); i++) {
        struct bedside bedside;

        bedside_begin(&bedside, kinds, ADULT);
        bedside_tell(&bedside, again[i].told);
        bedside_judge(&bedside);
        if (bedside.judgements[0].grade != again[i].stands ||
            bedside.problems.count != again[i].problems)
            fail_msg("%s: grade %d, %s", again[i].told, bedside.judgements[0].grade,
                     bedside_found(&bedside));
        bedside_end(&bedside);
    }
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
        cmocka_unit_test(test_what_was_answered_is_not_asked_again),
    };

    return cmocka_run_group_tests(tests, bedside_load, kind_table_free);
}
