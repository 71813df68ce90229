/* load_checks.c - checks within a reading, against the patient's last one, and between the readings of a set. */
#include <string.h>

#include "clinical/load.h"
#include "wardpost/json_in.h"

/* ---- paths: "systolic", "oxygen.flow", "last.value"; between kinds "heart-rate.value", "last.body-weight.value" ---- */

static bool path_in_kind(const struct place *place, const char *text, struct path *out)
{
    const struct part *part = kind_part(out->kind, text);
    const struct field *field = kind_field(out->kind, text);

    if (!part && !field)
        return place_fail(place, "%s is no part or field of %s", text, out->kind->name);
    out->is_field = part == NULL;
    out->index = part ? (size_t)(part - out->kind->parts) : (size_t)(field - out->kind->fields);
    return true;
}

static void looks_at_last(const struct kind *kind)
{
    ((struct kind *)(uintptr_t)kind)->looks_at_last = true; /* ours until the table is loaded */
}

bool read_path(const struct place *place, const char *text, const struct kind *kind, struct path *out)
{
    char name[80];
    size_t length;

    *out = (struct path){.kind = kind};
    out->last = strncmp(text, "last.", 5) == 0;
    if (out->last)
        text += 5;
    if (!kind) {
        length = strcspn(text, ".");
        if (length >= sizeof(name) || text[length] != '.')
            return place_fail(place, "a path between kinds is KIND.PART");
        memcpy(name, text, length);
        name[length] = '\0';
        out->kind = kinds_find(place->loader->kinds, name);
        if (!out->kind)
            return place_fail(place, "%s: no such kind", name);
        text += length + 1;
    }
    if (!path_in_kind(place, text, out))
        return false;
    if (out->last)
        looks_at_last(out->kind);
    return !(out->last && out->is_field) || place_fail(place, "only parts are kept of the last reading");
}

static bool path_at(const struct place *place, struct path *out)
{
    if (!text_is(place->json))
        return place_fail(place, "a path is due here");
    return read_path(place, json_string_value(place->json), place->loader->kind, out);
}

static bool path_member(const struct place *place, const char *name, struct path *out)
{
    struct place at;

    return place_member(place, name, &at) && path_at(&at, out);
}

static bool read_path_item(const struct place *place, void *out)
{
    return path_at(place, out);
}

/* ---- conditions ---- */

static bool read_term(const struct place *place, void *out)
{
    struct term *term = out;
    struct place times, path;

    if (json_array_size(place->json) != 2)
        return place_fail(place, "a term is [times, path]");
    place_item(place, 0, &times);
    place_item(place, 1, &path);
    return (digits_decimal(times.json, &term->times) || place_fail(&times, "a number is due here")) && path_at(&path, &term->path);
}

static bool read_sum(const struct place *place, struct condition *condition)
{
    return read_list(place, "sum", sizeof(struct term), read_term, &condition->terms, &condition->terms_count) &&
           (condition->terms_count > 0 || place_fail(place, "no terms"));
}

static bool read_pair(const struct place *place, const char *name, struct condition *condition)
{
    struct place pair, at;

    place_member(place, name, &pair);
    if (json_array_size(pair.json) != 2)
        return place_fail(&pair, "two paths are due here");
    place_item(&pair, 0, &at);
    if (!path_at(&at, &condition->a))
        return false;
    place_item(&pair, 1, &at);
    return path_at(&at, &condition->b);
}

static bool read_ratio(const struct place *place, struct condition *condition)
{
    return read_pair(place, "ratio", condition);
}

static bool read_change(const struct place *place, struct condition *condition)
{
    return read_pair(place, "change", condition);
}

static bool read_exchanged(const struct place *place, struct condition *condition)
{
    return read_pair(place, "digits-exchanged", condition);
}

static bool read_entered(const struct place *place, struct condition *condition)
{
    return path_member(place, "entered", &condition->a) && read_unit_name(place, "unit", true, &condition->unit);
}

static bool read_check_word(const struct place *place, void *out)
{
    const char *word = text_is(place->json) ? json_string_value(place->json) : NULL;

    memcpy(out, &word, sizeof(word));
    return word || place_fail(place, "a word is due here");
}

static const struct word_list *list_at(const struct path *path)
{
    return path->is_field ? path->kind->fields[path->index].list : path->kind->parts[path->index].list;
}

