/* put.c - accepting: the entries of one request, all or none. */
#include <string.h>

#include "store/store_private.h"
#include "wardpost/metrics.h"

struct put_room { /* what lives in struct put's own room */
    struct job job;
    struct put *put;
};

struct job *put_job(struct put *put)
{
    struct put_room *room = (struct put_room *)(void *)&put->own;

    _Static_assert(sizeof(struct put_room) <= sizeof(put->own), "struct put has no room for its job");
    room->put = put;
    return &room->job;
}

static struct put *put_of(struct job *job)
{
    return ((struct put_room *)(void *)job)->put;
}

void put_done(struct outbox *outbox, struct job *job)
{
    struct put *put = put_of(job);
    int64_t patient;

    if (job->status == STATUS_OK) {
        patient = patient_hash(put->patient);
        for (size_t i = 0; i < put->count; i++)
            if (put->entries[i].sent)
                newest_note(outbox->newest, patient, put->entries[i].kind, put->entries[i].taken_ms, put->entries[i].values,
                            put->entries[i].values_length);
    }
    put->status = put->replayed && job->status == STATUS_BUSY ? STATUS_OK : job->status;
    put->done(put);
}

/* ---- is it there already? ---- */

enum known { KNOWN_NOT, KNOWN_SAME, KNOWN_OTHER };

static enum known look(struct outbox *outbox, const struct put_entry *entry)
{
    sqlite3_stmt *statement = db_statement(&outbox->db, SQL_ENTRY_KNOWN);
    enum known known = KNOWN_NOT;

    if (!statement)
        return KNOWN_OTHER;
    bind_uuid(statement, 1, &entry->id);
    if (sqlite3_step(statement) == SQLITE_ROW) {
        const void *content = sqlite3_column_blob(statement, 1);
        bool same = content && sqlite3_column_bytes(statement, 1) == (int)sizeof(entry->content) &&
                    memcmp(content, entry->content, sizeof(entry->content)) == 0;

        known = same ? KNOWN_SAME : KNOWN_OTHER;
    }
    sqlite3_reset(statement);
    return known;
}

static bool is_main(const struct put_entry *entry)
{
    return entry->sent != NULL;
}

/* Called when an id was found to be there: the same again, or something else? */
static enum status replay_or_conflict(struct outbox *outbox, struct put *put)
{
    size_t mains = 0, same = 0, first_known = SIZE_MAX;

    for (size_t i = 0; i < put->count; i++) {
        enum known known;

        if (!is_main(&put->entries[i]))
            continue;
        mains++;
        known = look(outbox, &put->entries[i]);
        same += known == KNOWN_SAME;
        if (known != KNOWN_NOT && first_known == SIZE_MAX)
            first_known = i;
        if (known == KNOWN_OTHER) {
            put->conflict_entry = i;
            return STATUS_CONFLICT;
        }
    }
    if (same == mains) {
        put->replayed = true;
        return STATUS_OK;
    }
    put->conflict_entry = first_known == SIZE_MAX ? 0 : first_known;
    return STATUS_CONFLICT;
}

/* ---- writing ---- */

/* The chain of a patient and kind: this one becomes its newest, and names the one before. */
static enum status join_chain(struct outbox *outbox, const struct put *put, const struct put_entry *entry, int64_t seq, int64_t *earlier)
{
    sqlite3_stmt *statement = db_statement(&outbox->db, SQL_NEWEST_FIND);

    if (!statement)
        return STATUS_NO_MEMORY;
    sqlite3_bind_int64(statement, 1, patient_hash(put->patient));
    bind_text(statement, 2, entry->kind);
    *earlier = sqlite3_step(statement) == SQLITE_ROW ? sqlite3_column_int64(statement, 0) : 0;
    sqlite3_reset(statement);
    statement = db_statement(&outbox->db, SQL_NEWEST_SET);
    if (!statement)
        return STATUS_NO_MEMORY;
    sqlite3_bind_int64(statement, 1, patient_hash(put->patient));
    bind_text(statement, 2, entry->kind);
    sqlite3_bind_int64(statement, 3, seq);
    return db_run(&outbox->db, statement);
}

struct placed { /* where an entry stands among the others */
    int64_t seq, reading, earlier;
};

static sqlite3_stmt *bind_entry(struct outbox *outbox, const struct put *put, const struct put_entry *entry, struct placed placed,
                                struct text became, int64_t base)
{
    sqlite3_stmt *statement = db_statement(&outbox->db, SQL_ENTRY_INSERT);

    if (!statement)
        return NULL;
    sqlite3_bind_int64(statement, 1, placed.seq);
    bind_uuid(statement, 2, &entry->id);
    bind_uuid(statement, 3, &put->set);
    sqlite3_bind_int64(statement, 4, placed.reading);
    bind_text(statement, 5, entry->role);
    bind_text(statement, 6, entry->kind);
    bind_text(statement, 7, put->patient);
    sqlite3_bind_int64(statement, 8, patient_hash(put->patient));
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
    sqlite3_bind_int64(statement, 19, placed.earlier);
    sqlite3_bind_int64(statement, 20, base);
    return statement;
}

static enum status put_needs(struct outbox *outbox, const struct put_entry *entry, int64_t seq, int64_t first_seq)
{
    enum status status = STATUS_OK;

