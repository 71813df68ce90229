/* load.h - reading the kind table: places in its files, and shapes as tables.
 *
 * A shape is a table of members: name, whether it must be there, what it must be, where it goes.
 * Members are read in the order of the table, not of the file, so that a row may count on those
 * above it. Each reader returns false after it noted a fault (or that memory is short) in the
 * loader; the first one ends the load. Nothing here recurses: how deep a file nests does not
 * matter. */
#ifndef WARDPOST_CLINICAL_LOAD_H
#define WARDPOST_CLINICAL_LOAD_H

#include "clinical/clinical_private.h"

#define ROWS_MOST  128 /* of any list of rows in the table: rows are compared with each other */
#define WORDS_MOST 200 /* of a list in codings/ */
#define FILES_MOST 512

struct loader {
    struct kinds *kinds;
    struct kinds_fault *fault;
    const char *file;
    bool no_memory;
    const json_t *systems; /* short names of code systems */
    struct kind *list;     /* all kinds, ours to write until the table is loaded */
    struct kind *kind;     /* being read; NULL between kinds */
    struct part *parts;    /* of that kind, ours to write */
    struct field *fields;
    struct word_list *lists; /* of the table, ours to write */
    struct score *scores;
    struct language *languages;
    json_t *texts; /* as names: what the table says to people; while languages are read */
};

/* ---- arena.c: memory that is freed with the table ---- */

void *arena(struct loader *loader, size_t count, size_t size); /* zeroed; NULL notes no_memory */
void arena_free(struct chunk *memory);

/* ---- place.c: a value in the file being read, and how to get there ---- */

struct place {
    struct loader *loader;
    const json_t *json;
    char pointer[160]; /* RFC 6901 */
};

/* Always false: notes the fault, if it is the first. */
bool place_fail(const struct place *place, const char *format, ...)
    __attribute__((format(printf, 2, 3)));
bool place_member(const struct place *place, const char *name, struct place *out); /* false: none */
void place_item(const struct place *place, size_t index, struct place *out);
bool place_is_remark(const char *name);            /* a member for whoever reads the file */
const char *place_text(const struct place *place); /* NULL after noting that a text is due here */

struct member;
/* What a member must be, and how it is put into the struct that begins at `out`. */
typedef bool take(const struct place *at, const struct member *member, char *out);

struct member {
    const char *name;
    bool required;
    take *take;
    size_t offset;    /* where it goes */
    size_t second;    /* of a bool that says it is there, or of a list's count; NONE */
    const void *with; /* what `take` needs to know beside: struct names, struct rows */
};

#define REQUIRED true
#define OPTIONAL false
#define NONE     SIZE_MAX

/* A row of a shape. (A macro, since clang-format 14 counts the commas of the macros below as
 * columns when rows stand in braces, and crashes.) */
/* NOLINTNEXTLINE(bugprone-macro-parentheses): `where` is three columns */
#define MEMBER(name, required, take, where) \
    {                                       \
        (name), (required), (take), where   \
    }

