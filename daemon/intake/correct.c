/* correct.c - POST /v1/readings/{id}/corrections: a slip is put right, or a reading is retracted,
 * before it is charted or after (design 3, 5). The original stays. */
#include <stdlib.h>
#include <string.h>

#include "intake/corrected.h"
#include "intake/exchange.h"
#include "intake/shape.h"
#include "wardpost/json_in.h"
#include "wardpost/log.h"
#include "wardpost/moment.h"

struct wish { /* what was asked for; borrowed from `body` */
    json_t *body;
    const char *reason, *said, *by;
    const json_t *reading, *patient; /* NULL: not given */
    bool retracts;
};

/* ---- the body ---- */

static void read_reason(const struct kinds *kinds, const struct spot *spot, struct wish *wish)
{
    const struct correction_reason *reason;

    wish->reason = spot_word(spot, "reason", true);
    wish->said = spot_text(spot, "text", 500, false);
    if (!wish->reason)
        return;
    reason = kinds_correction_reason(kinds, wish->reason);
    if (!reason)
        spot_problem(spot, "reason", PROBLEM_UNKNOWN_WORD,
                     "no such reason; GET /v1/kinds lists them as corrections");
    else if (reason->says_why && !wish->said)
        spot_problem(spot, "text", PROBLEM_MISSING_FIELD, "this reason wants a text: why?");
}

static void read_object(const struct spot *spot, const char *name, const json_t **out)
{
    *out = json_object_get(spot->json, name);
    if (!*out || json_is_object(*out))
        return;
    spot_problem(spot, name, PROBLEM_WRONG_TYPE, "an object is due here");
    *out = NULL;
}

/* What a correction cannot change: who it is, and the patient, which stands beside it. */
static void read_patch(const struct spot *spot, struct wish *wish)
{
    static const char *const fixed[] = {"id", "patient", "readings", "context"};
    const struct spot reading = {wish->reading, "/reading", spot->problems};

    for (size_t i = 0; wish->reading && i < sizeof(fixed) / sizeof(fixed[0]); i++)
        if (json_object_get(wish->reading, fixed[i]))
            spot_problem(&reading, fixed[i], PROBLEM_NOT_ALLOWED,
                         i == 1 ? "a change of patient stands beside reading, not in it"
                                : "this cannot be changed by a correction");
}

static void read_wish(const struct kinds *kinds, const struct spot *spot, struct wish *wish)
{
    static const char *const names[] = {"reason",  "text",    "by",
                                        "reading", "patient", "entered-in-error"};

    SPOT_NO_STRANGERS(spot, names);
    read_reason(kinds, spot, wish);
    wish->by = spot_line(spot, "by", 100, true);
    wish->retracts = spot_bool(spot, "entered-in-error", false);
    read_object(spot, "reading", &wish->reading);
    read_object(spot, "patient", &wish->patient);
    read_patch(spot, wish);
    if (wish->retracts && (wish->reading || wish->patient))
        spot_problem(spot, "entered-in-error", PROBLEM_INCONSISTENT,
                     "either a reading is changed or it is retracted");
    else if (!wish->retracts && json_object_size(wish->reading) == 0 && !wish->patient)
        spot_problem(spot, "reading", PROBLEM_MISSING_FIELD,
                     "say what is to be changed, or entered-in-error: true");
}

static void refuse(struct exchange *exchange, unsigned status, const struct problems *problems)
{
    reply_problem(exchange, status, "cannot be corrected", "Nothing was changed.", problems);
}

/* True: the wish is whole. Otherwise the reply is there. */
static bool take_wish(struct exchange *exchange, const struct kinds *kinds, struct wish *wish)
{
    struct problems problems = PROBLEMS_INIT;
    struct json_fault fault = {0};
    enum status status = json_in(exchange->body.bytes, exchange->body.length, &wish->body, &fault);
    const struct spot spot = {wish->body, "", &problems};

    if (status == STATUS_INVALID)
        problem_add_fault(&problems, &fault);
    else if (status == STATUS_OK && !json_is_object(wish->body))
        spot_problem(&spot, NULL, PROBLEM_WRONG_TYPE, "an object is due here: one correction");
    else if (status == STATUS_OK)
        read_wish(kinds, &spot, wish);
    if (wish->by && !client_may_name(&exchange->client, wish->by))
        problem_add(&problems, PROBLEM_NOT_ALLOWED, "/by",
                    "this token may not name that practitioner");
    if (problems.no_memory)
        status = STATUS_NO_MEMORY;
    if (status != STATUS_OK && status != STATUS_INVALID)
        reply_status(exchange, status);
    else if (problems.count > 0)
        refuse(exchange, status == STATUS_INVALID ? 400 : 422, &problems);
    problems_clear(&problems);
    return !exchange->answered;
}

