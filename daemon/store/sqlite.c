/* sqlite.c - every statement, with the index it uses (a test runs EXPLAIN QUERY PLAN over them),
 * and connections. */
#include <errno.h>
#include <fcntl.h>
#include <libgen.h>
#include <sodium.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "store/store_private.h"

#define ROW                                                                                       \
    "e.seq, e.id, e.set_id, e.reading, e.role, e.kind, e.patient, e.client, e.table_version, "    \
    "e.taken_ms, e.accepted_ms, "                                                                 \
    "e.sent, e.vals, e.became, e.flags, e.content, e.base, d.state, d.reason, d.decided_by, "     \
    "d.attempts, d.due_ms, d.settled_ms, "                                                        \
    "d.remote, d.version, e.line, iif(e.line = 0, e.id, (SELECT l.id FROM entry l WHERE l.seq = " \
    "e.line)), d.body, d.next, c.seq, c.replaces_id, c.reason, c.said, c.decided_by, c.at_ms, "   \
    "s.replaces, s.id, s.reason, s.said, s.decided_by, s.at_ms FROM "
/* A newer text goes by the line of the first one. */
#define WITH_DELIVERY \
    " LEFT JOIN delivery d ON d.destination = 1 AND d.seq = iif(e.line = 0, e.seq, e.line) "
#define WITH_CORRECTIONS                                                                 \
    " LEFT JOIN correction c ON c.seq = e.seq AND c.seq <> 0 LEFT JOIN correction s ON " \
    "s.replaces = e.seq "
/* The entry whose text a line has now. */
#define TEXT_OF_LINE "iif(d.next <> 0, abs(d.next), iif(d.body <> 0, abs(d.body), d.seq))"
#define PATIENT                                                                               \
    "SELECT p.system, p.value, p.family, p.given, p.birth_date, p.gender, p.ward, p.bed, "    \
    "p.active, p.deceased, p.source, p.seen_ms, EXISTS (SELECT 1 FROM known_patient o WHERE " \
    "o.family_folded = p.family_folded AND o.number <> p.number AND o.active = 1), "          \
    "p.family_folded, p.given_folded FROM known_patient p "

