/* observation.h - a judged set becomes FHIR R4 Observations (daemon/fhir/README.md is the shape). Pure. */
#ifndef WARDPOST_OBSERVATION_H
#define WARDPOST_OBSERVATION_H

#include "wardpost/judgement.h"
#include "wardpost/score.h"

struct observation_need {
    size_t on;   /* index into the same list; always a smaller one */
    bool strict; /* must be charted; else it must only be settled, and one of all must be charted */
};

struct observation {
    struct uuid id;
    char role[64];  /* "main", "oxygen.flow", "computed:<kind>", "score:<score>", "panel": what its UUIDv5 was made from */
    size_t reading; /* index into the set; SIZE_MAX for panel, computed and score */
    const char *json; /* into the list's text; not NUL-terminated */
    size_t length;
    struct observation_need *needs; /* owned by the list */
    size_t needs_count;
};

struct observations {
    struct observation *items;
    size_t count;
    struct observation_need *needs; /* of all items, one after another */
    struct json_out text; /* all of them, one after another */
};

#define OBSERVATIONS_INIT {0}

/* Map the set. Readings whose judgement is GRADE_ASK or worse and not passed are left out (they are held, unmapped); so is the
 * score then. `scores` are the answers of set_score for each score asked for (withheld ones make no Observation).
 * Order: each reading's main, then its companions; then computed, scores, panel. *out is OBSERVATIONS_INIT or emptied
 * before: then its text's buffer is used again. */
MUST_CHECK enum status set_map(const struct set *set, const struct judgement *judgements,
                               const struct worked_out *worked_out, size_t worked_out_count,
                               const struct score_answer *scores, size_t scores_count,
                               struct observations *out);
void observations_clear(struct observations *observations);
void observations_empty(struct observations *observations); /* the same, but the text keeps its buffer */

/* The score that an Observation of role "score:<name>" holds: total, points, and what the table answers to them today.
 * NOT_FOUND: the table has no such score. INVALID: it is none. */
MUST_CHECK enum status score_of_observation(const struct kinds *kinds, const char *name, const char *json,
                                            size_t length, struct score_answer *out);

#endif
