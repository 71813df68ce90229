/* load_score.c - one early-warning score: its inputs and bands, when it is withheld, what a total asks for. */
#include <stdlib.h>
#include <string.h>

#include "clinical/load.h"
#include "wardpost/json_in.h"

struct reading_score { /* both arrays are filled in step */
    struct score_input input;
    struct score_rule rule;
};

static bool read_band_with(const struct place *place, struct score_band *band)
{
    struct place with;

    band->with = SIZE_MAX;
    return !place_member(place, "with", &with) || json_object_size(with.json) == 1 || place_fail(&with, "one input and its points");
}

static bool read_band(const struct place *place, void *out)
{
    static const struct member members[] = {
        {"from",   MEMBER_DECIMAL, false, offsetof(struct score_band, from),   offsetof(struct score_band, has_from)},
        {"to",     MEMBER_DECIMAL, false, offsetof(struct score_band, to),     offsetof(struct score_band, has_to)  },
        {"scale",  MEMBER_INT,     false, offsetof(struct score_band, scale),  0                                    },
        {"with",   MEMBER_OBJECT,  false, 0,                                   0                                    },
        {"points", MEMBER_INT,     true,  offsetof(struct score_band, points), 0                                    },
        {"source", MEMBER_ANY,     false, 0,                                   0                                    },
    };

    return SHAPE(place, members, out) && read_band_with(place, out);
}

static bool read_words(const struct place *place, struct score_rule *rule)
{
    struct place all, at;
    struct score_word *list;
    const char *word;
    json_t *value;
    struct decimal points;

    if (!place_member(place, "words", &all))
        return true;
    list = arena(place->loader, json_object_size(all.json), sizeof(*list));
    if (!list)
        return false;
    rule->words = list;
    json_object_foreach(json_walk(all.json), word, value)
    {
        place_member(&all, word, &at);
        if (!digits_decimal(value, &points) || points.scale > 0 || points.digits < 0 || points.digits > 100)
            return place_fail(&at, "points are a whole number");
        list[rule->words_count++] = (struct score_word){word, (int)points.digits};
    }
    return true;
}

static bool read_source_of(const struct place *place, struct reading_score *out)
{
    const struct kind *kind = kinds_find(place->loader->kinds, json_string_value(json_object_get(place->json, "kind")));
    const json_t *part = json_object_get(place->json, "part"), *field = json_object_get(place->json, "field");
    const char *name = json_string_value(part ? part : field);

    if (!kind)
        return place_fail(place, "kind: no such kind");
    return name ? read_path(place, name, kind, &out->rule.path) : place_fail(place, "part or field is missing");
}

static bool read_input(const struct place *place, void *out)
{
    static const struct member members[] = {
        {"input",  MEMBER_TEXT,   true,  offsetof(struct reading_score, input.name),  0},
        {"title",  MEMBER_TEXT,   true,  offsetof(struct reading_score, input.title), 0},
        {"code",   MEMBER_OBJECT, true,  0,                                           0},
        {"kind",   MEMBER_WORD,   true,  0,                                           0},
        {"part",   MEMBER_WORD,   false, 0,                                           0},
        {"field",  MEMBER_WORD,   false, 0,                                           0},
        {"in",     MEMBER_WORD,   false, 0,                                           0},
        {"places", MEMBER_INT,    false, offsetof(struct reading_score, rule.places), 0},
        {"bands",  MEMBER_ARRAY,  false, 0,                                           0},
        {"words",  MEMBER_OBJECT, false, 0,                                           0},
        {"other",  MEMBER_INT,    false, offsetof(struct reading_score, rule.other),  0},
        {"source", MEMBER_ANY,    false, 0,                                           0},
    };
    struct reading_score *one = out;
    struct place code;

    if (!SHAPE(place, members, one) || !read_source_of(place, one) || !read_unit_name(place, "in", false, &one->rule.in) ||
        !read_list(place, "bands", sizeof(struct score_band), read_band, &one->rule.bands, &one->rule.bands_count) ||
        !read_words(place, &one->rule))
        return false;
    one->rule.has_other = json_object_get(place->json, "other") != NULL;
    if ((one->rule.bands_count > 0) == (one->rule.words_count > 0))
        return place_fail(place, "either bands or words");
    if (one->rule.bands_count > 0 && (!one->rule.in || one->rule.places > DECIMAL_PLACES_MOST))
        return place_fail(place, "bands need in, and places up to 9");
    return place_member(place, "code", &code) && read_coding(&code, &one->input.coding);
}

