/* checkpoint.c - a passive checkpoint runs in a thread of its own once the log has grown; only when
 * it grows past a hard limit does the writer itself start the log again from its beginning. In
 * steady state the log is a file that no longer grows, which is what makes fdatasync cheap. */
#include "store/checkpoint.h"
#include "wardpost/log.h"

#define PAGES_SOFT 8000  /* 32 MB: from here on the thread works */
#define PAGES_HARD 16000 /* 64 MB: from here on the writer does */
#define PAGES_STEP 1000  /* between two tries: each is an fsync of the database */
#define WAIT_MS    5000

static int on_wal(void *context, sqlite3 *handle, const char *name, int pages)
{
    struct outbox *outbox = context;

    (void)handle;
    (void)name;
    if (pages < outbox->wal_pages) { /* it began again */
        outbox->checkpoint_at = PAGES_SOFT;
        outbox->restart_at = PAGES_HARD;
    }
    outbox->wal_pages = pages;
    return SQLITE_OK;
}

void checkpoint_watch(struct outbox *outbox)
{
    outbox->checkpoint_at = PAGES_SOFT;
    outbox->restart_at = PAGES_HARD;
    sqlite3_wal_hook(outbox->db.handle, on_wal, outbox);
}

/* Without waiting for anybody: a reader that is looking at the log now is in the way, and the next
 * try is soon. */
static void restart(struct outbox *outbox)
{
    int code;

    sqlite3_busy_timeout(outbox->db.handle, 0);
    code =
        sqlite3_wal_checkpoint_v2(outbox->db.handle, NULL, SQLITE_CHECKPOINT_RESTART, NULL, NULL);
    sqlite3_busy_timeout(outbox->db.handle, WAIT_MS);
    if (code != SQLITE_OK && code != SQLITE_BUSY)
        log_line(LOG_LEVEL_WARNING, "store: the log cannot be brought back into the database: %s",
                 status_text(status_of_sqlite(code)));
}

static void ask_thread(struct outbox *outbox)
{
    pthread_mutex_lock(&outbox->lock);
    outbox->checkpoint_due = true;
    pthread_cond_signal(&outbox->checkpoint);
    pthread_mutex_unlock(&outbox->lock);
}

/* Past the hard limit the thread is not asked any more: at work, it would keep the writer from
 * starting the log again. */
void checkpoint_consider(struct outbox *outbox)
{
    if (outbox->wal_pages > PAGES_HARD) {
        if (outbox->wal_pages > outbox->restart_at) {
            outbox->restart_at = outbox->wal_pages + PAGES_STEP;
            restart(outbox);
        }
    } else if (outbox->wal_pages > outbox->checkpoint_at) {
        outbox->checkpoint_at = outbox->wal_pages + PAGES_STEP;
        ask_thread(outbox);
    }
}

static bool wait_until_due(struct outbox *outbox)
{
    bool goes_on;

    pthread_mutex_lock(&outbox->lock);
    while (!outbox->checkpoint_due && !outbox->stopping)
        pthread_cond_wait(&outbox->checkpoint, &outbox->lock);
    outbox->checkpoint_due = false;
    goes_on = !outbox->stopping;
    pthread_mutex_unlock(&outbox->lock);
    return goes_on;
}

void *checkpoint_thread(void *context)
{
    struct outbox *outbox = context;
    struct db db = {0};

    while (wait_until_due(outbox)) {
        if (!db.handle && db_open(outbox->path, true, &db) != STATUS_OK) {
            log_line(
                LOG_LEVEL_WARNING,
                "store: no connection for checkpoints; the log grows until the writer does it");
            continue;
        }
        sqlite3_wal_checkpoint_v2(db.handle, NULL, SQLITE_CHECKPOINT_PASSIVE, NULL, NULL);
    }
    db_close(&db);
    return NULL;
}