/* ---- who may ---- */

/* Who took it corrects it; else somebody who decides about what is held (clinical 7.3). */
static bool is_allowed(const struct exchange *exchange, const struct corrected *corrected,
                       const struct wish *wish)
{
    json_t *holder;
    const char *author = corrected_author(corrected, &holder);
    bool allowed = client_may(&exchange->client, RIGHT_DECIDE) ||
                   (author ? strcmp(author, wish->by) == 0
                           : strcmp(corrected->client, exchange->client.name) == 0);

    json_decref(holder);
    return allowed;
}

/* True: go on. Otherwise the reply is there. */
static bool look_at_reading(struct exchange *exchange, enum status status,
                            const struct corrected *corrected, const struct wish *wish)
{
    if (status == STATUS_CONFLICT)
        reply_problem(exchange, 409, "cannot be corrected",
                      "This is no reading that counts: it was corrected, retracted or discarded "
                      "before, or belongs to another one. GET it to see what counts.",
                      NULL);
    else if (status != STATUS_OK)
        reply_status(exchange, status);
    else if (!corrected->patient[0] && !wish->retracts && !wish->patient)
        reply_problem(exchange, 409, "cannot be corrected",
                      "This reading is bound to no patient yet: say which in patient.", NULL);
    else if (!is_allowed(exchange, corrected, wish))
        reply_problem(exchange, 403, "not allowed",
                      "Who took a reading corrects it, or somebody with the right to decide.",
                      NULL);
    return !exchange->answered;
}

/* ---- the answer ---- */

static void answer_out(const struct corrected *corrected, const struct submission *submission,
                       struct json_out *out)
{
    const struct submission *stands = corrected->also ? corrected->also : submission;
    size_t at = corrected->also ? 0 : corrected->at;
    bool retracted = !corrected->also && at == SIZE_MAX;
    char id[UUID_TEXT_ROOM];

    out_object(out);
    uuid_text(&corrected->fresh, id);
    out_member(out, "id", id);
    uuid_text(&corrected->id, id);
    out_member(out, "corrects", id);
    uuid_text(corrected->also ? &stands->set->id : &corrected->set, id);
    out_member(out, "set", id);
    out_member(out, "state", entry_state_text(retracted ? ENTRY_RETRACTED : ENTRY_WAITING));
    if (retracted) {
        out_name(out, "flags");
        out_array(out);
        out_array_end(out);
    } else {
        submission_reading_members(stands, at, out);
    }
    if (submission->set)
        submission_scores_members(submission, out);
    out_object_end(out);
}

/* ---- from the wish to the put ---- */

static struct submission_frame frame_of(struct exchange *exchange, struct outbox_reader *reader,
                                        const struct corrected *corrected, const struct wish *wish)
{
    const bool has_time = wish->reading && (json_object_get(wish->reading, "taken") ||
                                            json_object_get(wish->reading, "age"));

    return (struct submission_frame){.intake = exchange->intake,
                                     .client = &exchange->client,
                                     .reader = reader,
                                     .patch = wish->reading,
                                     .time_stands = !has_time,
                                     .last_before_ms =
                                         corrected->texts[corrected->target].taken_ms};
}

/* The set without the reading. What stays of it was taken before: nothing is asked or refused, what
 * cannot be worked out is left out. */
static enum status make_rest(const struct submission_frame *frame, struct corrected *corrected,
                             struct submission **out)
{
    size_t length = 0;
    enum status status = corrected_compose(corrected, NULL, &length);

    corrected->retracts = true;
    if (status == STATUS_OK && corrected->text)
        status = submission_make(frame, corrected->text, length, out);
    if (status == STATUS_OK && *out && (*out)->status != 201) {
        submission_free(*out);
        *out = NULL;
    }
    if (status == STATUS_OK && !*out) {
        *out = submission_new(frame->intake);
        status = *out ? STATUS_OK : STATUS_NO_MEMORY;
    }
    if (status == STATUS_OK)
        (*out)->status = 201;
    return status;
}

/* What was meant: a reading of another patient, or of another kind. */
static enum status make_instead(struct submission_frame frame, struct corrected *corrected,
                                const struct wish *wish, struct submission **out)
{
    size_t length = 0;
    enum status status = corrected_instead(corrected, wish->reading, wish->patient,
                                           &corrected->instead_text, &length);

    frame.corrects = NULL;
    frame.moves = true;
    if (wish->patient)
        frame.last_before_ms = 0;
    if (status == STATUS_OK)
        status = submission_make(&frame, corrected->instead_text, length, out);
    return status;
}