    for (size_t i = 0; i < entry->needs_count && status == STATUS_OK; i++) {
        sqlite3_stmt *statement = db_statement(&outbox->db, SQL_NEED_INSERT);

        if (!statement)
            return STATUS_NO_MEMORY;
        sqlite3_bind_int64(statement, 1, seq);
        sqlite3_bind_int64(statement, 2, first_seq + (int64_t)entry->needs[i].on);
        sqlite3_bind_int(statement, 3, entry->needs[i].strict);
        status = db_run(&outbox->db, statement);
    }
    return status;
}

static enum status put_held(struct outbox *outbox, const struct put *put, const struct put_entry *entry, int64_t seq)
{
    return delivery_insert(outbox, seq, patient_hash(put->patient), ENTRY_HELD, entry->hold_reason, put->accepted_ms);
}

static enum status write_entry(struct outbox *outbox, const struct put *put, const struct put_entry *entry, struct placed placed)
{
    const struct text plain = {entry->became, entry->became_length};
    struct text packed;
    int64_t base;
    enum status status;

    bases_pack(outbox->bases, entry->kind, entry->role, plain, &packed, &base);
    status = db_run(&outbox->db, bind_entry(outbox, put, entry, placed, packed, base));
    if (status == STATUS_OK && sqlite3_changes(outbox->db.handle) == 0)
        return STATUS_CONFLICT;
    if (status == STATUS_OK && base == 0 && plain.bytes)
        bases_learn(outbox->bases, entry->kind, entry->role, placed.seq, plain);
    return status;
}

enum status put_entry(struct outbox *outbox, const struct put *put, const struct put_entry *entry, int64_t seq, int64_t first_seq)
{
    struct placed placed = {.seq = seq, .reading = entry->reading == SIZE_MAX ? 0 : first_seq + (int64_t)entry->reading};
    enum status status = join_chain(outbox, put, entry, seq, &placed.earlier);

    if (status == STATUS_OK)
        status = write_entry(outbox, put, entry, placed);
    if (status != STATUS_OK)
        return status;
    status = put_needs(outbox, entry, seq, first_seq);
    if (status == STATUS_OK && entry->hold)
        status = put_held(outbox, put, entry, seq);
    return status;
}

static enum status put_entries(struct outbox *outbox, const struct put *put, const struct put_entry *entries, size_t count, int64_t first_seq)
{
    enum status status = STATUS_OK;

    for (size_t i = 0; i < count && status == STATUS_OK; i++)
        status = put_entry(outbox, put, &entries[i], first_seq + (int64_t)i, first_seq);
    if (status == STATUS_OK)
        outbox->last_seq = first_seq + (int64_t)count - 1;
    return status;
}

static enum status put_set(struct outbox *outbox, const struct put *put, int64_t first_seq)
{
    sqlite3_stmt *statement;

    if (put->count == 0 || uuid_equal(&put->set, &put->entries[0].id))
        return STATUS_OK; /* a single reading is found by its own id */
    statement = db_statement(&outbox->db, SQL_SET_INSERT);
    if (!statement)
        return STATUS_NO_MEMORY;
    bind_uuid(statement, 1, &put->set);
    sqlite3_bind_int64(statement, 2, first_seq);
    return db_run(&outbox->db, statement);
}

#define KEY_KEPT_MS ((int64_t)7 * 86400000)

static enum status put_key(struct outbox *outbox, const struct put *put)
{
    sqlite3_stmt *statement;
    enum status status;

    if (!put->key)
        return STATUS_OK;
    statement = db_statement(&outbox->db, SQL_KEY_PRUNE);
    if (!statement)
        return STATUS_NO_MEMORY;
    sqlite3_bind_int64(statement, 1, put->accepted_ms - KEY_KEPT_MS);
    status = db_run(&outbox->db, statement);
    statement = status == STATUS_OK ? db_statement(&outbox->db, SQL_KEY_INSERT) : NULL;
    if (!statement)
        return status == STATUS_OK ? STATUS_NO_MEMORY : status;
    bind_text(statement, 1, put->client);
    bind_text(statement, 2, put->key);
    bind_blob(statement, 3, put->key_content, sizeof(put->key_content));
    bind_blob(statement, 4, put->answer, put->answer_length);
    sqlite3_bind_int64(statement, 5, put->accepted_ms);
    return db_run(&outbox->db, statement);
}

enum status put_run(struct outbox *outbox, struct job *job)
{
    struct put *put = put_of(job);
    int64_t first_seq = outbox->last_seq + 1;
    enum status status = put_entries(outbox, put, put->entries, put->count, first_seq);

    if (status == STATUS_CONFLICT) {
        status = replay_or_conflict(outbox, put);
        return put->replayed ? STATUS_BUSY : status; /* whatever was begun is undone; put_done() makes it fine again */
    }
    if (status == STATUS_OK)
        status = put_set(outbox, put, first_seq);
    if (status == STATUS_OK)
        status = put_key(outbox, put);
    if (status == STATUS_OK) {
        outbox->made_deliverable = true;
        metric_add(METRIC_COMMIT_ENTRIES, (int64_t)put->count);
    }
    return status;
}
