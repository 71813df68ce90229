/* checkpoint.c - a passive checkpoint runs in a thread of its own once the log has grown; only when it grows past a hard limit does the
 * writer wait and start the log again from its beginning. In steady state the log is a file that no longer grows, which is what
 * makes fdatasync cheap. */
#include <stdio.h>

#include "store/checkpoint.h"
#include "wardpost/log.h"

#define PAGES_SOFT 8000  /* 32 MB */
#define PAGES_HARD 16000 /* 64 MB */

static int on_wal(void *context, sqlite3 *handle, const char *name, int pages)
{
    struct outbox *outbox = context;

    (void)handle;
    (void)name;
    outbox->wal_pages = pages;
    return SQLITE_OK;
}

void checkpoint_watch(struct outbox *outbox)
{
    sqlite3_wal_hook(outbox->db.handle, on_wal, outbox);
}

void checkpoint_consider(struct outbox *outbox)
{
    if (outbox->wal_pages > PAGES_HARD) {
        if (sqlite3_wal_checkpoint_v2(outbox->db.handle, NULL, SQLITE_CHECKPOINT_RESTART, NULL, NULL) == SQLITE_OK)
            outbox->wal_pages = 0;
    } else if (outbox->wal_pages > PAGES_SOFT) {
        pthread_mutex_lock(&outbox->lock);
        outbox->checkpoint_due = true;
        pthread_cond_signal(&outbox->checkpoint);
        pthread_mutex_unlock(&outbox->lock);
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

void *checkpoint_for_ever(void *context)
{
    struct outbox *outbox = context;
    struct db db = {0};

    while (wait_until_due(outbox)) {
        if (!db.handle && db_open(outbox->path, true, &db) != STATUS_OK) {
            log_line(LOG_LEVEL_WARNING, "store: no connection for checkpoints; the log grows until the writer does it");
            continue;
        }
        sqlite3_wal_checkpoint_v2(db.handle, NULL, SQLITE_CHECKPOINT_PASSIVE, NULL, NULL);
    }
    if (db.handle)
        db_close(&db);
    return NULL;
}
