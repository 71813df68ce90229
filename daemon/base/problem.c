/* problem.c - see wardpost/problem.h. */
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "base/utf8.h"
#include "wardpost/json_in.h"
#include "wardpost/problem.h"

/* In the order of enum problem_code; the API's words (design 5). */
static const char *const code_texts[PROBLEM_CODE_COUNT] = {
    [PROBLEM_MALFORMED] = "malformed",         [PROBLEM_WRONG_TYPE] = "wrong-type",
    [PROBLEM_MISSING_FIELD] = "missing-field", [PROBLEM_UNKNOWN_KIND] = "unknown-kind",
    [PROBLEM_UNKNOWN_FIELD] = "unknown-field", [PROBLEM_UNKNOWN_UNIT] = "unknown-unit",
    [PROBLEM_UNKNOWN_WORD] = "unknown-word",   [PROBLEM_IMPLAUSIBLE] = "implausible",
    [PROBLEM_INCONSISTENT] = "inconsistent",   [PROBLEM_CONFIRM] = "confirm",
    [PROBLEM_BAD_TIME] = "bad-time",           [PROBLEM_FUTURE_TIME] = "future-time",
    [PROBLEM_ID_CONFLICT] = "id-conflict",     [PROBLEM_TOO_MANY] = "too-many",
    [PROBLEM_TOO_LONG] = "too-long",           [PROBLEM_NOT_ALLOWED] = "not-allowed",
};

const char *problem_code_text(enum problem_code code)
{
    return code_texts[code];
}

void problems_clear(struct problems *problems)
{
    free(problems->items);
    *problems = (struct problems)PROBLEMS_INIT;
}

static struct problem *next_room(struct problems *problems)
{
    struct problem *longer;
    size_t room = problems->room ? problems->room * 2 : 4;

    if (problems->count == PROBLEMS_MOST) {
        problems->dropped++;
        return NULL;
    }
    if (problems->count < problems->room)
        return &problems->items[problems->count++];
    longer = realloc(problems->items, room * sizeof(*longer));
    if (!longer) {
        problems->no_memory = true;
        return NULL;
    }
    problems->items = longer;
    problems->room = room;
    return &problems->items[problems->count++];
}

__attribute__((format(printf, 5, 0))) static void add(struct problems *problems,
                                                      enum problem_code code, bool may_override,
                                                      const char *pointer, const char *format,
                                                      va_list arguments)
{
    struct problem *problem = next_room(problems);

    if (!problem)
        return;
    problem->code = code;
    problem->may_override = may_override;
    (void)snprintf(problem->pointer, sizeof(problem->pointer), "%s", pointer);
    (void)vsnprintf(problem->detail, sizeof(problem->detail), format, arguments);
    utf8_trim(problem->pointer);
    utf8_trim(problem->detail);
}

void problem_add(struct problems *problems, enum problem_code code, const char *pointer,
                 const char *format, ...)
{
    va_list arguments;

    va_start(arguments, format);
    add(problems, code, false, pointer, format, arguments);
    va_end(arguments);
}

void problem_add_override(struct problems *problems, const char *pointer, const char *format, ...)
{
    va_list arguments;

    va_start(arguments, format);
    add(problems, PROBLEM_IMPLAUSIBLE, true, pointer, format, arguments);
    va_end(arguments);
}

void problem_add_fault(struct problems *problems, const struct json_fault *fault)
{
    problem_add(problems, PROBLEM_MALFORMED, "", "line %u, column %u: %s", fault->line,
                fault->column, fault->detail);
}

/* What does not fit whole is left out, an escape or a character never cut. `base` may be `out`. */
void pointer_join(char *out, size_t room, const char *base, const char *name)
{
    size_t used = strlen(base) < room ? strlen(base) : room - 1;

    memmove(out, base, used);
    if (used + 1 < room)
        out[used++] = '/';
    for (; *name && used + 1 < room; name++) {
        const char *escape = *name == '~' ? "~0" : *name == '/' ? "~1" : NULL;

        if (escape && used + 2 >= room)
            break;
        if (!escape) {
            out[used++] = *name;
            continue;
        }
        out[used++] = escape[0];
        out[used++] = escape[1];
    }
    out[used] = '\0';
    utf8_trim(out);
}

void pointer_join_index(char *out, size_t room, const char *base, size_t index)
{
    char number[24];

    (void)snprintf(number, sizeof(number), "%zu", index);
    pointer_join(out, room, base, number);
}
