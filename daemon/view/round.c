/* round.c - the round: who is due, by what their last score or an order asks for.
 *
 * For each patient a bounded number of the newest readings is looked at, so the cost does not grow
 * with what was ever taken. A set whose score was worked out is what counts: after it, one that
 * lacks a sign asks for nothing by itself, and does not put off what the score asked for. */
#include "wardpost/round.h"

#include <stdlib.h>
#include <string.h>

#include "view/view_private.h"
#include "wardpost/due.h"
#include "wardpost/json_in.h"
#include "wardpost/observation.h"
#include "wardpost/orders.h"

#define MINUTE_MS      ((int64_t)60000)
#define MAINS_MOST     48 /* newest readings of a patient that are looked at */
#define SETS_MOST      4  /* newest sets among them */
#define REMINDERS_MOST 16
#define WARDS_MOST     100
#define RECENT_MOST    400             /* newest readings of all, for patients who are in no ward */
#define EARLY_MS       (5 * MINUTE_MS) /* a reminder is done by a reading so long before it */

/* ---- the sets of a patient, latest taken first ---- */

struct taken_set {
    struct uuid id;
    int64_t taken_ms;
    char by[101];
    bool has_score;
    struct score_answer score;
};

struct sets {
    struct taken_set items[SETS_MOST];
    size_t count;
};

static void copy_by(const struct outbox_row *row, char out[101])
{
    struct json_fault fault;
    json_t *sent = NULL;
    const json_t *by;

    out[0] = '\0';
    if (!row->sent || json_in(row->sent, row->sent_length, &sent, &fault) != STATUS_OK)
        return;
    by = json_object_get(sent, "by");
    if (text_is(by) && json_string_length(by) < 101)
        memcpy(out, json_string_value(by), json_string_length(by) + 1);
    json_decref(sent);
}

/* A single reading is no set. */
static bool main_seen(void *context, const struct outbox_row *row)
{
    struct sets *sets = context;
    size_t at = 0;

    if (row->state == ENTRY_DISCARDED || uuid_equal(&row->id, &row->set))
        return true;
    for (size_t i = 0; i < sets->count; i++)
        if (uuid_equal(&sets->items[i].id, &row->set))
            return true;
    while (at < sets->count && sets->items[at].taken_ms >= row->taken_ms)
        at++;
    if (at == SETS_MOST)
        return true;
    if (sets->count < SETS_MOST)
        sets->count++;
    memmove(&sets->items[at + 1], &sets->items[at],
            (sets->count - at - 1) * sizeof(sets->items[0]));
    sets->items[at] = (struct taken_set){.id = row->set, .taken_ms = row->taken_ms};
    copy_by(row, sets->items[at].by);
    return true;
}

struct score_look {
    const struct kinds *kinds;
    struct taken_set *set;
    enum status status;
};

static bool score_seen(void *context, const struct outbox_row *row)
{
    static const char role[] = "score:";
    struct score_look *look = context;
    enum status status;

    if (strncmp(row->role, role, sizeof(role) - 1) != 0 || row->state == ENTRY_DISCARDED ||
        !row->became)
        return true;
    status = score_of_observation(look->kinds, row->role + sizeof(role) - 1, row->became,
                                  row->became_length, &look->set->score);
    look->set->has_score = look->set->has_score || status == STATUS_OK;
    look->status = status == STATUS_NO_MEMORY ? status : look->status;
    return true;
}

/* The latest set, and the latest with a score, which may be the same. */
struct last_sets {
    const struct taken_set *set, *scored;
};

static enum status find_last(const struct round *round, const char *patient, struct sets *sets,
                             struct last_sets *out)
{
    const struct outbox_search search = {OUTBOX_SEARCH_OPEN, .patient = patient, .mains_only = true,
                                         .most = MAINS_MOST};
    enum status status = outbox_search(round->reader, &search, main_seen, sets);

    *out = (struct last_sets){NULL, NULL};
    for (size_t i = 0; i < sets->count && status == STATUS_OK && !out->scored; i++) {
        struct score_look look = {.kinds = round->kinds, .set = &sets->items[i]};

        status = outbox_of_set(round->reader, &sets->items[i].id, score_seen, &look);
        if (status == STATUS_OK)
            status = look.status;
        out->scored = sets->items[i].has_score ? &sets->items[i] : NULL;
    }
    out->set = sets->count > 0 ? &sets->items[0] : NULL;
    return status;
}

