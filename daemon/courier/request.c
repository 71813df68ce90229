/* request.c - what goes over the wire for a wave: look-ups, Bundles, single creates; and what came
 * of them. */
#include <assert.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "courier/wave.h"
#include "wardpost/log.h"
#include "wardpost/metrics.h"

#define URL_ROOM    4096
#define ANSWER_MOST ((size_t)8 << 20)

static void keep_said(struct item *item, const char *text, size_t length)
{
    size_t most = length > 8192 ? 8192 : length;

    free(item->said);
    item->said = most > 0 ? malloc(most) : NULL;
    item->said_length = item->said ? most : 0;
    if (item->said)
        memcpy(item->said, text, most);
}

/* The connection, not the answer, is the trouble. */
static void all_events(struct wave *wave, struct item **items, size_t count, enum event_type type)
{
    for (size_t i = 0; i < count; i++)
        if (items[i]->todo != TODO_NOTHING)
            wave_event(wave, items[i], (struct event){.type = type});
}

static bool run(struct wave *wave, struct transfer *transfers, size_t count)
{
    if (transfers_run(wave->courier->pool, transfers, count,
                      wave->courier->options.transfers_most) == STATUS_OK)
        return true;
    wave_away(wave, "out of memory", 0);
    return false;
}

/* ---- looking up ---- */

static void look_up_url(struct wave *wave, struct item **items, size_t count, char url[URL_ROOM])
{
    int used =
        snprintf(url, URL_ROOM, "%s/Observation?_count=%zu&identifier=", wave->courier->server,
                 count * 2 + 10);

    for (size_t i = 0; i < count; i++) {
        char query[IDENTIFIER_QUERY_ROOM];
        const char *value;

        identifier_query(&items[i]->entry->id, query);
        value = strchr(query, '=') + 1;
        if (used > 0 && used < URL_ROOM)
            used += snprintf(url + used, (size_t)(URL_ROOM - used), "%s%s", i ? "," : "", value);
    }
}

/* Returns how often it is there. */
static size_t note_found(struct item *item, const struct found *found, size_t count)
{
    size_t seen = 0;

    for (size_t i = 0; i < count; i++) {
        if (!uuid_equal(&found[i].id, &item->entry->id))
            continue;
        if (seen++ == 0) {
            (void)snprintf(item->remote, sizeof(item->remote), "%s", found[i].location);
            (void)snprintf(item->version, sizeof(item->version), "%s", found[i].version);
        }
    }
    if (seen > 1) {
        metric_add(METRIC_DUPLICATES_SEEN, 1);
        log_line(LOG_LEVEL_WARNING,
                 "the server has one Observation more than once: a data-quality matter for IT");
    }
    return seen;
}

/* When there are more pages, not to be on this one says nothing: those are looked up one by one.
 * One that was asked for alone, and others come in pages: the server does not look at identifiers.
 */
static void apply_page(struct wave *wave, struct item **items, size_t count,
                       const struct found *found, size_t found_count, bool more)
{
    for (size_t i = 0; i < count; i++) {
        if (note_found(items[i], found, found_count) > 0)
            wave_event(wave, items[i], (struct event){.type = EVENT_FOUND});
        else if (!more)
            wave_event(wave, items[i], (struct event){.type = EVENT_NOT_FOUND});
        else if (count == 1)
            wave_event(wave, items[i], (struct event){.type = EVENT_CANNOT_LOOK});
    }
    if (more)
        wave->look_up_most = 1;
}

static void apply_search(struct wave *wave, struct item **items, size_t count,
                         const struct transfer *transfer)
{
    size_t room = count * 2 + 10, found_count = 0;
    struct found *found = calloc(room, sizeof(*found));
    bool more = false;
    enum status status = STATUS_NO_MEMORY;

    if (found)
        status = search_answer_read(transfer->answer ? transfer->answer : "",
                                    transfer->answer_length, found, room, &found_count, &more);
    if (status != STATUS_OK)
        wave_away(wave, "the answer to a search is no searchset", 0);
    else
        apply_page(wave, items, count, found, found_count, more);
    free(found);
}

