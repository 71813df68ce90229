/* pack.h - texts kept small: written as what differs from an earlier entry of the same kind and
 * role (its `base`), as an LZ4 block with the base's text as dictionary. An Observation of 1.4 kB
 * becomes some 150 bytes, and what is not written need not be synced. A base is itself kept plain,
 * so that reading never goes further than one step. */
#ifndef WARDPOST_STORE_PACK_H
#define WARDPOST_STORE_PACK_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "wardpost/status.h"

struct text { /* bytes; NULL: there are none */
    const char *bytes;
    size_t length;
};

struct bases; /* the writer's: the newest plain entry of each kind and role */

MUST_CHECK enum status bases_new(struct bases **out);
void bases_free(struct bases *bases);
void bases_forget_from(
    struct bases *bases,
    int64_t seq); /* from this seq on nothing that was learned is on disk after all */

/* Pack against the base of this kind and role. *base_out is its seq, and *out what to write
 * (borrowed until the next call); 0 when there is none that helps: then write the text as it is,
 * and tell bases_learn() under which seq. */
void bases_pack(struct bases *bases, const char *kind, const char *role, struct text text,
                struct text *out, int64_t *base_out);
void bases_learn(struct bases *bases, const char *kind, const char *role, int64_t seq,
                 struct text text);

/* ---- reading ---- */

struct unpacker; /* a connection's: knows some bases, and has room for one entry */

MUST_CHECK enum status unpacker_new(struct unpacker **out);
void unpacker_free(struct unpacker *unpacker);
bool unpacker_knows(struct unpacker *unpacker, int64_t base); /* makes it the current one */
/* and makes it the current one */
MUST_CHECK enum status unpacker_learn(struct unpacker *unpacker, int64_t base, struct text text);
/* From this seq on nothing that was learned is on disk after all: another will stand there. */
void unpacker_forget_from(struct unpacker *unpacker, int64_t seq);
/* Against the current base; *out is borrowed until the next call. DAMAGED: not what we wrote. */
MUST_CHECK enum status unpack(struct unpacker *unpacker, struct text packed, struct text *out);

#endif
