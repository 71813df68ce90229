/* answers.c - the routes that only look: each lets `view` write the document and says which media
 * type it is. */
#include <stdlib.h>
#include <string.h>

#include "intake/answers.h"
#include "wardpost/json_in.h"
#include "wardpost/metrics.h"
#include "wardpost/moment.h"
#include "wardpost/view.h"
#include "wardpost/web.h"

#define FHIR_JSON       "application/fhir+json; charset=utf-8"
#define PARAMETERS_MOST 32

static struct outbox_reader *reader_or_reply(struct exchange *exchange)
{
    struct outbox_reader *reader = NULL;
    enum status status = intake_reader(exchange->intake, &reader);

    if (status != STATUS_OK)
        reply_status(exchange, status);
    return status == STATUS_OK ? reader : NULL;
}

static void reply_out(struct exchange *exchange, enum status status, const char *type,
                      struct json_out *out)
{
    size_t length = 0;
    char *text;

    if (status != STATUS_OK) {
        reply_status(exchange, status);
        json_out_clear(out);
        return;
    }
    text = json_out_take(out, &length);
    reply_text(exchange, 200, type, text, length);
}

/* Is the word among what is taken, and not with a weight of nought? */
static bool takes_coding(struct exchange *exchange, const char *word)
{
    const char *at = exchange_header(exchange, "Accept-Encoding");
    size_t length = strlen(word);

    for (; at && *at; at += strcspn(at, ","), at += strspn(at, ", "))
        if (strncmp(at, word, length) == 0 && strchr(",; ", at[length]))
            return strncmp(at + length + strspn(at + length, " "), ";q=0", 4) != 0;
    return false;
}

bool exchange_takes_gzip(struct exchange *exchange)
{
    return takes_coding(exchange, "gzip");
}

/* ---- our own ---- */

void answer_reading(struct exchange *exchange)
{
    struct outbox_reader *reader = reader_or_reply(exchange);
    struct json_out out = JSON_OUT_INIT;

    if (!reader)
        return;
    reply_out(exchange, view_reading(reader, &exchange->id, &out), "application/json", &out);
    intake_reader_done(exchange->intake, reader);
}

static enum status search(struct exchange *exchange, struct outbox_reader *reader, json_t *body,
                          struct json_out *out, struct problems *problems)
{
    struct kinds *kinds = intake_kinds(exchange->intake);
    enum status status = view_readings(reader, kinds, body, out, problems);

    kinds_free(kinds);
    return status;
}

void answer_readings(struct exchange *exchange)
{
    struct outbox_reader *reader = reader_or_reply(exchange);
    struct problems problems = PROBLEMS_INIT;
    struct json_out out = JSON_OUT_INIT;
    struct json_fault fault = {0};
    json_t *body = NULL;
    enum status status;

    if (!reader)
        return;
    status = json_in(exchange->body.bytes, exchange->body.length, &body, &fault);
    if (status == STATUS_INVALID)
        problem_add_fault(&problems, &fault);
    else if (status == STATUS_OK)
        status = search(exchange, reader, body, &out, &problems);
    if (status == STATUS_INVALID) {
        reply_problem(exchange, body ? 422 : 400, "cannot be searched", "See what is listed.",
                      &problems);
        json_out_clear(&out);
    } else {
        reply_out(exchange, status, "application/json", &out);
    }
    json_decref(body);
    problems_clear(&problems);
    intake_reader_done(exchange->intake, reader);
}

void answer_refusals(struct exchange *exchange)
{
    struct outbox_reader *reader = reader_or_reply(exchange);
    struct json_out out = JSON_OUT_INIT;

    if (!reader)
        return;
    reply_out(exchange, view_refusals(reader, &out), "application/json", &out);
    intake_reader_done(exchange->intake, reader);
}