static void judge_search(struct wave *wave, struct item **items, size_t count,
                         const struct transfer *transfer)
{
    const struct answer_rule *rule = answer_judge(transfer->status);

    if (transfer->end != TRANSFER_ANSWERED) {
        wave_away(wave, transfer->why, 0);
        return;
    }
    switch (rule->of_bundle) {
    case VERDICT_CHARTED:
        apply_search(wave, items, count, transfer);
        return;
    case VERDICT_SIGN_IN:
    case VERDICT_PAUSE:
        wave_pause(wave, rule->reason);
        return;
    case VERDICT_WAIT:
    case VERDICT_WAIT_UNSURE:
        wave_away(wave, rule->reason, transfer->retry_after_ms);
        return;
    case VERDICT_NEXT_WAY:
    case VERDICT_SPLIT:
    case VERDICT_LOOK_UP:
    case VERDICT_HOLD:
        all_events(wave, items, count, EVENT_CANNOT_LOOK);
        return;
    }
}

void request_look_up(struct wave *wave, struct item **items, size_t count)
{
    char url[URL_ROOM];
    struct transfer transfer = {.method = "GET", .url = url, .answer_most = ANSWER_MOST};

    look_up_url(wave, items, count, url);
    metric_add(METRIC_DELIVERY_LOOK_UPS, 1);
    if (run(wave, &transfer, 1))
        judge_search(wave, items, count, &transfer);
    transfer_clear(&transfer);
}

/* ---- reading back what was charted: has our new version arrived, has somebody else written? ----
 */

static void apply_read_back(struct wave *wave, struct item *item, const struct transfer *transfer)
{
    struct event event = {.type = EVENT_FOUND};
    struct read_back there;
    const char *ours;
    size_t length;
    enum status status;

    ours = item_json(item, &length);
    status = read_back_answer_read(transfer->answer ? transfer->answer : "",
                                   transfer->answer_length, ours, length, &there);
    if (status != STATUS_OK) {
        wave_away(wave, "the answer to a read is no Observation", 0);
        return;
    }
    event.same = there.same;
    event.changed =
        there.version[0] && item->version[0] && strcmp(there.version, item->version) != 0;
    if (there.version[0] && (there.same || item->delivery.accepted || item->delivery.released))
        (void)snprintf(item->version, sizeof(item->version), "%s", there.version);
    wave_event(wave, item, event);
}

static void judge_read_back(struct wave *wave, struct item *item, const struct transfer *transfer)
{
    if (transfer->end == TRANSFER_ANSWERED && transfer->status == 200)
        apply_read_back(wave, item, transfer);
    else if (transfer->end == TRANSFER_ANSWERED &&
             (transfer->status == 404 || transfer->status == 410))
        wave_event(wave, item, (struct event){.type = EVENT_NOT_FOUND});
    else
        judge_search(wave, &item, 1, transfer);
}

void request_read_back(struct wave *wave, struct item *item)
{
    char url[URL_ROOM];
    struct transfer transfer = {.method = "GET", .url = url, .answer_most = ANSWER_MOST};

    (void)snprintf(url, sizeof(url), "%s/%s", wave->courier->server, item->remote);
    metric_add(METRIC_DELIVERY_LOOK_UPS, 1);
    if (run(wave, &transfer, 1))
        judge_read_back(wave, item, &transfer);
    transfer_clear(&transfer);
}

/* ---- what one answer means for one item ---- */

struct one_answer {
    long status;
    const char *location, *version; /* "Observation/123", "3"; "" when not said */
    const char *text;
    size_t length;
    int64_t retry_after_ms;
    bool in_bundle;
};

static void note_where(struct item *item, const struct one_answer *answer)
{
    char id[UUID_TEXT_ROOM];

    if (answer->location[0]) {
        (void)snprintf(item->remote, sizeof(item->remote), "%s", answer->location);
    } else if (item->delivery.way == WAY_UPDATE_AS_CREATE && !item->delivery.update) {
        uuid_text(&item->entry->id, id);
        (void)snprintf(item->remote, sizeof(item->remote), "Observation/%s", id);
    }
    if (answer->version[0])
        (void)snprintf(item->version, sizeof(item->version), "%s", answer->version);
}

/* The next correction must know which version it amends, where the server has versions at all. */
static bool lacks_version(const struct item *item, const struct one_answer *answer)
{
    return item->delivery.update && item->delivery.corrected && item->version[0] &&
           !answer->version[0];
}

static void note_destination(struct wave *wave, const struct one_answer *answer,
                             enum verdict verdict, const struct item *item)
{
    const struct answer_rule *rule = answer_judge(answer->status);

