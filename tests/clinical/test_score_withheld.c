/* test_score_withheld.c - when an early-warning score is withheld, and what is still said of it
 * (clinical pack 5.3, 5.4; mappings/scores/). */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "bedside.h"
#include "wardpost/score.h"

#define ADULT "1950-03-14"

#define WHOLE                                                                              \
    "respiratory-rate value=16:/min | oxygen-saturation value=98:% oxygen.device=room-air" \
    " | blood-pressure systolic=124:mm[Hg] diastolic=78:mm[Hg] | heart-rate value=72:/min" \
    " | consciousness value=alert | body-temperature value=36.8:Cel"

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

static size_t input_named(const struct score_answer *answer, const char *name)
{
    for (size_t i = 0; i < answer->table->inputs_count; i++)
        if (strcmp(answer->table->inputs[i].name, name) == 0)
            return i;
    fail_msg("the score has no input %s", name);
    return 0;
}

static void score_all(struct bedside *bedside, struct score_answer *answer)
{
    bool asked = false;

    assert_int_equal(kinds_score_count(kinds), 1);
    set_score(&bedside->set, bedside->judgements, 0, &asked, answer);
    assert_true(asked);
}

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

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_for_whom_it_is_withheld),
        cmocka_unit_test(test_what_is_missing_is_named),
        cmocka_unit_test(test_points_that_depend_on_what_is_missing),
        cmocka_unit_test(test_a_held_reading_does_not_score),
    };

    return cmocka_run_group_tests(tests, load, unload);
}
