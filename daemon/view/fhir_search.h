/* fhir_search.h - FHIR search parameters of the view: read, tested against a row, written again for
 * the next page. */
#ifndef WARDPOST_VIEW_FHIR_SEARCH_H
#define WARDPOST_VIEW_FHIR_SEARCH_H

#include "view/view_private.h"

#define CODES_MOST 16

struct fhir_search {
    struct outbox_search rows; /* what the store can answer */
    bool nothing;              /* can fit no row (a patient nobody knows) */
    char patient[PATIENT_KEY_ROOM];
    bool has_patient;
    struct uuid patient_id;
    struct {
        char system[128], code[64];
    } codes[CODES_MOST]; /* any of them */
    size_t codes_count;
    bool has_id;
    struct uuid id;
    size_t count;
};

/* INVALID with `why`: an unknown parameter or a value that is none; nothing is ignored silently. */
MUST_CHECK enum status fhir_search_read(struct outbox_reader *reader,
                                        const struct fhir_parameter *parameters, size_t count,
                                        struct fhir_search *out, char why[200]);
bool fhir_search_fits(const struct fhir_search *search, const struct outbox_row *row);
/* The relative URL of the page after `seq`; holds no identifier of a patient. False: it does not
 * fit. */
bool fhir_search_next(const struct fhir_search *search, int64_t seq, char *out, size_t room);

#endif
