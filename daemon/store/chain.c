/* chain.c - see chain.h. Heads go to the table `newest` behind the entries (heads.h): by sweeps
 * over all that are unwritten, a few a round. The counter NEWEST_UPTO says up to which entry the
 * table is whole: what was accepted when a sweep began is in it when the sweep ends. After a crash
 * only the entries behind that are looked at. */
#include "store/chain.h"

#define SWEEP_AFTER 4096 /* entries accepted: then the next sweep begins */
#define SWEEP_STEP                                                    \
    8U /* heads in one step; a round takes one, and one more for each \
          SWEEP_PER entries it accepted: so a sweep ends before long */
#define SWEEP_PER 16

static enum status write_head(struct outbox *outbox, int64_t patient, const char *kind,
                              const struct head *head)
{
    sqlite3_stmt *statement = db_bind_numbers(&outbox->db, SQL_NEWEST_SET,
                                              NUMBERS(patient, 0, head->seq, head->latest_ms));

    if (statement)
        bind_text(statement, 2, kind);
    return db_run(&outbox->db, statement);
}

/* Where a chain stands; seq 0: it begins here. */
static enum status find_head(struct outbox *outbox, int64_t patient, const char *kind,
                             struct head *out)
{
    const struct head *known = heads_find(outbox->heads, patient, kind);
    sqlite3_stmt *statement;
    enum status status;
    bool row;

    *out = known ? *known : (struct head){0, INT64_MIN};
    if (known)
        return STATUS_OK;
    statement = db_bind_numbers(&outbox->db, SQL_NEWEST_FIND, NUMBERS(patient));
    if (statement)
        bind_text(statement, 2, kind);
    status = db_step(&outbox->db, statement, &row);
    if (row) {
        *out =
            (struct head){sqlite3_column_int64(statement, 0), sqlite3_column_int64(statement, 1)};
        sqlite3_reset(statement);
    }
    return status;
}

enum status chain_join(struct outbox *outbox, int64_t patient, const char *kind, int64_t seq,
                       int64_t taken_ms, int64_t *earlier_out, int64_t *late_ms_out)
{
    struct head head;
    enum status status = find_head(outbox, patient, kind, &head);

    if (status != STATUS_OK)
        return status;
    *earlier_out = head.seq;
    *late_ms_out = head.seq != 0 && head.latest_ms > taken_ms ? head.latest_ms - taken_ms : 0;
    if (head.seq == 0 || taken_ms > head.latest_ms)
        head.latest_ms = taken_ms;
    head.seq = seq;
    return heads_set(outbox->heads, patient, kind, head) ? STATUS_OK
                                                         : write_head(outbox, patient, kind, &head);
}

/* ---- to the table ---- */

static enum status write_some(struct outbox *outbox, bool *all_out)
{
    struct named_head some[SWEEP_STEP];
    size_t count = heads_unwritten(outbox->heads, &outbox->tally.sweep.cursor, some, SWEEP_STEP);
    enum status status = STATUS_OK;

    for (size_t i = 0; i < count && status == STATUS_OK; i++)
        status = write_head(outbox, some[i].patient, some[i].kind, &some[i].head);
    *all_out = count < SWEEP_STEP;
    return status;
}

enum status chains_sweep(struct outbox *outbox, int64_t accepted)
{
    struct sweep *sweep = &outbox->tally.sweep;
    bool all = false;
    enum status status = STATUS_OK;

    if (!sweep->runs &&
        outbox->tally.last_seq - outbox->tally.counters[COUNTER_NEWEST_UPTO] < SWEEP_AFTER)
        return STATUS_OK;
    if (!sweep->runs)
        *sweep = (struct sweep){.runs = true, .upto = outbox->tally.last_seq};
    for (int64_t step = 0; step <= accepted / SWEEP_PER && status == STATUS_OK && !all; step++)
        status = write_some(outbox, &all);
    if (status == STATUS_OK && all) {
        counter_set(outbox, COUNTER_NEWEST_UPTO, sweep->upto);
        sweep->runs = false;
    }
    return status;
}

enum status chains_recover(struct outbox *outbox)
{
    const int64_t last = outbox->tally.last_seq;
    const int64_t upto = outbox->tally.counters[COUNTER_NEWEST_UPTO];
    enum status status = STATUS_OK;

    if (upto == last)
        return STATUS_OK;
    status = db_run_numbers(&outbox->db, SQL_NEWEST_RECOVER, NUMBERS(upto));
    if (status != STATUS_OK)
        return status;
    outbox->tally.counters[COUNTER_NEWEST_UPTO] = last;
    return db_run_numbers(&outbox->db, SQL_COUNTER_WRITE, NUMBERS(COUNTER_NEWEST_UPTO, last));
}
