/* live.c - the thread between the outbox and those who listen, and who is at which patient. */
#include "intake/live.h"

#include <sodium.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "intake/live_private.h"
#include "wardpost/log.h"
#include "wardpost/moment.h"

#define LOOK_MS 1000   /* between two looks at the server, at silences and at who is there */
#define KEPT_MS 120000 /* with nobody listening */

void live_signal(struct live *live)
{
    live->stirred = true;
    pthread_cond_signal(&live->news);
}

/* ---- from the outbox ---- */

/* On the writer's thread. */
static void on_changes(void *context, const struct outbox_change *changes, size_t count, bool lost)
{
    struct live *live = context;
    struct pending *pending = &live->pending;

    pthread_mutex_lock(&live->lock);
    pending->lost = pending->lost || lost || count > PENDING_MOST - pending->count;
    if (!pending->lost) {
        memcpy(pending->items + pending->count, changes, count * sizeof(*changes));
        pending->count += count;
    }
    live_signal(live);
    pthread_mutex_unlock(&live->lock);
}

static void set_watching(struct live *live, bool watching)
{
    outbox_watch(live->parts.outbox, watching ? on_changes : NULL, live);
    pthread_mutex_lock(&live->lock);
    live->watching = watching;
    if (!watching)
        ring_break(&live->ring); /* from here on things happen that it will not have */
    pthread_mutex_unlock(&live->lock);
}

void live_watch(struct live *live)
{
    if (!live->watching)
        set_watching(live, true);
}

static void stop_watching_when_alone(struct live *live)
{
    bool alone;

    pthread_mutex_lock(&live->turn);
    pthread_mutex_lock(&live->lock);
    alone = live->watching && live->streams_count == 0 &&
            clock_monotonic_ms() - live->alone_ms >= KEPT_MS;
    pthread_mutex_unlock(&live->lock);
    if (alone)
        set_watching(live, false);
    pthread_mutex_unlock(&live->turn);
}

/* ---- events ---- */

static void push(struct live *live, const char *name, struct json_out *data)
{
    size_t length;
    char *text = json_out_take(data, &length);

    pthread_mutex_lock(&live->lock);
    ring_push(&live->ring, name, text);
    pthread_mutex_unlock(&live->lock);
}

static void id_member(struct json_out *out, const char *name, const struct uuid *id)
{
    char text[UUID_TEXT_ROOM];

    uuid_text(id, text);
    out_member(out, name, text);
}

struct looked_up {
    struct live *live;
    struct uuid set; /* the one last seen */
    bool is_main;
};

static bool on_row(void *context, const struct outbox_row *row)
{
    struct looked_up *looked_up = context;
    struct json_out out = JSON_OUT_INIT;

    looked_up->is_main = row->sent != NULL;
    if (!looked_up->is_main)
        return false;
    looked_up->set = row->set;
    out_object(&out);
    id_member(&out, "id", &row->id);
    id_member(&out, "set", &row->set);
    out_member(&out, "state", entry_state_text(row->state));
    out_member_integer(&out, "seq", row->seq);
    out_object_end(&out);
    push(looked_up->live, "reading", &out);
    return false;
}

static void push_set(struct live *live, const struct uuid *set)
{
    struct json_out out = JSON_OUT_INIT;

    out_object(&out);
    id_member(&out, "set", set);
    out_object_end(&out);
    push(live, "set", &out);
}

/* One event `set` for all of its readings that stand together. NOT_FOUND: it was taken back. */
static enum status push_changes(struct live *live, const struct pending *changes)
{
    struct looked_up found = {.live = live};
    struct uuid set = {{0}};
    bool of_set = false;
    enum status status = STATUS_OK;

    for (size_t i = 0; i < changes->count && status == STATUS_OK; i++) {
        found.is_main = false;
        status = outbox_find_seq(live->reader, changes->items[i].seq, on_row, &found);
        if (status == STATUS_NOT_FOUND)
            status = STATUS_OK;
        if (!found.is_main)
            continue;
        if (of_set && !uuid_equal(&set, &found.set)) {
            push_set(live, &set);
            of_set = false;
        }
        of_set = of_set || changes->items[i].of_set;
        set = found.set;
    }
    if (of_set)
        push_set(live, &set);
    return status;
}

