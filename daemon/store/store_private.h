/* store_private.h - the outbox's inside: one writer thread, its statements, its jobs. */
#ifndef WARDPOST_STORE_PRIVATE_H
#define WARDPOST_STORE_PRIVATE_H

#include <pthread.h>
#include <sqlite3.h>

#include "store/heads.h"
#include "store/newest.h"
#include "store/pack.h"
#include "wardpost/known_patients.h"
#include "wardpost/outbox.h"

#define DESTINATION 1 /* one for now; the tables are ready for more */

/* ---- sqlite.c: connections and statements ---- */

/* In the order of the table in sqlite.c. */
enum sql {
    SQL_BEGIN,
    SQL_COMMIT,
    SQL_ROLLBACK,
    SQL_SAVEPOINT,
    SQL_SAVEPOINT_BACK,
    SQL_SAVEPOINT_DONE,
    SQL_LAST_SEQ,
    SQL_COUNTER_READ,
    SQL_COUNTER_WRITE,
    SQL_NEWEST_RECOVER,
    SQL_ENTRY_INSERT,
    SQL_ENTRY_KNOWN,
    SQL_ENTRY_MAP,
    SQL_ENTRY_BECAME,
    SQL_NEWEST_FIND,
    SQL_NEWEST_SET,
    SQL_NEWEST_OF,
    SQL_CHAIN_STEP,
    SQL_NEED_INSERT,
    SQL_SET_INSERT,
    SQL_SET_FIND,
    SQL_LATE_INSERT,
    SQL_LATE_FIND,
    SQL_KEY_INSERT,
    SQL_KEY_FIND,
    SQL_KEY_PRUNE,
    SQL_FRESH,
    SQL_FRESH_OLDEST,
    SQL_DUE,
    SQL_NEXT_DUE,
    SQL_BODY,
    SQL_LINE_BEFORE,
    SQL_LINE_RELEASE,
    SQL_CLAIM_BACK,
    SQL_DELIVERY_INSERT,
    SQL_DELIVERY_FIND,
    SQL_DELIVERY_WAITING,
    SQL_DELIVERY_MARK,
    SQL_DELIVERY_PLACE,
    SQL_DELIVERY_SETTLE,
    SQL_DELIVERY_WAIT,
    SQL_DELIVERY_STATE,
    SQL_DELIVERY_UNMET,
    SQL_DELIVERY_AGAIN,
    SQL_DELIVERY_TEXT,
    SQL_DELIVERY_NEXT,
    SQL_CORRECTION_INSERT,
    SQL_WAITING_OLDEST,
    SQL_NEEDS_OF,
    SQL_NEEDS_MET,
    SQL_NEED_DROP,
    SQL_NEEDS_LEFT,
    SQL_NEEDED_BY,
    SQL_ATTEMPT_INSERT,
    SQL_ATTEMPT_KEEP,
    SQL_ATTEMPTS,
    SQL_SUCCESS,
    SQL_DECISION_INSERT,
    SQL_REFUSAL_INSERT,
    SQL_REFUSAL_DONE,
    SQL_REFUSALS,
    SQL_ROW_BY_ID,
    SQL_ROW_BY_SEQ,
    SQL_ROWS_FROM,
    SQL_ROWS_BACKWARDS,
    SQL_ROWS_IN_STATE,
    SQL_NEXT_PATIENT,
    SQL_REMOTE,
    SQL_PATIENT_KNOW,
    SQL_PATIENTS_BY_VALUE,
    SQL_PATIENTS_BORN,
    SQL_PATIENTS_BY_FAMILY,
    SQL_PATIENTS_IN_WARD,
    SQL_PATIENTS_IN_WARDS,
    SQL_NEXT_WARD,
    SQL_ORDER_INSERT,
    SQL_ORDER_END,
    SQL_ORDERS,
    SQL_COUNT
};

