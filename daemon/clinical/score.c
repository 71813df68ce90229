/* score.c - an early-warning score by its table (mappings/README.md, scores); withheld, with the
 * reason, whenever it would not be whole or is not meant for this patient. */
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include "clinical/judge.h"

struct scoring {
    const struct set *set;
    const struct judgement *judgements;
    const struct score *score;
    struct score_answer *answer;
};

/* ---- what became of an input ---- */

enum input_state {
    INPUT_SCORED,
    INPUT_MISSING, /* not in the set, or not taken */
    INPUT_WAITING, /* there, but a person must decide about the reading first */
    INPUT_BLOCKED, /* there; which points it has depends on another that is missing */
    INPUT_BEYOND   /* there, and in none of the table's bands */
};

/* Two of a kind in one set: the first that was taken counts, in the order of the set. */
static size_t find_reading(const struct set *set, const struct kind *kind)
{
    for (size_t i = 0; i < set->count; i++)
        if (set->readings[i].kind == kind && !set->readings[i].not_taken)
            return i;
    return SIZE_MAX;
}

static const struct word *word_at(const struct reading *reading, const struct path *path)
{
    const struct said *said = &reading->fields[path->index];

    if (path->is_field)
        return said->given && said->words_count > 0 ? said->words[0] : NULL;
    return reading->parts[path->index].type == MEASURED_WORD ? reading->parts[path->index].word
                                                             : NULL;
}

static enum input_state score_word(const struct score_rule *rule, const struct reading *reading,
                                   int *points)
{
    const struct word *word = word_at(reading, &rule->path);

    if (!word)
        return INPUT_MISSING;
    for (size_t i = 0; i < rule->words_count; i++)
        if (strcmp(rule->words[i].word, word->word) == 0) {
            *points = rule->words[i].points;
            return INPUT_SCORED;
        }
    *points = rule->other;
    return rule->has_other ? INPUT_SCORED : INPUT_BEYOND;
}

static bool is_within(const struct score_band *band, struct decimal value, int scale)
{
    return (band->scale == 0 || band->scale == scale) &&
           (!band->has_from || decimal_compare(value, band->from) >= 0) &&
           (!band->has_to || decimal_compare(value, band->to) <= 0);
}

static enum input_state score_bands(const struct score_rule *rule, struct decimal value,
                                    const struct score_answer *answer, int *points)
{
    for (size_t i = 0; i < rule->bands_count; i++) {
        const struct score_band *band = &rule->bands[i];

        if (!is_within(band, value, answer->scale))
            continue;
        if (band->with != SIZE_MAX && answer->points[band->with] < 0)
            return INPUT_BLOCKED;
        if (band->with != SIZE_MAX && answer->points[band->with] != band->with_points)
            continue;
        *points = band->points;
        return INPUT_SCORED;
    }
    return INPUT_BEYOND;
}

/* From the exact value, rounded half up to the places the table has (design 5): 38.05 is 38.1 here,
 * never 38.0. */
static enum input_state score_number(const struct scoring *scoring, const struct score_rule *rule,
                                     const struct reading *reading, int *points)
{
    const struct measured *measured = &reading->parts[rule->path.index];
    struct decimal value;
    struct exact exact;

    if (rule->path.is_field || measured->type != MEASURED_NUMBER)
        return INPUT_MISSING;
    if (!unit_exact(scoring->set->kinds, measured->value, measured->unit, rule->in, &exact) ||
        !exact_round(exact, rule->places, ROUND_HALF_UP, &value))
        return INPUT_BEYOND;
    return score_bands(rule, value, scoring->answer, points);
}

static enum input_state score_input(const struct scoring *scoring, size_t input)
{
    const struct score_rule *rule = &scoring->score->rules[input];
    struct score_answer *answer = scoring->answer;
    size_t index = find_reading(scoring->set, rule->path.kind);

    if (index == SIZE_MAX)
        return INPUT_MISSING;
    answer->readings[input] = index;
    if (scoring->judgements[index].grade >= GRADE_ASK)
        return INPUT_WAITING;
    if (rule->words_count > 0)
        return score_word(rule, &scoring->set->readings[index], &answer->points[input]);
    return score_number(scoring, rule, &scoring->set->readings[index], &answer->points[input]);
}

