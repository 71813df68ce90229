/* answers.h - the routes that only look (answers.c). */
#ifndef WARDPOST_INTAKE_ANSWERS_H
#define WARDPOST_INTAKE_ANSWERS_H

#include "intake/intake_private.h"

void answer_events(struct exchange *exchange); /* events.c */
void answer_fhir_metadata(struct exchange *exchange);
void answer_fhir_observation(struct exchange *exchange);
void answer_fhir_observations(struct exchange *exchange);
void answer_fhir_patient(struct exchange *exchange);
void answer_fhir_patients(struct exchange *exchange);
void answer_kinds(struct exchange *exchange);
void answer_live(struct exchange *exchange);
void answer_metrics(struct exchange *exchange);
void answer_page(struct exchange *exchange);
void answer_patients(struct exchange *exchange);
void answer_reading(struct exchange *exchange);
void answer_readings(struct exchange *exchange);
void answer_ready(struct exchange *exchange);
void answer_refusals(struct exchange *exchange);
void answer_round(struct exchange *exchange);
void answer_status(struct exchange *exchange);

#endif