    if (verdict == VERDICT_PAUSE || (verdict == VERDICT_SIGN_IN && item->todo == TODO_NOTHING)) {
        wave_pause(wave, rule->reason);
    } else if (verdict == VERDICT_WAIT || verdict == VERDICT_WAIT_UNSURE) {
        (void)snprintf(wave->trouble, sizeof(wave->trouble), "%s", rule->reason);
        if (answer->retry_after_ms > wave->retry_after_ms)
            wave->retry_after_ms = answer->retry_after_ms;
    }
}

static void apply_answer(struct wave *wave, struct item *item, const struct one_answer *answer)
{
    enum verdict verdict = answer_verdict(&item->delivery, answer->status, answer->in_bundle);
    struct event event = {.type = EVENT_ANSWER,
                          .http_status = answer->status,
                          .in_bundle = answer->in_bundle,
                          .retry_after_ms = answer->retry_after_ms};

    item->http_status = answer->status;
    if (verdict == VERDICT_CHARTED)
        note_where(item, answer);
    else
        keep_said(item, answer->text, answer->length);
    event.has_location = item->remote[0] != '\0' && !lacks_version(item, answer);
    event.duplicate = answer->length > 0 && verdict != VERDICT_CHARTED &&
                      outcome_is_duplicate(answer->text, answer->length);
    wave_event(wave, item, event);
    note_destination(wave, answer, verdict, item);
}

/* ---- a Bundle ---- */

/* It may be there, or is: to be looked up before it is sent again. */
static bool leaves_doubt(long status)
{
    enum verdict verdict = answer_judge(status)->in_bundle;

    return verdict == VERDICT_LOOK_UP || verdict == VERDICT_WAIT_UNSURE;
}

static void apply_entries(struct wave *wave, struct item **items, size_t count,
                          const struct transfer *transfer)
{
    struct entry_answer *answers;
    enum status status = STATUS_NO_MEMORY;

    assert(count > 0);
    answers = calloc(count, sizeof(*answers));
    if (answers)
        status = batch_answer_read(transfer->answer ? transfer->answer : "",
                                   transfer->answer_length, count, answers);
    for (size_t i = 0; i < count && status == STATUS_OK; i++) {
        struct one_answer answer = {answers[i].status,
                                    answers[i].location,
                                    answers[i].version,
                                    answers[i].outcome,
                                    answers[i].outcome_length,
                                    transfer->retry_after_ms,
                                    true};

        if (items[i]->todo != TODO_NOTHING ||
            answers[i].status < 300) /* one held back behind another may be there all the same */
            apply_answer(wave, items[i], &answer);
        else if (leaves_doubt(answers[i].status))
            items[i]->end.ambiguous = true;
        entry_answer_clear(&answers[i]);
    }
    free(answers);
    if (status == STATUS_OK)
        return;
    all_events(wave, items, count, EVENT_LOST);
    wave_away(wave, "the answer to a Bundle is no batch-response with as many entries", 0);
}

static void halve(struct wave *wave, size_t count)
{
    struct destination *destination = &wave->courier->destination;

    destination->batch_now = count / 2 > 0 ? count / 2 : 1;
}

/* What stands for all of it when the Bundle as a whole was not taken. */
static void all_wait(struct wave *wave, struct item **items, size_t count,
                     const struct transfer *transfer)
{
    for (size_t i = 0; i < count; i++) {
        struct one_answer answer = {
            transfer->status,         "",   "", transfer->answer, transfer->answer_length,
            transfer->retry_after_ms, false};

        items[i]->delivery.tries = 2; /* no second try of its own: the Bundle was the try */
        if (items[i]->todo != TODO_NOTHING)
            apply_answer(wave, items[i], &answer);
        if (count > 1 && items[i]->delivery.server_errors > 0)
            items[i]->delivery.server_errors--; /* nobody knows whose fault it was */
    }
}

static void judge_bundle(struct wave *wave, struct item **items, size_t count,
                         const struct transfer *transfer)
{
    const struct answer_rule *rule = answer_judge(transfer->status);

    switch (rule->of_bundle) {
    case VERDICT_CHARTED:
        apply_entries(wave, items, count, transfer);
        return;
    case VERDICT_NEXT_WAY:
        wave->courier->destination.batches = false; /* until it is met again */
        log_line(LOG_LEVEL_WARNING, "the server answers %ld to a Bundle: going on one by one",
                 transfer->status);
        return;
    case VERDICT_SPLIT:
        halve(wave, count);
        return;
    case VERDICT_SIGN_IN:
    case VERDICT_PAUSE:
        all_wait(wave, items, count, transfer);
        wave_pause(wave, rule->reason);
        return;
    case VERDICT_WAIT:
        all_wait(wave, items, count, transfer);
        wave_away(wave, rule->reason, transfer->retry_after_ms);
        return;
    case VERDICT_LOOK_UP:
    case VERDICT_WAIT_UNSURE:
    case VERDICT_HOLD:
        halve(wave, count);
        all_wait(wave, items, count, transfer);
        wave_away(wave, rule->reason, transfer->retry_after_ms);
        return;
    }
}

