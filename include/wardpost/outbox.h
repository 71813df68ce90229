/* outbox.h - the durable queue: every reading that was acknowledged, and how far each of its Observations has come.
 *
 * An entry is one Observation (a reading's main one, a companion, a panel, a score) or one reading that is kept unmapped
 * (held for a decision). For the destination it is in exactly one state:
 *   waiting     on disk, not in the chart         leaves by outbox_settle(), outbox_discard()
 *   held        stopped, a person decides         leaves by outbox_release(), outbox_discard()
 *   charted     the server has it                 stays
 *   discarded   a person said so, with a reason   stays
 *
 * A reading may be corrected: then its Observation has a newer text (an entry of its own), which goes by the line of the
 * first one: under its identifier, at its place among the patient's. What was never sent is not sent; what may have been
 * sent is settled first. A text is then, whatever its line's state:
 *   superseded  a newer one counts                retracted   none counts: the chart hears that it was entered in error
 *
 * An entry counts as accepted at the COMMIT that outbox_put()'s callback reports, not before, not later; a crash at any
 * point leaves all entries of one put wholly in or wholly out. Many puts share one COMMIT (group commit).
 *
 * The store knows no FHIR and no clinic: bytes, ids, a patient key, a kind's name, a state, times.
 * Cost of accepting and of claiming does not depend on the length of the queue, nor does memory.
 *
 * Threads: one writer thread inside does all writing. Calls marked [any] may be made from any thread; those that write
 * queue a job and (but for outbox_put) wait for its COMMIT. Readers use a connection a thread of their own (outbox_reader). */
#ifndef WARDPOST_OUTBOX_H
#define WARDPOST_OUTBOX_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "wardpost/status.h"
#include "wardpost/uuid.h"

struct outbox;

enum entry_state {
    ENTRY_WAITING,
    ENTRY_HELD,
    ENTRY_CHARTED,
    ENTRY_DISCARDED,
    ENTRY_SUPERSEDED, /* of a text, never of a line */
    ENTRY_RETRACTED
};
const char *entry_state_text(enum entry_state state); /* "waiting" */

struct outbox_options {
    const char *path; /* of the database file; its folder must exist; files are made 0600 */
    int64_t room_least; /* bytes free on the disk below which puts answer DISK_FULL; 0: no check */
};

/* Opens or makes the store, brings the schema up to date, starts the writer.
 *   DAMAGED  a newer schema or a broken file     BUSY  another process has it     IO, NO_MEMORY, DISK_FULL */
MUST_CHECK enum status outbox_start(const struct outbox_options *options, struct outbox **out);
/* Finishes what is queued, closes. NULL does nothing. */
void outbox_stop(struct outbox *outbox);

/* ---- accepting ---- */

struct known_patient;

struct put_need {
    size_t on; /* index of an earlier entry of the same put */
    bool strict;
    int64_t there; /* seq of a line that is on disk already; then `on` says nothing; else 0 */
};

struct put_entry { /* all borrowed until `done` */
    struct uuid id;
    size_t reading;       /* index within this put of the entry that is its reading's main (itself for a main);
                             SIZE_MAX for entries of the set (panel, computed, score) */
    const char *role;     /* "main", ... */
    const char *kind;     /* name; "" for entries of the set */
    int64_t taken_ms;
    const char *sent;     /* mains: the reading as sent; else NULL */
    size_t sent_length;
    const char *values;   /* mains: compact values (judgement.h); else NULL */
    size_t values_length;
    const char *became;   /* the Observation; NULL while held unmapped */
    size_t became_length;
    const char *flags;    /* JSON of the answer's flags, or NULL */
    size_t flags_length;
    uint8_t content[32];  /* mains: hash of the content, for "same again" */
    bool hold;            /* goes straight to held, with reason `hold_reason` */
    const char *hold_reason;
    const struct put_need *needs;
    size_t needs_count;
    /* of a correction, else 0 */
    int64_t line; /* seq of the line whose new text this is; its needs are the line's */
    int64_t of;   /* seq of the line of its reading's main, in place of `reading` */
};

/* With a put: it corrects a reading of a set that is on disk. */
struct put_line { /* of that set, as it was when the correction was made */
    int64_t line, text; /* seqs: the line, and the text of it that counts */
    bool withdraw;      /* it is not true any more: retracted, or no longer to be worked out */
};

