/* claim.c - what may go now, in order, marked on disk before it is handed out. Each claim looks at a bounded number of rows. */
#include <stdlib.h>
#include <string.h>

#include "store/store_private.h"

struct claim_job {
    struct job job;
    size_t most, bytes_most;
    int64_t now_ms;
    struct claim *claim;
    size_t bytes;
};

struct candidate { /* of the patient's line */
    int64_t seq, patient;
};

struct claim_inside {
    struct claim claim;        /* first: what the caller sees */
    struct candidate *members; /* parallel to claim.entries */
    size_t room;
};

static struct claim_inside *inside(struct claim *claim)
{
    return (struct claim_inside *)(void *)claim;
}

static void entry_clear(struct claim_entry *entry)
{
    free((char *)(uintptr_t)entry->patient);
    free((char *)(uintptr_t)entry->became);
    free((char *)(uintptr_t)entry->remote);
    free((char *)(uintptr_t)entry->remote_version);
    free((int64_t *)(uintptr_t)entry->needs);
}

void claim_free(struct claim *claim)
{
    if (!claim)
        return;
    for (size_t i = 0; i < claim->count; i++)
        entry_clear(&claim->entries[i]);
    free(claim->entries);
    free(inside(claim)->members);
    free(claim);
}

static struct claim *claim_new(size_t room)
{
    struct claim_inside *made = calloc(1, sizeof(*made));

    if (!made)
        return NULL;
    made->room = room;
    made->claim.entries = calloc(room, sizeof(*made->claim.entries));
    made->members = calloc(room, sizeof(*made->members));
    if (made->claim.entries && made->members)
        return &made->claim;
    claim_free(&made->claim);
    return NULL;
}

static bool is_full(const struct claim_job *job)
{
    return job->claim->count == job->most || job->bytes >= job->bytes_most;
}

/* ---- copying out ---- */

static char *copy_text(sqlite3_stmt *statement, int column)
{
    const char *text = (const char *)sqlite3_column_text(statement, column);

    return text ? strdup(text) : NULL;
}

/* `column` holds the Observation, the one behind it its base. */
static bool copy_body(struct outbox *outbox, sqlite3_stmt *statement, int column, struct claim_entry *entry)
{
    struct text packed = {sqlite3_column_blob(statement, column), (size_t)sqlite3_column_bytes(statement, column)};
    struct text plain;
    char *copy;

    if (db_unpack(&outbox->db, packed, sqlite3_column_int64(statement, column + 1), &plain) != STATUS_OK || !plain.bytes)
        return false;
    copy = malloc(plain.length);
    if (!copy)
        return false;
    memcpy(copy, plain.bytes, plain.length);
    entry->became = copy;
    entry->length = plain.length;
    return true;
}

static enum status read_needs(struct outbox *outbox, struct claim_entry *entry, size_t count)
{
    sqlite3_stmt *statement = db_statement(&outbox->db, SQL_NEEDS_OF);
    int64_t *needs = calloc(count, sizeof(*needs));

    if (!statement || !needs) {
        free(needs);
        return STATUS_NO_MEMORY;
    }
    entry->needs = needs;
    sqlite3_bind_int64(statement, 1, entry->seq);
    while (entry->needs_count < count && sqlite3_step(statement) == SQLITE_ROW)
        needs[entry->needs_count++] = sqlite3_column_int64(statement, 0);
    sqlite3_reset(statement);
    return STATUS_OK;
}

/* ---- the patient's line ---- */

/* Does an earlier waiting one of this patient stay behind? Then this one waits behind it. */
static enum status must_stay(struct outbox *outbox, const struct claim_job *job, struct candidate candidate, bool *stays)
{
    const struct candidate *members = inside(job->claim)->members;
    sqlite3_stmt *statement = db_statement(&outbox->db, SQL_LINE_BEFORE);
    int64_t before = 0, claimed = 0;

