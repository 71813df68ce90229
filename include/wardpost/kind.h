/* kind.h - the kind table as loaded from mappings/ (its README.md is the format): what every module may know
 * about a kind of reading. Nothing in C knows a kind by its name.
 *
 * A struct kinds is immutable once loaded and counted: a set holds a reference for as long as it lives, so a reload
 * never pulls the table from under a request. All pointers in here live as long as the table. Any thread may read. */
#ifndef WARDPOST_KIND_H
#define WARDPOST_KIND_H

#include <jansson.h>
#include <stdbool.h>
#include <stddef.h>

#include "wardpost/decimal.h"
#include "wardpost/moment.h"
#include "wardpost/status.h"

struct coding {
    const char *system, *code;
    const char *display; /* NULL where the name was not verified */
};

struct codings {
    const struct coding *items;
    size_t count;
};

struct unit {
    const char *code; /* UCUM */
    const char *text; /* for people */
    unsigned places;  /* of a converted value */
};

struct conversion { /* (value + add) x times / over, exactly */
    const struct unit *from, *to;
    struct decimal add, times, over;
};

enum field_as {
    AS_NOTHING,
    AS_BODY_SITE,
    AS_METHOD,
    AS_CODE,
    AS_COMPONENT,
    AS_COMPANION,
    AS_POSITION,
    AS_NOTE
};

struct part_codings {
    const char *part;
    struct codings codings;
};

struct word {
    const char *word, *text;
    struct codings codings;
    const struct part_codings *part_codings;
    size_t part_codings_count;
    bool has_points;
    int points;
    bool has_as;      /* this word goes elsewhere than its field says */
    enum field_as as; /* AS_BODY_SITE, AS_METHOD, AS_NOTE or AS_CODE */
};

struct word_list {
    const char *name;
    const struct word *words;
    size_t count;
};

struct ages {
    bool given;
    bool has_from, has_to;
    bool unknown; /* holds also where no birth date is known */
    struct span from, to;
};

struct when { /* the field at `path` has one of the words */
    const char *path;
    const char *const *words;
    size_t count;
};

struct whens {
    const struct when *items;
    size_t count;
};

enum grade { GRADE_FINE, GRADE_NOTE, GRADE_ASK, GRADE_OVERRIDE, GRADE_REFUSE };

struct bound { /* strictly below / above; or at most / at least */
    bool has_below, has_above, has_at_most, has_at_least;
    struct decimal below, above, at_most, at_least;
};

struct limit {
    enum grade grade; /* GRADE_ASK, GRADE_OVERRIDE or GRADE_REFUSE */
    struct ages ages;
    struct whens whens, unless; /* `unless`: not where this holds; none: everywhere */
    const struct unit *in;      /* NULL: the canonical unit */
    struct bound bound;
    int unless_last_minutes; /* of GRADE_ASK: not asked when the last value, so long ago at most, lay outside this bound, too; 0: asked */
    struct decimal near; /* ... or no further than this from the value */
    bool has_near;
    const char *say;         /* may be NULL */
    const char *source;
};

struct range {
    struct ages ages;
    struct whens whens;
    const struct unit *in;
    bool has_low, has_high, has_low_critical, has_high_critical;
    struct decimal low, high, low_critical, high_critical;
    const char *text, *source;
};

struct state_name { /* "tachycardia" */
    struct ages ages;
    struct whens whens;
    const struct unit *in;
    struct bound bound;
    const char *name, *source;
};

struct estimate_term {
    size_t part; /* index into the kind's parts */
    struct decimal times;
};

struct estimate {
    const struct estimate_term *terms;
    size_t count; /* 0: none */
    struct decimal over;
    unsigned places;
};

enum part_type { PART_QUANTITY, PART_WORD };

struct code_by_unit {
    const struct unit *unit;
    struct codings codes;
};

struct part {
    const char *name, *title;
    enum part_type type;
    bool required, whole, unit_optional, may_be_not_taken;
    bool is_value; /* becomes value[x] of the Observation, not a component */
    struct codings codes;
    const struct unit *unit; /* canonical; NULL with code_by_unit, and for words */
    const char *text;        /* Quantity.unit; NULL: the unit's own */
    const struct unit *const *accepts;
    size_t accepts_count;
    const struct unit *const *as_entered;
    size_t as_entered_count;
    const struct code_by_unit *code_by_unit;
    size_t code_by_unit_count;
    const struct word_list *list; /* PART_WORD */
    const size_t *sum;            /* indexes of the parts whose points it sums */
    size_t sum_count;
    struct estimate estimate;
    const struct limit *limits;
    size_t limits_count;
    const struct range *ranges;
    size_t ranges_count;
    const struct state_name *names;
    size_t names_count;
};

enum field_type { FIELD_WORD, FIELD_WORDS, FIELD_TEXT, FIELD_QUANTITY, FIELD_COUNT };

struct field { /* groups are flattened: "oxygen.flow" is a field with this path */
    const char *path;  /* "site", "oxygen.flow" */
    const char *group; /* "oxygen", or NULL */
    const char *name;  /* last step of the path */
    const char *title;
    enum field_type type;
    enum field_as as;
    const struct word_list *list;
    struct codings codes;
    const struct coding *category; /* of a companion; NULL: the kind's */
    const char *profile;           /* of a companion; may be NULL */
    struct part quantity;          /* FIELD_QUANTITY: unit, accepts, limits, ... */
    size_t gives;                  /* FIELD_COUNT: index of the part it gives */
    const int *seconds;            /* FIELD_COUNT: the lengths taken */
    size_t seconds_count;
};

