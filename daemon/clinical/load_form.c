/* load_form.c - what only a form reads: what it asks for and when, what it offers at once, hints.
 * Looked at like the rest, so that a form can count on it, and then left in the file; see load.h.
 */
#include <string.h>

#include "clinical/load.h"

/* ---- conditions ---- */

struct conditions {
    const struct condition *items;
    size_t count;
};

/* Of the kind being read. */
static bool take_conditions(const struct place *at, const struct member *member, char *out)
{
    static const struct member here =
        MEMBER("", REQUIRED, take_list, LISTED(conditions, items, count, condition_rows));
    struct conditions conditions;

    (void)member;
    (void)out;
    return take_list(at, &here, (char *)&conditions);
}

/* ---- lists of words, fields, units: what is in them is looked up, and stands there once ---- */

struct texts {
    const char **items;
    size_t count;
};

static bool read_said(const struct place *item, void *out)
{
    const char *text = place_text(item);

    put_pointer(out, text);
    return text != NULL;
}

static bool texts_in(const struct place *at, struct texts *texts)
{
    static const struct rows rows = {sizeof(char *), 1, ROWS_MOST, read_said};
    static const struct member here =
        MEMBER("", REQUIRED, take_list, LISTED(texts, items, count, rows));

    if (!take_list(at, &here, (char *)texts))
        return false;
    for (size_t i = 1; i < texts->count; i++)
        for (size_t j = 0; j < i; j++)
            if (strcmp(texts->items[i], texts->items[j]) == 0)
                return place_fail(at, "%s stands here twice", texts->items[i]);
    return true;
}

bool take_often(const struct place *at, const struct member *member, char *out)
{
    const struct field *field = (const struct field *)(const void *)out;
    struct texts words;

    (void)member;
    if (!texts_in(at, &words))
        return false;
    for (size_t i = 0; i < words.count; i++)
        if (!word_list_find(field->list, words.items[i]))
            return place_fail(at, "%s is no word of %s", words.items[i], field->list->name);
    return true;
}

bool take_offers(const struct place *at, const struct member *member, char *out)
{
    const struct part *part = (const struct part *)(const void *)out;
    struct texts units;

    (void)member;
    if (!texts_in(at, &units))
        return false;
    for (size_t i = 0; i < units.count; i++) {
        const struct unit *unit = kinds_unit(at->loader->kinds, units.items[i]);

        if (!unit || !part_accepts(part, unit))
            return place_fail(at, "%s is not one of the units in accepts", units.items[i]);
    }
    return !part->unit || kinds_unit(at->loader->kinds, units.items[0]) == part->unit ||
           place_fail(at, "the canonical unit stands first");
}

static bool take_fields(const struct place *at, const struct member *member, char *out)
{
    struct texts fields;

    (void)member;
    (void)out;
    if (!texts_in(at, &fields))
        return false;
    for (size_t i = 0; i < fields.count; i++)
        if (!kind_field(at->loader->kind, fields.items[i]))
            return place_fail(at, "%s is no field of this kind", fields.items[i]);
    return true;
}

/* ---- rows of which nothing is kept ---- */

struct nothing {
    char none;
};

struct nothings {
    const struct nothing *items;
    size_t count;
};

static bool read_ask(const struct place *item, void *out)
{
    static const struct member members[] = {
        MEMBER("fields", REQUIRED, take_fields, NOWHERE),
        MEMBER("if", OPTIONAL, take_conditions, NOWHERE),
        MEMBER("source", OPTIONAL, take_said, NOWHERE),
    };

    return SHAPE(item, members, out) &&
           (!json_object_get(item->json, "if") || json_object_get(item->json, "source") ||
            place_fail(item, "source is missing"));
}

static bool read_hint(const struct place *item, void *out)
{
    static const struct member members[] = {
        MEMBER("say", REQUIRED, take_said, NOWHERE),
        MEMBER("if", OPTIONAL, take_conditions, NOWHERE),
        MEMBER("source", REQUIRED, take_said, NOWHERE),
    };

    return SHAPE(item, members, out);
}

static bool read_longest(const struct place *item, void *out)
{
    static const struct member members[] = {
        MEMBER("if", REQUIRED, take_conditions, NOWHERE),
        MEMBER("say", REQUIRED, take_said, NOWHERE),
        MEMBER("source", REQUIRED, take_said, NOWHERE),
    };

    return SHAPE(item, members, out);
}

static bool rows_hold(const struct place *at, read_item *read)
{
    const struct rows rows = {sizeof(struct nothing), 0, ROWS_MOST, read};
    const struct member here =
        MEMBER("", OPTIONAL, take_list, LISTED(nothings, items, count, rows));
    struct nothings nothings;

    return take_list(at, &here, (char *)&nothings);
}

static bool read_count_field(const struct place *at, const char *name, void *to)
{
    struct place longest;

    (void)name;
    (void)to;
    return !place_member(at, "longest-if", &longest) || rows_hold(&longest, read_longest);
}

bool form_holds(const struct place *file)
{
    struct place at;

    return (!place_member(file, "asks", &at) || rows_hold(&at, read_ask)) &&
           (!place_member(file, "hints", &at) || rows_hold(&at, read_hint)) &&
           (!place_member(file, "context", &at) || place_each(&at, read_count_field, NULL));
}

/* ---- whom a score's question is for ---- */

static bool take_genders(const struct place *at, const struct member *member, char *out)
{
    static const char *const all[] = {"female", "male", "other", "unknown"};
    struct texts genders;

    (void)member;
    (void)out;
    if (!texts_in(at, &genders))
        return false;
    for (size_t i = 0; i < genders.count; i++) {
        size_t known = 0;

        while (known < COUNT(all) && strcmp(all[known], genders.items[i]) != 0)
            known++;
        if (known == COUNT(all))
            return place_fail(at, "female, male, other, unknown are what a patient can be");
    }
    return true;
}

struct asked {
    struct ages ages;
};

bool take_question(const struct place *at, const struct member *member, char *out)
{
    static const struct member members[] = {
        MEMBER("ages", OPTIONAL, take_ages, INTO(asked, ages)),
        MEMBER("not-gender", OPTIONAL, take_genders, NOWHERE),
    };
    struct asked asked = {.ages = {.given = false}};

    (void)member;
    if (!((const struct score_withhold *)(const void *)out)->pregnant)
        return place_fail(at, "ask stands beside context");
    return SHAPE(at, members, &asked);
}
