/* patient_said.h - who a FHIR R4 server says its patients are: a Patient or a searchset of them, read with suspicion. Pure. */
#ifndef WARDPOST_PATIENT_SAID_H
#define WARDPOST_PATIENT_SAID_H

#include <jansson.h>
#include <stdbool.h>
#include <stddef.h>

#include "wardpost/status.h"

struct patient_said { /* texts are borrowed from the answer; NULL: not said, or of no use */
    const char *system, *value; /* always there: system at most 200, value at most 100 characters, without | */
    const char *family;
    const char *given; /* all of them, a blank between */
    const char *birth_date; /* a whole date that exists */
    const char *gender;     /* one of FHIR's four */
    bool active;            /* where the server does not say: yes; replaced by another: no */
    bool deceased;
};

struct patients_said {
    json_t *body;
    struct patient_said *items;
    char *given; /* texts that were put together */
    size_t count;
};

#define PATIENTS_SAID_MOST 100 /* what stands behind is not looked at */

/* Which identifier a patient is known by: the first of `systems` that she has one of (not one marked as old); without any
 * systems the official, usual or first one. A patient without is left out. The name is the official one, else the usual one,
 * else the first that is not marked as old or a maiden name.
 *   INVALID  neither a Patient nor a Bundle     NO_MEMORY */
MUST_CHECK enum status patients_said_read(const char *text, size_t length, const char *const *systems,
                                          size_t systems_count, struct patients_said *out);
void patients_said_clear(struct patients_said *said);

#endif
