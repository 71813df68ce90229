/* load_checks.c - checks within a reading, against the patient's last one, and between the readings
 * of a set; see load.h. */
#include <string.h>

#include "clinical/load.h"
#include "wardpost/json_in.h"

/* ---- pieces of conditions ---- */

static bool read_term(const struct place *place, void *out)
{
    static const struct member times = MEMBER("", REQUIRED, take_decimal, INTO(term, times));
    struct term *term = out;
    struct place at;

    if (json_array_size(place->json) != 2)
        return place_fail(place, "a term is [times, path]");
    place_item(place, 0, &at);
    if (!take_decimal(&at, &times, (char *)term))
        return false;
    place_item(place, 1, &at);
    return read_exact(&at, &term->path);
}

static const struct rows term_rows = {sizeof(struct term), 1, PARTS_MOST, read_term};

/* Two paths into a and b. */
static bool read_pair(const struct place *place, struct condition *condition, read_item *read)
{
    struct place at;

    if (json_array_size(place->json) != 2)
        return place_fail(place, "two paths are due here");
    place_item(place, 0, &at);
    if (!read(&at, &condition->a))
        return false;
    place_item(place, 1, &at);
    return read(&at, &condition->b);
}

static bool take_exact_pair(const struct place *at, const struct member *member, char *out)
{
    (void)member;
    return read_pair(at, (struct condition *)(void *)out, read_exact);
}

static bool take_number_pair(const struct place *at, const struct member *member, char *out)
{
    (void)member;
    return read_pair(at, (struct condition *)(void *)out, read_number);
}

static const struct rows word_rows = {sizeof(char *), 1, WORDS_MOST, read_word};

static bool take_words(const struct place *at, const struct member *member, char *out)
{
    struct condition *condition = (struct condition *)(void *)out;
    const struct word_list *list = path_words(&condition->a);
    struct place item;

    if (condition->words)
        return place_fail(at, "either in or not-in");
    if (!take_list(at, member, out))
        return false;
    for (size_t i = 0; i < condition->words_count; i++)
        if (!word_list_find(list, condition->words[i])) {
            place_item(at, i, &item);
            return place_fail(&item, "%s is no word of %s", condition->words[i], list->name);
        }
    return true;
}

static bool take_not_words(const struct place *at, const struct member *member, char *out)
{
    ((struct condition *)(void *)out)->type = CONDITION_WORD_NOT_IN;
    return take_words(at, member, out);
}

static bool take_entered_unit(const struct place *at, const struct member *member, char *out)
{
    const struct condition *condition = (const struct condition *)(const void *)out;

    return take_unit(at, member, out) &&
           (part_accepts(path_number(&condition->a), condition->unit) ||
            place_fail(at, "nothing can be entered there in this unit"));
}

static bool take_days(const struct place *at, const struct member *member, char *out)
{
    const struct condition *condition = (const struct condition *)(const void *)out;

    if (!take_sent_path(at, member, out))
        return false;
    looks_at_last(at->loader, condition->a.kind);
    return true;
}

static bool take_same(const struct place *at, const struct member *member, char *out)
{
    const struct kinds *kinds = at->loader->kinds;

    if (at->loader->kind)
        return place_fail(at, "stands between kinds only, in checks.json");
    for (size_t i = 0; i < kinds->count; i++)
        looks_at_last(at->loader, kinds->by_name[i]);
    return take_true(at, member, out);
}

/* ---- the sorts of conditions, by the member that tells which it is ---- */

static const struct member sum_members[] = {
    MEMBER("sum", REQUIRED, take_list, LIST(condition, terms, term_rows)),
    BOUNDS(condition),
};
static const struct member ratio_members[] = {
    MEMBER("ratio", REQUIRED, take_exact_pair, NOWHERE),
    BOUNDS(condition),
};
static const struct member change_members[] = {
    MEMBER("change", REQUIRED, take_exact_pair, NOWHERE),
    BOUNDS(condition),
};
static const struct member entered_members[] = {
    MEMBER("entered", REQUIRED, take_number, INTO(condition, a)),
    MEMBER("unit", REQUIRED, take_entered_unit, INTO(condition, unit)),
    BOUNDS(condition),
};
static const struct member word_members[] = {
    MEMBER("word", REQUIRED, take_words_path, INTO(condition, a)),
    MEMBER("in", OPTIONAL, take_words, LISTED(condition, words, words_count, word_rows)),
    MEMBER("not-in", OPTIONAL, take_not_words, LISTED(condition, words, words_count, word_rows)),
};
static const struct member present_members[] = {
    MEMBER("present", REQUIRED, take_path, INTO(condition, a)),
};
static const struct member absent_members[] = {
    MEMBER("absent", REQUIRED, take_path, INTO(condition, a)),
};
static const struct member odd_members[] = {
    MEMBER("odd", REQUIRED, take_number, INTO(condition, a)),
};
static const struct member exchanged_members[] = {
    MEMBER("digits-exchanged", REQUIRED, take_number_pair, NOWHERE),
};
static const struct member days_members[] = {
    MEMBER("days-since-last", REQUIRED, take_days, INTO(condition, a)),
    BOUNDS(condition),
};
static const struct member same_members[] = {
    MEMBER("same-as-last", REQUIRED, take_same, NOWHERE),
};

