/* claim.c - what may go now, in order, marked on disk before it is handed out. Each claim looks at
 * a bounded number of rows. */
#include <stdlib.h>
#include <string.h>

#include "store/store_private.h"
#include "wardpost/log.h"

#define LOOKED_AT_TIMES 4 /* fresh rows looked at in one claim, for each that is wanted */

struct claim_job {
    struct job job;
    size_t most, bytes_most;
    int64_t now_ms;
    struct claim *claim;
    size_t bytes;
    const struct settlement *settlements; /* of the claim before */
    size_t settlements_count;
};

struct member { /* of a patient's line */
    int64_t seq, patient;
};

static void entry_clear(struct claim_entry *entry)
{
    free((char *)(uintptr_t)entry->patient);
    free((char *)(uintptr_t)entry->became);
    free((char *)(uintptr_t)entry->remote);
    free((char *)(uintptr_t)entry->remote_version);
    free((int64_t *)(uintptr_t)entry->needs);
    *entry = (struct claim_entry){0};
}

void claim_free(struct claim *claim)
{
    if (!claim)
        return;
    for (size_t i = 0; i < claim->count; i++)
        entry_clear(&claim->entries[i]);
    free(claim->entries);
    free(claim);
}

static struct claim *claim_new(size_t room)
{
    struct claim *claim = calloc(1, sizeof(*claim));

    if (!claim)
        return NULL;
    claim->entries = calloc(room, sizeof(*claim->entries));
    if (claim->entries)
        return claim;
    free(claim);
    return NULL;
}

static bool is_full(const struct claim_job *job)
{
    return job->claim->count == job->most || job->bytes >= job->bytes_most;
}

/* The claim becomes the owner of what is in `entry`. */
static void add_taken(struct claim_job *job, struct claim_entry *entry)
{
    job->claim->entries[job->claim->count++] = *entry;
    job->bytes += entry->length;
    *entry = (struct claim_entry){0};
}

/* ---- copying out ---- */

/* False: no memory. */
static bool copy_text(sqlite3_stmt *statement, int column, const char **out)
{
    bool lost = false;
    const char *text = column_text(statement, column, &lost);

    *out = text ? strdup(text) : NULL;
    return !lost && (!text || *out);
}

/* `column` holds the Observation, the one behind it its base. */
static enum status copy_body(struct outbox *outbox, sqlite3_stmt *statement, int column,
                             struct claim_entry *entry)
{
    struct text plain;
    char *copy;
    enum status status = db_unpack(&outbox->db, column_bytes(statement, column),
                                   sqlite3_column_int64(statement, column + 1), &plain);

    if (status != STATUS_OK)
        return status;
    if (!plain.bytes)
        return STATUS_DAMAGED;
    copy = malloc(plain.length + 1);
    if (!copy)
        return STATUS_NO_MEMORY;
    memcpy(copy, plain.bytes, plain.length);
    entry->became = copy;
    entry->length = plain.length;
    return STATUS_OK;
}

/* The statement's row is seq, id, patient, patient_hash, needs, became, base. */
static enum status copy_entry(struct outbox *outbox, sqlite3_stmt *statement,
                              struct claim_entry *entry)
{
    entry->seq = sqlite3_column_int64(statement, 0);
    entry->id = column_uuid(statement, 1);
    if (!copy_text(statement, 2, &entry->patient))
        return STATUS_NO_MEMORY;
    return copy_body(outbox, statement, 5, entry);
}

static enum status read_needs(struct outbox *outbox, struct claim_entry *entry, size_t most)
{
    sqlite3_stmt *statement;
    int64_t *needs;
    enum status status;
    bool row;

    if (most == 0)
        return STATUS_OK;
    needs = calloc(most, sizeof(*needs));
    if (!needs)
        return STATUS_NO_MEMORY;
    entry->needs = needs;
    statement = db_bind_numbers(&outbox->db, SQL_NEEDS_OF, NUMBERS(entry->seq, (int64_t)most));
    while ((status = db_step(&outbox->db, statement, &row)) == STATUS_OK && row)
        needs[entry->needs_count++] = sqlite3_column_int64(statement, 0);
    return status;
}