struct put_correction {
    int64_t first;    /* seq of the set's first entry */
    int64_t replaces; /* seq and id of the text that is corrected or retracted */
    struct uuid replaces_id;
    size_t entry;               /* its new text, by index; SIZE_MAX: retracted */
    const struct uuid *instead; /* retracted, and what was meant stands there; else NULL */
    const char *reason, *said, *by; /* word; text or NULL; who */
    const struct put_line *lines;
    size_t lines_count;
};

#define PATIENT_KEY_ROOM 1216 /* "system|value" and its NUL: 200 and 100 characters of up to 4 bytes */

struct put { /* one request; all or none */
    struct uuid set;
    const char *patient; /* "system|value", or "" when none is bound */
    const struct known_patient *who; /* what it says of the patient, for the local copy (known_patients.h); NULL: nothing */
    const char *client;  /* name of the token's client */
    const char *table_version;
    int64_t accepted_ms;
    struct put_entry *entries;
    size_t count;
    const char *key;         /* Idempotency-Key of this client, or NULL */
    uint8_t key_content[32]; /* hash of the request's body */
    const char *answer;      /* kept for the key, when there is one */
    size_t answer_length;
    const struct put_correction *correction; /* NULL: none */
    struct put *also; /* another one, with this one or not at all; its done() is not called; NULL: none */

    /* Called once on the writer thread, after the COMMIT (or the failure). `status`:
     *   OK        on disk
     *   CONFLICT  an id is there already with other content; conflict_entry says which; nothing was kept
     *             (OK with `replayed` true: all ids were there with the same content, and nothing was written)
     *   DISK_FULL, NO_MEMORY, IO, BUSY  nothing was kept
     *   CONFLICT with a correction: a line has another text by now, or is discarded; look again (`stale`) */
    void (*done)(struct put *put);
    void *context;
    enum status status;
    size_t conflict_entry;
    bool replayed, stale;
    union {
        void *align;
        char room[64];
    } own; /* the outbox's, while it has the put */
};

/* Queue one put; never blocks on the disk. [any] */
void outbox_put(struct outbox *outbox, struct put *put);

enum key_state { KEY_NEW, KEY_SAME, KEY_OTHER };
/* What is known of this client's Idempotency-Key. With KEY_SAME *answer_out is the kept answer (malloc'd). [any] */
struct outbox_reader;
MUST_CHECK enum status outbox_key(struct outbox_reader *reader, const char *client, const char *key,
                                  const uint8_t content[32], enum key_state *state_out,
                                  char **answer_out, size_t *length_out);

/* What a sender's machine could not put right: kept as it was sent, until a person has worked it off. */
struct refusal {
    const char *client;
    int64_t received_ms;
    const char *sent;
    size_t sent_length;
    const char *problems; /* JSON */
    size_t problems_length;
};
MUST_CHECK enum status outbox_refuse(struct outbox *outbox, const struct refusal *refusal, int64_t *number_out);
MUST_CHECK enum status outbox_refusal_done(struct outbox *outbox, int64_t number, const char *reason,
                                           const char *by, int64_t now_ms);

/* ---- delivering (the courier's, one thread) ---- */

struct claim_entry {
    int64_t seq;
    struct uuid id;
    const char *patient; /* key */
    const char *became;
    size_t length;
    unsigned attempts;   /* before this one */
    bool ambiguous;      /* an earlier attempt may have arrived: look before sending */
    int64_t sent_ms;     /* wall clock of the last attempt's mark; 0: none */
    const char *remote;  /* "Observation/123" when this is a new version of something charted, else NULL */
    const char *remote_version;
    bool corrected; /* its text is not the first one */
    bool withdrawn; /* it goes as entered in error */
    bool released;  /* a person has let this text go after it was held */
    const int64_t *needs; /* seqs of the entries it refers to */
    size_t needs_count;
};

struct claim {
    struct claim_entry *entries;
    size_t count;
    int64_t next_due_ms; /* wall clock; when nothing is deliverable now: when to ask again, INT64_MAX: on change */
};

/* Take up to `most` entries (and about `bytes_most` bytes) that may go now, in acceptance order, and mark each on disk as tried before returning:
 * after a crash such an entry is ambiguous. An entry may go when it is waiting, due, its needs are met and no earlier waiting entry of its
 * patient is left out of this claim. Only one claim is out at a time; settle all of it (or outbox_claim_drop what was not
 * sent) before the next. Blocks for one COMMIT when it finds something. */
