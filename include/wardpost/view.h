/* view.h - what GET answers: what the outbox holds and how things stand, as JSON (or FHIR). Reads only; knows no HTTP.
 *
 * Every call takes a reader of the caller's and writes one JSON document to `out`; the caller checks json_out_ok().
 *   NOT_FOUND  there is no such thing     INVALID  a parameter is wrong; problems say which     else trouble of ours */
#ifndef WARDPOST_VIEW_H
#define WARDPOST_VIEW_H

#include <jansson.h>

#include "wardpost/courier.h"
#include "wardpost/json_out.h"
#include "wardpost/kind.h"
#include "wardpost/known_patients.h"
#include "wardpost/outbox.h"
#include "wardpost/problem.h"

/* GET /v1/readings/{id} */
MUST_CHECK enum status view_reading(struct outbox_reader *reader, const struct uuid *id,
                                    struct json_out *out);
/* POST /v1/readings/_search: `body` is {"patient"?, "kind"?, "state"?, "since"?, "count"?, "after"?}. */
MUST_CHECK enum status view_readings(struct outbox_reader *reader, const struct kinds *kinds, const json_t *body,
                                     struct json_out *out, struct problems *problems);
/* POST /v1/patients/_search: what the local copy finds, and besides it those that the server named; `server`: asked, away or none. */
struct patients_named {
    const struct known_patient *items;
    size_t count;
    const char *server;
};
MUST_CHECK enum status view_known_patients(struct outbox_reader *reader, const struct patient_question *question,
                                           const struct patients_named *named, struct json_out *out);
/* One of them, as it stands in there. */
void view_known_patient(const struct known_patient *patient, struct json_out *out);
/* GET /v1/refusals */
MUST_CHECK enum status view_refusals(struct outbox_reader *reader, struct json_out *out);
/* GET /v1/status */
MUST_CHECK enum status view_status(struct outbox_reader *reader, struct courier *courier,
                                   const struct kinds *kinds, struct json_out *out);
/* GET /v1/kinds */
struct kinds_view {
    const struct language *language; /* of its `texts`; NULL: none are given */
    bool for_form;                   /* without what only mapping needs */
};
void view_kinds(const struct kinds *kinds, const struct kinds_view *how, struct json_out *out);

/* ---- /fhir, read only ---- */

struct fhir_parameter {
    const char *name, *value; /* decoded */
};

void fhir_metadata(const char *base, struct json_out *out);
MUST_CHECK enum status fhir_observation(struct outbox_reader *reader, const struct uuid *id,
                                        struct json_out *out);
/* A searchset Bundle; `why` (room 200) says what is wrong with a parameter when INVALID. */
MUST_CHECK enum status fhir_observations(struct outbox_reader *reader, const struct fhir_parameter *parameters,
                                         size_t count, struct json_out *out, char why[200]);
MUST_CHECK enum status fhir_patient(struct outbox_reader *reader, const struct uuid *id, struct json_out *out);
MUST_CHECK enum status fhir_patients(struct outbox_reader *reader, const struct fhir_parameter *parameters,
                                     size_t count, struct json_out *out, char why[200]);
void fhir_outcome(const char *code, const char *text, struct json_out *out);

#endif