    if (!statement)
        return STATUS_NO_MEMORY;
    sqlite3_bind_int64(statement, 1, candidate.patient);
    sqlite3_bind_int64(statement, 2, candidate.seq);
    if (sqlite3_step(statement) == SQLITE_ROW)
        before = sqlite3_column_int64(statement, 0);
    sqlite3_reset(statement);
    for (size_t i = 0; i < job->claim->count && before > claimed; i++)
        claimed += members[i].patient == candidate.patient && members[i].seq < candidate.seq;
    *stays = before > claimed;
    return STATUS_OK;
}

static enum status stay_behind(struct outbox *outbox, int64_t seq)
{
    sqlite3_stmt *statement = db_statement(&outbox->db, SQL_DELIVERY_BEHIND);

    if (!statement)
        return STATUS_NO_MEMORY;
    sqlite3_bind_int64(statement, 1, seq);
    return db_run(&outbox->db, statement);
}

/* ---- those that were tried before ---- */

struct due {
    int64_t seq, patient, sent_ms;
    unsigned attempts;
    bool ambiguous;
    char *remote, *version;
};

static enum status read_due(struct outbox *outbox, const struct claim_job *job, struct due *out, size_t *count)
{
    sqlite3_stmt *statement = db_statement(&outbox->db, SQL_DUE);
    int code = SQLITE_DONE;

    *count = 0;
    if (!statement)
        return STATUS_NO_MEMORY;
    sqlite3_bind_int64(statement, 1, job->now_ms);
    sqlite3_bind_int64(statement, 2, (int64_t)job->most);
    while (*count < job->most && (code = sqlite3_step(statement)) == SQLITE_ROW)
        out[(*count)++] = (struct due){.seq = sqlite3_column_int64(statement, 0),
                                       .patient = sqlite3_column_int64(statement, 1),
                                       .attempts = (unsigned)sqlite3_column_int(statement, 2),
                                       .ambiguous = sqlite3_column_int(statement, 3) != 0,
                                       .sent_ms = sqlite3_column_int64(statement, 4),
                                       .remote = copy_text(statement, 5),
                                       .version = copy_text(statement, 6)};
    sqlite3_reset(statement);
    return code == SQLITE_DONE || code == SQLITE_ROW ? STATUS_OK : status_of_sqlite(code);
}

static int by_seq(const void *a, const void *b)
{
    int64_t left = ((const struct due *)a)->seq, right = ((const struct due *)b)->seq;

    return (left > right) - (left < right);
}

static enum status read_body(struct outbox *outbox, struct claim_entry *entry)
{
    sqlite3_stmt *statement = db_statement(&outbox->db, SQL_BODY);
    size_t needs = 0;
    bool good = false;

    if (!statement)
        return STATUS_NO_MEMORY;
    sqlite3_bind_int64(statement, 1, entry->seq);
    if (sqlite3_step(statement) == SQLITE_ROW) {
        memcpy(entry->id.bytes, sqlite3_column_blob(statement, 0), sizeof(entry->id.bytes));
        entry->patient = copy_text(statement, 1);
        needs = (size_t)sqlite3_column_int64(statement, 2);
        good = copy_body(outbox, statement, 3, entry) && entry->patient;
    }
    sqlite3_reset(statement);
    if (!good)
        return STATUS_NO_MEMORY;
    return needs > 0 ? read_needs(outbox, entry, needs) : STATUS_OK;
}

static enum status mark(struct outbox *outbox, int64_t seq, int64_t now_ms)
{
    sqlite3_stmt *statement = db_statement(&outbox->db, SQL_DELIVERY_MARK);

    if (!statement)
        return STATUS_NO_MEMORY;
    sqlite3_bind_int64(statement, 1, seq);
    sqlite3_bind_int64(statement, 2, now_ms);
    return db_run(&outbox->db, statement);
}

static enum status add_due(struct outbox *outbox, struct claim_job *job, struct due *due)
{
    struct claim_entry *entry = &job->claim->entries[job->claim->count];
    enum status status;

