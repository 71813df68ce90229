/* delivery.c - the states of entries at the destination: small moves shared by claiming, settling and deciding. */
#include "store/store_private.h"

enum status delivery_find(struct outbox *outbox, int64_t seq, struct delivery_row *out)
{
    sqlite3_stmt *statement = db_statement(&outbox->db, SQL_DELIVERY_FIND);
    int code;

    *out = (struct delivery_row){0};
    if (!statement)
        return STATUS_NO_MEMORY;
    sqlite3_bind_int64(statement, 1, seq);
    code = sqlite3_step(statement);
    if (code != SQLITE_ROW) {
        sqlite3_reset(statement);
        return code == SQLITE_DONE ? STATUS_NOT_FOUND : status_of_sqlite(code);
    }
    out->found = sqlite3_column_type(statement, 0) != SQLITE_NULL;
    out->state = (enum entry_state)sqlite3_column_int(statement, 0);
    out->attempts = (unsigned)sqlite3_column_int(statement, 1);
    out->has_remote = sqlite3_column_type(statement, 3) != SQLITE_NULL;
    out->patient = sqlite3_column_int64(statement, 4);
    out->unmapped = sqlite3_column_int(statement, 5) != 0;
    sqlite3_reset(statement);
    return STATUS_OK;
}

static const enum counter counter_of[] = {
    [ENTRY_WAITING] = COUNTER_WAITING, [ENTRY_HELD] = COUNTER_HELD, [ENTRY_CHARTED] = COUNTER_CHARTED, [ENTRY_DISCARDED] = COUNTER_DISCARDED};

void state_counted(struct outbox *outbox, enum entry_state from, enum entry_state to)
{
    counter_add(outbox, counter_of[from], -1);
    counter_add(outbox, counter_of[to], 1);
}

enum status delivery_insert(struct outbox *outbox, int64_t seq, int64_t patient, enum entry_state state, const char *reason, int64_t now_ms)
{
    sqlite3_stmt *statement = db_statement(&outbox->db, SQL_DELIVERY_INSERT);
    enum status status;

    if (!statement)
        return STATUS_NO_MEMORY;
    sqlite3_bind_int64(statement, 1, seq);
    sqlite3_bind_int64(statement, 2, patient);
    sqlite3_bind_int(statement, 3, (int)state);
    for (int i = 4; i <= 9; i++)
        sqlite3_bind_int64(statement, i, 0);
    sqlite3_bind_int64(statement, 10, now_ms);
    bind_text(statement, 11, reason);
    status = db_run(&outbox->db, statement);
    if (status != STATUS_OK)
        return status;
    counter_add(outbox, counter_of[state], 1);
    if (seq > outbox->counters[COUNTER_WATERMARK])
        counter_add(outbox, COUNTER_AHEAD, 1);
    return STATUS_OK;
}

/* Strict needs that are not charted, loose ones that are still waiting, and one more while no loose one is charted. */
enum status unmet_of(struct outbox *outbox, int64_t seq, int64_t *out)
{
    sqlite3_stmt *statement = db_statement(&outbox->db, SQL_NEEDS_MET);
    int64_t unmet = 0, loose = 0, loose_charted = 0;
    int code;

    if (!statement)
        return STATUS_NO_MEMORY;
    sqlite3_bind_int64(statement, 1, seq);
    while ((code = sqlite3_step(statement)) == SQLITE_ROW) {
        bool strict = sqlite3_column_int(statement, 0) != 0;
        enum entry_state state = (enum entry_state)sqlite3_column_int(statement, 1); /* no row yet: waiting */

        loose += !strict;
        loose_charted += !strict && state == ENTRY_CHARTED;
        unmet += strict ? state != ENTRY_CHARTED : state == ENTRY_WAITING;
    }
    sqlite3_reset(statement);
    if (code != SQLITE_DONE)
        return status_of_sqlite(code);
    *out = unmet + (loose > 0 && loose_charted == 0);
    return STATUS_OK;
}

enum status line_release(struct outbox *outbox, int64_t patient)
{
    sqlite3_stmt *statement = db_statement(&outbox->db, SQL_LINE_RELEASE);

