/* read.c - looking at entries: each reader has a connection of its own and never waits for the
 * writer. */
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

static const char *bytes_at(sqlite3_stmt *statement, int column, size_t *length)
{
    struct text bytes = column_bytes(statement, column);

    *length = bytes.length;
    return bytes.bytes;
}

/* No delivery row: fresh, and so waiting. */
static void read_line(sqlite3_stmt *statement, struct outbox_row *row)
{
    const int64_t line = sqlite3_column_int64(statement, 25);
    const struct delivery_row delivery = {.state =
                                              (enum entry_state)sqlite3_column_int(statement, 17),
                                          .body = sqlite3_column_int64(statement, 27),
                                          .next = sqlite3_column_int64(statement, 28)};

    row->line = line ? line : row->seq;
    row->name = column_uuid(statement, 26);
    row->delivery = delivery.state;
    row->state = text_state(row->seq, row->line, &delivery);
}

/* The columns from `at` on: whether there is one, the other's id, reason, said, by, at. */
static void read_correction(sqlite3_stmt *statement, int at, struct row_correction *out, bool *lost)
{
    out->given = sqlite3_column_type(statement, at) != SQLITE_NULL;
    if (!out->given)
        return;
    out->id = column_uuid(statement, at + 1);
    out->reason = column_text(statement, at + 2, lost);
    out->said = column_text(statement, at + 3, lost);
    out->by = column_text(statement, at + 4, lost);
    out->at_ms = sqlite3_column_int64(statement, at + 5);
}

/* The columns stand in the order of ROW in sqlite.c. `became` is as it is on disk: packed, perhaps.
 * False: no memory. */
static bool read_row(sqlite3_stmt *statement, struct outbox_row *row)
{
    struct text content;
    bool lost = false;

    *row = (struct outbox_row){.seq = sqlite3_column_int64(statement, 0),
                               .id = column_uuid(statement, 1),
                               .set = column_uuid(statement, 2),
                               .reading = sqlite3_column_int64(statement, 3)};
    row->role = column_text(statement, 4, &lost);
    row->kind = column_text(statement, 5, &lost);
    row->patient = column_text(statement, 6, &lost);
    row->client = column_text(statement, 7, &lost);
    row->table_version = column_text(statement, 8, &lost);
    row->taken_ms = sqlite3_column_int64(statement, 9);
    row->accepted_ms = sqlite3_column_int64(statement, 10);
    row->sent = bytes_at(statement, 11, &row->sent_length);
    row->values = bytes_at(statement, 12, &row->values_length);
    row->became = bytes_at(statement, 13, &row->became_length);
    row->flags = bytes_at(statement, 14, &row->flags_length);
    content = column_bytes(statement, 15);
    if (content.length == sizeof(row->content))
        memcpy(row->content, content.bytes, content.length);
    read_line(statement, row);
    row->reason = column_text(statement, 18, &lost);
    row->by = column_text(statement, 19, &lost);
    row->attempts = (unsigned)sqlite3_column_int(statement, 20);
    row->due_ms = sqlite3_column_int64(statement, 21);
    row->settled_ms = sqlite3_column_int64(statement, 22);
    row->remote = column_text(statement, 23, &lost);
    row->remote_version = column_text(statement, 24, &lost);
    if (row->state == ENTRY_SUPERSEDED)
        row->reason = NULL; /* its line's, and not about it */
    read_correction(statement, 29, &row->corrects, &lost);
    read_correction(statement, 35, &row->corrected_by, &lost);
    return !lost;
}

static enum status show_row(struct outbox_reader *reader, sqlite3_stmt *statement,
                            struct row_walk *walked)
{
    struct outbox_row row;
    struct text became;
    enum status status;

    if (!read_row(statement, &row))
        return STATUS_NO_MEMORY;
    row.page = walked->by_line ? row.line : row.seq;
    if (walked->fits && !walked->fits(walked, &row))
        return STATUS_OK;
    status = db_unpack(&reader->db, (struct text){row.became, row.became_length},
                       sqlite3_column_int64(statement, 16), &became);
    if (status != STATUS_OK)
        return status;
    row.became = became.bytes;
    row.became_length = became.length;
    walked->shown++;
    walked->stopped = !walked->seen(walked->context, &row) || walked->shown == walked->most;
    return STATUS_OK;
}

enum status rows_walk(struct outbox_reader *reader, sqlite3_stmt *statement,
                      struct row_walk *walked)
{
    enum status status = STATUS_OK;
    bool row;

    while (status == STATUS_OK && !walked->stopped) {
        status = db_step(&reader->db, statement, &row);
        if (status != STATUS_OK || !row)
            return status;
        status = show_row(reader, statement, walked);
    }
    if (statement)
        sqlite3_reset(statement);
    return status;
}

