/* put.c - accepting: the entries of one request, all or none. */
#include <string.h>

#include "store/chain.h"
#include "wardpost/metrics.h"

struct put_room { /* what lives in struct put's own room */
    struct job job;
    struct put *put;
};

static struct put *put_of(struct job *job)
{
    return ((struct put_room *)(void *)job)->put;
}

static bool is_main(const struct put_entry *entry)
{
    return entry->sent != NULL;
}

/* ---- is it there already? ---- */

enum known { KNOWN_NOT, KNOWN_SAME, KNOWN_OTHER };

/* What was on disk before this put; of what it has written itself only its own row does not count.
 */
static enum status look(struct outbox *outbox, const struct put_entry *entry, int64_t first_seq,
                        int64_t own_seq, enum known *known)
{
    sqlite3_stmt *statement = db_statement(&outbox->db, SQL_ENTRY_KNOWN);
    struct text content;
    int64_t seq;
    bool row;
    enum status status;

    if (statement)
        bind_uuid(statement, 1, &entry->id);
    status = db_step(&outbox->db, statement, &row);
    *known = KNOWN_NOT;
    if (!row)
        return status;
    seq = sqlite3_column_int64(statement, 0);
    content = column_bytes(statement, 1);
    if (seq >= first_seq)
        *known = seq == own_seq ? KNOWN_NOT : KNOWN_OTHER; /* twice in one put */
    else if (content.length == sizeof(entry->content) &&
             memcmp(content.bytes, entry->content, content.length) == 0)
        *known = KNOWN_SAME;
    else
        *known = KNOWN_OTHER;
    sqlite3_reset(statement);
    return status;
}

/* The id of entry `at` was found to be there: is all of it the same again (only mains are compared:
 * the others follow from them)? */
static enum status replay_or_conflict(struct outbox *outbox, struct put *put, int64_t first_seq,
                                      size_t at)
{
    size_t mains = 0, same = 0;

    put->conflict_entry = at;
    for (size_t i = 0; i < put->count; i++) {
        enum known known;
        enum status status;

        if (!is_main(&put->entries[i]))
            continue;
        status = look(outbox, &put->entries[i], first_seq, first_seq + (int64_t)i, &known);
        if (status != STATUS_OK)
            return status;
        mains++;
        if (known != KNOWN_NOT && same == 0)
            put->conflict_entry = i;
        if (known == KNOWN_OTHER) {
            put->conflict_entry = i;
            return STATUS_CONFLICT;
        }
        same += known == KNOWN_SAME;
    }
    put->replayed = mains > 0 && same == mains;
    return put->replayed ? STATUS_OK : STATUS_CONFLICT;
}

/* ---- writing ---- */

struct placed { /* where an entry stands among the others */
    int64_t seq, reading, earlier, late_ms;
    int64_t line;    /* its own, or the one whose new text it is */
    int64_t patient; /* hash */
};

static sqlite3_stmt *bind_entry(struct outbox *outbox, const struct put *put,
                                const struct put_entry *entry, const struct placed *placed,
                                struct text became)
{
    sqlite3_stmt *statement = db_statement(&outbox->db, SQL_ENTRY_INSERT);

    if (!statement)
        return NULL;
    sqlite3_bind_int64(statement, 1, placed->seq);
    bind_uuid(statement, 2, &entry->id);
    bind_uuid(statement, 3, &put->set);
    sqlite3_bind_int64(statement, 4, placed->reading);
    bind_text(statement, 5, entry->role);
    bind_text(statement, 6, entry->kind);
    bind_text(statement, 7, put->patient);
    sqlite3_bind_int64(statement, 8, placed->patient);
    bind_text(statement, 9, put->client);
    bind_text(statement, 10, put->table_version);
    sqlite3_bind_int64(statement, 11, entry->taken_ms);
    sqlite3_bind_int64(statement, 12, put->accepted_ms);
    sqlite3_bind_int64(statement, 13, (int64_t)entry->needs_count);
    if (is_main(entry))
        bind_blob(statement, 14, entry->content, sizeof(entry->content));
    bind_blob(statement, 15, entry->sent, entry->sent_length);
    bind_blob(statement, 16, entry->values, entry->values_length);
    bind_blob(statement, 17, became.bytes, became.length);
    bind_blob(statement, 18, entry->flags, entry->flags_length);
    sqlite3_bind_int64(statement, 19, placed->earlier);
    sqlite3_bind_int64(statement, 21, placed->late_ms);
    sqlite3_bind_int64(statement, 22, entry->line);
    return statement;
}

