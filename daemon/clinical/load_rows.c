/* load_rows.c - the rows that carry numbers: limits, ranges, names; and what they share: ages, conditions on fields, bounds. */
#include <string.h>

#include "clinical/load_rows.h"
#include "wardpost/json_in.h"

/* ---- ages ---- */

static bool read_span(const struct place *ages, const char *name, struct span *out, bool *has)
{
    struct place at;

    if (!place_member(ages, name, &at))
        return true;
    *has = true;
    return (text_is(at.json) && span_parse(json_string_value(at.json), json_string_length(at.json), out)) ||
           place_fail(&at, "an age is written P28D, P6W, P1M or P16Y");
}

bool read_ages(const struct place *place, struct ages *out)
{
    static const struct member members[] = {
        {"from",    MEMBER_WORD, false, 0,                             0},
        {"to",      MEMBER_WORD, false, 0,                             0},
        {"unknown", MEMBER_BOOL, false, offsetof(struct ages, unknown), 0},
    };
    struct place ages;

    if (!place_member(place, "ages", &ages))
        return true;
    out->given = true;
    if (!SHAPE(&ages, members, out) || !read_span(&ages, "from", &out->from, &out->has_from) ||
        !read_span(&ages, "to", &out->to, &out->has_to))
        return false;
    return out->has_from || out->has_to || place_fail(&ages, "from or to is missing");
}

/* A birth date that makes every span comparable: the first of a month with 31 days, in a year before a common one. */
static bool is_before(const struct span *a, const struct span *b)
{
    const struct date birth = {2001, 1, 1};

    return date_compare(date_after(birth, *a), date_after(birth, *b)) < 0;
}

static bool ages_overlap(const struct ages *a, const struct ages *b)
{
    if (!a->given || !b->given)
        return false; /* a row for everybody is the one to fall back to */
    if (a->has_to && b->has_from && !is_before(&b->from, &a->to))
        return false;
    return !(b->has_to && a->has_from && !is_before(&a->from, &b->to));
}

/* ---- when ---- */

static bool read_when_word(const struct place *place, void *out)
{
    const char *word = text_is(place->json) ? json_string_value(place->json) : NULL;

    memcpy(out, &word, sizeof(word));
    return word || place_fail(place, "a word is due here");
}

static bool when_is_known(const struct place *place, const char *path, const struct when *when)
{
    const struct field *field = kind_field(place->loader->kind, path);

    if (!field || (field->type != FIELD_WORD && field->type != FIELD_WORDS))
        return place_fail(place, "%s is no word field of this kind", path);
    for (size_t i = 0; i < when->count; i++)
        if (!word_list_find(field->list, when->words[i]))
            return place_fail(place, "%s is no word of %s", when->words[i], field->list->name);
    return when->count > 0 || place_fail(place, "no words");
}

bool read_whens(const struct place *place, struct whens *out)
{
    struct place all;
    struct when *list;
    const char *path;
    json_t *value;

    if (!place_member(place, "when", &all))
        return true;
    if (!json_is_object(all.json))
        return place_fail(&all, "an object is due here");
    list = arena(place->loader, json_object_size(all.json), sizeof(*list));
    if (!list)
        return false;
    out->items = list;
    json_object_foreach(json_walk(all.json), path, value)
    {
        list[out->count].path = path;
        if (!read_list(&all, path, sizeof(char *), read_when_word, &list[out->count].words, &list[out->count].count) ||
            !when_is_known(&all, path, &list[out->count]))
            return false;
        out->count++;
    }
    return true;
}

static bool when_same(const struct when *a, const struct when *b)
{
    if (strcmp(a->path, b->path) != 0 || a->count != b->count)
        return false;
    for (size_t i = 0; i < a->count; i++)
        if (strcmp(a->words[i], b->words[i]) != 0)
            return false;
    return true;
}

static bool whens_same(const struct whens *a, const struct whens *b)
{
    if (a->count != b->count)
        return false;
    for (size_t i = 0; i < a->count; i++)
        if (!when_same(&a->items[i], &b->items[i]))
            return false;
    return true;
}

/* ---- bounds ---- */

bool bound_is_possible(const struct place *place, const struct bound *bound)
{
    if (!bound->has_below && !bound->has_above && !bound->has_at_most && !bound->has_at_least)
        return place_fail(place, "no bound: below, above, at-most or at-least");
    return true;
}

/* ---- rows ---- */

static bool read_grade(const struct place *place, struct limit *limit)
{
    static const struct {
        const char *name;
        enum grade grade;
    } grades[] = {{"refuse", GRADE_REFUSE}, {"override", GRADE_OVERRIDE}, {"ask", GRADE_ASK}};
    const char *name = json_string_value(json_object_get(place->json, "grade"));

    for (size_t i = 0; i < 3; i++)
        if (strcmp(grades[i].name, name) == 0) {
            limit->grade = grades[i].grade;
            return true;
        }
    return place_fail(place, "grade is refuse, override or ask");
}

