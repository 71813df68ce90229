/* problem.h - what is wrong with what was sent: a value that goes back to a person.
 *
 * RFC 9457 body, RFC 6901 pointers. A problem's detail never holds a name, an identifier or a birth date.
 * Not thread-safe: one list belongs to one exchange. */
#ifndef WARDPOST_PROBLEM_H
#define WARDPOST_PROBLEM_H

#include <stdbool.h>
#include <stddef.h>

#include "wardpost/status.h"

struct json_fault;

/* The order is the table's in base/problem.c. */
enum problem_code {
    PROBLEM_MALFORMED,
    PROBLEM_WRONG_TYPE,
    PROBLEM_MISSING_FIELD,
    PROBLEM_UNKNOWN_KIND,
    PROBLEM_UNKNOWN_FIELD,
    PROBLEM_UNKNOWN_UNIT,
    PROBLEM_UNKNOWN_WORD,
    PROBLEM_IMPLAUSIBLE,
    PROBLEM_INCONSISTENT,
    PROBLEM_CONFIRM,
    PROBLEM_BAD_TIME,
    PROBLEM_FUTURE_TIME,
    PROBLEM_ID_CONFLICT,
    PROBLEM_TOO_MANY,
    PROBLEM_TOO_LONG,
    PROBLEM_NOT_ALLOWED,
    PROBLEM_CODE_COUNT
};

struct problem {
    char pointer[160];
    enum problem_code code;
    bool may_override; /* implausible, but survivable: passes with `override` */
    char detail[256];
};

#define PROBLEMS_MOST 256 /* more are counted, not kept */

struct problems {
    struct problem *items;
    size_t count; /* kept, at most PROBLEMS_MOST */
    size_t room;
    size_t dropped; /* found beyond PROBLEMS_MOST */
    bool no_memory; /* one could not be kept: the caller must fail with STATUS_NO_MEMORY */
};

#define PROBLEMS_INIT {0}

void problems_clear(struct problems *problems);

/* Add one. `pointer` is copied (cut at its room), `format` as printf. Never fails: see no_memory. */
void problem_add(struct problems *problems, enum problem_code code, const char *pointer,
                 const char *format, ...) __attribute__((format(printf, 4, 5)));

/* The same, for a limit that passes with an override. */
void problem_add_override(struct problems *problems, const char *pointer, const char *format, ...)
    __attribute__((format(printf, 3, 4)));

/* What was sent is no JSON: where it broke. */
void problem_add_fault(struct problems *problems, const struct json_fault *fault);

/* "unknown-unit" and so on; never NULL. */
const char *problem_code_text(enum problem_code code);

/* base + "/" + name with ~ and / escaped (RFC 6901 3), cut at `room`. */
void pointer_join(char *out, size_t room, const char *base, const char *name);
void pointer_join_index(char *out, size_t room, const char *base, size_t index);

#endif