/* ---- the patient's line ---- */

/* Does an earlier waiting one of this patient stay behind? Then this one waits behind it. (Those
 * claimed just now do not count.) */
static enum status must_stay(struct outbox *outbox, struct member one, bool *stays)
{
    sqlite3_stmt *statement =
        db_bind_numbers(&outbox->db, SQL_LINE_BEFORE, NUMBERS(one.patient, one.seq));
    enum status status = db_step(&outbox->db, statement, stays);

    if (*stays)
        sqlite3_reset(statement);
    return status;
}

static enum status place(struct outbox *outbox, int64_t seq, int64_t unmet, bool stays)
{
    return db_run_numbers(&outbox->db, SQL_DELIVERY_PLACE, NUMBERS(seq, unmet, stays));
}

static enum status mark(struct outbox *outbox, int64_t seq, int64_t now_ms)
{
    return db_run_numbers(&outbox->db, SQL_DELIVERY_MARK, NUMBERS(seq, now_ms));
}

/* What cannot be read back must not stop the queue: a person is told. */
static enum status hold_damaged(struct outbox *outbox, const struct claim_job *job,
                                struct member one)
{
    log_line(LOG_LEVEL_ERROR, "store: seq=%lld state=held why=\"damaged on disk\"",
             (long long)one.seq);
    return delivery_hold(outbox, one.seq, one.patient, "damaged on disk", job->now_ms);
}

/* ---- those that were tried before ---- */

struct due {
    struct claim_entry entry; /* without its body */
    int64_t patient, text;    /* text: as delivery.body */
};

static enum status read_due(struct outbox *outbox, const struct claim_job *job, struct due *out,
                            size_t *count)
{
    sqlite3_stmt *statement =
        db_bind_numbers(&outbox->db, SQL_DUE, NUMBERS(job->now_ms, (int64_t)job->most));
    bool row, copied = true;
    enum status status;

    while ((status = db_step(&outbox->db, statement, &row)) == STATUS_OK && row && copied) {
        struct due *due = &out[(*count)++];

        due->entry.seq = sqlite3_column_int64(statement, 0);
        due->patient = sqlite3_column_int64(statement, 1);
        due->entry.attempts = (unsigned)sqlite3_column_int(statement, 2);
        due->entry.ambiguous = sqlite3_column_int(statement, 3) != 0;
        due->entry.sent_ms = sqlite3_column_int64(statement, 4);
        due->text = sqlite3_column_int64(statement, 7);
        due->entry.released = sqlite3_column_int(statement, 8) != 0;
        copied = copy_text(statement, 5, &due->entry.remote) &&
                 copy_text(statement, 6, &due->entry.remote_version);
    }
    if (copied)
        return status;
    sqlite3_reset(statement);
    return STATUS_NO_MEMORY;
}

static int by_seq(const void *a, const void *b)
{
    int64_t left = ((const struct due *)a)->entry.seq, right = ((const struct due *)b)->entry.seq;

    return (left > right) - (left < right);
}

/* `text`: as delivery.body. */
static enum status read_body(struct outbox *outbox, struct claim_entry *entry, int64_t text)
{
    const int64_t from = text == 0 ? entry->seq : text < 0 ? -text : text;
    sqlite3_stmt *statement = db_bind_numbers(&outbox->db, SQL_BODY, NUMBERS(entry->seq, from));
    size_t needs;
    bool row;
    enum status status = db_step(&outbox->db, statement, &row);

    if (!row)
        return status == STATUS_OK ? STATUS_DAMAGED : status;
    needs = (size_t)sqlite3_column_int64(statement, 4);
    entry->corrected = text != 0;
    entry->withdrawn = text < 0;
    status = copy_entry(outbox, statement, entry);
    sqlite3_reset(statement);
    return status == STATUS_OK ? read_needs(outbox, entry, needs) : status;
}

static enum status claim_one_due(struct outbox *outbox, struct claim_job *job, struct due *due)
{
    const struct member one = {due->entry.seq, due->patient};
    bool stays = false;
    enum status status = must_stay(outbox, one, &stays);

