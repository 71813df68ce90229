/* test_score_withheld.c - when an early-warning score is withheld, and what is still said of it
 * (clinical pack 5.3, 5.4; mappings/scores/). */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "clinical/clinical_private.h"
#include "scoring.h"

/* ---- withheld ---- */

static const struct {
    const char *born;
    enum tribool pregnant;
    const char *why; /* a part of it; NULL: not withheld */
} patients[] = {
    {ADULT,        ANSWER_NOT_GIVEN, NULL        },
    {ADULT,        ANSWER_NO,        NULL        },
    {ADULT,        ANSWER_UNKNOWN,   NULL        },
    {ADULT,        ANSWER_YES,       "pregnant"  },
    {"2010-11-25", ANSWER_NOT_GIVEN, NULL        }, /* 16 today */
    {"2010-11-26", ANSWER_NOT_GIVEN, "under 16"  }, /* tomorrow */
    {NULL,         ANSWER_NOT_GIVEN, "birth date"},
    {"2026-11-26", ANSWER_NOT_GIVEN,
     "birth date"                                }, /* not born yet: one of the two dates is wrong */
};

static void test_for_whom_it_is_withheld(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof(patients) / sizeof(patients[0]); i++) {
        struct bedside bedside;
        struct score_answer answer;

        bedside_begin(&bedside, kinds, patients[i].born);
        bedside.set.pregnant = patients[i].pregnant;
        bedside_tell(&bedside, WHOLE);
        score_all(&bedside, &answer);
        assert_int_equal(answer.withheld, patients[i].why != NULL);
        assert_int_equal(answer.total, patients[i].why ? -1 : 0);
        assert_int_equal(answer.interval_minutes, patients[i].why ? -1 : 720);
        if (patients[i].why) {
            assert_non_null(strstr(answer.why, patients[i].why));
            assert_null(answer.risk);
            assert_int_equal(answer.points[0], -1); /* adult points of a child say nothing */
            assert_false(answer.single_trigger);
        }
        bedside_end(&bedside);
    }
}

/* What is told instead of the whole; what it says; the inputs named; the points still known. */
static const struct {
    const char *sent, *why;
    const char *missing[3];
    bool single;
} incomplete[] = {
    {"respiratory-rate value=25:/min",
     "missing: Oxygen saturation, Air or oxygen, Systolic blood pressure, Pulse, Consciousness, "
     "Temperature",                                                                                                                  {NULL},
     true },
    {"respiratory-rate not-taken=refused | oxygen-saturation value=98:% oxygen.device=room-air"
     " | blood-pressure systolic=124:mm[Hg] diastolic=78:mm[Hg] | heart-rate value=72:/min"
     " | consciousness value=alert | body-temperature value=36.8:Cel", "missing: Respirations",
     {"respirations"},
     false},
    {"respiratory-rate value=16:/min | oxygen-saturation value=98:%"
     " | blood-pressure systolic=124:mm[Hg] diastolic=78:mm[Hg] | heart-rate value=131:/min"
     " | consciousness value=alert | body-temperature value=36.8:Cel", "missing: Air or oxygen",
     {"oxygen"},
     true },
    {"respiratory-rate value=16:/min | oxygen-saturation value=98:% oxygen.device=room-air"
     " | blood-pressure systolic=not-taken-unable diastolic=78:mm[Hg] | heart-rate value=72:/min"
     " | consciousness value=alert | body-temperature not-taken=away", "missing: Systolic blood pressure, Temperature",
     {"systolic", "temperature"},
     false},
    {"respiratory-rate value=16:/min | oxygen-saturation value=98:% oxygen.device=room-air"
     " | blood-pressure systolic=124:mm[Hg] diastolic=78:mm[Hg] | heart-rate value=170:/min"
     " | body-temperature value=36.8:Cel",                             "missing: Consciousness; waiting for a decision: Pulse",
     {"pulse", "consciousness"},
     false},
};

