/* outbox.c - start and stop: the lock against a second process, the file, the two threads. */
#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <unistd.h>

#include "store/chain.h"
#include "store/checkpoint.h"

const char *entry_state_text(enum entry_state state)
{
    switch (state) {
    case ENTRY_WAITING:
        return "waiting";
    case ENTRY_HELD:
        return "held";
    case ENTRY_CHARTED:
        return "charted";
    case ENTRY_DISCARDED:
        return "discarded";
    case ENTRY_SUPERSEDED:
        return "superseded";
    case ENTRY_RETRACTED:
        return "retracted";
    }
    return "";
}

void outbox_on_change(struct outbox *outbox, void (*changed)(void *context), void *context)
{
    pthread_mutex_lock(&outbox->lock);
    outbox->changed = changed;
    outbox->changed_context = context;
    pthread_mutex_unlock(&outbox->lock);
}

/* ---- start and stop ---- */

static enum status open_private(const char *path, int flags, int *fd)
{
    *fd = open(path, O_RDWR | O_CLOEXEC | flags, 0600);
    if (*fd >= 0)
        return STATUS_OK;
    return errno == ENOSPC || errno == EDQUOT ? STATUS_DISK_FULL : STATUS_IO;
}

/* An advisory lock on a file of its own: closing any descriptor of the database would drop SQLite's
 * locks on it (POSIX). */
static enum status lock_store(struct outbox *outbox)
{
    size_t room = strlen(outbox->path) + sizeof("-lock");
    char *path = malloc(room);
    enum status status;

    if (!path)
        return STATUS_NO_MEMORY;
    (void)snprintf(path, room, "%s-lock", outbox->path);
    status = open_private(path, O_CREAT, &outbox->lock_fd);
    free(path);
    if (status == STATUS_OK && flock(outbox->lock_fd, LOCK_EX | LOCK_NB) != 0)
        status = errno == EWOULDBLOCK ? STATUS_BUSY : STATUS_IO;
    return status;
}

/* SQLite makes the files beside it with the same mode. Safe before SQLite has it open: see
 * lock_store(). */
static enum status make_file(const char *path)
{
    int fd;
    enum status status = open_private(path, O_CREAT | O_EXCL, &fd);

    if (status == STATUS_OK) {
        close(fd);
        return folder_sync(path);
    }
    return errno == EEXIST ? STATUS_OK : status;
}

/* What undoes must not be in need of memory when memory has run out. */
static enum status prepare_undo(struct db *db)
{
    for (int sql = SQL_BEGIN; sql <= SQL_SAVEPOINT_DONE; sql++)
        if (!db_statement(db, (enum sql)sql))
            return db_trouble(db);
    return STATUS_OK;
}

static enum status open_store(struct outbox *outbox)
{
    enum status status = lock_store(outbox);

    if (status == STATUS_OK)
        status = make_file(outbox->path);
    if (status == STATUS_OK)
        status = db_open(outbox->path, true, &outbox->db);
    if (status == STATUS_OK)
        status = schema_migrate(outbox->db.handle);
    if (status == STATUS_OK)
        status = prepare_undo(&outbox->db);
    if (status == STATUS_OK)
        status = claim_back(outbox);
    if (status == STATUS_OK)
        status = counters_read(outbox);
    if (status == STATUS_OK)
        status = chains_recover(outbox);
    if (status == STATUS_OK)
        status = bases_new(&outbox->bases);
    if (status == STATUS_OK)
        status = newest_new(&outbox->newest);
    return status == STATUS_OK ? heads_new(&outbox->heads) : status;
}

static void outbox_free(struct outbox *outbox)
{
    db_close(&outbox->db);
    bases_free(outbox->bases);
    newest_free(outbox->newest);
    heads_free(outbox->heads);
    if (outbox->lock_fd >= 0)
        close(outbox->lock_fd);
    pthread_cond_destroy(&outbox->queued);
    pthread_cond_destroy(&outbox->finished);
    pthread_cond_destroy(&outbox->checkpoint);
    pthread_mutex_destroy(&outbox->lock);
    pthread_mutex_destroy(&outbox->watch);
    free(outbox->changes.items);
    free(outbox->path);
    free(outbox);
}

/* SQLite counts its allocations under a lock of the whole process, for figures nobody asks for. It
 * takes this only before its first use; a process that has used it goes on with the counting. */
static void sqlite_without_figures(void)
{
    (void)sqlite3_config(SQLITE_CONFIG_MEMSTATUS, 0);
}

enum status outbox_start(const struct outbox_options *options, struct outbox **out)
{
    static pthread_once_t once = PTHREAD_ONCE_INIT;
    struct outbox *outbox = calloc(1, sizeof(*outbox));
    enum status status;

    if (!outbox)
        return STATUS_NO_MEMORY;
    pthread_once(&once, sqlite_without_figures);
    outbox->lock_fd = -1;
    outbox->room_least = options->room_least;
    pthread_mutex_init(&outbox->lock, NULL);
    pthread_mutex_init(&outbox->watch, NULL);
    pthread_cond_init(&outbox->queued, NULL);
    pthread_cond_init(&outbox->finished, NULL);
    pthread_cond_init(&outbox->checkpoint, NULL);
    outbox->path = strdup(options->path);
    status = outbox->path ? open_store(outbox) : STATUS_NO_MEMORY;
    if (status != STATUS_OK) {
        outbox_free(outbox);
        return status;
    }
    counters_show(outbox);
    checkpoint_watch(outbox);
    outbox->writer_runs = pthread_create(&outbox->writer, NULL, writer_thread, outbox) == 0;
    outbox->checkpointer_runs =
        pthread_create(&outbox->checkpointer, NULL, checkpoint_thread, outbox) == 0;
    if (!outbox->writer_runs || !outbox->checkpointer_runs) {
        outbox_stop(outbox);
        return STATUS_NO_MEMORY;
    }
    *out = outbox;
    return STATUS_OK;
}

void outbox_stop(struct outbox *outbox)
{
    if (!outbox)
        return;
    pthread_mutex_lock(&outbox->lock);
    outbox->stopping = true;
    pthread_cond_signal(&outbox->queued);
    pthread_cond_signal(&outbox->checkpoint);
    pthread_mutex_unlock(&outbox->lock);
    if (outbox->writer_runs)
        pthread_join(outbox->writer, NULL);
    if (outbox->checkpointer_runs)
        pthread_join(outbox->checkpointer, NULL);
    outbox_free(outbox);
}
