/* transfer.c - see transfer.h. */
#include <curl/curl.h>
#include <pthread.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

#include "courier/decide.h"
#include "courier/transfer.h"
#include "wardpost/moment.h"

#define IDLE_HANDLES 8

struct client_pool {
    const struct courier_options *options;
    CURLM *multi;
    CURL *idle[IDLE_HANDLES]; /* handles kept for reuse */
    size_t idle_count;
    atomic_bool stopping;
    _Atomic int64_t stop_at_ms;
};

struct running { /* one transfer under way */
    struct transfer *transfer;
    CURL *easy;
    struct curl_slist *headers;
};

enum status transfers_open(const struct courier_options *options, struct client_pool **out)
{
    struct client_pool *pool = calloc(1, sizeof(*pool));

    if (!pool)
        return STATUS_NO_MEMORY;
    pool->options = options;
    pool->multi = curl_multi_init();
    if (!pool->multi) {
        free(pool);
        return STATUS_NO_MEMORY;
    }
    curl_multi_setopt(pool->multi, CURLMOPT_MAXCONNECTS, (long)IDLE_HANDLES);
    *out = pool;
    return STATUS_OK;
}

void transfers_close(struct client_pool *pool)
{
    if (!pool)
        return;
    for (size_t i = 0; i < pool->idle_count; i++)
        curl_easy_cleanup(pool->idle[i]);
    curl_multi_cleanup(pool->multi);
    free(pool);
}

void transfers_stop(struct client_pool *pool, int64_t grace_ms)
{
    atomic_store(&pool->stop_at_ms, clock_monotonic_ms() + grace_ms);
    atomic_store(&pool->stopping, true);
    curl_multi_wakeup(pool->multi);
}

void transfer_clear(struct transfer *transfer)
{
    free(transfer->answer);
    transfer->answer = NULL;
    transfer->answer_length = transfer->answer_room = 0;
}

/* ---- what comes back ---- */

static size_t on_body(char *bytes, size_t one, size_t count, void *context)
{
    struct transfer *transfer = context;
    size_t length = one * count;
    size_t room = transfer->answer_room ? transfer->answer_room : 4096;
    char *grown;

    if (length > transfer->answer_most - transfer->answer_length) {
        transfer->end = TRANSFER_TOO_LARGE;
        return 0;
    }
    while (room < transfer->answer_length + length + 1)
        room *= 2;
    if (room != transfer->answer_room) {
        grown = realloc(transfer->answer, room);
        if (!grown)
            return 0;
        transfer->answer = grown;
        transfer->answer_room = room;
    }
    memcpy(transfer->answer + transfer->answer_length, bytes, length);
    transfer->answer_length += length;
    transfer->answer[transfer->answer_length] = '\0';
    return length;
}

static bool header_is(const char *line, size_t length, const char *name, char *out, size_t room)
{
    size_t skip = strlen(name);

    if (length <= skip || strncasecmp(line, name, skip) != 0)
        return false;
    line += skip;
    length -= skip;
    while (length > 0 && (*line == ' ' || *line == '\t')) {
        line++;
        length--;
    }
    while (length > 0 &&
           (line[length - 1] == '\r' || line[length - 1] == '\n' || line[length - 1] == ' '))
        length--;
    if (length >= room)
        return false;
    memcpy(out, line, length);
    out[length] = '\0';
    return true;
}

static size_t on_header(char *line, size_t one, size_t count, void *context)
{
    struct transfer *transfer = context;
    size_t length = one * count;
    char value[64];

    if (header_is(line, length, "Location:", transfer->location, sizeof(transfer->location)) ||
        header_is(line, length, "ETag:", transfer->version, sizeof(transfer->version)))
        return length;
    if (header_is(line, length, "Retry-After:", value, sizeof(value)))
        transfer->retry_after_ms = retry_after_ms(value, clock_wall_ms());
    return length;
}

/* ---- what goes out ---- */

static bool add_header(struct curl_slist **headers, const char *line)
{
    struct curl_slist *longer = curl_slist_append(*headers, line);

    if (!longer)
        return false;
    *headers = longer;
    return true;
}

