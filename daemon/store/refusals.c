/* refusals.c - what a sender's machine could not put right, until a person has worked it off. */
#include "store/store_private.h"

struct refuse_job {
    struct job job;
    const struct refusal *refusal;
    int64_t number, now_ms;
    const char *reason, *by;
};

static struct refuse_job *of(struct job *job)
{
    return (struct refuse_job *)(void *)job;
}

static enum status refuse_run(struct outbox *outbox, struct job *job)
{
    const struct refusal *refusal = of(job)->refusal;
    sqlite3_stmt *statement =
        db_bind_numbers(&outbox->db, SQL_REFUSAL_INSERT, NUMBERS(0, refusal->received_ms));
    enum status status;

    if (statement) {
        bind_text(statement, 1, refusal->client);
        bind_blob(statement, 3, refusal->sent ? refusal->sent : "",
                  refusal->sent ? refusal->sent_length : 0);
        bind_blob(statement, 4, refusal->problems ? refusal->problems : "",
                  refusal->problems ? refusal->problems_length : 0);
    }
    status = db_run(&outbox->db, statement);
    if (status == STATUS_OK) {
        of(job)->number = sqlite3_last_insert_rowid(outbox->db.handle);
        counter_add(outbox, COUNTER_REFUSALS, 1);
    }
    return status;
}

enum status outbox_refuse(struct outbox *outbox, const struct refusal *refusal, int64_t *number_out)
{
    struct refuse_job job = {
        .job = {.run = refuse_run, .is_put = true},
          .refusal = refusal
    };
    enum status status = outbox_do(outbox, &job.job);

    if (status == STATUS_OK)
        *number_out = job.number;
    return status;
}

static enum status refusal_done_run(struct outbox *outbox, struct job *job)
{
    sqlite3_stmt *statement =
        db_bind_numbers(&outbox->db, SQL_REFUSAL_DONE, NUMBERS(of(job)->number, of(job)->now_ms));
    enum status status;

    if (statement) {
        bind_text(statement, 3, of(job)->reason);
        bind_text(statement, 4, of(job)->by);
    }
    status = db_run(&outbox->db, statement);
    if (status == STATUS_OK && sqlite3_changes(outbox->db.handle) == 0)
        return STATUS_NOT_FOUND;
    if (status == STATUS_OK)
        counter_add(outbox, COUNTER_REFUSALS, -1);
    return status;
}

enum status outbox_refusal_done(struct outbox *outbox, int64_t number, const char *reason,
                                const char *by, int64_t now_ms)
{
    struct refuse_job job = {.job = {.run = refusal_done_run},
                             .number = number,
                             .now_ms = now_ms,
                             .reason = reason,
                             .by = by};

    return outbox_do(outbox, &job.job);
}

enum status outbox_refusals(struct outbox_reader *reader, int64_t after_number, size_t most,
                            outbox_refusal_seen *seen, void *context)
{
    sqlite3_stmt *statement =
        db_bind_numbers(&reader->db, SQL_REFUSALS, NUMBERS(after_number, (int64_t)most));
    bool row, lost = false;
    enum status status;

    while ((status = db_step(&reader->db, statement, &row)) == STATUS_OK && row) {
        struct text sent = column_bytes(statement, 3), problems = column_bytes(statement, 4);
        struct refusal refusal = {.client = column_text(statement, 1, &lost),
                                  .received_ms = sqlite3_column_int64(statement, 2),
                                  .sent = sent.bytes,
                                  .sent_length = sent.length,
                                  .problems = problems.bytes,
                                  .problems_length = problems.length};

        if (!lost && seen(context, sqlite3_column_int64(statement, 0), &refusal))
            continue;
        sqlite3_reset(statement);
        return lost ? STATUS_NO_MEMORY : STATUS_OK;
    }
    return status;
}