    inside(job->claim)->members[job->claim->count++] = (struct candidate){due->seq, due->patient};
    entry->seq = due->seq;
    entry->attempts = due->attempts;
    entry->ambiguous = due->ambiguous;
    entry->sent_ms = due->sent_ms;
    entry->remote = due->remote;
    entry->remote_version = due->version;
    due->remote = due->version = NULL;
    status = read_body(outbox, entry);
    job->bytes += entry->length;
    return status == STATUS_OK ? mark(outbox, due->seq, job->now_ms) : status;
}

static enum status claim_one_due(struct outbox *outbox, struct claim_job *job, struct due *due)
{
    bool stays = false;
    enum status status = must_stay(outbox, job, (struct candidate){due->seq, due->patient}, &stays);

    if (status != STATUS_OK)
        return status;
    return stays ? stay_behind(outbox, due->seq) : add_due(outbox, job, due);
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
    for (size_t i = 0; i < count; i++) {
        free(due[i].remote);
        free(due[i].version);
    }
    free(due);
    return status;
}

/* ---- the fresh ones ---- */

struct fresh {
    struct claim_entry entry;
    int64_t patient, needs;
    bool unmapped;
};

static bool read_fresh(struct outbox *outbox, sqlite3_stmt *statement, struct fresh *out)
{
    *out = (struct fresh){.patient = sqlite3_column_int64(statement, 3), .needs = sqlite3_column_int64(statement, 4),
                          .unmapped = sqlite3_column_type(statement, 5) == SQLITE_NULL};
    out->entry.seq = sqlite3_column_int64(statement, 0);
    memcpy(out->entry.id.bytes, sqlite3_column_blob(statement, 1), sizeof(out->entry.id.bytes));
    if (out->unmapped)
        return true;
    out->entry.patient = copy_text(statement, 2);
    return out->entry.patient && copy_body(outbox, statement, 5, &out->entry);
}

static enum status insert_fresh(struct outbox *outbox, const struct claim_job *job, const struct fresh *fresh, int64_t unmet, bool stays)
{
    sqlite3_stmt *statement = db_statement(&outbox->db, SQL_DELIVERY_INSERT);
    bool tried = unmet == 0 && !stays;
    enum status status;

    if (!statement)
        return STATUS_NO_MEMORY;
    sqlite3_bind_int64(statement, 1, fresh->entry.seq);
    sqlite3_bind_int64(statement, 2, fresh->patient);
    sqlite3_bind_int(statement, 3, ENTRY_WAITING);
    sqlite3_bind_int64(statement, 4, 0);
    sqlite3_bind_int(statement, 5, tried);
    sqlite3_bind_int(statement, 6, tried);
    sqlite3_bind_int64(statement, 7, tried ? job->now_ms : 0);
    sqlite3_bind_int64(statement, 8, unmet);
    sqlite3_bind_int(statement, 9, stays);
    sqlite3_bind_int64(statement, 10, 0);
    status = db_run(&outbox->db, statement);
    counter_add(outbox, COUNTER_WAITING, 1);
    return status;
}

static enum status claim_fresh_row(struct outbox *outbox, struct claim_job *job, struct fresh *fresh)
{
    struct claim_entry *entry;
    int64_t unmet = 0;
    bool stays = false;
    enum status status = STATUS_OK;

    if (fresh->needs > 0)
        status = unmet_of(outbox, fresh->entry.seq, &unmet);
    if (status == STATUS_OK && unmet == 0)
        status = must_stay(outbox, job, (struct candidate){fresh->entry.seq, fresh->patient}, &stays);
    if (status == STATUS_OK)
        status = insert_fresh(outbox, job, fresh, unmet, stays);
    if (status != STATUS_OK || unmet > 0 || stays) {
        entry_clear(&fresh->entry);
        return status;
    }
    entry = &job->claim->entries[job->claim->count];
    *entry = fresh->entry;
    inside(job->claim)->members[job->claim->count++] = (struct candidate){fresh->entry.seq, fresh->patient};
    job->bytes += entry->length;
    return fresh->needs > 0 ? read_needs(outbox, entry, (size_t)fresh->needs) : STATUS_OK;
}