/* `with` names another input: only known when all are read. */
static bool link_bands(const struct place *inputs, struct score *score)
{
    for (size_t i = 0; i < score->table.inputs_count; i++) {
        struct place input, bands, at;

        place_item(inputs, i, &input);
        if (!place_member(&input, "bands", &bands))
            continue;
        for (size_t j = 0; j < score->rules[i].bands_count; j++) {
            struct score_band *band = (struct score_band *)(uintptr_t)&score->rules[i].bands[j];
            const char *name;
            json_t *points;
            struct decimal value;

            place_item(&bands, j, &at);
            json_object_foreach(json_walk(json_object_get(at.json, "with")), name, points)
            {
                for (size_t k = 0; k < score->table.inputs_count; k++)
                    if (strcmp(score->table.inputs[k].name, name) == 0)
                        band->with = k;
                if (band->with == SIZE_MAX || band->with == i || !digits_decimal(points, &value))
                    return place_fail(&at, "with names another input and its points");
                band->with_points = (int)value.digits;
            }
        }
    }
    return true;
}

static bool read_inputs(const struct place *file, struct score *score)
{
    struct reading_score *list = NULL;
    struct score_input *inputs;
    struct score_rule *rules;
    struct place at;
    size_t count;

    if (!read_list(file, "inputs", sizeof(*list), read_input, &list, &count))
        return false;
    if (count == 0 || count > SCORE_INPUTS_MOST)
        return place_fail(file, "from 1 to %d inputs", SCORE_INPUTS_MOST);
    inputs = arena(file->loader, count, sizeof(*inputs));
    rules = arena(file->loader, count, sizeof(*rules));
    if (!inputs || !rules)
        return false;
    for (size_t i = 0; i < count; i++) {
        inputs[i] = list[i].input;
        rules[i] = list[i].rule;
    }
    score->table.inputs = inputs;
    score->table.inputs_count = count;
    score->rules = rules;
    place_member(file, "inputs", &at);
    return link_bands(&at, score);
}

static bool read_response(const struct place *place, void *out)
{
    static const struct member members[] = {
        {"from",             MEMBER_INT,  false, offsetof(struct score_response, from),             0},
        {"to",               MEMBER_INT,  true,  offsetof(struct score_response, to),               0},
        {"single",           MEMBER_INT,  false, offsetof(struct score_response, single),           0},
        {"risk",             MEMBER_TEXT, true,  offsetof(struct score_response, risk),             0},
        {"interval-minutes", MEMBER_INT,  true,  offsetof(struct score_response, interval_minutes), 0},
        {"say",              MEMBER_TEXT, true,  offsetof(struct score_response, say),              0},
        {"source",           MEMBER_TEXT, true,  offsetof(struct score_response, source),           0},
    };

    return SHAPE(place, members, out);
}

