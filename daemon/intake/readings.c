/* readings.c - POST /v1/readings and /v1/preview. */
#include <sodium.h>
#include <stdlib.h>
#include <string.h>

#include "intake/corrected.h"
#include "intake/exchange.h"
#include "wardpost/log.h"
#include "wardpost/metrics.h"
#include "wardpost/moment.h"

static void on_disk(struct put *put)
{
    exchange_resume(put->context);
}

static void count_refused(const struct submission *submission)
{
    bool asked =
        submission->problems.count > 0 && submission->problems.items[0].code == PROBLEM_CONFIRM;

    metric_add(asked ? METRIC_READINGS_ASKED : METRIC_READINGS_REFUSED, 1);
}

/* Where nobody is there to be told, what was refused is kept for a person to work off (design 5).
 */
static void reply_refused(struct exchange *exchange, struct submission *submission)
{
    int64_t kept = -1;
    char detail[400];

    count_refused(submission);
    if (submission->nobody_there && exchange->route->take == take_readings &&
        submission->status != 409)
        kept = submission_keep_refused(exchange->intake, &exchange->client, exchange->body.bytes,
                                       exchange->body.length, &submission->problems);
    if (kept >= 0)
        (void)snprintf(detail, sizeof(detail),
                       "%s It is kept as sent, as refusal %lld, for a person to look at.",
                       submission->detail, (long long)kept);
    else
        (void)snprintf(detail, sizeof(detail), "%s", submission->detail);
    reply_problem(exchange, submission->status, submission->title, detail, &submission->problems);
}

static void reply_taken(struct exchange *exchange, struct submission *submission)
{
    static const char folder[] = "/v1/readings/";
    char *location = exchange->reply.location;

    _Static_assert(sizeof(folder) - 1 + UUID_TEXT_ROOM <= sizeof(exchange->reply.location),
                   "no room for the address of a reading");
    if (submission->corrected || submission->set->single) {
        const struct uuid *id = submission->corrected ? &submission->corrected->fresh
                                                      : &submission->set->readings[0].id;

        memcpy(location, folder, sizeof(folder) - 1);
        uuid_text(id, location + sizeof(folder) - 1);
    }
    reply_answer(exchange, submission->status);
}

static bool names_second(const struct submission *submission, const char *second)
{
    for (size_t i = 0; submission && submission->set && i < submission->set->count; i++) {
        const struct override *override = &submission->set->readings[i].override;

        if (override->given && strcmp(override->second, second) == 0)
            return true;
    }
    return false;
}

/* A second person vouches for what stands before both of them: the word is good for one set. */
static void use_up_second(struct exchange *exchange, const struct submission *submission)
{
    const char *second = exchange->client.second;
    const struct submission *also = submission->corrected ? submission->corrected->also : NULL;

    if (second[0] && (names_second(submission, second) || names_second(also, second)))
        sessions_vouch(exchange->intake->sessions, exchange->cookie, &(struct user){0},
                       clock_monotonic_ms());
}

void finish_readings(struct exchange *exchange)
{
    struct submission *submission = exchange->submission;

    if (submission->status == 0) {
        reply_status(exchange, submission->put.status);
    } else if (submission->status == 201) {
        use_up_second(exchange, submission);
        reply_taken(exchange, submission);
    } else {
        reply_refused(exchange, submission);
    }
}

/* True: the key is new, go on. Otherwise the reply is there. */
bool readings_look_at_key(struct exchange *exchange, struct outbox_reader *reader, struct put *put)
{
    enum key_state state = KEY_NEW;
    char *answer = NULL;
    size_t length = 0;
    enum status status;

    if (!exchange->key.key)
        return true;
    crypto_generichash(put->key_content, sizeof(put->key_content),
                       (const unsigned char *)exchange->body.bytes, exchange->body.length, NULL, 0);
    status = outbox_key(reader, exchange->client.name, exchange->key.key, put->key_content, &state,
                        &answer, &length);
    if (status != STATUS_OK)
        reply_status(exchange, status);
    else if (state == KEY_SAME)
        reply_text(exchange, 201, "application/json", answer, length);
    else if (state == KEY_OTHER)
        reply_problem(exchange, 422, "key in use",
                      "This Idempotency-Key was used for another body.", NULL);
    return exchange->answered == false;
}

void readings_put(struct exchange *exchange, const struct put *key)
{
    struct submission *submission = exchange->submission;

    if (exchange->key.key) {
        submission->put.key = exchange->key.key;
        memcpy(submission->put.key_content, key->key_content, sizeof(key->key_content));
        submission->put.answer = submission->answer.text;
        submission->put.answer_length = submission->answer.length;
    }
    submission->put.done = on_disk;
    submission->put.context = exchange;
    exchange_suspend(exchange);
    outbox_put(exchange->intake->parts.outbox, &submission->put);
}

void take_readings(struct exchange *exchange)
{
    struct submission_frame frame = {.intake = exchange->intake, .client = &exchange->client};
    struct put key = {0};
    enum status status;

    status = intake_reader(exchange->intake, &frame.reader);
    if (status != STATUS_OK) {
        reply_status(exchange, status);
        return;
    }
    if (!readings_look_at_key(exchange, frame.reader, &key)) {
        intake_reader_done(exchange->intake, frame.reader);
        return;
    }
    status =
        submission_make(&frame, exchange->body.bytes, exchange->body.length, &exchange->submission);
    intake_reader_done(exchange->intake, frame.reader);
    if (status != STATUS_OK)
        reply_status(exchange, status);
    else if (exchange->submission->status == 201 && !exchange->submission->put.replayed)
        readings_put(exchange, &key);
    else
        finish_readings(exchange);
}

void take_preview(struct exchange *exchange)
{
    struct submission_frame frame = {
        .intake = exchange->intake, .client = &exchange->client, .preview = true};
    struct submission *submission = NULL;
    enum status status =
        submission_make_alone(&frame, exchange->body.bytes, exchange->body.length, &submission);

    if (status != STATUS_OK)
        reply_status(exchange, status);
    else if (submission->status == 200)
        reply_json(exchange, 200, &submission->answer);
    else
        reply_problem(exchange, submission->status, submission->title, submission->detail,
                      &submission->problems);
    submission_free(submission);
}
