/* writer.c - the one thread that writes: takes all that is queued, one COMMIT for it (group
 * commit), then tells everybody. No lock is held while SQLite or the disk works. */
#include <assert.h>
#include <sys/statvfs.h>

#include "store/chain.h"
#include "store/checkpoint.h"
#include "wardpost/log.h"
#include "wardpost/metrics.h"
#include "wardpost/moment.h"

#define JOBS_MOST 256U /* in one COMMIT */

/* ---- counters ---- */

void counter_set(struct outbox *outbox, enum counter counter, int64_t value)
{
    outbox->tally.counters[counter] = value;
    outbox->counters_changed[counter] = true;
}

void counter_add(struct outbox *outbox, enum counter counter, int64_t amount)
{
    if (amount != 0)
        counter_set(outbox, counter, outbox->tally.counters[counter] + amount);
}

static enum status read_number(struct db *db, sqlite3_stmt *statement, int64_t *out)
{
    bool row;
    enum status status = db_step(db, statement, &row);

    *out = 0;
    if (!row)
        return status;
    *out = sqlite3_column_int64(statement, 0);
    sqlite3_reset(statement);
    return STATUS_OK;
}

enum status counters_read(struct outbox *outbox)
{
    struct db *db = &outbox->db;
    enum status status = read_number(db, db_statement(db, SQL_LAST_SEQ), &outbox->tally.last_seq);

    for (int i = 0; i < COUNTER_COUNT && status == STATUS_OK; i++)
        status = read_number(db, db_bind_numbers(db, SQL_COUNTER_READ, NUMBERS(i)),
                             &outbox->tally.counters[i]);
    return status;
}

static enum status counters_write(struct outbox *outbox)
{
    for (int i = 0; i < COUNTER_COUNT; i++) {
        enum status status;

        if (!outbox->counters_changed[i])
            continue;
        status =
            db_run_numbers(&outbox->db, SQL_COUNTER_WRITE, NUMBERS(i, outbox->tally.counters[i]));
        if (status != STATUS_OK)
            return status;
        outbox->counters_changed[i] = false;
    }
    return STATUS_OK;
}

void counters_show(struct outbox *outbox)
{
    pthread_mutex_lock(&outbox->lock);
    outbox->shown = outbox->tally;
    pthread_mutex_unlock(&outbox->lock);
}

struct tally counters_shown(struct outbox *outbox)
{
    struct tally shown;

    pthread_mutex_lock(&outbox->lock);
    shown = outbox->shown;
    pthread_mutex_unlock(&outbox->lock);
    return shown;
}

/* ---- room on the disk: the writer asks at most once a second ---- */

int64_t outbox_room(struct outbox *outbox)
{
    struct statvfs about;

    if (statvfs(outbox->path, &about) != 0)
        return INT64_MAX;
    return (int64_t)(about.f_bavail * about.f_frsize);
}

