/* shape.h - reading a sender's JSON: each wrong thing becomes a problem with its pointer, and
 * reading goes on.
 *
 * Nothing is repaired: a value of another type, too long, blank or unknown is a problem, never a
 * default. What a problem says names what is taken here and never repeats a text that was sent. */
#ifndef WARDPOST_INTAKE_SHAPE_H
#define WARDPOST_INTAKE_SHAPE_H

#include "wardpost/json_in.h"
#include "wardpost/kind.h"
#include "wardpost/problem.h"

#define SPOT_POINTER 160

struct spot { /* an object (or array) in the body */
    const json_t *json;
    const char *pointer;
    struct problems *problems;
};

/* A problem at a member of it; `name` NULL: at the object itself. */
void spot_problem(const struct spot *spot, const char *name, enum problem_code code,
                  const char *format, ...) __attribute__((format(printf, 4, 5)));
bool spot_has(const struct spot *spot, const char *name);

/* The object in a member; `pointer` is room for its own. False: it is not there, or it is something
 * else (a problem; `due` says what would be an object of this sort). */
bool spot_inner(const struct spot *spot, const char *name, const char *due,
                char pointer[SPOT_POINTER], struct spot *out);

/* A text of 1 to `most` characters, not blank; NULL when it is not there (a problem when required)
 * or is something else (a problem). */
const char *spot_text(const struct spot *spot, const char *name, size_t most, bool required);
/* The same, of one line that neither begins nor ends with a blank: it will be compared with others.
 */
const char *spot_line(const struct spot *spot, const char *name, size_t most, bool required);
/* The same, whatever its length: a word that is looked up. */
const char *spot_word(const struct spot *spot, const char *name, bool required);
/* true or false; `initial` when it is not there or is something else. */
bool spot_bool(const struct spot *spot, const char *name, bool initial);
bool spot_number(const struct spot *spot, const char *name,
                 struct decimal *out); /* false: not there, or a problem */
bool spot_whole(const struct spot *spot, const char *name, int64_t least, int64_t most,
                int64_t *out);
bool spot_due(const struct spot *spot, const char *name); /* is it there? else a problem */

/* Members that are not among the names are problems, with the nearest name that is. */
void spot_no_strangers(const struct spot *spot, const char *const *names, size_t count);
/* unknown-word at a member: the nearest word and the list. */
void spot_unknown_word(const struct spot *spot, const char *name, const struct word_list *list,
                       const char *sent);

#define SPOT_NO_STRANGERS(spot, names) \
    spot_no_strangers(spot, names, sizeof(names) / sizeof((names)[0]))

/* "a, b, c" of what fits, "..." where more would have been. */
struct listing {
    char text[160];
    size_t length;
};

void listing_add(struct listing *listing, const char *item);

#endif
