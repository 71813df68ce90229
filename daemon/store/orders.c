/* orders.c - what was ordered for the round: open ones are found by patient, ended ones stay. */
#include "wardpost/orders.h"
#include "store/store_private.h"

#define OPEN_MOST 64 /* of one patient, in one look */

struct order_job {
    struct job job;
    const struct watch_order *order;
};

/* Ends what it replaces: an interval ends an interval, a reminder a reminder, neither ends both. */
static enum status end_open(struct outbox *outbox, const struct watch_order *order)
{
    const bool ends_intervals = order->at_ms == 0, ends_reminders = order->interval_minutes < 0;
    sqlite3_stmt *statement = db_statement(&outbox->db, SQL_ORDER_END);

    if (statement) {
        bind_text(statement, 1, order->patient);
        bind_text(statement, 2, order->kind);
        sqlite3_bind_int64(statement, 3, order->made_ms);
        bind_text(statement, 4, order->reason);
        bind_text(statement, 5, order->by);
        sqlite3_bind_int(statement, 6, ends_intervals);
        sqlite3_bind_int(statement, 7, ends_reminders);
    }
    return db_run(&outbox->db, statement);
}

static enum status insert(struct outbox *outbox, const struct watch_order *order)
{
    sqlite3_stmt *statement = db_statement(&outbox->db, SQL_ORDER_INSERT);

    if (statement) {
        bind_text(statement, 1, order->patient);
        bind_text(statement, 2, order->kind);
        sqlite3_bind_int(statement, 3, order->interval_minutes);
        sqlite3_bind_int64(statement, 4, order->at_ms);
        bind_text(statement, 5, order->reason);
        bind_text(statement, 6, order->by);
        sqlite3_bind_int64(statement, 7, order->made_ms);
    }
    return db_run(&outbox->db, statement);
}

static enum status order_run(struct outbox *outbox, struct job *job)
{
    const struct watch_order *order = ((struct order_job *)(void *)job)->order;
    enum status status = end_open(outbox, order);

    if (status != STATUS_OK)
        return status;
    if (order->interval_minutes < 0 && order->at_ms == 0)
        return sqlite3_changes(outbox->db.handle) > 0 ? STATUS_OK : STATUS_NOT_FOUND;
    return insert(outbox, order);
}

enum status outbox_order(struct outbox *outbox, const struct watch_order *order)
{
    struct order_job job = {
        .job = {.run = order_run, .is_put = true},
          .order = order
    };

    return outbox_do(outbox, &job.job);
}

enum status outbox_orders(struct outbox_reader *reader, const char *patient, watch_order_seen *seen,
                          void *context)
{
    sqlite3_stmt *statement = db_statement(&reader->db, SQL_ORDERS);
    bool row, lost = false, goes_on = true;
    enum status status;

    if (statement) {
        bind_text(statement, 1, patient);
        sqlite3_bind_int(statement, 2, OPEN_MOST);
    }
    while ((status = db_step(&reader->db, statement, &row)) == STATUS_OK && row && goes_on) {
        const struct watch_order order = {.patient = patient,
                                          .kind = column_text(statement, 0, &lost),
                                          .interval_minutes = sqlite3_column_int(statement, 1),
                                          .at_ms = sqlite3_column_int64(statement, 2),
                                          .reason = column_text(statement, 3, &lost),
                                          .by = column_text(statement, 4, &lost),
                                          .made_ms = sqlite3_column_int64(statement, 5)};

        goes_on = !lost && seen(context, &order);
    }
    if (row)
        sqlite3_reset(statement);
    return status == STATUS_OK && lost ? STATUS_NO_MEMORY : status;
}
