/* shape.h - reading a sender's JSON: each wrong thing becomes a problem with its pointer, and reading goes on. */
#ifndef WARDPOST_INTAKE_SHAPE_H
#define WARDPOST_INTAKE_SHAPE_H

#include "wardpost/json_in.h"
#include "wardpost/problem.h"

struct spot { /* an object in the body */
    const json_t *json;
    const char *pointer;
    struct problems *problems;
};

#define SPOT_POINTER 160

/* A problem at a member of it; `name` NULL: at the object itself. */
void spot_problem(const struct spot *spot, const char *name, enum problem_code code, const char *format, ...)
    __attribute__((format(printf, 4, 5)));
/* A text of 1 to `most` bytes; NULL when it is not there (a problem when required) or is something else (a problem). */
const char *spot_text(const struct spot *spot, const char *name, size_t most, bool required);
/* true or false; `initial` when it is not there or is something else. */
bool spot_bool(const struct spot *spot, const char *name, bool initial);
bool spot_number(const struct spot *spot, const char *name, struct decimal *out); /* false: not there, or a problem */
bool spot_whole(const struct spot *spot, const char *name, int64_t least, int64_t most, int64_t *out);
/* Members that are not among the NULL-terminated names are problems. */
void spot_no_strangers(const struct spot *spot, const char *const *names);
bool spot_has(const struct spot *spot, const char *name);

#endif
