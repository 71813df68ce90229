/* wave.c - claims a wave of entries, drives each by courier_step() until it is settled, and settles
 * all in one COMMIT.
 *
 * One wave is out at a time, in as many Bundles as may be on their way at once, and each entry in
 * one of them: so there is one request in flight for an identifier, across Bundles too. Order per
 * patient is acceptance order: when one has to wait, those after it of the same patient wait with
 * it. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "courier/wave.h"
#include "wardpost/log.h"
#include "wardpost/metrics.h"
#include "wardpost/moment.h"

#define CLAIM_BYTES  ((size_t)1 << 20)
#define ROUNDS_MOST  12 /* of looking and sending in one wave; what is not settled by then waits */
#define LOOK_UP_MOST 20 /* identifiers in one search */

/* ---- one item ---- */

const char *item_json(const struct item *item, size_t *length)
{
    if (item->body.length > 0) {
        *length = item->body.length;
        return item->body.text;
    }
    *length = item->entry->length;
    return item->entry->became;
}

static void take_deed(struct wave *wave, struct item *item, struct deed deed)
{
    switch (deed.type) {
    case DEED_LOOK_UP:
        item->todo =
            item->delivery.update && item->delivery.corrected ? TODO_READ_BACK : TODO_LOOK_UP;
        return;
    case DEED_SEND:
        item->todo = TODO_SEND;
        return;
    case DEED_SEND_NEXT_WAY:
        item->alone = true;
        item->todo = item->delivery.way == WAY_SEARCH_FIRST ? TODO_LOOK_UP : TODO_SEND;
        return;
    case DEED_CHARTED:
        wave->charted++;
        break;
    case DEED_HOLD:
    case DEED_WAIT:
        break;
    }
    item->todo = TODO_NOTHING;
    item->end = deed;
}

static bool is_same_patient(const struct item *a, const struct item *b)
{
    return a->patient == b->patient && strcmp(a->entry->patient, b->entry->patient) == 0;
}

/* Those after it of the same patient keep their place behind it. What went out with it in one
 * Bundle may have arrived if it may. */
static void hold_back_followers(struct wave *wave, const struct item *item)
{
    for (struct item *other = wave->items; other < wave->items + wave->count; other++) {
        if (other <= item || other->todo == TODO_NOTHING || !is_same_patient(other, item))
            continue;
        other->todo = TODO_NOTHING;
        other->end = (struct deed){.type = DEED_WAIT,
                                   .due_ms = item->end.due_ms,
                                   .ambiguous = other->delivery.ambiguous ||
                                                (other->tried && item->end.ambiguous),
                                   .not_sent = !other->tried,
                                   .reason = "an earlier one of this patient waits"};
    }
}

void wave_away(struct wave *wave, const char *why, int64_t after_ms)
{
    wave->over = true;
    (void)snprintf(wave->trouble, sizeof(wave->trouble), "%s", why);
    destination_away(wave->courier, why, after_ms);
}

void wave_pause(struct wave *wave, const char *why)
{
    wave->over = true;
    (void)snprintf(wave->trouble, sizeof(wave->trouble), "%s", why);
    destination_pause(wave->courier, why);
}

/* ---- before ---- */

struct charted_need {
    struct uuid id;
    char *remote;
};

struct needs {
    struct charted_need *items;
    size_t count;
};

static const char *need_lookup(void *context, const struct uuid *id)
{
    const struct needs *needs = context;

    for (size_t i = 0; i < needs->count; i++)
        if (uuid_equal(&needs->items[i].id, id))
            return needs->items[i].remote;
    return NULL;
}

static enum status find_needs(struct courier *courier, const struct claim_entry *entry,
                              struct needs *needs)
{
    enum status status = STATUS_OK;

    needs->items = calloc(entry->needs_count, sizeof(*needs->items));
    if (!needs->items)
        return STATUS_NO_MEMORY;
    while (status == STATUS_OK && needs->count < entry->needs_count) {
        struct charted_need *need = &needs->items[needs->count];

        status =
            outbox_remote(courier->reader, entry->needs[needs->count], &need->id, &need->remote);
        needs->count++;
    }
    return status;
}

static void free_needs(struct needs *needs)
{
    for (size_t i = 0; i < needs->count; i++)
        free(needs->items[i].remote);
    free(needs->items);
}

/* The same text as entered in error. */
static enum status withdraw(struct item *item)
{
    struct json_out restated = JSON_OUT_INIT;
    enum status status =
        observation_restate(item->body.text, item->body.length, "entered-in-error", &restated);

