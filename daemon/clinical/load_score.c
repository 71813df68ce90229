/* load_score.c - one early-warning score: when it is withheld, what a total asks for; see load.h.
 * Its inputs: load_inputs.c. */
#include <string.h>

#include "clinical/load.h"
#include "wardpost/json_in.h"

/* ---- scales ---- */

bool score_has_scale(const struct score *score, int scale)
{
    for (size_t i = 0; i < score->scales_count; i++)
        if (score->scales[i].scale == scale)
            return true;
    return false;
}

static bool read_scale(const struct place *at, const char *name, void *to)
{
    struct score *score = to;
    const char *text = place_text(at);

    if (!text)
        return false;
    if (score->scales_count == COUNT(score->scales) || *name < '1' || *name > '9' || name[1])
        return place_fail(at, "at most %zu scales, called 1 to 9", COUNT(score->scales));
    score->scales[score->scales_count].scale = *name - '0';
    score->scales[score->scales_count++].text = text;
    return true;
}

static bool take_scales(const struct place *at, const struct member *member, char *out)
{
    (void)member;
    return place_each(at, read_scale, out);
}

/* A set says one scale, the saturation's (design 5). */
static bool take_scale_context(const struct place *at, const struct member *member, char *out)
{
    const char *text = place_text(at);

    (void)member;
    (void)out;
    return text && (strcmp(text, "saturation-scale") == 0 ||
                    place_fail(at, "saturation-scale is the only one"));
}

static bool take_scale(const struct place *at, const struct member *member, char *out)
{
    static const struct member members[] = {
        MEMBER("context", REQUIRED, take_scale_context, NOWHERE),
        MEMBER("scales", REQUIRED, take_scales, NOWHERE),
        MEMBER("default", REQUIRED, take_whole, INTO(score, scale_default)),
    };
    struct score *score = (struct score *)(void *)out;

    (void)member;
    return SHAPE(at, members, score) && (score_has_scale(score, score->scale_default) ||
                                         place_fail(at, "default is not one of the scales"));
}

/* ---- withheld ---- */

static bool take_pregnant(const struct place *at, const struct member *member, char *out)
{
    const char *text = place_text(at);

    (void)member;
    ((struct score_withhold *)(void *)out)->pregnant = true;
    return text &&
           (strcmp(text, "pregnant") == 0 || place_fail(at, "pregnant is all a set may say"));
}

static bool read_is(const struct place *item, void *out)
{
    return take_true(item, NULL, out);
}

struct is {
    const char *items;
    size_t count;
};

static bool take_is(const struct place *at, const struct member *member, char *out)
{
    static const struct rows rows = {1, 1, 1, read_is};
    static const struct member here =
        MEMBER("", REQUIRED, take_list, LISTED(is, items, count, rows));
    struct is is;

    (void)member;
    if (!((struct score_withhold *)(void *)out)->pregnant)
        return place_fail(at, "is stands beside context");
    return take_list(at, &here, (char *)&is);
}

static bool read_withheld(const struct place *place, void *out)
{
    static const struct member members[] = {
        MEMBER("ages", OPTIONAL, take_ages, INTO(score_withhold, ages)),
        MEMBER("age-unknown", OPTIONAL, take_bool, INTO(score_withhold, age_unknown)),
        MEMBER("context", OPTIONAL, take_pregnant, NOWHERE),
        MEMBER("is", OPTIONAL, take_is, NOWHERE),
        MEMBER("ask", OPTIONAL, take_question, ITSELF),
        MEMBER("say", REQUIRED, take_text, INTO(score_withhold, say)),
        MEMBER("source", OPTIONAL, take_said, NOWHERE),
    };
    struct score_withhold *row = out;

    if (!SHAPE(place, members, row))
        return false;
    if (row->pregnant && !json_object_get(place->json, "is"))
        return place_fail(place, "is is missing");
    return row->ages.given + row->age_unknown + row->pregnant == 1 ||
           place_fail(place, "one of ages, age-unknown and context is due here");
}

