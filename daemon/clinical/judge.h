/* judge.h - what the judging files share while a set is judged: judge.c, limit.c, range.c,
 * checks.c, condition.c, say.c. */
#ifndef WARDPOST_CLINICAL_JUDGE_H
#define WARDPOST_CLINICAL_JUDGE_H

#include "clinical/clinical_private.h"

#define DETAIL_ROOM  sizeof(((struct problem *)0)->detail)
#define POINTER_ROOM sizeof(((struct problem *)0)->pointer)

struct judging {
    const struct set *set;
    const struct judge_frame *frame;
    struct judgement *judgements; /* one a reading */
    struct problems *problems;
    bool no_memory;
};

/* ---- judge.c: what was found becomes a problem, a note, or a reason to hold ---- */

struct finding {
    size_t reading; /* its index in the set */
    enum grade grade;
    enum problem_code code; /* of GRADE_REFUSE; the other grades have one of their own */
    const char *pointer, *detail;
};

void found(struct judging *judging, const struct finding *finding);

/* "/readings/2/oxygen/flow", of a single reading "/value"; what was counted points at the count. */
void reading_pointer(const struct reading *reading, bool is_field, size_t index,
                     char out[POINTER_ROOM]);

/* When the set was taken: its own time, else that of its first reading. */
struct moment set_moment(const struct set *set);

/* ---- age_band.c: whom a row of the table is asked about ---- */

struct bearer {
    const struct patient *patient;
    struct date today;             /* where and when it was taken */
    const struct reading *reading; /* NULL: a computed value, which has no context fields */
    const struct measured *last;   /* what the patient's last reading has there; NULL: nothing */
    int64_t since_last_ms;         /* between the two */
};

struct bearer bearer_of(const struct set *set, const struct reading *reading);
bool row_fits(const struct ages *ages, const struct whens *whens, const struct bearer *bearer);

/* ---- condition.c ---- */

struct scope { /* where paths are looked up */
    const struct judging *judging;
    const struct reading *reading; /* of a kind's own check; NULL between kinds */
    bool cannot;                   /* the arithmetic did not fit: set by condition_holds() */
};

/* The patient's last reading of the kind, before the one judged. NULL: there is none. */
const struct last *scope_last(const struct scope *scope, const struct kind *kind);
/* NULL: not in the set, or not taken. */
const struct reading *scope_reading(const struct scope *scope, const struct path *path);
/* As entered: the number and its unit. False: there is none. */
bool scope_entered(const struct scope *scope, const struct path *path, struct decimal *value,
                   const struct unit **unit);
const struct word *scope_word(const struct scope *scope, const struct path *path);
bool condition_holds(struct scope *scope, const struct condition *condition);

/* ---- say.c ---- */

struct own { /* a number as entered */
    struct decimal value;
    const struct unit *unit;
};

struct say {
    const struct scope *scope;
    const struct kind *kind; /* whose paths they are; NULL between kinds */
    const char *text;        /* with holes */
    const struct own *own;   /* of a limit: what {value} means; NULL: a part of that name */
};

/* The text with the values in its holes, cut between characters at `room`. */
void say_text(const struct say *say, char *out, size_t room);

/* ---- limit.c ---- */

struct worst {
    enum grade grade;
    const struct limit *limit; /* NULL with GRADE_REFUSE: the value does not fit our arithmetic */
    bool below;                /* which bound of the limit */
};

struct worst worst_limit(const struct kinds *kinds, const struct part *part,
                         const struct bearer *bearer, struct decimal value,
                         const struct unit *unit);

struct limit_words {
    const struct scope *scope;
    const struct kind *kind;
    const struct part *part;
    const struct own *own; /* the value, as entered */
    const char *of;        /* more about it: ", worked out from this set,"; or "" */
};

/* "Pulse 420 /min is above 300 /min, which cannot be", then what the row itself has to say. The
 * bound stands in the unit of the value where the table has a way there. */
void limit_detail(const struct limit_words *words, const struct worst *worst,
                  char out[DETAIL_ROOM]);

/* ---- range.c ---- */

/* Fills charted and unit. False: the converted value does not fit. */
bool value_chart(const struct judging *judging, const struct part *part, struct decimal value,
                 const struct unit *unit, struct judged *out);
/* Fills range, interpretation and name of what is charted already; `entered` is the unit it was
 * entered in. */
void value_flag(const struct kinds *kinds, const struct part *part, const struct bearer *bearer,
                const struct unit *entered, struct judged *out);

/* ---- checks.c ---- */

void check_reading(struct judging *judging, size_t index); /* the kind's own */
void check_set(struct judging *judging);                   /* between kinds */

#endif