struct db {
    sqlite3 *handle;
    sqlite3_stmt *statements[SQL_COUNT]; /* prepared at first use */
    struct unpacker *unpacker;
};

/* `writer` brings the file up to WAL and keeps it there; a reader cannot write. Files must exist.
 */
MUST_CHECK enum status db_open(const char *path, bool writer, struct db *out);
void db_close(struct db *db);
/* The statement, reset and without bindings. NULL: see db_trouble(). */
sqlite3_stmt *db_statement(struct db *db, enum sql sql);
/* Why a statement could not be had; never OK. */
MUST_CHECK enum status db_trouble(struct db *db);
/* Steps a statement that yields no row. NULL gives db_trouble(). */
MUST_CHECK enum status db_run(struct db *db, sqlite3_stmt *statement);
/* Steps to the next row; at the end and on failure the statement is reset. NULL gives db_trouble().
 */
MUST_CHECK enum status db_step(struct db *db, sqlite3_stmt *statement, bool *row);
/* The same for statements whose parameters ?1, ?2, ... are all numbers. */
#define NUMBERS(...) \
    ((const int64_t[]){__VA_ARGS__}), (sizeof((const int64_t[]){__VA_ARGS__}) / sizeof(int64_t))
sqlite3_stmt *db_bind_numbers(struct db *db, enum sql sql, const int64_t *numbers, size_t count);
MUST_CHECK enum status db_run_numbers(struct db *db, enum sql sql, const int64_t *numbers,
                                      size_t count);
enum status status_of_sqlite(int code);
const char *db_sql_text(enum sql sql);
/* Binds; a NULL blob or text is bound as NULL. Borrowed until the statement is reset. */
void bind_blob(sqlite3_stmt *statement, int index, const void *bytes, size_t length);
void bind_text(sqlite3_stmt *statement, int index, const char *text);
void bind_uuid(sqlite3_stmt *statement, int index, const struct uuid *uuid);
/* Columns, borrowed until the next step; a NULL in the row gives NULL. */
struct text column_bytes(sqlite3_stmt *statement, int column);
/* *lost is set when there is a text and no memory for it. */
const char *column_text(sqlite3_stmt *statement, int column, bool *lost);
/* Zeros when it is none. */
struct uuid column_uuid(sqlite3_stmt *statement, int column);
int64_t patient_hash(const char *patient);
/* What an entry became, as it stands in its row: unpacked when the row has a base. Borrowed until
 * the next call on this connection. */
MUST_CHECK enum status db_unpack(struct db *db, struct text packed, int64_t base, struct text *out);
/* After making a file: that it has a name, too, must be on disk. */
MUST_CHECK enum status folder_sync(const char *path);

/* schema.c */
/* DAMAGED: not ours, or of a newer wardpost. Nothing is written. */
MUST_CHECK enum status schema_check(sqlite3 *handle, int *version);
MUST_CHECK enum status schema_migrate(sqlite3 *handle);

/* ---- counters, kept in the same COMMIT as what they count ---- */

enum counter {
    COUNTER_WATERMARK, /* up to here each entry has a delivery row */
    COUNTER_AHEAD,     /* entries over the watermark that have one all the same */
    COUNTER_WAITING,   /* delivery rows in this state; fresh entries have none */
    COUNTER_HELD,
    COUNTER_CHARTED,
    COUNTER_DISCARDED,
    COUNTER_REFUSALS,
    COUNTER_NEWEST_UPTO, /* the table `newest` is whole up to this entry */
    COUNTER_COUNT
};

struct sweep { /* of the heads into the table; chain.c */
    bool runs;
    size_t cursor;
    int64_t upto;
};

struct tally { /* what is so again when a transaction is taken back */
    int64_t counters[COUNTER_COUNT];
    int64_t last_seq;
    struct sweep sweep;
};

/* ---- the writer ---- */

