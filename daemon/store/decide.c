/* decide.c - what a person decides: release, discard, a refusal worked off; and what is kept for a person to decide. */
#include <string.h>

#include "store/store_private.h"

#define CASCADE_MOST 256

struct decide_job {
    struct job job;
    const struct uuid *id;
    const char *reason, *by;
    int64_t now_ms;
    const struct put_entry *entries; /* of release_mapped */
    size_t count;
};

static struct decide_job *of(struct job *job)
{
    return (struct decide_job *)(void *)job;
}

static enum status find_seq(struct outbox *outbox, const struct uuid *id, int64_t *seq)
{
    sqlite3_stmt *statement = db_statement(&outbox->db, SQL_ENTRY_KNOWN);
    int code;

    if (!statement)
        return STATUS_NO_MEMORY;
    bind_uuid(statement, 1, id);
    code = sqlite3_step(statement);
    if (code == SQLITE_ROW)
        *seq = sqlite3_column_int64(statement, 0);
    sqlite3_reset(statement);
    return code == SQLITE_ROW ? STATUS_OK : code == SQLITE_DONE ? STATUS_NOT_FOUND : status_of_sqlite(code);
}

static enum status note_decision(struct outbox *outbox, const struct decide_job *job, int64_t seq, const char *what)
{
    sqlite3_stmt *statement = db_statement(&outbox->db, SQL_DECISION_INSERT);

    if (!statement)
        return STATUS_NO_MEMORY;
    sqlite3_bind_int64(statement, 1, seq);
    sqlite3_bind_int64(statement, 2, job->now_ms);
    bind_text(statement, 3, what);
    bind_text(statement, 4, job->reason);
    bind_text(statement, 5, job->by);
    return db_run(&outbox->db, statement);
}

static enum status set_state(struct outbox *outbox, const struct decide_job *job, int64_t seq, enum entry_state state)
{
    sqlite3_stmt *statement = db_statement(&outbox->db, SQL_DELIVERY_STATE);

    if (!statement)
        return STATUS_NO_MEMORY;
    sqlite3_bind_int64(statement, 1, seq);
    sqlite3_bind_int(statement, 2, (int)state);
    bind_text(statement, 3, job->reason);
    bind_text(statement, 4, job->by);
    sqlite3_bind_int64(statement, 5, job->now_ms);
    sqlite3_bind_int64(statement, 6, state == ENTRY_WAITING ? 0 : job->now_ms);
    return db_run(&outbox->db, statement);
}

/* ---- release ---- */

static enum status release_held(struct outbox *outbox, struct decide_job *job, int64_t seq)
{
    enum status status = set_state(outbox, job, seq, ENTRY_WAITING);

    state_counted(outbox, ENTRY_HELD, ENTRY_WAITING);
    outbox->made_deliverable = true;
    if (status == STATUS_OK)
        status = note_decision(outbox, job, seq, "released");
    return status == STATUS_OK ? dependants_review(outbox, seq, false) : status;
}

static enum status find_held(struct outbox *outbox, const struct decide_job *job, bool unmapped, int64_t *seq)
{
    struct delivery_row row;
    enum status status = find_seq(outbox, job->id, seq);

    if (status == STATUS_OK)
        status = delivery_find(outbox, *seq, &row);
    if (status != STATUS_OK)
        return status;
    return row.found && row.state == ENTRY_HELD && row.unmapped == unmapped ? STATUS_OK : STATUS_CONFLICT;
}

static enum status release_run(struct outbox *outbox, struct job *job)
{
    int64_t seq = 0;
    enum status status = find_held(outbox, of(job), false, &seq);

    return status == STATUS_OK ? release_held(outbox, of(job), seq) : status;
}

enum status outbox_release(struct outbox *outbox, const struct uuid *id, const char *reason, const char *by, int64_t now_ms)
{
    struct decide_job job = {.job = {.run = release_run}, .id = id, .reason = reason, .by = by, .now_ms = now_ms};

    return outbox_do(outbox, &job.job);
}

static enum status map_entry(struct outbox *outbox, const struct put_entry *entry, int64_t seq)
{
    sqlite3_stmt *statement = db_statement(&outbox->db, SQL_ENTRY_MAP);

    if (!statement)
        return STATUS_NO_MEMORY;
    sqlite3_bind_int64(statement, 1, seq);
    bind_blob(statement, 2, entry->became, entry->became_length);
    bind_blob(statement, 3, entry->flags, entry->flags_length);
    return db_run(&outbox->db, statement);
}