/* ---- orders ---- */

struct reminder {
    char kind[64], reason[512];
    int64_t made_ms, at_ms;
    int interval_minutes;
};

struct orders {
    bool has_interval; /* of the whole set */
    int interval_minutes;
    int64_t made_ms;
    struct reminder reminders[REMINDERS_MOST];
    size_t count;
};

static bool order_seen(void *context, const struct watch_order *order)
{
    struct orders *orders = context;
    struct reminder *reminder;

    if (order->kind[0] == '\0' && order->interval_minutes >= 0) {
        orders->has_interval = true;
        orders->interval_minutes = order->interval_minutes;
        orders->made_ms = order->made_ms;
        return true;
    }
    if (orders->count == REMINDERS_MOST)
        return false;
    reminder = &orders->reminders[orders->count++];
    *reminder = (struct reminder){.made_ms = order->made_ms,
                                  .at_ms = order->at_ms,
                                  .interval_minutes = order->interval_minutes};
    (void)snprintf(reminder->kind, sizeof(reminder->kind), "%s", order->kind);
    (void)snprintf(reminder->reason, sizeof(reminder->reason), "%s", order->reason);
    return true;
}

/* ---- reminders ---- */

struct newest {
    bool found;
    int64_t taken_ms;
};

static bool newest_seen(void *context, const struct outbox_row *row)
{
    struct newest *newest = context;

    if (row->state == ENTRY_DISCARDED)
        return true;
    if (!newest->found || row->taken_ms > newest->taken_ms)
        newest->taken_ms = row->taken_ms;
    newest->found = true;
    return true;
}

/* When something of this kind (any: a set) was last taken, from a time on. */
static enum status last_of(const struct round *round, const char *patient, const char *kind,
                           int64_t from_ms, const struct last_sets *last, struct newest *out)
{
    struct outbox_search search = {OUTBOX_SEARCH_OPEN, .patient = patient, .kind = kind,
                                   .mains_only = true, .most = 4};

    *out = (struct newest){false, 0};
    search.taken_from_ms = from_ms;
    if (kind[0])
        return outbox_search(round->reader, &search, newest_seen, out);
    if (last->set && last->set->taken_ms >= from_ms)
        *out = (struct newest){true, last->set->taken_ms};
    return STATUS_OK;
}

static void reminder_out(const struct reminder *reminder, const struct due *due,
                         struct json_out *out)
{
    out_object(out);
    out_member(out, "kind", reminder->kind[0] ? reminder->kind : NULL);
    time_out(out, "due", due->due_ms);
    out_member(out, "state", due_state_text(due->state));
    if (reminder->interval_minutes >= 0)
        out_member_integer(out, "interval-minutes", reminder->interval_minutes);
    out_member(out, "reason", reminder->reason);
    out_object_end(out);
}

static int64_t later(int64_t a, int64_t b)
{
    return a > b ? a : b;
}

/* One that is at a time is late by the time it was given: to look at pain again in half an hour is
 * late ten minutes after. */
static enum status one_reminder(const struct round *round, const char *patient,
                                const struct last_sets *last, const struct reminder *reminder)
{
    const bool is_once = reminder->at_ms > 0;
    const int64_t minutes = (reminder->at_ms - reminder->made_ms) / MINUTE_MS;
    struct newest done;
    struct due due;
    enum status status = last_of(
        round, patient, reminder->kind,
        is_once ? later(reminder->made_ms, reminder->at_ms - EARLY_MS) : INT64_MIN, last, &done);

    if (status != STATUS_OK || (is_once && done.found))
        return status;
    if (is_once)
        due = due_at(reminder->at_ms - later(minutes, 1) * MINUTE_MS, (int)later(minutes, 1),
                     round->now_ms, round->soon_ms);
    else
        due = due_at(done.found ? done.taken_ms : reminder->made_ms, reminder->interval_minutes,
                     round->now_ms, round->soon_ms);
    reminder_out(reminder, &due, round->out);
    return STATUS_OK;
}

/* ---- one patient ---- */

static void score_out(const struct score_answer *score, struct json_out *out)
{
    out_object(out);
    out_member(out, "score", score->table->name);
    out_member_integer(out, "total", score->total);
    out_member_integer(out, "scale", score->scale);
    out_member_bool(out, "single-trigger", score->single_trigger);
    out_member_if(out, "risk", score->risk);
    out_member_if(out, "response", score->response);
    if (score->interval_minutes >= 0)
        out_member_integer(out, "interval-minutes", score->interval_minutes);
    out_object_end(out);
}