static void take_pending(struct live *live)
{
    struct pending *taken = &live->taken;
    bool lost;

    pthread_mutex_lock(&live->lock);
    lost = live->pending.lost;
    taken->count = live->pending.count;
    memcpy(taken->items, live->pending.items, taken->count * sizeof(*taken->items));
    live->pending.count = 0;
    live->pending.lost = false;
    pthread_mutex_unlock(&live->lock);
    if (!lost && taken->count > 0 && live->reader)
        lost = push_changes(live, taken) != STATUS_OK;
    if (!lost && (taken->count == 0 || live->reader))
        return;
    pthread_mutex_lock(&live->lock);
    ring_break(&live->ring);
    pthread_mutex_unlock(&live->lock);
}

/* ---- the far end ---- */

/* Words of /v1/events; `none`: no server was set. */
static const char *word_of(struct courier *courier)
{
    struct courier_status status = {.state = DESTINATION_NONE};

    if (courier)
        courier_status_get(courier, &status);
    switch (status.state) {
    case DESTINATION_NONE:
        return "none";
    case DESTINATION_UP:
        return "ok";
    case DESTINATION_PAUSED:
        return "paused";
    case DESTINATION_STARTING:
    case DESTINATION_AWAY:
        break;
    }
    return "away";
}

static void look_at_server(struct live *live)
{
    struct outbox_counts counts;
    char text[SERVER_ROOM];

    if (!live->reader || outbox_count(live->reader, &counts) != STATUS_OK)
        return; /* said at the next look */
    (void)snprintf(text, sizeof(text), "{\"state\":\"%s\",\"waiting\":%lld}",
                   word_of(live->parts.courier), (long long)counts.waiting);
    pthread_mutex_lock(&live->lock);
    if (strcmp(text, live->server) != 0) {
        memcpy(live->server, text, sizeof(text));
        live->server_version++;
    }
    pthread_mutex_unlock(&live->lock);
}

/* ---- who is at which patient ---- */

struct patient_hash live_patient(const struct live *live, const char *key)
{
    struct patient_hash out;

    crypto_generichash(out.bytes, sizeof(out.bytes), (const unsigned char *)key, strlen(key),
                       live->secret, sizeof(live->secret));
    return out;
}

void patient_hash_text(const struct patient_hash *patient, char out[PATIENT_HASH_TEXT])
{
    sodium_bin2hex(out, PATIENT_HASH_TEXT, patient->bytes, sizeof(patient->bytes));
}

/* With the lock held. */
static void people_out(const struct live *live, const struct patient_hash *patient,
                       const struct visit *but, struct json_out *out)
{
    const struct visit *visit;
    char since[MOMENT_TEXT_ROOM];
    size_t at = 0;

    out_array(out);
    while ((visit = presence_next(&live->presence, patient, but, &at))) {
        moment_text((struct moment){.ms = visit->since_ms}, since);
        out_object(out);
        out_member(out, "display", visit->display);
        out_member(out, "since", since);
        out_object_end(out);
    }
    out_array_end(out);
}

/* With the lock held. */
static void push_people(struct live *live, const struct patient_hash *patient)
{
    static const struct patient_hash nobody;
    struct json_out out = JSON_OUT_INIT;
    char key[PATIENT_HASH_TEXT];
    size_t length;

    if (patient_hash_equal(patient, &nobody))
        return;
    patient_hash_text(patient, key);
    out_object(&out);
    out_name(&out, "people");
    people_out(live, patient, NULL, &out);
    out_member(&out, "patient-key", key);
    out_object_end(&out);
    ring_push(&live->ring, "presence", json_out_take(&out, &length));
    live_signal(live);
}

void live_visit(struct live *live, struct visit *visit, bool end, struct json_out *others)
{
    struct patient_hash left = {{0}};
    bool news;

    visit->heard_ms = clock_monotonic_ms();
    visit->since_ms = clock_wall_ms();
    pthread_mutex_lock(&live->lock);
    news =
        end ? presence_end(&live->presence, visit) : presence_note(&live->presence, visit, &left);
    if (news) {
        push_people(live, &left);
        push_people(live, &visit->patient);
    }
    people_out(live, &visit->patient, visit, others);
    pthread_mutex_unlock(&live->lock);
}

static void let_go(struct live *live)
{
    struct patient_hash left;

    pthread_mutex_lock(&live->lock);
    while (presence_expire(&live->presence, clock_monotonic_ms(), &left))
        push_people(live, &left);
    pthread_mutex_unlock(&live->lock);
}

