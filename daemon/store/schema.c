/* schema.c - the tables. Migrations are only ever appended. */
#include <stdio.h>

#include "store/store_private.h"

#define APPLICATION_ID 0x77706f78 /* "wpox" */

/* Row n leads to user_version n + 1. */
static const char *const migrations[] = {
    /* What was accepted, written once. seq is the order of acceptance. An entry without a delivery row whose seq is over the
     * destination's watermark is fresh: waiting and never tried. So accepting touches three b-trees and no more. */
    "CREATE TABLE entry (seq INTEGER PRIMARY KEY, id BLOB NOT NULL, set_id BLOB NOT NULL, reading INTEGER NOT NULL,"
    " role TEXT NOT NULL, kind TEXT NOT NULL, patient TEXT NOT NULL, patient_hash INTEGER NOT NULL, client TEXT NOT NULL,"
    " table_version TEXT NOT NULL, taken_ms INTEGER NOT NULL, accepted_ms INTEGER NOT NULL, needs INTEGER NOT NULL,"
    " earlier INTEGER NOT NULL, base INTEGER NOT NULL, content BLOB, sent BLOB, vals BLOB, became BLOB, flags BLOB) STRICT;"
    "CREATE UNIQUE INDEX entry_id ON entry (id);"
    /* The newest entry of a patient and kind; each entry names the one before it (`earlier`). A small table that is written in place,
     * where an index over all entries would touch a page of its own for nearly every entry. */
    "CREATE TABLE newest (patient_hash INTEGER NOT NULL, kind TEXT NOT NULL, seq INTEGER NOT NULL, PRIMARY KEY (patient_hash, kind))"
    " STRICT, WITHOUT ROWID;"
    /* Where the entries of a set begin: they stand one after another from there. Single readings need no row. */
    "CREATE TABLE set_first (set_id BLOB PRIMARY KEY, seq INTEGER NOT NULL) STRICT, WITHOUT ROWID;"
    /* What a reading kept unmapped became later, after its set. */
    "CREATE TABLE late (reading INTEGER NOT NULL, seq INTEGER NOT NULL, PRIMARY KEY (reading, seq)) STRICT, WITHOUT ROWID;"
    "CREATE TABLE need (seq INTEGER NOT NULL, on_seq INTEGER NOT NULL, strict INTEGER NOT NULL, PRIMARY KEY (seq, on_seq))"
    " STRICT, WITHOUT ROWID;"
    "CREATE INDEX need_on ON need (on_seq);"
    /* How far each entry has come at a destination. state: 0 waiting, 1 held, 2 charted, 3 discarded. */
    "CREATE TABLE delivery (destination INTEGER NOT NULL, seq INTEGER NOT NULL, patient_hash INTEGER NOT NULL,"
    " state INTEGER NOT NULL, due_ms INTEGER NOT NULL DEFAULT 0, attempts INTEGER NOT NULL DEFAULT 0,"
    " ambiguous INTEGER NOT NULL DEFAULT 0, sent_ms INTEGER NOT NULL DEFAULT 0, sent_before_ms INTEGER NOT NULL DEFAULT 0,"
    " unmet INTEGER NOT NULL DEFAULT 0, behind INTEGER NOT NULL DEFAULT 0, settled_ms INTEGER NOT NULL DEFAULT 0,"
    " http_status INTEGER NOT NULL DEFAULT 0, remote TEXT, version TEXT, reason TEXT, decided_by TEXT,"
    " PRIMARY KEY (destination, seq)) STRICT, WITHOUT ROWID;"
    "CREATE INDEX delivery_due ON delivery (destination, due_ms, seq) WHERE state = 0 AND unmet = 0 AND behind = 0;"
    "CREATE INDEX delivery_line ON delivery (destination, patient_hash, seq) WHERE state = 0 AND unmet = 0;"
    "CREATE INDEX delivery_state ON delivery (destination, state, seq) WHERE state <> 2;"
    "CREATE TABLE attempt (destination INTEGER NOT NULL, seq INTEGER NOT NULL, at_ms INTEGER NOT NULL, http_status INTEGER NOT NULL,"
    " reason TEXT NOT NULL, said BLOB) STRICT;"
    "CREATE INDEX attempt_seq ON attempt (destination, seq);"
    "CREATE TABLE decision (seq INTEGER NOT NULL, at_ms INTEGER NOT NULL, what TEXT NOT NULL, reason TEXT NOT NULL,"
    " decided_by TEXT NOT NULL) STRICT;"
    "CREATE INDEX decision_seq ON decision (seq);"
    "CREATE TABLE idempotency (client TEXT NOT NULL, key TEXT NOT NULL, content BLOB NOT NULL, answer BLOB NOT NULL,"
    " kept_ms INTEGER NOT NULL, PRIMARY KEY (client, key)) STRICT, WITHOUT ROWID;"
    "CREATE INDEX idempotency_kept ON idempotency (kept_ms);"
    "CREATE TABLE refusal (number INTEGER PRIMARY KEY AUTOINCREMENT, client TEXT NOT NULL, received_ms INTEGER NOT NULL,"
    " sent BLOB NOT NULL, problems BLOB NOT NULL, done_ms INTEGER, done_reason TEXT, done_by TEXT) STRICT;"
    "CREATE INDEX refusal_open ON refusal (number) WHERE done_ms IS NULL;"
    "CREATE TABLE counter (counter INTEGER PRIMARY KEY, value INTEGER NOT NULL) STRICT;",
};

static int pragma_number(sqlite3 *handle, const char *sql)
{
    sqlite3_stmt *statement = NULL;
    int number = -1;

    if (sqlite3_prepare_v2(handle, sql, -1, &statement, NULL) == SQLITE_OK && sqlite3_step(statement) == SQLITE_ROW)
        number = sqlite3_column_int(statement, 0);
    sqlite3_finalize(statement);
    return number;
}

static enum status migrate_one(sqlite3 *handle, int version)
{
    char pragmas[96];
    int code = sqlite3_exec(handle, "BEGIN IMMEDIATE", NULL, NULL, NULL);

    snprintf(pragmas, sizeof(pragmas), "PRAGMA user_version = %d; PRAGMA application_id = %d", version + 1, APPLICATION_ID);
    if (code == SQLITE_OK)
        code = sqlite3_exec(handle, migrations[version], NULL, NULL, NULL);
    if (code == SQLITE_OK)
        code = sqlite3_exec(handle, pragmas, NULL, NULL, NULL);
    if (code == SQLITE_OK)
        code = sqlite3_exec(handle, "COMMIT", NULL, NULL, NULL);
    if (code == SQLITE_OK)
        return STATUS_OK;
    sqlite3_exec(handle, "ROLLBACK", NULL, NULL, NULL);
    return status_of_sqlite(code);
}

enum status schema_migrate(sqlite3 *handle)
{
    const int newest = (int)(sizeof(migrations) / sizeof(migrations[0]));
    int version = pragma_number(handle, "PRAGMA user_version");
    int application = pragma_number(handle, "PRAGMA application_id");

    if (version < 0 || version > newest || (version > 0 && application != APPLICATION_ID))
        return STATUS_DAMAGED;
    if (version == 0 && pragma_number(handle, "SELECT count(*) FROM sqlite_schema") != 0)
        return STATUS_DAMAGED; /* a database of somebody else's */
    while (version < newest) {
        enum status status = migrate_one(handle, version++);

        if (status != STATUS_OK)
            return status;
    }
    return STATUS_OK;
}