static void fill_bundle(struct item **items, size_t count, struct bundle_entry *entries)
{
    for (size_t i = 0; i < count; i++) {
        const struct item *item = items[i];

        entries[i] = (struct bundle_entry){.id = item->entry->id,
                                           .update = item->delivery.update,
                                           .remote = item->remote,
                                           .version = item->version[0] ? item->version : NULL};
        entries[i].json = item_json(item, &entries[i].length);
    }
}

/* What one Bundle carries. */
struct parcel {
    struct item **items;
    size_t count;
    struct json_out body;
};

static size_t emptiest(const struct parcel *parcels, size_t count)
{
    size_t least = 0;

    for (size_t i = 1; i < count; i++)
        if (parcels[i].count < parcels[least].count)
            least = i;
    return least;
}

/* All of one patient go into one Bundle, in their order; those for whom it has no room come in the
 * next round. Patients are told apart by a hash: two that share one only share a Bundle. */
static void share_out(struct item **items, size_t count, struct parcel *parcels,
                      size_t parcels_count, size_t most)
{
    struct {
        uint32_t patient;
        uint8_t parcel; /* from 1 on; 0: free */
    } known[2 * ITEMS_MOST] = {{0}};

    for (size_t i = 0; i < count; i++) {
        size_t at = items[i]->patient % (2 * ITEMS_MOST);
        struct parcel *parcel;

        while (known[at].parcel && known[at].patient != items[i]->patient)
            at = (at + 1) % (2 * ITEMS_MOST);
        if (!known[at].parcel) {
            known[at].patient = items[i]->patient;
            known[at].parcel = (uint8_t)(emptiest(parcels, parcels_count) + 1);
        }
        parcel = &parcels[known[at].parcel - 1];
        if (parcel->count < most)
            parcel->items[parcel->count++] = items[i];
    }
}

static bool write_parcel(const struct wave *wave, struct parcel *parcel)
{
    struct bundle_entry *entries = calloc(parcel->count, sizeof(*entries));
    bool put = wave->courier->destination.way == WAY_UPDATE_AS_CREATE;

    if (!entries)
        return false;
    fill_bundle(parcel->items, parcel->count, entries);
    bundle_batch(entries, parcel->count, put ? BUNDLE_UPDATE_AS_CREATE : BUNDLE_CONDITIONAL_CREATE,
                 &parcel->body);
    free(entries);
    return json_out_text(&parcel->body) != NULL;
}

static void judge_parcel(struct wave *wave, const struct parcel *parcel,
                         const struct transfer *transfer)
{
    if (transfer->end == TRANSFER_ANSWERED) {
        judge_bundle(wave, parcel->items, parcel->count, transfer);
        return;
    }
    if (transfer->end != TRANSFER_NOT_SENT)
        metric_add(METRIC_DELIVERY_LOST_ANSWERS, 1);
    all_events(wave, parcel->items, parcel->count,
               transfer->end == TRANSFER_NOT_SENT ? EVENT_NOT_SENT : EVENT_LOST);
    wave_away(wave, transfer->why[0] ? transfer->why : "no answer", 0);
}

static void send_parcels(struct wave *wave, struct parcel *parcels, size_t count)
{
    struct transfer transfers[BUNDLES_MOST] = {{0}};

    for (size_t i = 0; i < count; i++) {
        transfers[i] = (struct transfer){.method = "POST",
                                         .url = wave->courier->server,
                                         .answer_most = ANSWER_MOST,
                                         .body = parcels[i].body.text,
                                         .body_length = parcels[i].body.length};
        metric_add(METRIC_DELIVERY_ATTEMPTS, (int64_t)parcels[i].count);
        for (size_t j = 0; j < parcels[i].count; j++)
            parcels[i].items[j]->tried = true;
    }
    if (run(wave, transfers, count))
        for (size_t i = 0; i < count; i++)
            judge_parcel(wave, &parcels[i], &transfers[i]);
    for (size_t i = 0; i < count; i++)
        transfer_clear(&transfers[i]);
}

