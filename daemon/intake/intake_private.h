/* intake_private.h - one request's life, shared by the files of this module. */
#ifndef WARDPOST_INTAKE_PRIVATE_H
#define WARDPOST_INTAKE_PRIVATE_H

#include <microhttpd.h>
#include <pthread.h>
#include <stdatomic.h>

#include "wardpost/intake.h"
#include "wardpost/json_out.h"
#include "wardpost/judgement.h"
#include "wardpost/observation.h"
#include "wardpost/problem.h"
#include "wardpost/reading.h"
#include "wardpost/score.h"

struct route;
struct connection;

struct key_in_use { /* an Idempotency-Key whose first request is not finished */
    struct key_in_use *next;
    const struct exchange *exchange;
    const char *client, *key;
};

#define POOL_MOST 64

struct pool { /* of things that can be used again: readers, submissions */
    pthread_mutex_t lock;
    void *idle[POOL_MOST];
    size_t count;
};

void *pool_take(struct pool *pool);             /* NULL: there is none */
bool pool_give(struct pool *pool, void *thing); /* false: there is no room, it stays the caller's */

struct intake {
    struct intake_parts parts;
    struct MHD_Daemon *daemon;
    bool as_entered;
    char host[128];
    uint16_t port;
    pthread_mutex_t lock; /* guards kinds, connections and their counts, keys; never held across a
                             system call */
    struct kinds *kinds;
    struct connection *connections;
    long inside, on_way; /* connections that have begun; let in, and not yet begun */
    struct key_in_use *keys;
    struct pool readers;     /* struct outbox_reader */
    struct pool submissions; /* ended ones, for the buffers they have */
    atomic_long under_way;   /* calls of libmicrohttpd, and exchanges waiting for the disk */
    atomic_long active;      /* exchanges begun and not ended */
    atomic_bool draining;    /* answers close their connections */
    atomic_bool stopping;
    int listening;
    pthread_t door;
};

struct kinds *intake_kinds(struct intake *intake); /* one more reference: the caller's */
MUST_CHECK enum status intake_reader(struct intake *intake, struct outbox_reader **out);
void intake_reader_done(struct intake *intake, struct outbox_reader *reader);
void intake_deadline(struct connection *connection, struct intake *intake, int64_t in_ms);

struct reply {
    unsigned status;
    const char *type; /* media type */
    char *text;       /* malloc'd, or borrowed; NULL: empty */
    size_t length;
    bool borrowed;            /* of the submission, which ends after the reply is sent */
    const char *allow;        /* Allow */
    const char *authenticate; /* WWW-Authenticate */
    unsigned retry_after;     /* seconds; 0: none */
    char location[64];        /* "" : none */
};

struct body {
    char *bytes;
    size_t length, room, most;
    bool too_large;
    bool no_memory;
    bool gzip;
};

void body_take(struct body *body, const char *piece, size_t length);
void body_clear(struct body *body);
struct body body_again(struct body *body); /* empty, with the buffer it had */
/* Unpack in place when it is gzip. INVALID: broken or cut short; BUSY: larger than `most` unpacked.
 */
MUST_CHECK enum status body_unpack(struct body *body);

struct exchange {
    struct intake *intake;
    struct MHD_Connection *connection;
    struct connection *line;
    const struct route *route;
    struct uuid id; /* from the path */
    struct client client;
    struct body body;
    struct reply reply;
    bool answered;         /* reply is ready to be sent */
    bool headers_only;     /* HEAD */
    bool suspended;        /* for the disk; only its own thread of libmicrohttpd looks at it */
    struct key_in_use key; /* key.key NULL: none */
    struct submission *submission; /* what waits for the disk */
    struct bulk *bulk;             /* NDJSON */
};

struct connection { /* one TCP connection: its deadline, and the request it is at */
    struct connection *next, *previous;
    int fd;
    int64_t deadline_ms; /* monotonic; INT64_MAX: none (the disk is being waited for) */
    bool cut;
    struct exchange exchange; /* one at a time */
};

/* A route takes the exchange when its body is here (for `streams`: at the first piece) and leaves a
 * reply, or suspends. */
typedef void route_take(struct exchange *exchange);

enum route_id { ID_NONE, ID_UUID };

struct route {
    const char *method, *path; /* "{id}" stands for a UUID */
    enum right right;
    const char *takes; /* media type of the body; NULL: no body */
    route_take *take;
};