/* In the order of enum sql. Behind each: what it walks. */
static const char *const texts[SQL_COUNT] = {
    [SQL_BEGIN] = "BEGIN IMMEDIATE",
    [SQL_COMMIT] = "COMMIT",
    [SQL_ROLLBACK] = "ROLLBACK",
    [SQL_SAVEPOINT] = "SAVEPOINT job",
    [SQL_SAVEPOINT_BACK] = "ROLLBACK TO job",
    [SQL_SAVEPOINT_DONE] = "RELEASE job",
    [SQL_LAST_SEQ] = "SELECT max(seq) FROM entry",                       /* rowid, one step */
    [SQL_COUNTER_READ] = "SELECT value FROM counter WHERE counter = ?1", /* rowid */
    [SQL_COUNTER_WRITE] =
        "INSERT INTO counter VALUES (?1, ?2) ON CONFLICT (counter) DO UPDATE SET value = ?2",
    /* At the start; between two sweeps lie some thousand entries. */
    [SQL_NEWEST_RECOVER] =
        "INSERT INTO newest SELECT patient_hash, kind, max(seq), max(taken_ms) FROM entry WHERE "
        "seq > ?1"
        " GROUP BY patient_hash, kind ON CONFLICT (patient_hash, kind) DO UPDATE SET"
        " seq = max(seq, excluded.seq), latest_ms = max(latest_ms, excluded.latest_ms)",
    [SQL_ENTRY_INSERT] =
        "INSERT INTO entry (seq, id, set_id, reading, role, kind, patient, patient_hash, client, "
        "table_version,"
        " taken_ms, accepted_ms, needs, content, sent, vals, became, flags, earlier, base, "
        "late_ms, line)"
        " VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16, ?17, ?18, "
        "?19, ?20, ?21, ?22)"
        " ON CONFLICT (id) DO NOTHING",
    [SQL_ENTRY_KNOWN] = "SELECT seq, content, line FROM entry WHERE id = ?1", /* entry_id */
    [SQL_ENTRY_MAP] = "UPDATE entry SET base = 0, became = ?2, flags = ?3, vals = coalesce(?4, "
                      "vals) WHERE seq = ?1",                             /* rowid */
    [SQL_ENTRY_BECAME] = "SELECT became, base FROM entry WHERE seq = ?1", /* rowid */
    [SQL_NEWEST_FIND] =
        "SELECT seq, latest_ms FROM newest WHERE patient_hash = ?1 AND kind = ?2", /* its key */
    [SQL_NEWEST_SET] =
        "INSERT INTO newest VALUES (?1, ?2, ?3, ?4) ON CONFLICT (patient_hash, kind) DO UPDATE"
        " SET seq = ?3, latest_ms = ?4",
    [SQL_NEWEST_OF] = "SELECT seq, kind FROM newest WHERE patient_hash = ?1 LIMIT ?2", /* its key */
    [SQL_CHAIN_STEP] = "SELECT e.earlier, e.late_ms, e.taken_ms, e.accepted_ms, e.reading, e.vals, "
                       "e.patient, d.state,"
                       " d.settled_ms, e.line, d.body, d.next FROM entry e" WITH_DELIVERY
                       "WHERE e.seq = ?1", /* rowid */
    [SQL_NEED_INSERT] = "INSERT OR REPLACE INTO need VALUES (?1, ?2, ?3)",
    [SQL_SET_INSERT] = "INSERT OR IGNORE INTO set_first VALUES (?1, ?2)",
    [SQL_SET_FIND] = "SELECT seq FROM set_first WHERE set_id = ?1", /* its key */
    [SQL_LATE_INSERT] = "INSERT INTO late VALUES (?1, ?2)",
    [SQL_LATE_FIND] =
        "SELECT seq FROM late WHERE reading BETWEEN ?1 AND ?2 ORDER BY reading, seq", /* its key */
    [SQL_KEY_INSERT] = "INSERT OR REPLACE INTO idempotency VALUES (?1, ?2, ?3, ?4, ?5)",
    [SQL_KEY_FIND] =
        "SELECT content, answer FROM idempotency WHERE client = ?1 AND key = ?2", /* its key */
    [SQL_KEY_PRUNE] = "DELETE FROM idempotency WHERE (client, key) IN"
                      " (SELECT client, key FROM idempotency WHERE kept_ms < ?1 ORDER BY kept_ms "
                      "LIMIT 20)", /* idempotency_kept
                                    */
    [SQL_FRESH] =
        "SELECT seq, id, patient, patient_hash, needs, became, base, line FROM entry WHERE seq "
        "> ?1 ORDER BY seq LIMIT ?2", /* rowid */
    [SQL_FRESH_OLDEST] =
        "SELECT accepted_ms FROM (SELECT e.accepted_ms, d.state FROM entry e" WITH_DELIVERY
        "WHERE e.seq > ?1"
        " ORDER BY e.seq LIMIT 100) WHERE coalesce(state, 0) = 0 LIMIT 1", /* rowid */
    [SQL_DUE] = "SELECT seq, patient_hash, attempts, ambiguous, sent_ms, remote, version, body, "
                "decided_by IS NOT NULL FROM delivery INDEXED BY delivery_due"
                " WHERE destination = 1 AND due_ms <= ?1 AND state = 0 AND unmet = 0 AND behind = "
                "0 AND claimed = 0"
                " ORDER BY due_ms, seq LIMIT ?2", /* delivery_due */
    [SQL_NEXT_DUE] =
        "SELECT due_ms FROM delivery INDEXED BY delivery_due WHERE destination = 1 AND state = 0 "
        "AND unmet = 0"
        " AND behind = 0 AND claimed = 0 ORDER BY due_ms, seq LIMIT 1", /* delivery_due */
    /* Of a line and the entry whose text it has. */
    [SQL_BODY] =
        "SELECT e.seq, e.id, e.patient, e.patient_hash, iif(?1 = ?2, e.needs, (SELECT "
        "count(*) FROM need n WHERE n.seq = ?1)), b.became, b.base FROM entry e JOIN entry "
        "b ON b.seq = ?2 WHERE e.seq = ?1", /* rowid, its key */
    [SQL_LINE_BEFORE] = "SELECT 1 FROM delivery INDEXED BY delivery_line WHERE destination = 1 AND "
                        "patient_hash = ?1 AND state = 0"
                        " AND unmet = 0 AND claimed = 0 AND seq < ?2 LIMIT 1", /* delivery_line */
    [SQL_LINE_RELEASE] =
        "UPDATE delivery SET behind = 0 WHERE destination = 1 AND seq IN (SELECT seq FROM delivery"
        " INDEXED BY delivery_behind WHERE destination = 1 AND patient_hash = ?1 AND behind = 1 "
        "AND seq <= ?2"
        " ORDER BY seq LIMIT 64)", /* delivery_behind, then the key */
    [SQL_CLAIM_BACK] = "UPDATE delivery INDEXED BY delivery_claimed SET claimed = 0 WHERE "
                       "destination = 1 AND claimed = 1", /* delivery_claimed */
    [SQL_DELIVERY_INSERT] = "INSERT INTO delivery (destination, seq, patient_hash, state, due_ms, "
                            "attempts, ambiguous, sent_ms,"
                            " unmet, behind, settled_ms, claimed, reason) VALUES (1, ?1, ?2, ?3, "
                            "?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12)",
    [SQL_DELIVERY_FIND] =
        "SELECT d.state, d.attempts, d.ambiguous, d.remote, e.patient_hash, e.became IS NULL AND "
        "coalesce(d.body, 0) = 0, d.body, d.next FROM entry e" WITH_DELIVERY
        "WHERE e.seq = ?1", /* rowid, its key */
    [SQL_DELIVERY_WAITING] =
        "SELECT patient_hash, remote, next, body FROM delivery WHERE destination = 1 AND "
        "seq = ?1 AND state = 0", /* its key */
    [SQL_DELIVERY_MARK] = "UPDATE delivery SET attempts = attempts + 1, ambiguous = 1, "
                          "sent_before_ms = sent_ms, sent_ms = ?2,"
                          " claimed = 1 WHERE destination = 1 AND seq = ?1", /* its key */
    [SQL_DELIVERY_PLACE] =
        "UPDATE delivery SET unmet = ?2, behind = ?3 WHERE destination = 1 AND seq = ?1",
    [SQL_DELIVERY_SETTLE] =
        "UPDATE delivery SET state = ?2, settled_ms = ?3, http_status = ?4, remote = coalesce(?5, "
        "remote),"
        " version = coalesce(?6, version), reason = ?7, ambiguous = ?8, behind = 0, claimed = 0"
        " WHERE destination = 1 AND seq = ?1",
    [SQL_DELIVERY_WAIT] = "UPDATE delivery SET claimed = 0, due_ms = ?2, ambiguous = ?3, reason = "
                          "?4, http_status = ?5,"
                          " attempts = attempts - ?6, sent_ms = iif(?6, sent_before_ms, sent_ms) "
                          "WHERE destination = 1 AND seq = ?1",
    [SQL_DELIVERY_STATE] =
        "UPDATE delivery SET state = ?2, reason = ?3, decided_by = ?4, due_ms = ?5, settled_ms = "
        "?6, behind = ?7,"
        " attempts = iif(?2 = 0, 0, attempts) WHERE destination = 1 AND seq = ?1",
    [SQL_DELIVERY_UNMET] = "UPDATE delivery SET unmet = ?2 WHERE destination = 1 AND seq = ?1",
    [SQL_DELIVERY_AGAIN] =
        "UPDATE delivery SET state = 0, due_ms = 0, reason = NULL, decided_by = NULL, unmet = ?2 "
        "WHERE destination = 1 AND seq = ?1",
    /* The line has another text, and waits with it. */
    [SQL_DELIVERY_TEXT] =
        "UPDATE delivery SET state = ?2, body = ?3, next = 0, due_ms = iif(state = 0, due_ms, 0), "
        "ambiguous = 0, reason = NULL, decided_by = NULL, behind = ?4, settled_ms = ?5 WHERE "
        "destination = 1 AND seq = ?1",
    [SQL_DELIVERY_NEXT] =
        "UPDATE delivery SET state = 0, next = ?2, due_ms = iif(state = 0, due_ms, 0), reason = "
        "iif(state = 0, reason, NULL), behind = iif(state = 0, behind, ?3) WHERE destination = 1 "
        "AND seq = ?1",
    [SQL_CORRECTION_INSERT] = "INSERT INTO correction VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)",
    [SQL_WAITING_OLDEST] =
        "SELECT e.accepted_ms FROM delivery d INDEXED BY delivery_state JOIN entry e ON e.seq "
        "= " TEXT_OF_LINE " WHERE d.destination = 1"
        " AND d.state = 0 AND d.state <> 2 ORDER BY d.seq LIMIT 1", /* delivery_state, rowid */
    [SQL_NEEDS_OF] =
        "SELECT on_seq FROM need WHERE seq = ?1 ORDER BY on_seq LIMIT ?2", /* its key */
    [SQL_NEEDS_MET] = "SELECT n.strict, m.state FROM need n LEFT JOIN delivery m ON m.destination "
                      "= 1 AND m.seq = n.on_seq"
                      " WHERE n.seq = ?1 AND NOT EXISTS (SELECT 1 FROM delivery o WHERE "
                      "o.destination = 1 AND o.seq = ?1 AND o.body < 0)", /* its key; entered in
                                                                          error waits for nobody */
    [SQL_NEED_DROP] = "DELETE FROM need WHERE seq = ?1 AND on_seq = ?2",
    [SQL_NEEDS_LEFT] = "SELECT EXISTS (SELECT 1 FROM need n LEFT JOIN delivery m ON m.destination "
                       "= 1 AND m.seq = n.on_seq"
                       " WHERE n.seq = ?1 AND coalesce(m.state, 0) <> 3)", /* its key */
    [SQL_NEEDED_BY] = "SELECT n.seq, n.strict, d.state FROM need n LEFT JOIN delivery d ON "
                      "d.destination = 1 AND d.seq = n.seq"
                      " WHERE n.on_seq = ?1 AND n.seq > ?2 ORDER BY n.seq LIMIT ?3", /* need_on */
    [SQL_ATTEMPT_INSERT] = "INSERT INTO attempt VALUES (1, ?1, ?2, ?3, ?4, ?5)",
    [SQL_ATTEMPT_KEEP] = "INSERT INTO attempt SELECT destination, seq, settled_ms, http_status, "
                         "'charted', NULL FROM delivery"
                         " WHERE destination = 1 AND seq = ?1", /* its key */
    [SQL_ATTEMPTS] = "SELECT at_ms, http_status, reason, said FROM attempt WHERE destination = 1 "
                     "AND seq = ?1 ORDER BY rowid", /* attempt_seq */
    [SQL_SUCCESS] = "SELECT settled_ms, http_status FROM delivery WHERE destination = 1 AND seq = "
                    "?1 AND state = 2", /* its key */
    [SQL_DECISION_INSERT] = "INSERT INTO decision VALUES (?1, ?2, ?3, ?4, ?5)",
    [SQL_REFUSAL_INSERT] =
        "INSERT INTO refusal (client, received_ms, sent, problems) VALUES (?1, ?2, ?3, ?4)",
    [SQL_REFUSAL_DONE] = "UPDATE refusal SET done_ms = ?2, done_reason = ?3, done_by = ?4 WHERE "
                         "number = ?1 AND done_ms IS NULL",
    [SQL_REFUSALS] = "SELECT number, client, received_ms, sent, problems FROM refusal WHERE "
                     "done_ms IS NULL AND number > ?1"
                     " ORDER BY number LIMIT ?2", /* refusal_open */
    [SQL_ROW_BY_ID] =
        "SELECT " ROW "entry e" WITH_DELIVERY WITH_CORRECTIONS "WHERE e.id = ?1", /* entry_id */
    [SQL_ROW_BY_SEQ] =
        "SELECT " ROW "entry e" WITH_DELIVERY WITH_CORRECTIONS "WHERE e.seq = ?1", /* rowid */
    [SQL_ROWS_FROM] = "SELECT " ROW "entry e" WITH_DELIVERY WITH_CORRECTIONS
                      "WHERE e.seq >= ?1 ORDER BY e.seq", /* rowid */
    [SQL_ROWS_BACKWARDS] =
        "SELECT " ROW "entry e" WITH_DELIVERY WITH_CORRECTIONS
        "WHERE e.seq < ?1 AND e.seq > ?2 ORDER BY e.seq DESC LIMIT ?3", /* rowid */
    [SQL_ROWS_IN_STATE] = "SELECT " ROW "delivery d INDEXED BY delivery_state JOIN entry e ON "
                                        "e.seq = " TEXT_OF_LINE WITH_CORRECTIONS
                          "WHERE d.destination = 1 AND d.state = ?1"
                          " AND d.state <> 2 AND d.seq < ?2 AND e.seq <= ?4 ORDER BY d.seq DESC "
                          "LIMIT ?3", /* delivery_state,
                                         rowid */
    [SQL_NEXT_PATIENT] =
        "SELECT min(patient_hash) FROM newest WHERE patient_hash > ?1", /* its key, one step */
    [SQL_REMOTE] =
        "SELECT e.id, d.remote, d.state FROM entry e" WITH_DELIVERY "WHERE e.seq = ?1", /* rowid */
    /* source 0: a reading, 1: an import; the rules stand in known_patients.h */
    [SQL_PATIENT_KNOW] =
        "INSERT INTO known_patient (system, value, family, given, family_folded, given_folded, "
        "birth_date, gender, ward, bed, active, deceased, source, seen_ms) VALUES (?1, ?2, ?3, ?4, "
        "?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14) ON CONFLICT (value, system) DO UPDATE SET "
        "family = iif(excluded.source >= source, coalesce(excluded.family, family), family), given "
        "= iif(excluded.source >= source, coalesce(excluded.given, given), given), family_folded = "
        "iif(excluded.source >= source, coalesce(excluded.family_folded, family_folded), "
        "family_folded), given_folded = iif(excluded.source >= source, "
        "coalesce(excluded.given_folded, given_folded), given_folded), birth_date = "
        "iif(excluded.source >= source, coalesce(excluded.birth_date, birth_date), birth_date), "
        "gender = iif(excluded.source >= source, coalesce(excluded.gender, gender), gender), "
        "deceased = iif(excluded.source >= source, coalesce(excluded.deceased, deceased), "
        "deceased), seen_ms = iif(excluded.source >= source, coalesce(excluded.seen_ms, seen_ms), "
        "seen_ms), ward = iif(excluded.source = 1, excluded.ward, ward), bed = iif(excluded.source "
        "= 1, excluded.bed, bed), active = iif(excluded.source = 0, active, excluded.active), "
        "source = max(source, excluded.source) WHERE excluded.source > 0 OR (source = 0 AND "
        "(family IS NULL OR birth_date IS NULL))",
    [SQL_PATIENTS_BY_VALUE] = PATIENT "WHERE p.value = ?1 ORDER BY p.value, p.system LIMIT ?2",
    [SQL_PATIENTS_BORN] = PATIENT "WHERE p.birth_date = ?1 ORDER BY p.family_folded, "
                                  "p.given_folded, p.value LIMIT ?2", /* known_patient_born */
    [SQL_PATIENTS_BY_FAMILY] =
        PATIENT "WHERE p.family_folded >= ?1 AND p.family_folded < ?1 || char(0x10FFFF) ORDER BY "
                "p.family_folded, p.given_folded, p.value LIMIT ?2", /* known_patient_family */
    [SQL_PATIENTS_IN_WARD] = PATIENT "WHERE p.ward = ?1 AND p.active = 1 ORDER BY p.family_folded, "
                                     "p.given_folded, p.value LIMIT ?2", /* known_patient_ward */
    [SQL_PATIENTS_IN_WARDS] =
        PATIENT "WHERE p.ward IS NOT NULL AND p.ward >= ?1 AND p.active = 1 ORDER BY p.ward, "
                "p.family_folded, p.given_folded, p.value LIMIT ?2", /* known_patient_ward */
    [SQL_NEXT_WARD] =
        "SELECT min(ward) FROM known_patient WHERE ward > ?1 AND active = 1", /* known_patient_ward,
                                                                                 one step */
    [SQL_ORDER_INSERT] = "INSERT INTO watch_order (patient, kind, interval_minutes, at_ms, reason, "
                         "ordered_by, made_ms) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
    [SQL_ORDER_END] = "UPDATE watch_order SET ended_ms = ?3, ended_reason = ?4, ended_by = ?5 "
                      "WHERE patient = ?1 AND kind = ?2 AND ended_ms IS NULL AND ((?6 AND "
                      "interval_minutes >= 0) OR (?7 AND at_ms > 0))", /* watch_order_open */
    [SQL_ORDERS] =
        "SELECT kind, interval_minutes, at_ms, reason, ordered_by, made_ms FROM watch_order WHERE "
        "patient = ?1 AND ended_ms IS NULL ORDER BY number LIMIT ?2", /* watch_order_open */
};

