/* read.c - looking: each reader has a connection of its own and never waits for the writer. */
#include <stdlib.h>
#include <string.h>

#include "store/store_private.h"

enum status outbox_reader_open(struct outbox *outbox, struct outbox_reader **out)
{
    struct outbox_reader *reader = calloc(1, sizeof(*reader));
    enum status status;

    if (!reader)
        return STATUS_NO_MEMORY;
    reader->outbox = outbox;
    status = db_open(outbox->path, false, &reader->db);
    if (status != STATUS_OK) {
        free(reader);
        return status;
    }
    *out = reader;
    return STATUS_OK;
}

void outbox_reader_close(struct outbox_reader *reader)
{
    if (!reader)
        return;
    db_close(&reader->db);
    free(reader);
}

/* ---- rows ---- */

static const char *text_at(sqlite3_stmt *statement, int column)
{
    return (const char *)sqlite3_column_text(statement, column);
}

static const char *blob_at(sqlite3_stmt *statement, int column, size_t *length)
{
    const char *bytes = sqlite3_column_blob(statement, column);

    *length = bytes ? (size_t)sqlite3_column_bytes(statement, column) : 0;
    return bytes;
}

static void uuid_at_column(sqlite3_stmt *statement, int column, struct uuid *out)
{
    const void *bytes = sqlite3_column_blob(statement, column);

    memset(out->bytes, 0, sizeof(out->bytes));
    if (bytes && sqlite3_column_bytes(statement, column) == (int)sizeof(out->bytes))
        memcpy(out->bytes, bytes, sizeof(out->bytes));
}

/* The columns stand in the order of ROW in sqlite.c. */
static enum status read_row(struct outbox_reader *reader, sqlite3_stmt *statement, struct outbox_row *row, int64_t *earlier)
{
    size_t length;
    const char *content;
    struct text became;
    enum status status;

    *row = (struct outbox_row){.seq = sqlite3_column_int64(statement, 0), .reading = sqlite3_column_int64(statement, 3)};
    uuid_at_column(statement, 1, &row->id);
    uuid_at_column(statement, 2, &row->set);
    row->role = text_at(statement, 4);
    row->kind = text_at(statement, 5);
    row->patient = text_at(statement, 6);
    row->client = text_at(statement, 7);
    row->table_version = text_at(statement, 8);
    row->taken_ms = sqlite3_column_int64(statement, 9);
    row->accepted_ms = sqlite3_column_int64(statement, 10);
    row->sent = blob_at(statement, 11, &row->sent_length);
    row->values = blob_at(statement, 12, &row->values_length);
    row->became = blob_at(statement, 13, &row->became_length);
    row->flags = blob_at(statement, 14, &row->flags_length);
    content = blob_at(statement, 15, &length);
    if (content && length == sizeof(row->content))
        memcpy(row->content, content, length);
    *earlier = sqlite3_column_int64(statement, 16);
    row->state = (enum entry_state)sqlite3_column_int(statement, 18); /* no delivery row: fresh, and so waiting */
    row->reason = text_at(statement, 19);
    row->by = text_at(statement, 20);
    row->attempts = (unsigned)sqlite3_column_int(statement, 21);
    row->due_ms = sqlite3_column_int64(statement, 22);
    row->settled_ms = sqlite3_column_int64(statement, 23);
    row->remote = text_at(statement, 24);
    row->remote_version = text_at(statement, 25);
    status = db_unpack(&reader->db, (struct text){row->became, row->became_length}, sqlite3_column_int64(statement, 17), &became);
    row->became = became.bytes;
    row->became_length = became.length;
    return status;
}

static enum status walk(struct outbox_reader *reader, sqlite3_stmt *statement, outbox_row_seen *seen, void *context, size_t *count)
{
    enum status status = STATUS_OK;
    bool goes_on = true;
    int code = SQLITE_DONE;
    int64_t earlier;

    if (!statement)
        return STATUS_NO_MEMORY;
    while (goes_on && (code = sqlite3_step(statement)) == SQLITE_ROW) {
        struct outbox_row row;

        status = read_row(reader, statement, &row, &earlier);
        if (status != STATUS_OK)
            break;
        (*count)++;
        goes_on = seen(context, &row);
    }
    sqlite3_reset(statement);
    if (status != STATUS_OK)
        return status;
    return code == SQLITE_DONE || code == SQLITE_ROW ? STATUS_OK : status_of_sqlite(code);
}