enum status row_at(struct outbox_reader *reader, int64_t seq, struct row_walk *walked)
{
    return rows_walk(reader, db_bind_numbers(&reader->db, SQL_ROW_BY_SEQ, NUMBERS(seq)), walked);
}

enum status outbox_find(struct outbox_reader *reader, const struct uuid *id, outbox_row_seen *seen,
                        void *context)
{
    sqlite3_stmt *statement = db_statement(&reader->db, SQL_ROW_BY_ID);
    struct row_walk walked = {.seen = seen, .context = context};
    enum status status;

    if (statement)
        bind_uuid(statement, 1, id);
    status = rows_walk(reader, statement, &walked);
    return status == STATUS_OK && walked.shown == 0 ? STATUS_NOT_FOUND : status;
}

enum status outbox_find_seq(struct outbox_reader *reader, int64_t seq, outbox_row_seen *seen,
                            void *context)
{
    struct row_walk walked = {.seen = seen, .context = context};
    enum status status = row_at(reader, seq, &walked);

    return status == STATUS_OK && walked.shown == 0 ? STATUS_NOT_FOUND : status;
}

/* ---- a set: its entries stand one after another, but for what was mapped late ---- */

static enum status first_of_set(struct outbox_reader *reader, const struct uuid *set, int64_t *seq)
{
    static const enum sql ways[] = {
        SQL_SET_FIND, SQL_ENTRY_KNOWN}; /* a single reading's set has its reading's id */

    for (size_t i = 0; i < sizeof(ways) / sizeof(ways[0]); i++) {
        sqlite3_stmt *statement = db_statement(&reader->db, ways[i]);
        enum status status;
        bool row;

        if (statement)
            bind_uuid(statement, 1, set);
        status = db_step(&reader->db, statement, &row);
        if (status != STATUS_OK)
            return status;
        if (row) {
            *seq = sqlite3_column_int64(statement, 0);
            sqlite3_reset(statement);
            return STATUS_OK;
        }
    }
    return STATUS_NOT_FOUND;
}

struct set_walk {
    const struct uuid *set;
    outbox_row_seen *seen;
    void *context;
    int64_t last;       /* of the entries that stand together */
    bool over, stopped; /* another set begins; `seen` has enough */
};

static bool set_seen(void *context, const struct outbox_row *row)
{
    struct set_walk *walked = context;

    walked->over = !uuid_equal(&row->set, walked->set);
    if (walked->over)
        return false;
    walked->last = row->seq;
    walked->stopped = !walked->seen(walked->context, row);
    return !walked->stopped;
}

/* Those mapped late hang on a main of the set; they are asked for by range, and there is mostly
 * none. */
static enum status late_of_set(struct outbox_reader *reader, int64_t first, struct set_walk *walked)
{
    sqlite3_stmt *late = db_bind_numbers(&reader->db, SQL_LATE_FIND, NUMBERS(first, walked->last));
    struct row_walk rows = {.seen = walked->seen, .context = walked->context};
    enum status status;
    bool row;

    while ((status = db_step(&reader->db, late, &row)) == STATUS_OK && row && !rows.stopped) {
        const int64_t seq = sqlite3_column_int64(late, 0);

        if (seq > walked->last) /* else nothing came between, and it was seen with the others */
            status = row_at(reader, seq, &rows);
        if (status != STATUS_OK)
            break;
    }
    if (late)
        sqlite3_reset(late);
    return status;
}

enum status outbox_of_set(struct outbox_reader *reader, const struct uuid *set,
                          outbox_row_seen *seen, void *context)
{
    struct set_walk walked = {.set = set, .seen = seen, .context = context};
    struct row_walk rows = {.seen = set_seen, .context = &walked};
    int64_t first = 0;
    enum status status = first_of_set(reader, set, &first);

    if (status == STATUS_OK)
        status =
            rows_walk(reader, db_bind_numbers(&reader->db, SQL_ROWS_FROM, NUMBERS(first)), &rows);
    return status == STATUS_OK && !walked.stopped ? late_of_set(reader, first, &walked) : status;
}

/* ---- attempts ---- */

static enum status kept_attempts(struct outbox_reader *reader, int64_t seq,
                                 outbox_attempt_seen *seen, void *context, bool *goes_on)
{
    sqlite3_stmt *statement = db_bind_numbers(&reader->db, SQL_ATTEMPTS, NUMBERS(seq));
    bool row, lost = false;
    enum status status;

    while ((status = db_step(&reader->db, statement, &row)) == STATUS_OK && row) {
        struct text said = column_bytes(statement, 3);
        struct attempt attempt = {.at_ms = sqlite3_column_int64(statement, 0),
                                  .http_status = sqlite3_column_int(statement, 1),
                                  .reason = column_text(statement, 2, &lost),
                                  .said = said.bytes,
                                  .said_length = said.length};

        *goes_on = !lost && seen(context, &attempt);
        if (*goes_on)
            continue;
        sqlite3_reset(statement);
        return lost ? STATUS_NO_MEMORY : STATUS_OK;
    }
    return status;
}

