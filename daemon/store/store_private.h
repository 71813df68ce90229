/* store_private.h - the outbox's inside: one writer thread, its statements, its jobs. */
#ifndef WARDPOST_STORE_PRIVATE_H
#define WARDPOST_STORE_PRIVATE_H

#include <pthread.h>
#include <sqlite3.h>
#include <stdatomic.h>

#include "store/newest.h"
#include "store/pack.h"
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
    SQL_ENTRY_INSERT,
    SQL_ENTRY_KNOWN,
    SQL_ENTRY_MAP,
    SQL_ENTRY_BECAME,
    SQL_NEWEST_FIND,
    SQL_NEWEST_SET,
    SQL_NEWEST_OF,
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
    SQL_DELIVERY_INSERT,
    SQL_DELIVERY_FIND,
    SQL_DELIVERY_MARK,
    SQL_DELIVERY_BEHIND,
    SQL_DELIVERY_SETTLE,
    SQL_DELIVERY_WAIT,
    SQL_DELIVERY_STATE,
    SQL_DELIVERY_UNMET,
    SQL_DELIVERY_AGAIN,
    SQL_WAITING_OLDEST,
    SQL_NEEDS_OF,
    SQL_NEEDS_MET,
    SQL_NEEDED_BY,
    SQL_ATTEMPT_INSERT,
    SQL_ATTEMPTS,
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
    SQL_COUNT
};

struct db {
    sqlite3 *handle;
    sqlite3_stmt *statements[SQL_COUNT]; /* prepared at first use */
    struct unpacker *unpacker;
};

MUST_CHECK enum status db_open(const char *path, bool writer, struct db *out);
void db_close(struct db *db);
/* The statement, reset and without bindings. NULL: out of memory (or our own bug: asserted). */
sqlite3_stmt *db_statement(struct db *db, enum sql sql);
/* Steps a statement that yields no row. */
MUST_CHECK enum status db_run(struct db *db, sqlite3_stmt *statement);
enum status status_of_sqlite(int code);
const char *db_sql_text(enum sql sql);
/* Binds; a NULL blob or text is bound as NULL. Borrowed until the statement is reset. */
void bind_blob(sqlite3_stmt *statement, int index, const void *bytes, size_t length);
void bind_text(sqlite3_stmt *statement, int index, const char *text);
void bind_uuid(sqlite3_stmt *statement, int index, const struct uuid *uuid);
int64_t patient_hash(const char *patient);
/* What an entry became, as it stands in its row: unpacked when the row has a base. Borrowed until the next call on this connection. */
MUST_CHECK enum status db_unpack(struct db *db, struct text packed, int64_t base, struct text *out);

/* schema.c */
MUST_CHECK enum status schema_migrate(sqlite3 *handle);

/* ---- counters, kept in the same COMMIT as what they count ---- */

enum counter { COUNTER_WATERMARK, COUNTER_AHEAD, COUNTER_WAITING, COUNTER_HELD, COUNTER_CHARTED, COUNTER_DISCARDED,
               COUNTER_REFUSALS, COUNTER_COUNT };

/* ---- the writer ---- */

struct job { /* the first member of every job */
    struct job *next;
    enum status (*run)(struct outbox *outbox, struct job *job);
    void (*done)(struct outbox *outbox, struct job *job); /* after COMMIT or failure; on the writer's thread */
    enum status status;
    bool is_put;
    bool finished; /* of outbox_do(); guarded by the outbox's lock */
};

struct outbox {
    char *path;
    int64_t room_least;
    int lock_fd;
    struct db db; /* the writer's */
    struct bases *bases;
    struct newest *newest;
    pthread_t writer, checkpointer;
    bool writer_runs, checkpointer_runs;
    pthread_mutex_t lock; /* guards queue, stopping, listener, checkpoint_due, waiter flags */
    pthread_cond_t queued, finished, checkpoint;
    struct job *first, *last;
    bool stopping;
    bool checkpoint_due;
    void (*changed)(void *context);
    void *changed_context;
    /* the writer's own */
    int64_t counters[COUNTER_COUNT];
    bool counters_changed[COUNTER_COUNT];
    int64_t last_seq;
    int wal_pages;
    int64_t room_seen_ms, room_seen;
    bool made_deliverable;
    /* for readers */
    _Atomic int64_t shown_counters[COUNTER_COUNT];
    _Atomic int64_t shown_last_seq;
};

void counter_add(struct outbox *outbox, enum counter counter, int64_t amount);
void counter_set(struct outbox *outbox, enum counter counter, int64_t value);

/* Queue, and wait for its COMMIT. */
MUST_CHECK enum status outbox_do(struct outbox *outbox, struct job *job);
int64_t outbox_room(struct outbox *outbox);

/* put.c */
struct job *put_job(struct put *put); /* lives in the put's own room */
void put_done(struct outbox *outbox, struct job *job);
enum status put_run(struct outbox *outbox, struct job *job);
/* One entry at `seq`; its reading and needs are counted from `first_seq`. CONFLICT: the id is there already. */
MUST_CHECK enum status put_entry(struct outbox *outbox, const struct put *put, const struct put_entry *entry, int64_t seq,
                                 int64_t first_seq);

/* ---- states, shared by settle.c and decide.c ---- */

struct delivery_row {
    bool found;
    enum entry_state state;
    unsigned attempts;
    int64_t patient;
    bool unmapped, has_remote;
};

MUST_CHECK enum status delivery_find(struct outbox *outbox, int64_t seq, struct delivery_row *out);
/* Insert a row for a fresh entry (ahead of the watermark or not). */
MUST_CHECK enum status delivery_insert(struct outbox *outbox, int64_t seq, int64_t patient, enum entry_state state,
                                       const char *reason, int64_t now_ms);
/* Everything that hangs on an entry whose state has just changed. */
MUST_CHECK enum status dependants_review(struct outbox *outbox, int64_t seq, bool first_charted);
/* Everything that cannot go without it, directly or not. */
MUST_CHECK enum status strict_dependants(struct outbox *outbox, int64_t seq, int64_t *out, size_t room, size_t *count);
void state_counted(struct outbox *outbox, enum entry_state from, enum entry_state to);
MUST_CHECK enum status line_release(struct outbox *outbox, int64_t patient);
MUST_CHECK enum status unmet_of(struct outbox *outbox, int64_t seq, int64_t *out);

/* ---- readers ---- */

struct outbox_reader {
    struct outbox *outbox;
    struct db db;
};

#endif