static bool words_are_known(const struct place *place, const struct condition *condition)
{
    const struct word_list *list = list_at(&condition->a);

    if (!list)
        return place_fail(place, "no words are taken there");
    for (size_t i = 0; i < condition->words_count; i++)
        if (!word_list_find(list, condition->words[i]))
            return place_fail(place, "%s is no word of %s", condition->words[i], list->name);
    return condition->words_count > 0 || place_fail(place, "in or not-in is missing");
}

static bool read_word_condition(const struct place *place, struct condition *condition)
{
    bool not_in = json_object_get(place->json, "not-in") != NULL;

    if (not_in)
        condition->type = CONDITION_WORD_NOT_IN;
    return path_member(place, "word", &condition->a) &&
           read_list(place, not_in ? "not-in" : "in", sizeof(char *), read_check_word, &condition->words, &condition->words_count) &&
           words_are_known(place, condition);
}

static bool read_present(const struct place *place, struct condition *condition)
{
    return path_member(place, "present", &condition->a);
}

static bool read_absent(const struct place *place, struct condition *condition)
{
    return path_member(place, "absent", &condition->a);
}

static bool read_odd(const struct place *place, struct condition *condition)
{
    return path_member(place, "odd", &condition->a);
}

static bool read_days(const struct place *place, struct condition *condition)
{
    if (!path_member(place, "days-since-last", &condition->a))
        return false;
    looks_at_last(condition->a.kind);
    return true;
}

static bool read_same(const struct place *place, struct condition *condition)
{
    const struct kinds *kinds = place->loader->kinds;

    (void)condition;
    for (size_t i = 0; i < kinds->count; i++)
        looks_at_last(kinds->by_name[i]);
    return !place->loader->kind || place_fail(place, "same-as-last is for checks.json");
}

/* By the member that says which it is. `bounded`: needs a bound. */
static const struct {
    const char *name;
    enum condition_type type;
    bool bounded;
    bool (*read)(const struct place *place, struct condition *condition);
} condition_types[] = {
    {"sum",              CONDITION_SUM,              true,  read_sum           },
    {"ratio",            CONDITION_RATIO,            true,  read_ratio         },
    {"change",           CONDITION_CHANGE,           true,  read_change        },
    {"entered",          CONDITION_ENTERED,          true,  read_entered       },
    {"word",             CONDITION_WORD_IN,          false, read_word_condition},
    {"present",          CONDITION_PRESENT,          false, read_present       },
    {"absent",           CONDITION_ABSENT,           false, read_absent        },
    {"odd",              CONDITION_ODD,              false, read_odd           },
    {"digits-exchanged", CONDITION_DIGITS_EXCHANGED, false, read_exchanged     },
    {"days-since-last",  CONDITION_DAYS_SINCE_LAST,  true,  read_days          },
    {"same-as-last",     CONDITION_SAME_AS_LAST,     false, read_same          },
};

static const struct member condition_members[] = {
    {"sum",              MEMBER_ARRAY,   false, 0,                                         0                                              },
    {"ratio",            MEMBER_ARRAY,   false, 0,                                         0                                              },
    {"change",           MEMBER_ARRAY,   false, 0,                                         0                                              },
    {"entered",          MEMBER_WORD,    false, 0,                                         0                                              },
    {"unit",             MEMBER_WORD,    false, 0,                                         0                                              },
    {"word",             MEMBER_WORD,    false, 0,                                         0                                              },
    {"in",               MEMBER_ARRAY,   false, 0,                                         0                                              },
    {"not-in",           MEMBER_ARRAY,   false, 0,                                         0                                              },
    {"present",          MEMBER_WORD,    false, 0,                                         0                                              },
    {"absent",           MEMBER_WORD,    false, 0,                                         0                                              },
    {"odd",              MEMBER_WORD,    false, 0,                                         0                                              },
    {"digits-exchanged", MEMBER_ARRAY,   false, 0,                                         0                                              },
    {"days-since-last",  MEMBER_WORD,    false, 0,                                         0                                              },
    {"same-as-last",     MEMBER_ANY,     false, 0,                                         0                                              },
    {"below",            MEMBER_DECIMAL, false, offsetof(struct condition, bound.below),    offsetof(struct condition, bound.has_below)   },
    {"above",            MEMBER_DECIMAL, false, offsetof(struct condition, bound.above),    offsetof(struct condition, bound.has_above)   },
    {"at-most",          MEMBER_DECIMAL, false, offsetof(struct condition, bound.at_most),  offsetof(struct condition, bound.has_at_most) },
    {"at-least",         MEMBER_DECIMAL, false, offsetof(struct condition, bound.at_least), offsetof(struct condition, bound.has_at_least)},
};

