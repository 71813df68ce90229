/* heads.h - the heads of the chains touched lately, before the table `newest` has them.
 *
 * Accepting moves the head of a chain (the entries of a patient and kind, each naming the one
 * before it). Written there and then that would be a page of its own for nearly every entry; so a
 * head is kept here and goes to the table later, with whatever else has come to the same chain
 * meanwhile. Nothing rests on it: after a crash the heads are found again from the entries
 * (chain.c).
 *
 * A head has two values: as the writer's transaction has left it, and as of the last COMMIT, which
 * is what others see. A fixed table; what has no place is written through. */
#ifndef WARDPOST_STORE_HEADS_H
#define WARDPOST_STORE_HEADS_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "wardpost/status.h"

struct heads;

#define HEAD_KIND_ROOM 40

struct head {
    int64_t seq, latest_ms; /* its newest entry; the latest time of taking in the chain */
};

struct named_head {
    int64_t patient;
    char kind[HEAD_KIND_ROOM];
    struct head head;
};

MUST_CHECK enum status heads_new(struct heads **out);
void heads_free(struct heads *heads);

/* ---- the writer's thread ---- */

/* As its transaction has left it. NULL: the table knows. Borrowed until the next call. */
const struct head *heads_find(const struct heads *heads, int64_t patient, const char *kind);
/* False: there is no place for it, it must be written to the table now. */
bool heads_set(struct heads *heads, int64_t patient, const char *kind, struct head head);
/* The next that are not in the table, from *cursor on; they count as written at the COMMIT, so they
 * must not be set again in this transaction. Fewer than `most`: that was all. */
size_t heads_unwritten(struct heads *heads, size_t *cursor, struct named_head *out, size_t most);
void heads_commit(struct heads *heads);
void heads_roll_back(struct heads *heads);
/* The same for one savepoint within the transaction: from its beginning to its end, or back. */
void heads_savepoint(struct heads *heads);
void heads_savepoint_done(struct heads *heads);
void heads_savepoint_back(struct heads *heads);

/* ---- any thread: as of the last COMMIT ---- */

/* False: the table knows. */
bool heads_shown(struct heads *heads, int64_t patient, const char *kind, int64_t *seq_out);
/* All of a patient; for those the table may be behind. */
#define HEADS_OF_A_PATIENT 16
size_t heads_of(struct heads *heads, int64_t patient, struct named_head out[HEADS_OF_A_PATIENT]);
/* The least patient above `after` that has a head here; false: none. Looks at all of them. */
bool heads_next_patient(struct heads *heads, int64_t after, int64_t *patient_out);

#endif