static bool add_named(struct curl_slist **headers, const char *name, const char *value)
{
    char line[256];

    if (!value)
        return true;
    (void)snprintf(line, sizeof(line), "%s: %s", name, value);
    return add_header(headers, line);
}

static struct curl_slist *headers_of(const struct transfer *transfer)
{
    struct curl_slist *headers = NULL;

    if (add_header(&headers, "Accept: application/fhir+json") && add_header(&headers, "Expect:") &&
        (!transfer->body ||
         (add_header(&headers, "Content-Type: application/fhir+json; charset=utf-8") &&
          add_header(&headers, "Prefer: return=minimal"))) &&
        add_named(&headers, "If-None-Exist", transfer->if_none_exist) &&
        add_named(&headers, "If-Match", transfer->if_match))
        return headers;
    curl_slist_free_all(headers);
    return NULL;
}

static size_t on_send(char *out, size_t one, size_t count, void *context)
{
    struct transfer *transfer = context;
    size_t length = transfer->body_length - transfer->body_sent;

    if (length > one * count)
        length = one * count;
    memcpy(out, transfer->body + transfer->body_sent, length);
    transfer->body_sent += length;
    return length;
}

/* When a kept-alive connection dies before an answer, libcurl would send the request again by
 * itself, at once and without looking. It cannot when the body cannot be rewound: then the transfer
 * ends, as lost, and the courier looks first. */
static int on_rewind(void *context, curl_off_t offset, int origin)
{
    (void)context;
    (void)offset;
    (void)origin;
    return CURL_SEEKFUNC_FAIL;
}

static void set_options(const struct client_pool *pool, struct running *running)
{
    struct transfer *transfer = running->transfer;
    CURL *easy = running->easy;

    curl_easy_setopt(easy, CURLOPT_URL, transfer->url);
    curl_easy_setopt(easy, CURLOPT_PROTOCOLS_STR, "http,https");
    curl_easy_setopt(easy, CURLOPT_NOSIGNAL, 1L);
    curl_easy_setopt(easy, CURLOPT_PROXY,
                     ""); /* a proxy is a setting of a later version, never the environment's */
    curl_easy_setopt(easy, CURLOPT_HTTPHEADER, running->headers);
    curl_easy_setopt(easy, CURLOPT_WRITEFUNCTION, on_body);
    curl_easy_setopt(easy, CURLOPT_WRITEDATA, transfer);
    curl_easy_setopt(easy, CURLOPT_HEADERFUNCTION, on_header);
    curl_easy_setopt(easy, CURLOPT_HEADERDATA, transfer);
    curl_easy_setopt(easy, CURLOPT_PRIVATE, running);
    curl_easy_setopt(easy, CURLOPT_TIMEOUT_MS, (long)pool->options->request_timeout_ms);
    curl_easy_setopt(easy, CURLOPT_CONNECTTIMEOUT_MS, (long)pool->options->connect_timeout_ms);
    if (transfer->body) {
        curl_easy_setopt(easy, CURLOPT_POST, 1L);
        curl_easy_setopt(easy, CURLOPT_POSTFIELDSIZE_LARGE, (curl_off_t)transfer->body_length);
        curl_easy_setopt(easy, CURLOPT_READFUNCTION, on_send);
        curl_easy_setopt(easy, CURLOPT_READDATA, transfer);
        curl_easy_setopt(easy, CURLOPT_SEEKFUNCTION, on_rewind);
    }
    curl_easy_setopt(easy, CURLOPT_CUSTOMREQUEST, transfer->method);
}

static bool begin(struct client_pool *pool, struct running *running, struct transfer *transfer)
{
    transfer->end = TRANSFER_NOT_SENT;
    running->transfer = transfer;
    running->easy = pool->idle_count > 0 ? pool->idle[--pool->idle_count] : curl_easy_init();
    running->headers = running->easy ? headers_of(transfer) : NULL;
    if (!running->headers)
        goto failed;
    set_options(pool, running);
    if (curl_multi_add_handle(pool->multi, running->easy) == CURLM_OK)
        return true;
failed:
    curl_slist_free_all(running->headers);
    curl_easy_cleanup(running->easy);
    *running = (struct running){0};
    (void)snprintf(transfer->why, sizeof(transfer->why), "out of memory");
    return false;
}

