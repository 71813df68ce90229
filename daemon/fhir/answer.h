/* answer.h - reading what a server said: whatever it is, nothing is taken for granted. */
#ifndef WARDPOST_FHIR_ANSWER_H
#define WARDPOST_FHIR_ANSWER_H

#include <jansson.h>

#include "wardpost/outcome.h"

/* A resource of that type, the caller's. INVALID: no JSON, another resource; NO_MEMORY. */
MUST_CHECK enum status answer_load(const char *text, size_t length, const char *type, json_t **out);
const char *answer_text(const json_t *object, const char *name); /* "" when there is no such text */
bool answer_is(const json_t *object, const char *name, const char *wanted);
/* The first item of a list whose member is that text; NULL: none. */
const json_t *answer_find(const json_t *list, const char *member, const char *wanted);
bool answer_id(const char *text, size_t length); /* a FHIR id or version: 1..64 of A-Za-z0-9-. */

#endif