/* One that has a row although it is over the watermark was held or discarded before its turn: it is passed by. */
static enum status claim_one_fresh(struct outbox *outbox, struct claim_job *job, sqlite3_stmt *statement)
{
    struct delivery_row row = {0};
    struct fresh fresh;
    enum status status = STATUS_OK;

    if (!read_fresh(outbox, statement, &fresh)) {
        entry_clear(&fresh.entry);
        return STATUS_NO_MEMORY;
    }
    if (outbox->counters[COUNTER_AHEAD] > 0)
        status = delivery_find(outbox, fresh.entry.seq, &row);
    if (status == STATUS_OK && !row.found && !fresh.unmapped)
        status = claim_fresh_row(outbox, job, &fresh);
    else
        entry_clear(&fresh.entry);
    if (status == STATUS_OK && row.found)
        counter_add(outbox, COUNTER_AHEAD, -1);
    if (status == STATUS_OK)
        counter_set(outbox, COUNTER_WATERMARK, fresh.entry.seq);
    return status;
}

static enum status claim_fresh(struct outbox *outbox, struct claim_job *job)
{
    sqlite3_stmt *statement = db_statement(&outbox->db, SQL_FRESH);
    enum status status = STATUS_OK;
    int code = SQLITE_DONE;

    if (!statement)
        return STATUS_NO_MEMORY;
    sqlite3_bind_int64(statement, 1, outbox->counters[COUNTER_WATERMARK]);
    sqlite3_bind_int64(statement, 2, (int64_t)job->most * 4);
    while (status == STATUS_OK && !is_full(job) && (code = sqlite3_step(statement)) == SQLITE_ROW)
        status = claim_one_fresh(outbox, job, statement);
    sqlite3_reset(statement);
    if (status == STATUS_OK && code != SQLITE_DONE && code != SQLITE_ROW)
        status = status_of_sqlite(code);
    return status;
}

/* ---- the job ---- */

static enum status find_next_due(struct outbox *outbox, struct claim *claim)
{
    sqlite3_stmt *statement = db_statement(&outbox->db, SQL_NEXT_DUE);

    claim->next_due_ms = INT64_MAX;
    if (outbox->counters[COUNTER_WATERMARK] < outbox->last_seq)
        claim->next_due_ms = 0; /* the rows looked at were all to be passed by: there are more */
    if (!statement)
        return STATUS_NO_MEMORY;
    if (claim->next_due_ms > 0 && sqlite3_step(statement) == SQLITE_ROW)
        claim->next_due_ms = sqlite3_column_int64(statement, 0);
    sqlite3_reset(statement);
    return STATUS_OK;
}

static enum status claim_run(struct outbox *outbox, struct job *job)
{
    struct claim_job *claim_job = (struct claim_job *)(void *)job;
    enum status status = claim_due(outbox, claim_job);

    if (status == STATUS_OK && !is_full(claim_job))
        status = claim_fresh(outbox, claim_job);
    if (status == STATUS_OK && claim_job->claim->count == 0)
        status = find_next_due(outbox, claim_job->claim);
    return status;
}

enum status outbox_claim(struct outbox *outbox, size_t most, size_t bytes_most, int64_t now_ms, struct claim **out)
{
    struct claim_job job = {.job = {.run = claim_run}, .most = most, .bytes_most = bytes_most, .now_ms = now_ms,
                            .claim = claim_new(most)};
    enum status status = job.claim ? outbox_do(outbox, &job.job) : STATUS_NO_MEMORY;

    if (status != STATUS_OK) {
        claim_free(job.claim);
        return status;
    }
    *out = job.claim;
    return STATUS_OK;
}