static void test_what_is_missing_is_named(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof(incomplete) / sizeof(incomplete[0]); i++) {
        struct bedside bedside;
        struct score_answer answer;

        bedside_begin(&bedside, kinds, ADULT);
        bedside.frame.nobody_there = true; /* what is asked is held */
        bedside_tell(&bedside, incomplete[i].sent);
        bedside_judge(&bedside);
        assert_int_equal(bedside.problems.count, 0);
        score_all(&bedside, &answer);
        assert_true(answer.withheld);
        assert_int_equal(answer.total, -1);
        assert_null(answer.risk);
        assert_int_equal(answer.interval_minutes, -1);
        assert_string_equal(answer.why, incomplete[i].why);
        assert_int_equal(answer.single_trigger, incomplete[i].single);
        for (size_t j = 0; j < 3 && incomplete[i].missing[j]; j++)
            assert_string_equal(answer.missing[j], incomplete[i].missing[j]);
        bedside_end(&bedside);
    }
}

/* On scale 2 the points of 93 % and more depend on the oxygen: that is what is missing, not the
 * saturation, which was sent. */
static void test_points_that_depend_on_what_is_missing(void **state)
{
    struct bedside bedside;
    struct score_answer answer;

    (void)state;
    bedside_begin(&bedside, kinds, ADULT);
    bedside.set.scale = 2;
    bedside_tell(&bedside, "respiratory-rate value=16:/min | oxygen-saturation value=95:%"
                           " | blood-pressure systolic=124:mm[Hg] diastolic=78:mm[Hg]"
                           " | heart-rate value=72:/min | consciousness value=alert"
                           " | body-temperature value=36.8:Cel");
    score_all(&bedside, &answer);
    assert_string_equal(answer.why, "missing: Air or oxygen");
    assert_int_equal(answer.points[input_named(&answer, "saturation")], -1);
    assert_int_equal(answer.missing_count, 1);
    bedside_end(&bedside);
}

static void test_a_held_reading_does_not_score(void **state)
{
    struct bedside bedside;
    struct score_answer answer;

    (void)state;
    bedside_begin(&bedside, kinds, ADULT);
    bedside.frame.nobody_there = true;
    bedside_tell(&bedside, WHOLE);
    bedside.readings[3].parts[0].value = (struct decimal){170, 0};
    bedside_judge(&bedside);
    assert_int_equal(bedside.judgements[3].grade, GRADE_ASK);
    score_all(&bedside, &answer);
    assert_true(answer.withheld);
    assert_string_equal(answer.why, "waiting for a decision: Pulse");
    assert_int_equal(answer.points[input_named(&answer, "pulse")], -1);
    assert_int_equal(answer.readings[input_named(&answer, "pulse")], 3);
    bedside.readings[3].confirmed = true; /* a person said so: now it counts */
    judgement_clear(&bedside.judgements[3]);
    memset(bedside.judgements, 0, sizeof(bedside.judgements));
    bedside_judge(&bedside);
    score_all(&bedside, &answer);
    assert_false(answer.withheld);
    assert_int_equal(answer.total, 3);
    bedside_end(&bedside);
}

/* ---- a score of our own: with gaps, and many inputs with long names ---- */

#define LONG_TITLE "A sign of a long name, so that four of them fill any room, äöü"

static const struct unit drops = {"{drops}", "drops", 0}, oceans = {"{oceans}", "oceans", 0};
static const struct conversion too_far = {
    &oceans, &drops, {0,               0},
      {999999999999999, 0},
      {999999999999999, 9}
};
static const struct part rain_parts[] = {
    {.name = "amount", .title = "Rain", .unit = &drops   },
    {.name = "kind",   .title = "Kind", .type = PART_WORD},
};
static const struct kind rain = {
    .name = "rain", .title = "Rain", .parts = rain_parts, .parts_count = 2};