bool read_limit(const struct place *place, void *out)
{
    static const struct member members[] = {
        {"grade",  MEMBER_WORD,    true,  0,                                  0                                      },
        {"ages",   MEMBER_OBJECT,  false, 0,                                  0                                      },
        {"when",   MEMBER_OBJECT,  false, 0,                                  0                                      },
        {"below",  MEMBER_DECIMAL, false, offsetof(struct limit, bound.below), offsetof(struct limit, bound.has_below)},
        {"above",  MEMBER_DECIMAL, false, offsetof(struct limit, bound.above), offsetof(struct limit, bound.has_above)},
        {"in",     MEMBER_WORD,    false, 0,                                  0                                      },
        {"say",    MEMBER_TEXT,    false, offsetof(struct limit, say),        0                                      },
        {"source", MEMBER_TEXT,    true,  offsetof(struct limit, source),     0                                      },
    };
    struct limit *limit = out;

    return SHAPE(place, members, limit) && read_grade(place, limit) && read_ages(place, &limit->ages) &&
           read_whens(place, &limit->whens) && read_unit_name(place, "in", false, &limit->in) && bound_is_possible(place, &limit->bound);
}

bool read_range(const struct place *place, void *out)
{
    static const struct member members[] = {
        {"ages",          MEMBER_OBJECT,  false, 0,                                   0                                        },
        {"when",          MEMBER_OBJECT,  false, 0,                                   0                                        },
        {"in",            MEMBER_WORD,    false, 0,                                   0                                        },
        {"low",           MEMBER_DECIMAL, false, offsetof(struct range, low),           offsetof(struct range, has_low)          },
        {"high",          MEMBER_DECIMAL, false, offsetof(struct range, high),          offsetof(struct range, has_high)         },
        {"low-critical",  MEMBER_DECIMAL, false, offsetof(struct range, low_critical),  offsetof(struct range, has_low_critical) },
        {"high-critical", MEMBER_DECIMAL, false, offsetof(struct range, high_critical), offsetof(struct range, has_high_critical)},
        {"text",          MEMBER_TEXT,    true,  offsetof(struct range, text),          0                                        },
        {"source",        MEMBER_TEXT,    true,  offsetof(struct range, source),        0                                        },
    };
    struct range *range = out;

    if (!SHAPE(place, members, range) || !read_ages(place, &range->ages) || !read_whens(place, &range->whens) ||
        !read_unit_name(place, "in", false, &range->in))
        return false;
    if (!range->has_low && !range->has_high)
        return place_fail(place, "low or high is missing");
    return !range->has_low || !range->has_high || decimal_compare(range->low, range->high) <= 0 ||
           place_fail(place, "low is over high: nothing can lie between");
}

bool read_state_name(const struct place *place, void *out)
{
    static const struct member members[] = {
        {"ages",     MEMBER_OBJECT,  false, 0,                                         0                                              },
        {"when",     MEMBER_OBJECT,  false, 0,                                         0                                              },
        {"in",       MEMBER_WORD,    false, 0,                                         0                                              },
        {"below",    MEMBER_DECIMAL, false, offsetof(struct state_name, bound.below),    offsetof(struct state_name, bound.has_below)   },
        {"above",    MEMBER_DECIMAL, false, offsetof(struct state_name, bound.above),    offsetof(struct state_name, bound.has_above)   },
        {"at-most",  MEMBER_DECIMAL, false, offsetof(struct state_name, bound.at_most),  offsetof(struct state_name, bound.has_at_most) },
        {"at-least", MEMBER_DECIMAL, false, offsetof(struct state_name, bound.at_least), offsetof(struct state_name, bound.has_at_least)},
        {"name",     MEMBER_TEXT,    true,  offsetof(struct state_name, name),           0                                              },
        {"source",   MEMBER_TEXT,    true,  offsetof(struct state_name, source),         0                                              },
    };
    struct state_name *name = out;

    return SHAPE(place, members, name) && read_ages(place, &name->ages) && read_whens(place, &name->whens) &&
           read_unit_name(place, "in", false, &name->in) && bound_is_possible(place, &name->bound);
}

/* Two bands of one list that hold at the same age, under the same conditions, would make the order decide about a patient. */
bool ranges_are_apart(const struct place *place, const struct range *ranges, size_t count)
{
    for (size_t i = 0; i < count; i++)
        for (size_t j = 0; j < i; j++)
            if (ranges[i].in == ranges[j].in && ages_overlap(&ranges[i].ages, &ranges[j].ages) &&
                whens_same(&ranges[i].whens, &ranges[j].whens))
                return place_fail(place, "ranges %zu and %zu hold at the same age", j, i);
    return true;
}
