/* load.h - reading the kind table: places in its files, and shapes as tables. The first fault ends it. */
#ifndef WARDPOST_CLINICAL_LOAD_H
#define WARDPOST_CLINICAL_LOAD_H

#include "clinical/clinical_private.h"

struct loader {
    struct kinds *kinds;
    struct kinds_fault *fault;
    const char *file;
    bool no_memory;
    const json_t *systems; /* short names of code systems */
    struct kind *kind;     /* being read; NULL between kinds */
};

struct place { /* a value in the file being read, and how to get there */
    struct loader *loader;
    const json_t *json;
    char pointer[160];
};

enum member_type {
    MEMBER_TEXT,    /* const char * */
    MEMBER_WORD,    /* a text that is only looked at */
    MEMBER_INT,     /* int, 0..1000000 */
    MEMBER_BOOL,    /* bool */
    MEMBER_DECIMAL, /* struct decimal; `has` is set when it is there */
    MEMBER_OBJECT,  /* only the type is looked at */
    MEMBER_ARRAY,
    MEMBER_ANY
};

struct member {
    const char *name;
    enum member_type type;
    bool required;
    size_t offset; /* into the struct given; unused for OBJECT, ARRAY, ANY */
    size_t has;    /* MEMBER_DECIMAL: of a bool; 0: none */
};

/* Always false: notes the fault. */
bool place_fail(const struct place *place, const char *format, ...) __attribute__((format(printf, 2, 3)));
bool place_member(const struct place *place, const char *name, struct place *out); /* false: not there */
void place_item(const struct place *place, size_t index, struct place *out);
/* An object with these members and no others but `about`, each of its type, written into `out`. */
bool place_shape(const struct place *place, const struct member *members, size_t count, void *out);
#define SHAPE(place, members, out) place_shape(place, members, sizeof(members) / sizeof((members)[0]), out)

void *arena(struct loader *loader, size_t count, size_t size); /* zeroed; NULL notes no_memory */
void arena_free(struct chunk *memory);

/* An array member as `count` elements of `size`, each read by `read`. Absent: none. */
typedef bool read_item(const struct place *item, void *out);
bool read_list(const struct place *place, const char *name, size_t size, read_item *read, void *items_out, size_t *count_out);

bool read_coding(const struct place *place, void *out);                               /* struct coding */
bool read_codings(const struct place *place, const char *name, struct codings *out); /* an array member; absent: none */
bool read_ages(const struct place *place, struct ages *out);                          /* member `ages` */
bool read_whens(const struct place *place, struct whens *out);                        /* member `when` */
bool read_unit_name(const struct place *place, const char *name, bool required, const struct unit **out); /* a member */
bool bound_is_possible(const struct place *place, const struct bound *bound);
const struct word_list *find_list(const struct kinds *kinds, const char *name);

bool load_units(const struct place *file);
bool load_lists(struct loader *loader);
bool load_not_taken(const struct place *file);
bool load_panel(const struct place *file);
bool load_kind(const struct place *file, struct kind *out);
bool load_kind_links(const struct place *file, struct kind *kind); /* what names other kinds: computed, checks */
bool load_checks(const struct place *place, const char *name, const struct kind *kind, const struct check **out, size_t *count);
bool load_score(const struct place *file, struct score *out);
bool read_path(const struct place *place, const char *text, const struct kind *kind, struct path *out);

#endif
