/* lines.c - a line that gets another text: a reading was corrected or retracted.
 *
 * A line is the way of one Observation to the server: one delivery row, one identifier, at most one
 * request in flight. A correction is an entry of its own (it is searched and read like any other)
 * without a delivery row: it goes by the line of the first text. What was surely not kept by the
 * server is replaced; what may have been kept is settled first (`next`), then the new text follows
 * as an update. */
#include "store/store_private.h"

int64_t text_wanted(int64_t line, int64_t body, int64_t next)
{
    if (next != 0)
        return next;
    return body != 0 ? body : line;
}

enum entry_state text_state(int64_t seq, int64_t line, const struct delivery_row *row)
{
    const int64_t wanted = text_wanted(line, row->body, row->next);

    if (wanted != seq && wanted != -seq)
        return ENTRY_SUPERSEDED;
    if (wanted < 0)
        return ENTRY_RETRACTED;
    return row->next != 0 ? ENTRY_WAITING : row->state;
}

/* ---- one line ---- */

static bool is_before_its_turn(const struct outbox *outbox, int64_t line)
{
    return line > outbox->tally.counters[COUNTER_WATERMARK];
}

static enum status review(struct outbox *outbox, int64_t line, int64_t patient, bool waits)
{
    enum status status =
        waits ? unmet_update(outbox, line, patient) : line_release(outbox, patient);

    outbox->made_deliverable = true;
    return status == STATUS_OK ? dependants_review(outbox, line, patient, false) : status;
}

/* The text goes now; one that is withdrawn before anything was charted goes nowhere. */
static enum status go(struct outbox *outbox, int64_t line, const struct delivery_row *row,
                      int64_t text, int64_t now_ms)
{
    const bool waits = text > 0 || row->has_remote;
    const enum entry_state state = waits ? ENTRY_WAITING : ENTRY_DISCARDED;
    enum status status = STATUS_OK;

    if (row->state == ENTRY_CHARTED)
        status = db_run_numbers(&outbox->db, SQL_ATTEMPT_KEEP, NUMBERS(line));
    if (status == STATUS_OK)
        status =
            db_run_numbers(&outbox->db, SQL_DELIVERY_TEXT,
                           NUMBERS(line, (int64_t)state, text,
                                   waits && is_before_its_turn(outbox, line), waits ? 0 : now_ms));
    state_counted(outbox, row->state, state);
    change_note(outbox, text < 0 ? -text : text, false);
    return status == STATUS_OK ? review(outbox, line, row->patient, waits) : status;
}

/* One that is held and may be there is looked for again: what came of it decides. */
static enum status go_later(struct outbox *outbox, int64_t line, const struct delivery_row *row,
                            int64_t text)
{
    enum status status = db_run_numbers(&outbox->db, SQL_DELIVERY_NEXT,
                                        NUMBERS(line, text, is_before_its_turn(outbox, line)));

    change_note(outbox, text < 0 ? -text : text, false);
    if (row->state == ENTRY_WAITING || status != STATUS_OK)
        return status;
    state_counted(outbox, row->state, ENTRY_WAITING);
    return review(outbox, line, row->patient, true);
}

enum status line_take(struct outbox *outbox, int64_t line, int64_t text, int64_t now_ms)
{
    struct delivery_row row;
    enum status status = delivery_find(outbox, line, &row);

    if (status == STATUS_OK && !row.found)
        status = delivery_insert(outbox, line, row.patient, ENTRY_WAITING, NULL, 0);
    if (status != STATUS_OK)
        return status;
    if (row.state == ENTRY_DISCARDED && row.body >= 0) /* else withdrawn: it may come again */
        return STATUS_CONFLICT;
    return row.ambiguous ? go_later(outbox, line, &row, text)
                         : go(outbox, line, &row, text, now_ms);
}

enum status line_goes_on(struct outbox *outbox, int64_t line, int64_t now_ms)
{
    struct delivery_row row;
    enum status status = delivery_find(outbox, line, &row);

    if (status != STATUS_OK || row.next == 0 || row.ambiguous)
        return status;
    return go(outbox, line, &row, row.next, now_ms);
}

/* ---- a correction ---- */

enum status correction_check(struct outbox *outbox, const struct put_correction *correction)
{
    for (size_t i = 0; i < correction->lines_count; i++) {
        const struct put_line *line = &correction->lines[i];
        struct delivery_row row;
        enum status status = delivery_find(outbox, line->line, &row);

        if (status != STATUS_OK)
            return status;
        if (row.state == ENTRY_DISCARDED ||
            text_wanted(line->line, row.body, row.next) != line->text)
            return STATUS_CONFLICT;
    }
    return STATUS_OK;
}

/* No new text refers to what is withdrawn: nor does it wait for it. */
static enum status drop_needs(struct outbox *outbox, const struct put *put, int64_t on)
{
    enum status status = STATUS_OK;

    for (size_t i = 0; i < put->count && status == STATUS_OK; i++)
        if (put->entries[i].line != 0)
            status = db_run_numbers(&outbox->db, SQL_NEED_DROP, NUMBERS(put->entries[i].line, on));
    return status;
}

enum status correction_withdraw(struct outbox *outbox, const struct put *put)
{
    const struct put_correction *correction = put->correction;
    enum status status = STATUS_OK;

    for (size_t i = 0; i < correction->lines_count && status == STATUS_OK; i++) {
        const struct put_line *line = &correction->lines[i];

        if (!line->withdraw)
            continue;
        status = drop_needs(outbox, put, line->line);
        if (status == STATUS_OK)
            status = line_take(outbox, line->line, -line->text, put->accepted_ms);
    }
    return status;
}

static enum status note(struct outbox *outbox, const struct put *put, int64_t seq)
{
    const struct put_correction *correction = put->correction;
    const struct uuid *id = seq ? &put->entries[correction->entry].id : correction->instead;
    sqlite3_stmt *statement =
        db_bind_numbers(&outbox->db, SQL_CORRECTION_INSERT, NUMBERS(correction->replaces));

    if (statement) {
        bind_uuid(statement, 2, &correction->replaces_id);
        sqlite3_bind_int64(statement, 3, seq);
        if (id)
            bind_uuid(statement, 4, id);
        sqlite3_bind_int64(statement, 5, put->accepted_ms);
        bind_text(statement, 6, correction->reason);
        bind_text(statement, 7, correction->said);
        bind_text(statement, 8, correction->by);
        bind_text(statement, 9, put->client);
    }
    return db_run(&outbox->db, statement);
}

enum status correction_note(struct outbox *outbox, const struct put *put, int64_t first_seq)
{
    const struct put_correction *correction = put->correction;
    enum status status = STATUS_OK;

    for (size_t i = 0; i < put->count && status == STATUS_OK; i++)
        status = db_run_numbers(&outbox->db, SQL_LATE_INSERT,
                                NUMBERS(correction->first, first_seq + (int64_t)i));
    outbox->newest_stale = true;
    change_note(outbox, correction->replaces, true);
    if (status != STATUS_OK)
        return status;
    return note(outbox, put,
                correction->entry == SIZE_MAX ? 0 : first_seq + (int64_t)correction->entry);
}
