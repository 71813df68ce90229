/* schema.c - the tables. Migrations are only ever appended. */
#include <stdio.h>

#include "store/store_private.h"

#define APPLICATION_ID 0x77706f32 /* "wpo2" */

/* Row n leads to user_version n + 1. */
static const char *const migrations[] = {
    /* What was accepted, written once. seq is the order of acceptance. An entry without a delivery
     * row whose seq is over the destination's watermark is fresh: waiting and never tried. So
     * accepting touches two b-trees and no more. */
    "CREATE TABLE entry (seq INTEGER PRIMARY KEY, id BLOB NOT NULL, set_id BLOB NOT NULL, reading "
    "INTEGER NOT NULL,"
    " role TEXT NOT NULL, kind TEXT NOT NULL, patient TEXT NOT NULL, patient_hash INTEGER NOT "
    "NULL, client TEXT NOT NULL,"
    " table_version TEXT NOT NULL, taken_ms INTEGER NOT NULL, accepted_ms INTEGER NOT NULL, needs "
    "INTEGER NOT NULL,"
    " earlier INTEGER NOT NULL, late_ms INTEGER NOT NULL, base INTEGER NOT NULL, content BLOB, "
    "sent BLOB, vals BLOB, became BLOB, flags BLOB) STRICT;"
    "CREATE UNIQUE INDEX entry_id ON entry (id);"
    /* The newest entry of a patient and kind; each entry names the one before it (`earlier`). It is
     * written behind the entries (chain.c). An index over all entries would touch a page of its own
     * for nearly every entry. The chain is in the order of acceptance; `latest_ms` is the latest
     * taken_ms in it, and an entry's `late_ms` tells by how much an earlier one was taken after it:
     * so the last one taken is found without walking the whole chain. */
    "CREATE TABLE newest (patient_hash INTEGER NOT NULL, kind TEXT NOT NULL, seq INTEGER NOT NULL, "
    "latest_ms INTEGER NOT NULL,"
    " PRIMARY KEY (patient_hash, kind)) STRICT, WITHOUT ROWID;"
    /* Where the entries of a set begin: they stand one after another from there. Single readings
       need no row. */
    "CREATE TABLE set_first (set_id BLOB PRIMARY KEY, seq INTEGER NOT NULL) STRICT, WITHOUT ROWID;"
    /* What a reading kept unmapped became later, after its set. */
    "CREATE TABLE late (reading INTEGER NOT NULL, seq INTEGER NOT NULL, PRIMARY KEY (reading, "
    "seq)) STRICT, WITHOUT ROWID;"
    "CREATE TABLE need (seq INTEGER NOT NULL, on_seq INTEGER NOT NULL, strict INTEGER NOT NULL, "
    "PRIMARY KEY (seq, on_seq))"
    " STRICT, WITHOUT ROWID;"
    "CREATE INDEX need_on ON need (on_seq);"
    /* How far each entry has come at a destination. state: 0 waiting, 1 held, 2 charted, 3
     * discarded. claimed: it is out with the courier; behind: an earlier one of its patient was
     * left out. In the indexes by patient stand only those that wait for something: what is claimed
     * and charted on the first try (nearly all) never touches them. */
    "CREATE TABLE delivery (destination INTEGER NOT NULL, seq INTEGER NOT NULL, patient_hash "
    "INTEGER NOT NULL,"
    " state INTEGER NOT NULL, due_ms INTEGER NOT NULL DEFAULT 0, attempts INTEGER NOT NULL DEFAULT "
    "0,"
    " ambiguous INTEGER NOT NULL DEFAULT 0, sent_ms INTEGER NOT NULL DEFAULT 0, sent_before_ms "
    "INTEGER NOT NULL DEFAULT 0,"
    " unmet INTEGER NOT NULL DEFAULT 0, behind INTEGER NOT NULL DEFAULT 0, claimed INTEGER NOT "
    "NULL DEFAULT 0, settled_ms INTEGER NOT NULL DEFAULT 0,"
    " http_status INTEGER NOT NULL DEFAULT 0, remote TEXT, version TEXT, reason TEXT, decided_by "
    "TEXT,"
    " PRIMARY KEY (destination, seq)) STRICT, WITHOUT ROWID;"
    "CREATE INDEX delivery_due ON delivery (destination, due_ms, seq) WHERE state = 0 AND unmet = "
    "0 AND behind = 0"
    " AND claimed = 0;"
    "CREATE INDEX delivery_line ON delivery (destination, patient_hash, seq) WHERE state = 0 AND "
    "unmet = 0 AND claimed = 0;"
    "CREATE INDEX delivery_behind ON delivery (destination, patient_hash, seq) WHERE behind = 1;"
    "CREATE INDEX delivery_claimed ON delivery (destination, seq) WHERE claimed = 1;"
    "CREATE INDEX delivery_state ON delivery (destination, state, seq) WHERE state <> 2;"
    "CREATE TABLE attempt (destination INTEGER NOT NULL, seq INTEGER NOT NULL, at_ms INTEGER NOT "
    "NULL, http_status INTEGER NOT NULL,"
    " reason TEXT NOT NULL, said BLOB) STRICT;"
    "CREATE INDEX attempt_seq ON attempt (destination, seq);"
    "CREATE TABLE decision (seq INTEGER NOT NULL, at_ms INTEGER NOT NULL, what TEXT NOT NULL, "
    "reason TEXT NOT NULL,"
    " decided_by TEXT NOT NULL) STRICT;"
    "CREATE INDEX decision_seq ON decision (seq);"
    "CREATE TABLE idempotency (client TEXT NOT NULL, key TEXT NOT NULL, content BLOB NOT NULL, "
    "answer BLOB NOT NULL,"
    " kept_ms INTEGER NOT NULL, PRIMARY KEY (client, key)) STRICT, WITHOUT ROWID;"
    "CREATE INDEX idempotency_kept ON idempotency (kept_ms);"
    "CREATE TABLE refusal (number INTEGER PRIMARY KEY AUTOINCREMENT, client TEXT NOT NULL, "
    "received_ms INTEGER NOT NULL,"
    " sent BLOB NOT NULL, problems BLOB NOT NULL, done_ms INTEGER, done_reason TEXT, done_by TEXT) "
    "STRICT;"
    "CREATE INDEX refusal_open ON refusal (number) WHERE done_ms IS NULL;"
    "CREATE TABLE counter (counter INTEGER PRIMARY KEY, value INTEGER NOT NULL) STRICT;",
    /* Who the patients are (known_patients.h), with an index for each way of looking for one. */
    "CREATE TABLE known_patient (number INTEGER PRIMARY KEY, system TEXT NOT NULL, value TEXT NOT "
    "NULL, family TEXT, given TEXT, family_folded TEXT, given_folded TEXT, birth_date TEXT, "
    "gender TEXT, ward TEXT, bed TEXT, active INTEGER NOT NULL, deceased INTEGER NOT NULL, source "
    "INTEGER NOT NULL, seen_ms INTEGER NOT NULL) STRICT;"
    "CREATE UNIQUE INDEX known_patient_identifier ON known_patient (value, system);"
    "CREATE INDEX known_patient_family ON known_patient (family_folded, given_folded, value) WHERE "
    "family_folded IS NOT NULL;"
    "CREATE INDEX known_patient_born ON known_patient (birth_date, family_folded, given_folded, "
    "value) WHERE birth_date IS NOT NULL;"
    "CREATE INDEX known_patient_ward ON known_patient (ward, family_folded, given_folded, value) "
    "WHERE ward IS NOT NULL AND active = 1;"
    /* What was ordered for the round (orders.h); ended ones stay. */
    "CREATE TABLE watch_order (number INTEGER PRIMARY KEY AUTOINCREMENT, patient TEXT NOT NULL, "
    "kind TEXT NOT NULL, interval_minutes INTEGER NOT NULL, at_ms INTEGER NOT NULL, reason TEXT "
    "NOT NULL, ordered_by TEXT NOT NULL, made_ms INTEGER NOT NULL, ended_ms INTEGER, ended_reason "
    "TEXT, ended_by TEXT) STRICT;"
    "CREATE INDEX watch_order_open ON watch_order (patient, number) WHERE ended_ms IS NULL;",
    /* Corrections. entry.line: this is a newer text of the entry whose seq that is, and has no
     * delivery row of its own. delivery.body: the entry whose text goes (0: its own), below zero:
     * as entered in error; delivery.next: what goes when this one is settled. */
    "ALTER TABLE entry ADD COLUMN line INTEGER NOT NULL DEFAULT 0;"
    "ALTER TABLE delivery ADD COLUMN body INTEGER NOT NULL DEFAULT 0;"
    "ALTER TABLE delivery ADD COLUMN next INTEGER NOT NULL DEFAULT 0;"
    "CREATE TABLE correction (replaces INTEGER PRIMARY KEY, replaces_id BLOB NOT NULL, seq INTEGER "
    "NOT NULL, id BLOB, at_ms INTEGER NOT NULL, reason TEXT NOT NULL, said TEXT, decided_by TEXT "
    "NOT NULL, client TEXT NOT NULL) STRICT;"
    "CREATE INDEX correction_seq ON correction (seq) WHERE seq <> 0;",
};