void answer_status(struct exchange *exchange)
{
    struct outbox_reader *reader = reader_or_reply(exchange);
    struct json_out out = JSON_OUT_INIT;
    struct kinds *kinds;

    if (!reader)
        return;
    kinds = intake_kinds(exchange->intake);
    reply_out(exchange, view_status(reader, exchange->intake->parts.courier, kinds, &out),
              "application/json", &out);
    kinds_free(kinds);
    intake_reader_done(exchange->intake, reader);
}

/* A document that is built in: packed where the browser takes that, and only its tag where the
 * browser has it already. */
void answer_page(struct exchange *exchange)
{
    static const char *const words[CODINGS] = {NULL, "gzip", "br"};
    const struct web_page *page = exchange->page;
    const char *known = exchange_header(exchange, "If-None-Match");
    struct reply *reply = &exchange->reply;
    size_t coding = CODINGS - 1;

    while (coding > CODING_NONE && !takes_coding(exchange, words[coding]))
        coding--;
    if (known && strstr(known, page->tag))
        reply_borrowed(exchange, 304, page->type, "", 0);
    else
        reply_borrowed(exchange, 200, page->type, page->as[coding].bytes, page->as[coding].length);
    reply->coding = reply->status == 200 ? words[coding] : NULL;
    reply->tag = page->tag;
    reply->page = true;
}

void answer_metrics(struct exchange *exchange)
{
    struct outbox_reader *reader = reader_or_reply(exchange);
    struct courier_status courier;
    struct outbox_counts counts;
    char *text;

    if (!reader)
        return;
    if (outbox_count(reader, &counts) == STATUS_OK) {
        metric_set(METRIC_WAITING, counts.waiting);
        metric_set(METRIC_HELD, counts.held);
        metric_set(
            METRIC_OLDEST_WAITING_SECONDS,
            counts.oldest_waiting_ms > 0 ? (clock_wall_ms() - counts.oldest_waiting_ms) / 1000 : 0);
    }
    intake_reader_done(exchange->intake, reader);
    courier_status_get(exchange->intake->parts.courier, &courier);
    metric_set(METRIC_DESTINATION_UP, courier.state == DESTINATION_UP);
    text = metrics_text();
    reply_text(exchange, 200, "application/openmetrics-text; version=1.0.0; charset=utf-8", text,
               text ? strlen(text) : 0);
}

/* ---- health ---- */

static void reply_health(struct exchange *exchange, unsigned status, const char *word,
                         const char *why)
{
    struct json_out out = JSON_OUT_INIT;

    out_object(&out);
    out_member(&out, "status", word);
    out_member_if(&out, "why", why);
    out_object_end(&out);
    reply_json(exchange, status, &out);
}

void answer_live(struct exchange *exchange)
{
    reply_health(exchange, 200, "live", NULL);
}

/* Ready: readings can be taken. That the far end is away is no reason not to be. */
void answer_ready(struct exchange *exchange)
{
    struct outbox_reader *reader = reader_or_reply(exchange);
    struct outbox_counts counts;
    enum status status;

    if (!reader)
        return;
    status = outbox_count(reader, &counts);
    intake_reader_done(exchange->intake, reader);
    if (status != STATUS_OK)
        reply_health(exchange, 503, "not ready", "the store cannot be read");
    else if (counts.free_bytes < exchange->intake->parts.settings->room_least)
        reply_health(exchange, 503, "not ready", "the disk is nearly full");
    else
        reply_health(exchange, 200, "ready", NULL);
}

/* ---- FHIR ---- */

static void reply_fhir(struct exchange *exchange, enum status status, const char *why,
                       struct json_out *out)
{
    size_t length = 0;
    unsigned http = 200;
    char *text;

    if (status != STATUS_OK) {
        json_out_reset(out);
        http = status == STATUS_NOT_FOUND ? 404 : status == STATUS_INVALID ? 400 : 503;
        fhir_outcome(http == 404   ? "not-found"
                     : http == 400 ? "invalid"
                                   : "transient",
                     http == 400 ? why : status_text(status), out);
    }
    text = json_out_take(out, &length);
    reply_text(exchange, http, FHIR_JSON, text, length);
}

