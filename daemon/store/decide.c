/* decide.c - what a person decides: release, discard; and what goes with it. */
#include <stdlib.h>
#include <string.h>

#include "store/store_private.h"

struct decide_job {
    struct job job;
    const struct uuid *id;
    const char *reason, *by;
    int64_t now_ms;
    const struct put_entry *entries; /* of release_mapped */
    size_t count;
    int64_t *seqs; /* decided upon; what hangs on one is added behind it */
    size_t seqs_count, seqs_room;
};

static struct decide_job *of(struct job *job)
{
    return (struct decide_job *)(void *)job;
}

static enum status decide(struct outbox *outbox, struct decide_job *job)
{
    enum status status = outbox_do(outbox, &job->job);

    free(job->seqs);
    return status;
}

static enum status add_seq(struct decide_job *job, int64_t seq)
{
    if (job->seqs_count == job->seqs_room) {
        size_t room = job->seqs_room * 2 + 16;
        int64_t *longer = realloc(job->seqs, room * sizeof(*longer));

        if (!longer)
            return STATUS_NO_MEMORY;
        job->seqs = longer;
        job->seqs_room = room;
    }
    job->seqs[job->seqs_count++] = seq;
    return STATUS_OK;
}

/* The line whose text this is. CONFLICT: another one counts by now. */
static enum status find_line(struct outbox *outbox, int64_t text, int64_t line, int64_t *seq)
{
    struct delivery_row row;
    enum status status;

    *seq = line ? line : text;
    status = delivery_find(outbox, *seq, &row);
    if (status != STATUS_OK)
        return status;
    return text_wanted(*seq, row.body, row.next) == text ? STATUS_OK : STATUS_CONFLICT;
}

static enum status find_seq(struct outbox *outbox, const struct uuid *id, int64_t *seq)
{
    sqlite3_stmt *statement = db_statement(&outbox->db, SQL_ENTRY_KNOWN);
    int64_t text, line;
    enum status status;
    bool row;

    if (statement)
        bind_uuid(statement, 1, id);
    status = db_step(&outbox->db, statement, &row);
    if (!row)
        return status == STATUS_OK ? STATUS_NOT_FOUND : status;
    text = sqlite3_column_int64(statement, 0);
    line = sqlite3_column_int64(statement, 2);
    sqlite3_reset(statement);
    return find_line(outbox, text, line, seq);
}

static enum status note_decision(struct outbox *outbox, const struct decide_job *job, int64_t seq,
                                 const char *what)
{
    sqlite3_stmt *statement =
        db_bind_numbers(&outbox->db, SQL_DECISION_INSERT, NUMBERS(seq, job->now_ms));

    if (statement) {
        bind_text(statement, 3, what);
        bind_text(statement, 4, job->reason);
        bind_text(statement, 5, job->by);
    }
    return db_run(&outbox->db, statement);
}

/* One that waits before its turn has come (over the watermark) waits in the line until then. */
static enum status set_state(struct outbox *outbox, const struct decide_job *job, int64_t seq,
                             enum entry_state state)
{
    bool waits = state == ENTRY_WAITING;
    sqlite3_stmt *statement =
        db_bind_numbers(&outbox->db, SQL_DELIVERY_STATE,
                        NUMBERS(seq, (int64_t)state, 0, 0, 0, waits ? 0 : job->now_ms,
                                waits && seq > outbox->tally.counters[COUNTER_WATERMARK]));

    if (statement) {
        bind_text(statement, 3, job->reason);
        bind_text(statement, 4, job->by);
    }
    change_note(outbox, seq, false);
    return db_run(&outbox->db, statement);
}

/* ---- release ---- */

static enum status release_one(struct outbox *outbox, const struct decide_job *job, int64_t seq,
                               int64_t patient)
{
    enum status status = set_state(outbox, job, seq, ENTRY_WAITING);

    state_counted(outbox, ENTRY_HELD, ENTRY_WAITING);
    outbox->made_deliverable = true;
    if (status == STATUS_OK)
        status = unmet_update(outbox, seq, patient);
    if (status == STATUS_OK)
        status = note_decision(outbox, job, seq, "released");
    return status == STATUS_OK ? dependants_review(outbox, seq, patient, false) : status;
}

/* What strictly hangs on a released one and was held with it goes with it. */
static enum status release_held_dependants(struct outbox *outbox, struct decide_job *job,
                                           int64_t on_seq)
{
    struct dependants page = {.after = 0};
    struct delivery_row row;
    enum status status;

    do {
        status = dependants_next(outbox, on_seq, &page);
        for (size_t i = 0; i < page.count && status == STATUS_OK; i++) {
            if (!page.items[i].strict || !page.items[i].has_row ||
                page.items[i].state != ENTRY_HELD)
                continue;
            status = delivery_find(outbox, page.items[i].seq, &row);
            if (status == STATUS_OK && !row.unmapped)
                status = add_seq(job, page.items[i].seq);
        }
    } while (status == STATUS_OK && page.count == DEPENDANTS_ROOM);
    return status;
}