MUST_CHECK enum status outbox_claim(struct outbox *outbox, size_t most, size_t bytes_most, int64_t now_ms,
                                    struct claim **out);
/* Settle one claim and take the next in one COMMIT: the same as outbox_settle() and outbox_claim() one after the other. */
struct settlement;
MUST_CHECK enum status outbox_turn(struct outbox *outbox, const struct settlement *settlements, size_t count, size_t most,
                                   size_t bytes_most, int64_t now_ms, struct claim **out);
void claim_free(struct claim *claim);

enum settle_as { SETTLE_CHARTED, SETTLE_HELD, SETTLE_WAIT };

struct settlement {
    int64_t seq;
    enum settle_as as;
    const char *remote, *version; /* charted: where it is */
    const char *reason;           /* held, wait: one word or short phrase, no personal data */
    int http_status;              /* 0: no answer */
    const char *said;             /* what the server said (OperationOutcome), may be NULL; kept with the attempt */
    size_t said_length;
    int64_t due_ms;     /* wait: not before */
    bool ambiguous;     /* wait: it may have arrived */
    bool not_sent;      /* wait: this attempt never left; does not count */
};

/* All of these in one COMMIT. Waiting dependants whose needs are met now become deliverable; a panel whose held member
 * was charted later becomes waiting again, to be sent as a new version. */
MUST_CHECK enum status outbox_settle(struct outbox *outbox, const struct settlement *settlements, size_t count,
                                     int64_t now_ms);

/* Where an entry is: "Observation/123", malloc'd; NULL when it was never charted. [any] */
MUST_CHECK enum status outbox_remote(struct outbox_reader *reader, int64_t seq, struct uuid *id_out, char **remote_out);

/* ---- people ---- */

/* held -> waiting, of the reading's main entry and what hangs on it. `became` (with values of the decision) replaces an unmapped one:
 * see outbox_release_mapped. NOT_FOUND, CONFLICT when it is not held (or is unmapped). */
MUST_CHECK enum status outbox_release(struct outbox *outbox, const struct uuid *id, const char *reason,
                                      const char *by, int64_t now_ms);
/* For a reading kept unmapped: what it became after the decision; entries[0] is the main (same id), the others its companions. */
MUST_CHECK enum status outbox_release_mapped(struct outbox *outbox, const struct put_entry *entries, size_t count,
                                             const char *reason, const char *by, int64_t now_ms);
/* waiting (never attempted) or held -> discarded, with what strictly hangs on it. CONFLICT when charted or possibly sent. */
MUST_CHECK enum status outbox_discard(struct outbox *outbox, const struct uuid *id, const char *reason,
                                      const char *by, int64_t now_ms);

/* ---- reading ---- */

/* A reader's connection; one thread at a time. */
MUST_CHECK enum status outbox_reader_open(struct outbox *outbox, struct outbox_reader **out);
void outbox_reader_close(struct outbox_reader *reader);

struct attempt {
    int64_t at_ms;
    int http_status;
    const char *reason;
    const char *said;
    size_t said_length;
};

struct row_correction {
    bool given;
    struct uuid id;   /* of the other reading; zeros: a retraction, with nothing instead */
    const char *reason, *said, *by; /* `said` may be NULL */
    int64_t at_ms;
};

struct outbox_row { /* borrowed until the callback returns or the next call on this reader */
    int64_t seq;
    struct uuid id, set;
    int64_t reading; /* seq of its reading's main; own seq for a main; 0 for entries of the set */
    const char *role, *kind, *patient, *client, *table_version;
    int64_t taken_ms, accepted_ms;
    const char *sent, *values, *became, *flags; /* NULL when none */
    size_t sent_length, values_length, became_length, flags_length;
    uint8_t content[32];
    enum entry_state state;
    const char *reason; /* of held, of a wait, or of the discard */
    const char *by;     /* who released or discarded */
    unsigned attempts;
    int64_t due_ms, settled_ms;
    const char *remote, *remote_version;
    int64_t line;                /* seq of the line by which it goes; its own seq but for newer texts */
    struct uuid name;            /* the line's id: the identifier of the Observation */
    enum entry_state delivery;   /* the line's own state */
    int64_t page;                /* what after_seq is for the page behind this row */
    struct row_correction corrects, corrected_by;
};