enum status outbox_find(struct outbox_reader *reader, const struct uuid *id, outbox_row_seen *seen, void *context)
{
    sqlite3_stmt *statement = db_statement(&reader->db, SQL_ROW_BY_ID);
    size_t count = 0;
    enum status status;

    if (statement)
        bind_uuid(statement, 1, id);
    status = walk(reader, statement, seen, context, &count);
    return status == STATUS_OK && count == 0 ? STATUS_NOT_FOUND : status;
}

/* ---- a set ---- */

static enum status first_of_set(struct outbox_reader *reader, const struct uuid *set, int64_t *seq)
{
    static const enum sql ways[] = {SQL_SET_FIND, SQL_ENTRY_KNOWN}; /* a single reading's set has its reading's id */

    for (size_t i = 0; i < 2; i++) {
        sqlite3_stmt *statement = db_statement(&reader->db, ways[i]);
        int code;

        if (!statement)
            return STATUS_NO_MEMORY;
        bind_uuid(statement, 1, set);
        code = sqlite3_step(statement);
        *seq = code == SQLITE_ROW ? sqlite3_column_int64(statement, 0) : 0;
        sqlite3_reset(statement);
        if (code == SQLITE_ROW)
            return STATUS_OK;
        if (code != SQLITE_DONE)
            return status_of_sqlite(code);
    }
    return STATUS_NOT_FOUND;
}

#define SET_MOST 4000

struct set_walk {
    const struct uuid *set;
    outbox_row_seen *seen;
    void *context;
    int64_t mains[SET_MOST];
    size_t mains_count;
};

static bool set_seen(void *context, const struct outbox_row *row)
{
    struct set_walk *walked = context;

    if (!uuid_equal(&row->set, walked->set))
        return false;
    if (row->reading == row->seq && walked->mains_count < SET_MOST)
        walked->mains[walked->mains_count++] = row->seq;
    return walked->seen(walked->context, row);
}

static enum status late_of(struct outbox_reader *reader, int64_t main, const struct set_walk *walked)
{
    sqlite3_stmt *late = db_statement(&reader->db, SQL_LATE_FIND);
    size_t count = 0;
    enum status status = STATUS_OK;

    if (!late)
        return STATUS_NO_MEMORY;
    sqlite3_bind_int64(late, 1, main);
    while (status == STATUS_OK && sqlite3_step(late) == SQLITE_ROW) {
        sqlite3_stmt *row = db_statement(&reader->db, SQL_ROW_BY_SEQ);

        if (row)
            sqlite3_bind_int64(row, 1, sqlite3_column_int64(late, 0));
        status = walk(reader, row, walked->seen, walked->context, &count);
    }
    sqlite3_reset(late);
    return status;
}

enum status outbox_of_set(struct outbox_reader *reader, const struct uuid *set, outbox_row_seen *seen, void *context)
{
    struct set_walk *walked = calloc(1, sizeof(*walked));
    sqlite3_stmt *statement;
    size_t count = 0;
    int64_t seq = 0;
    enum status status = walked ? first_of_set(reader, set, &seq) : STATUS_NO_MEMORY;

    if (status == STATUS_OK) {
        walked->set = set;
        walked->seen = seen;
        walked->context = context;
        statement = db_statement(&reader->db, SQL_ROWS_FROM);
        if (statement) {
            sqlite3_bind_int64(statement, 1, seq);
            sqlite3_bind_int64(statement, 2, SET_MOST);
        }
        status = walk(reader, statement, set_seen, walked, &count);
    }
    for (size_t i = 0; status == STATUS_OK && i < walked->mains_count; i++)
        status = late_of(reader, walked->mains[i], walked);
    free(walked);
    return status;
}

/* ---- attempts ---- */

static enum status failed_attempts(struct outbox_reader *reader, int64_t seq, outbox_attempt_seen *seen, void *context, bool *goes_on)
{
    sqlite3_stmt *statement = db_statement(&reader->db, SQL_ATTEMPTS);
    int code = SQLITE_DONE;

    if (!statement)
        return STATUS_NO_MEMORY;
    sqlite3_bind_int64(statement, 1, seq);
    while (*goes_on && (code = sqlite3_step(statement)) == SQLITE_ROW) {
        struct attempt attempt = {.at_ms = sqlite3_column_int64(statement, 0), .http_status = sqlite3_column_int(statement, 1),
                                  .reason = text_at(statement, 2)};

        attempt.said = blob_at(statement, 3, &attempt.said_length);
        *goes_on = seen(context, &attempt);
    }
    sqlite3_reset(statement);
    return code == SQLITE_DONE || code == SQLITE_ROW ? STATUS_OK : status_of_sqlite(code);
}