void answer_fhir_metadata(struct exchange *exchange)
{
    struct json_out out = JSON_OUT_INIT;

    fhir_metadata("/fhir", &out);
    reply_fhir(exchange, STATUS_OK, NULL, &out);
}

typedef enum status fhir_one(struct outbox_reader *reader, const struct uuid *id,
                             struct json_out *out);

static void reply_one(struct exchange *exchange, fhir_one *one)
{
    struct outbox_reader *reader = reader_or_reply(exchange);
    struct json_out out = JSON_OUT_INIT;

    if (!reader)
        return;
    reply_fhir(exchange, one(reader, &exchange->id, &out), NULL, &out);
    intake_reader_done(exchange->intake, reader);
}

void answer_fhir_observation(struct exchange *exchange)
{
    reply_one(exchange, fhir_observation);
}

void answer_fhir_patient(struct exchange *exchange)
{
    reply_one(exchange, fhir_patient);
}

struct parameters {
    struct fhir_parameter items[PARAMETERS_MOST];
    size_t count;
    bool too_many;
};

static void add_parameter(struct parameters *parameters, const char *name, const char *value)
{
    if (parameters->count == PARAMETERS_MOST) {
        parameters->too_many = true;
        return;
    }
    parameters->items[parameters->count++] = (struct fhir_parameter){name, value ? value : ""};
}

static enum MHD_Result on_argument(void *context, enum MHD_ValueKind kind, const char *name,
                                   const char *value)
{
    (void)kind;
    add_parameter(context, name, value);
    return MHD_YES;
}

static void decode_form(char *text)
{
    for (char *at = text; *at; at++)
        if (*at == '+')
            *at = ' ';
    MHD_http_unescape(text);
}

/* The form is decoded in place; the parameters borrow from it. */
static void add_form(struct parameters *parameters, char *form)
{
    char *rest = form, *pair, *value;

    while ((pair = strsep(&rest, "&"))) {
        value = strchr(pair, '=');
        if (value)
            *value++ = '\0';
        decode_form(pair);
        if (value)
            decode_form(value);
        if (*pair)
            add_parameter(parameters, pair, value);
    }
}

static enum status collect_parameters(struct exchange *exchange, struct parameters *parameters)
{
    MHD_get_connection_values(exchange->connection, MHD_GET_ARGUMENT_KIND, on_argument, parameters);
    if (!exchange->route->takes)
        return STATUS_OK;
    body_take(&exchange->body, "", 1); /* its NUL */
    if (exchange->body.no_memory || exchange->body.too_large)
        return STATUS_NO_MEMORY;
    add_form(parameters, exchange->body.bytes);
    return STATUS_OK;
}

void answer_fhir_observations(struct exchange *exchange)
{
    struct parameters parameters = {.count = 0};
    struct outbox_reader *reader = reader_or_reply(exchange);
    struct json_out out = JSON_OUT_INIT;
    char why[200] = "";
    enum status status;

    if (!reader)
        return;
    status = collect_parameters(exchange, &parameters);
    if (status == STATUS_OK)
        status = fhir_observations(reader, parameters.items, parameters.count, &out, why);
    reply_fhir(exchange, status, why, &out);
    intake_reader_done(exchange->intake, reader);
}

void answer_fhir_patients(struct exchange *exchange)
{
    struct parameters parameters = {.count = 0};
    struct outbox_reader *reader = reader_or_reply(exchange);
    struct json_out out = JSON_OUT_INIT;
    char why[200] = "";
    enum status status;

    if (!reader)
        return;
    status = collect_parameters(exchange, &parameters);
    if (status == STATUS_OK)
        status = fhir_patients(reader, parameters.items, parameters.count, &out, why);
    reply_fhir(exchange, status, why, &out);
    intake_reader_done(exchange->intake, reader);
}
