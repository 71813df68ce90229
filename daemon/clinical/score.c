/* score.c - an early-warning score by its table; withheld, with the reason, whenever it would not be whole or not be meant for this patient. */
#include <stdio.h>
#include <string.h>

#include "clinical/clinical_private.h"

/* ---- one input ---- */

static const struct reading *reading_of(const struct set *set, const struct judgement *judgements, const struct kind *kind, size_t *index)
{
    for (size_t i = 0; i < set->count; i++)
        if (set->readings[i].kind == kind && !set->readings[i].not_taken && judgements[i].grade < GRADE_ASK) {
            *index = i;
            return &set->readings[i];
        }
    return NULL;
}

static const struct word *word_of(const struct reading *reading, const struct path *path)
{
    if (!path->is_field)
        return reading->parts[path->index].type == MEASURED_WORD ? reading->parts[path->index].word : NULL;
    return reading->fields[path->index].words_count > 0 ? reading->fields[path->index].words[0] : NULL;
}

static int word_points(const struct score_rule *rule, const struct word *word)
{
    for (size_t i = 0; word && i < rule->words_count; i++)
        if (strcmp(rule->words[i].word, word->word) == 0)
            return rule->words[i].points;
    return word && rule->has_other ? rule->other : -1;
}

/* From the exact value, rounded half up to the places the table has (design 5): 38.05 is 38.1, never 38.0. */
static bool rounded(const struct set *set, const struct reading *reading, const struct score_rule *rule, struct decimal *out)
{
    const struct measured *measured = &reading->parts[rule->path.index];
    struct exact exact;

    return !rule->path.is_field && measured->type == MEASURED_NUMBER &&
           unit_exact(set->kinds, measured->value, measured->unit, rule->in, &exact) && exact_round(exact, rule->places, ROUND_HALF_UP, out);
}

static bool band_fits(const struct score_band *band, struct decimal value, int scale, const struct score_answer *answer)
{
    return (band->scale == 0 || band->scale == scale) && (band->with == SIZE_MAX || answer->points[band->with] == band->with_points) &&
           (!band->has_from || decimal_compare(value, band->from) >= 0) && (!band->has_to || decimal_compare(value, band->to) <= 0);
}

static int band_points(const struct set *set, const struct reading *reading, const struct score_rule *rule,
                       const struct score_answer *answer)
{
    struct decimal value;

    if (!rounded(set, reading, rule, &value))
        return -1;
    for (size_t i = 0; i < rule->bands_count; i++)
        if (band_fits(&rule->bands[i], value, answer->scale, answer))
            return rule->bands[i].points;
    return -1;
}

static bool needs_another(const struct score_rule *rule)
{
    for (size_t i = 0; i < rule->bands_count; i++)
        if (rule->bands[i].with != SIZE_MAX)
            return true;
    return false;
}

static void score_input(const struct set *set, const struct judgement *judgements, const struct score *score, size_t i,
                        struct score_answer *out)
{
    const struct score_rule *rule = &score->rules[i];
    size_t index = SIZE_MAX;
    const struct reading *reading = reading_of(set, judgements, rule->path.kind, &index);

    if (!reading)
        return;
    out->readings[i] = index;
    out->points[i] = rule->words_count > 0 ? word_points(rule, word_of(reading, &rule->path)) : band_points(set, reading, rule, out);
}

/* Those that ask for the points of another come after it. */
static void score_inputs(const struct set *set, const struct judgement *judgements, const struct score *score, struct score_answer *out)
{
    for (int second = 0; second < 2; second++)
        for (size_t i = 0; i < score->table.inputs_count; i++)
            if (needs_another(&score->rules[i]) == (second == 1))
                score_input(set, judgements, score, i, out);
}

/* ---- all of it ---- */

static const char *reason_to_withhold(const struct set *set, const struct score *score)
{
    for (size_t i = 0; i < score->withheld_count; i++) {
        const struct score_withhold *withhold = &score->withheld[i];
        bool known = set->patient.given && set->patient.has_birth_date;

        if ((withhold->pregnant && set->pregnant == ANSWER_YES) || (withhold->age_unknown && !known) ||
            (withhold->ages.given && known && ages_fit(&withhold->ages, &set->patient, set->taken)))
            return withhold->say;
    }
    return NULL;
}

static void add_up(const struct score *score, struct score_answer *out)
{
    int total = 0;

    for (size_t i = 0; i < score->table.inputs_count; i++) {
        if (out->points[i] < 0)
            out->missing[out->missing_count++] = score->table.inputs[i].title;
        else
            total += out->points[i];
        if (score->single_points > 0 && out->points[i] >= score->single_points)
            out->single_trigger = true;
    }
    out->total = total;
}

static void name_missing(struct score_answer *out)
{
    size_t used = (size_t)snprintf(out->why_text, sizeof(out->why_text), "not scorable, missing: ");

    for (size_t i = 0; i < out->missing_count && used < sizeof(out->why_text) - 1; i++) {
        int wrote = snprintf(out->why_text + used, sizeof(out->why_text) - used, "%s%s", i ? ", " : "", out->missing[i]);

        used += wrote > 0 ? (size_t)wrote : 0;
    }
    out->why = out->why_text;
}

static void withhold(struct score_answer *out)
{
    out->withheld = true;
    out->total = -1;
    out->interval_minutes = -1;
}

/* The last row that fits; a single trigger's row fits totals up to its own bound, so that the higher row governs. */
static void respond(const struct score *score, struct score_answer *out)
{
    for (size_t i = 0; i < score->responses_count; i++) {
        const struct score_response *response = &score->responses[i];

        if (out->total < response->from || out->total > response->to || (response->single > 0 && !out->single_trigger))
            continue;
        out->risk = response->risk;
        out->response = response->say;
        out->interval_minutes = response->interval_minutes;
    }
}

static void choose_scale(const struct set *set, const struct score *score, struct score_answer *out)
{
    out->scale = set->scale > 0 ? set->scale : score->scale_default;
    for (size_t i = 0; i < score->scales_count; i++)
        if (score->scales[i].scale == out->scale)
            out->scale_text = score->scales[i].text;
}

static bool has_any_input(const struct set *set, const struct score *score)
{
    for (size_t i = 0; i < set->count; i++)
        for (size_t j = 0; j < score->table.inputs_count; j++)
            if (set->readings[i].kind == score->rules[j].path.kind)
                return true;
    return false;
}

void set_score(const struct set *set, const struct judgement *judgements, size_t index, bool *asked, struct score_answer *out)
{
    const struct score *score = &set->kinds->scores[index];

    *out = (struct score_answer){.table = &score->table};
    for (size_t i = 0; i < SCORE_INPUTS_MOST; i++) {
        out->points[i] = -1;
        out->readings[i] = SIZE_MAX;
    }
    *asked = has_any_input(set, score);
    if (!*asked)
        return;
    choose_scale(set, score, out);
    score_inputs(set, judgements, score, out);
    add_up(score, out);
    out->why = reason_to_withhold(set, score);
    if (out->why)
        withhold(out);
    else if (out->missing_count > 0) {
        withhold(out);
        name_missing(out);
    } else {
        respond(score, out);
    }
}