struct success {
    bool charted;
    struct attempt attempt;
};

static bool success_seen(void *context, const struct outbox_row *row)
{
    struct success *success = context;

    success->charted = row->state == ENTRY_CHARTED;
    success->attempt = (struct attempt){.at_ms = row->settled_ms, .reason = "charted"};
    return false;
}

enum status outbox_attempts(struct outbox_reader *reader, int64_t seq, outbox_attempt_seen *seen, void *context)
{
    struct success success = {0};
    bool goes_on = true;
    size_t count = 0;
    enum status status = failed_attempts(reader, seq, seen, context, &goes_on);
    sqlite3_stmt *statement = status == STATUS_OK ? db_statement(&reader->db, SQL_ROW_BY_SEQ) : NULL;

    if (status != STATUS_OK)
        return status;
    if (statement)
        sqlite3_bind_int64(statement, 1, seq);
    status = walk(reader, statement, success_seen, &success, &count);
    if (status == STATUS_OK && success.charted && goes_on)
        seen(context, &success.attempt);
    return status;
}

/* ---- chains: the entries of a patient and kind, each naming the one before it ---- */

static enum status newest_of(struct outbox_reader *reader, int64_t patient, const char *kind, int64_t *seq)
{
    sqlite3_stmt *statement = db_statement(&reader->db, SQL_NEWEST_FIND);
    int code;

    if (!statement)
        return STATUS_NO_MEMORY;
    sqlite3_bind_int64(statement, 1, patient);
    bind_text(statement, 2, kind);
    code = sqlite3_step(statement);
    *seq = code == SQLITE_ROW ? sqlite3_column_int64(statement, 0) : 0;
    sqlite3_reset(statement);
    return code == SQLITE_ROW || code == SQLITE_DONE ? STATUS_OK : status_of_sqlite(code);
}

/* Shows the row at *seq and moves on to the one before it, 0 at the end. *goes_on: `seen` wants more. */
static enum status step_back(struct outbox_reader *reader, int64_t *seq, outbox_row_seen *seen, void *context, bool *goes_on)
{
    sqlite3_stmt *statement = db_statement(&reader->db, SQL_ROW_BY_SEQ);
    struct outbox_row row;
    int64_t earlier = 0;
    enum status status;
    int code;

    if (!statement)
        return STATUS_NO_MEMORY;
    sqlite3_bind_int64(statement, 1, *seq);
    code = sqlite3_step(statement);
    status = code == SQLITE_ROW ? read_row(reader, statement, &row, &earlier) : STATUS_DAMAGED;
    *goes_on = status == STATUS_OK && seen(context, &row);
    *seq = earlier;
    sqlite3_reset(statement);
    return status;
}

#define CHAINS_MOST 256 /* kinds of one patient */

static enum status chains_of(struct outbox_reader *reader, int64_t patient, int64_t seqs[CHAINS_MOST], size_t *count)
{
    sqlite3_stmt *statement = db_statement(&reader->db, SQL_NEWEST_OF);
    int code = SQLITE_DONE;

    *count = 0;
    if (!statement)
        return STATUS_NO_MEMORY;
    sqlite3_bind_int64(statement, 1, patient);
    while (*count < CHAINS_MOST && (code = sqlite3_step(statement)) == SQLITE_ROW)
        seqs[(*count)++] = sqlite3_column_int64(statement, 0);
    sqlite3_reset(statement);
    return code == SQLITE_DONE || code == SQLITE_ROW ? STATUS_OK : status_of_sqlite(code);
}

static size_t newest_chain(const int64_t *seqs, size_t count)
{
    size_t newest = 0;

    for (size_t i = 1; i < count; i++)
        if (seqs[i] > seqs[newest])
            newest = i;
    return newest;
}

static bool unseen(void *context, const struct outbox_row *row)
{
    (void)context;
    (void)row;
    return true;
}