    json_out_clear(&item->body);
    item->body = restated;
    return status;
}

/* What refers to others gets their addresses on the server; what is to be amended gets the id it
 * has there. */
static enum status write_body(struct courier *courier, struct item *item)
{
    struct needs needs = {0};
    enum status status;

    json_out_reset(&item->body);
    if (item->entry->needs_count == 0 && !item->delivery.update && !item->entry->withdrawn)
        return STATUS_OK;
    status = find_needs(courier, item->entry, &needs);
    if (status == STATUS_OK)
        status = observation_refer(item->entry->became, item->entry->length, need_lookup, &needs,
                                   &item->body);
    if (status == STATUS_OK && item->entry->withdrawn)
        status = withdraw(item);
    if (status == STATUS_OK && item->delivery.update)
        status = observation_rename(&item->body, strchr(item->remote, '/') + 1);
    free_needs(&needs);
    return status;
}

/* One that cannot be read must not stop the others: a person is told. */
static void hold_unreadable(struct wave *wave, struct item *item)
{
    take_deed(wave, item,
              (struct deed){.type = DEED_HOLD,
                            .ambiguous = item->delivery.ambiguous,
                            .reason = "its text on disk cannot be read"});
}

void wave_event(struct wave *wave, struct item *item, struct event event)
{
    const bool update = item->delivery.update;

    event.now_ms = clock_wall_ms();
    event.chance = chance();
    take_deed(wave, item, courier_step(&item->delivery, &wave->courier->options, &event));
    if (item->delivery.update != update && write_body(wave->courier, item) != STATUS_OK)
        hold_unreadable(wave, item);
    if (item->todo == TODO_NOTHING && item->end.type == DEED_WAIT)
        hold_back_followers(wave, item);
}

static uint32_t hash_of(const char *text)
{
    uint32_t hash = 0x811C9DC5U; /* FNV-1a of 32 bits: it only shares out */

    for (; *text; text++)
        hash = (hash ^ (unsigned char)*text) * 0x01000193U;
    return hash;
}

static void begin_item(struct wave *wave, struct item *item, const struct claim_entry *entry)
{
    struct destination *destination = &wave->courier->destination;
    const struct choked *choked = choked_find(destination, entry->seq);

    item->entry = entry;
    item->patient = hash_of(entry->patient);
    item->delivery = (struct delivery){.ambiguous = entry->ambiguous,
                                       .update = entry->remote != NULL,
                                       .corrected = entry->corrected,
                                       .released = entry->released,
                                       .sent_ms = entry->sent_ms,
                                       .way = destination->way,
                                       .server_errors = choked ? choked->errors : 0,
                                       .others_succeed = choked && choked->others_succeed};
    if (entry->remote)
        (void)snprintf(item->remote, sizeof(item->remote), "%s", entry->remote);
    if (entry->remote_version)
        (void)snprintf(item->version, sizeof(item->version), "%s", entry->remote_version);
    item->todo = TODO_SEND;
}

static enum status begin(struct wave *wave, const struct claim *claim)
{
    enum status status = STATUS_OK;

    wave->items = calloc(claim->count, sizeof(*wave->items));
    if (!wave->items)
        return STATUS_NO_MEMORY;
    wave->count = claim->count;
    for (size_t i = 0; i < claim->count; i++)
        begin_item(wave, &wave->items[i], &claim->entries[i]);
    for (size_t i = 0; i < claim->count && status == STATUS_OK; i++) {
        if (wave->items[i].todo != TODO_NOTHING)
            wave_event(wave, &wave->items[i], (struct event){.type = EVENT_CLAIMED});
        status = write_body(wave->courier, &wave->items[i]);
        if (status == STATUS_INVALID) {
            hold_unreadable(wave, &wave->items[i]);
            status = STATUS_OK;
        }
    }
    return status;
}

/* ---- the rounds ---- */

static size_t collect(struct wave *wave, enum todo todo, bool alone_too, struct item **out,
                      size_t most)
{
    size_t count = 0;

    for (size_t i = 0; i < wave->count && count < most; i++)
        if (wave->items[i].todo == todo && (alone_too || !wave->items[i].alone))
            out[count++] = &wave->items[i];
    return count;
}

