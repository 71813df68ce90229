/* corrected.h - a reading of a set that is on disk, and what its set becomes when it is corrected
 * or retracted (corrected.c: from disk to a body; corrected_entries.c: from what that was mapped to
 * to a put). */
#ifndef WARDPOST_INTAKE_CORRECTED_H
#define WARDPOST_INTAKE_CORRECTED_H

#include "intake/submission_parts.h"

struct set_text { /* what stands on disk of one Observation of the set */
    int64_t seq, line, reading;
    struct uuid id, name;
    char role[64];
    enum entry_state state;
    char *sent, *became; /* malloc'd; may be NULL */
    size_t sent_length, became_length;
    int64_t taken_ms, accepted_ms;
    bool kept; /* the corrected set has this Observation, too */
};

struct corrected {
    struct uuid id, set; /* the reading that is corrected; its set */
    char client[CLIENT_NAME_ROOM], patient[PATIENT_KEY_ROOM];
    const struct kind *kind;
    int64_t first;       /* seq of the set's first entry */
    struct kinds *kinds; /* a reference of its own */
    struct set_text *texts;
    size_t count, room;
    size_t target;   /* of texts */
    size_t *members; /* of texts: the readings of the corrected set, in order */
    size_t members_count;
    size_t at;     /* the corrected one among them; SIZE_MAX: it is retracted */
    bool retracts; /* the line ends: retracted, or meant as a reading of another kind or patient */
    struct uuid fresh; /* id of what counts now */
    bool has_fresh;
    /* what the put borrows */
    const char *reason, *said, *by;
    json_t *request; /* they live in here */
    char *text;      /* of the corrected set */
    char *instead_text;
    struct put_correction correction;
    struct put_line *lines;
    char **written; /* new texts */
    size_t written_count;
    struct submission *also; /* the reading that was meant, of another patient or by itself */
    bool no_memory;
};

/* NOT_FOUND: no such reading. CONFLICT: it is no reading, or does not count any more. */
MUST_CHECK enum status corrected_load(struct outbox_reader *reader, struct kinds *kinds,
                                      const struct uuid *id, struct corrected *out);
void corrected_clear(struct corrected *corrected);
/* Who took it, as sent; NULL: not said. Borrowed from *holder, which is the caller's. */
const char *corrected_author(const struct corrected *corrected, json_t **holder);

/* The set with the reading changed (`patch`: its changed fields) or left out (NULL), as a body like
 * one that is sent: corrected->text. NULL text: nothing is left of the set. */
MUST_CHECK enum status corrected_compose(struct corrected *corrected, const json_t *patch,
                                         size_t *length_out);
/* Is what was meant no reading of this set: of another patient, or of another kind and by itself?
 * Then this one is retracted, and that one stands instead. */
bool corrected_goes_elsewhere(const struct corrected *corrected, const json_t *patch,
                              const json_t *patient);
/* The reading by itself with `patch`, of `patient` (NULL: the same), for a set of its own.
 * malloc'd.
 */
MUST_CHECK enum status corrected_instead(const struct corrected *corrected, const json_t *patch,
                                         const json_t *patient, char **text_out,
                                         size_t *length_out);
/* Problems of the corrected set as the sender knows it: below /reading; what others than the
 * corrected one are asked about stays as it was decided. */
void corrected_point(const struct corrected *corrected, struct problems *problems);
/* submission->put from what the corrected set was mapped to (its set may be NULL: nothing is left,
 * or nothing can be made of it any more). */
MUST_CHECK enum status corrected_entries(struct corrected *corrected,
                                         struct submission *submission);

#endif