static void set_out(const char *name, const struct taken_set *set, struct json_out *out)
{
    out_name(out, name);
    if (!set) {
        out_null(out);
        return;
    }
    out_object(out);
    id_out(out, "set", &set->id);
    time_out(out, "taken", set->taken_ms);
    out_member_if(out, "by", set->by[0] ? set->by : NULL);
    out_name(out, "score");
    if (set->has_score)
        score_out(&set->score, out);
    else
        out_null(out);
    out_object_end(out);
}

static void due_out(const struct due *due, int interval, struct json_out *out)
{
    out_name(out, "interval-minutes");
    if (interval >= 0)
        out_integer(out, interval);
    else
        out_null(out);
    out_name(out, "due");
    if (due->state == DUE_NEVER || due->state == DUE_CONTINUOUS) {
        out_null(out);
    } else {
        char text[MOMENT_TEXT_ROOM];

        moment_text((struct moment){due->due_ms, 0}, text);
        out_text(out, text);
    }
    out_member(out, "state", due_state_text(due->state));
    if (due->state <= DUE_NOW)
        out_member_decimal(out, "over", (struct decimal){due->over_percent, 2});
}

/* From the scored set on; without one from the last set, or from the order. */
static struct due how_due(const struct round *round, const struct last_sets *last,
                          const struct orders *orders, int *interval, enum due_why *why)
{
    const struct taken_set *from = last->scored ? last->scored : last->set;
    const struct due_asked asked = {.score =
                                        last->scored ? last->scored->score.interval_minutes : -1,
                                    .order = orders->has_interval ? orders->interval_minutes : -1,
                                    .usual = round->usual_minutes,
                                    .scored_ms = last->scored ? last->scored->taken_ms : 0,
                                    .ordered_ms = orders->made_ms};

    *interval = due_interval(&asked, why);
    if (*interval < 0 || (!from && *why != DUE_BY_ORDER))
        return (struct due){.state = DUE_NEVER};
    return due_at(from ? from->taken_ms : orders->made_ms, *interval, round->now_ms,
                  round->soon_ms);
}

static enum status reminders_out(const struct round *round, const char *patient,
                                 const struct last_sets *last, const struct orders *orders)
{
    enum status status = STATUS_OK;

    out_name(round->out, "reminders");
    out_array(round->out);
    for (size_t i = 0; i < orders->count && status == STATUS_OK; i++)
        status = one_reminder(round, patient, last, &orders->reminders[i]);
    out_array_end(round->out);
    return status;
}

static enum status patient_out(const struct round *round, const struct known_patient *patient,
                               const char *key, struct due *due)
{
    struct orders orders = {.count = 0};
    struct sets sets = {.count = 0};
    struct last_sets last;
    enum due_why why;
    int interval;
    enum status status = find_last(round, key, &sets, &last);

    if (status == STATUS_OK)
        status = outbox_orders(round->reader, key, order_seen, &orders);
    if (status != STATUS_OK)
        return status;
    *due = how_due(round, &last, &orders, &interval, &why);
    out_object(round->out);
    out_name(round->out, "patient");
    view_known_patient(patient, round->out);
    set_out("last", last.set, round->out);
    if (last.scored && last.scored != last.set)
        set_out("scored", last.scored, round->out);
    out_member(round->out, "why", due_why_text(why));
    due_out(due, interval, round->out);
    status = reminders_out(round, key, &last, &orders);
    out_object_end(round->out);
    return status;
}

/* ---- all of them: written one after another, then put in order ---- */

struct slice {
    size_t at, length;
    struct due due;
};

struct walk {
    struct round *round;
    struct json_out *to;  /* of the document */
    struct json_out text; /* the patients as they come */
    struct slice *slices;
    size_t count;
    bool more;
    enum status status;
};

static bool add(void *context, const struct known_patient *patient)
{
    struct walk *walk = context;
    struct slice *slice = &walk->slices[walk->count];
    char key[PATIENT_KEY_ROOM];

    if (walk->count == ROUND_MOST) {
        walk->more = true;
        return false;
    }
    (void)snprintf(key, sizeof(key), "%s|%s", patient->system, patient->value);
    json_out_break(&walk->text);
    *slice = (struct slice){.at = walk->text.length};
    walk->status = patient_out(walk->round, patient, key, &slice->due);
    slice->length = walk->text.length - slice->at;
    walk->count++;
    return walk->status == STATUS_OK;
}