struct main_row { /* what the companions take over from it */
    struct put put;
    char patient[600], client[80], version[24];
};

static enum status read_main(struct outbox *outbox, int64_t seq, struct main_row *row)
{
    sqlite3_stmt *statement = db_statement(&outbox->db, SQL_ROW_BY_SEQ);

    if (!statement || sqlite3_bind_int64(statement, 1, seq) != SQLITE_OK || sqlite3_step(statement) != SQLITE_ROW)
        return STATUS_IO;
    memcpy(row->put.set.bytes, sqlite3_column_blob(statement, 2), sizeof(row->put.set.bytes));
    strncpy(row->patient, (const char *)sqlite3_column_text(statement, 6), sizeof(row->patient) - 1);
    strncpy(row->client, (const char *)sqlite3_column_text(statement, 7), sizeof(row->client) - 1);
    strncpy(row->version, (const char *)sqlite3_column_text(statement, 8), sizeof(row->version) - 1);
    sqlite3_reset(statement);
    row->put.patient = row->patient;
    row->put.client = row->client;
    row->put.table_version = row->version;
    return STATUS_OK;
}

static enum status note_late(struct outbox *outbox, int64_t main, int64_t seq)
{
    sqlite3_stmt *statement = db_statement(&outbox->db, SQL_LATE_INSERT);

    if (!statement)
        return STATUS_NO_MEMORY;
    sqlite3_bind_int64(statement, 1, main);
    sqlite3_bind_int64(statement, 2, seq);
    return db_run(&outbox->db, statement);
}

static enum status add_companion(struct outbox *outbox, const struct main_row *row, const struct put_entry *companion, int64_t main)
{
    struct put_entry entry = *companion;
    int64_t seq = outbox->last_seq + 1;
    enum status status;

    entry.reading = 0; /* both counted from the main, which is of an earlier put */
    entry.needs = (const struct put_need[]){{0, true}};
    entry.needs_count = 1;
    status = put_entry(outbox, &row->put, &entry, seq, main);
    if (status == STATUS_OK)
        outbox->last_seq = seq;
    return status == STATUS_OK ? note_late(outbox, main, seq) : status;
}

static enum status release_mapped_run(struct outbox *outbox, struct job *job)
{
    struct decide_job *decision = of(job);
    struct main_row row = {.put = {.accepted_ms = decision->now_ms}};
    int64_t seq = 0;
    enum status status = find_held(outbox, decision, true, &seq);

    if (status == STATUS_OK)
        status = read_main(outbox, seq, &row);
    if (status == STATUS_OK)
        status = map_entry(outbox, &decision->entries[0], seq);
    for (size_t i = 1; i < decision->count && status == STATUS_OK; i++)
        status = add_companion(outbox, &row, &decision->entries[i], seq);
    return status == STATUS_OK ? release_held(outbox, decision, seq) : status;
}

enum status outbox_release_mapped(struct outbox *outbox, const struct put_entry *entries, size_t count, const char *reason, const char *by,
                                  int64_t now_ms)
{
    struct decide_job job = {.job = {.run = release_mapped_run}, .id = &entries[0].id, .reason = reason, .by = by, .now_ms = now_ms,
                             .entries = entries, .count = count};

    return outbox_do(outbox, &job.job);
}

/* ---- discard ---- */

/* What may have been sent cannot be unsaid here: that is a correction. */
static bool may_discard(const struct delivery_row *row)
{
    return !row->found || row->state == ENTRY_HELD || (row->state == ENTRY_WAITING && row->attempts == 0);
}

/* The next who asks for the patient's last reading of this kind must not be told of this one. */
static enum status forget_newest(struct outbox *outbox, int64_t seq)
{
    sqlite3_stmt *statement = db_statement(&outbox->db, SQL_ROW_BY_SEQ);

    if (!statement)
        return STATUS_NO_MEMORY;
    sqlite3_bind_int64(statement, 1, seq);
    if (sqlite3_step(statement) == SQLITE_ROW)
        newest_note(outbox->newest, patient_hash((const char *)sqlite3_column_text(statement, 6)),
                    (const char *)sqlite3_column_text(statement, 5), 0, NULL, 0);
    sqlite3_reset(statement);
    return STATUS_OK;
}

static enum status discard_one(struct outbox *outbox, const struct decide_job *job, int64_t seq)
{
    struct delivery_row row;
    enum status status = delivery_find(outbox, seq, &row);