/* All entries of a patient, newest first, from those before `after` on: the chains are merged as they are walked. */
static enum status walk_patient(struct outbox_reader *reader, int64_t patient, int64_t after, outbox_row_seen *seen, void *context)
{
    int64_t seqs[CHAINS_MOST];
    size_t count = 0;
    bool goes_on = true;
    enum status status = chains_of(reader, patient, seqs, &count);

    while (status == STATUS_OK && goes_on && count > 0) {
        size_t newest = newest_chain(seqs, count);

        if (seqs[newest] == 0)
            return STATUS_OK;
        status = step_back(reader, &seqs[newest], seqs[newest] < after ? seen : unseen, context, &goes_on);
    }
    return status;
}

/* ---- searching ---- */

struct filter {
    const struct outbox_search *search;
    outbox_row_seen *seen;
    void *context;
    size_t given;
    bool full;
};

static bool fits(const struct outbox_search *search, const struct outbox_row *row)
{
    int64_t changed = row->settled_ms > row->accepted_ms ? row->settled_ms : row->accepted_ms;

    return (!search->mains_only || row->reading == row->seq) && (!search->patient || strcmp(search->patient, row->patient) == 0) &&
           (!search->kind || strcmp(search->kind, row->kind) == 0) && (!search->has_state || row->state == search->state) &&
           row->taken_ms >= search->taken_from_ms && row->taken_ms < search->taken_to_ms && changed >= search->changed_from_ms;
}

static bool filter_seen(void *context, const struct outbox_row *row)
{
    struct filter *filter = context;

    if (!fits(filter->search, row))
        return true;
    filter->given++;
    filter->full = !filter->seen(filter->context, row) || filter->given == filter->search->most;
    return !filter->full;
}

#define LOOKED_AT_MOST 100000 /* rows in one search: bounded work whatever is asked */

static sqlite3_stmt *search_statement(struct outbox_reader *reader, const struct outbox_search *search)
{
    sqlite3_stmt *statement;

    if (search->has_state && (search->state == ENTRY_HELD || search->state == ENTRY_DISCARDED)) {
        statement = db_statement(&reader->db, SQL_ROWS_IN_STATE);
        if (statement) {
            sqlite3_bind_int(statement, 1, (int)search->state);
            sqlite3_bind_int64(statement, 2, search->after_seq);
            sqlite3_bind_int64(statement, 3, LOOKED_AT_MOST);
        }
    } else {
        statement = db_statement(&reader->db, SQL_ROWS_BACKWARDS);
        if (statement) {
            sqlite3_bind_int64(statement, 1, search->after_seq);
            sqlite3_bind_int64(statement, 2, LOOKED_AT_MOST);
        }
    }
    return statement;
}

enum status outbox_search(struct outbox_reader *reader, const struct outbox_search *search, outbox_row_seen *seen, void *context)
{
    struct filter filter = {search, seen, context, 0, false};
    size_t count = 0;

    if (search->patient)
        return walk_patient(reader, patient_hash(search->patient), search->after_seq, filter_seen, &filter);
    return walk(reader, search_statement(reader, search), filter_seen, &filter, &count);
}

/* ---- the last of a kind ---- */

#define LAST_LOOKED_AT 16 /* of a chain; readings come nearly in the order in which they were taken: the first that fits is the last */

struct last_walk {
    const char *patient;
    int64_t before_ms;
    outbox_last_seen *seen;
    void *context;
    bool found;
    bool is_newest; /* `newest` is the newest main of the chain, or says that there is none */
    struct newest_values newest;
};

static void copy_values(const struct outbox_row *row, struct newest_values *out)
{
    out->taken_ms = row->taken_ms;
    out->length = row->values_length;
    if (row->values_length <= NEWEST_VALUES_MOST)
        memcpy(out->bytes, row->values, row->values_length);
}

/* The first main that fits is the last reading. Two patients may share a hash; the text decides. */
static bool last_walk_seen(void *context, const struct outbox_row *row)
{
    struct last_walk *walked = context;

    if (row->reading != row->seq || !row->values || row->state == ENTRY_DISCARDED || strcmp(row->patient, walked->patient) != 0)
        return true;
    if (!walked->is_newest) {
        walked->is_newest = true;
        copy_values(row, &walked->newest);
    }
    if (row->taken_ms >= walked->before_ms)
        return true;
    walked->found = true;
    walked->seen(walked->context, row->values, row->values_length, row->taken_ms);
    return false;
}

static enum status last_on_disk(struct outbox_reader *reader, const char *kind, struct last_walk *walked)
{
    bool goes_on = true;
    int64_t seq = 0;
    enum status status = newest_of(reader, patient_hash(walked->patient), kind, &seq);

