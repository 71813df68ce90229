/* courier.c - the courier's one thread: waits for work, meets the server, delivers wave after wave.
 */
#include <curl/curl.h>
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "courier/courier_private.h"
#include "wardpost/log.h"
#include "wardpost/moment.h"

static void on_change(void *context)
{
    struct courier *courier = context;

    pthread_mutex_lock(&courier->lock);
    courier->work = true;
    pthread_cond_signal(&courier->wake);
    pthread_mutex_unlock(&courier->lock);
}

void courier_nudge(struct courier *courier)
{
    if (!courier || !courier->runs)
        return;
    pthread_mutex_lock(&courier->lock);
    courier->nudged = true;
    pthread_cond_signal(&courier->wake);
    pthread_mutex_unlock(&courier->lock);
}

void courier_status_get(struct courier *courier, struct courier_status *out)
{
    pthread_mutex_lock(&courier->lock);
    *out = courier->status;
    pthread_mutex_unlock(&courier->lock);
}

/* Until `until_ms` (wall clock), a nudge, the end, or, when `for_work`, something new. The wall
 * clock may jump: no wait is longer than ten minutes in one go. */
static void wait_for(struct courier *courier, int64_t until_ms, bool for_work)
{
    int64_t wait = until_ms == INT64_MAX ? 600000 : until_ms - clock_wall_ms();
    struct timespec until;

    if (wait > 600000)
        wait = 600000;
    pthread_mutex_lock(&courier->lock);
    if (wait > 0) {
        clock_gettime(CLOCK_MONOTONIC, &until);
        until.tv_sec += wait / 1000;
        until.tv_nsec += (wait % 1000) * 1000000;
        if (until.tv_nsec >= 1000000000) {
            until.tv_sec++;
            until.tv_nsec -= 1000000000;
        }
        while (!atomic_load(&courier->stopping) && !courier->nudged &&
               !(for_work && courier->work) &&
               pthread_cond_timedwait(&courier->wake, &courier->lock, &until) != ETIMEDOUT)
            ;
    }
    courier->nudged = false;
    pthread_mutex_unlock(&courier->lock);
}

static int64_t next_try_ms(struct courier *courier)
{
    struct courier_status status;

    courier_status_get(courier, &status);
    return status.next_try_ms;
}

static void forget_work(struct courier *courier)
{
    pthread_mutex_lock(&courier->lock);
    courier->work = false;
    pthread_mutex_unlock(&courier->lock);
}

static void *run(void *context)
{
    struct courier *courier = context;

    while (!atomic_load(&courier->stopping)) {
        int64_t next_due_ms = INT64_MAX;

        if (!courier->destination.known && !wave_settle(courier)) {
            log_line(LOG_LEVEL_ERROR,
                     "courier: the store cannot be used; trying again in a second");
            wait_for(courier, clock_wall_ms() + 1000, false);
            continue;
        }
        if (!courier->destination.known && !destination_meet(courier)) {
            wait_for(courier, next_try_ms(courier), false);
            continue;
        }
        forget_work(courier); /* what comes from here on is seen by the claim or wakes us again */
        if (!wave_run(courier, &next_due_ms)) {
            log_line(LOG_LEVEL_ERROR,
                     "courier: the store cannot be used; trying again in a second");
            wait_for(courier, clock_wall_ms() + 1000, false);
        } else if (next_due_ms > 0 && courier->destination.known) {
            wait_for(courier, next_due_ms, true);
        } else if (!courier->destination.known && wave_settle(courier)) {
            wait_for(courier, next_try_ms(courier), false);
        }
    }
    if (!wave_settle(courier))
        log_line(
            LOG_LEVEL_ERROR,
            "courier: the last answers could not be kept; they are looked up at the next start");
    return NULL;
}

static enum status start_thread(struct courier *courier)
{
    enum status status = outbox_reader_open(courier->outbox, &courier->reader);

    if (status == STATUS_OK && curl_global_init(CURL_GLOBAL_DEFAULT) != 0)
        status = STATUS_NO_MEMORY;
    if (status == STATUS_OK)
        status = transfers_open(&courier->options, &courier->pool);
    if (status != STATUS_OK)
        return status;
    status = lookups_start(courier->server, &courier->lookups);
    if (status != STATUS_OK)
        return status;
    courier->status.state = DESTINATION_STARTING;
    outbox_on_change(courier->outbox, on_change, courier);
    courier->runs = pthread_create(&courier->thread, NULL, run, courier) == 0;
    return courier->runs ? STATUS_OK : STATUS_IO;
}

static void courier_free(struct courier *courier)
{
    wave_drop(courier);
    lookups_stop(courier->lookups);
    transfers_close(courier->pool);
    outbox_reader_close(courier->reader);
    pthread_cond_destroy(&courier->wake);
    pthread_mutex_destroy(&courier->lock);
    free(courier->server);
    free(courier);
}

void courier_lookup(struct courier *courier, struct patient_lookup *lookup)
{
    if (courier->lookups) {
        lookups_ask(courier->lookups, lookup);
        return;
    }
    lookup->end = LOOKUP_NONE;
    lookup->done(lookup);
}

/* The base URL without slashes at its end (FHIR R4 http.html#general). */
static char *base_of(const char *server)
{
    size_t length = strlen(server);

    while (length > 0 && server[length - 1] == '/')
        length--;
    return strndup(server, length);
}

enum status courier_start(const struct courier_options *options, struct outbox *outbox,
                          struct courier **out)
{
    struct courier *courier = calloc(1, sizeof(*courier));
    pthread_condattr_t monotonic;
    enum status status = STATUS_OK;

    if (!courier)
        return STATUS_NO_MEMORY;
    courier->options = *options;
    courier->outbox = outbox;
    pthread_mutex_init(&courier->lock, NULL);
    pthread_condattr_init(&monotonic);
    pthread_condattr_setclock(&monotonic, CLOCK_MONOTONIC);
    pthread_cond_init(&courier->wake, &monotonic);
    pthread_condattr_destroy(&monotonic);
    if (options->server) {
        courier->server = base_of(options->server);
        status = courier->server ? start_thread(courier) : STATUS_NO_MEMORY;
    }
    if (status != STATUS_OK) {
        courier_free(courier);
        return status;
    }
    *out = courier;
    return STATUS_OK;
}

void courier_stop(struct courier *courier, int64_t grace_ms)
{
    if (!courier)
        return;
    if (courier->runs) {
        outbox_on_change(courier->outbox, NULL, NULL);
        atomic_store(&courier->stopping, true);
        transfers_stop(courier->pool, grace_ms);
        pthread_mutex_lock(&courier->lock);
        pthread_cond_signal(&courier->wake);
        pthread_mutex_unlock(&courier->lock);
        pthread_join(courier->thread, NULL);
    }
    courier_free(courier);
}