static bool look_up_round(struct wave *wave, struct item **list)
{
    size_t count;
    bool any = false;

    while (!wave->over && collect(wave, TODO_READ_BACK, true, list, 1) > 0) {
        request_read_back(wave, list[0]);
        any = true;
    }

    while (!wave->over &&
           (count = collect(wave, TODO_LOOK_UP, true, list, wave->look_up_most)) > 0) {
        request_look_up(wave, list, count);
        any = true;
    }
    return any;
}

/* One a patient, in order. */
static size_t collect_heads(struct wave *wave, struct item **out)
{
    size_t count = 0;

    for (size_t i = 0; i < wave->count; i++) {
        struct item *item = &wave->items[i];
        bool first = item->todo == TODO_SEND;

        for (size_t j = 0; j < count && first; j++)
            first = !is_same_patient(out[j], item);
        if (first)
            out[count++] = item;
    }
    return count;
}

/* As many as there is something for. */
static size_t bundles_at_once(const struct courier *courier, size_t count)
{
    size_t most = courier->options.transfers_most;
    size_t needed = (count + courier->destination.batch_now - 1) / courier->destination.batch_now;

    if (most > BUNDLES_MOST)
        most = BUNDLES_MOST;
    return needed < most ? needed : most;
}

/* How many entries are asked for: what can be on its way at once. */
static size_t wave_most(const struct courier *courier)
{
    const size_t batch = courier->destination.batch_now;
    size_t most;

    if (!courier->destination.batches)
        return courier->options.transfers_most * 4;
    most = batch * bundles_at_once(courier, ITEMS_MOST);
    return most < ITEMS_MOST ? most : ITEMS_MOST;
}

static bool send_round(struct wave *wave, struct item **list)
{
    struct destination *destination = &wave->courier->destination;
    size_t count;

    if (wave->over)
        return false;
    if (destination->batches && destination->batch_now > 1) {
        count = collect(wave, TODO_SEND, false, list, wave->count);
        if (count > 1) {
            request_bundles(wave, list, count, destination->batch_now,
                            bundles_at_once(wave->courier, count));
            return true;
        }
    }
    count = collect_heads(wave, list);
    if (count > 0)
        request_alone(wave, list, count);
    return count > 0;
}

/* What went out and was to be looked up then may be there: it is looked up when it comes again. */
static void leave_the_rest(struct wave *wave)
{
    int64_t now = clock_wall_ms();

    for (size_t i = 0; i < wave->count; i++) {
        struct item *item = &wave->items[i];
        bool unseen = item->tried && (item->todo == TODO_LOOK_UP || item->todo == TODO_READ_BACK);

        if (item->todo == TODO_NOTHING)
            continue;
        item->todo = TODO_NOTHING;
        item->end = (struct deed){.type = DEED_WAIT,
                                  .due_ms = now,
                                  .ambiguous = item->delivery.ambiguous || unseen,
                                  .not_sent = !item->tried,
                                  .reason = wave->trouble[0] ? wave->trouble : "not yet"};
    }
}

/* ---- after ---- */

static void settlement_of(const struct item *item, struct settlement *out)
{
    static const enum settle_as as[] = {
        [DEED_CHARTED] = SETTLE_CHARTED, [DEED_HOLD] = SETTLE_HELD, [DEED_WAIT] = SETTLE_WAIT};

    *out = (struct settlement){.seq = item->entry->seq,
                               .as = as[item->end.type],
                               .remote = item->remote[0] ? item->remote : NULL,
                               .version = item->version[0] ? item->version : NULL,
                               .reason = item->end.reason,
                               .http_status = (int)item->http_status,
                               .said = item->said,
                               .said_length = item->said_length,
                               .due_ms = item->end.due_ms,
                               .ambiguous = item->end.ambiguous,
                               .not_sent = item->end.not_sent};
}

/* Counted in memory only, and before the next claim. */
static void note_choked(struct wave *wave)
{
    struct destination *destination = &wave->courier->destination;

    for (size_t i = 0; i < wave->count; i++) {
        const struct item *item = &wave->items[i];

        if (item->end.type != DEED_WAIT)
            choked_forget(destination, item->entry->seq);
        else if (item->delivery.server_errors > 0)
            choked_note(destination, item->entry->seq, item->delivery.server_errors);
    }
}

