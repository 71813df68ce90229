/* exchange.c - one request from its headers to its answer. libmicrohttpd calls at least twice; here
 * are the three stages. */
#include <stdlib.h>
#include <string.h>
#include <strings.h>

#include "intake/exchange.h"
#include "wardpost/log.h"
#include "wardpost/metrics.h"
#include "wardpost/moment.h"
#include "wardpost/web.h"

const char *exchange_header(const struct exchange *exchange, const char *name)
{
    return MHD_lookup_connection_value(exchange->connection, MHD_HEADER_KIND, name);
}

/* ---- what is looked at before any of the body is taken ---- */

static bool name_is(const char *sent, size_t length, const char *name)
{
    return strlen(name) == length && strncasecmp(sent, name, length) == 0;
}

static bool is_listed(const char *list, const char *sent, size_t length)
{
    while (*list) {
        size_t one = strcspn(list, " ");

        if (one == length && strncasecmp(list, sent, length) == 0)
            return true;
        list += one;
        list += strspn(list, " ");
    }
    return false;
}

/* Names other than our own mean that a page somewhere else made its reader's browser ask us (DNS
 * rebinding). */
static bool host_is_ours(const struct intake *intake, const char *host)
{
    size_t length;

    if (host[0] == '[') {
        length = strcspn(host, "]");
        host++;
        length = length > 0 ? length - 1 : 0;
    } else {
        length = strcspn(host, ":");
    }
    return name_is(host, length, "localhost") || name_is(host, length, "127.0.0.1") ||
           name_is(host, length, "::1") || name_is(host, length, intake->host) ||
           is_listed(intake->parts.settings->hosts, host, length);
}

static bool origin_is_ours(const char *origin, const char *host)
{
    const char *after = strstr(origin, "://");

    return after && host && strcasecmp(after + 3, host) == 0;
}

static bool type_fits(const char *sent, const char *takes)
{
    return sent && sent[0] && is_listed(takes, sent, strcspn(sent, "; "));
}

bool exchange_type_is(struct exchange *exchange, const char *type)
{
    return type_fits(exchange_header(exchange, "Content-Type"), type);
}

/* Routes with readings take both forms; which one it is decides about the way of the body. */
static bool is_bulk(struct exchange *exchange)
{
    return exchange->route->take == take_readings &&
           type_fits(exchange_header(exchange, "Content-Type"), "application/x-ndjson");
}

static bool coding_fits(struct exchange *exchange)
{
    const char *coding = exchange_header(exchange, "Content-Encoding");

    if (!coding || strcasecmp(coding, "identity") == 0)
        return true;
    exchange->body.gzip = strcasecmp(coding, "gzip") == 0;
    return exchange->body.gzip;
}

static bool declared_too_large(struct exchange *exchange)
{
    const char *declared = exchange_header(exchange, "Content-Length");

    return declared && strtoull(declared, NULL, 10) > exchange->body.most;
}

static void refuse_host(struct exchange *exchange)
{
    metric_add(METRIC_REQUESTS_DENIED, 1);
    reply_problem(exchange, 421, "not for this host",
                  "The Host or Origin header names another place than this one; see intake.hosts.",
                  NULL);
}

static void refuse_size(struct exchange *exchange)
{
    reply_problem(exchange, 413, "too large", "The body is larger than this address takes.", NULL);
}

/* True: go on. Otherwise a reply is there. */
static bool look_at_origin(struct exchange *exchange)
{
    const char *host = exchange_header(exchange, "Host");
    const char *origin = exchange_header(exchange, "Origin");

    if (host && host_is_ours(exchange->intake, host) && (!origin || origin_is_ours(origin, host)))
        return true;
    refuse_host(exchange);
    return false;
}

static bool look_at_route(struct exchange *exchange, const char *method, const char *path)
{
    const char *allow = NULL;

    exchange->page = web_find(path);
    exchange->route = route_find(method, path, &exchange->id, &allow);
    if (exchange->route)
        return true;
    if (allow) {
        exchange->reply.allow = allow;
        reply_problem(exchange, 405, "method not allowed", "See the Allow header.", NULL);
    } else {
        reply_problem(exchange, 404, "not found", "There is no such address; see /openapi.json.",
                      NULL);
    }
    return false;
}

static bool look_at_body(struct exchange *exchange)
{
    const struct settings *settings = exchange->intake->parts.settings;
    bool bulk;

    if (!exchange->route->takes)
        return true;
    bulk = is_bulk(exchange);
    exchange->body.most =
        (size_t)(bulk || exchange->route->take == take_patients ? settings->ndjson_most
                                                                : settings->body_most);
    if (!bulk && !type_fits(exchange_header(exchange, "Content-Type"), exchange->route->takes)) {
        reply_problem(exchange, 415, "unsupported media type",
                      exchange->route->take == take_readings
                          ? "Content-Type is application/json or application/x-ndjson."
                          : "Content-Type is not the one this address takes; see /openapi.json.",
                      NULL);
        return false;
    }
    if (!coding_fits(exchange)) {
        reply_problem(exchange, 415, "unsupported coding", "Content-Encoding is gzip or none.",
                      NULL);
        return false;
    }
    if (declared_too_large(exchange)) {
        refuse_size(exchange);
        return false;
    }
    return true;
}