void request_bundles(struct wave *wave, struct item **items, size_t count, size_t most,
                     size_t at_once)
{
    struct item **lists = calloc(at_once * most, sizeof(struct item *)); /* NOLINT: pointers */
    struct parcel parcels[BUNDLES_MOST] = {{0}};
    size_t written = 0;

    assert(at_once >= 1 && at_once <= BUNDLES_MOST && count <= ITEMS_MOST);
    for (size_t i = 0; i < at_once; i++)
        parcels[i] = (struct parcel){.items = lists + i * most};
    if (lists)
        share_out(items, count, parcels, at_once, most);
    while (lists && written < at_once && parcels[written].count > 0 &&
           write_parcel(wave, &parcels[written]))
        written++;
    if (lists && (written == at_once || parcels[written].count == 0))
        send_parcels(wave, parcels, written);
    else
        wave_away(wave, "out of memory", 0);
    for (size_t i = 0; i < at_once; i++)
        json_out_clear(&parcels[i].body);
    free(lists);
}

/* ---- one by one ---- */

struct single {
    char url[URL_ROOM];
    char if_none_exist[IDENTIFIER_QUERY_ROOM];
    char if_match[112];
};

static void fill_single(struct wave *wave, const struct item *item, struct single *single,
                        struct transfer *transfer)
{
    char id[UUID_TEXT_ROOM];

    uuid_text(&item->entry->id, id);
    *transfer = (struct transfer){.method = "POST", .url = single->url, .answer_most = ANSWER_MOST};
    transfer->body = item_json(item, &transfer->body_length);
    if (item->delivery.update) {
        (void)snprintf(single->url, URL_ROOM, "%s/%s", wave->courier->server, item->remote);
        transfer->method = "PUT";
        if (item->version[0]) {
            (void)snprintf(single->if_match, sizeof(single->if_match), "W/\"%s\"", item->version);
            transfer->if_match = single->if_match;
        }
    } else if (item->delivery.way == WAY_UPDATE_AS_CREATE) {
        (void)snprintf(single->url, URL_ROOM, "%s/Observation/%s", wave->courier->server, id);
        transfer->method = "PUT";
    } else {
        (void)snprintf(single->url, URL_ROOM, "%s/Observation", wave->courier->server);
        if (item->delivery.way == WAY_CONDITIONAL_CREATE) {
            identifier_query(&item->entry->id, single->if_none_exist);
            transfer->if_none_exist = single->if_none_exist;
        }
    }
}

static void judge_single(struct wave *wave, struct item *item, const struct transfer *transfer)
{
    char location[256] = "", version[80] = "";
    const char *why = transfer->why[0] ? transfer->why : "no answer";
    struct one_answer answer = {.status = transfer->status,
                                .location = location,
                                .version = version,
                                .text = transfer->answer,
                                .length = transfer->answer_length,
                                .retry_after_ms = transfer->retry_after_ms};

    if (transfer->end == TRANSFER_ANSWERED) {
        if (!location_read(transfer->location, location, version))
            location[0] = version[0] = '\0';
        if (!version[0])
            etag_read(transfer->version, version);
        apply_answer(wave, item, &answer);
        return;
    }
    if (transfer->end != TRANSFER_NOT_SENT)
        metric_add(METRIC_DELIVERY_LOST_ANSWERS, 1);
    wave_event(
        wave, item,
        (struct event){.type = transfer->end == TRANSFER_NOT_SENT ? EVENT_NOT_SENT : EVENT_LOST});
    (void)snprintf(wave->trouble, sizeof(wave->trouble), "%s", why);
    if (transfer->end == TRANSFER_NOT_SENT)
        wave_away(wave, why, 0);
}

void request_alone(struct wave *wave, struct item **items, size_t count)
{
    struct transfer *transfers = calloc(count, sizeof(*transfers));
    struct single *singles = calloc(count, sizeof(*singles));

    if (!transfers || !singles) {
        wave_away(wave, "out of memory", 0);
        goto done;
    }
    metric_add(METRIC_DELIVERY_ATTEMPTS, (int64_t)count);
    for (size_t i = 0; i < count; i++) {
        items[i]->tried = true;
        fill_single(wave, items[i], &singles[i], &transfers[i]);
    }
    if (run(wave, transfers, count))
        for (size_t i = 0; i < count; i++)
            judge_single(wave, items[i], &transfers[i]);
    for (size_t i = 0; i < count; i++)
        transfer_clear(&transfers[i]);
done:
    free(singles);
    free(transfers);
}
