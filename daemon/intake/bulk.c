/* bulk.c - NDJSON: each line is a reading or a set of its own, taken and committed as it arrives;
 * one result a line, in order, after the whole body. At most LINES_OPEN lines wait for the disk at
 * a time; more of the body is left in the socket meanwhile. */
#include <stdlib.h>
#include <string.h>

#include "intake/exchange.h"
#include "intake/submission_parts.h"
#include "wardpost/metrics.h"
#include "wardpost/problem_json.h"

#define LINES_OPEN 256U

struct line {
    struct line *next;
    struct bulk *bulk;
    size_t number;
    struct submission *submission; /* while the disk is waited for */
    char *result;                  /* one line of JSON, when it is known */
    size_t length;
};

struct bulk {
    struct exchange *exchange;
    struct line *first, *last; /* all of them, in order */
    size_t lines;
    struct body partial; /* the line that is not ended yet */
    bool ended, no_memory;
    size_t unpacked_at;   /* of a body that came packed: how far it was taken */
    pthread_mutex_t lock; /* guards open, sleeping and enough */
    pthread_cond_t none_open;
    unsigned open; /* lines that wait for the disk */
    bool sleeping; /* the connection is suspended until `open` has come down to `enough` */
    unsigned enough;
};

void bulk_begin(struct exchange *exchange)
{
    struct bulk *bulk = calloc(1, sizeof(*bulk));

    if (!bulk) {
        reply_status(exchange, STATUS_NO_MEMORY);
        return;
    }
    bulk->exchange = exchange;
    pthread_mutex_init(&bulk->lock, NULL);
    pthread_cond_init(&bulk->none_open, NULL);
    bulk->partial.most = (size_t)exchange->intake->parts.settings->body_most;
    exchange->bulk = bulk;
}

/* ---- results ---- */

static void result_problem(struct line *line, unsigned status, const char *title,
                           const struct problems *problems, int64_t kept)
{
    struct json_out out = JSON_OUT_INIT;

    out_object(&out);
    out_member_integer(&out, "line", (int64_t)line->number);
    out_member_integer(&out, "status", status);
    out_member(&out, "title", title);
    if (kept >= 0)
        out_member_integer(&out, "refusal", kept);
    if (problems && problems->count > 0) {
        out_name(&out, "errors");
        problems_out(&out, problems);
    }
    out_object_end(&out);
    line->result = json_out_take(&out, &line->length);
}

static void result_taken(struct line *line, struct submission *submission)
{
    struct json_out out = JSON_OUT_INIT;

    out_object(&out);
    out_member_integer(&out, "line", (int64_t)line->number);
    out_member_integer(&out, "status", submission->status);
    out_name(&out, "answer");
    out_raw(&out, submission->answer.text, submission->answer.length);
    out_object_end(&out);
    line->result = json_out_take(&out, &line->length);
}

static void result_of(struct line *line)
{
    struct submission *submission = line->submission;

    line->submission = NULL;
    if (submission->status == 0)
        result_problem(line, 503, status_text(submission->put.status), NULL, -1);
    else if (submission->status == 201)
        result_taken(line, submission);
    else
        result_problem(line, submission->status, submission->title, &submission->problems, -1);
    submission_free(submission);
}

/* On the writer's thread: note it, and wake the connection when there is room again. After the
 * unlock nothing of the bulk is touched but by a resume, which the sleeping connection waits for.
 */
static void line_on_disk(struct put *put)
{
    struct line *line = put->context;
    struct bulk *bulk = line->bulk;
    struct exchange *exchange = bulk->exchange;
    bool wake;

    pthread_mutex_lock(&bulk->lock);
    bulk->open--;
    wake = bulk->sleeping && bulk->open <= bulk->enough;
    if (wake)
        bulk->sleeping = false;
    if (bulk->open == 0)
        pthread_cond_signal(&bulk->none_open);
    pthread_mutex_unlock(&bulk->lock);
    if (wake)
        exchange_resume(exchange);
}

static unsigned lines_open(struct bulk *bulk)
{
    unsigned open;

    pthread_mutex_lock(&bulk->lock);
    open = bulk->open;
    pthread_mutex_unlock(&bulk->lock);
    return open;
}

/* Suspends the connection until no more than `enough` lines wait. False: that is so already. */
static bool sleep_until(struct bulk *bulk, unsigned enough)
{
    bool asleep;

    exchange_suspend(bulk->exchange);
    pthread_mutex_lock(&bulk->lock);
    asleep = bulk->open > enough;
    bulk->sleeping = asleep;
    bulk->enough = enough;
    pthread_mutex_unlock(&bulk->lock);
    if (!asleep)
        exchange_resume(bulk->exchange); /* comes again at once */
    return asleep;
}

/* ---- lines ---- */

static struct line *line_add(struct bulk *bulk)
{
    struct line *line = calloc(1, sizeof(*line));

    if (!line) {
        bulk->no_memory = true;
        return NULL;
    }
    line->bulk = bulk;
    line->number = ++bulk->lines;
    if (bulk->last)
        bulk->last->next = line;
    else
        bulk->first = line;
    bulk->last = line;
    return line;
}

static void take_refused(struct exchange *exchange, struct line *line,
                         struct submission *submission, const char *text, size_t length)
{
    int64_t kept = submission->nobody_there
                       ? submission_keep_refused(exchange->intake, &exchange->client, text, length,
                                                 &submission->problems)
                       : -1;

