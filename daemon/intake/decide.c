/* decide.c - POST /v1/readings/{id}/release and /discard: a person decides about a held reading. */
#include <stdlib.h>
#include <string.h>

#include "intake/exchange.h"
#include "intake/submission_parts.h"
#include "wardpost/json_in.h"
#include "wardpost/log.h"
#include "wardpost/moment.h"

struct decision {
    json_t *body;
    const char *reason, *by;
    bool numbered; /* about a refusal */
    struct decimal number;
};

static const char *text_of(const json_t *body, const char *name, size_t most, bool required,
                           struct problems *problems)
{
    const json_t *value = json_object_get(body, name);
    char pointer[32];

    pointer_join(pointer, sizeof(pointer), "", name);
    if (!value && required)
        problem_add(problems, PROBLEM_MISSING_FIELD, pointer, "say %s", name);
    if (!value)
        return NULL;
    if (!text_is(value) || json_string_length(value) == 0 || json_string_length(value) > most) {
        problem_add(problems, PROBLEM_WRONG_TYPE, pointer, "a text of 1 to %zu bytes", most);
        return NULL;
    }
    return json_string_value(value);
}

static void read_number(const json_t *body, struct decision *decision, struct problems *problems)
{
    if (!digits_decimal(json_object_get(body, "number"), &decision->number) ||
        decision->number.scale > 0)
        problem_add(problems, PROBLEM_MISSING_FIELD, "/number", "the number of the refusal");
}

static void unknown_members(const json_t *body, bool numbered, struct problems *problems)
{
    const char *name;
    json_t *value;

    json_object_foreach(json_walk(body), name, value)
    {
        char pointer[160];

        if (strcmp(name, "reason") == 0 || strcmp(name, "by") == 0 ||
            (numbered && strcmp(name, "number") == 0))
            continue;
        pointer_join(pointer, sizeof(pointer), "", name);
        problem_add(problems, PROBLEM_UNKNOWN_FIELD, pointer, "known here: reason, by%s",
                    numbered ? ", number" : "");
    }
}

/* True: the decision is whole. Otherwise the reply is there. */
static bool read_decision(struct exchange *exchange, struct decision *decision)
{
    struct problems problems = PROBLEMS_INIT;
    struct json_fault fault = {0};
    enum status status =
        json_in(exchange->body.bytes, exchange->body.length, &decision->body, &fault);

    if (status == STATUS_INVALID)
        problem_add_fault(&problems, &fault);
    if (status == STATUS_OK) {
        decision->reason = text_of(decision->body, "reason", 500, true, &problems);
        decision->by = text_of(decision->body, "by", 100, true, &problems);
        if (decision->numbered)
            read_number(decision->body, decision, &problems);
        unknown_members(decision->body, decision->numbered, &problems);
        if (decision->by && !client_may_name(&exchange->client, decision->by))
            problem_add(&problems, PROBLEM_NOT_ALLOWED, "/by",
                        exchange->client.signed_in ? "this is not the person who is signed in"
                                                   : "this token may not name that practitioner");
    }
    if (problems.count > 0)
        reply_problem(exchange, status == STATUS_INVALID ? 400 : 422, "cannot be decided",
                      "Nothing was changed.", &problems);
    else if (status != STATUS_OK)
        reply_status(exchange, status);
    problems_clear(&problems);
    return exchange->answered == false;
}

static void reply_decided(struct exchange *exchange, enum status status, const char *word)
{
    struct json_out out = JSON_OUT_INIT;
    char id[UUID_TEXT_ROOM];

    if (status != STATUS_OK) {
        reply_status(exchange, status);
        return;
    }
    uuid_text(&exchange->id, id);
    log_line(LOG_LEVEL_INFO, "reading=%.8s %s by a person", id, word);
    out_object(&out);
    out_member(&out, "id", id);
    out_member(&out, "state", word);
    out_object_end(&out);
    reply_json(exchange, 200, &out);
}