static const struct sort {
    const struct member *members;
    size_t count;
    enum condition_type type;
    bool bounded;
} sorts[] = {
    {sum_members,       COUNT(sum_members),       CONDITION_SUM,              true },
    {ratio_members,     COUNT(ratio_members),     CONDITION_RATIO,            true },
    {change_members,    COUNT(change_members),    CONDITION_CHANGE,           true },
    {entered_members,   COUNT(entered_members),   CONDITION_ENTERED,          true },
    {word_members,      COUNT(word_members),      CONDITION_WORD_IN,          false},
    {present_members,   COUNT(present_members),   CONDITION_PRESENT,          false},
    {absent_members,    COUNT(absent_members),    CONDITION_ABSENT,           false},
    {odd_members,       COUNT(odd_members),       CONDITION_ODD,              false},
    {exchanged_members, COUNT(exchanged_members), CONDITION_DIGITS_EXCHANGED, false},
    {days_members,      COUNT(days_members),      CONDITION_DAYS_SINCE_LAST,  true },
    {same_members,      COUNT(same_members),      CONDITION_SAME_AS_LAST,     false},
};

static const struct sort *sort_of(const struct place *place)
{
    for (size_t i = 0; i < COUNT(sorts); i++)
        if (json_object_get(place->json, sorts[i].members[0].name))
            return &sorts[i];
    place_fail(place, "no condition of a known sort");
    return NULL;
}

static bool read_condition(const struct place *place, void *out)
{
    const struct sort *sort = sort_of(place);
    struct condition *condition = out;

    if (!sort)
        return false;
    condition->type = sort->type;
    if (!place_shape(place, sort->members, sort->count, condition))
        return false;
    if (sort->type == CONDITION_WORD_IN && !condition->words)
        return place_fail(place, "in or not-in is missing");
    return !sort->bounded || bound_is_possible(place, &condition->bound);
}

/* ---- a check ---- */

static const struct named grades[] = {
    {"refuse", GRADE_REFUSE},
    {"ask",    GRADE_ASK   },
    {"note",   GRADE_NOTE  },
};
static const struct names check_grades = {grades, COUNT(grades)};

static const struct named codes[] = {
    {"implausible",  PROBLEM_IMPLAUSIBLE },
    {"inconsistent", PROBLEM_INCONSISTENT},
    {"confirm",      PROBLEM_CONFIRM     },
};
static const struct names check_codes = {codes, COUNT(codes)};

/* Refuse says which of the two, ask may say confirm, a note is no problem at all. */
static bool code_goes_with_grade(const struct place *place, const struct check *check)
{
    bool said = json_object_get(place->json, "code") != NULL;

    if (check->grade == GRADE_REFUSE && (!said || check->code == PROBLEM_CONFIRM))
        return place_fail(place, "refuse goes with code implausible or inconsistent");
    if (check->grade == GRADE_ASK && check->code != PROBLEM_CONFIRM)
        return place_fail(place, "ask goes with code confirm");
    return check->grade != GRADE_NOTE || !said || place_fail(place, "a note has no code");
}

const struct rows condition_rows = {sizeof(struct condition), 1, 16, read_condition};
static const struct rows at_rows = {sizeof(struct path), 1, 16, read_sent_path};

static bool read_check(const struct place *place, void *out)
{
    static const struct member members[] = {
        MEMBER("check", REQUIRED, take_word, INTO(check, name)),
        MEMBER("grade", REQUIRED, take_name, NAMED(check, grade, check_grades)),
        MEMBER("code", OPTIONAL, take_name, NAMED(check, code, check_codes)),
        MEMBER("ages", OPTIONAL, take_ages, INTO(check, ages)),
        MEMBER("if", REQUIRED, take_list,
               LISTED(check, conditions, conditions_count, condition_rows)),
        MEMBER("at", REQUIRED, take_list, LISTED(check, at, at_count, at_rows)),
        MEMBER("say", REQUIRED, take_say, INTO(check, say)),
        MEMBER("source", REQUIRED, take_text, INTO(check, source)),
    };
    struct check *check = out;

    check->kind = place->loader->kind;
    check->code = PROBLEM_CONFIRM;
    return SHAPE(place, members, check) && code_goes_with_grade(place, check);
}

const struct rows check_rows = {sizeof(struct check), 0, ROWS_MOST, read_check};

bool checks_are_apart(const struct place *place, const struct check *checks, size_t count)
{
    struct place at;

    for (size_t i = 0; i < count; i++)
        for (size_t j = 0; j < i; j++)
            if (strcmp(checks[i].name, checks[j].name) == 0) {
                place_item(place, i, &at);
                return place_fail(&at, "a second check called %s", checks[i].name);
            }
    return true;
}
