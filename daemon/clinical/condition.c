/* condition.c - what a check asks about: values by path, and whether a condition on them holds.
 * Where something is missing it does not (mappings/README.md, Checks). */
#include <string.h>

#include "clinical/judge.h"

/* ---- paths ---- */

const struct reading *scope_reading(const struct scope *scope, const struct path *path)
{
    const struct set *set = scope->judging->set;

    if (scope->reading)
        return scope->reading->kind == path->kind ? scope->reading : NULL;
    for (size_t i = 0; i < set->count; i++)
        if (set->readings[i].kind == path->kind && !set->readings[i].not_taken)
            return &set->readings[i];
    return NULL;
}

/* The patient's last reading of a kind before the one judged; what was taken later is not "last":
 * a round may be entered late. */
const struct last *scope_last(const struct scope *scope, const struct kind *kind)
{
    const struct judge_frame *frame = scope->judging->frame;
    const struct path path = {.kind = kind};
    const struct reading *reading = scope_reading(scope, &path);
    int64_t before = reading ? reading->taken.ms : set_moment(scope->judging->set).ms;

    for (size_t i = 0; i < frame->last_count; i++)
        if (frame->last[i].kind == kind && frame->last[i].taken_ms <= before)
            return &frame->last[i];
    return NULL;
}

static const struct measured *measured_at(const struct scope *scope, const struct path *path)
{
    const struct reading *reading;
    const struct last *last;

    if (path->is_field)
        return NULL;
    if (path->last) {
        last = scope_last(scope, path->kind);
        return last ? &last->parts[path->index] : NULL;
    }
    reading = scope_reading(scope, path);
    return reading ? &reading->parts[path->index] : NULL;
}

static const struct said *said_at(const struct scope *scope, const struct path *path)
{
    const struct reading *reading =
        path->is_field && !path->last ? scope_reading(scope, path) : NULL;

    return reading && reading->fields[path->index].given ? &reading->fields[path->index] : NULL;
}

bool scope_entered(const struct scope *scope, const struct path *path, struct decimal *value,
                   const struct unit **unit)
{
    const struct measured *measured = measured_at(scope, path);
    const struct said *said = said_at(scope, path);

    if (measured && measured->type == MEASURED_NUMBER) {
        *value = measured->value;
        *unit = measured->unit;
        return true;
    }
    if (!said || path->kind->fields[path->index].type != FIELD_QUANTITY)
        return false;
    *value = said->value;
    *unit = said->unit;
    return true;
}

/* In canonical units, exactly. A value with no way there was refused by its limits already, and a
 * last one is left alone. */
static bool scope_exact(const struct scope *scope, const struct path *path, struct exact *out)
{
    const struct kind *kind = path->kind;
    const struct part *part =
        path->is_field ? &kind->fields[path->index].quantity : &kind->parts[path->index];
    const struct unit *unit;
    struct decimal value;

    return scope_entered(scope, path, &value, &unit) &&
           unit_exact(scope->judging->set->kinds, value, unit, part->unit ? part->unit : unit, out);
}

const struct word *scope_word(const struct scope *scope, const struct path *path)
{
    const struct measured *measured = measured_at(scope, path);
    const struct said *said = said_at(scope, path);

    if (measured && measured->type == MEASURED_WORD)
        return measured->word;
    return said && said->words_count > 0 ? said->words[0] : NULL;
}

static bool is_there(const struct scope *scope, const struct path *path)
{
    const struct measured *measured = measured_at(scope, path);

    return said_at(scope, path) || (measured && measured->type != MEASURED_NONE);
}

/* ---- numbers ---- */

/* Marks that a condition was not answered with no, but could not be answered. */
static bool cannot(struct scope *scope)
{
    scope->cannot = true;
    return false;
}

static bool sum_holds(struct scope *scope, const struct condition *condition)
{
    struct exact sum = {0, 1}, one;

    for (size_t i = 0; i < condition->terms_count; i++) {
        if (!scope_exact(scope, &condition->terms[i].path, &one))
            return false;
        if (!exact_times(one, exact_of(condition->terms[i].times), &one) ||
            !exact_add(sum, one, &sum))
            return cannot(scope);
    }
    return bound_holds(&condition->bound, sum);
}

static bool two(const struct scope *scope, const struct condition *condition, struct exact *a,
                struct exact *b)
{
    return scope_exact(scope, &condition->a, a) && scope_exact(scope, &condition->b, b);
}

static bool ratio_holds(struct scope *scope, const struct condition *condition)
{
    struct exact a, b;

    if (!two(scope, condition, &a, &b) || b.over == 0)
        return false;
    return exact_over(a, b, &a) ? bound_holds(&condition->bound, a) : cannot(scope);
}

static bool subtract(struct exact a, struct exact b, struct exact *out)
{
    b.over = -b.over;
    return exact_add(a, b, out);
}

static bool change_holds(struct scope *scope, const struct condition *condition)
{
    struct exact a, b;

    if (!two(scope, condition, &a, &b))
        return false;
    return subtract(a, b, &a) ? bound_holds(&condition->bound, exact_magnitude(a)) : cannot(scope);
}

static bool entered_holds(struct scope *scope, const struct condition *condition)
{
    const struct unit *unit;
    struct decimal value;

    return scope_entered(scope, &condition->a, &value, &unit) && unit == condition->unit &&
           bound_holds(&condition->bound, exact_of(value));
}

/* 121.0 is as odd as 121. */
static bool odd_holds(struct scope *scope, const struct condition *condition)
{
    const struct unit *unit;
    struct decimal value, whole;

    return scope_entered(scope, &condition->a, &value, &unit) && decimal_is_whole(value) &&
           exact_round(exact_of(value), 0, ROUND_HALF_EVEN, &whole) && whole.digits % 2 != 0;
}