    if (status != STATUS_OK)
        return status;
    if (row.found && row.state == ENTRY_DISCARDED)
        return STATUS_OK;
    if (!may_discard(&row))
        return STATUS_CONFLICT;
    if (row.found) {
        status = set_state(outbox, job, seq, ENTRY_DISCARDED);
        state_counted(outbox, row.state, ENTRY_DISCARDED);
    } else {
        status = delivery_insert(outbox, seq, row.patient, ENTRY_DISCARDED, job->reason, job->now_ms);
        if (status == STATUS_OK)
            status = set_state(outbox, job, seq, ENTRY_DISCARDED);
    }
    if (status == STATUS_OK)
        status = forget_newest(outbox, seq);
    if (status == STATUS_OK)
        status = note_decision(outbox, job, seq, "discarded");
    if (status == STATUS_OK)
        status = line_release(outbox, row.patient);
    return status == STATUS_OK ? dependants_review(outbox, seq, false) : status;
}

static enum status discard_run(struct outbox *outbox, struct job *job)
{
    int64_t cascade[CASCADE_MOST], seq = 0;
    size_t count = 0;
    enum status status = find_seq(outbox, of(job)->id, &seq);

    if (status == STATUS_OK)
        status = discard_one(outbox, of(job), seq);
    if (status == STATUS_OK)
        status = strict_dependants(outbox, seq, cascade, CASCADE_MOST, &count);
    for (size_t i = 0; i < count && status == STATUS_OK; i++)
        status = discard_one(outbox, of(job), cascade[i]);
    return status;
}

enum status outbox_discard(struct outbox *outbox, const struct uuid *id, const char *reason, const char *by, int64_t now_ms)
{
    struct decide_job job = {.job = {.run = discard_run}, .id = id, .reason = reason, .by = by, .now_ms = now_ms};

    return outbox_do(outbox, &job.job);
}

/* ---- refusals ---- */

struct refuse_job {
    struct job job;
    const struct refusal *refusal;
    int64_t number, now_ms;
    const char *reason, *by;
};

static enum status refuse_run(struct outbox *outbox, struct job *job)
{
    struct refuse_job *refusing = (struct refuse_job *)(void *)job;
    sqlite3_stmt *statement = db_statement(&outbox->db, SQL_REFUSAL_INSERT);
    enum status status;

    if (!statement)
        return STATUS_NO_MEMORY;
    bind_text(statement, 1, refusing->refusal->client);
    sqlite3_bind_int64(statement, 2, refusing->refusal->received_ms);
    bind_blob(statement, 3, refusing->refusal->sent ? refusing->refusal->sent : "", refusing->refusal->sent_length);
    bind_blob(statement, 4, refusing->refusal->problems, refusing->refusal->problems_length);
    status = db_run(&outbox->db, statement);
    if (status == STATUS_OK) {
        refusing->number = sqlite3_last_insert_rowid(outbox->db.handle);
        counter_add(outbox, COUNTER_REFUSALS, 1);
    }
    return status;
}

enum status outbox_refuse(struct outbox *outbox, const struct refusal *refusal, int64_t *number_out)
{
    struct refuse_job job = {.job = {.run = refuse_run, .is_put = true}, .refusal = refusal};
    enum status status = outbox_do(outbox, &job.job);

    if (status == STATUS_OK)
        *number_out = job.number;
    return status;
}

static enum status refusal_done_run(struct outbox *outbox, struct job *job)
{
    struct refuse_job *refusing = (struct refuse_job *)(void *)job;
    sqlite3_stmt *statement = db_statement(&outbox->db, SQL_REFUSAL_DONE);
    enum status status;

    if (!statement)
        return STATUS_NO_MEMORY;
    sqlite3_bind_int64(statement, 1, refusing->number);
    sqlite3_bind_int64(statement, 2, refusing->now_ms);
    bind_text(statement, 3, refusing->reason);
    bind_text(statement, 4, refusing->by);
    status = db_run(&outbox->db, statement);
    if (status == STATUS_OK && sqlite3_changes(outbox->db.handle) == 0)
        return STATUS_NOT_FOUND;
    if (status == STATUS_OK)
        counter_add(outbox, COUNTER_REFUSALS, -1);
    return status;
}

enum status outbox_refusal_done(struct outbox *outbox, int64_t number, const char *reason, const char *by, int64_t now_ms)
{
    struct refuse_job job = {.job = {.run = refusal_done_run}, .number = number, .now_ms = now_ms, .reason = reason, .by = by};

    return outbox_do(outbox, &job.job);
}
