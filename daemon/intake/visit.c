/* visit.c - POST /v1/presence: who has a set open on a patient says so, and is told who else has,
 * and what was taken last. */
#include <string.h>

#include "intake/answers.h"
#include "intake/live.h"
#include "intake/parsing.h"
#include "intake/submission_parts.h"
#include "wardpost/json_in.h"
#include "wardpost/moment.h"

struct asked {
    json_t *body;
    char patient[PATIENT_KEY_ROOM];
    struct uuid set;
    bool end;
};

static void read_set(const struct spot *body, struct uuid *out)
{
    const char *text = spot_word(body, "set", true);

    if (text && !uuid_parse(text, strlen(text), out))
        spot_problem(body, "set", PROBLEM_MALFORMED,
                     "a UUID is due here: 8-4-4-4-12 hexadecimal digits");
}

static void read_body(struct asked *asked, struct problems *problems)
{
    static const char *const names[] = {"patient", "set", "end"};
    static const struct reading_frame frame = {.patient_optional = false};
    const struct spot body = {asked->body, "", problems};
    struct set set = {.body = asked->body};
    struct parsing parsing = {.frame = &frame, .problems = problems, .set = &set};

    if (!json_is_object(asked->body)) {
        spot_problem(&body, NULL, PROBLEM_WRONG_TYPE, "an object is due here");
        return;
    }
    SPOT_NO_STRANGERS(&body, names);
    parse_patient(&parsing);
    patient_key(&set.patient, asked->patient);
    read_set(&body, &asked->set);
    asked->end = spot_bool(&body, "end", false);
}

/* True: it is whole. Otherwise the reply is there. */
static bool read_asked(struct exchange *exchange, struct asked *asked)
{
    struct problems problems = PROBLEMS_INIT;
    struct json_fault fault = {0};
    enum status status = json_in(exchange->body.bytes, exchange->body.length, &asked->body, &fault);
    bool broken = status == STATUS_INVALID, good;

    if (broken)
        problem_add_fault(&problems, &fault);
    else if (status == STATUS_OK)
        read_body(asked, &problems);
    if (problems.no_memory)
        status = STATUS_NO_MEMORY;
    good = status == STATUS_OK && problems.count == 0;
    if (status == STATUS_NO_MEMORY)
        reply_status(exchange, status);
    else if (!good)
        reply_problem(exchange, broken ? 400 : 422, "cannot be understood", "See what is listed.",
                      &problems);
    problems_clear(&problems);
    return good;
}

/* ---- the patient's last set ---- */

static void by_out(const struct outbox_row *row, struct json_out *out)
{
    struct json_fault fault;
    json_t *sent = NULL;

    if (row->sent && json_in(row->sent, row->sent_length, &sent, &fault) == STATUS_OK)
        out_member_if(out, "by", json_string_value(json_object_get(sent, "by")));
    json_decref(sent);
}

static bool on_last(void *context, const struct outbox_row *row)
{
    struct json_out *out = context;
    char id[UUID_TEXT_ROOM], taken[MOMENT_TEXT_ROOM];

    uuid_text(&row->set, id);
    moment_text((struct moment){.ms = row->taken_ms}, taken);
    out_object(out);
    out_member(out, "set", id);
    out_member(out, "taken", taken);
    by_out(row, out);
    out_object_end(out);
    return false;
}

/* null: there is none, or the caller may not read. */
static enum status last_set_out(struct exchange *exchange, const char *patient,
                                struct json_out *out)
{
    const struct outbox_search search = {OUTBOX_SEARCH_OPEN, .patient = patient, .mains_only = true,
                                         .most = 1};
    const size_t before = out->length;
    struct outbox_reader *reader;
    enum status status = STATUS_OK;

    if (client_may(&exchange->client, RIGHT_READ)) {
        status = intake_reader(exchange->intake, &reader);
        if (status != STATUS_OK)
            return status;
        status = outbox_search(reader, &search, on_last, out);
        intake_reader_done(exchange->intake, reader);
    }
    if (status == STATUS_OK && out->length == before)
        out_null(out);
    return status;
}

/* ---- the route ---- */

static enum status answer(struct exchange *exchange, const struct asked *asked,
                          struct json_out *out)
{
    struct live *live = exchange->intake->live;
    struct visit visit = {.patient = live_patient(live, asked->patient), .set = asked->set};
    char key[PATIENT_HASH_TEXT];

    (void)snprintf(visit.who, sizeof(visit.who), "%s", exchange->client.name);
    (void)snprintf(visit.display, sizeof(visit.display), "%s",
                   exchange->client.signed_in ? exchange->person.display : exchange->client.name);
    patient_hash_text(&visit.patient, key);
    out_object(out);
    out_member(out, "patient-key", key);
    out_name(out, "others");
    live_visit(live, &visit, asked->end, out);
    out_name(out, "last-set");
    if (last_set_out(exchange, asked->patient, out) != STATUS_OK)
        return STATUS_IO;
    out_object_end(out);
    return STATUS_OK;
}

void take_presence(struct exchange *exchange)
{
    struct asked asked = {.body = NULL};
    struct json_out out = JSON_OUT_INIT;
    enum status status;

    if (read_asked(exchange, &asked)) {
        status = answer(exchange, &asked, &out);
        if (status == STATUS_OK)
            reply_json(exchange, 200, &out);
        else
            reply_status(exchange, status);
        json_out_clear(&out);
    }
    json_decref(asked.body);
}