    if (!statement)
        return STATUS_NO_MEMORY;
    sqlite3_bind_int64(statement, 1, patient);
    return db_run(&outbox->db, statement);
}

/* ---- what hangs on an entry ---- */

#define DEPENDANTS_MOST 2000

struct dependant {
    int64_t seq;
    bool strict, has_row;
    enum entry_state state;
};

static enum status read_dependants(struct outbox *outbox, int64_t seq, struct dependant *out, size_t *count)
{
    sqlite3_stmt *statement = db_statement(&outbox->db, SQL_NEEDED_BY);
    int code;

    *count = 0;
    if (!statement)
        return STATUS_NO_MEMORY;
    sqlite3_bind_int64(statement, 1, seq);
    while ((code = sqlite3_step(statement)) == SQLITE_ROW && *count < DEPENDANTS_MOST)
        out[(*count)++] = (struct dependant){sqlite3_column_int64(statement, 0), sqlite3_column_int(statement, 1) != 0,
                                             sqlite3_column_type(statement, 2) != SQLITE_NULL,
                                             (enum entry_state)sqlite3_column_int(statement, 2)};
    sqlite3_reset(statement);
    return code == SQLITE_DONE || code == SQLITE_ROW ? STATUS_OK : status_of_sqlite(code);
}

static enum status set_unmet(struct outbox *outbox, enum sql sql, int64_t seq)
{
    sqlite3_stmt *statement;
    int64_t unmet = 0;
    enum status status = unmet_of(outbox, seq, &unmet);

    if (status != STATUS_OK)
        return status;
    statement = db_statement(&outbox->db, sql);
    if (!statement)
        return STATUS_NO_MEMORY;
    sqlite3_bind_int64(statement, 1, seq);
    sqlite3_bind_int64(statement, 2, unmet);
    return db_run(&outbox->db, statement);
}

static enum status review_one(struct outbox *outbox, const struct dependant *dependant, bool first_charted)
{
    if (!dependant->has_row)
        return STATUS_OK; /* looked at when it is claimed */
    if (dependant->state == ENTRY_WAITING) {
        outbox->made_deliverable = true;
        return set_unmet(outbox, SQL_DELIVERY_UNMET, dependant->seq);
    }
    if (dependant->state == ENTRY_CHARTED && first_charted && !dependant->strict) {
        outbox->made_deliverable = true; /* charted later than the panel that should list it: a new version */
        state_counted(outbox, ENTRY_CHARTED, ENTRY_WAITING);
        return set_unmet(outbox, SQL_DELIVERY_AGAIN, dependant->seq);
    }
    return STATUS_OK;
}

enum status dependants_review(struct outbox *outbox, int64_t seq, bool first_charted)
{
    struct dependant *dependants = sqlite3_malloc64(DEPENDANTS_MOST * sizeof(*dependants));
    size_t count = 0;
    enum status status = dependants ? read_dependants(outbox, seq, dependants, &count) : STATUS_NO_MEMORY;

    for (size_t i = 0; i < count && status == STATUS_OK; i++)
        status = review_one(outbox, &dependants[i], first_charted);
    sqlite3_free(dependants);
    return status;
}

/* What cannot go without it goes with it, and what hangs on that, too: the list grows while it is worked through. */
enum status strict_dependants(struct outbox *outbox, int64_t seq, int64_t *out, size_t room, size_t *count)
{
    struct dependant *dependants = sqlite3_malloc64(DEPENDANTS_MOST * sizeof(*dependants));
    size_t found = 0, next = 0;
    enum status status = dependants ? STATUS_OK : STATUS_NO_MEMORY;

    *count = 0;
    while (status == STATUS_OK) {
        status = read_dependants(outbox, seq, dependants, &found);
        for (size_t i = 0; i < found && status == STATUS_OK && *count < room; i++)
            if (dependants[i].strict)
                out[(*count)++] = dependants[i].seq;
        if (next == *count)
            break;
        seq = out[next++];
    }
    sqlite3_free(dependants);
    return status;
}