/* What is wrong with it, as the sender knows it: the patient stands beside the reading. */
static void point_instead(struct problems *problems)
{
    for (size_t i = 0; i < problems->count; i++) {
        struct problem problem = problems->items[i];

        if (strncmp(problem.pointer, "/patient", 8) == 0)
            continue;
        (void)snprintf(problems->items[i].pointer, sizeof(problem.pointer), "/reading%.140s",
                       problem.pointer);
    }
}

static enum status make_move(struct submission_frame *frame, struct corrected *corrected,
                             const struct wish *wish, struct submission **out)
{
    struct submission *instead = NULL;
    enum status status = make_instead(*frame, corrected, wish, &instead);

    if (status != STATUS_OK)
        return status;
    if (instead->status != 201) {
        point_instead(&instead->problems);
        *out = instead;
        return STATUS_OK;
    }
    corrected->also = instead;
    status = make_rest(frame, corrected, out);
    corrected->fresh = instead->set->readings[0].id;
    return status;
}

static enum status make_amended(const struct submission_frame *frame, struct corrected *corrected,
                                const struct wish *wish, struct submission **out)
{
    size_t length = 0;
    enum status status = corrected_compose(corrected, wish->reading, &length);

    return status == STATUS_OK ? submission_make(frame, corrected->text, length, out) : status;
}

static enum status make(struct exchange *exchange, struct outbox_reader *reader,
                        struct corrected *corrected, const struct wish *wish,
                        struct submission **out)
{
    struct submission_frame frame = frame_of(exchange, reader, corrected, wish);
    enum status status;

    frame.corrects = corrected;
    if (wish->retracts) {
        status = make_rest(&frame, corrected, out);
        corrected->fresh = corrected->id;
        return status;
    }
    return corrected_goes_elsewhere(corrected, wish->reading, wish->patient)
               ? make_move(&frame, corrected, wish, out)
               : make_amended(&frame, corrected, wish, out);
}

/* The submission gets its entries and its answer. */
static enum status finish(struct exchange *exchange, struct submission *submission)
{
    struct corrected *corrected = submission->corrected;
    enum status status = corrected_entries(corrected, submission);

    submission->put.client = exchange->client.name;
    submission->put.table_version = kinds_version(corrected->kinds);
    if (corrected->also) {
        corrected->correction.instead = &corrected->fresh;
        submission->put.also = &corrected->also->put;
    }
    json_out_reset(&submission->answer);
    answer_out(corrected, submission, &submission->answer);
    return status == STATUS_OK && !json_out_ok(&submission->answer) ? STATUS_NO_MEMORY : status;
}

static void hand_over(struct exchange *exchange, struct corrected *corrected, const struct put *key)
{
    struct submission *submission = exchange->submission;
    enum status status = STATUS_OK;

    if (submission->status == 201) {
        submission->corrected = malloc(sizeof(*corrected));
        status = submission->corrected ? STATUS_OK : STATUS_NO_MEMORY;
    }
    if (submission->corrected) {
        *submission->corrected = *corrected;
        *corrected = (struct corrected){.first = 0};
        status = finish(exchange, submission);
    }
    if (status != STATUS_OK)
        reply_status(exchange, status);
    else if (submission->status == 201)
        readings_put(exchange, key);
    else
        finish_readings(exchange);
}

static void correct(struct exchange *exchange, struct outbox_reader *reader, struct kinds *kinds,
                    const struct wish *wish)
{
    struct corrected corrected = {.first = 0};
    struct put key = {0};
    enum status status;

    if (!readings_look_at_key(exchange, reader, &key))
        return;
    status = corrected_load(reader, kinds, &exchange->id, &corrected);
    if (look_at_reading(exchange, status, &corrected, wish)) {
        corrected.reason = wish->reason;
        corrected.said = wish->said;
        corrected.by = wish->by;
        corrected.request = json_incref(wish->body);
        status = make(exchange, reader, &corrected, wish, &exchange->submission);
        if (status == STATUS_OK)
            hand_over(exchange, &corrected, &key);
        else
            reply_status(exchange, status);
    }
    corrected_clear(&corrected);
}

void take_correction(struct exchange *exchange)
{
    struct kinds *kinds = intake_kinds(exchange->intake);
    struct outbox_reader *reader;
    struct wish wish = {0};
    enum status status;

    if (take_wish(exchange, kinds, &wish)) {
        status = intake_reader(exchange->intake, &reader);
        if (status == STATUS_OK) {
            correct(exchange, reader, kinds, &wish);
            intake_reader_done(exchange->intake, reader);
        } else {
            reply_status(exchange, status);
        }
    }
    json_decref(wish.body);
    kinds_free(kinds);
}
