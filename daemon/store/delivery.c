/* delivery.c - the states of entries at the destination: small moves shared by claiming, settling
 * and deciding. */
#include "store/store_private.h"

enum status delivery_find(struct outbox *outbox, int64_t seq, struct delivery_row *out)
{
    sqlite3_stmt *statement = db_bind_numbers(&outbox->db, SQL_DELIVERY_FIND, NUMBERS(seq));
    bool row;
    enum status status = db_step(&outbox->db, statement, &row);

    *out = (struct delivery_row){0};
    if (!row)
        return status == STATUS_OK ? STATUS_NOT_FOUND : status;
    out->found = sqlite3_column_type(statement, 0) != SQLITE_NULL;
    out->state = (enum entry_state)sqlite3_column_int(statement, 0);
    out->attempts = (unsigned)sqlite3_column_int(statement, 1);
    out->ambiguous = sqlite3_column_int(statement, 2) != 0;
    out->has_remote = sqlite3_column_type(statement, 3) != SQLITE_NULL;
    out->patient = sqlite3_column_int64(statement, 4);
    out->unmapped = sqlite3_column_int(statement, 5) != 0;
    out->body = sqlite3_column_int64(statement, 6);
    out->next = sqlite3_column_int64(statement, 7);
    sqlite3_reset(statement);
    return STATUS_OK;
}

static const enum counter counter_of[] = {[ENTRY_WAITING] = COUNTER_WAITING,
                                          [ENTRY_HELD] = COUNTER_HELD,
                                          [ENTRY_CHARTED] = COUNTER_CHARTED,
                                          [ENTRY_DISCARDED] = COUNTER_DISCARDED};

void state_counted(struct outbox *outbox, enum entry_state from, enum entry_state to)
{
    counter_add(outbox, counter_of[from], -1);
    counter_add(outbox, counter_of[to], 1);
    if (from == ENTRY_HELD || to == ENTRY_HELD) /* only what is not held is a patient's last */
        outbox->newest_stale = true;
}

enum status delivery_insert(struct outbox *outbox, int64_t seq, int64_t patient,
                            enum entry_state state, const char *reason, int64_t now_ms)
{
    sqlite3_stmt *statement =
        db_bind_numbers(&outbox->db, SQL_DELIVERY_INSERT,
                        NUMBERS(seq, patient, (int64_t)state, 0, 0, 0, 0, 0, 0, now_ms, 0));
    enum status status;

    if (statement)
        bind_text(statement, 12, reason);
    status = db_run(&outbox->db, statement);
    if (status != STATUS_OK)
        return status;
    counter_add(outbox, counter_of[state], 1);
    if (seq > outbox->tally.counters[COUNTER_WATERMARK])
        counter_add(outbox, COUNTER_AHEAD, 1);
    return STATUS_OK;
}

enum status delivery_hold(struct outbox *outbox, int64_t seq, int64_t patient, const char *reason,
                          int64_t now_ms)
{
    sqlite3_stmt *statement =
        db_bind_numbers(&outbox->db, SQL_DELIVERY_SETTLE, NUMBERS(seq, ENTRY_HELD, now_ms, 0));
    enum status status;

    if (statement) {
        bind_text(statement, 7, reason);
        sqlite3_bind_int(statement, 8, 0);
    }
    status = db_run(&outbox->db, statement);
    state_counted(outbox, ENTRY_WAITING, ENTRY_HELD);
    change_note(outbox, seq, false);
    if (status == STATUS_OK)
        status = line_release(outbox, patient);
    return status == STATUS_OK ? dependants_review(outbox, seq, patient, false) : status;
}

/* ---- the patient's line ---- */

enum status line_release(struct outbox *outbox, int64_t patient)
{
    enum status status = db_run_numbers(
        &outbox->db, SQL_LINE_RELEASE, NUMBERS(patient, outbox->tally.counters[COUNTER_WATERMARK]));

    if (status == STATUS_OK && sqlite3_changes(outbox->db.handle) > 0)
        outbox->made_deliverable = true;
    return status;
}