const char *db_sql_text(enum sql sql)
{
    return texts[sql];
}

enum status status_of_sqlite(int code)
{
    if (code == SQLITE_IOERR_NOMEM)
        return STATUS_NO_MEMORY;
    switch (code & 0xff) {
    case SQLITE_OK:
    case SQLITE_DONE:
    case SQLITE_ROW:
        return STATUS_OK;
    case SQLITE_NOMEM:
        return STATUS_NO_MEMORY;
    case SQLITE_FULL:
        return STATUS_DISK_FULL;
    case SQLITE_BUSY:
    case SQLITE_LOCKED:
        return STATUS_BUSY;
    case SQLITE_CORRUPT:
    case SQLITE_NOTADB:
    case SQLITE_ERROR: /* our statements are right (a test prepares them all): then the tables are
                          not ours */
    case SQLITE_SCHEMA:
        return STATUS_DAMAGED;
    case SQLITE_CONSTRAINT:
    case SQLITE_TOOBIG:
        return STATUS_INVALID;
    default:
        return STATUS_IO;
    }
}

sqlite3_stmt *db_statement(struct db *db, enum sql sql)
{
    sqlite3_stmt **slot = &db->statements[sql];

    if (*slot) {
        sqlite3_reset(*slot);
        sqlite3_clear_bindings(*slot);
        return *slot;
    }
    if (sqlite3_prepare_v3(db->handle, texts[sql], -1, SQLITE_PREPARE_PERSISTENT, slot, NULL) !=
        SQLITE_OK)
        return NULL;
    return *slot;
}