static bool needs_another(const struct score_rule *rule)
{
    for (size_t i = 0; i < rule->bands_count; i++)
        if (rule->bands[i].with != SIZE_MAX)
            return true;
    return false;
}

/* Those that ask for the points of another come after all others. */
static void score_inputs(const struct scoring *scoring, enum input_state states[SCORE_INPUTS_MOST])
{
    for (int round = 0; round < 2; round++)
        for (size_t i = 0; i < scoring->score->table.inputs_count; i++)
            if (needs_another(&scoring->score->rules[i]) == (round == 1))
                states[i] = score_input(scoring, i);
}

/* ---- withheld ---- */

static void withhold(struct score_answer *answer, const char *why)
{
    answer->withheld = true;
    answer->why = why;
}

/* The adult points of a child are no news but noise: where the table says that the score is not for
 * this patient, nothing of it is shown. */
static const char *not_for_this_patient(const struct set *set, const struct score *score)
{
    const struct moment taken = set_moment(set);
    bool age_known = set->patient.has_birth_date &&
                     date_compare(moment_local_date(taken), set->patient.birth_date) >= 0;

    for (size_t i = 0; i < score->withheld_count; i++) {
        const struct score_withhold *row = &score->withheld[i];

        if ((row->pregnant && set->pregnant == ANSWER_YES) || (row->age_unknown && !age_known) ||
            (row->ages.given && age_known && ages_fit(&row->ages, &set->patient, taken)))
            return row->say;
    }
    return NULL;
}

struct words {
    char *out;
    size_t used, room;
};

__attribute__((format(printf, 2, 3))) static void add(struct words *words, const char *format, ...)
{
    va_list arguments;
    int wrote;

    va_start(arguments, format);
    wrote = vsnprintf(words->out + words->used, words->room - words->used, format, arguments);
    va_end(arguments);
    words->used += wrote > 0 ? (size_t)wrote : 0;
    if (words->used < words->room)
        return;
    words->used = words->room - 1;
    while (words->used > 0 && (words->out[words->used - 1] & 0x80)) /* never half a character */
        words->used--;
    words->out[words->used] = '\0';
    words->room = words->used + 1; /* full: nothing shorter may follow */
}

static void add_those(struct words *words, const struct scoring *scoring,
                      const enum input_state *states, enum input_state state)
{
    static const char *const heads[] = {
        [INPUT_SCORED] = "",
        [INPUT_MISSING] = "missing",
        [INPUT_WAITING] = "waiting for a decision",
        [INPUT_BLOCKED] = "",
        [INPUT_BEYOND] = "outside the table",
    };
    const char *before = words->used > 0 ? "; " : "";
    const char *between = ": ";

    for (size_t i = 0; i < scoring->score->table.inputs_count; i++) {
        if (states[i] != state)
            continue;
        if (between[0] == ':')
            add(words, "%s%s", before, heads[state]);
        add(words, "%s%s", between, scoring->score->table.inputs[i].title);
        between = ", ";
    }
}

static void withhold_incomplete(const struct scoring *scoring, const enum input_state *states)
{
    struct score_answer *answer = scoring->answer;
    struct words words = {answer->why_text, 0, sizeof(answer->why_text)};

    for (size_t i = 0; i < scoring->score->table.inputs_count; i++)
        if (states[i] != INPUT_SCORED && states[i] != INPUT_BLOCKED)
            answer->missing[answer->missing_count++] = scoring->score->table.inputs[i].name;
    add_those(&words, scoring, states, INPUT_MISSING);
    add_those(&words, scoring, states, INPUT_WAITING);
    add_those(&words, scoring, states, INPUT_BEYOND);
    withhold(answer, answer->why_text);
}

/* ---- the total ---- */

static bool has_single(const struct scoring *scoring, int points)
{
    for (size_t i = 0; i < scoring->score->table.inputs_count; i++)
        if (scoring->answer->points[i] >= points)
            return true;
    return false;
}

