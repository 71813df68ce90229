/* load_inputs.c - the inputs of a score: where each comes from and which points it gets; see
 * load.h. */
#include <string.h>

#include "clinical/load.h"
#include "wardpost/json_in.h"

struct input { /* as the file has it; two arrays are made of it */
    struct score_input named;
    struct score_rule rule;
    const struct kind *kind;
};

/* ---- bands ---- */

static bool read_with(const struct place *at, const char *name, void *to)
{
    static const struct member points =
        MEMBER("", REQUIRED, take_points, INTO(score_band, with_points));

    (void)name; /* which input that is is only known when all are read: link_band() */
    return take_points(at, &points, to);
}

static bool take_with(const struct place *at, const struct member *member, char *out)
{
    (void)member;
    if (!json_is_object(at->json) || place_count(at) != 1)
        return place_fail(at, "one other input and its points are due here");
    return place_each(at, read_with, out);
}

static bool read_band(const struct place *place, void *out)
{
    static const struct member members[] = {
        MEMBER("from", OPTIONAL, take_decimal, FLAG(score_band, from)),
        MEMBER("to", OPTIONAL, take_decimal, FLAG(score_band, to)),
        MEMBER("scale", OPTIONAL, take_whole, INTO(score_band, scale)),
        MEMBER("with", OPTIONAL, take_with, NOWHERE),
        MEMBER("points", REQUIRED, take_points, INTO(score_band, points)),
    };
    struct score_band *band = out;

    band->with = SIZE_MAX;
    if (!SHAPE(place, members, band))
        return false;
    if (!band->has_from && !band->has_to)
        return place_fail(place, "from or to is missing");
    return !band->has_from || !band->has_to || decimal_compare(band->from, band->to) <= 0 ||
           place_fail(place, "from is over to: no value lies in this band");
}

static const struct rows band_rows = {sizeof(struct score_band), 1, ROWS_MOST, read_band};

/* ---- words ---- */

struct filling { /* an input's words, while they are read */
    struct score_rule *rule;
    struct score_word *list;
};

static bool read_score_word(const struct place *at, const char *word, void *to)
{
    static const struct member points = MEMBER("", REQUIRED, take_points, INTO(score_word, points));
    struct filling *filling = to;
    struct score_word *one = &filling->list[filling->rule->words_count++];
    const struct word_list *list = path_words(&filling->rule->path);

    one->word = word;
    if (!word_list_find(list, word))
        return place_fail(at, "no word of %s", list->name);
    return take_points(at, &points, (char *)one);
}

/* ---- inputs ---- */

static bool path_of_input(const struct place *at, struct input *input, bool is_field)
{
    const char *text = place_text(at);
    struct path *path = &input->rule.path;

    if (!text || !read_path(at, text, input->kind, path))
        return false;
    return (path->is_field == is_field && !path->last) ||
           place_fail(at, is_field ? "no field of this kind" : "no part of this kind");
}

static bool take_part(const struct place *at, const struct member *member, char *out)
{
    (void)member;
    return path_of_input(at, (struct input *)(void *)out, false);
}

static bool take_field(const struct place *at, const struct member *member, char *out)
{
    struct input *input = (struct input *)(void *)out;

    (void)member;
    if (input->rule.path.kind)
        return place_fail(at, "either part or field");
    return path_of_input(at, input, true);
}

static bool take_words(const struct place *at, const struct member *member, char *out)
{
    struct filling filling = {.rule = &((struct input *)(void *)out)->rule};
    const struct path *path = &filling.rule->path;
    size_t count = place_count(at);

    (void)member;
    if (!path->kind || !path_words(path) ||
        (path->is_field && path->kind->fields[path->index].type != FIELD_WORD))
        return place_fail(at, "one word is due at part or field");
    if (!json_is_object(at->json) || count < 1 || count > WORDS_MOST)
        return place_fail(at, "an object of 1 to %d words is due here", WORDS_MOST);
    filling.list = arena(at->loader, count, sizeof(*filling.list));
    filling.rule->words = filling.list;
    return filling.list && place_each(at, read_score_word, &filling);
}

/* Bands speak of a number, in a unit that each accepted one has a way to. */
static bool bands_hold(const struct place *place, const struct score_rule *rule)
{
    const struct part *part = path_number(&rule->path);

    if (!part || rule->path.is_field)
        return place_fail(place, "bands need a part that is a number");
    if (!rule->in)
        return place_fail(place, "in is missing: the unit of the bands");
    return ways_exist(place, part, rule->in);
}

static bool read_input(const struct place *place, void *out)
{
    static const struct member members[] = {
        MEMBER("input", REQUIRED, take_word, INTO(input, named.name)),
        MEMBER("title", REQUIRED, take_text, INTO(input, named.title)),
        MEMBER("code", REQUIRED, take_coding, INTO(input, named.coding)),
        MEMBER("kind", REQUIRED, take_kind, INTO(input, kind)),
        MEMBER("part", OPTIONAL, take_part, NOWHERE),
        MEMBER("field", OPTIONAL, take_field, NOWHERE),
        MEMBER("in", OPTIONAL, take_unit, INTO(input, rule.in)),
        MEMBER("places", OPTIONAL, take_places, INTO(input, rule.places)),
        MEMBER("bands", OPTIONAL, take_list, LIST(input, rule.bands, band_rows)),
        MEMBER("words", OPTIONAL, take_words, NOWHERE),
        MEMBER("other", OPTIONAL, take_points, FLAGGED(input, rule.other, rule.has_other)),
    };
    struct input *input = out;
    const struct score_rule *rule = &input->rule;

    if (!SHAPE(place, members, input))
        return false;
    if (!rule->path.kind)
        return place_fail(place, "part or field is missing");
    if ((rule->bands_count > 0) == (rule->words_count > 0))
        return place_fail(place, "either bands or words");
    if (rule->words_count > 0)
        return !rule->in || place_fail(place, "in is for bands");
    return (!rule->has_other || place_fail(place, "other is for words")) && bands_hold(place, rule);
}