static bool keeps_keys(const struct route *route)
{
    return route->take == take_readings || route->take == take_correction;
}

/* Two requests with one key at the same time: the second learns that the first is not finished
 * (409). */
static bool take_key(struct exchange *exchange)
{
    struct intake *intake = exchange->intake;
    const char *key = exchange_header(exchange, "Idempotency-Key");
    const struct key_in_use *other;

    if (!key || !keeps_keys(exchange->route))
        return true;
    if (strlen(key) == 0 || strlen(key) > 255) {
        reply_problem(exchange, 400, "wrong key", "Idempotency-Key has 1 to 255 characters.", NULL);
        return false;
    }
    exchange->key.exchange = exchange;
    exchange->key.client = exchange->client.name;
    exchange->key.key = key;
    pthread_mutex_lock(&intake->lock);
    for (other = intake->keys; other; other = other->next)
        if (strcmp(other->key, key) == 0 && strcmp(other->client, exchange->client.name) == 0)
            break;
    if (!other) {
        exchange->key.next = intake->keys;
        intake->keys = &exchange->key;
    }
    pthread_mutex_unlock(&intake->lock);
    if (!other)
        return true;
    exchange->key.key = NULL;
    reply_problem(exchange, 409, "still under way",
                  "The first request with this Idempotency-Key is not finished.", NULL);
    return false;
}

static void drop_key(struct exchange *exchange)
{
    struct intake *intake = exchange->intake;
    struct key_in_use **slot;

    if (!exchange->key.key)
        return;
    pthread_mutex_lock(&intake->lock);
    for (slot = &intake->keys; *slot; slot = &(*slot)->next)
        if (*slot == &exchange->key) {
            *slot = exchange->key.next;
            break;
        }
    pthread_mutex_unlock(&intake->lock);
}

/* ---- the three stages ---- */

/* What a browser is to keep to: everything comes from here, nothing is run that stands in a page,
 * and no other site frames the form. */
static const struct {
    const char *name, *value;
} page_policies[] = {
    {"Content-Security-Policy",
     "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
     "manifest-src 'self'; worker-src 'self'; form-action 'none'; frame-ancestors 'none'; "
     "base-uri 'none'"                                                                     },
    {"Cross-Origin-Opener-Policy",   "same-origin"                                         },
    {"Cross-Origin-Resource-Policy", "same-origin"                                         },
    {"Permissions-Policy",
     "camera=(self), microphone=(), geolocation=(), payment=(), usb=(), display-capture=()"},
    {"Referrer-Policy",              "no-referrer"                                         },
};

static void add_headers(const struct exchange *exchange, struct MHD_Response *response)
{
    const struct reply *reply = &exchange->reply;
    char number[16];
    const struct {
        const char *name, *value;
    } headers[] = {
        {"Content-Type",              reply->type                                              },
        {"Cache-Control",             reply->tag ? "no-cache" : "no-store"                     },
        {"Strict-Transport-Security",
         exchange->intake->tls ? "max-age=31536000" : NULL                                     }, /* RFC 6797; a year */
        {"X-Content-Type-Options",    "nosniff"                                                },
        {"Connection",                atomic_load(&exchange->intake->draining) ? "close" : NULL},
        {"Allow",                     reply->allow                                             },
        {"WWW-Authenticate",          reply->authenticate                                      },
        {"Set-Cookie",                reply->cookie[0] ? reply->cookie : NULL                  },
        {"Location",                  reply->location[0] ? reply->location : NULL              },
        {"Retry-After",               reply->retry_after > 0 ? number : NULL                   },
        {"ETag",                      reply->tag                                               },
        {"Vary",                      reply->tag ? "Accept-Encoding" : NULL                    },
        {"Content-Encoding",          reply->coding                                            },
    };

    (void)snprintf(number, sizeof(number), "%u", reply->retry_after);
    for (size_t i = 0; i < sizeof(headers) / sizeof(headers[0]); i++)
        if (headers[i].value)
            MHD_add_response_header(response, headers[i].name, headers[i].value);
    for (size_t i = 0; reply->page && i < sizeof(page_policies) / sizeof(page_policies[0]); i++)
        MHD_add_response_header(response, page_policies[i].name, page_policies[i].value);
}

static enum MHD_Result send_reply(struct exchange *exchange)
{
    struct MHD_Response *response = reply_response(&exchange->reply);
    enum MHD_Result result;

    if (!response)
        return MHD_NO; /* not even an error can be sent */
    add_headers(exchange, response);
    if (exchange->reply.status >= 500)
        metric_add(METRIC_REQUESTS_FAILED, 1);
    result = MHD_queue_response(exchange->connection, exchange->reply.status, response);
    MHD_destroy_response(response);
    return result;
}