static const struct rows withheld_rows = {sizeof(struct score_withhold), 0, 16, read_withheld};

/* ---- responses ---- */

static bool read_response(const struct place *place, void *out)
{
    static const struct member members[] = {
        MEMBER("from", OPTIONAL, take_whole, INTO(score_response, from)),
        MEMBER("to", REQUIRED, take_whole, INTO(score_response, to)),
        MEMBER("single", OPTIONAL, take_points, INTO(score_response, single)),
        MEMBER("risk", REQUIRED, take_text, INTO(score_response, risk)),
        MEMBER("interval-minutes", REQUIRED, take_whole, INTO(score_response, interval_minutes)),
        MEMBER("say", REQUIRED, take_text, INTO(score_response, say)),
        MEMBER("source", REQUIRED, take_text, INTO(score_response, source)),
    };
    const struct score_response *row = out;

    return SHAPE(place, members, out) &&
           (row->from <= row->to || place_fail(place, "from is over to: no total lies between"));
}

static const struct rows response_rows = {sizeof(struct score_response), 1, ROWS_MOST,
                                          read_response};

static int most_points(const struct score_rule *rule)
{
    int most = rule->has_other ? rule->other : 0;

    for (size_t i = 0; i < rule->bands_count; i++)
        most = rule->bands[i].points > most ? rule->bands[i].points : most;
    for (size_t i = 0; i < rule->words_count; i++)
        most = rule->words[i].points > most ? rule->words[i].points : most;
    return most;
}

static bool has_response(const struct score *score, int total)
{
    for (size_t i = 0; i < score->responses_count; i++)
        if (score->responses[i].single == 0 && score->responses[i].from <= total &&
            total <= score->responses[i].to)
            return true;
    return false;
}

/* A total that nobody is told what to do about would be worse than none. */
static bool totals_are_answered(const struct place *file, const struct score *score)
{
    int most = 0;

    for (size_t i = 0; i < score->table.inputs_count; i++)
        most += most_points(&score->rules[i]);
    for (int total = 0; total <= most; total++)
        if (!has_response(score, total))
            return place_fail(file, "responses: none for a total of %d", total);
    return true;
}

/* ---- the file ---- */

static bool read_caution(const struct place *item, void *out)
{
    const char *text = place_text(item);

    put_pointer(out, text);
    return text != NULL;
}

static const struct rows caution_rows = {sizeof(char *), 0, 16, read_caution};

bool load_score(const struct place *file, struct score *out)
{
    static const struct member members[] = {
        MEMBER("score", REQUIRED, take_file_name, INTO(score, table.name)),
        MEMBER("title", REQUIRED, take_text, INTO(score, table.title)),
        MEMBER("credit", REQUIRED, take_text, INTO(score, table.credit)),
        MEMBER("cautions", OPTIONAL, take_list, LIST(score, table.cautions, caution_rows)),
        MEMBER("code", REQUIRED, take_coding, INTO(score, table.code)),
        MEMBER("category", REQUIRED, take_coding, INTO(score, table.category)),
        MEMBER("unit", REQUIRED, take_unit, INTO(score, table.unit)),
        MEMBER("source", REQUIRED, take_said, NOWHERE),
        MEMBER("scale", OPTIONAL, take_scale, NOWHERE),
        MEMBER("withheld", OPTIONAL, take_list, LIST(score, withheld, withheld_rows)),
        MEMBER("inputs", REQUIRED, take_inputs, NOWHERE),
        MEMBER("responses", REQUIRED, take_list, LIST(score, responses, response_rows)),
    };

    if (!SHAPE(file, members, out))
        return false;
    for (size_t i = 0; i < out->responses_count; i++)
        if (out->responses[i].single > 0)
            out->single_points = out->responses[i].single;
    return totals_are_answered(file, out);
}
