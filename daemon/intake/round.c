/* round.c - POST /v1/round/_search and /v1/patients/_order: who is due, and by whose order. */
#include "wardpost/round.h"

#include <string.h>

#include "intake/answers.h"
#include "intake/parsing.h"
#include "wardpost/json_in.h"
#include "wardpost/log.h"
#include "wardpost/moment.h"
#include "wardpost/orders.h"

#define MINUTE_MS        60000
#define INTERVAL_MOST    10080 /* minutes: a week */
#define REMINDER_MOST_MS ((int64_t)7 * 86400000)

/* Reads the body as JSON. False: the reply is there. */
static bool read_body(struct exchange *exchange, json_t **out)
{
    struct problems problems = PROBLEMS_INIT;
    struct json_fault fault;
    enum status status = json_in(exchange->body.bytes, exchange->body.length, out, &fault);

    if (status == STATUS_INVALID) {
        problem_add_fault(&problems, &fault);
        reply_problem(exchange, 400, "no JSON", "Nothing was changed.", &problems);
    } else if (status != STATUS_OK) {
        reply_status(exchange, status);
    }
    problems_clear(&problems);
    return status == STATUS_OK;
}

/* ---- the round ---- */

static void reply_round(struct exchange *exchange, const char *ward, size_t most)
{
    const struct settings *settings = exchange->intake->parts.settings;
    struct json_out out = JSON_OUT_INIT;
    struct kinds *kinds = intake_kinds(exchange->intake);
    struct round round = {.kinds = kinds,
                          .now_ms = clock_wall_ms(),
                          .soon_ms = settings->round_soon_ms,
                          .usual_minutes = (int)(settings->round_interval_ms / MINUTE_MS),
                          .out = &out};
    enum status status = intake_reader(exchange->intake, &round.reader);

    if (status == STATUS_OK) {
        status = view_round(&round, ward, most);
        intake_reader_done(exchange->intake, round.reader);
    }
    if (status == STATUS_OK)
        reply_json(exchange, 200, &out);
    else
        reply_status(exchange, status);
    json_out_clear(&out);
    kinds_free(kinds);
}

void answer_round(struct exchange *exchange)
{
    static const char *const names[] = {"ward", "count"};
    struct problems problems = PROBLEMS_INIT;
    int64_t count = ROUND_MOST;
    struct spot spot = {NULL, "", &problems};
    json_t *body = NULL;
    const char *ward;

    if (!read_body(exchange, &body))
        return;
    spot.json = body;
    SPOT_NO_STRANGERS(&spot, names);
    ward = spot_line(&spot, "ward", PATIENT_TEXT_MOST, false);
    (void)spot_whole(&spot, "count", 1, ROUND_MOST, &count);
    if (problems.count > 0)
        reply_problem(exchange, 422, "cannot be searched", "See what is listed.", &problems);
    else
        reply_round(exchange, ward, (size_t)count);
    problems_clear(&problems);
    json_decref(body);
}

/* ---- an order ---- */

static void read_patient(const struct spot *spot, char key[PATIENT_KEY_ROOM])
{
    static const char *const names[] = {"identifier", "birthDate", "family"};
    struct patient identifier = {.given = false};
    char pointer[SPOT_POINTER];
    struct spot patient;

    if (!spot_due(spot, "patient") || !spot_inner(spot, "patient", "identifier", pointer, &patient))
        return;
    SPOT_NO_STRANGERS(&patient, names);
    parse_identifier(&patient, &identifier);
    if (identifier.given)
        (void)snprintf(key, PATIENT_KEY_ROOM, "%s|%s", identifier.system, identifier.value);
}

/* null, or left out: the whole set. */
static const char *read_kind(struct exchange *exchange, const struct spot *spot)
{
    struct kinds *kinds;
    const char *kind, *near;

    if (json_is_null(json_object_get(spot->json, "kind")))
        return "";
    kind = spot_word(spot, "kind", false);
    if (!kind)
        return "";
    kinds = intake_kinds(exchange->intake);
    near = kinds_find(kinds, kind) ? kind : kinds_nearest(kinds, kind);
    if (!kinds_find(kinds, kind))
        spot_problem(spot, "kind", PROBLEM_UNKNOWN_KIND, "no such kind%s%s",
                     near ? "; nearest: " : "", near ? near : "");
    kinds_free(kinds);
    return kind;
}

static void read_when(const struct spot *spot, struct watch_order *order)
{
    const char *at = spot_word(spot, "at", false);
    struct moment moment;
    int64_t interval = -1;

    (void)spot_whole(spot, "interval-minutes", 0, INTERVAL_MOST, &interval);
    order->interval_minutes = (int)interval;
    if (at && spot_has(spot, "interval-minutes"))
        spot_problem(spot, "at", PROBLEM_NOT_ALLOWED, "either interval-minutes or at");
    if (!at)
        return;
    if (moment_parse(at, strlen(at), &moment) != MOMENT_FINE)
        spot_problem(spot, "at", PROBLEM_BAD_TIME, "a time with seconds and zone is due here");
    else if (moment.ms <= order->made_ms || moment.ms > order->made_ms + REMINDER_MOST_MS)
        spot_problem(spot, "at", PROBLEM_BAD_TIME, "a time ahead, within a week, is due here");
    else
        order->at_ms = moment.ms;
}

static void read_order(struct exchange *exchange, const struct spot *spot,
                       struct watch_order *order, char key[PATIENT_KEY_ROOM])
{
    static const char *const names[] = {"patient", "kind",   "interval-minutes",
                                        "at",      "reason", "by"};

    SPOT_NO_STRANGERS(spot, names);
    read_patient(spot, key);
    order->patient = key;
    order->made_ms = clock_wall_ms();
    order->kind = read_kind(exchange, spot);
    read_when(spot, order);
    order->reason = spot_text(spot, "reason", 100, true);
    order->by = spot_line(spot, "by", 100, true);
    if (order->by && !client_may_name(&exchange->client, order->by))
        spot_problem(spot, "by", PROBLEM_NOT_ALLOWED, "this token may not name that practitioner");
}

static void reply_ordered(struct exchange *exchange, const struct watch_order *order)
{
    struct json_out out = JSON_OUT_INIT;
    char text[MOMENT_TEXT_ROOM];

    out_object(&out);
    out_member(&out, "kind", order->kind[0] ? order->kind : NULL);
    if (order->interval_minutes >= 0)
        out_member_integer(&out, "interval-minutes", order->interval_minutes);
    if (order->at_ms > 0) {
        moment_text((struct moment){order->at_ms, 0}, text);
        out_member(&out, "at", text);
    }
    out_member(&out, "state",
               order->interval_minutes >= 0 || order->at_ms > 0 ? "ordered" : "ended");
    out_object_end(&out);
    reply_json(exchange, 200, &out);
}

void take_order(struct exchange *exchange)
{
    struct problems problems = PROBLEMS_INIT;
    struct watch_order order = {.interval_minutes = -1};
    struct spot spot = {NULL, "", &problems};
    char key[PATIENT_KEY_ROOM] = "";
    json_t *body = NULL;
    enum status status;

    if (!read_body(exchange, &body))
        return;
    spot.json = body;
    read_order(exchange, &spot, &order, key);
    if (problems.count > 0) {
        reply_problem(exchange, 422, "cannot be ordered", "Nothing was changed.", &problems);
    } else {
        status = outbox_order(exchange->intake->parts.outbox, &order);
        if (status == STATUS_OK)
            reply_ordered(exchange, &order);
        else
            reply_status(exchange, status);
    }
    problems_clear(&problems);
    json_decref(body);
}