/* return false to stop */
typedef bool outbox_row_seen(void *context, const struct outbox_row *row);
typedef bool outbox_attempt_seen(void *context, const struct attempt *attempt);

MUST_CHECK enum status outbox_find(struct outbox_reader *reader, const struct uuid *id,
                                   outbox_row_seen *seen, void *context); /* NOT_FOUND */
MUST_CHECK enum status outbox_find_seq(struct outbox_reader *reader, int64_t seq,
                                       outbox_row_seen *seen, void *context); /* NOT_FOUND */
MUST_CHECK enum status outbox_attempts(struct outbox_reader *reader, int64_t seq,
                                       outbox_attempt_seen *seen, void *context);
/* The entries that hang on a reading's main, or belong to a set. */
MUST_CHECK enum status outbox_of_set(struct outbox_reader *reader, const struct uuid *set,
                                     outbox_row_seen *seen, void *context);

struct outbox_search {
    const char *patient; /* key, or NULL for any */
    const char *kind;    /* or NULL */
    bool has_state;
    enum entry_state state;
    int64_t taken_from_ms, taken_to_ms; /* INT64_MIN / INT64_MAX: open; to is not included */
    int64_t changed_from_ms;            /* accepted or settled since; INT64_MIN: open */
    bool mains_only;
    int64_t after_seq; /* paging: only rows with a smaller seq than this (newest first); INT64_MAX: from the top */
    size_t most;
};
/* For an initializer: every time, from the newest on. */
#define OUTBOX_SEARCH_OPEN                                                                        \
    .taken_from_ms = INT64_MIN, .taken_to_ms = INT64_MAX, .changed_from_ms = INT64_MIN, .after_seq = INT64_MAX
/* Newest first. */
MUST_CHECK enum status outbox_search(struct outbox_reader *reader, const struct outbox_search *search,
                                     outbox_row_seen *seen, void *context);

/* The values of the patient's last reading of this kind taken before `before_ms` that is waiting or charted; NOT_FOUND. What is
 * held waits for somebody to say that it is true: until then nothing is compared with it.
 * `values` are borrowed until the callback returns. */
typedef void outbox_last_seen(void *context, const char *values, size_t length, int64_t taken_ms);
MUST_CHECK enum status outbox_last(struct outbox_reader *reader, const char *patient, const char *kind, int64_t before_ms,
                                   outbox_last_seen *seen, void *context);

/* Distinct patients, each as the newest main entry it has, in an order of our own after the one with key `after` ("": from the
 * start). Cost: one index step a patient. */
MUST_CHECK enum status outbox_patients(struct outbox_reader *reader, const char *after, size_t most,
                                       outbox_row_seen *seen, void *context);

typedef bool outbox_refusal_seen(void *context, int64_t number, const struct refusal *refusal);
MUST_CHECK enum status outbox_refusals(struct outbox_reader *reader, int64_t after_number, size_t most,
                                       outbox_refusal_seen *seen, void *context);

struct outbox_counts {
    int64_t waiting, held, charted, discarded, refusals; /* entries */
    int64_t oldest_waiting_ms; /* accepted; 0: none */
    int64_t free_bytes;        /* on its disk */
};
/* Constant cost. [any] */
MUST_CHECK enum status outbox_count(struct outbox_reader *reader, struct outbox_counts *out);

/* Called on the writer thread after each COMMIT that made something deliverable; must return at once. One listener. Before threads put. */
void outbox_on_change(struct outbox *outbox, void (*changed)(void *context), void *context);

/* An entry whose state may have changed; what it is now, outbox_find_seq() says. Some may be told of that did not
 * change, or never came to be; none is left out. */
struct outbox_change {
    int64_t seq;
    bool of_set; /* its set is another one by this: readings came to it or were corrected */
};
/* Called on the writer thread after each COMMIT with what it changed; must return at once. `lost`: there was more than is
 * listed. One watcher; NULL: nobody watches, and nothing is noted. When this returns, the old one is not called any more. [any] */
typedef void outbox_changes_seen(void *context, const struct outbox_change *changes, size_t count, bool lost);
void outbox_watch(struct outbox *outbox, outbox_changes_seen *seen, void *context);

/* A consistent copy of the whole store to a new file, while running. [any] */
MUST_CHECK enum status outbox_backup(struct outbox *outbox, const char *path);

#endif
