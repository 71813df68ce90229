/* known_patients.h - the local copy of who the patients are: what the FHIR server said, what was imported, what readings named.
 *
 * It is there to find a patient and to compare two identifiers at the bedside, also while the server is away; it is not a record
 * of its own. A patient is known by system and value. What comes later of the same patient:
 *   name, birth date, gender, deceased   of the source that is worth most: server, then import, then reading; a source that does
 *                                        not say one leaves what is there
 *   active                               of the last server or import
 *   ward, bed                            of the last import; an import without them: in none
 * Kept in the store's file and written by its one writer, so a backup has them, too. */
#ifndef WARDPOST_KNOWN_PATIENTS_H
#define WARDPOST_KNOWN_PATIENTS_H

#include "wardpost/outbox.h"

enum patient_source { PATIENT_FROM_READING, PATIENT_FROM_IMPORT, PATIENT_FROM_SERVER };
const char *patient_source_text(enum patient_source source); /* "server" */

/* Most characters: of a value, a name, ward or bed PATIENT_TEXT_MOST; of a system PATIENT_SYSTEM_MOST. A character has up to 4 bytes. */
#define PATIENT_SYSTEM_MOST 200
#define PATIENT_TEXT_MOST   100

struct known_patient { /* texts are borrowed: from the caller until the call returns, from the store until the callback does */
    const char *system, *value;
    const char *family, *given;   /* NULL: not known; so with all below */
    const char *birth_date;       /* "YYYY-MM-DD" */
    const char *gender;           /* female, male, other, unknown */
    const char *ward, *bed;
    bool active, deceased;
    enum patient_source source;
    int64_t seen_ms; /* wall clock, when the source said so */
    bool alike;      /* out: another active patient here has the same family name (folded) */
};

/* What is to be known, written in steps of some hundred, so that nobody who accepts a reading waits long. [any] */
struct know { /* borrowed until `done` */
    const struct known_patient *patients;
    size_t count;
    /* Called once on the writer's thread, after the last COMMIT or the first failure: `kept` of them, from the first on,
     * are on disk. Must return at once. */
    void (*done)(struct know *know);
    void *context;
    enum status status;
    size_t kept;
    union {
        void *align;
        char room[64];
    } own; /* the store's, while it has this */
};
void outbox_know(struct outbox *outbox, struct know *know);

/* ---- looking ---- */

#define PATIENTS_SHOWN_MOST 50 /* in one answer */

struct patient_question { /* one of value, birth_date, family, ward leads; the others narrow it (but ward) */
    const char *value;              /* of the identifier */
    const char *const *systems;     /* those it may have; none: any */
    size_t systems_count;
    const char *birth_date;
    const char *family; /* as typed: what the folded family begins with */
    const char *given;  /* the same */
    const char *ward;   /* of active patients; "": those of all wards, ward by ward */
    size_t most;
};

typedef bool known_patient_seen(void *context, const struct known_patient *patient); /* false: stop */

/* By family, given, value. Looks at some hundred rows at most, whatever is asked. */
MUST_CHECK enum status outbox_known(struct outbox_reader *reader, const struct patient_question *question,
                                    known_patient_seen *seen, void *context);

/* Each ward that active patients are in, by name; at most so many. */
typedef void ward_seen(void *context, const char *ward);
MUST_CHECK enum status outbox_wards(struct outbox_reader *reader, size_t most, ward_seen *seen, void *context);

#endif