/* The digits that were typed, where both were typed in one unit; else both in the canonical one. */
static bool two_as_typed(const struct scope *scope, const struct condition *condition,
                         struct exact *a, struct exact *b)
{
    const struct unit *unit_a, *unit_b;
    struct decimal value_a, value_b;

    if (!scope_entered(scope, &condition->a, &value_a, &unit_a) ||
        !scope_entered(scope, &condition->b, &value_b, &unit_b))
        return false;
    if (unit_a != unit_b)
        return two(scope, condition, a, b);
    *a = exact_of(value_a);
    *b = exact_of(value_b);
    return true;
}

/* Tens and ones of the one, exchanged, give the other within 1, and the two digits differ by 3 at
 * least (growthcleanr adults, step 7: clinical 4.3). What stands behind the point stays there. */
static bool exchanged_holds(struct scope *scope, const struct condition *condition)
{
    struct exact sent, last, moved;
    int tens, ones;

    if (!two_as_typed(scope, condition, &sent, &last) || sent.over < (wide)10 * sent.under)
        return false;
    tens = (int)(sent.over / sent.under / 10 % 10);
    ones = (int)(sent.over / sent.under % 10);
    if (tens - ones < 3 && ones - tens < 3)
        return false;
    moved = (struct exact){(wide)9 * (ones - tens), 1};
    if (!exact_add(sent, moved, &sent) || !subtract(sent, last, &sent))
        return cannot(scope);
    return exact_compare(exact_magnitude(sent), (struct exact){1, 1}) <= 0;
}

static bool days_hold(struct scope *scope, const struct condition *condition)
{
    const struct last *last = scope_last(scope, condition->a.kind);
    const struct reading *reading = scope_reading(scope, &condition->a);

    return last && reading &&
           bound_holds(&condition->bound,
                       (struct exact){(wide)reading->taken.ms - last->taken_ms, 86400000});
}

/* ---- words and presence ---- */

static bool is_one_of(const struct word *word, const struct condition *condition)
{
    for (size_t i = 0; i < condition->words_count; i++)
        if (strcmp(word->word, condition->words[i]) == 0)
            return true;
    return false;
}

static bool word_in_holds(struct scope *scope, const struct condition *condition)
{
    const struct word *word = scope_word(scope, &condition->a);

    return word && is_one_of(word, condition);
}

static bool word_not_in_holds(struct scope *scope, const struct condition *condition)
{
    const struct word *word = scope_word(scope, &condition->a);

    return word && !is_one_of(word, condition);
}

static bool present_holds(struct scope *scope, const struct condition *condition)
{
    return is_there(scope, &condition->a);
}

static bool absent_holds(struct scope *scope, const struct condition *condition)
{
    return !is_there(scope, &condition->a);
}

/* ---- the whole set again ---- */

static bool same_number(const struct kinds *kinds, const struct part *part,
                        const struct measured *a, const struct measured *b)
{
    struct exact left, right;

    if (a->unit == b->unit)
        return decimal_compare(a->value, b->value) == 0;
    return part->unit && unit_exact(kinds, a->value, a->unit, part->unit, &left) &&
           unit_exact(kinds, b->value, b->unit, part->unit, &right) &&
           exact_compare(left, right) == 0;
}

static bool same_measured(const struct kinds *kinds, const struct part *part,
                          const struct measured *a, const struct measured *b)
{
    if (a->type != b->type)
        return false;
    if (a->type == MEASURED_NUMBER)
        return same_number(kinds, part, a, b);
    return a->type != MEASURED_WORD || a->word == b->word;
}

static bool same_reading(const struct scope *scope, const struct reading *reading)
{
    const struct last *last = scope_last(scope, reading->kind);

    for (size_t i = 0; last && i < reading->kind->parts_count; i++)
        if (!same_measured(scope->judging->set->kinds, &reading->kind->parts[i], &reading->parts[i],
                           &last->parts[i]))
            return false;
    return last != NULL;
}

static bool is_first_of_kind(const struct set *set, size_t index)
{
    for (size_t i = 0; i < index; i++)
        if (set->readings[i].kind == set->readings[index].kind)
            return false;
    return true;
}

/* Three kinds at least: fewer may well be the same twice. */
static bool same_as_last(struct scope *scope, const struct condition *condition)
{
    const struct set *set = scope->judging->set;
    size_t kinds = 0;

    (void)condition;
    for (size_t i = 0; i < set->count; i++) {
        if (set->readings[i].not_taken || !same_reading(scope, &set->readings[i]))
            return false;
        kinds += is_first_of_kind(set, i);
    }
    return kinds >= 3;
}

/* ---- the table ---- */

typedef bool condition_holds_function(struct scope *scope, const struct condition *condition);

static condition_holds_function *const condition_table[] = {
    [CONDITION_SUM] = sum_holds,
    [CONDITION_RATIO] = ratio_holds,
    [CONDITION_CHANGE] = change_holds,
    [CONDITION_ENTERED] = entered_holds,
    [CONDITION_WORD_IN] = word_in_holds,
    [CONDITION_WORD_NOT_IN] = word_not_in_holds,
    [CONDITION_PRESENT] = present_holds,
    [CONDITION_ABSENT] = absent_holds,
    [CONDITION_ODD] = odd_holds,
    [CONDITION_DIGITS_EXCHANGED] = exchanged_holds,
    [CONDITION_DAYS_SINCE_LAST] = days_hold,
    [CONDITION_SAME_AS_LAST] = same_as_last,
};

bool condition_holds(struct scope *scope, const struct condition *condition)
{
    return condition_table[condition->type](scope, condition);
}
