/* submission_parts.h - the second half of submission.c: entries and answers (entries.c, answer.c).
 */
#ifndef WARDPOST_INTAKE_SUBMISSION_PARTS_H
#define WARDPOST_INTAKE_SUBMISSION_PARTS_H

#include "intake/intake_private.h"
#include "wardpost/observation.h"
#include "wardpost/outbox.h"

void patient_key(const struct patient *patient,
                 char out[PATIENT_KEY_ROOM]); /* "system|value"; "" for none */

/* Entries ready for outbox_put(), and the answer. */
MUST_CHECK enum status submission_entries(const struct submission_frame *frame,
                                          struct submission *submission, const char *text,
                                          size_t length);
/* The main of one reading, without its Observation: its texts stand in submission->scratch, which
 * must not grow any more. */
MUST_CHECK enum status submission_main(struct submission *submission, size_t index,
                                       struct put_entry *entry);
/* Keep a copy of the text: where it goes before the disk has it. */
MUST_CHECK enum status submission_own_text(struct submission *submission, const char *text,
                                           size_t length);
/* How many of its first entries are one reading's main and companions; 0 when it was not mapped. */
size_t submission_entries_of_reading(const struct submission *submission);
/* The answer of /v1/preview. */
MUST_CHECK enum status submission_preview(struct submission *submission);
/* All its ids were given and are on disk with the same content: then what is asked now was answered
 * then. Writes that answer, status 201, put.replayed. */
bool submission_is_known(const struct submission_frame *frame, struct submission *submission);
/* The answer: ids, kinds, states, flags, score. `states` may be NULL: as they are being put. */
void submission_answer(struct submission *submission, const enum entry_state *states);
/* flags, notes, estimates of one reading; the score. Members of an object. */
void submission_reading_members(const struct submission *submission, size_t index,
                                struct json_out *out);
void submission_scores_members(const struct submission *submission, struct json_out *out);
void flags_out(const struct submission *submission, size_t index, struct json_out *out);
/* Hash for "same content" of one reading of the set (design 5). */
void submission_content(const struct set *set, size_t index, uint8_t out[32]);

#endif