static bool has_room(struct outbox *outbox)
{
    int64_t now;

    if (outbox->room_least == 0)
        return true;
    now = clock_monotonic_ms();
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

/* What the writer knows of its transaction is again what was so at a savepoint. */
static void take_back(struct outbox *outbox, const struct tally *before)
{
    outbox->tally = *before;
    bases_forget_from(outbox->bases, before->last_seq + 1);
    unpacker_forget_from(outbox->db.unpacker,
                         before->last_seq + 1); /* a claim reads its own round */
}

/* ... at the beginning of the round */
static void take_all_back(struct outbox *outbox, const struct tally *before)
{
    take_back(outbox, before);
    heads_roll_back(outbox->heads);
}

/* A job that fails leaves nothing half done and does not spoil the others. A status that is not OK
 * does: it is the round's. */
static enum status run_guarded(struct outbox *outbox, struct job *job)
{
    const struct tally before = outbox->tally;
    enum status status = simple(outbox, SQL_SAVEPOINT);

    if (status != STATUS_OK)
        return status;
    heads_savepoint(outbox->heads);
    job->status = job->run(outbox, job);
    if (job->status == STATUS_OK && !job->undo) {
        heads_savepoint_done(outbox->heads);
        return simple(outbox, SQL_SAVEPOINT_DONE);
    }
    heads_savepoint_back(outbox->heads);
    take_back(outbox, &before);
    if (sqlite3_get_autocommit(outbox->db.handle)) /* SQLite has undone the whole round by itself */
        return job->status == STATUS_OK ? STATUS_IO : job->status;
    status = simple(outbox, SQL_SAVEPOINT_BACK);
    return status == STATUS_OK ? simple(outbox, SQL_SAVEPOINT_DONE) : status;
}

/* Puts at the head of a round go without a savepoint each, for nearly all succeed and a savepoint
 * copies every page that is touched behind it. When one does not, what they wrote is taken back
 * together and each is run once more, guarded: a put writes nothing into its job that a second run
 * would not write again. *next_out: the first that is not done. */
static enum status run_puts(struct outbox *outbox, struct job *jobs, struct job **next_out)
{
    const struct tally before = outbox->tally;
    bool good = true;
    struct job *job;
    enum status status;

    *next_out = jobs;
    if (!jobs->is_put)
        return STATUS_OK;
    for (job = jobs; job && job->is_put && good; job = job->next) {
        job->status = job->run(outbox, job);
        good = job->status == STATUS_OK && !job->undo;
    }
    if (good) {
        *next_out = job;
        return STATUS_OK;
    }
    take_all_back(outbox, &before);
    for (job = jobs; job; job = job->next) {
        job->status = STATUS_OK;
        job->undo = false;
    }
    status = sqlite3_get_autocommit(outbox->db.handle) ? STATUS_OK : simple(outbox, SQL_ROLLBACK);
    return status == STATUS_OK ? simple(outbox, SQL_BEGIN) : status;
}

static enum status run_jobs(struct outbox *outbox, struct job *jobs)
{
    const int64_t last_seq = outbox->tally.last_seq;
    bool room = has_room(outbox);
    enum status status = simple(outbox, SQL_BEGIN);
    struct job *job = jobs;

    if (status == STATUS_OK && room)
        status = run_puts(outbox, jobs, &job);
    for (; job && status == STATUS_OK; job = job->next) {
        if (job->is_put && !room)
            job->status = STATUS_DISK_FULL;
        else
            status = run_guarded(outbox, job);
    }
    if (status == STATUS_OK)
        status = chains_sweep(outbox, outbox->tally.last_seq - last_seq);
    if (status == STATUS_OK)
        status = counters_write(outbox);
    return status == STATUS_OK ? simple(outbox, SQL_COMMIT) : status;
}

/* The COMMIT failed: nothing of this round is kept, and everybody hears why. What we know is what
 * was so before. */
static void undo(struct outbox *outbox, struct job *jobs, const struct tally *before,
                 enum status status)
{
    log_line(LOG_LEVEL_ERROR, "store: nothing was kept: %s", status_text(status));
    take_all_back(outbox, before);
    if (!sqlite3_get_autocommit(outbox->db.handle))
        (void)simple(outbox, SQL_ROLLBACK);
    for (struct job *job = jobs; job; job = job->next)
        job->status = status;
}

static void tell(struct outbox *outbox, struct job *jobs)
{
    struct job *next;

    for (struct job *job = jobs; job; job = next) {
        next = job->next; /* done() may free it */
        job->done(outbox, job);
    }
}

/* Under the lock, so that after outbox_on_change(NULL) the listener is not called any more. */
static void tell_listener(struct outbox *outbox)
{
    pthread_mutex_lock(&outbox->lock);
    if (outbox->changed)
        outbox->changed(outbox->changed_context);
    pthread_mutex_unlock(&outbox->lock);
}

static void commit_round(struct outbox *outbox, struct job *jobs)
{
    const struct tally before = outbox->tally;
    enum status status;

    outbox->made_deliverable = outbox->newest_stale = false;
    changes_begin(outbox);
    status = run_jobs(outbox, jobs);
    if (status != STATUS_OK)
        undo(outbox, jobs, &before, status);
    else
        metric_add(METRIC_COMMITS, 1);
    assert(sqlite3_txn_state(outbox->db.handle, NULL) ==
           SQLITE_TXN_NONE); /* no statement is left standing on a row */
    counters_show(outbox);
    if (status == STATUS_OK)
        heads_commit(outbox->heads);
    if (status == STATUS_OK && outbox->newest_stale)
        newest_forget(outbox->newest);
    tell(outbox, jobs);
    if (status == STATUS_OK && outbox->made_deliverable)
        tell_listener(outbox);
    if (status == STATUS_OK)
        changes_tell(outbox);
}

/* ---- the queue ---- */

/* NULL: stopped, and all is done. */
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

void *writer_thread(void *context)
{
    struct outbox *outbox = context;
    struct job *jobs;

    while ((jobs = take_jobs(outbox))) {
        commit_round(outbox, jobs);
        checkpoint_consider(outbox);
    }
    return NULL;
}

void queue_job(struct outbox *outbox, struct job *job)
{
    job->next = NULL;
    job->status = STATUS_OK;
    job->undo = false;
    pthread_mutex_lock(&outbox->lock);
    if (outbox->last)
        outbox->last->next = job;
    else
        outbox->first = job;
    outbox->last = job;
    pthread_mutex_unlock(&outbox->lock);
    pthread_cond_signal(&outbox->queued); /* whom it wakes finds the lock free */
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