void take_discard(struct exchange *exchange)
{
    struct decision decision = {0};
    enum status status;

    if (read_decision(exchange, &decision)) {
        status = outbox_discard(exchange->intake->parts.outbox, &exchange->id, decision.reason,
                                decision.by, clock_wall_ms());
        reply_decided(exchange, status, entry_state_text(ENTRY_DISCARDED));
    }
    json_decref(decision.body);
}

/* A person has worked off what could not be taken: it leaves the list and stays on disk. */
void take_refusal_done(struct exchange *exchange)
{
    struct decision decision = {.numbered = true};
    struct json_out out = JSON_OUT_INIT;
    enum status status;

    if (read_decision(exchange, &decision)) {
        status = outbox_refusal_done(exchange->intake->parts.outbox, decision.number.digits,
                                     decision.reason, decision.by, clock_wall_ms());
        if (status != STATUS_OK) {
            reply_status(exchange, status);
        } else {
            out_object(&out);
            out_member_decimal(&out, "number", decision.number);
            out_member(&out, "state", "done");
            out_object_end(&out);
            reply_json(exchange, 200, &out);
        }
    }
    json_decref(decision.body);
}

/* ---- release ---- */

struct held {
    bool unmapped, is_held;
    char *sent;
    size_t length;
    int64_t accepted_ms;
    char client[CLIENT_NAME_ROOM];
};

static bool held_seen(void *context, const struct outbox_row *row)
{
    struct held *held = context;

    held->is_held = row->state == ENTRY_HELD;
    held->unmapped = row->became == NULL;
    held->accepted_ms = row->accepted_ms;
    if (held->unmapped && row->sent) {
        held->sent = malloc(row->sent_length);
        if (held->sent)
            memcpy(held->sent, row->sent, row->sent_length);
        held->length = row->sent_length;
    }
    return false;
}

/* What was kept unmapped is read again, now with a person's word that it is true, and becomes what
 * it would have become. */
static enum status release_unmapped(struct exchange *exchange, const struct held *held,
                                    const struct decision *decision)
{
    struct submission_frame frame = {.intake = exchange->intake,
                                     .client = &exchange->client,
                                     .again = true,
                                     .again_id = exchange->id,
                                     .again_now_ms = held->accepted_ms};
    struct submission *submission = NULL;
    enum status status = held->sent
                             ? submission_make_alone(&frame, held->sent, held->length, &submission)
                             : STATUS_NO_MEMORY;

    if (status != STATUS_OK)
        return status;
    if (submission->status != 201) {
        reply_problem(exchange, 422, "cannot be released", submission->detail,
                      &submission->problems);
    } else {
        size_t count = submission_entries_of_reading(submission);

        status = count == 0 ? STATUS_CONFLICT
                            : outbox_release_mapped(exchange->intake->parts.outbox,
                                                    submission->entries, count, decision->reason,
                                                    decision->by, clock_wall_ms());
    }
    submission_free(submission);
    return status;
}

static enum status find_held(struct exchange *exchange, struct held *held)
{
    struct outbox_reader *reader;
    enum status status = intake_reader(exchange->intake, &reader);

    if (status != STATUS_OK)
        return status;
    status = outbox_find(reader, &exchange->id, held_seen, held);
    intake_reader_done(exchange->intake, reader);
    return status == STATUS_OK && !held->is_held ? STATUS_CONFLICT : status;
}

void take_release(struct exchange *exchange)
{
    struct decision decision = {0};
    struct held held = {0};
    enum status status;

    if (read_decision(exchange, &decision)) {
        status = find_held(exchange, &held);
        if (status == STATUS_OK && held.unmapped)
            status = release_unmapped(exchange, &held, &decision);
        else if (status == STATUS_OK)
            status = outbox_release(exchange->intake->parts.outbox, &exchange->id, decision.reason,
                                    decision.by, clock_wall_ms());
        if (!exchange->answered)
            reply_decided(exchange, status, entry_state_text(ENTRY_WAITING));
    }
    free(held.sent);
    json_decref(decision.body);
}