struct job { /* the first member of every job */
    struct job *next;
    enum status (*run)(struct outbox *outbox, struct job *job);
    void (*done)(struct outbox *outbox,
                 struct job *job); /* after COMMIT or failure; on the writer's thread */
    enum status status;
    bool is_put;
    bool undo;     /* set by run(): fine, and nothing of what was written is to be kept */
    bool finished; /* of outbox_do(); guarded by the outbox's lock */
};

#define CHANGES_MOST 1024

struct changes {                 /* of one round, for whoever watches */
    struct outbox_change *items; /* NULL: nobody watched when the round began */
    size_t count;
    bool lost;
};

struct outbox {
    char *path;
    int64_t room_least;
    int lock_fd;
    struct db db; /* the writer's */
    struct bases *bases;
    struct newest *newest;
    struct heads *heads;
    pthread_t writer, checkpointer;
    bool writer_runs, checkpointer_runs;
    pthread_mutex_t lock; /* guards queue, stopping, listener, checkpoint_due, finished flags,
                             shown, watching */
    pthread_cond_t queued, finished, checkpoint;
    struct job *first, *last;
    bool stopping;
    bool checkpoint_due;
    void (*changed)(void *context);
    void *changed_context;
    bool watching;
    pthread_mutex_t watch; /* held while the watcher is called; before `lock` */
    outbox_changes_seen *seen;
    void *seen_context;
    struct tally shown; /* as of the last COMMIT */
    /* the writer's own */
    struct tally tally;
    bool counters_changed[COUNTER_COUNT];
    int wal_pages, checkpoint_at, restart_at;
    int64_t room_seen_ms, room_seen;
    bool made_deliverable, newest_stale; /* in this round */
    struct changes changes;
};

/* ---- writer.c ---- */

MUST_CHECK enum status counters_read(struct outbox *outbox);
void counters_show(struct outbox *outbox);
struct tally counters_shown(struct outbox *outbox); /* [any] */
void counter_add(struct outbox *outbox, enum counter counter, int64_t amount);
void counter_set(struct outbox *outbox, enum counter counter, int64_t value);
void *writer_thread(void *context); /* the outbox */
void queue_job(struct outbox *outbox, struct job *job);
/* Queue, and wait for its COMMIT. */
MUST_CHECK enum status outbox_do(struct outbox *outbox, struct job *job);
int64_t outbox_room(struct outbox *outbox);

/* ---- changes.c: what a round changed, for whoever watches ---- */

void changes_begin(struct outbox *outbox);
void change_note(struct outbox *outbox, int64_t seq, bool of_set);
void changes_tell(struct outbox *outbox);

/* ---- put.c ---- */

/* One entry at `seq`; its reading and needs are counted from `first_seq`. CONFLICT: the id is there
 * already. */
MUST_CHECK enum status put_entry(struct outbox *outbox, const struct put *put,
                                 const struct put_entry *entry, int64_t seq, int64_t first_seq);

/* ---- patients.c ---- */

/* One patient into the local copy (known_patients.h), within a transaction. */
MUST_CHECK enum status patient_note(struct outbox *outbox, const struct known_patient *patient);

/* ---- settle.c ---- */

MUST_CHECK enum status settlements_write(struct outbox *outbox,
                                         const struct settlement *settlements, size_t count,
                                         int64_t now_ms);

/* ---- claim.c ---- */

/* What was claimed and not settled waits again; it may have arrived. */
MUST_CHECK enum status claim_back(struct outbox *outbox);

/* ---- delivery.c: states, shared by claim.c, settle.c and decide.c ---- */

struct delivery_row {
    bool found;
    enum entry_state state;
    unsigned attempts;
    bool ambiguous;
    int64_t patient;
    bool unmapped, has_remote;
    int64_t body, next; /* as in the table */
};