static void note_outcome(const struct item *item)
{
    char id[UUID_TEXT_ROOM];

    uuid_text(&item->entry->id, id);
    if (item->end.type != DEED_CHARTED)
        log_line(item->end.type == DEED_HOLD ? LOG_LEVEL_WARNING : LOG_LEVEL_DEBUG,
                 "observation=%.8s state=%s attempt=%u status=%ld why=\"%s\"", id,
                 item->end.type == DEED_HOLD ? "held" : "waiting", item->entry->attempts + 1,
                 item->http_status, item->end.reason);
    if (item->end.type != DEED_WAIT)
        metric_add(item->end.type == DEED_CHARTED ? METRIC_OBSERVATIONS_CHARTED
                                                  : METRIC_OBSERVATIONS_HELD,
                   1);
}

static enum status decide_all(struct wave *wave)
{
    wave->settlements = calloc(wave->count, sizeof(*wave->settlements));
    if (!wave->settlements)
        return STATUS_NO_MEMORY;
    for (size_t i = 0; i < wave->count; i++)
        settlement_of(&wave->items[i], &wave->settlements[i]);
    return STATUS_OK;
}

static bool anything_waits(const struct wave *wave)
{
    for (size_t i = 0; i < wave->count; i++)
        if (wave->items[i].end.type == DEED_WAIT)
            return true;
    return false;
}

static void judge_destination(struct wave *wave)
{
    if (wave->charted > 0 && !wave->over) {
        choked_others_succeed(&wave->courier->destination, -1);
        destination_up(wave->courier);
    } else if (wave->charted == 0 && !wave->over && wave->trouble[0] && anything_waits(wave)) {
        destination_away(wave->courier, wave->trouble, wave->retry_after_ms);
    }
}

static void wave_free(struct wave *wave)
{
    if (!wave)
        return;
    for (size_t i = 0; i < wave->count && wave->items; i++) {
        json_out_clear(&wave->items[i].body);
        free(wave->items[i].said);
    }
    free(wave->items);
    free(wave->settlements);
    claim_free(wave->claim);
    free(wave);
}

static enum status go_round(struct wave *wave)
{
    struct item **list = calloc(wave->claim->count,
                                sizeof(*list)); /* NOLINT(bugprone-sizeof-expression): pointers */
    enum status status = list ? begin(wave, wave->claim) : STATUS_NO_MEMORY;

    for (size_t round = 0; status == STATUS_OK && round < ROUNDS_MOST + wave->count; round++) {
        bool looked = look_up_round(wave, list);
        bool sent = send_round(wave, list);

        if (!looked && !sent)
            break;
    }
    free(list);
    if (status != STATUS_OK)
        return status;
    leave_the_rest(wave);
    status = decide_all(wave);
    if (status == STATUS_OK) {
        note_choked(wave);
        judge_destination(wave);
    }
    return status;
}

/* Takes the claim. */
static enum status deliver(struct courier *courier, struct claim *claim)
{
    struct wave *wave = calloc(1, sizeof(*wave));
    enum status status;

    if (!wave) {
        claim_free(claim);
        return STATUS_NO_MEMORY;
    }
    wave->courier = courier;
    wave->claim = claim;
    wave->look_up_most = LOOK_UP_MOST;
    status = go_round(wave);
    if (status == STATUS_OK)
        courier->settled = wave;
    else
        wave_free(wave); /* on disk its entries are marked as tried: they are looked up when they
                            come again */
    return status;
}

/* It is on disk: now it may be told. */
static void tell_settled(struct courier *courier)
{
    const struct wave *wave = courier->settled;

    for (size_t i = 0; wave && i < wave->count; i++)
        note_outcome(&wave->items[i]);
    wave_drop(courier);
}

void wave_drop(struct courier *courier)
{
    wave_free(courier->settled);
    courier->settled = NULL;
}

bool wave_settle(struct courier *courier)
{
    const struct wave *wave = courier->settled;

    if (wave && outbox_settle(courier->outbox, wave->settlements, wave->count, clock_wall_ms()) !=
                    STATUS_OK)
        return false;
    tell_settled(courier);
    return true;
}

bool wave_run(struct courier *courier, int64_t *next_due_ms)
{
    const struct wave *settled = courier->settled;
    struct claim *claim = NULL;
    enum status status = outbox_turn(courier->outbox, settled ? settled->settlements : NULL,
                                     settled ? settled->count : 0, wave_most(courier), CLAIM_BYTES,
                                     clock_wall_ms(), &claim);

    if (status != STATUS_OK)
        return false;
    tell_settled(courier);
    *next_due_ms = claim->count > 0 ? 0 : claim->next_due_ms;
    if (claim->count > 0)
        return deliver(courier, claim) == STATUS_OK;
    claim_free(claim);
    return true;
}