enum status outbox_attempts(struct outbox_reader *reader, int64_t seq, outbox_attempt_seen *seen,
                            void *context)
{
    bool goes_on = true, row;
    sqlite3_stmt *statement;
    struct attempt success = {.reason = "charted"};
    enum status status = kept_attempts(reader, seq, seen, context, &goes_on);

    if (status != STATUS_OK || !goes_on)
        return status;
    statement = db_bind_numbers(&reader->db, SQL_SUCCESS, NUMBERS(seq));
    status = db_step(&reader->db, statement, &row);
    if (!row)
        return status;
    success.at_ms = sqlite3_column_int64(statement, 0);
    success.http_status = sqlite3_column_int(statement, 1);
    sqlite3_reset(statement);
    seen(context, &success);
    return STATUS_OK;
}

enum status outbox_remote(struct outbox_reader *reader, int64_t seq, struct uuid *id_out,
                          char **remote_out)
{
    sqlite3_stmt *statement = db_bind_numbers(&reader->db, SQL_REMOTE, NUMBERS(seq));
    bool row, lost = false;
    const char *remote;
    enum status status = db_step(&reader->db, statement, &row);

    if (!row)
        return status == STATUS_OK ? STATUS_NOT_FOUND : status;
    *id_out = column_uuid(statement, 0);
    *remote_out = NULL;
    remote = column_text(statement, 1, &lost);
    if (remote && sqlite3_column_int(statement, 2) != ENTRY_DISCARDED &&
        !(*remote_out = strdup(remote)))
        lost = true;
    sqlite3_reset(statement);
    return lost ? STATUS_NO_MEMORY : STATUS_OK;
}

/* ---- idempotency keys ---- */

static enum status read_key(sqlite3_stmt *statement, const uint8_t content[32],
                            enum key_state *state_out, char **answer_out, size_t *length_out)
{
    struct text kept = column_bytes(statement, 0), answer = column_bytes(statement, 1);
    char *copy;

    if (kept.length != 32 || memcmp(kept.bytes, content, 32) != 0) {
        *state_out = KEY_OTHER;
        return STATUS_OK;
    }
    copy = malloc(answer.length + 1);
    if (!copy)
        return STATUS_NO_MEMORY;
    memcpy(copy, answer.bytes, answer.length);
    *state_out = KEY_SAME;
    *answer_out = copy;
    *length_out = answer.length;
    return STATUS_OK;
}

enum status outbox_key(struct outbox_reader *reader, const char *client, const char *key,
                       const uint8_t content[32], enum key_state *state_out, char **answer_out,
                       size_t *length_out)
{
    sqlite3_stmt *statement = db_statement(&reader->db, SQL_KEY_FIND);
    enum status status;
    bool row;

    if (statement) {
        bind_text(statement, 1, client);
        bind_text(statement, 2, key);
    }
    status = db_step(&reader->db, statement, &row);
    if (status == STATUS_OK && !row)
        *state_out = KEY_NEW;
    if (!row)
        return status;
    status = read_key(statement, content, state_out, answer_out, length_out);
    sqlite3_reset(statement);
    return status;
}

/* ---- counts ---- */

static enum status oldest(struct outbox_reader *reader, sqlite3_stmt *statement, int64_t *out)
{
    bool row;
    enum status status = db_step(&reader->db, statement, &row);

    if (!row)
        return status;
    if (*out == 0 || sqlite3_column_int64(statement, 0) < *out)
        *out = sqlite3_column_int64(statement, 0);
    sqlite3_reset(statement);
    return STATUS_OK;
}

enum status outbox_count(struct outbox_reader *reader, struct outbox_counts *out)
{
    const struct tally shown = counters_shown(reader->outbox);
    const int64_t *counters = shown.counters;
    const int64_t watermark = counters[COUNTER_WATERMARK];
    const int64_t fresh = shown.last_seq - watermark - counters[COUNTER_AHEAD];
    struct outbox_counts counts = {.waiting = fresh + counters[COUNTER_WAITING],
                                   .held = counters[COUNTER_HELD],
                                   .charted = counters[COUNTER_CHARTED],
                                   .discarded = counters[COUNTER_DISCARDED],
                                   .refusals = counters[COUNTER_REFUSALS],
                                   .free_bytes = outbox_room(reader->outbox)};
    enum status status = STATUS_OK;

    if (counters[COUNTER_WAITING] > 0)
        status = oldest(reader, db_statement(&reader->db, SQL_WAITING_OLDEST),
                        &counts.oldest_waiting_ms);
    if (status == STATUS_OK && fresh > 0)
        status = oldest(reader, db_bind_numbers(&reader->db, SQL_FRESH_OLDEST, NUMBERS(watermark)),
                        &counts.oldest_waiting_ms);
    if (status == STATUS_OK)
        *out = counts;
    return status;
}