/* SQLite knows ENOSPC as a full disk; a quota and a limit on the size of files are none to it, but
 * to us. sqlite3_system_errno() is not set by a failed COMMIT (3.40), so errno is asked, which the
 * step began with at 0. */
static enum status status_of_step(int code)
{
    enum status status = status_of_sqlite(code);

    return status == STATUS_IO && (errno == EDQUOT || errno == EFBIG) ? STATUS_DISK_FULL : status;
}

enum status db_trouble(struct db *db)
{
    enum status status = status_of_sqlite(sqlite3_extended_errcode(db->handle));

    return status == STATUS_OK ? STATUS_NO_MEMORY : status;
}

enum status db_step(struct db *db, sqlite3_stmt *statement, bool *row)
{
    enum status status;
    int code;

    *row = false;
    if (!statement)
        return db_trouble(db);
    errno = 0;
    code = sqlite3_step(statement);
    status = status_of_step(code);
    *row = code == SQLITE_ROW;
    if (!*row)
        sqlite3_reset(statement);
    return status;
}

enum status db_run(struct db *db, sqlite3_stmt *statement)
{
    bool row;
    enum status status = db_step(db, statement, &row);

    if (row)
        sqlite3_reset(statement);
    return status;
}

sqlite3_stmt *db_bind_numbers(struct db *db, enum sql sql, const int64_t *numbers, size_t count)
{
    sqlite3_stmt *statement = db_statement(db, sql);

    for (size_t i = 0; statement && i < count; i++)
        sqlite3_bind_int64(statement, (int)i + 1, numbers[i]);
    return statement;
}