static const struct score_band rain_bands[] = {
    {.has_from = true,
     .from = {10, 0},
     .has_to = true,
     .to = {19, 0},
     .with = SIZE_MAX,
     .points = 1},
    {.has_from = true,      .from = {30, 0},   .with = SIZE_MAX, .points = 4},
};
static const struct score_word rain_words[] = {
    {"warm", 0}
};
static const struct score_input rain_inputs[] = {
    {.name = "amount", .title = LONG_TITLE},
    {.name = "again",  .title = LONG_TITLE},
    {.name = "third",  .title = LONG_TITLE},
    {.name = "fourth", .title = LONG_TITLE},
    {.name = "kind",   .title = LONG_TITLE},
};
static const struct score_rule rain_rules[] = {
    {.path = {.kind = &rain}, .in = &drops,  .bands = rain_bands,   .bands_count = 2},
    {.path = {.kind = &rain},                       .in = &drops,              .bands = rain_bands, .bands_count = 2},
    {.path = {.kind = &rain},       .in = &drops,                    .bands = rain_bands,                   .bands_count = 2},
    {.path = {.kind = &rain},    .in = &drops,.bands = rain_bands,.bands_count = 2},
    {.path = {.kind = &rain, .index = 1},        .words = rain_words,                     .words_count = 1                                         },
};
static const struct score_response rain_responses[] = {
    {.from = 0,    .to = 4,         .risk = "wet", .say = "umbrella"    },
    { .from = 5, .to = 8, .single = 4, .risk = "flood", .say = "boat", .interval_minutes = 5},
};
static const struct score rain_score = {
    .table = {.name = "rain", .inputs = rain_inputs, .inputs_count = 5},
    .rules = rain_rules,
    .responses = rain_responses,
    .responses_count = 2,
    .single_points = 4,
};

static void score_rain(struct decimal amount, const struct unit *unit, const struct word *word,
                       struct score_answer *answer)
{
    struct kinds table = {
        .conversions = &too_far, .conversions_count = 1, .scores = &rain_score, .scores_count = 1};
    struct bedside bedside;
    bool asked = false;

    bedside_begin(&bedside, &table, ADULT);
    bedside.set.count = 1;
    bedside.readings[0].kind = &rain;
    bedside.readings[0].parts[0] =
        (struct measured){.type = MEASURED_NUMBER, .value = amount, .unit = unit};
    bedside.readings[0].parts[1] = (struct measured){.type = MEASURED_WORD, .word = word};
    set_score(&bedside.set, bedside.judgements, 0, &asked, answer);
    assert_true(asked);
    bedside_end(&bedside);
}

static void test_gaps_of_a_table(void **state)
{
    const struct word warm = {.word = "warm"}, cold = {.word = "cold"};
    struct score_answer answer;

    (void)state;
    score_rain((struct decimal){15, 0}, &drops, &warm, &answer);
    assert_false(answer.withheld);
    assert_int_equal(answer.total, 4);
    assert_int_equal(answer.scale, 0);
    assert_null(answer.scale_text);
    assert_false(answer.single_trigger);
    assert_string_equal(answer.risk, "wet");

    score_rain((struct decimal){30, 0}, &drops, &warm, &answer);
    assert_int_equal(answer.total, 16); /* no row of the responses goes so far */
    assert_true(answer.single_trigger);
    assert_null(answer.risk);
    assert_int_equal(answer.interval_minutes, -1);

    score_rain((struct decimal){25, 0}, &drops, &cold, &answer); /* in no band, and no word */
    assert_true(answer.withheld);
    assert_int_equal(answer.missing_count, 5);
    assert_memory_equal(answer.why, "outside the table: " LONG_TITLE, 19 + strlen(LONG_TITLE));
    assert_in_range(strlen(answer.why), 190, sizeof(answer.why_text) - 1);
    assert_true((unsigned char)answer.why[strlen(answer.why) - 1] < 0x80); /* no half of an ä */

    score_rain((struct decimal){999999999999999, 0}, &oceans, &warm, &answer);
    assert_true(answer.withheld);
    assert_int_equal(answer.missing_count, 4);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_for_whom_it_is_withheld),
        cmocka_unit_test(test_what_is_missing_is_named),
        cmocka_unit_test(test_points_that_depend_on_what_is_missing),
        cmocka_unit_test(test_a_held_reading_does_not_score),
        cmocka_unit_test(test_gaps_of_a_table),
    };

    return cmocka_run_group_tests(tests, bedside_load, kind_table_free);
}
