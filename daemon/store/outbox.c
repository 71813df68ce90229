/* outbox.c - start and stop; the writer thread: takes all that is queued, one COMMIT for it (group commit), then tells everybody. */
#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/statvfs.h>
#include <unistd.h>

#include "store/checkpoint.h"
#include "store/store_private.h"
#include "wardpost/log.h"
#include "wardpost/metrics.h"
#include "wardpost/moment.h"

#define JOBS_MOST 256U /* in one COMMIT */

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
    }
    return "";
}

/* ---- counters ---- */

void counter_set(struct outbox *outbox, enum counter counter, int64_t value)
{
    outbox->counters[counter] = value;
    outbox->counters_changed[counter] = true;
}

void counter_add(struct outbox *outbox, enum counter counter, int64_t amount)
{
    if (amount != 0)
        counter_set(outbox, counter, outbox->counters[counter] + amount);
}

static enum status counters_read(struct outbox *outbox)
{
    sqlite3_stmt *statement;

    for (int i = 0; i < COUNTER_COUNT; i++) {
        statement = db_statement(&outbox->db, SQL_COUNTER_READ);
        if (!statement)
            return STATUS_NO_MEMORY;
        sqlite3_bind_int(statement, 1, i);
        outbox->counters[i] = sqlite3_step(statement) == SQLITE_ROW ? sqlite3_column_int64(statement, 0) : 0;
        outbox->counters_changed[i] = false;
        sqlite3_reset(statement);
    }
    statement = db_statement(&outbox->db, SQL_LAST_SEQ);
    if (!statement)
        return STATUS_NO_MEMORY;
    outbox->last_seq = sqlite3_step(statement) == SQLITE_ROW ? sqlite3_column_int64(statement, 0) : 0;
    sqlite3_reset(statement);
    return STATUS_OK;
}

static enum status counters_write(struct outbox *outbox)
{
    for (int i = 0; i < COUNTER_COUNT; i++) {
        sqlite3_stmt *statement;
        enum status status;

        if (!outbox->counters_changed[i])
            continue;
        statement = db_statement(&outbox->db, SQL_COUNTER_WRITE);
        if (!statement)
            return STATUS_NO_MEMORY;
        sqlite3_bind_int(statement, 1, i);
        sqlite3_bind_int64(statement, 2, outbox->counters[i]);
        status = db_run(&outbox->db, statement);
        if (status != STATUS_OK)
            return status;
        outbox->counters_changed[i] = false;
    }
    return STATUS_OK;
}

static void counters_show(struct outbox *outbox)
{
    for (int i = 0; i < COUNTER_COUNT; i++)
        atomic_store(&outbox->shown_counters[i], outbox->counters[i]);
    atomic_store(&outbox->shown_last_seq, outbox->last_seq);
}

/* ---- room on the disk: asked at most once a second ---- */

int64_t outbox_room(struct outbox *outbox)
{
    struct statvfs about;

    if (statvfs(outbox->path, &about) != 0)
        return INT64_MAX;
    return (int64_t)(about.f_bavail * about.f_frsize);
}

static bool has_room(struct outbox *outbox)
{
    int64_t now = clock_monotonic_ms();

    if (outbox->room_least == 0)
        return true;
    if (now >= outbox->room_seen_ms) {
        outbox->room_seen = outbox_room(outbox);
        outbox->room_seen_ms = now + 1000;
    }
    return outbox->room_seen >= outbox->room_least;
}

/* ---- one COMMIT ---- */

static enum status simple(struct outbox *outbox, enum sql sql)
{
    return db_run(&outbox->db, db_statement(&outbox->db, sql));
}

/* A put of one entry leaves nothing half done when it is refused; everything else is undone by itself. */
static enum status run_guarded(struct outbox *outbox, struct job *job)
{
    int64_t counters[COUNTER_COUNT];
    int64_t last_seq = outbox->last_seq;
    enum status status = simple(outbox, SQL_SAVEPOINT);

    if (status != STATUS_OK)
        return status;
    memcpy(counters, outbox->counters, sizeof(counters));
    job->status = job->run(outbox, job);
    if (job->status != STATUS_OK) {
        memcpy(outbox->counters, counters, sizeof(counters));
        outbox->last_seq = last_seq;
        bases_forget(outbox->bases);
        status = simple(outbox, SQL_SAVEPOINT_BACK);
    }
    return status == STATUS_OK ? simple(outbox, SQL_SAVEPOINT_DONE) : status;
}

static bool spoils_all(enum status status)
{
    return status == STATUS_DISK_FULL || status == STATUS_IO || status == STATUS_DAMAGED || status == STATUS_NO_MEMORY;
}

static enum status run_jobs(struct outbox *outbox, struct job *jobs)
{
    bool room = has_room(outbox);
    enum status status = simple(outbox, SQL_BEGIN);

    for (struct job *job = jobs; job && status == STATUS_OK; job = job->next) {
        if (job->is_put && !room) {
            job->status = STATUS_DISK_FULL;
            continue;
        }
        status = run_guarded(outbox, job);
        if (status == STATUS_OK && spoils_all(job->status) && sqlite3_get_autocommit(outbox->db.handle))
            status = job->status; /* SQLite has undone everything by itself */
    }
    if (status == STATUS_OK)
        status = counters_write(outbox);
    return status == STATUS_OK ? simple(outbox, SQL_COMMIT) : status;
}

/* The COMMIT failed: nothing of this round is kept, and everybody hears why. */
static void undo(struct outbox *outbox, struct job *jobs, enum status status)
{
    log_line(LOG_LEVEL_ERROR, "store: nothing was kept: %s", status_text(status));
    bases_forget(outbox->bases);
    if (!sqlite3_get_autocommit(outbox->db.handle))
        sqlite3_exec(outbox->db.handle, "ROLLBACK", NULL, NULL, NULL);
    if (counters_read(outbox) != STATUS_OK)
        log_line(LOG_LEVEL_ERROR, "store: the counters cannot be read back");
    for (struct job *job = jobs; job; job = job->next)
        job->status = status;
}