enum status db_run_numbers(struct db *db, enum sql sql, const int64_t *numbers, size_t count)
{
    return db_run(db, db_bind_numbers(db, sql, numbers, count));
}

void bind_blob(sqlite3_stmt *statement, int index, const void *bytes, size_t length)
{
    sqlite3_bind_blob64(statement, index, bytes, length, SQLITE_STATIC);
}

void bind_text(sqlite3_stmt *statement, int index, const char *text)
{
    sqlite3_bind_text(statement, index, text, -1, SQLITE_STATIC);
}

void bind_uuid(sqlite3_stmt *statement, int index, const struct uuid *uuid)
{
    sqlite3_bind_blob(statement, index, uuid->bytes, sizeof(uuid->bytes), SQLITE_STATIC);
}

/* SQLite gives NULL for a blob of no bytes, too: that one is there all the same. */
struct text column_bytes(sqlite3_stmt *statement, int column)
{
    const char *bytes;

    if (sqlite3_column_type(statement, column) == SQLITE_NULL)
        return (struct text){NULL, 0};
    bytes = sqlite3_column_blob(statement, column);
    return (struct text){bytes ? bytes : "", (size_t)sqlite3_column_bytes(statement, column)};
}

const char *column_text(sqlite3_stmt *statement, int column, bool *lost)
{
    const char *text;

    if (sqlite3_column_type(statement, column) == SQLITE_NULL)
        return NULL;
    text = (const char *)sqlite3_column_text(statement, column);
    *lost = *lost || !text;
    return text;
}

