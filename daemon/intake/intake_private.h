/* intake_private.h - one request's life, shared by the files of this module. */
#ifndef WARDPOST_INTAKE_PRIVATE_H
#define WARDPOST_INTAKE_PRIVATE_H

#include <microhttpd.h>
#include <pthread.h>
#include <stdatomic.h>

#include "wardpost/intake.h"
#include "wardpost/json_out.h"
#include "wardpost/judgement.h"
#include "wardpost/known_patients.h"
#include "wardpost/observation.h"
#include "wardpost/problem.h"
#include "wardpost/reading.h"
#include "wardpost/score.h"
#include "wardpost/sessions.h"

struct live;
struct route;
struct connection;
struct web_page;
struct desk;

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

struct kept_kinds { /* kinds.c: the documents of one table, packed */
    pthread_mutex_t lock;
    struct kinds *table; /* a reference of its own; NULL: none is kept yet */
    struct packed_kinds *first;
};

void kept_kinds_clear(struct kept_kinds *kept);

struct intake {
    struct intake_parts parts;
    struct MHD_Daemon *daemon;
    bool as_entered;
    struct sessions *sessions;
    struct desk *desk;
    bool tls;  /* those who ask do it over TLS, which ends here or at the proxy in front */
    bool ours; /* ... here */
    char host[128];
    uint16_t port;
    pthread_mutex_t lock; /* guards kinds, connections and their counts, keys; never held across a
                             system call */
    struct kinds *kinds;
    struct connection *connections;
    long inside, on_way; /* connections that have begun; let in, and not yet begun */
    struct key_in_use *keys;
    struct live *live;       /* what is told to those who listen */
    struct pool readers;     /* struct outbox_reader */
    struct pool submissions; /* ended ones, for the buffers they have */
    struct kept_kinds kept_kinds;
    atomic_long under_way; /* calls of libmicrohttpd, and exchanges waiting for the disk */
    atomic_long active;    /* exchanges begun and not ended */
    atomic_bool draining;  /* answers close their connections */
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
    const char *type;          /* media type */
    struct MHD_Response *made; /* goes as it is, in place of a text; NULL: none */
    char *text;                /* malloc'd, or borrowed; NULL: empty */
    size_t length;
    bool borrowed;            /* of the submission, which ends after the reply is sent */
    const char *allow;        /* Allow */
    const char *authenticate; /* WWW-Authenticate */
    const char *tag;      /* ETag, which the asker may keep and ask with; NULL: nothing is kept */
    char own_tag[40];     /* room for one that is not built in */
    const char *coding;   /* how the text is packed; NULL: it is not */
    bool page;            /* of the form: with the policies a browser is to keep */
    unsigned retry_after; /* seconds; 0: none */
    char cookie[160];     /* Set-Cookie; "": none */
    char location[64];    /* "" : none */
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

struct exchange;
/* On the desk's thread: does what blocks, and leaves a reply. */
typedef void desk_work(struct exchange *exchange);
/* What a route keeps while its connection is suspended, as the first member of its own. It is
 * suspended once. */
struct errand {
    void (*then)(struct exchange *exchange); /* after the resume, on a thread of libmicrohttpd */
    void (*free)(struct errand *errand);     /* when the exchange ends */
};

struct exchange {
    struct intake *intake;
    struct MHD_Connection *connection;
    struct connection *line;
    const struct route *route;
    const struct web_page *page; /* what is built in at this path; NULL: nothing */
    struct uuid id;              /* from the path */
    struct client client;
    char cookie[SESSION_TEXT_ROOM]; /* as the browser sent it; "": none */
    struct session session;         /* of the caller; SESSION_NONE: a token */
    struct user person;             /* whose session it is */
    struct body body;
    struct reply reply;
    bool answered;         /* reply is ready to be sent */
    bool headers_only;     /* HEAD */
    bool listens;          /* a stream of events: its end is not waited for */
    bool suspended;        /* for the disk; only its own thread of libmicrohttpd looks at it */
    struct key_in_use key; /* key.key NULL: none */
    struct submission *submission; /* what waits for the disk */
    struct bulk *bulk;             /* NDJSON */
    struct form *form;             /* of the routes of sessions and accounts */
    desk_work *work;               /* what the desk does with it */
    struct exchange *next_at_desk;
    struct errand *errand; /* NULL: none */
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
    const char *takes; /* media types of the body, blank between; NULL: no body */
    route_take *take;
};

const struct route *route_find(const char *method, const char *path, struct uuid *id,
                               const char **allow);
extern const struct route route_table[];
extern const size_t route_count;

const char *exchange_header(const struct exchange *exchange,
                            const char *name); /* NULL: not sent. [its connection's thread] */
bool exchange_takes_gzip(struct exchange *exchange);

/* ---- replies ---- */
void reply_json(struct exchange *exchange, unsigned status,
                struct json_out *out); /* takes out's text */
/* The answer of the exchange's own submission. */
void reply_answer(struct exchange *exchange, unsigned status);
void reply_text(struct exchange *exchange, unsigned status, const char *type, char *text,
                size_t length);
/* Bytes that live for ever. */
void reply_borrowed(struct exchange *exchange, unsigned status, const char *type, const void *bytes,
                    size_t length);
void reply_problem(struct exchange *exchange, unsigned status, const char *title,
                   const char *detail, const struct problems *problems);
/* Takes `made` over. */
void reply_made(struct exchange *exchange, unsigned status, const char *type,
                struct MHD_Response *made);
void reply_status(struct exchange *exchange, enum status status); /* trouble of ours */
void reply_empty(struct exchange *exchange);                      /* 204 */

extern const char authenticate_text[]; /* WWW-Authenticate */

struct denial { /* a problem that a page tells apart by one word */
    unsigned status;
    const char *reason, *title, *detail;
};

/* `person` (NULL: none) is named in it: whose session is locked. */
void reply_denial(struct exchange *exchange, const struct denial *denial,
                  const struct user *person);

/* Is this the media type of its body? */
bool exchange_type_is(struct exchange *exchange, const char *type);

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
    struct known_patient who;    /* texts of the set */
    char *own_text;              /* of a line of NDJSON */
    struct corrected *corrected; /* it corrects a reading that is here; NULL: it does not */
    struct problems problems;
    bool nobody_there; /* to be told: what is refused is kept for a person to look at */
    unsigned status;   /* HTTP: 201, or what is wrong */
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
                                         more; the person is there */
    bool moves; /* what was meant by a reading that is retracted: the same, and it is put */
    const json_t *patch;    /* of the corrected reading: what is said anew; NULL: nothing */
    bool time_stands;       /* it was asked about when it was sent */
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

void take_presence(struct exchange *exchange); /* visit.c */
void take_readings(struct exchange *exchange);
void take_order(struct exchange *exchange);
void take_patients(struct exchange *exchange);
void take_preview(struct exchange *exchange);
void take_correction(struct exchange *exchange);
void take_release(struct exchange *exchange);
void take_discard(struct exchange *exchange);
void take_refusal_done(struct exchange *exchange);

/* ---- desk.c: one thread for what blocks long (PINs), with a short queue ---- */

MUST_CHECK enum status desk_start(struct desk **out);
void desk_stop(struct desk *desk); /* nothing may be under way any more. NULL does nothing */
/* Suspends the exchange until its turn has come and its work is done; 503 where the queue is full.
 */
void desk_take(struct exchange *exchange, desk_work *work);

/* ---- caller.c: who is asking ---- */

/* A token, a session or (--demo) nobody in particular, and whether they may. False: the reply is
 * there. */
bool look_at_caller(struct exchange *exchange);
/* Whose session the cookie is, whether open or not; fills session and person. */
enum session_state caller_session(struct exchange *exchange, bool active);
/* The session is open and the request comes from a page of ours. False: the reply is there. */
bool caller_is_present(struct exchange *exchange);
void refuse_session(struct exchange *exchange); /* by its state: none or locked */
void refuse_right(struct exchange *exchange);
/* Set-Cookie: the id of a session, or none ("") any more. */
void reply_cookie(struct exchange *exchange, const char *id);

/* ---- form.c: the few fields that the routes of sessions and accounts take ---- */

enum form_field {
    FORM_NAME = 1,
    FORM_PIN = 2,
    FORM_FRESH = 4,
    FORM_CODE = 8,
    FORM_PRACTITIONER = 16,
    FORM_DISPLAY = 32,
    FORM_ROLE = 64,
    FORM_DISABLED = 128
};

struct form {
    json_t *json; /* owns what the others point at */
    const char *name, *pin, *fresh, *code, *practitioner, *display, *role;
    bool has_disabled, disabled;
};

/* exchange->form from the body; the fields are of enum form_field. False: the reply is there. */
bool form_read(struct exchange *exchange, unsigned required, unsigned optional);
/* 422 at one of its fields. */
void form_refuse(struct exchange *exchange, const char *field, enum problem_code code,
                 const char *detail);
/* Name, practitioner and display; what was not sent is left. */
void form_person(const struct form *form, struct user *user);
void form_free(struct form *form); /* PINs are wiped out. NULL does nothing */

/* ---- session.c, accounts.c ---- */

void answer_session(struct exchange *exchange);
void take_sign_in(struct exchange *exchange);
void take_enrol(struct exchange *exchange);
void take_session_end(struct exchange *exchange);
void take_session_lock(struct exchange *exchange);
void take_session_pin(struct exchange *exchange);
void take_session_second(struct exchange *exchange);
void take_session_unlock(struct exchange *exchange);
void answer_users(struct exchange *exchange);
void take_users(struct exchange *exchange);
void take_users_change(struct exchange *exchange);
void take_users_reset(struct exchange *exchange);

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