static enum status release_all(struct outbox *outbox, struct decide_job *job, int64_t seq,
                               int64_t patient)
{
    enum status status = add_seq(job, seq);

    for (size_t i = 0; i < job->seqs_count && status == STATUS_OK; i++) {
        struct delivery_row row;

        status = delivery_find(outbox, job->seqs[i], &row);
        if (status != STATUS_OK || row.state != ENTRY_HELD) /* reached twice: released already */
            continue;
        status = release_one(outbox, job, job->seqs[i], patient);
        if (status == STATUS_OK)
            status = release_held_dependants(outbox, job, job->seqs[i]);
    }
    return status;
}

static enum status find_held(struct outbox *outbox, const struct decide_job *job, bool unmapped,
                             int64_t *seq, int64_t *patient)
{
    struct delivery_row row;
    enum status status = find_seq(outbox, job->id, seq);

    if (status == STATUS_OK)
        status = delivery_find(outbox, *seq, &row);
    if (status != STATUS_OK)
        return status;
    *patient = row.patient;
    return row.found && row.state == ENTRY_HELD && row.unmapped == unmapped ? STATUS_OK
                                                                            : STATUS_CONFLICT;
}

static enum status release_run(struct outbox *outbox, struct job *job)
{
    int64_t seq = 0, patient = 0;
    enum status status = find_held(outbox, of(job), false, &seq, &patient);

    return status == STATUS_OK ? release_all(outbox, of(job), seq, patient) : status;
}

enum status outbox_release(struct outbox *outbox, const struct uuid *id, const char *reason,
                           const char *by, int64_t now_ms)
{
    struct decide_job job = {
        .job = {.run = release_run}, .id = id, .reason = reason, .by = by, .now_ms = now_ms};

    return decide(outbox, &job);
}

/* ---- release of what was kept unmapped ---- */

static enum status map_entry(struct outbox *outbox, const struct put_entry *entry, int64_t seq)
{
    sqlite3_stmt *statement = db_bind_numbers(&outbox->db, SQL_ENTRY_MAP, NUMBERS(seq));

    if (!entry->became)
        return STATUS_INVALID;
    if (statement) {
        bind_blob(statement, 2, entry->became, entry->became_length);
        bind_blob(statement, 3, entry->flags, entry->flags_length);
        bind_blob(statement, 4, entry->values, entry->values_length);
    }
    outbox->newest_stale = true;
    return db_run(&outbox->db, statement);
}

struct main_row { /* what the companions take over from it */
    struct put put;
    char *patient, *client, *version;
};

static void main_row_clear(struct main_row *row)
{
    free(row->patient);
    free(row->client);
    free(row->version);
}

static char *copy_column(sqlite3_stmt *statement, int column)
{
    const char *text = (const char *)sqlite3_column_text(statement, column);

    return text ? strdup(text) : NULL;
}

static enum status read_main(struct outbox *outbox, int64_t seq, struct main_row *out)
{
    sqlite3_stmt *statement = db_bind_numbers(&outbox->db, SQL_ROW_BY_SEQ, NUMBERS(seq));
    bool row;
    enum status status = db_step(&outbox->db, statement, &row);

    if (!row)
        return status == STATUS_OK ? STATUS_NOT_FOUND : status;
    out->put.set = column_uuid(statement, 2);
    out->put.patient = out->patient = copy_column(statement, 6);
    out->put.client = out->client = copy_column(statement, 7);
    out->put.table_version = out->version = copy_column(statement, 8);
    sqlite3_reset(statement);
    return out->patient && out->client && out->version ? STATUS_OK : STATUS_NO_MEMORY;
}

static enum status add_companion(struct outbox *outbox, const struct main_row *row,
                                 const struct put_entry *companion, int64_t main)
{
    struct put_entry entry = *companion;
    int64_t seq = outbox->tally.last_seq + 1;
    enum status status;

    entry.reading = 0; /* both counted from the main, which is of an earlier put */
    entry.needs = (const struct put_need[]){
        {.on = 0, .strict = true}
    };
    entry.needs_count = 1;
    status = put_entry(outbox, &row->put, &entry, seq, main);
    if (status == STATUS_OK)
        outbox->tally.last_seq = seq;
    return status == STATUS_OK ? db_run_numbers(&outbox->db, SQL_LATE_INSERT, NUMBERS(main, seq))
                               : status;
}

