/* live.h - what happens, told as it happens: a thread turns what the outbox changed into numbered
 * events, and streams (GET /v1/events) that wait for them are woken.
 *
 * While nobody listens nothing is noted. For a while after the last stream has gone it is, so that
 * who comes back misses nothing; longer, or more than the ring holds, and he is told to load all
 * anew.
 *
 * Threads: any, but where it says otherwise. */
#ifndef WARDPOST_INTAKE_LIVE_H
#define WARDPOST_INTAKE_LIVE_H

#include <microhttpd.h>

#include "intake/presence.h"
#include "wardpost/courier.h"
#include "wardpost/json_out.h"
#include "wardpost/outbox.h"

struct live;

struct live_parts { /* borrowed; they must outlive it */
    struct outbox *outbox;
    struct courier *courier; /* NULL: there is none */
    size_t streams_most;
};

MUST_CHECK enum status live_start(const struct live_parts *parts, struct live **out);
/* Every stream ends, and none sleeps from here on; waits for them to be gone, but not longer than
 * that. NULL does nothing. */
void live_end(struct live *live, int64_t most_ms);
/* After libmicrohttpd has ended: nobody has a stream any more. NULL does nothing. */
void live_stop(struct live *live);

/* ---- streams ---- */

struct stream;

/* `last_id`: what a Last-Event-ID header said; NULL: there was none. It begins with what happens
 * from here on, or with what was missed. BUSY: there are as many as there may be. */
MUST_CHECK enum status stream_open(struct live *live, struct MHD_Connection *connection,
                                   const char *last_id, struct stream **out);
void stream_close(struct stream *stream);

enum stream_step { STREAM_FRAME, STREAM_SLEEPS, STREAM_ENDS };

/* What is next: the frame is in *frame_out, borrowed until the next call; or its connection is
 * suspended by now, until there is something. [its connection's thread] */
enum stream_step stream_next(struct stream *stream, const char **frame_out);

/* ---- who is at which patient ---- */

/* `key`: PATIENT_KEY_ROOM. */
struct patient_hash live_patient(const struct live *live, const char *key);
#define PATIENT_HASH_TEXT (2 * PATIENT_HASH_LEN + 1)
void patient_hash_text(const struct patient_hash *patient, char out[PATIENT_HASH_TEXT]);

/* It begins, goes on or (`end`) ends; all who listen are told when that is news. The array of the
 * others at that patient is written to `others`. */
void live_visit(struct live *live, struct visit *visit, bool end, struct json_out *others);

#endif
