/* outcome.h - what a FHIR server said: OperationOutcome, batch-response, searchset, CapabilityStatement. Pure; hostile
 * input is its daily bread: any bytes give an answer, none crashes. */
#ifndef WARDPOST_OUTCOME_H
#define WARDPOST_OUTCOME_H

#include <stdbool.h>
#include <stddef.h>

#include "wardpost/status.h"
#include "wardpost/uuid.h"

struct entry_answer {
    int status;         /* 201; 0 when the entry has none */
    char location[256]; /* "Observation/123" (relative, without _history), "" when none */
    char version[80];   /* "1", "" when none */
    char *outcome;      /* OperationOutcome JSON, malloc'd, NULL when none; cut at 8 KiB */
    size_t outcome_length;
};

/* A batch-response: exactly `expected` entries in order. INVALID when it is none, or has another number. `out` has
 * `expected` elements; free each outcome (entry_answer_clear). */
MUST_CHECK enum status batch_answer_read(const char *text, size_t length, size_t expected,
                                         struct entry_answer *out);
void entry_answer_clear(struct entry_answer *answer);

/* One Location header or response.location to "Type/id" and version; false when it is none of ours. */
bool location_read(const char *location, char out[256], char version[80]);

/* W/"3" to "3"; version becomes "" when it is no ETag of that form. */
void etag_read(const char *etag, char version[80]);

/* An OperationOutcome (or anything else) to a short line for people: severity, code, diagnostics; at most `room`. Holds what the server
 * said, so it is kept with the reading and never logged. False when the text is no OperationOutcome. */
bool outcome_line(const char *text, size_t length, char *out, size_t room);
/* Does it say the reading is there already (issue code duplicate)? */
bool outcome_is_duplicate(const char *text, size_t length);

struct found { /* one Observation in a searchset */
    struct uuid id;     /* the UUID in its identifier */
    char location[256]; /* "Observation/123" */
    char version[80];   /* meta.versionId, "" when none */
};

/* A searchset of Observations: those with an urn:uuid identifier. *count is how many were written to `out` (at most room),
 * *more whether a next link or a higher total says there are others. INVALID when it is no searchset. */
MUST_CHECK enum status search_answer_read(const char *text, size_t length, struct found *out,
                                          size_t room, size_t *count, bool *more);

struct read_back { /* one Observation as the server has it now */
    bool same;        /* all that we said is there, and means the same */
    char version[80]; /* meta.versionId, "" when none */
};

/* The answer to a read, and what we sent. INVALID when the answer is no Observation. */
MUST_CHECK enum status read_back_answer_read(const char *text, size_t length, const char *ours,
                                             size_t ours_length, struct read_back *out);

struct abilities { /* of the server, from its CapabilityStatement; absent means false */
    char fhir_version[16];
    bool json;
    bool batch, transaction;
    bool create, update, search;
    bool update_create, conditional_create;
    bool search_by_identifier;
};
MUST_CHECK enum status abilities_read(const char *text, size_t length, struct abilities *out);

#endif
