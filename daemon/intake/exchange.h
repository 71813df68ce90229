/* exchange.h - the stages of a request, for http.c. */
#ifndef WARDPOST_INTAKE_EXCHANGE_H
#define WARDPOST_INTAKE_EXCHANGE_H

#include "intake/intake_private.h"

/* The headers are here: who, where, how large. */
enum MHD_Result exchange_begin(struct intake *intake, struct MHD_Connection *connection,
                               const char *method, const char *path, void **slot);
/* A piece of the body; *piece_size becomes what was not taken. */
enum MHD_Result exchange_take_piece(struct exchange *exchange, const char *piece,
                                    size_t *piece_size);
/* All of it is here, or the disk has answered. */
enum MHD_Result exchange_answer(struct exchange *exchange);
/* Its work with the disk is over and it will not be suspended again. NULL: there is none yet. */
bool exchange_only_answers(const struct exchange *exchange);
/* libmicrohttpd is done with it. */
void exchange_end(struct exchange *exchange);

/* Would it be let in now? */
bool exchange_may_still(const struct exchange *exchange);
/* It goes on until one side has enough of it: intake_stop() does not wait. */
void exchange_listens(struct exchange *exchange);

/* readings.c: the answer once the submission is on disk (or not). */
void finish_readings(struct exchange *exchange);
/* True: the key is new (or there is none), go on. Otherwise the reply is there. */
bool readings_look_at_key(struct exchange *exchange, struct outbox_reader *reader, struct put *put);
/* The exchange's submission goes to the disk; `key`: what was looked at. */
void readings_put(struct exchange *exchange, const struct put *key);

/* The response over the reply's text, which it takes over. NULL: out of memory. */
struct MHD_Response *reply_response(struct reply *reply);
void reply_clear(struct reply *reply);

#endif
