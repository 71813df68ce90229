/* judge.h - what judge.c, checks.c and say.c share while a set is judged. */
#ifndef WARDPOST_CLINICAL_JUDGE_H
#define WARDPOST_CLINICAL_JUDGE_H

#include "clinical/clinical_private.h"

struct judging {
    const struct set *set;
    const struct judge_frame *frame;
    struct judgement *judgements;
    struct problems *problems;
    bool no_memory;
};

/* The pointer of a part or field of a reading: "/readings/2/oxygen/flow"; what was counted points at the count. */
#define POINTER_ROOM 160
void reading_pointer(const struct reading *reading, bool is_field, size_t index, char out[POINTER_ROOM]);

/* Something of this grade was found at a place: a problem, a note, or a reason to hold. `detail` is for a person. */
void found_at(struct judging *judging, size_t reading, enum grade grade, enum problem_code code, const char *pointer,
              const char *detail);

/* checks.c */
void check_reading(struct judging *judging, size_t reading); /* the kind's own */
void check_set(struct judging *judging);                     /* between kinds */

/* condition.c */
struct scope { /* where paths are looked up */
    const struct judging *judging;
    const struct reading *reading; /* of a kind's own check; NULL between kinds */
};
const struct reading *scope_reading(const struct scope *scope, const struct path *path); /* NULL: not in the set, or not taken */
bool scope_exact(const struct scope *scope, const struct path *path, struct exact *out); /* canonical units */
/* As entered: the number and its unit. */
bool scope_entered(const struct scope *scope, const struct path *path, struct decimal *value, const struct unit **unit);
const struct word *scope_word(const struct scope *scope, const struct path *path);
bool condition_holds(const struct scope *scope, const struct condition *condition);

/* say.c: the text of a check with its values; at most `room`. */
void say_text(const struct scope *scope, const struct check *check, char *out, size_t room);

#endif
