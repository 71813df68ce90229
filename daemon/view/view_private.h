/* view_private.h - small pieces that the views share. */
#ifndef WARDPOST_VIEW_PRIVATE_H
#define WARDPOST_VIEW_PRIVATE_H

#include <stdio.h>

#include "wardpost/moment.h"
#include "wardpost/outbox.h"
#include "wardpost/uuid.h"
#include "wardpost/view.h"

void time_out(struct json_out *out, const char *name, int64_t ms); /* in UTC */
void id_out(struct json_out *out, const char *name, const struct uuid *id);

/* A searchset, entry by entry. FHIR knows no empty arrays: without an entry there is no list. */
struct searchset {
    struct json_out *out;
    bool any;
};
void searchset_begin(struct searchset *set, struct json_out *out);
void searchset_entry(struct searchset *set, const struct uuid *id); /* then write the resource */
void searchset_entry_end(struct searchset *set);
void searchset_entries_end(
    struct searchset *set); /* then what else stands in the Bundle, and its end */

/* Id of the Patient resource that stands for a patient key in /fhir. */
void patient_id(const char *key, struct uuid *out);
/* The key behind such an id; NOT_FOUND. */
MUST_CHECK enum status patient_key_of(struct outbox_reader *reader, const struct uuid *id,
                                      char key[PATIENT_KEY_ROOM]);

/* The key of the patient whose identifier has this value, whatever its system; NOT_FOUND, or
 * CONFLICT when there are several. */
MUST_CHECK enum status patient_key_by_value(struct outbox_reader *reader, const char *value,
                                            char key[PATIENT_KEY_ROOM]);

#endif