static enum status read_number(sqlite3 *handle, const char *sql, int *out)
{
    sqlite3_stmt *statement = NULL;
    int code = sqlite3_prepare_v2(handle, sql, -1, &statement, NULL);

    if (code == SQLITE_OK)
        code = sqlite3_step(statement);
    if (code == SQLITE_ROW)
        *out = sqlite3_column_int(statement, 0);
    sqlite3_finalize(statement);
    return code == SQLITE_ROW    ? STATUS_OK
           : code == SQLITE_DONE ? STATUS_DAMAGED
                                 : status_of_sqlite(code);
}

enum status schema_check(sqlite3 *handle, int *version)
{
    const int newest = (int)(sizeof(migrations) / sizeof(migrations[0]));
    int application = 0, tables = 0;
    enum status status = read_number(handle, "PRAGMA user_version", version);

    if (status == STATUS_OK)
        status = read_number(handle, "PRAGMA application_id", &application);
    if (status == STATUS_OK)
        status = read_number(handle, "SELECT count(*) FROM sqlite_schema", &tables);
    if (status != STATUS_OK)
        return status;
    if (*version == 0) /* a new file; with tables in it, or another mark, it is somebody else's */
        return tables == 0 && application == 0 ? STATUS_OK : STATUS_DAMAGED;
    return *version > 0 && *version <= newest && application == APPLICATION_ID ? STATUS_OK
                                                                               : STATUS_DAMAGED;
}

static enum status migrate_one(sqlite3 *handle, int version)
{
    char pragmas[96];
    int code = sqlite3_exec(handle, "BEGIN IMMEDIATE", NULL, NULL, NULL);

    (void)snprintf(pragmas, sizeof(pragmas), "PRAGMA user_version = %d; PRAGMA application_id = %d",
                   version + 1, APPLICATION_ID);
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
    int version = 0;
    enum status status = schema_check(handle, &version);

    for (; status == STATUS_OK && version < (int)(sizeof(migrations) / sizeof(migrations[0]));
         version++)
        status = migrate_one(handle, version);
    return status;
}
