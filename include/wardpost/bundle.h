/* bundle.h - FHIR Bundles and references over Observations that are already text. Pure.
 *
 * Stored Observations refer to each other by `urn:uuid:<id>`; what stands in its place when one leaves the house
 * (or is shown) is decided here. */
#ifndef WARDPOST_BUNDLE_H
#define WARDPOST_BUNDLE_H

#include "wardpost/json_out.h"
#include "wardpost/observation.h"
#include "wardpost/status.h"
#include "wardpost/uuid.h"

/* What to write in place of urn:uuid:<id>: a reference such as "Observation/123" (borrowed), or NULL to leave the whole
 * entry out of its list (a list that ends up empty is left out). */
typedef const char *reference_lookup(void *context, const struct uuid *id);

/* Copy one Observation to `out` with its hasMember and derivedFrom references looked up. Everything else goes through
 * byte for byte. INVALID when the text is not one that observation.h wrote. */
MUST_CHECK enum status observation_refer(const char *json, size_t length, reference_lookup *lookup,
                                         void *context, struct json_out *out);

/* The same copy with another status ("corrected", "entered-in-error"); its references stay as they are. */
MUST_CHECK enum status observation_restate(const char *json, size_t length, const char *state,
                                           struct json_out *out);

/* Give the Observation in `out` (as observation_refer() wrote it) another id: the one it has on the server. */
MUST_CHECK enum status observation_rename(struct json_out *out, const char *id);

enum bundle_way { /* how one entry asks to be created */
    BUNDLE_CONDITIONAL_CREATE, /* POST with ifNoneExist on our identifier */
    BUNDLE_UPDATE_AS_CREATE    /* PUT Observation/<our uuid> */
};

struct bundle_entry {
    const char *json;
    size_t length;
    struct uuid id;
    bool update;            /* a new version of something charted: PUT on `remote` with ifMatch */
    const char *remote;     /* "Observation/123" when update */
    const char *version;    /* for If-Match; may be NULL */
};

/* A batch Bundle with these entries in this order. */
void bundle_batch(const struct bundle_entry *entries, size_t count, enum bundle_way way,
                  struct json_out *out);
/* type collection, fullUrl urn:uuid:<id>: what `map --all` and the preview print. */
void bundle_collection(const struct observations *observations, struct json_out *out);

/* "identifier=urn:ietf:rfc:3986%7Curn:uuid:<id>": for If-None-Exist and searches. */
#define IDENTIFIER_QUERY_ROOM 96
void identifier_query(const struct uuid *id, char out[IDENTIFIER_QUERY_ROOM]);

#endif