MUST_CHECK enum status delivery_find(struct outbox *outbox, int64_t seq, struct delivery_row *out);
/* Insert a row for a fresh entry (ahead of the watermark or not). */
MUST_CHECK enum status delivery_insert(struct outbox *outbox, int64_t seq, int64_t patient,
                                       enum entry_state state, const char *reason, int64_t now_ms);
/* A waiting one steps out of its patient's line. */
MUST_CHECK enum status delivery_hold(struct outbox *outbox, int64_t seq, int64_t patient,
                                     const char *reason, int64_t now_ms);
void state_counted(struct outbox *outbox, enum entry_state from, enum entry_state to);
/* The first of the patient's line may go (a bounded number: they follow one another). */
MUST_CHECK enum status line_release(struct outbox *outbox, int64_t patient);
/* Strict needs that are not charted, loose ones that are still waiting, and one more while no loose
 * one is charted. */
MUST_CHECK enum status unmet_of(struct outbox *outbox, int64_t seq, int64_t *out);
/* Counts them anew, for a waiting one. */
MUST_CHECK enum status unmet_update(struct outbox *outbox, int64_t seq, int64_t patient);

struct dependant {
    int64_t seq;
    bool strict, has_row;
    enum entry_state state;
};

#define DEPENDANTS_ROOM 32

struct dependants { /* a page; begin with after = 0, go on while count == DEPENDANTS_ROOM */
    struct dependant items[DEPENDANTS_ROOM];
    size_t count;
    int64_t after;
};

MUST_CHECK enum status dependants_next(struct outbox *outbox, int64_t on_seq,
                                       struct dependants *page);
/* Everything that hangs on an entry whose state has just changed. */
MUST_CHECK enum status dependants_review(struct outbox *outbox, int64_t seq, int64_t patient,
                                         bool first_charted);

/* ---- lines.c: a line that gets another text ---- */

/* The text that counts of this line: `body` and `next` as in the table; below zero: none does, the
 * line is entered in error with the text of that entry. */
int64_t text_wanted(int64_t line, int64_t body, int64_t next);
/* How the text of entry `seq` stands, by the row of its line. */
enum entry_state text_state(int64_t seq, int64_t line, const struct delivery_row *row);
/* From now on `text` (a seq; below zero: as entered in error) counts. What may have been sent is
 * settled first. CONFLICT: the line is discarded. */
MUST_CHECK enum status line_take(struct outbox *outbox, int64_t line, int64_t text, int64_t now_ms);
/* Its last text is settled, and another one was waiting for that: now it goes. */
MUST_CHECK enum status line_goes_on(struct outbox *outbox, int64_t line, int64_t now_ms);
/* CONFLICT: the set is not as the correction thinks it is. */
MUST_CHECK enum status correction_check(struct outbox *outbox,
                                        const struct put_correction *correction);
/* Before the entries of its put: what is not true any more. */
MUST_CHECK enum status correction_withdraw(struct outbox *outbox, const struct put *put);
/* Behind them: where they are found, and who corrected what and why. */
MUST_CHECK enum status correction_note(struct outbox *outbox, const struct put *put,
                                       int64_t first_seq);

/* ---- readers ---- */

struct outbox_reader {
    struct outbox *outbox;
    struct db db;
};

/* ---- read.c, for search.c ---- */

struct row_walk { /* how rows are shown */
    bool (*fits)(const struct row_walk *walked,
                 const struct outbox_row *row); /* NULL: all; sent and became are still packed */
    outbox_row_seen *seen;
    void *context;
    const struct outbox_search *search;
    size_t shown, most; /* most 0: no limit */
    bool by_line;       /* in the order of the lines, not of the texts */
    bool stopped;       /* by `seen`, or because there are `most` */
};

MUST_CHECK enum status rows_walk(struct outbox_reader *reader, sqlite3_stmt *statement,
                                 struct row_walk *walked);
MUST_CHECK enum status row_at(struct outbox_reader *reader, int64_t seq, struct row_walk *walked);

#endif
