/* parsing.h - one parse under way, shared by the files that read parts of a set. */
#ifndef WARDPOST_INTAKE_PARSING_H
#define WARDPOST_INTAKE_PARSING_H

#include "intake/shape.h"
#include "wardpost/reading.h"

struct parsing {
    const struct reading_frame *frame;
    struct problems *problems;
    struct set *set;
    const char *by, *device, *note; /* of the set, for its readings to inherit */
    bool set_time_said;             /* right or wrong: its readings need none of their own */
    bool time_is_missing;           /* of some reading */
    bool no_memory;
};

/* ---- reading_frame.c: who, when, which ---- */

/* The member `identifier`: out->system and value, and `given` when both are fine. */
void parse_identifier(const struct spot *patient, struct patient *out);
void parse_date(const struct spot *spot, const char *name, struct date *out, bool *has);
void parse_patient(struct parsing *parsing);
void parse_id(const struct spot *spot, struct uuid *out, bool *given);
void parse_make_id(const struct reading_frame *frame, struct uuid *out); /* where none was given */
bool parse_time_is_said(const struct spot *spot);                        /* taken or age */
/* True: it was understood; *text is what goes out. */
bool parse_time(struct parsing *parsing, const struct spot *spot, struct moment *out,
                const char **text);
/* Is it in the future, before the birth, so late that it is asked about? */
void parse_judge_time(const struct parsing *parsing, const struct spot *spot, struct moment taken,
                      bool confirmed);
/* True: a time of RFC 3339 is there and was understood. */
bool parse_moment(const struct spot *spot, const char *name, struct moment *out);
void parse_set_context(struct parsing *parsing);
void parse_override(const struct spot *spot, struct override *out);

/* ---- reading_bedside.c: how it was taken ---- */

/* Identity too, where the frame asks for it: also of a body without this member. */
void parse_bedside(struct parsing *parsing);

/* ---- reading_parts.c: what was measured ---- */

/* The unit of a number in `unit` beside it, or the canonical one where it may be left out. NULL: a
 * problem was noted. */
const struct unit *parse_unit(const struct parsing *parsing, const struct spot *spot,
                              const struct part *part);
const struct word *parse_word(const struct spot *spot, const char *name,
                              const struct word_list *list);
/* Parts and context by the reading's kind, which is known. */
void parse_by_kind(struct parsing *parsing, const struct spot *spot, struct reading *out);

/* ---- reading_context.c: what was said about it ---- */

void parse_context(struct parsing *parsing, const struct spot *spot, struct reading *out);

#endif