static bool read_condition(const struct place *place, void *out)
{
    struct condition *condition = out;

    if (!SHAPE(place, condition_members, condition))
        return false;
    for (size_t i = 0; i < sizeof(condition_types) / sizeof(condition_types[0]); i++) {
        if (!json_object_get(place->json, condition_types[i].name))
            continue;
        condition->type = condition_types[i].type;
        return condition_types[i].read(place, condition) &&
               (!condition_types[i].bounded || bound_is_possible(place, &condition->bound));
    }
    return place_fail(place, "no condition of a known sort");
}

/* ---- what is said: {path}, {path/10}, {path*10}, {path~U:V} ---- */

static bool hole_is_known(const struct place *place, const char *hole, size_t length)
{
    size_t name = 0;
    struct path path;
    char text[120];

    while (name < length && !strchr("/*~", hole[name]))
        name++;
    if (name >= sizeof(text))
        return place_fail(place, "say: a path that is too long");
    memcpy(text, hole, name);
    text[name] = '\0';
    return read_path(place, text, place->loader->kind, &path);
}

static bool holes_are_known(const struct place *place, const char *say)
{
    while ((say = strchr(say, '{'))) {
        const char *end = strchr(++say, '}');

        if (!end)
            return place_fail(place, "say: an opening brace without a closing one");
        if (!hole_is_known(place, say, (size_t)(end - say)))
            return false;
        say = end;
    }
    return true;
}

/* ---- a check ---- */

static bool read_check_grade(const struct place *place, struct check *check)
{
    static const struct {
        const char *grade, *code;
        enum grade as;
        enum problem_code problem;
    } rows[] = {
        {"refuse", "implausible",  GRADE_REFUSE, PROBLEM_IMPLAUSIBLE },
        {"refuse", "inconsistent", GRADE_REFUSE, PROBLEM_INCONSISTENT},
        {"ask",    NULL,           GRADE_ASK,    PROBLEM_CONFIRM     },
        {"note",   NULL,           GRADE_NOTE,   PROBLEM_CONFIRM     },
    };
    const char *grade = json_string_value(json_object_get(place->json, "grade"));
    const char *code = json_string_value(json_object_get(place->json, "code"));

    for (size_t i = 0; i < sizeof(rows) / sizeof(rows[0]); i++)
        if (strcmp(rows[i].grade, grade) == 0 && (!rows[i].code || (code && strcmp(rows[i].code, code) == 0))) {
            check->grade = rows[i].as;
            check->code = rows[i].problem;
            return true;
        }
    return place_fail(place, "grade is refuse (with code implausible or inconsistent), ask or note");
}

static bool read_check(const struct place *place, void *out)
{
    static const struct member members[] = {
        {"check",  MEMBER_TEXT,   true,  offsetof(struct check, name),   0},
        {"grade",  MEMBER_WORD,   true,  0,                              0},
        {"code",   MEMBER_WORD,   false, 0,                              0},
        {"ages",   MEMBER_OBJECT, false, 0,                              0},
        {"if",     MEMBER_ARRAY,  true,  0,                              0},
        {"at",     MEMBER_ARRAY,  true,  0,                              0},
        {"say",    MEMBER_TEXT,   true,  offsetof(struct check, say),    0},
        {"source", MEMBER_TEXT,   true,  offsetof(struct check, source), 0},
    };
    struct check *check = out;

    check->kind = place->loader->kind;
    return SHAPE(place, members, check) && read_check_grade(place, check) && read_ages(place, &check->ages) &&
           read_list(place, "if", sizeof(struct condition), read_condition, &check->conditions, &check->conditions_count) &&
           read_list(place, "at", sizeof(struct path), read_path_item, &check->at, &check->at_count) &&
           ((check->conditions_count > 0 && check->at_count > 0) || place_fail(place, "if or at is empty")) &&
           holes_are_known(place, check->say);
}

bool load_checks(const struct place *place, const char *name, const struct kind *kind, const struct check **out, size_t *count)
{
    struct kind *before = place->loader->kind;
    bool good;

    place->loader->kind = (struct kind *)(uintptr_t)kind;
    good = read_list(place, name, sizeof(struct check), read_check, out, count);
    place->loader->kind = before;
    return good;
}
