/* judgement.h - the three grades of doubt (design 5), on what was sent. Pure: no I/O, no clock, no globals. */
#ifndef WARDPOST_JUDGEMENT_H
#define WARDPOST_JUDGEMENT_H

#include "wardpost/json_out.h"
#include "wardpost/reading.h"

enum interpretation {
    INTERPRETATION_NONE, /* no range fits: said in the answer, not flagged */
    INTERPRETATION_NORMAL,
    INTERPRETATION_LOW,
    INTERPRETATION_HIGH,
    INTERPRETATION_LOW_CRITICAL,
    INTERPRETATION_HIGH_CRITICAL
};

struct judged { /* one part */
    bool has_charted;
    struct decimal charted;   /* as it goes out */
    const struct unit *unit;  /* as it goes out */
    enum interpretation interpretation;
    const struct range *range; /* NULL: none */
    const char *name;          /* "tachycardia", or NULL */
};

struct judgement { /* one reading */
    enum grade grade;   /* the worst that stands: what was confirmed or overridden does not count */
    bool asked;         /* something was asked, and confirmed */
    bool overridden;    /* a limit passed with an override */
    struct judged parts[PARTS_MOST];
    struct judged fields[FIELDS_MOST]; /* quantities: charted and unit */
    char **notes; /* remarks of grade `note`, for the answer; owned */
    size_t notes_count;
};

/* The patient's last reading of a kind, from `values` text as values_text() wrote it. */
struct last {
    const struct kind *kind;
    int64_t taken_ms;
    struct measured parts[PARTS_MOST]; /* numbers and words only */
};

/* A reading's values in short, for the comparison with the next one: its parts, as JSON appended to out:
 * {"value":[72,"/min"]}, words as texts. What was not taken is left out. */
void values_out(const struct reading *reading, struct json_out *out);
/* False, with *out untouched, when the text is not of this kind, its units or words are no longer in the table,
 * or memory is short: then there is nothing to compare with. */
bool last_read(const struct kinds *kinds, const struct kind *kind, const char *text, size_t length,
               int64_t taken_ms, struct last *out);

struct judge_frame {
    const struct last *last; /* any order, at most one a kind */
    size_t last_count;
    bool as_entered;   /* mapping.units = as-entered */
    bool nobody_there; /* asking makes no problem, only a grade */
};

/* Judge every reading of the set. `out` has set->count elements, zeroed by the caller; clear each with judgement_clear(),
 * whatever is returned. No allocation where there is nothing to say.
 * Everything refused or asked-and-not-confirmed is a problem with the pointer of its part; an overridable limit is a problem
 * with may_override unless the reading carries an override with by, another second, and a reason.
 * A computed value out of its limits is a problem of the readings it was computed from.
 * Asking is off where frame says nobody is there: the grade says GRADE_ASK, without a problem, and the caller holds the reading.
 *   STATUS_OK          problems->count > 0 where something stands in the way
 *   STATUS_NO_MEMORY   problems and notes may be incomplete: answer nothing from them */
MUST_CHECK enum status set_judge(const struct set *set, const struct judge_frame *frame,
                                 struct judgement *out, struct problems *problems);
void judgement_clear(struct judgement *judgement);

/* Computed kinds (BMI) that this set gives, of readings that are neither refused nor held. */
struct worked_out {
    const struct kind *kind;
    struct judged value;
    size_t inputs[8]; /* indexes of readings */
    size_t inputs_count;
};
#define WORKED_OUT_MOST 4
size_t set_work_out(const struct set *set, const struct judgement *judgements,
                    struct worked_out out[WORKED_OUT_MOST]);

/* A part that was not sent and can be estimated (mean pressure); for the answer only. False: cannot. */
bool part_estimate(const struct set *set, size_t reading, size_t part, struct decimal *out);

/* Is the patient of that age on the local date of `taken`? Without a birth date, or with one after that date: what
 * `unknown` of the row says. Ages that were not given fit everybody. */
bool ages_fit(const struct ages *ages, const struct patient *patient, struct moment taken);

/* code and display of v3-ObservationInterpretation; NULL for NONE. */
const char *interpretation_code(enum interpretation interpretation);
const char *interpretation_display(enum interpretation interpretation);

#endif
