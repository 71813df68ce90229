/* settle.c - what came of a claim: charted, held, or to be tried again; and what that means for those that hang on it. */
#include "store/store_private.h"

struct settle_job {
    struct job job;
    const struct settlement *settlements;
    size_t count;
    int64_t now_ms;
};

static enum status note_attempt(struct outbox *outbox, const struct settlement *settlement, int64_t now_ms)
{
    sqlite3_stmt *statement;

    if (settlement->as == SETTLE_CHARTED || settlement->not_sent)
        return STATUS_OK; /* a plain success stands in the delivery row */
    statement = db_statement(&outbox->db, SQL_ATTEMPT_INSERT);
    if (!statement)
        return STATUS_NO_MEMORY;
    sqlite3_bind_int64(statement, 1, settlement->seq);
    sqlite3_bind_int64(statement, 2, now_ms);
    sqlite3_bind_int(statement, 3, settlement->http_status);
    bind_text(statement, 4, settlement->reason ? settlement->reason : "");
    bind_blob(statement, 5, settlement->said, settlement->said_length);
    return db_run(&outbox->db, statement);
}

static enum status wait(struct outbox *outbox, const struct settlement *settlement)
{
    sqlite3_stmt *statement = db_statement(&outbox->db, SQL_DELIVERY_WAIT);

    if (!statement)
        return STATUS_NO_MEMORY;
    sqlite3_bind_int64(statement, 1, settlement->seq);
    sqlite3_bind_int64(statement, 2, settlement->due_ms);
    sqlite3_bind_int(statement, 3, settlement->ambiguous);
    bind_text(statement, 4, settlement->reason);
    sqlite3_bind_int(statement, 5, settlement->http_status);
    sqlite3_bind_int(statement, 6, settlement->not_sent);
    return db_run(&outbox->db, statement);
}

static enum status settle(struct outbox *outbox, const struct settlement *settlement, enum entry_state state, int64_t now_ms)
{
    sqlite3_stmt *statement = db_statement(&outbox->db, SQL_DELIVERY_SETTLE);

    if (!statement)
        return STATUS_NO_MEMORY;
    sqlite3_bind_int64(statement, 1, settlement->seq);
    sqlite3_bind_int(statement, 2, (int)state);
    sqlite3_bind_int64(statement, 3, now_ms);
    sqlite3_bind_int(statement, 4, settlement->http_status);
    bind_text(statement, 5, settlement->remote);
    bind_text(statement, 6, settlement->version);
    bind_text(statement, 7, state == ENTRY_HELD ? settlement->reason : NULL);
    return db_run(&outbox->db, statement);
}

static enum status settle_one(struct outbox *outbox, const struct settlement *settlement, int64_t now_ms)
{
    enum entry_state state = settlement->as == SETTLE_CHARTED ? ENTRY_CHARTED : ENTRY_HELD;
    struct delivery_row row;
    enum status status = delivery_find(outbox, settlement->seq, &row);

    if (status == STATUS_OK)
        status = note_attempt(outbox, settlement, now_ms);
    if (status != STATUS_OK)
        return status;
    if (settlement->as == SETTLE_WAIT) {
        outbox->made_deliverable = true; /* sooner or later: whoever waits asks when */
        return wait(outbox, settlement);
    }
    status = settle(outbox, settlement, state, now_ms);
    state_counted(outbox, ENTRY_WAITING, state);
    if (status == STATUS_OK)
        status = line_release(outbox, row.patient);
    if (status == STATUS_OK)
        status = dependants_review(outbox, settlement->seq, state == ENTRY_CHARTED && !row.has_remote);
    return status;
}

static enum status settle_run(struct outbox *outbox, struct job *job)
{
    const struct settle_job *settling = (const struct settle_job *)(const void *)job;
    enum status status = STATUS_OK;

    for (size_t i = 0; i < settling->count && status == STATUS_OK; i++)
        status = settle_one(outbox, &settling->settlements[i], settling->now_ms);
    return status;
}

enum status outbox_settle(struct outbox *outbox, const struct settlement *settlements, size_t count, int64_t now_ms)
{
    struct settle_job job = {{.run = settle_run}, settlements, count, now_ms};

    return outbox_do(outbox, &job.job);
}