/* The last column of a row, by where it goes in a struct of that type: */
#define NOWHERE                    0, NONE, NULL
#define ITSELF                     0, NONE, NULL /* `take` knows the struct and fills it */
#define INTO(type, field)          offsetof(struct type, field), NONE, NULL
#define FLAGGED(type, field, flag) offsetof(struct type, field), offsetof(struct type, flag), NULL
#define FLAG(type, field)          FLAGGED(type, field, has_##field)
#define BOUNDED(type, side)        FLAGGED(type, bound.side, bound.has_##side)
#define NAMED(type, field, names)  offsetof(struct type, field), NONE, &(names)
#define NAMED_FLAG(type, field, names) \
    offsetof(struct type, field), offsetof(struct type, has_##field), &(names)
#define LISTED(type, items, count, rows) \
    offsetof(struct type, items), offsetof(struct type, count), &(rows)
#define LIST(type, field, rows) LISTED(type, field, field##_count, rows)
/* The four members of a `bound`. */
#define BOUNDS(type)                                                       \
    MEMBER("below", OPTIONAL, take_decimal, BOUNDED(type, below)),         \
        MEMBER("above", OPTIONAL, take_decimal, BOUNDED(type, above)),     \
        MEMBER("at-most", OPTIONAL, take_decimal, BOUNDED(type, at_most)), \
        MEMBER("at-least", OPTIONAL, take_decimal, BOUNDED(type, at_least))

/* An object with these members and no others but `about`, each taken into `out`. */
bool place_shape(const struct place *place, const struct member *members, size_t count, void *out);
#define COUNT(array)               (sizeof(array) / sizeof((array)[0]))
#define SHAPE(place, members, out) place_shape(place, members, COUNT(members), out)

/* The members of an object whose names are free (parts, units, words), all but `about`. */
typedef bool read_named(const struct place *at, const char *name, void *to);
bool place_each(const struct place *place, read_named *read, void *to);
size_t place_count(const struct place *place);

/* ---- takes.c: what members can be ---- */

struct named { /* a word that stands for a value of an enum */
    const char *name;
    int value;
};

struct names {
    const struct named *items;
    size_t count;
};

typedef bool read_item(const struct place *item, void *out);

struct rows { /* a list of structs */
    size_t size, least, most;
    read_item *read;
};

take take_text;      /* const char *, not empty */
take take_word;      /* const char *: lower-case letters, digits, hyphens */
take take_file_name; /* the same, and the name of the file that is read */
take take_said;      /* only that it is a text: read later */
take take_object;    /* only that it is an object: read later */
take take_rows;      /* only that it is a list: read later */
take take_whole;     /* int, 0..1000000 */
take take_points;    /* int, 0..100 */
take take_places;    /* unsigned, 0..DECIMAL_PLACES_MOST */
take take_bool;
take take_true; /* nothing: it may only say true */
take take_decimal;
take take_name; /* an enum, by struct names */
take take_list; /* by struct rows */

/* Writes a pointer where one to something else is declared: POSIX has one representation of all. */
void put_pointer(char *out, const void *pointer);
bool word_is_well(const char *word);
bool read_word(const struct place *item, void *out); /* const char *, an item of a list */

/* ---- load_codings.c, load_units.c ---- */

take take_coding;
take take_codings;       /* struct codings, one at least */
take take_maybe_codings; /* struct codings, or none */
bool uri_is_whole(const char *text);
take take_word_list;                                 /* const struct word_list *, by name */
take take_unit;                                      /* const struct unit *, by code */
bool read_unit(const struct place *item, void *out); /* the same, an item of a list */

bool load_units(const struct place *file);
bool load_list(const struct place *file, struct word_list *out);
bool load_not_taken(const struct place *file);
bool load_corrections(const struct place *file);
bool load_panel(const struct place *file);
/* Each part named in `part-codings` is one of a kind that uses the list. */
bool part_codings_are_used(struct loader *loader);

/* From each unit the part accepts to `to`. */
bool ways_exist(const struct place *place, const struct part *part, const struct unit *to);

/* ---- load_languages.c ---- */

bool collect_texts(struct loader *loader);
bool load_language(const struct place *file, struct language *out); /* after collect_texts() */

/* ---- load_ages.c ---- */

struct stretch { /* a span from birth, in days: of months and years that depends on the birth date
                  */
    int64_t least, most;
    int months; /* -1: given in days or weeks */
};

struct band { /* of one row: whom it is about */
    bool given, unknown, has_from, has_to;
    struct stretch from, to;
};

take take_ages;
struct band band_of(const struct ages *ages);
bool bands_overlap(const struct band *a,
                   const struct band *b); /* for some birth date, or for none */
bool ages_same(const struct ages *a, const struct ages *b);

/* ---- load_rows.c ---- */

take take_limits; /* into a struct part */
take take_ranges;
take take_state_names;
bool bound_is_possible(const struct place *place, const struct bound *bound);

/* ---- load_part.c ---- */

bool load_part(const struct place *place, struct part *part);
/* What a part says about others of its kind, when all are read. */
bool part_links_hold(const struct place *place, const struct kind *kind, const struct part *part);
bool part_index(const struct place *place, const struct kind *kind, const char *name, size_t *out);
bool part_accepts(const struct part *part, const struct unit *unit);
take take_accepts; /* into a struct part that has its unit */

/* ---- load_context.c ---- */

bool load_context(const struct place *context);
bool context_holds(
    const struct place *context); /* what fields say about parts, when those are read */
bool name_is_free(const struct place *at, const char *name); /* of a part or a field of the kind */

/* ---- load_kind.c, load_computed.c ---- */

bool load_kind(const struct place *file, struct kind *out);
bool load_kind_links(const struct place *file, struct kind *kind); /* what names other kinds */
bool load_computed(const struct place *at, struct kind *kind);
take take_kind; /* const struct kind *, by name */

/* ---- load_form.c ---- */

take take_often;                           /* nothing: words of the struct field's list */
take take_offers;                          /* nothing: units that the struct part accepts */
take take_question;                        /* nothing: whom a struct score_withhold is asked of */
bool form_holds(const struct place *file); /* asks, hints, longest counts of the kind being read */
/* ---- load_again.c ---- */

take take_again; /* nothing: when a form offers to look again */

/* ---- load_paths.c ---- */

/* `kind` NULL: between kinds. Notes which kinds are asked for their last reading. */
bool read_path(const struct place *place, const char *text, const struct kind *kind,
               struct path *out);
const struct part *path_number(const struct path *path);     /* NULL: no number is there */
const struct word_list *path_words(const struct path *path); /* NULL: no words are taken there */
void looks_at_last(struct loader *loader, const struct kind *kind);

/* struct path, by the kind being read */
take take_path;       /* of anything */
take take_sent_path;  /* not of the last reading */
take take_number;     /* of a number */
take take_words_path; /* of something that takes words */
read_item read_sent_path;
read_item read_number;
read_item read_exact; /* of a number in a part that has a canonical unit */

take take_say;     /* of a check: text whose holes can all be filled */
take take_own_say; /* of a limit: the only path in it is {value}, the value it is about */

/* ---- load_checks.c, load_score.c, load_inputs.c ---- */

extern const struct rows check_rows, condition_rows;
bool checks_are_apart(const struct place *place, const struct check *checks, size_t count);
bool load_score(const struct place *file, struct score *out);
bool score_has_scale(const struct score *score, int scale);
take take_inputs; /* into a struct score that has its scales */

#endif
