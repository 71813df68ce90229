/* score.h - early-warning scores from their tables in mappings/scores/. Pure. */
#ifndef WARDPOST_SCORE_H
#define WARDPOST_SCORE_H

#include "wardpost/judgement.h"

#define SCORE_INPUTS_MOST 16

struct score_input { /* as the table names it, for output */
    const char *name, *title;
    struct coding coding;
};

struct score_table {
    const char *name, *title, *credit;
    struct coding code, category;
    const struct unit *unit;
    const struct score_input *inputs;
    size_t inputs_count;
    const char *const *cautions;
    size_t cautions_count;
};

struct score_answer {
    const struct score_table *table;
    bool withheld;
    const char *why;                     /* for a person; when withheld; owned by the answer */
    const char *missing[SCORE_INPUTS_MOST]; /* names of inputs that are not there, or wait for a decision */
    size_t missing_count;
    int points[SCORE_INPUTS_MOST]; /* -1: not known, or the score is not for this patient */
    size_t readings[SCORE_INPUTS_MOST]; /* which reading gave it; SIZE_MAX: none */
    int total;                     /* -1 when withheld */
    bool single_trigger;           /* some input has the points a single trigger needs */
    const char *scale_text;        /* "SpO2 scale 1" */
    int scale;
    const char *risk, *response;   /* of the last response row that fits; NULL when withheld */
    int interval_minutes;          /* -1: none (continuous is 0) */
    char why_text[200];
};

size_t kinds_score_count(const struct kinds *kinds);

/* Score `index` of the table for this set.
 * *asked is false for a single reading, and when the set has not one of the inputs: then there is nothing to answer.
 * Withheld because something is missing: what is known of points and single_trigger stays. Withheld because the table says
 * that the score is not for this patient (age, no birth date, pregnant): neither is shown. */
void set_score(const struct set *set, const struct judgement *judgements, size_t index,
               bool *asked, struct score_answer *out);

/* All that are asked for, one after another in `out` (room for kinds_score_count()); none for a single reading. How many. */
size_t set_scores(const struct set *set, const struct judgement *judgements, struct score_answer *out);

/* ---- a score that was worked out before ---- */

/* An empty answer of that score, to be filled with total, points and scale_text. False: the table has none of that name. */
bool score_recall(const struct kinds *kinds, const char *name, struct score_answer *out);
/* Then: single_trigger, scale, risk, response and interval_minutes, as the table has them today. */
void score_recalled(const struct kinds *kinds, struct score_answer *answer);

#endif
