/* patient_parts.h - what the routes about patients share (patients.c, patient_json.c, import.c). */
#ifndef WARDPOST_INTAKE_PATIENT_PARTS_H
#define WARDPOST_INTAKE_PATIENT_PARTS_H

#include <jansson.h>

#include "intake/csv.h"
#include "wardpost/known_patients.h"
#include "wardpost/problem.h"

/* A patient of an import. Its texts are borrowed from `body`; what is wrong becomes problems. */
void patient_parse(const json_t *body, struct known_patient *out, struct problems *problems);
/* Moves its texts into a block of their own, the caller's (free). NULL: out of memory, and they
 * stay where they are. */
char *patient_keep(struct known_patient *patient);

struct patient_columns {
    size_t at[CELLS_MOST]; /* which column of ours a cell is */
    size_t count;
};

/* The first record names the columns. False: problems say what is wrong with it. */
bool patient_heading(const struct record *record, struct patient_columns *out,
                     struct problems *problems);
/* Another record as the object that a line of NDJSON would be; empty cells are left out. The
 * caller's. */
json_t *patient_of_record(const struct record *record, const struct patient_columns *heading,
                          struct problems *problems);

#endif