static enum status write_entry(struct outbox *outbox, const struct put *put,
                               const struct put_entry *entry, const struct placed *placed)
{
    const struct text plain = {entry->became, entry->became_length};
    sqlite3_stmt *statement;
    struct text packed;
    int64_t base;
    enum status status;

    bases_pack(outbox->bases, entry->kind, entry->role, plain, &packed, &base);
    statement = bind_entry(outbox, put, entry, placed, packed);
    if (statement)
        sqlite3_bind_int64(statement, 20, base);
    status = db_run(&outbox->db, statement);
    if (status == STATUS_OK && sqlite3_changes(outbox->db.handle) == 0)
        return STATUS_CONFLICT;
    if (status == STATUS_OK && base == 0 && plain.bytes)
        bases_learn(outbox->bases, entry->kind, entry->role, placed->seq, plain);
    return status;
}

static enum status put_needs(struct outbox *outbox, const struct put_entry *entry, int64_t line,
                             int64_t first_seq)
{
    enum status status = STATUS_OK;

    for (size_t i = 0; i < entry->needs_count && status == STATUS_OK; i++) {
        const struct put_need *need = &entry->needs[i];

        status = db_run_numbers(
            &outbox->db, SQL_NEED_INSERT,
            NUMBERS(line, need->there ? need->there : first_seq + (int64_t)need->on, need->strict));
    }
    return status;
}

static int64_t reading_of(const struct put_entry *entry, int64_t first_seq)
{
    if (entry->of != 0)
        return entry->of;
    return entry->reading == SIZE_MAX ? 0 : first_seq + (int64_t)entry->reading;
}

/* A new text has no delivery row of its own: over the watermark it is no fresh one. */
static enum status put_text(struct outbox *outbox, const struct put *put,
                            const struct put_entry *entry, int64_t seq)
{
    counter_add(outbox, COUNTER_AHEAD, 1);
    return entry->became ? line_take(outbox, entry->line, seq, put->accepted_ms) : STATUS_INVALID;
}

enum status put_entry(struct outbox *outbox, const struct put *put, const struct put_entry *entry,
                      int64_t seq, int64_t first_seq)
{
    struct placed placed = {.seq = seq,
                            .patient = patient_hash(put->patient),
                            .line = entry->line ? entry->line : seq,
                            .reading = reading_of(entry, first_seq)};
    enum status status = chain_join(outbox, placed.patient, entry->kind, seq, entry->taken_ms,
                                    &placed.earlier, &placed.late_ms);

    if (status == STATUS_OK)
        status = write_entry(outbox, put, entry, &placed);
    if (status == STATUS_OK && put->who && placed.earlier == 0 && is_main(entry))
        status = patient_note(outbox, put->who); /* the first of its kind: else it is known */
    if (status == STATUS_OK)
        status = put_needs(outbox, entry, placed.line, first_seq);
    if (is_main(entry))
        change_note(outbox, seq, true);
    if (status == STATUS_OK && entry->line != 0)
        return put_text(outbox, put, entry, seq);
    if (status == STATUS_OK && (entry->hold || !entry->became)) /* what is not mapped cannot go */
        status = delivery_insert(outbox, seq, placed.patient, ENTRY_HELD, entry->hold_reason,
                                 put->accepted_ms);
    return status;
}

static enum status put_entries(struct outbox *outbox, const struct put *put, int64_t first_seq,
                               size_t *at)
{
    enum status status = STATUS_OK;

    for (*at = 0; *at < put->count; ++*at) {
        status = put_entry(outbox, put, &put->entries[*at], first_seq + (int64_t)*at, first_seq);
        if (status != STATUS_OK)
            return status;
    }
    outbox->tally.last_seq = first_seq + (int64_t)put->count - 1;
    return STATUS_OK;
}

static enum status put_set(struct outbox *outbox, const struct put *put, int64_t first_seq)
{
    sqlite3_stmt *statement;