/* ---- needs ---- */

enum status unmet_of(struct outbox *outbox, int64_t seq, int64_t *out)
{
    sqlite3_stmt *statement = db_bind_numbers(&outbox->db, SQL_NEEDS_MET, NUMBERS(seq));
    int64_t unmet = 0, loose = 0, loose_charted = 0;
    enum status status;
    bool row;

    while ((status = db_step(&outbox->db, statement, &row)) == STATUS_OK && row) {
        bool strict = sqlite3_column_int(statement, 0) != 0;
        enum entry_state state =
            (enum entry_state)sqlite3_column_int(statement, 1); /* no row yet: waiting */

        loose += !strict;
        loose_charted += !strict && state == ENTRY_CHARTED;
        unmet += strict ? state != ENTRY_CHARTED : state == ENTRY_WAITING;
    }
    *out = unmet + (loose > 0 && loose_charted == 0);
    return status;
}

/* One that must wait for what it needs does not hold up its patient's line. */
enum status unmet_update(struct outbox *outbox, int64_t seq, int64_t patient)
{
    int64_t unmet = 0;
    enum status status = unmet_of(outbox, seq, &unmet);

    if (status == STATUS_OK)
        status = db_run_numbers(&outbox->db, SQL_DELIVERY_UNMET, NUMBERS(seq, unmet));
    if (status == STATUS_OK && unmet > 0)
        status = line_release(outbox, patient);
    return status;
}

/* ---- what hangs on an entry ---- */

enum status dependants_next(struct outbox *outbox, int64_t on_seq, struct dependants *page)
{
    sqlite3_stmt *statement =
        db_bind_numbers(&outbox->db, SQL_NEEDED_BY, NUMBERS(on_seq, page->after, DEPENDANTS_ROOM));
    enum status status;
    bool row;

    page->count = 0;
    while ((status = db_step(&outbox->db, statement, &row)) == STATUS_OK && row) {
        page->after = sqlite3_column_int64(statement, 0);
        page->items[page->count++] =
            (struct dependant){page->after, sqlite3_column_int(statement, 1) != 0,
                               sqlite3_column_type(statement, 2) != SQLITE_NULL,
                               (enum entry_state)sqlite3_column_int(statement, 2)};
    }
    return status;
}

/* A charted panel one of whose members was charted after it: waiting again, to be sent as a new
 * version. How it was charted before is kept among its attempts. */
static enum status send_again(struct outbox *outbox, int64_t seq)
{
    int64_t unmet = 0;
    enum status status = unmet_of(outbox, seq, &unmet);

    if (status == STATUS_OK)
        status = db_run_numbers(&outbox->db, SQL_ATTEMPT_KEEP, NUMBERS(seq));
    if (status == STATUS_OK)
        status = db_run_numbers(&outbox->db, SQL_DELIVERY_AGAIN, NUMBERS(seq, unmet));
    state_counted(outbox, ENTRY_CHARTED, ENTRY_WAITING);
    outbox->made_deliverable = true;
    return status;
}

static enum status review_one(struct outbox *outbox, const struct dependant *dependant,
                              int64_t patient, bool first_charted)
{
    if (!dependant->has_row)
        return STATUS_OK; /* looked at when it is claimed */
    if (dependant->state == ENTRY_WAITING) {
        outbox->made_deliverable = true;
        return unmet_update(outbox, dependant->seq, patient);
    }
    if (dependant->state == ENTRY_CHARTED && first_charted && !dependant->strict)
        return send_again(outbox, dependant->seq);
    return STATUS_OK;
}

enum status dependants_review(struct outbox *outbox, int64_t seq, int64_t patient,
                              bool first_charted)
{
    struct dependants page = {.after = 0};
    enum status status;

    do {
        status = dependants_next(outbox, seq, &page);
        for (size_t i = 0; i < page.count && status == STATUS_OK; i++)
            status = review_one(outbox, &page.items[i], patient, first_charted);
    } while (status == STATUS_OK && page.count == DEPENDANTS_ROOM);
    return status;
}
