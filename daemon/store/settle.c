/* settle.c - what came of a claim: charted, held, or to be tried again; and what that means for
 * those that hang on it. */
#include "store/store_private.h"
#include "wardpost/log.h"

struct settle_job {
    struct job job;
    const struct settlement *settlements;
    size_t count;
    int64_t now_ms;
};

/* A plain success stands in the delivery row, and what never left was no attempt. */
static enum status note_attempt(struct outbox *outbox, const struct settlement *settlement,
                                int64_t now_ms)
{
    sqlite3_stmt *statement;

    if (settlement->as == SETTLE_CHARTED || settlement->not_sent)
        return STATUS_OK;
    statement = db_bind_numbers(&outbox->db, SQL_ATTEMPT_INSERT,
                                NUMBERS(settlement->seq, now_ms, settlement->http_status));
    if (statement) {
        bind_text(statement, 4, settlement->reason ? settlement->reason : "");
        bind_blob(statement, 5, settlement->said, settlement->said_length);
    }
    return db_run(&outbox->db, statement);
}

static enum status wait(struct outbox *outbox, const struct settlement *settlement)
{
    sqlite3_stmt *statement =
        db_bind_numbers(&outbox->db, SQL_DELIVERY_WAIT,
                        NUMBERS(settlement->seq, settlement->due_ms, settlement->ambiguous, 0,
                                settlement->http_status, settlement->not_sent));

    if (statement)
        bind_text(statement, 4, settlement->reason);
    outbox->made_deliverable = true; /* sooner or later: whoever waits asks when */
    return db_run(&outbox->db, statement);
}

static enum status settle(struct outbox *outbox, const struct settlement *settlement,
                          enum entry_state state, int64_t now_ms)
{
    sqlite3_stmt *statement =
        db_bind_numbers(&outbox->db, SQL_DELIVERY_SETTLE,
                        NUMBERS(settlement->seq, (int64_t)state, now_ms, settlement->http_status));

    if (statement) {
        bind_text(statement, 5, settlement->remote);
        bind_text(statement, 6, settlement->version);
        bind_text(statement, 7, state == ENTRY_HELD ? settlement->reason : NULL);
        sqlite3_bind_int(statement, 8, state == ENTRY_HELD && settlement->ambiguous);
    }
    state_counted(outbox, ENTRY_WAITING, state);
    change_note(outbox, settlement->seq, false);
    return db_run(&outbox->db, statement);
}

static enum status settle_for_good(struct outbox *outbox, const struct settlement *settlement,
                                   int64_t patient, bool has_remote, int64_t now_ms)
{
    enum entry_state state = settlement->as == SETTLE_CHARTED ? ENTRY_CHARTED : ENTRY_HELD;
    enum status status = settle(outbox, settlement, state, now_ms);

    if (status == STATUS_OK)
        status = line_release(outbox, patient);
    if (status == STATUS_OK)
        status = dependants_review(outbox, settlement->seq, patient,
                                   state == ENTRY_CHARTED && !has_remote);
    return status;
}

static enum status settle_one(struct outbox *outbox, const struct settlement *settlement,
                              int64_t now_ms)
{
    sqlite3_stmt *statement =
        db_bind_numbers(&outbox->db, SQL_DELIVERY_WAITING, NUMBERS(settlement->seq));
    bool row, has_remote, has_next;
    int64_t patient, body;
    enum status status = db_step(&outbox->db, statement, &row);

    if (status != STATUS_OK)
        return status;
    if (!row) {
        log_line(LOG_LEVEL_WARNING, "store: seq=%lld is not waiting: nothing to settle",
                 (long long)settlement->seq);
        return STATUS_OK;
    }
    patient = sqlite3_column_int64(statement, 0);
    has_remote = sqlite3_column_type(statement, 1) != SQLITE_NULL;
    has_next = sqlite3_column_int64(statement, 2) != 0;
    body = sqlite3_column_int64(statement, 3);
    sqlite3_reset(statement);
    if (body != 0) /* it is a newer text that is settled */
        change_note(outbox, body < 0 ? -body : body, false);
    status = note_attempt(outbox, settlement, now_ms);
    if (status != STATUS_OK)
        return status;
    status = settlement->as == SETTLE_WAIT
                 ? wait(outbox, settlement)
                 : settle_for_good(outbox, settlement, patient, has_remote, now_ms);
    return status == STATUS_OK && has_next ? line_goes_on(outbox, settlement->seq, now_ms) : status;
}

enum status settlements_write(struct outbox *outbox, const struct settlement *settlements,
                              size_t count, int64_t now_ms)
{
    enum status status = STATUS_OK;

    for (size_t i = 0; i < count && status == STATUS_OK; i++)
        status = settle_one(outbox, &settlements[i], now_ms);
    return status;
}

static enum status settle_run(struct outbox *outbox, struct job *job)
{
    const struct settle_job *settling = (const struct settle_job *)(const void *)job;

    return settlements_write(outbox, settling->settlements, settling->count, settling->now_ms);
}

enum status outbox_settle(struct outbox *outbox, const struct settlement *settlements, size_t count,
                          int64_t now_ms)
{
    struct settle_job job = {{.run = settle_run}, settlements, count, now_ms};

    return outbox_do(outbox, &job.job);
}