static enum status release_mapped_run(struct outbox *outbox, struct job *job)
{
    struct decide_job *decision = of(job);
    struct main_row row = {.put = {.accepted_ms = decision->now_ms}};
    int64_t seq = 0, patient = 0;
    enum status status = find_held(outbox, decision, true, &seq, &patient);

    if (status == STATUS_OK)
        status = read_main(outbox, seq, &row);
    if (status == STATUS_OK)
        status = map_entry(outbox, &decision->entries[0], seq);
    for (size_t i = 1; i < decision->count && status == STATUS_OK; i++)
        status = add_companion(outbox, &row, &decision->entries[i], seq);
    main_row_clear(&row);
    return status == STATUS_OK ? release_all(outbox, decision, seq, patient) : status;
}

enum status outbox_release_mapped(struct outbox *outbox, const struct put_entry *entries,
                                  size_t count, const char *reason, const char *by, int64_t now_ms)
{
    struct decide_job job = {.job = {.run = release_mapped_run},
                             .id = &entries[0].id,
                             .reason = reason,
                             .by = by,
                             .now_ms = now_ms,
                             .entries = entries,
                             .count = count};

    return decide(outbox, &job);
}

/* ---- discard ---- */

/* What may have been sent cannot be unsaid here: that is a correction. Nor can a correction of what
 * is in the chart. */
static bool may_discard(const struct delivery_row *row)
{
    if (row->next != 0 || (row->body != 0 && row->has_remote))
        return false;
    return !row->found || row->state == ENTRY_HELD ||
           (row->state == ENTRY_WAITING && row->attempts == 0 && !row->ambiguous);
}

static enum status move_to_discarded(struct outbox *outbox, const struct decide_job *job,
                                     int64_t seq, const struct delivery_row *row)
{
    enum status status = STATUS_OK;

    if (row->found)
        state_counted(outbox, row->state, ENTRY_DISCARDED);
    else
        status = delivery_insert(outbox, seq, row->patient, ENTRY_DISCARDED, NULL, job->now_ms);
    return status == STATUS_OK ? set_state(outbox, job, seq, ENTRY_DISCARDED) : status;
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
    outbox->newest_stale = true;
    status = move_to_discarded(outbox, job, seq, &row);
    if (status == STATUS_OK)
        status = note_decision(outbox, job, seq, "discarded");
    if (status == STATUS_OK)
        status = line_release(outbox, row.patient);
    return status == STATUS_OK ? dependants_review(outbox, seq, row.patient, false) : status;
}

/* Does it fall with what it needs? Strictly: with each; loosely (a panel): with the last. */
static enum status falls(struct outbox *outbox, const struct dependant *dependant, bool *out)
{
    sqlite3_stmt *statement;
    enum status status;
    bool row;

    *out = dependant->strict;
    if (dependant->strict)
        return STATUS_OK;
    statement = db_bind_numbers(&outbox->db, SQL_NEEDS_LEFT, NUMBERS(dependant->seq));
    status = db_step(&outbox->db, statement, &row);
    if (row) {
        *out = sqlite3_column_int(statement, 0) == 0;
        sqlite3_reset(statement);
    }
    return status;
}

static enum status add_falling(struct outbox *outbox, struct decide_job *job, int64_t on_seq)
{
    struct dependants page = {.after = 0};
    enum status status;

    do {
        status = dependants_next(outbox, on_seq, &page);
        for (size_t i = 0; i < page.count && status == STATUS_OK; i++) {
            bool falling = false;

            if (page.items[i].state != ENTRY_DISCARDED)
                status = falls(outbox, &page.items[i], &falling);
            if (status == STATUS_OK && falling)
                status = add_seq(job, page.items[i].seq);
        }
    } while (status == STATUS_OK && page.count == DEPENDANTS_ROOM);
    return status;
}

static enum status discard_run(struct outbox *outbox, struct job *job)
{
    struct decide_job *decision = of(job);
    int64_t seq = 0;
    enum status status = find_seq(outbox, decision->id, &seq);

    if (status == STATUS_OK)
        status = add_seq(decision, seq);
    for (size_t i = 0; i < decision->seqs_count && status == STATUS_OK; i++) {
        status = discard_one(outbox, decision, decision->seqs[i]);
        if (status == STATUS_OK)
            status = add_falling(outbox, decision, decision->seqs[i]);
    }
    return status;
}

enum status outbox_discard(struct outbox *outbox, const struct uuid *id, const char *reason,
                           const char *by, int64_t now_ms)
{
    struct decide_job job = {
        .job = {.run = discard_run}, .id = id, .reason = reason, .by = by, .now_ms = now_ms};

    return decide(outbox, &job);
}
