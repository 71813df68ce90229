/* patient_lookup.h - the FHIR server's Patient search, on a thread of its own.
 *
 * Personal search terms go in the body: POST [base]/Patient/_search, form-encoded (FHIR R4 http.html#search). One question after
 * another; each is answered within a bounded time from its asking, whatever the server does, and a full queue is answered at
 * once. After the server did not answer it is left alone for some seconds, so that not everybody waits for it. */
#ifndef WARDPOST_PATIENT_LOOKUP_H
#define WARDPOST_PATIENT_LOOKUP_H

#include "wardpost/courier.h"
#include "wardpost/known_patients.h"
#include "wardpost/patient_said.h"

enum lookup_end { LOOKUP_NONE, LOOKUP_AWAY, LOOKUP_ASKED };
const char *lookup_end_text(enum lookup_end end); /* "none": there is no server; "away", "asked" */

struct patient_lookup { /* borrowed until `done` */
    const struct patient_question *question; /* value, birth date or family lead; a ward is not a server's affair */
    const char *const *systems; /* which identifier a patient is known by: patients_said_read() */
    size_t systems_count;
    /* Once; on the lookup's thread, or on the caller's when nobody is asked. Must not wait. */
    void (*done)(struct patient_lookup *lookup);
    void *context;
    enum lookup_end end;
    struct patients_said said; /* LOOKUP_ASKED: the caller's to clear */
    /* the lookup's own */
    struct patient_lookup *next;
    int64_t until_ms;
};

/* [any] */
void courier_lookup(struct courier *courier, struct patient_lookup *lookup);

#endif