    for (int i = 0; i < LAST_LOOKED_AT && seq != 0 && goes_on && status == STATUS_OK; i++)
        status = step_back(reader, &seq, last_walk_seen, walked, &goes_on);
    if (status == STATUS_OK && seq == 0 && !walked->is_newest) {
        walked->is_newest = true;
        walked->newest.none = true;
    }
    return status;
}

enum status outbox_last(struct outbox_reader *reader, const char *patient, const char *kind, int64_t before_ms, outbox_last_seen *seen,
                        void *context)
{
    struct newest *newest = reader->outbox->newest;
    struct last_walk walked = {.patient = patient, .before_ms = before_ms, .seen = seen, .context = context};
    struct newest_values values = {.none = true};
    uint32_t generation;
    enum status status;

    if (newest_find(newest, patient_hash(patient), kind, &values, &generation) && (values.none || values.taken_ms < before_ms)) {
        if (!values.none)
            seen(context, values.bytes, values.length, values.taken_ms);
        return values.none ? STATUS_NOT_FOUND : STATUS_OK;
    }
    status = last_on_disk(reader, kind, &walked);
    if (status == STATUS_OK && walked.is_newest && walked.newest.length <= NEWEST_VALUES_MOST)
        newest_learn(newest, patient_hash(patient), kind, generation, &walked.newest);
    return status == STATUS_OK && !walked.found ? STATUS_NOT_FOUND : status;
}

/* ---- patients ---- */

static enum status next_patient(struct outbox_reader *reader, int64_t *hash, bool *found)
{
    sqlite3_stmt *statement = db_statement(&reader->db, SQL_NEXT_PATIENT);
    int code;

    if (!statement)
        return STATUS_NO_MEMORY;
    sqlite3_bind_int64(statement, 1, *hash);
    code = sqlite3_step(statement);
    *found = code == SQLITE_ROW && sqlite3_column_type(statement, 0) != SQLITE_NULL;
    if (*found)
        *hash = sqlite3_column_int64(statement, 0);
    sqlite3_reset(statement);
    return code == SQLITE_ROW ? STATUS_OK : status_of_sqlite(code);
}

struct patient_walk {
    outbox_row_seen *seen;
    void *context;
    bool goes_on;
};

/* The newest main of a patient; those that are bound to nobody are no patients. */
static bool patient_walk_seen(void *context, const struct outbox_row *row)
{
    struct patient_walk *walked = context;

    if (row->reading != row->seq)
        return true;
    walked->goes_on = row->patient[0] == '\0' || walked->seen(walked->context, row);
    return false;
}

enum status outbox_patients(struct outbox_reader *reader, const char *after, size_t most, outbox_row_seen *seen, void *context)
{
    struct patient_walk walked = {seen, context, true};
    int64_t hash = after[0] ? patient_hash(after) : INT64_MIN;
    bool found = true;
    enum status status = STATUS_OK;

    for (size_t i = 0; i < most && walked.goes_on; i++) {
        status = next_patient(reader, &hash, &found);
        if (status == STATUS_OK && found)
            status = walk_patient(reader, hash, INT64_MAX, patient_walk_seen, &walked);
        if (status != STATUS_OK || !found)
            break;
    }
    return status;
}

/* ---- the rest ---- */

enum status outbox_remote(struct outbox_reader *reader, int64_t seq, struct uuid *id_out, char **remote_out)
{
    sqlite3_stmt *statement = db_statement(&reader->db, SQL_REMOTE);
    enum status status = STATUS_OK;
    int code;

    *remote_out = NULL;
    if (!statement)
        return STATUS_NO_MEMORY;
    sqlite3_bind_int64(statement, 1, seq);
    code = sqlite3_step(statement);
    if (code == SQLITE_ROW) {
        const char *remote = text_at(statement, 1);

        uuid_at_column(statement, 0, id_out);
        if (remote && sqlite3_column_int(statement, 2) == ENTRY_CHARTED && !(*remote_out = strdup(remote)))
            status = STATUS_NO_MEMORY;
    }
    sqlite3_reset(statement);
    if (code == SQLITE_DONE)
        return STATUS_NOT_FOUND;
    return code == SQLITE_ROW ? status : status_of_sqlite(code);
}