/* The last row that fits: a higher total's row stands below that of a single trigger. */
static void respond(const struct scoring *scoring)
{
    struct score_answer *answer = scoring->answer;

    for (size_t i = 0; i < scoring->score->responses_count; i++) {
        const struct score_response *row = &scoring->score->responses[i];

        if (answer->total < row->from || answer->total > row->to ||
            (row->single > 0 && !has_single(scoring, row->single)))
            continue;
        answer->risk = row->risk;
        answer->response = row->say;
        answer->interval_minutes = row->interval_minutes;
    }
}

static void add_up(const struct scoring *scoring)
{
    struct score_answer *answer = scoring->answer;

    answer->total = 0;
    for (size_t i = 0; i < scoring->score->table.inputs_count; i++)
        answer->total += answer->points[i];
    respond(scoring);
}

/* ---- all of it ---- */

static bool has_any_input(const struct set *set, const struct score *score)
{
    for (size_t i = 0; i < set->count; i++)
        for (size_t j = 0; j < score->table.inputs_count; j++)
            if (set->readings[i].kind == score->rules[j].path.kind)
                return true;
    return false;
}

static const char *scale_text(const struct score *score, int scale)
{
    for (size_t i = 0; i < score->scales_count; i++)
        if (score->scales[i].scale == scale)
            return score->scales[i].text;
    return NULL;
}

/* Another scale than the usual one only where it was asked for, and the table has it. */
static void choose_scale(const struct set *set, const struct score *score,
                         struct score_answer *answer)
{
    answer->scale = scale_text(score, set->scale) ? set->scale : score->scale_default;
    answer->scale_text = scale_text(score, answer->scale);
}

static void answer_begin(const struct score *score, struct score_answer *answer)
{
    *answer = (struct score_answer){.table = &score->table, .total = -1, .interval_minutes = -1};
    for (size_t i = 0; i < SCORE_INPUTS_MOST; i++) {
        answer->points[i] = -1;
        answer->readings[i] = SIZE_MAX;
    }
}

static bool all_scored(const struct score *score, const enum input_state *states)
{
    for (size_t i = 0; i < score->table.inputs_count; i++)
        if (states[i] != INPUT_SCORED)
            return false;
    return true;
}

void set_score(const struct set *set, const struct judgement *judgements, size_t index, bool *asked,
               struct score_answer *out)
{
    const struct score *score = &set->kinds->scores[index];
    const struct scoring scoring = {set, judgements, score, out};
    enum input_state states[SCORE_INPUTS_MOST];
    const char *not_meant;

    answer_begin(score, out);
    *asked = !set->single && has_any_input(set, score);
    if (!*asked)
        return;
    choose_scale(set, score, out);
    not_meant = not_for_this_patient(set, score);
    if (not_meant) {
        withhold(out, not_meant);
        return;
    }
    score_inputs(&scoring, states);
    out->single_trigger = score->single_points > 0 && has_single(&scoring, score->single_points);
    if (all_scored(score, states))
        add_up(&scoring);
    else
        withhold_incomplete(&scoring, states);
}

size_t set_scores(const struct set *set, const struct judgement *judgements,
                  struct score_answer *out)
{
    size_t count = 0;

    for (size_t i = 0; !set->single && i < kinds_score_count(set->kinds); i++) {
        bool asked = false;

        set_score(set, judgements, i, &asked, &out[count]);
        count += asked;
    }
    return count;
}

/* ---- one that was worked out before ---- */

static const struct score *score_named(const struct kinds *kinds, const char *name)
{
    for (size_t i = 0; i < kinds->scores_count; i++)
        if (strcmp(kinds->scores[i].table.name, name) == 0)
            return &kinds->scores[i];
    return NULL;
}

bool score_recall(const struct kinds *kinds, const char *name, struct score_answer *out)
{
    const struct score *score = score_named(kinds, name);

    if (score)
        answer_begin(score, out);
    return score != NULL;
}

void score_recalled(const struct kinds *kinds, struct score_answer *answer)
{
    const struct score *score = score_named(kinds, answer->table->name);
    const struct scoring scoring = {.score = score, .answer = answer};

    answer->single_trigger = score->single_points > 0 && has_single(&scoring, score->single_points);
    for (size_t i = 0; i < score->scales_count; i++)
        if (answer->scale_text && strcmp(score->scales[i].text, answer->scale_text) == 0)
            answer->scale = score->scales[i].scale;
    respond(&scoring);
}
