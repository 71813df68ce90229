/* condition.c - what a check asks about: values by path, and whether a condition on them holds. Something missing: it does not. */
#include <string.h>

#include "clinical/judge.h"

/* ---- paths ---- */

static const struct last *last_of(const struct scope *scope, const struct kind *kind)
{
    const struct judge_frame *frame = scope->judging->frame;

    for (size_t i = 0; i < frame->last_count; i++)
        if (frame->last[i].kind == kind)
            return &frame->last[i];
    return NULL;
}

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

static const struct measured *measured_at(const struct scope *scope, const struct path *path)
{
    const struct reading *reading;
    const struct last *last;

    if (path->is_field)
        return NULL;
    if (path->last) {
        last = last_of(scope, path->kind);
        return last ? &last->parts[path->index] : NULL;
    }
    reading = scope_reading(scope, path);
    return reading ? &reading->parts[path->index] : NULL;
}

static const struct said *said_at(const struct scope *scope, const struct path *path)
{
    const struct reading *reading = path->is_field && !path->last ? scope_reading(scope, path) : NULL;

    return reading && reading->fields[path->index].given ? &reading->fields[path->index] : NULL;
}

bool scope_entered(const struct scope *scope, const struct path *path, struct decimal *value, const struct unit **unit)
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

bool scope_exact(const struct scope *scope, const struct path *path, struct exact *out)
{
    const struct part *part = path->is_field ? &path->kind->fields[path->index].quantity : &path->kind->parts[path->index];
    const struct unit *unit;
    struct decimal value;

    if (!scope_entered(scope, path, &value, &unit))
        return false;
    return unit_exact(scope->judging->set->kinds, value, unit, part->unit ? part->unit : unit, out);
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

/* ---- conditions ---- */

static bool sum_holds(const struct scope *scope, const struct condition *condition)
{
    struct exact sum = {0, 1}, one;

    for (size_t i = 0; i < condition->terms_count; i++)
        if (!scope_exact(scope, &condition->terms[i].path, &one) || !exact_times(one, exact_of(condition->terms[i].times), &one) ||
            !exact_add(sum, one, &sum))
            return false;
    return bound_holds(&condition->bound, sum);
}

static bool two(const struct scope *scope, const struct condition *condition, struct exact *a, struct exact *b)
{
    return scope_exact(scope, &condition->a, a) && scope_exact(scope, &condition->b, b);
}

static bool ratio_holds(const struct scope *scope, const struct condition *condition)
{
    struct exact a, b;

    return two(scope, condition, &a, &b) && exact_over(a, b, &a) && bound_holds(&condition->bound, a);
}

static bool change_holds(const struct scope *scope, const struct condition *condition)
{
    struct exact a, b;

    if (!two(scope, condition, &a, &b))
        return false;
    b.over = -b.over;
    return exact_add(a, b, &a) && bound_holds(&condition->bound, exact_magnitude(a));
}

static bool entered_holds(const struct scope *scope, const struct condition *condition)
{
    const struct unit *unit;
    struct decimal value;

    return scope_entered(scope, &condition->a, &value, &unit) && unit == condition->unit && bound_holds(&condition->bound, exact_of(value));
}

static bool is_one_of(const struct word *word, const struct condition *condition)
{
    for (size_t i = 0; i < condition->words_count; i++)
        if (strcmp(word->word, condition->words[i]) == 0)
            return true;
    return false;
}

static bool word_holds(const struct scope *scope, const struct condition *condition, bool wanted)
{
    const struct word *word = scope_word(scope, &condition->a);

    return word && is_one_of(word, condition) == wanted;
}

static bool odd_holds(const struct scope *scope, const struct condition *condition)
{
    const struct unit *unit;
    struct decimal value;

    return scope_entered(scope, &condition->a, &value, &unit) && value.scale == 0 && value.digits % 2 != 0;
}

/* Tens and ones of one, exchanged, give the other within 1, and the two digits differ by 3 at least (growthcleanr adults, step 7). */
static bool exchanged_holds(const struct scope *scope, const struct condition *condition)
{
    struct exact a, b;
    struct decimal sent, last;
    int64_t tens, ones, exchanged;

    if (!two(scope, condition, &a, &b) || !exact_round(a, 0, ROUND_HALF_EVEN, &sent) || !exact_round(b, 0, ROUND_HALF_EVEN, &last))
        return false;
    tens = sent.digits / 10 % 10;
    ones = sent.digits % 10;
    exchanged = sent.digits - tens * 10 - ones + ones * 10 + tens;
    return sent.digits > 9 && (tens - ones >= 3 || ones - tens >= 3) && exchanged - last.digits <= 1 && last.digits - exchanged <= 1;
}

static bool days_hold(const struct scope *scope, const struct condition *condition)
{
    const struct last *last = last_of(scope, condition->a.kind);
    const struct reading *reading = scope_reading(scope, &condition->a);

    return last && reading && bound_holds(&condition->bound, (struct exact){reading->taken.ms - last->taken_ms, 86400000});
}

static bool same_measured(const struct scope *scope, const struct kind *kind, const struct measured *a, const struct measured *b)
{
    struct exact left, right;

    (void)kind;
    if (a->type != b->type)
        return false;
    if (a->type == MEASURED_WORD)
        return a->word == b->word;
    if (a->type != MEASURED_NUMBER)
        return true;
    return unit_exact(scope->judging->set->kinds, a->value, a->unit, b->unit, &left) && (right = exact_of(b->value), true) &&
           exact_compare(left, right) == 0;
}

static bool same_reading(const struct scope *scope, const struct reading *reading)
{
    const struct last *last = last_of(scope, reading->kind);

    for (size_t i = 0; last && i < reading->kind->parts_count; i++)
        if (!same_measured(scope, reading->kind, &reading->parts[i], &last->parts[i]))
            return false;
    return last != NULL;
}

/* Three kinds at least: fewer may well be the same twice. */
static bool same_as_last(const struct scope *scope)
{
    const struct set *set = scope->judging->set;
    size_t same = 0;

    for (size_t i = 0; i < set->count; i++) {
        if (set->readings[i].not_taken || !same_reading(scope, &set->readings[i]))
            return false;
        same++;
    }
    return same >= 3;
}

bool condition_holds(const struct scope *scope, const struct condition *condition)
{
    switch (condition->type) {
    case CONDITION_SUM:
        return sum_holds(scope, condition);
    case CONDITION_RATIO:
        return ratio_holds(scope, condition);
    case CONDITION_CHANGE:
        return change_holds(scope, condition);
    case CONDITION_ENTERED:
        return entered_holds(scope, condition);
    case CONDITION_WORD_IN:
        return word_holds(scope, condition, true);
    case CONDITION_WORD_NOT_IN:
        return word_holds(scope, condition, false);
    case CONDITION_PRESENT:
        return is_there(scope, &condition->a);
    case CONDITION_ABSENT:
        return !is_there(scope, &condition->a);
    case CONDITION_ODD:
        return odd_holds(scope, condition);
    case CONDITION_DIGITS_EXCHANGED:
        return exchanged_holds(scope, condition);
    case CONDITION_DAYS_SINCE_LAST:
        return days_hold(scope, condition);
    case CONDITION_SAME_AS_LAST:
        return same_as_last(scope);
    }
    return false;
}
