/* lookup.h - the thread that asks for patients, started and stopped with the courier. */
#ifndef WARDPOST_COURIER_LOOKUP_H
#define WARDPOST_COURIER_LOOKUP_H

#include "wardpost/patient_lookup.h"

struct lookups;

/* `base`: the server's, without a slash at its end; copied. After curl_global_init(). */
MUST_CHECK enum status lookups_start(const char *base, struct lookups **out);
/* Those that wait are answered: away. NULL does nothing. */
void lookups_stop(struct lookups *lookups);
void lookups_ask(struct lookups *lookups, struct patient_lookup *lookup);

/* The form of a question, malloc'd; NULL: out of memory. Pure. */
char *lookup_form(const struct patient_question *question);

#endif