/* Nothing can have arrived when the connection never stood, or when not one byte of the request
 * went out. */
static enum transfer_end end_of(CURL *easy, CURLcode code)
{
    curl_off_t connected = 0;
    long sent = 0;

    if (code == CURLE_OK)
        return TRANSFER_ANSWERED;
    if (code == CURLE_COULDNT_CONNECT || code == CURLE_COULDNT_RESOLVE_HOST ||
        code == CURLE_PEER_FAILED_VERIFICATION || code == CURLE_SSL_CONNECT_ERROR ||
        code == CURLE_UNSUPPORTED_PROTOCOL || code == CURLE_URL_MALFORMAT)
        return TRANSFER_NOT_SENT;
    curl_easy_getinfo(easy, CURLINFO_CONNECT_TIME_T, &connected);
    curl_easy_getinfo(easy, CURLINFO_REQUEST_SIZE, &sent);
    return connected == 0 && sent == 0 ? TRANSFER_NOT_SENT : TRANSFER_LOST;
}

static void finish(struct client_pool *pool, struct running *running, CURLcode code)
{
    struct transfer *transfer = running->transfer;

    if (transfer->end != TRANSFER_TOO_LARGE)
        transfer->end = end_of(running->easy, code);
    curl_easy_getinfo(running->easy, CURLINFO_RESPONSE_CODE, &transfer->status);
    if (code != CURLE_OK)
        (void)snprintf(transfer->why, sizeof(transfer->why), "%s", curl_easy_strerror(code));
    curl_multi_remove_handle(pool->multi, running->easy);
    curl_slist_free_all(running->headers);
    if (pool->idle_count < IDLE_HANDLES) {
        curl_easy_reset(running->easy);
        pool->idle[pool->idle_count++] = running->easy;
    } else {
        curl_easy_cleanup(running->easy);
    }
    *running = (struct running){0};
}

static size_t reap(struct client_pool *pool)
{
    size_t ended = 0;
    CURLMsg *message;
    int left;

    while ((message = curl_multi_info_read(pool->multi, &left))) {
        struct running *running = NULL;
        CURLcode code = message->data.result;

        if (message->msg != CURLMSG_DONE)
            continue;
        curl_easy_getinfo(message->easy_handle, CURLINFO_PRIVATE, (char **)&running);
        finish(pool, running, code);
        ended++;
    }
    return ended;
}

static bool must_give_up(struct client_pool *pool)
{
    return atomic_load(&pool->stopping) && clock_monotonic_ms() >= atomic_load(&pool->stop_at_ms);
}

static struct running *free_slot(struct running *slots, size_t parallel)
{
    for (size_t i = 0; i < parallel; i++)
        if (!slots[i].transfer)
            return &slots[i];
    return NULL;
}

static void give_up(struct client_pool *pool, struct running *slots, size_t parallel)
{
    for (size_t i = 0; i < parallel; i++)
        if (slots[i].transfer)
            finish(pool, &slots[i], CURLE_ABORTED_BY_CALLBACK);
}

enum status transfers_run(struct client_pool *pool, struct transfer *transfers, size_t count,
                          size_t parallel)
{
    struct running *slots = calloc(parallel, sizeof(*slots));
    size_t next = 0, under_way = 0;
    int running;

    if (!slots)
        return STATUS_NO_MEMORY;
    while (next < count || under_way > 0) {
        while (next < count && under_way < parallel) {
            struct transfer *transfer = &transfers[next++];

            transfer->end = TRANSFER_NOT_SENT;
            if (!atomic_load(&pool->stopping))
                under_way += begin(pool, free_slot(slots, parallel), transfer);
        }
        curl_multi_perform(pool->multi, &running);
        under_way -= reap(pool);
        if (under_way > 0 && must_give_up(pool)) {
            give_up(pool, slots, parallel);
            under_way = 0;
        }
        if (under_way > 0)
            curl_multi_poll(pool->multi, NULL, 0, 200, NULL);
    }
    free(slots);
    return STATUS_OK;
}
