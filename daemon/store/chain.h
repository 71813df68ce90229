/* chain.h - the chains: the entries of a patient and kind in the order of acceptance, each naming
 * the one before it. */
#ifndef WARDPOST_STORE_CHAIN_H
#define WARDPOST_STORE_CHAIN_H

#include "store/store_private.h"

/* ---- the writer's, within a transaction ---- */

/* The entry at `seq` becomes the newest of its chain. *earlier_out: the one before, or 0;
 * *late_ms_out: by how much something in the chain was taken after it. */
MUST_CHECK enum status chain_join(struct outbox *outbox, int64_t patient, const char *kind,
                                  int64_t seq, int64_t taken_ms, int64_t *earlier_out,
                                  int64_t *late_ms_out);
/* At the end of a round that accepted so many: some heads go to the table, when enough has been
 * accepted since they did. */
MUST_CHECK enum status chains_sweep(struct outbox *outbox, int64_t accepted);

/* At the start: the table learns what it was behind of. */
MUST_CHECK enum status chains_recover(struct outbox *outbox);

#endif