/* NULL: there was no memory for the connection. */
static struct exchange *exchange_on(struct intake *intake, struct MHD_Connection *mhd)
{
    const union MHD_ConnectionInfo *info =
        MHD_get_connection_info(mhd, MHD_CONNECTION_INFO_SOCKET_CONTEXT);
    struct connection *line = info ? info->socket_context : NULL;

    if (!line)
        return NULL;
    line->exchange = (struct exchange){.intake = intake,
                                       .connection = mhd,
                                       .line = line,
                                       .body = line->exchange.body}; /* its buffer */
    atomic_fetch_add(&intake->active, 1);
    return &line->exchange;
}

enum MHD_Result exchange_begin(struct intake *intake, struct MHD_Connection *connection,
                               const char *method, const char *path, void **slot)
{
    struct exchange *exchange = exchange_on(intake, connection);

    if (!exchange)
        return MHD_NO;
    *slot = exchange;
    metric_add(METRIC_REQUESTS, 1);
    intake_deadline(exchange->line, intake, intake->parts.settings->body_deadline_ms);
    exchange->headers_only = strcmp(method, "HEAD") == 0;
    if (!look_at_origin(exchange) ||
        !look_at_route(exchange, exchange->headers_only ? "GET" : method, path) ||
        !look_at_caller(exchange) || !look_at_body(exchange) || !take_key(exchange))
        return send_reply(exchange);
    if (exchange->route->takes && is_bulk(exchange))
        bulk_begin(exchange);
    return exchange->answered ? send_reply(exchange) : MHD_YES;
}

enum MHD_Result exchange_take_piece(struct exchange *exchange, const char *piece,
                                    size_t *piece_size)
{
    exchange->suspended = false;
    if (exchange->bulk && !exchange->body.gzip) {
        *piece_size -= bulk_take(exchange, piece, *piece_size);
        return MHD_YES;
    }
    body_take(&exchange->body, piece, *piece_size);
    *piece_size = 0;
    return MHD_YES;
}

static bool body_is_usable(struct exchange *exchange)
{
    enum status status;

    if (exchange->body.no_memory) {
        reply_status(exchange, STATUS_NO_MEMORY);
        return false;
    }
    status = exchange->body.too_large ? STATUS_BUSY : body_unpack(&exchange->body);
    if (status == STATUS_OK)
        return true;
    if (status == STATUS_BUSY)
        refuse_size(exchange);
    else if (status == STATUS_INVALID)
        reply_problem(exchange, 400, "broken gzip", "The compressed body is damaged or cut short.",
                      NULL);
    else
        reply_status(exchange, status);
    return false;
}

enum MHD_Result exchange_answer(struct exchange *exchange)
{
    exchange->suspended = false;
    if (exchange->submission) { /* back from the disk */
        submission_settle(exchange->submission, exchange->intake);
        finish_readings(exchange);
    } else if (exchange->errand) { /* back from where it was suspended for */
        exchange->errand->then(exchange);
    } else if (!exchange->answered && body_is_usable(exchange)) {
        if (exchange->bulk)
            bulk_end(exchange);
        else
            exchange->route->take(exchange);
    }
    if (exchange->suspended)
        return MHD_YES;
    if (!exchange->answered)
        reply_status(exchange, STATUS_IO);
    return send_reply(exchange);
}

bool exchange_only_answers(const struct exchange *exchange)
{
    return exchange && (exchange->answered || exchange->submission || exchange->errand ||
                        (exchange->bulk && bulk_is_ended(exchange->bulk)));
}

void exchange_suspend(struct exchange *exchange)
{
    atomic_fetch_add(&exchange->intake->under_way, 1);
    exchange->suspended = true;
    intake_deadline(exchange->line, exchange->intake, INT64_MAX);
    MHD_suspend_connection(exchange->connection);
}

void exchange_resume(struct exchange *exchange)
{
    struct intake *intake = exchange->intake;

    MHD_resume_connection(
        exchange->connection); /* from here on the exchange is the other thread's */
    atomic_fetch_sub(&intake->under_way, 1);
}

void exchange_listens(struct exchange *exchange)
{
    exchange->listens = true;
    atomic_fetch_sub(&exchange->intake->active, 1);
}

void exchange_end(struct exchange *exchange)
{
    intake_deadline(exchange->line, exchange->intake, exchange->intake->parts.settings->idle_ms);
    drop_key(exchange);
    bulk_free(exchange->bulk);
    submission_free(exchange->submission);
    form_free(exchange->form);
    if (exchange->errand)
        exchange->errand->free(exchange->errand);
    exchange->body = body_again(&exchange->body);
    reply_clear(&exchange->reply);
    if (!exchange->listens)
        atomic_fetch_sub(&exchange->intake->active, 1);
}