    metric_add(METRIC_READINGS_REFUSED, 1);
    result_problem(line, submission->status, submission->title, &submission->problems, kept);
    submission_free(submission);
}

static bool is_blank(const char *text, size_t length)
{
    while (length > 0 &&
           (text[length - 1] == ' ' || text[length - 1] == '\t' || text[length - 1] == '\r'))
        length--;
    return length == 0;
}

/* The text must live until the disk has it: the submission keeps a copy. */
static void take_line(struct bulk *bulk, const char *text, size_t length)
{
    struct exchange *exchange = bulk->exchange;
    struct submission_frame frame = {.intake = exchange->intake, .client = &exchange->client};
    struct submission *submission = NULL;
    struct line *line;
    enum status status;

    if (is_blank(text, length)) {
        bulk->lines++;
        return;
    }
    line = line_add(bulk);
    if (!line)
        return;
    status = submission_make_alone(&frame, text, length, &submission);
    if (status != STATUS_OK) {
        result_problem(line, 503, status_text(status), NULL, -1);
        return;
    }
    if (submission->status != 201) {
        take_refused(exchange, line, submission, text, length);
        return;
    }
    if (submission->put.replayed) {
        result_taken(line, submission);
        submission_free(submission);
        return;
    }
    if (submission_own_text(submission, text, length) != STATUS_OK) {
        submission_free(submission);
        result_problem(line, 503, status_text(STATUS_NO_MEMORY), NULL, -1);
        return;
    }
    line->submission = submission;
    submission->put.done = line_on_disk;
    submission->put.context = line;
    pthread_mutex_lock(&bulk->lock);
    bulk->open++;
    pthread_mutex_unlock(&bulk->lock);
    outbox_put(exchange->intake->parts.outbox, &submission->put);
}

static void too_long(struct bulk *bulk)
{
    struct line *line = line_add(bulk);

    if (line)
        result_problem(line, 413, "this line is larger than a body may be", NULL, -1);
}

static void end_line(struct bulk *bulk)
{
    if (bulk->partial.too_large)
        too_long(bulk);
    else if (bulk->partial.length > 0)
        take_line(bulk, bulk->partial.bytes, bulk->partial.length);
    else
        bulk->lines++; /* an empty line has a number and no result */
    bulk->no_memory = bulk->no_memory || bulk->partial.no_memory;
    bulk->partial.length = 0;
    bulk->partial.too_large = bulk->partial.no_memory = false;
}

size_t bulk_take(struct exchange *exchange, const char *piece, size_t length)
{
    struct bulk *bulk = exchange->bulk;
    size_t at = 0;

    while (at < length) {
        const char *end = memchr(piece + at, '\n', length - at);
        size_t step = end ? (size_t)(end - piece) - at : length - at;

        body_take(&bulk->partial, piece + at, step);
        at += step + (end != NULL);
        if (end)
            end_line(bulk);
        if (end && lines_open(bulk) >= LINES_OPEN) {
            sleep_until(bulk, LINES_OPEN / 2);
            break;
        }
    }
    return at;
}

/* ---- the end ---- */

static void reply_lines(struct exchange *exchange)
{
    struct bulk *bulk = exchange->bulk;
    size_t length = 0;
    char *text, *at;

    for (struct line *line = bulk->first; line; line = line->next) {
        if (line->submission) {
            submission_settle(line->submission, exchange->intake);
            result_of(line);
        }
        bulk->no_memory = bulk->no_memory || !line->result;
        length += line->length + 1;
    }
    text = bulk->no_memory ? NULL : malloc(length + 1);
    at = text;
    for (struct line *line = bulk->first; text && line; line = line->next) {
        memcpy(at, line->result, line->length);
        at += line->length;
        *at++ = '\n';
    }
    reply_text(exchange, 200, "application/x-ndjson", text, text ? length : 0);
}

/* True: the whole of a body that came packed was taken. */
static bool take_unpacked(struct exchange *exchange)
{
    struct bulk *bulk = exchange->bulk;
    struct body *body = &exchange->body;

    while (bulk->unpacked_at < body->length) {
        bulk->unpacked_at +=
            bulk_take(exchange, body->bytes + bulk->unpacked_at, body->length - bulk->unpacked_at);
        if (exchange->suspended)
            return false;
    }
    return true;
}

bool bulk_is_ended(const struct bulk *bulk)
{
    return bulk->ended;
}

void bulk_end(struct exchange *exchange)
{
    struct bulk *bulk = exchange->bulk;

    if (!take_unpacked(exchange))
        return;
    if (!bulk->ended) {
        bulk->ended = true;
        end_line(bulk);
        sleep_until(bulk, 0);
        return;
    }
    reply_lines(exchange);
}

void bulk_free(struct bulk *bulk)
{
    struct line *next;

    if (!bulk)
        return;
    pthread_mutex_lock(
        &bulk->lock); /* the sender went away: what it sent is still on its way to the disk */
    while (bulk->open > 0)
        pthread_cond_wait(&bulk->none_open, &bulk->lock);
    pthread_mutex_unlock(&bulk->lock);
    for (struct line *line = bulk->first; line; line = next) {
        next = line->next;
        submission_free(line->submission);
        free(line->result);
        free(line);
    }
    body_clear(&bulk->partial);
    pthread_cond_destroy(&bulk->none_open);
    pthread_mutex_destroy(&bulk->lock);
    free(bulk);
}