    if (put->correction || put->count == 0 || uuid_equal(&put->set, &put->entries[0].id))
        return STATUS_OK; /* it has one; a single reading is found by its own id */
    statement = db_statement(&outbox->db, SQL_SET_INSERT);
    if (statement) {
        bind_uuid(statement, 1, &put->set);
        sqlite3_bind_int64(statement, 2, first_seq);
    }
    return db_run(&outbox->db, statement);
}

/* ---- idempotency keys ---- */

#define KEY_KEPT_MS ((int64_t)7 * 86400000) /* design 5 */

static enum status put_key(struct outbox *outbox, const struct put *put)
{
    sqlite3_stmt *statement;
    enum status status;

    if (!put->key)
        return STATUS_OK;
    status = db_run_numbers(&outbox->db, SQL_KEY_PRUNE, NUMBERS(put->accepted_ms - KEY_KEPT_MS));
    if (status != STATUS_OK)
        return status;
    statement = db_statement(&outbox->db, SQL_KEY_INSERT);
    if (statement) {
        bind_text(statement, 1, put->client);
        bind_text(statement, 2, put->key);
        bind_blob(statement, 3, put->key_content, sizeof(put->key_content));
        bind_blob(statement, 4, put->answer ? put->answer : "",
                  put->answer ? put->answer_length : 0);
        sqlite3_bind_int64(statement, 5, put->accepted_ms);
    }
    return db_run(&outbox->db, statement);
}

/* ---- the job ---- */

static enum status put_whole(struct outbox *outbox, struct put *put, int64_t first_seq, size_t *at)
{
    enum status status = STATUS_OK;

    *at = 0;
    if (put->correction)
        status = correction_check(outbox, put->correction);
    put->stale = status == STATUS_CONFLICT;
    if (status == STATUS_OK && put->correction)
        status = correction_withdraw(outbox, put);
    if (status == STATUS_OK)
        status = put_entries(outbox, put, first_seq, at);
    if (status == STATUS_OK && put->correction)
        status = correction_note(outbox, put, first_seq);
    if (status == STATUS_OK)
        status = put_set(outbox, put, first_seq);
    return status;
}

static enum status put_run(struct outbox *outbox, struct job *job)
{
    struct put *put = put_of(job);
    int64_t first_seq = outbox->tally.last_seq + 1;
    size_t at;
    enum status status = put_whole(outbox, put, first_seq, &at);

    put->replayed = false; /* as a run before this one may have found */
    if (status == STATUS_CONFLICT) {
        job->undo = true; /* whatever was begun */
        return put->correction ? status : replay_or_conflict(outbox, put, first_seq, at);
    }
    if (status == STATUS_OK && put->also) {
        status =
            put_whole(outbox, put->also, outbox->tally.last_seq + 1, &put->also->conflict_entry);
        job->undo = status == STATUS_CONFLICT;
    }
    if (status == STATUS_OK)
        status = put_key(outbox, put);
    outbox->made_deliverable = outbox->made_deliverable || status == STATUS_OK;
    return status;
}

/* The next who asks for the patient's last reading hears of this one. */
static void note_newest(struct outbox *outbox, const struct put *put)
{
    int64_t patient = patient_hash(put->patient);

    for (size_t i = 0; i < put->count; i++) {
        const struct put_entry *entry = &put->entries[i];

        const bool held = entry->hold || !entry->became;

        if (is_main(entry) && entry->values)
            newest_note(outbox->newest, patient, entry->kind, entry->taken_ms,
                        held ? NULL : entry->values, entry->values_length);
    }
}

static void put_done(struct outbox *outbox, struct job *job)
{
    struct put *put = put_of(job);

    put->status = job->status;
    put->replayed = put->replayed && job->status == STATUS_OK;
    if (put->status == STATUS_OK && !put->replayed) {
        metric_add(METRIC_COMMIT_ENTRIES, (int64_t)put->count);
        note_newest(outbox, put);
        if (put->also)
            note_newest(outbox, put->also);
    }
    put->done(put);
}

void outbox_put(struct outbox *outbox, struct put *put)
{
    struct put_room *room = (struct put_room *)(void *)&put->own;

    _Static_assert(sizeof(struct put_room) <= sizeof(put->own),
                   "struct put has no room for its job");
    *room = (struct put_room){
        .job = {.run = put_run, .done = put_done, .is_put = true},
          .put = put
    };
    put->replayed = false;
    queue_job(outbox, &room->job);
}