struct check; /* clinical's own, see daemon/clinical/clinical_private.h */

struct factor { /* of a computed kind */
    const struct kind *kind;
    size_t part;
    const struct unit *in;
    unsigned power;
};

struct computed {
    bool given;
    const struct factor *over, *under; /* numerator and denominator */
    size_t over_count, under_count;
    const struct unit *unit;
    unsigned places;
};

#define PARTS_MOST 8   /* the loader refuses more */
#define FIELDS_MOST 24

struct kind {
    const char *name, *title;
    int order;
    size_t index; /* in kinds_at() */
    struct coding category;
    const char *profile; /* may be NULL */
    struct codings codes;
    const struct part *parts;
    size_t parts_count;
    const struct field *fields;
    size_t fields_count;
    const struct check *checks;
    size_t checks_count;
    bool looks_at_last; /* some check (its own or between kinds) asks for the patient's last reading of it */
    struct computed computed;
};

struct reason { /* why a sign was not taken */
    const char *word, *text;
    struct coding coding;
};

struct correction_reason { /* why a reading is corrected or retracted */
    const char *word, *text;
    bool says_why; /* the word alone says nothing: a text goes with it */
};

struct panel {
    const char *title, *profile;
    const char *members_category; /* code */
    struct coding category;
    struct codings codes;
};

#define KINDS_LANGUAGE      "en" /* the table's own */
#define KINDS_LANGUAGE_NAME "English"

struct language { /* the table's texts for people in another language */
    const char *code, *name; /* "es", "Español" */
    const json_t *texts;     /* an object: text of the table to its translation; what is not in it stays as it is */
};

struct kinds; /* the whole table */

struct kinds_fault {
    char file[160];    /* "kinds/pulse.json" */
    char pointer[160]; /* RFC 6901, empty for the whole file */
    char reason[256];
};

/* "kinds/pulse.json#/parts/0: reason"; returns out. */
#define KINDS_FAULT_ROOM 600
const char *kinds_fault_text(const struct kinds_fault *fault, char out[KINDS_FAULT_ROOM]);

/* Read everything below `path`. The only I/O of clinical. *out has one reference.
 *   INVALID  the table is broken; *fault says where and why     NOT_FOUND / IO  no such folder, unreadable */
MUST_CHECK enum status kinds_load(const char *path, struct kinds **out, struct kinds_fault *fault);

/* The same from JSON in memory, for tests and fuzzing: `files` is an object of relative path to parsed file. Pure.
 * The table holds `files`, and its strings live in there: nobody changes them afterwards. */
MUST_CHECK enum status kinds_from_json(const json_t *files, struct kinds **out,
                                       struct kinds_fault *fault);

struct kinds *kinds_hold(struct kinds *kinds); /* one more reference; returns kinds */
void kinds_free(struct kinds *kinds);          /* one less; NULL does nothing */

size_t kinds_count(const struct kinds *kinds);
const struct kind *kinds_at(const struct kinds *kinds, size_t index); /* by order, then name */
const struct kind *kinds_find(const struct kinds *kinds, const char *name); /* NULL: none */
/* Nearest known name for a message (edit distance <= 1/3 of its length); NULL: none is near. */
const char *kinds_nearest(const struct kinds *kinds, const char *name);
const struct reason *kinds_reason(const struct kinds *kinds, const char *word);
size_t kinds_reason_count(const struct kinds *kinds);
const struct reason *kinds_reason_at(const struct kinds *kinds, size_t index);
const struct correction_reason *kinds_correction_reason(const struct kinds *kinds,
                                                         const char *word); /* NULL: no such word */
const struct panel *kinds_panel(const struct kinds *kinds);
size_t kinds_language_count(const struct kinds *kinds); /* beside the table's own */
const struct language *kinds_language_at(const struct kinds *kinds, size_t index);
const struct language *kinds_language(const struct kinds *kinds, const char *code); /* NULL: none, or the table's own */
const char *kinds_version(const struct kinds *kinds); /* hash of all files, 16 hex digits */
/* Longest path of a table file read, and the parsed files by path, for GET /v1/kinds. Borrowed. */
const json_t *kinds_files(const struct kinds *kinds);

const struct word *word_list_find(const struct word_list *list, const char *word);
const char *word_list_nearest(const struct word_list *list, const char *word);
const struct part *kind_part(const struct kind *kind, const char *name);    /* NULL: none */
const struct field *kind_field(const struct kind *kind, const char *path);  /* NULL: none */
/* A part, a context field's first step, or a member that each reading has. */
const char *kind_nearest_field(const struct kind *kind, const char *name);

/* The unit that a sender's spelling means among those the part accepts: its UCUM code or one of its other spellings.
 * NULL: not accepted here. */
const struct unit *part_unit(const struct kinds *kinds, const struct part *part, const char *spelling);

/* Exact value in another unit; false when the table has no way there or it does not fit. from == to is allowed. */
bool unit_exact(const struct kinds *kinds, struct decimal value, const struct unit *from,
                const struct unit *to, struct exact *out);
/* The same, rounded half to even to the places of `to`; unchanged digits when from == to. */
bool unit_convert(const struct kinds *kinds, struct decimal value, const struct unit *from,
                  const struct unit *to, struct decimal *out);
const struct unit *kinds_unit(const struct kinds *kinds, const char *code); /* by UCUM code; NULL: none */

#endif
