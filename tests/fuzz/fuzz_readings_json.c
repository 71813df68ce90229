/* Any bytes as a body of POST /v1/readings, all the way that a reading goes without a store: JSON,
 * set, judgement, Observations.
 *
 * Held: nothing crashes; a problem has words and a pointer; what is mapped, and the answer about
 * what is not, is JSON again. */
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "must.h"
#include "wardpost/json_in.h"
#include "wardpost/observation.h"
#include "wardpost/problem_json.h"

/* NOLINTNEXTLINE(readability-identifier-naming): libFuzzer's name */
int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t length);

static struct kinds *the_table(void)
{
    static struct kinds *kinds;
    struct kinds_fault fault;

    if (!kinds)
        must_hold(kinds_load(WARDPOST_SOURCE_DIR "/mappings", &kinds, &fault) == STATUS_OK,
                  "the kind table loads");
    return kinds;
}

static void must_be_json(const char *text, size_t length)
{
    struct json_fault fault;
    json_t *json = NULL;

    must_hold(json_in(text, length, &json, &fault) == STATUS_OK, fault.detail);
    json_decref(json);
}

static void try_problems(const struct problems *problems)
{
    struct json_out out = JSON_OUT_INIT;

    for (size_t i = 0; i < problems->count; i++) {
        must_hold(problems->items[i].detail[0] != '\0', "a problem has words");
        must_hold(problems->items[i].pointer[0] == '\0' || problems->items[i].pointer[0] == '/',
                  "a pointer is one");
    }
    problem_out(&out, 422, "cannot be taken", NULL, problems);
    must_hold(json_out_ok(&out), "there is memory");
    must_be_json(json_out_text(&out), out.length);
    json_out_clear(&out);
}

static void try_map(const struct set *set, const struct judgement *judgements)
{
    struct worked_out worked_out[WORKED_OUT_MOST];
    size_t worked_out_count = set_work_out(set, judgements, worked_out), scores_count;
    struct score_answer scores[4];
    struct observations observations = OBSERVATIONS_INIT;

    must_hold(kinds_score_count(set->kinds) <= 4, "there is room for the scores");
    scores_count = set_scores(set, judgements, scores);
    must_hold(set_map(set, judgements, worked_out, worked_out_count, scores, scores_count,
                      &observations) == STATUS_OK,
              "it is mapped");
    for (size_t i = 0; i < observations.count; i++) {
        must_be_json(observations.items[i].json, observations.items[i].length);
        for (size_t n = 0; n < observations.items[i].needs_count; n++)
            must_hold(observations.items[i].needs[n].on < i, "what is needed comes before");
    }
    observations_clear(&observations);
}

static void try_set(const struct set *set, struct problems *problems)
{
    struct judgement *judgements = calloc(set->count, sizeof(*judgements));
    const struct judge_frame frame = {.nobody_there = set->count % 2 == 0};

    must_hold(judgements != NULL, "there is memory");
    must_hold(set->count > 0, "a set has readings");
    must_hold(set_judge(set, &frame, judgements, problems) == STATUS_OK, "it is judged");
    try_map(set, judgements);
    for (size_t i = 0; i < set->count; i++)
        judgement_clear(&judgements[i]);
    free(judgements);
}

static void try_frame(json_t *body, const struct reading_frame *frame)
{
    struct problems problems = PROBLEMS_INIT;
    struct set *set = NULL;

    must_hold(set_parse(body, the_table(), frame, &set, &problems) == STATUS_OK, "it is parsed");
    must_hold(set || problems.count > 0, "a set or a problem");
    if (set)
        try_set(set, &problems);
    try_problems(&problems);
    set_free(set);
    problems_clear(&problems);
}

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t length)
{
    static const struct reading_frame frames[] = {
        {.readings_most = 50 },
        { .has_now = true,
         .now = {1795595460000, 60},
         .skew_ms = 120000,
         .age_ask_ms = 3600000,
         .readings_most = 50}, /* 2026-11-25T09:31:00+01:00 */
        {  .has_now = true,
         .now = {1795595460000, 60},
         .readings_most = 50,
         .patient_optional = true,
         .nobody_there = true},
    };
    struct json_fault fault;
    json_t *body = NULL;

    if (json_in((const char *)bytes, length, &body, &fault) != STATUS_OK)
        return 0;
    for (size_t i = 0; i < sizeof(frames) / sizeof(frames[0]); i++)
        try_frame(body, &frames[i]);
    json_decref(body);
    return 0;
}