static int compare(const void *left, const void *right)
{
    const struct slice *a = left, *b = right;

    if (a->due.state != b->due.state)
        return a->due.state < b->due.state ? -1 : 1;
    if (a->due.over_percent != b->due.over_percent)
        return a->due.over_percent > b->due.over_percent ? -1 : 1;
    if (a->due.due_ms != b->due.due_ms)
        return a->due.due_ms < b->due.due_ms ? -1 : 1;
    return a->at < b->at ? -1 : a->at > b->at; /* by ward and name, as they came */
}

/* ---- patients who are in no ward ---- */

struct recent {
    char keys[ROUND_MOST][PATIENT_KEY_ROOM];
    size_t count;
};

static bool recent_seen(void *context, const struct outbox_row *row)
{
    struct recent *recent = context;

    if (row->state == ENTRY_DISCARDED || uuid_equal(&row->id, &row->set) || !row->patient[0])
        return true;
    for (size_t i = 0; i < recent->count; i++)
        if (strcmp(recent->keys[i], row->patient) == 0)
            return true;
    (void)snprintf(recent->keys[recent->count++], PATIENT_KEY_ROOM, "%s", row->patient);
    return recent->count < ROUND_MOST;
}

static bool add_if_in_no_ward(void *context, const struct known_patient *patient)
{
    return patient->ward || !patient->active || add(context, patient);
}

static enum status add_recent(struct walk *walk)
{
    struct outbox_search search = {OUTBOX_SEARCH_OPEN, .mains_only = true, .most = RECENT_MOST};
    struct recent *recent = calloc(1, sizeof(*recent));
    enum status status = recent ? STATUS_OK : STATUS_NO_MEMORY;

    search.taken_from_ms = walk->round->now_ms - 24 * 60 * MINUTE_MS;
    if (status == STATUS_OK)
        status = outbox_search(walk->round->reader, &search, recent_seen, recent);
    for (size_t i = 0; status == STATUS_OK && i < recent->count; i++) {
        char *bar = strrchr(recent->keys[i], '|'); /* no value has one */
        const char *systems[] = {recent->keys[i]};
        struct patient_question question = {.systems = systems, .systems_count = 1, .most = 1};

        if (!bar)
            continue;
        *bar = '\0';
        question.value = bar + 1;
        status = outbox_known(walk->round->reader, &question, add_if_in_no_ward, walk);
    }
    free(recent);
    return status;
}

/* ---- the document ---- */

static void ward_out(void *context, const char *ward)
{
    out_text(context, ward);
}

static enum status collect(struct walk *walk, const char *ward)
{
    const struct patient_question question = {.ward = ward ? ward : "", .most = ROUND_MOST + 1};
    enum status status = outbox_known(walk->round->reader, &question, add, walk);

    if (status == STATUS_OK && walk->status == STATUS_OK && !ward)
        status = add_recent(walk);
    return status == STATUS_OK ? walk->status : status;
}

enum status view_round(struct round *round, const char *ward, size_t most)
{
    struct walk walk = {.round = round, .to = round->out, .text = JSON_OUT_INIT};
    enum status status;

    walk.slices = calloc(ROUND_MOST + 1, sizeof(*walk.slices));
    if (!walk.slices)
        return STATUS_NO_MEMORY;
    round->out = &walk.text;
    status = collect(&walk, ward);
    round->out = walk.to;
    qsort(walk.slices, walk.count, sizeof(*walk.slices), compare);
    out_object(walk.to);
    time_out(walk.to, "now", round->now_ms);
    out_name(walk.to, "wards");
    out_array(walk.to);
    if (status == STATUS_OK)
        status = outbox_wards(round->reader, WARDS_MOST, ward_out, walk.to);
    out_array_end(walk.to);
    out_name(walk.to, "patients");
    out_array(walk.to);
    for (size_t i = 0; i < walk.count && i < most && !walk.text.failed; i++)
        out_raw(walk.to, walk.text.text + walk.slices[i].at, walk.slices[i].length);
    out_array_end(walk.to);
    out_member_bool(walk.to, "more", walk.more || walk.count > most);
    out_object_end(walk.to);
    if (status == STATUS_OK && walk.text.failed)
        status = STATUS_NO_MEMORY;
    json_out_clear(&walk.text);
    free(walk.slices);
    return status;
}
