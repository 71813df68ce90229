/* scoring.h - what the tests of early-warning scores share: a whole set, and its one score. Include
 * after cmocka.h. */
#ifndef WARDPOST_TESTS_SCORING_H
#define WARDPOST_TESTS_SCORING_H

#include "bedside.h"
#include "wardpost/score.h"

#define ADULT "1950-03-14"

#define WHOLE                                                                              \
    "respiratory-rate value=16:/min | oxygen-saturation value=98:% oxygen.device=room-air" \
    " | blood-pressure systolic=124:mm[Hg] diastolic=78:mm[Hg] | heart-rate value=72:/min" \
    " | consciousness value=alert | body-temperature value=36.8:Cel"

static inline size_t input_named(const struct score_answer *answer, const char *name)
{
    for (size_t i = 0; i < answer->table->inputs_count; i++)
        if (strcmp(answer->table->inputs[i].name, name) == 0)
            return i;
    fail_msg("the score has no input %s", name);
    return 0;
}

static inline void score_all(struct bedside *bedside, struct score_answer *answer)
{
    bool asked = false;

    assert_int_equal(kinds_score_count(kinds), 1);
    set_score(&bedside->set, bedside->judgements, 0, &asked, answer);
    assert_true(asked);
}

#endif