struct uuid column_uuid(sqlite3_stmt *statement, int column)
{
    struct uuid uuid = {{0}};
    struct text bytes = column_bytes(statement, column);

    if (bytes.length == sizeof(uuid.bytes))
        memcpy(uuid.bytes, bytes.bytes, sizeof(uuid.bytes));
    return uuid;
}

/* Short keys make short indexes; rows are compared by the text as well. */
int64_t patient_hash(const char *patient)
{
    static const unsigned char key[crypto_shorthash_KEYBYTES] = "wardpost outbox";
    int64_t hash;

    crypto_shorthash((unsigned char *)&hash, (const unsigned char *)patient, strlen(patient), key);
    return hash;
}

/* page_size counts for a new file only. The caches are small on purpose: what is written is mostly
 * at the end. */
static const char writer_pragmas[] =
    "PRAGMA page_size = 4096; PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL;"
    "PRAGMA wal_autocheckpoint = 0; PRAGMA cache_size = -2048; PRAGMA mmap_size = 0;"
    "PRAGMA temp_store = MEMORY; PRAGMA trusted_schema = OFF;";
static const char reader_pragmas[] = "PRAGMA query_only = ON; PRAGMA cache_size = -256; PRAGMA "
                                     "mmap_size = 0; PRAGMA temp_store = MEMORY;"
                                     "PRAGMA trusted_schema = OFF;";