static void commit_round(struct outbox *outbox, struct job *jobs)
{
    enum status status;
    struct job *next;
    bool changed;

    outbox->made_deliverable = false;
    status = run_jobs(outbox, jobs);
    if (status != STATUS_OK)
        undo(outbox, jobs, status);
    else
        metric_add(METRIC_COMMITS, 1);
    counters_show(outbox);
    changed = status == STATUS_OK && outbox->made_deliverable;
    for (struct job *job = jobs; job; job = next) {
        next = job->next; /* done() may free it */
        job->done(outbox, job);
    }
    if (changed) {
        pthread_mutex_lock(&outbox->lock);
        if (outbox->changed)
            outbox->changed(outbox->changed_context);
        pthread_mutex_unlock(&outbox->lock);
    }
}

/* ---- the queue ---- */

static struct job *take_jobs(struct outbox *outbox)
{
    struct job *jobs, *last;

    pthread_mutex_lock(&outbox->lock);
    while (!outbox->first && !outbox->stopping)
        pthread_cond_wait(&outbox->queued, &outbox->lock);
    jobs = last = outbox->first;
    for (unsigned i = 1; last && last->next && i < JOBS_MOST; i++)
        last = last->next;
    outbox->first = last ? last->next : NULL;
    if (!outbox->first)
        outbox->last = NULL;
    if (last)
        last->next = NULL;
    pthread_mutex_unlock(&outbox->lock);
    return jobs;
}

static void *write_for_ever(void *context)
{
    struct outbox *outbox = context;
    struct job *jobs;

    while ((jobs = take_jobs(outbox))) {
        commit_round(outbox, jobs);
        checkpoint_consider(outbox);
    }
    return NULL;
}

static void queue_job(struct outbox *outbox, struct job *job)
{
    job->next = NULL;
    pthread_mutex_lock(&outbox->lock);
    if (outbox->last)
        outbox->last->next = job;
    else
        outbox->first = job;
    outbox->last = job;
    pthread_cond_signal(&outbox->queued);
    pthread_mutex_unlock(&outbox->lock);
}

void outbox_put(struct outbox *outbox, struct put *put)
{
    struct job *job = put_job(put);

    *job = (struct job){0};
    job->run = put_run;
    job->done = put_done;
    job->is_put = true;
    put->replayed = false;
    queue_job(outbox, job);
}

static void wake(struct outbox *outbox, struct job *job)
{
    pthread_mutex_lock(&outbox->lock);
    job->finished = true;
    pthread_cond_broadcast(&outbox->finished);
    pthread_mutex_unlock(&outbox->lock);
}

enum status outbox_do(struct outbox *outbox, struct job *job)
{
    job->done = wake;
    job->finished = false;
    queue_job(outbox, job);
    pthread_mutex_lock(&outbox->lock);
    while (!job->finished)
        pthread_cond_wait(&outbox->finished, &outbox->lock);
    pthread_mutex_unlock(&outbox->lock);
    return job->status;
}

void outbox_on_change(struct outbox *outbox, void (*changed)(void *context), void *context)
{
    pthread_mutex_lock(&outbox->lock);
    outbox->changed = changed;
    outbox->changed_context = context;
    pthread_mutex_unlock(&outbox->lock);
}

/* ---- start and stop ---- */

static enum status lock_store(struct outbox *outbox)
{
    char path[4096];

    snprintf(path, sizeof(path), "%s-lock", outbox->path);
    outbox->lock_fd = open(path, O_RDWR | O_CREAT | O_CLOEXEC, 0600);
    if (outbox->lock_fd < 0)
        return errno == ENOSPC ? STATUS_DISK_FULL : STATUS_IO;
    return flock(outbox->lock_fd, LOCK_EX | LOCK_NB) == 0 ? STATUS_OK : STATUS_BUSY;
}

static enum status open_store(struct outbox *outbox)
{
    enum status status = lock_store(outbox);

    if (status == STATUS_OK)
        status = db_open(outbox->path, true, &outbox->db);
    if (status == STATUS_OK)
        status = schema_migrate(outbox->db.handle);
    if (status == STATUS_OK)
        status = counters_read(outbox);
    if (status == STATUS_OK)
        status = bases_new(&outbox->bases);
    return status == STATUS_OK ? newest_new(&outbox->newest) : status;
}

static void outbox_free(struct outbox *outbox)
{
    db_close(&outbox->db);
    bases_free(outbox->bases);
    newest_free(outbox->newest);
    if (outbox->lock_fd >= 0)
        close(outbox->lock_fd);
    pthread_cond_destroy(&outbox->queued);
    pthread_cond_destroy(&outbox->finished);
    pthread_cond_destroy(&outbox->checkpoint);
    pthread_mutex_destroy(&outbox->lock);
    free(outbox->path);
    free(outbox);
}

enum status outbox_start(const struct outbox_options *options, struct outbox **out)
{
    struct outbox *outbox = calloc(1, sizeof(*outbox));
    enum status status;

    if (!outbox)
        return STATUS_NO_MEMORY;
    outbox->lock_fd = -1;
    outbox->room_least = options->room_least;
    pthread_mutex_init(&outbox->lock, NULL);
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
    outbox->writer_runs = pthread_create(&outbox->writer, NULL, write_for_ever, outbox) == 0;
    outbox->checkpointer_runs = pthread_create(&outbox->checkpointer, NULL, checkpoint_for_ever, outbox) == 0;
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