enum status outbox_key(struct outbox_reader *reader, const char *client, const char *key, const uint8_t content[32],
                       enum key_state *state_out, char **answer_out, size_t *length_out)
{
    sqlite3_stmt *statement = db_statement(&reader->db, SQL_KEY_FIND);
    enum status status = STATUS_OK;
    size_t length;
    int code;

    if (!statement)
        return STATUS_NO_MEMORY;
    bind_text(statement, 1, client);
    bind_text(statement, 2, key);
    code = sqlite3_step(statement);
    *state_out = KEY_NEW;
    if (code == SQLITE_ROW) {
        const char *kept = blob_at(statement, 0, &length);
        bool same = kept && length == 32 && memcmp(kept, content, 32) == 0;

        *state_out = same ? KEY_SAME : KEY_OTHER;
        if (same) {
            const char *answer = blob_at(statement, 1, length_out);

            *answer_out = malloc(*length_out + 1);
            status = *answer_out ? STATUS_OK : STATUS_NO_MEMORY;
            if (*answer_out && answer)
                memcpy(*answer_out, answer, *length_out);
        }
    }
    sqlite3_reset(statement);
    return code == SQLITE_ROW || code == SQLITE_DONE ? status : status_of_sqlite(code);
}

enum status outbox_refusals(struct outbox_reader *reader, int64_t after_number, size_t most, outbox_refusal_seen *seen, void *context)
{
    sqlite3_stmt *statement = db_statement(&reader->db, SQL_REFUSALS);
    bool goes_on = true;
    int code = SQLITE_DONE;

    if (!statement)
        return STATUS_NO_MEMORY;
    sqlite3_bind_int64(statement, 1, after_number);
    sqlite3_bind_int64(statement, 2, (int64_t)most);
    while (goes_on && (code = sqlite3_step(statement)) == SQLITE_ROW) {
        struct refusal refusal = {.client = text_at(statement, 1), .received_ms = sqlite3_column_int64(statement, 2)};

        refusal.sent = blob_at(statement, 3, &refusal.sent_length);
        refusal.problems = blob_at(statement, 4, &refusal.problems_length);
        goes_on = seen(context, sqlite3_column_int64(statement, 0), &refusal);
    }
    sqlite3_reset(statement);
    return code == SQLITE_DONE || code == SQLITE_ROW ? STATUS_OK : status_of_sqlite(code);
}

static enum status oldest(struct outbox_reader *reader, enum sql sql, int64_t watermark, int64_t *out)
{
    sqlite3_stmt *statement = db_statement(&reader->db, sql);
    int code;

    if (!statement)
        return STATUS_NO_MEMORY;
    if (sql == SQL_FRESH_OLDEST)
        sqlite3_bind_int64(statement, 1, watermark);
    code = sqlite3_step(statement);
    if (code == SQLITE_ROW && (*out == 0 || sqlite3_column_int64(statement, 0) < *out))
        *out = sqlite3_column_int64(statement, 0);
    sqlite3_reset(statement);
    return code == SQLITE_ROW || code == SQLITE_DONE ? STATUS_OK : status_of_sqlite(code);
}

enum status outbox_count(struct outbox_reader *reader, struct outbox_counts *out)
{
    struct outbox *outbox = reader->outbox;
    int64_t watermark = atomic_load(&outbox->shown_counters[COUNTER_WATERMARK]);
    int64_t fresh = atomic_load(&outbox->shown_last_seq) - watermark - atomic_load(&outbox->shown_counters[COUNTER_AHEAD]);
    enum status status;

    *out = (struct outbox_counts){
        .waiting = fresh + atomic_load(&outbox->shown_counters[COUNTER_WAITING]),
        .held = atomic_load(&outbox->shown_counters[COUNTER_HELD]),
        .charted = atomic_load(&outbox->shown_counters[COUNTER_CHARTED]),
        .discarded = atomic_load(&outbox->shown_counters[COUNTER_DISCARDED]),
        .refusals = atomic_load(&outbox->shown_counters[COUNTER_REFUSALS]),
        .free_bytes = outbox_room(outbox),
    };
    if (out->waiting == 0)
        return STATUS_OK;
    status = oldest(reader, SQL_WAITING_OLDEST, 0, &out->oldest_waiting_ms);
    return status == STATUS_OK && fresh > 0 ? oldest(reader, SQL_FRESH_OLDEST, watermark, &out->oldest_waiting_ms) : status;
}