/* Where WAL cannot be had (a file system without shared memory) SQLite goes on without and says so
 * in a row only: then we do not. */
static int see_journal(void *context, int count, char **values, char **names)
{
    bool *is_wal = context;

    (void)names;
    if (count == 1 && values[0] && strcmp(values[0], "wal") == 0)
        *is_wal = true;
    return 0;
}

enum status db_open(const char *path, bool writer, struct db *out)
{
    bool is_wal = false;
    int version;
    enum status status = status_of_sqlite(
        sqlite3_open_v2(path, &out->handle, SQLITE_OPEN_READWRITE | SQLITE_OPEN_NOMUTEX, NULL));

    if (status == STATUS_OK) {
        sqlite3_extended_result_codes(out->handle, 1);
        sqlite3_busy_timeout(out->handle, 5000);
    }
    if (status == STATUS_OK && writer)
        status = schema_check(out->handle,
                              &version); /* before anything is changed in a file that is not ours */
    if (status == STATUS_OK)
        status = status_of_sqlite(sqlite3_exec(
            out->handle, writer ? writer_pragmas : reader_pragmas, see_journal, &is_wal, NULL));
    if (status == STATUS_OK && writer && !is_wal)
        status = STATUS_IO;
    if (status == STATUS_OK)
        status = unpacker_new(&out->unpacker);
    if (status != STATUS_OK)
        db_close(out); /* SQLite wants the close after a failed open, too */
    return status;
}

void db_close(struct db *db)
{
    for (int i = 0; i < SQL_COUNT; i++)
        sqlite3_finalize(db->statements[i]);
    sqlite3_close(db->handle);
    unpacker_free(db->unpacker);
    *db = (struct db){0};
}

/* A base is plain itself (pack.h). */
static enum status learn_base(struct db *db, int64_t base)
{
    sqlite3_stmt *statement = db_bind_numbers(db, SQL_ENTRY_BECAME, NUMBERS(base));
    bool row;
    enum status status = db_step(db, statement, &row);

    if (status != STATUS_OK)
        return status;
    if (!row)
        return STATUS_DAMAGED;
    if (sqlite3_column_int64(statement, 1) == 0)
        status = unpacker_learn(db->unpacker, base, column_bytes(statement, 0));
    else
        status = STATUS_DAMAGED;
    sqlite3_reset(statement);
    return status;
}

enum status db_unpack(struct db *db, struct text packed, int64_t base, struct text *out)
{
    enum status status = STATUS_OK;

    *out = packed;
    if (base == 0 || !packed.bytes)
        return STATUS_OK;
    if (!unpacker_knows(db->unpacker, base))
        status = learn_base(db, base);
    return status == STATUS_OK ? unpack(db->unpacker, packed, out) : status;
}

enum status folder_sync(const char *path)
{
    char *copy = strdup(path); /* dirname() may write into it */
    int fd;
    enum status status;

    if (!copy)
        return STATUS_NO_MEMORY;
    fd = open(dirname(copy), O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    status = fd >= 0 && fsync(fd) == 0 ? STATUS_OK : STATUS_IO;
    if (fd >= 0)
        close(fd);
    free(copy);
    return status;
}
