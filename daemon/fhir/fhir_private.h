/* fhir_private.h - the pieces of an Observation, shared by the files that write one. */
#ifndef WARDPOST_FHIR_PRIVATE_H
#define WARDPOST_FHIR_PRIVATE_H

#include "wardpost/observation.h"

#define IDENTIFIER_SYSTEM "urn:ietf:rfc:3986"
#define UUID_URN          "urn:uuid:"
#define URN_TEXT_ROOM     (sizeof(UUID_URN) - 1 + UUID_TEXT_ROOM)

void urn_text(const struct uuid *id, char out[URN_TEXT_ROOM]); /* "urn:uuid:0b0e..." */

/* Where texts are joined before they go out whole; grows past `first` only for long ones. */
struct scratch {
    char first[1024];
    char *text; /* `first`, or on the heap */
    size_t length, room;
    bool failed; /* an allocation failed: the map fails with NO_MEMORY */
};

void scratch_init(struct scratch *scratch);
void scratch_clear(struct scratch *scratch);
void scratch_empty(struct scratch *scratch);
void scratch_add(struct scratch *scratch, const char *text);

struct mapping {
    const struct set *set;
    const struct judgement *judgements;
    struct json_out *out;
    struct scratch scratch;
};

/* ---- coding.c: data types ---- */

void coding_out(struct json_out *out, const struct coding *coding);
void codings_out(struct json_out *out, const struct codings *codings); /* items of an open array */
/* A member {coding?, text}. */
void concept_out(struct json_out *out, const char *name, const struct codings *codings,
                 const char *text);
void word_out(struct json_out *out, const char *name, const struct word *word);
void reason_out(struct json_out *out, const struct reason *reason); /* dataAbsentReason */
/* Quantity; `part` may override the unit's text where the unit is its canonical one; may be NULL.
 */
void quantity_out(struct json_out *out, const char *name, struct decimal value,
                  const struct unit *unit, const struct part *part);

/* ---- element.c: what every Observation has ---- */

void head_out(struct json_out *out, const struct uuid *id, const char *profile); /* opens it */
void identity_out(struct json_out *out, const struct uuid *id,
                  const struct coding *category); /* identifier, status, category */
void whom_when_who_out(struct json_out *out, const struct patient *patient, const char *taken,
                       const char *by); /* subject, effectiveDateTime, performer */
void device_out(struct json_out *out, const char *device);
/* hasMember or derivedFrom, by our own ids; bundle.h puts what the reader knows in their place. */
void references_out(struct json_out *out, const char *name, const struct observation *items,
                    const struct observation_need *needs, size_t count);

/* ---- context.c: what was said about the reading, by where it goes ---- */

/* Does anything of this field go there? */
bool field_goes(const struct field *field, const struct said *said, enum field_as as);
bool reading_says(const struct reading *reading, enum field_as as);
/* {coding?, text} of everything that goes there, texts joined with "; ". */
void said_concept_out(struct mapping *mapping, const char *name, const struct reading *reading,
                      enum field_as as);
/* value[x] of a component or companion. */
void said_value_out(struct mapping *mapping, const struct reading *reading,
                    const struct judged *judged, size_t index);
/* "Title: text; Title: text" of all fields that are notes, into the scratch. */
void said_notes(struct mapping *mapping, const struct reading *reading);
/* Codes that words add to the Observation's (part NULL) or to a component's own; how many. `out`
 * NULL: only counts. */
size_t said_codes(struct json_out *out, const struct reading *reading, const char *part);

/* ---- component.c ---- */

/* The part that is the Observation's own value; SIZE_MAX: none. */
size_t value_part(const struct kind *kind);
/* value[x] or dataAbsentReason of a part; nothing when it was not sent. */
void measured_out(struct json_out *out, const struct part *part, const struct measured *measured,
                  const struct judged *judged);
void interpretation_out(struct json_out *out, const struct judged *judged);
void reference_range_out(struct json_out *out, const struct part *part,
                         const struct judged *judged);
void components_out(struct mapping *mapping, size_t reading);
void score_components_out(struct json_out *out, const struct score_answer *score);

/* ---- derived.c: the list ---- */

struct build {
    struct mapping mapping;
    struct observations *to;
    size_t start;                     /* of the open one in the text */
    struct observation_need *needs;   /* next free */
    struct observation_need *members; /* of the panel */
    size_t members_count;
};

/* Between the two one Observation is written to the mapping's text. `role` other than "main": its
 * id is the UUIDv5 of `space` and the role. `category`: of one that may be the panel's member, else
 * NULL. */
struct observation *observation_begin(struct build *build, const struct uuid *space,
                                      const char *role);
void observation_end(struct build *build, struct observation *item, const struct coding *category);

void add_companion(struct build *build, size_t index, size_t main, size_t field_index);
void add_worked_out(struct build *build, const struct worked_out *worked_out);
void add_score(struct build *build, const struct score_answer *score);
void add_panel(struct build *build);

#endif
