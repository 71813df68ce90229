/* reading.h - what was sent, as sent: a set of readings of one patient at one time, before any judgement.
 *
 * Everything that comes in becomes a struct set; a single reading is a set of one with `single` true.
 * Strings are borrowed from the JSON the set holds; units, words and kinds from the table it holds.
 * A set is immutable once parsed. One thread at a time. */
#ifndef WARDPOST_READING_H
#define WARDPOST_READING_H

#include <jansson.h>

#include "wardpost/kind.h"
#include "wardpost/problem.h"
#include "wardpost/uuid.h"

enum measured_type { MEASURED_NONE, MEASURED_NUMBER, MEASURED_WORD, MEASURED_NOT_TAKEN };

struct measured { /* one part, as entered */
    enum measured_type type;
    struct decimal value;         /* MEASURED_NUMBER */
    const struct unit *unit;      /* MEASURED_NUMBER: as entered, or canonical where it was left out */
    const struct word *word;      /* MEASURED_WORD */
    const struct reason *reason;  /* MEASURED_NOT_TAKEN */
    bool worked_out;              /* not sent itself: from counted beats or a sum of points */
};

struct said { /* one context field, as entered; which union member: the field's type */
    bool given;
    const struct word **words; /* FIELD_WORD (one) and FIELD_WORDS */
    size_t words_count;
    const char *text;
    struct decimal value;
    const struct unit *unit;
    int beats, seconds; /* FIELD_COUNT */
};

struct override {
    bool given;
    const char *by, *second, *reason;
};

struct patient {
    bool given;
    const char *system, *value; /* identifier */
    const char *family;         /* may be NULL */
    bool has_birth_date;
    struct date birth_date;
};

enum tribool { ANSWER_NOT_GIVEN, ANSWER_NO, ANSWER_YES, ANSWER_UNKNOWN };

struct reading {
    struct uuid id;
    bool id_given;
    const struct kind *kind;
    const json_t *sent;         /* this reading as it stood in the body; borrowed from the set */
    const char *pointer;        /* "" or "/readings/2" */
    struct moment taken;
    const char *taken_text;     /* as sent; for `age` what it was resolved to */
    const char *by, *device, *note; /* each may be NULL; inherited from the set */
    const struct reason *not_taken; /* the whole reading; NULL: taken */
    bool confirmed;
    struct override override;
    struct measured parts[PARTS_MOST];
    struct said fields[FIELDS_MOST];
};

struct set {
    struct kinds *kinds; /* a reference of its own */
    json_t *body;        /* as parsed; a reference of its own */
    bool single;
    struct uuid id; /* of the set; for a single reading its own id */
    struct patient patient;
    struct moment taken;
    const char *taken_text, *by;
    enum tribool pregnant;
    int scale; /* 0: not given */
    const char *scale_by, *scale_date;
    struct reading *readings;
    size_t count;
    char *pointers; /* of the readings */
    json_t *kept;   /* texts that nobody sent: times worked out from an age */
};

/* What a parse needs to know about the moment and the sender. Pure: the clock comes in here. */
struct reading_frame {
    bool has_now;          /* false: `age` and the clock's checks are not possible (map) */
    struct moment now;     /* wall clock with the local offset, for `age` and ids */
    int64_t skew_ms;       /* how far ahead a sender's clock may be */
    int64_t age_ask_ms;    /* older than this is asked about; 0: never */
    size_t readings_most;  /* in a set */
    bool patient_optional; /* an enrolled device's token */
    bool nobody_there;     /* a device or feed, or taken offline: nothing is asked, ages are not refused */
    bool identity_required; /* a person at the bed: two identifiers were checked, or it is not taken */
};

/* JSON to a set; pure but for random ids where none were given. Collects all problems of shape, word, unit and time
 * (pointers into the body); what a value means is set_judge()'s.
 *   STATUS_OK       *out is the caller's when nothing is wrong, or only something is to be asked (code confirm); else NULL
 *   STATUS_NO_MEMORY
 * Defined in daemon/intake/readings_json.c. */
MUST_CHECK enum status set_parse(json_t *body, struct kinds *kinds, const struct reading_frame *frame,
                                 struct set **out, struct problems *problems);
/* Does a body as parsed say that it was taken while the daemon was out of reach (/bedside/offline)? Then nobody is
 * there to answer, whoever sends it. Any JSON, right or wrong; for the frame, and for what becomes of a refusal. */
bool set_taken_offline(const json_t *body);
void set_free(struct set *set);

#endif