    if (status != STATUS_OK)
        return status;
    if (stays)
        return place(outbox, one.seq, 0, true);
    status = read_body(outbox, &due->entry, due->text);
    if (status == STATUS_DAMAGED)
        return hold_damaged(outbox, job, one);
    if (status == STATUS_OK)
        status = mark(outbox, one.seq, job->now_ms);
    if (status == STATUS_OK)
        add_taken(job, &due->entry);
    return status;
}

static enum status claim_due(struct outbox *outbox, struct claim_job *job)
{
    struct due *due = calloc(job->most, sizeof(*due));
    size_t count = 0;
    enum status status = due ? read_due(outbox, job, due, &count) : STATUS_NO_MEMORY;

    if (due)
        qsort(due, count, sizeof(*due), by_seq);
    for (size_t i = 0; i < count && status == STATUS_OK && !is_full(job); i++)
        status = claim_one_due(outbox, job, &due[i]);
    for (size_t i = 0; i < count; i++)
        entry_clear(&due[i].entry);
    free(due);
    return status;
}

/* ---- those whose turn comes for the first time ---- */

struct fresh {
    struct claim_entry entry;
    int64_t patient;
    size_t needs;
    bool has_row; /* it was held before its turn, and released */
};

static enum status insert_fresh(struct outbox *outbox, const struct claim_job *job,
                                const struct fresh *fresh, int64_t unmet, bool stays)
{
    bool taken = unmet == 0 && !stays;

    counter_add(outbox, COUNTER_WAITING, 1);
    return db_run_numbers(&outbox->db, SQL_DELIVERY_INSERT,
                          NUMBERS(fresh->entry.seq, fresh->patient, ENTRY_WAITING, 0, taken, taken,
                                  taken ? job->now_ms : 0, unmet, stays, 0, taken));
}

static enum status write_turn(struct outbox *outbox, const struct claim_job *job,
                              const struct fresh *fresh, int64_t unmet, bool stays)
{
    enum status status;

    if (!fresh->has_row)
        return insert_fresh(outbox, job, fresh, unmet, stays);
    status = place(outbox, fresh->entry.seq, unmet, stays);
    return status == STATUS_OK && unmet == 0 && !stays ? mark(outbox, fresh->entry.seq, job->now_ms)
                                                       : status;
}

static enum status take_turn(struct outbox *outbox, struct claim_job *job, struct fresh *fresh)
{
    int64_t unmet = 0;
    bool stays = false;
    enum status status = STATUS_OK;

    if (fresh->needs > 0 || fresh->entry.corrected)
        status = unmet_of(outbox, fresh->entry.seq, &unmet);
    if (status == STATUS_OK && unmet == 0)
        status = must_stay(outbox, (struct member){fresh->entry.seq, fresh->patient}, &stays);
    if (status == STATUS_OK)
        status = write_turn(outbox, job, fresh, unmet, stays);
    if (status != STATUS_OK || unmet > 0 || stays)
        return status;
    if (!fresh->entry.corrected) /* else they are there, with its text */
        status = read_needs(outbox, &fresh->entry, fresh->needs);
    if (status == STATUS_OK)
        add_taken(job, &fresh->entry);
    return status;
}

static enum status take_damaged(struct outbox *outbox, struct claim_job *job,
                                const struct fresh *fresh)
{
    const struct member one = {fresh->entry.seq, fresh->patient};
    enum status status =
        fresh->has_row ? STATUS_OK
                       : delivery_insert(outbox, one.seq, one.patient, ENTRY_WAITING, NULL, 0);

    return status == STATUS_OK ? hold_damaged(outbox, job, one) : status;
}

/* One that has a row although it is over the watermark was held before its turn: waiting again, it
 * takes its turn; else it is passed by. */