static bool read_withheld(const struct place *place, void *out)
{
    static const struct member members[] = {
        {"ages",        MEMBER_OBJECT, false, 0,                                             0},
        {"age-unknown", MEMBER_BOOL,   false, offsetof(struct score_withhold, age_unknown), 0},
        {"context",     MEMBER_WORD,   false, 0,                                             0},
        {"is",          MEMBER_ARRAY,  false, 0,                                             0},
        {"say",         MEMBER_TEXT,   true,  offsetof(struct score_withhold, say),         0},
        {"source",      MEMBER_ANY,    false, 0,                                             0},
    };
    struct score_withhold *withhold = out;
    const char *context;

    if (!SHAPE(place, members, withhold) || !read_ages(place, &withhold->ages))
        return false;
    context = json_string_value(json_object_get(place->json, "context"));
    withhold->pregnant = context && strcmp(context, "pregnant") == 0;
    if (context && !withhold->pregnant)
        return place_fail(place, "context is pregnant");
    return withhold->pregnant || withhold->age_unknown || withhold->ages.given || place_fail(place, "ages, age-unknown or context");
}

static bool read_scales(const struct place *file, struct score *score)
{
    static const struct member members[] = {
        {"context", MEMBER_WORD,   true, 0,                                     0},
        {"default", MEMBER_INT,    true, offsetof(struct score, scale_default), 0},
        {"scales",  MEMBER_OBJECT, true, 0,                                     0},
    };
    struct place scale, scales;
    const char *name;
    json_t *text;

    if (!place_member(file, "scale", &scale))
        return true;
    if (!SHAPE(&scale, members, score))
        return false;
    place_member(&scale, "scales", &scales);
    json_object_foreach(json_walk(scales.json), name, text)
    {
        if (score->scales_count == 4 || strspn(name, "123456789") != strlen(name) || strlen(name) != 1 || !text_is(text))
            return place_fail(&scales, "at most four scales, named 1 to 9, each with a text");
        score->scales[score->scales_count].scale = name[0] - '0';
        score->scales[score->scales_count++].text = json_string_value(text);
    }
    return true;
}

static bool read_caution(const struct place *place, void *out)
{
    const char *text = text_is(place->json) ? json_string_value(place->json) : NULL;

    memcpy(out, &text, sizeof(text));
    return text || place_fail(place, "a text is due here");
}

static bool read_codes_of(const struct place *file, struct score *score)
{
    struct place at;

    return place_member(file, "code", &at) && read_coding(&at, &score->table.code) && place_member(file, "category", &at) &&
           read_coding(&at, &score->table.category) && read_unit_name(file, "unit", true, &score->table.unit);
}

bool load_score(const struct place *file, struct score *out)
{
    static const struct member members[] = {
        {"score",     MEMBER_TEXT,   true,  offsetof(struct score, table.name),   0},
        {"title",     MEMBER_TEXT,   true,  offsetof(struct score, table.title),  0},
        {"credit",    MEMBER_TEXT,   true,  offsetof(struct score, table.credit), 0},
        {"cautions",  MEMBER_ARRAY,  false, 0,                                    0},
        {"code",      MEMBER_OBJECT, true,  0,                                    0},
        {"category",  MEMBER_OBJECT, true,  0,                                    0},
        {"unit",      MEMBER_WORD,   true,  0,                                    0},
        {"source",    MEMBER_ANY,    true,  0,                                    0},
        {"scale",     MEMBER_OBJECT, false, 0,                                    0},
        {"withheld",  MEMBER_ARRAY,  false, 0,                                    0},
        {"inputs",    MEMBER_ARRAY,  true,  0,                                    0},
        {"responses", MEMBER_ARRAY,  true,  0,                                    0},
    };

    if (!SHAPE(file, members, out) || !read_codes_of(file, out) || !read_scales(file, out) || !read_inputs(file, out) ||
        !read_list(file, "cautions", sizeof(char *), read_caution, &out->table.cautions, &out->table.cautions_count) ||
        !read_list(file, "withheld", sizeof(struct score_withhold), read_withheld, &out->withheld, &out->withheld_count) ||
        !read_list(file, "responses", sizeof(struct score_response), read_response, &out->responses, &out->responses_count))
        return false;
    for (size_t i = 0; i < out->responses_count; i++)
        if (out->responses[i].single > 0)
            out->single_points = out->responses[i].single;
    return out->responses_count > 0 || place_fail(file, "no responses");
}