/* ---- the thread ---- */

/* With the lock held, until something stirs or a look is due. While nobody listens and nobody is
 * anywhere none is. */
static void wait_for_news(struct live *live, int64_t look_at_ms)
{
    const struct timespec until = {look_at_ms / 1000, look_at_ms % 1000 * 1000000};
    bool idle = !live->watching && presence_is_empty(&live->presence);
    int late = 0;

    while (!live->stirred && late == 0)
        late = idle ? pthread_cond_wait(&live->news, &live->lock)
                    : pthread_cond_timedwait(&live->news, &live->lock, &until);
    live->stirred = false;
}

/* With the lock held. */
static bool look_is_due(struct live *live, int64_t look_at_ms)
{
    bool due = live->look_now || clock_monotonic_ms() >= look_at_ms;

    live->look_now = false;
    return due;
}

static void look(struct live *live)
{
    look_at_server(live);
    let_go(live);
    stop_watching_when_alone(live);
}

static void work(struct live *live, bool look_too)
{
    if (!live->reader && outbox_reader_open(live->parts.outbox, &live->reader) != STATUS_OK)
        live->reader = NULL; /* tried again the next time */
    take_pending(live);
    if (look_too)
        look(live);
    streams_wake(live);
}

static void *live_thread(void *context)
{
    struct live *live = context;
    int64_t look_at_ms = clock_monotonic_ms();
    bool due;

    pthread_mutex_lock(&live->lock);
    for (;;) {
        wait_for_news(live, look_at_ms);
        if (live->stopping)
            break;
        due = look_is_due(live, look_at_ms);
        pthread_mutex_unlock(&live->lock);
        work(live, due);
        if (due)
            look_at_ms = clock_monotonic_ms() + LOOK_MS;
        pthread_mutex_lock(&live->lock);
    }
    pthread_mutex_unlock(&live->lock);
    return NULL;
}

/* ---- start and end ---- */

static void live_free(struct live *live)
{
    if (live->reader)
        outbox_reader_close(live->reader);
    ring_clear(&live->ring);
    pthread_cond_destroy(&live->news);
    pthread_mutex_destroy(&live->lock);
    pthread_mutex_destroy(&live->turn);
    free(live);
}

enum status live_start(const struct live_parts *parts, struct live **out)
{
    struct live *live = calloc(1, sizeof(*live));
    pthread_condattr_t monotonic;

    if (!live)
        return STATUS_NO_MEMORY;
    live->parts = *parts;
    live->ring.first = live->ring.next = 1;
    randombytes_buf(live->secret, sizeof(live->secret));
    (void)snprintf(live->epoch, sizeof(live->epoch), "%08x%08x", randombytes_random(),
                   randombytes_random());
    pthread_mutex_init(&live->turn, NULL);
    pthread_mutex_init(&live->lock, NULL);
    pthread_condattr_init(&monotonic);
    pthread_condattr_setclock(&monotonic, CLOCK_MONOTONIC);
    pthread_cond_init(&live->news, &monotonic);
    pthread_condattr_destroy(&monotonic);
    if (pthread_create(&live->thread, NULL, live_thread, live) != 0) {
        live_free(live);
        return STATUS_NO_MEMORY;
    }
    *out = live;
    return STATUS_OK;
}

static bool anybody_listens(struct live *live)
{
    bool any;

    pthread_mutex_lock(&live->lock);
    any = live->streams_count > 0;
    pthread_mutex_unlock(&live->lock);
    return any;
}

void live_end(struct live *live, int64_t most_ms)
{
    const struct timespec pause = {.tv_nsec = 10000000};
    const int64_t until = clock_monotonic_ms() + most_ms;

    if (!live)
        return;
    pthread_mutex_lock(&live->lock);
    live->ended = true;
    pthread_mutex_unlock(&live->lock);
    streams_wake(live);
    while (anybody_listens(live) && clock_monotonic_ms() < until)
        nanosleep(&pause, NULL);
}

void live_stop(struct live *live)
{
    if (!live)
        return;
    pthread_mutex_lock(&live->lock);
    live->stopping = true;
    live_signal(live);
    pthread_mutex_unlock(&live->lock);
    pthread_join(live->thread, NULL);
    outbox_watch(live->parts.outbox, NULL, NULL);
    live_free(live);
}