static enum status claim_one_fresh(struct outbox *outbox, struct claim_job *job,
                                   sqlite3_stmt *statement)
{
    struct fresh fresh = {.entry = {.seq = sqlite3_column_int64(statement, 0)},
                          .patient = sqlite3_column_int64(statement, 3),
                          .needs = (size_t)sqlite3_column_int64(statement, 4)};
    struct delivery_row row = {.state = ENTRY_WAITING};
    enum status status = STATUS_OK;

    const bool is_text = sqlite3_column_int64(statement, 7) != 0; /* it goes by another's line */

    if (!is_text && outbox->tally.counters[COUNTER_AHEAD] > 0)
        status = delivery_find(outbox, fresh.entry.seq, &row);
    if (status != STATUS_OK)
        return status;
    fresh.has_row = row.found;
    counter_set(outbox, COUNTER_WATERMARK, fresh.entry.seq);
    counter_add(outbox, COUNTER_AHEAD, row.found || is_text ? -1 : 0);
    if (is_text || row.state != ENTRY_WAITING)
        return STATUS_OK;
    status = row.body == 0 ? copy_entry(outbox, statement, &fresh.entry)
                           : read_body(outbox, &fresh.entry, row.body);
    if (status == STATUS_DAMAGED)
        status = take_damaged(outbox, job, &fresh);
    else if (status == STATUS_OK)
        status = take_turn(outbox, job, &fresh);
    entry_clear(&fresh.entry);
    return status;
}

static enum status claim_fresh(struct outbox *outbox, struct claim_job *job)
{
    sqlite3_stmt *statement = db_bind_numbers(
        &outbox->db, SQL_FRESH,
        NUMBERS(outbox->tally.counters[COUNTER_WATERMARK], (int64_t)job->most * LOOKED_AT_TIMES));
    enum status status = STATUS_OK;
    bool row;

    while (status == STATUS_OK && !is_full(job)) {
        status = db_step(&outbox->db, statement, &row);
        if (status != STATUS_OK || !row)
            return status;
        status = claim_one_fresh(outbox, job, statement);
    }
    if (statement)
        sqlite3_reset(statement);
    return status;
}

/* ---- the job ---- */

enum status claim_back(struct outbox *outbox)
{
    return db_run_numbers(&outbox->db, SQL_CLAIM_BACK, NULL, 0);
}

static enum status find_next_due(struct outbox *outbox, struct claim *claim)
{
    sqlite3_stmt *statement = db_statement(&outbox->db, SQL_NEXT_DUE);
    bool row;
    enum status status = db_step(&outbox->db, statement, &row);

    claim->next_due_ms = INT64_MAX;
    if (row) {
        claim->next_due_ms = sqlite3_column_int64(statement, 0);
        sqlite3_reset(statement);
    }
    if (outbox->tally.counters[COUNTER_WATERMARK] < outbox->tally.last_seq)
        claim->next_due_ms = 0; /* the rows looked at were all to be passed by: there are more */
    return status;
}

static enum status claim_run(struct outbox *outbox, struct job *job)
{
    struct claim_job *claiming = (struct claim_job *)(void *)job;
    enum status status = settlements_write(outbox, claiming->settlements,
                                           claiming->settlements_count, claiming->now_ms);

    if (status == STATUS_OK)
        status = claim_back(outbox);
    if (status == STATUS_OK)
        status = claim_due(outbox, claiming);
    if (status == STATUS_OK && !is_full(claiming))
        status = claim_fresh(outbox, claiming);
    if (status == STATUS_OK && claiming->claim->count == 0)
        status = find_next_due(outbox, claiming->claim);
    return status;
}

enum status outbox_turn(struct outbox *outbox, const struct settlement *settlements, size_t count,
                        size_t most, size_t bytes_most, int64_t now_ms, struct claim **out)
{
    struct claim_job job = {.job = {.run = claim_run},
                            .most = most,
                            .bytes_most = bytes_most,
                            .now_ms = now_ms,
                            .claim = claim_new(most),
                            .settlements = settlements,
                            .settlements_count = count};
    enum status status = job.claim ? outbox_do(outbox, &job.job) : STATUS_NO_MEMORY;

    if (status != STATUS_OK) {
        claim_free(job.claim);
        return status;
    }
    *out = job.claim;
    return STATUS_OK;
}

enum status outbox_claim(struct outbox *outbox, size_t most, size_t bytes_most, int64_t now_ms,
                         struct claim **out)
{
    return outbox_turn(outbox, NULL, 0, most, bytes_most, now_ms, out);
}