const struct route *route_find(const char *method, const char *path, struct uuid *id,
                               const char **allow);
extern const struct route route_table[];
extern const size_t route_count;

/* ---- replies ---- */
void reply_json(struct exchange *exchange, unsigned status,
                struct json_out *out); /* takes out's text */
/* The answer of the exchange's own submission. */
void reply_answer(struct exchange *exchange, unsigned status);
void reply_text(struct exchange *exchange, unsigned status, const char *type, char *text,
                size_t length);
void reply_problem(struct exchange *exchange, unsigned status, const char *title,
                   const char *detail, const struct problems *problems);
void reply_status(struct exchange *exchange, enum status status); /* trouble of ours */

/* Suspends the connection until exchange_resume(); then the route's reply is sent. */
void exchange_suspend(struct exchange *exchange);
void exchange_resume(struct exchange *exchange); /* any thread */

/* ---- a submission: text to entries of the outbox ---- */

struct submission {
    struct intake *intake; /* in whose pool it ends */
    struct set *set;
    struct judgement *judgements; /* &one, or an array */
    struct judgement one;
    struct worked_out worked_out[4];
    size_t worked_out_count;
    struct score_answer *scores;
    size_t scores_count;
    struct observations observations;
    struct put put;
    struct put_entry *entries;
    struct put_need *needs;
    struct json_out scratch; /* sent, values, flags of each reading, one after another */
    struct json_out answer;
    char *patient;               /* key */
    char *own_text;              /* of a line of NDJSON */
    struct corrected *corrected; /* it corrects a reading that is here; NULL: it does not */
    struct problems problems;
    unsigned status; /* HTTP: 201, or what is wrong */
    const char *title;
    char detail[256];
};

struct submission_frame {
    struct intake *intake;
    const struct client *client;
    struct outbox_reader *reader;
    bool preview; /* nothing is stored: no look at what is there but the last readings */
    bool again;   /* a kept reading is read again: what is asked was answered by the person who
                     releases it */
    struct uuid again_id;
    int64_t again_now_ms;             /* when it was accepted, for its `age` */
    const struct corrected *corrects; /* the set of a reading that is corrected: it is mapped and no
                                         more; the person is there, the names were looked at */
    bool moves;       /* what was meant by a reading that is retracted: the same, and it is put */
    bool time_stands; /* it was asked about when it was sent */
    int64_t last_before_ms; /* compare with readings before that; 0: with all up to its own time */
};

/* Bytes to a submission: parsed, judged, mapped, with its entries ready to be put and the answer
 * written. With submission->status 201 put it; else problems say what is wrong. Fails only for
 * trouble of ours. */
MUST_CHECK enum status submission_make(const struct submission_frame *frame, const char *text,
                                       size_t length, struct submission **out);
/* The same, with a reader of the pool. */
MUST_CHECK enum status submission_make_alone(struct submission_frame *frame, const char *text,
                                             size_t length, struct submission **out);
void submission_free(struct submission *submission);
/* One of the pool, empty. NULL: no memory. */
struct submission *submission_new(struct intake *intake);
void submission_destroy(struct submission *submission); /* one of the pool */
/* After the COMMIT: 201 with the answer, 409, 507 ... (replay: states as they are now). */
void submission_settle(struct submission *submission, struct intake *intake);
/* The kept body for a person, when nobody was there to be told: number of the refusal, or -1. */
int64_t submission_keep_refused(struct intake *intake, const struct client *client,
                                const char *text, size_t length, const struct problems *problems);

void take_readings(struct exchange *exchange);
void take_preview(struct exchange *exchange);
void take_correction(struct exchange *exchange);
void take_release(struct exchange *exchange);
void take_discard(struct exchange *exchange);
void take_refusal_done(struct exchange *exchange);

/* ---- NDJSON ---- */
void bulk_begin(struct exchange *exchange);
/* Takes as much as it can now; returns how many bytes it took (the rest comes again after a
 * resume). */
size_t bulk_take(struct exchange *exchange, const char *piece, size_t length);
void bulk_end(struct exchange *exchange);
/* All of it was taken: what is left is to wait for the disk, and to answer. */
bool bulk_is_ended(const struct bulk *bulk);
void bulk_free(struct bulk *bulk);

#endif