static const struct rows input_rows = {sizeof(struct input), 1, SCORE_INPUTS_MOST, read_input};

/* ---- bands that ask for another input or for a scale ---- */

static bool has_with(const struct score_rule *rule)
{
    for (size_t i = 0; i < rule->bands_count; i++)
        if (rule->bands[i].with != SIZE_MAX)
            return true;
    return false;
}

struct linking {
    const struct score *score;
    struct score_band *band;
};

static bool link_with(const struct place *at, const char *name, void *to)
{
    struct linking *linking = to;

    for (size_t i = 0; i < linking->score->table.inputs_count; i++)
        if (strcmp(linking->score->table.inputs[i].name, name) == 0) {
            linking->band->with = i;
            return true;
        }
    return place_fail(at, "no input of this score");
}

static bool link_band(const struct place *at, const struct score *score, struct score_band *band)
{
    struct linking linking = {score, band};
    struct place with;

    if (band->scale != 0 && !score_has_scale(score, band->scale))
        return place_fail(at, "the score has no scale %d", band->scale);
    return !place_member(at, "with", &with) || place_each(&with, link_with, &linking);
}

/* score.c looks at inputs without `with` first, then at the others: no chains. */
static bool chains_are_none(const struct place *at, const struct score *score)
{
    for (size_t i = 0; i < score->table.inputs_count; i++)
        for (size_t j = 0; j < score->rules[i].bands_count; j++) {
            size_t with = score->rules[i].bands[j].with;

            if (with != SIZE_MAX && has_with(&score->rules[with]))
                return place_fail(at, "%s asks for %s, which asks for another",
                                  score->table.inputs[i].name, score->table.inputs[with].name);
        }
    return true;
}

/* The first band that fits is used: one whose values all fit one before it never is. */
static bool covers(const struct score_band *earlier, const struct score_band *later)
{
    if ((earlier->scale != 0 && earlier->scale != later->scale) ||
        (earlier->with != SIZE_MAX &&
         (earlier->with != later->with || earlier->with_points != later->with_points)))
        return false;
    if (earlier->has_from && (!later->has_from || decimal_compare(earlier->from, later->from) > 0))
        return false;
    return !earlier->has_to || (later->has_to && decimal_compare(later->to, earlier->to) <= 0);
}

static bool bands_are_used(const struct place *input, const struct score_rule *rule)
{
    for (size_t i = 0; i < rule->bands_count; i++)
        for (size_t j = 0; j < i; j++)
            if (covers(&rule->bands[j], &rule->bands[i]))
                return place_fail(input, "bands: %zu is never used behind %zu", i, j);
    return true;
}

static bool link_input(const struct place *input, const struct score *score,
                       struct score_rule *rule)
{
    struct score_band *list = arena(input->loader, rule->bands_count, sizeof(*list));
    struct place bands, at;

    if (!list)
        return false;
    for (size_t i = 0; i < rule->bands_count; i++) {
        list[i] = rule->bands[i];
        if (place_member(input, "bands", &bands)) {
            place_item(&bands, i, &at);
            if (!link_band(&at, score, &list[i]))
                return false;
        }
    }
    rule->bands = list;
    return bands_are_used(input, rule);
}

struct inputs {
    const struct input *items;
    size_t count;
};

static bool inputs_are_apart(const struct place *at, const struct inputs *inputs)
{
    struct place item;

    for (size_t i = 0; i < inputs->count; i++)
        for (size_t j = 0; j < i; j++)
            if (strcmp(inputs->items[i].named.name, inputs->items[j].named.name) == 0) {
                place_item(at, i, &item);
                return place_fail(&item, "a second input called %s", inputs->items[i].named.name);
            }
    return true;
}

bool take_inputs(const struct place *at, const struct member *member, char *out)
{
    static const struct member here =
        MEMBER("", REQUIRED, take_list, LISTED(inputs, items, count, input_rows));
    struct score *score = (struct score *)(void *)out;
    struct score_input *named;
    struct score_rule *rules;
    struct inputs inputs;
    struct place item;

    (void)member;
    if (!take_list(at, &here, (char *)&inputs) || !inputs_are_apart(at, &inputs))
        return false;
    named = arena(at->loader, inputs.count, sizeof(*named));
    rules = arena(at->loader, inputs.count, sizeof(*rules));
    if (!named || !rules)
        return false;
    score->table.inputs = named;
    score->table.inputs_count = inputs.count;
    score->rules = rules;
    for (size_t i = 0; i < inputs.count; i++) {
        named[i] = inputs.items[i].named;
        rules[i] = inputs.items[i].rule;
    }
    for (size_t i = 0; i < inputs.count; i++) {
        place_item(at, i, &item);
        if (!link_input(&item, score, &rules[i]))
            return false;
    }
    return chains_are_none(at, score);
}
