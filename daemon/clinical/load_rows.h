/* load_rows.h - readers of the rows that carry numbers, for load_kind.c. */
#ifndef WARDPOST_CLINICAL_LOAD_ROWS_H
#define WARDPOST_CLINICAL_LOAD_ROWS_H

#include "clinical/load.h"

bool read_limit(const struct place *place, void *out);      /* struct limit */
bool read_range(const struct place *place, void *out);      /* struct range */
bool read_state_name(const struct place *place, void *out); /* struct state_name */
bool ranges_are_apart(const struct place *place, const struct range *ranges, size_t count);

#endif
