/* submission.c - the way of a reading (design 3) in one place: bytes, set, judgement, Observations,
 * entries, answer.
 *
 * The same code serves a request, a line of NDJSON and the preview; what is stored is decided by
 * whoever puts it. */
#include <inttypes.h>
#include <sodium.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "intake/corrected.h"
#include "intake/submission_parts.h"
#include "wardpost/json_in.h"
#include "wardpost/log.h"
#include "wardpost/metrics.h"
#include "wardpost/observation.h"
#include "wardpost/problem_json.h"

/* ---- the last readings, to compare with ---- */

struct last_wanted {
    const struct kinds *kinds;
    const struct kind *kind;
    struct last *last;
    bool found;
};

static void last_seen(void *context, const char *values, size_t length, int64_t taken_ms)
{
    struct last_wanted *wanted = context;

    wanted->found = last_read(wanted->kinds, wanted->kind, values, length, taken_ms, wanted->last);
}

static bool is_first_of_kind(const struct set *set, size_t index)
{
    for (size_t i = 0; i < index; i++)
        if (set->readings[i].kind == set->readings[index].kind)
            return false;
    return true;
}

/* A reading is not compared with what it corrects. */
static int64_t last_before(const struct submission_frame *frame, const struct reading *reading)
{
    const int64_t own = reading->taken.ms + 1;

    return frame->last_before_ms != 0 && frame->last_before_ms < own ? frame->last_before_ms : own;
}

static enum status find_lasts(const struct submission_frame *frame, const struct set *set,
                              struct last *lasts, size_t *count)
{
    char patient[PATIENT_KEY_ROOM];

    *count = 0;
    if (!set->patient.given)
        return STATUS_OK;
    patient_key(&set->patient, patient);
    for (size_t i = 0; i < set->count; i++) {
        const struct reading *reading = &set->readings[i];
        struct last_wanted wanted = {set->kinds, reading->kind, &lasts[*count], false};
        enum status status;

        if (!reading->kind->looks_at_last || !is_first_of_kind(set, i))
            continue;
        status = outbox_last(frame->reader, patient, reading->kind->name,
                             last_before(frame, reading), last_seen, &wanted);
        if (status != STATUS_OK && status != STATUS_NOT_FOUND)
            return status;
        *count += wanted.found;
    }
    return STATUS_OK;
}

/* ---- judging ---- */

/* `at`: of the reading, or of the set that it was inherited from. */
static bool name_problem(struct submission *submission, const char *at, const char *name,
                         enum problem_code code, const char *why)
{
    char pointer[160];

    pointer_join(pointer, sizeof(pointer), at, name);
    problem_add(&submission->problems, code, pointer, "%s", why);
    return false;
}

static bool is_named(const struct client *client, struct submission *submission,
                     const struct reading *reading)
{
    const char *at = json_object_get(reading->sent, "by") ? reading->pointer : "";

    if (reading->by ? client_may_name(client, reading->by) : !client->signed_in)
        return true;
    if (!reading->by)
        return name_problem(submission, at, "by", PROBLEM_MISSING_FIELD,
                            "it is whoever is signed in");
    return name_problem(submission, at, "by", PROBLEM_NOT_ALLOWED,
                        client->signed_in ? "this is not the person who is signed in"
                                          : "this token may not name that practitioner");
}

/* A colleague is named as the second only after their own PIN; anything else is a device. */
static bool has_second(const struct submission_frame *frame, const char *second)
{
    return strcmp(frame->client->second, second) == 0 ||
           !users_has_practitioner(frame->intake->parts.users, second);
}

static bool is_overridden(const struct submission_frame *frame, struct submission *submission,
                          const struct reading *reading)
{
    const struct override *override = &reading->override;
    char at[160];

    if (!frame->client->signed_in || !override->given)
        return true;
    pointer_join(at, sizeof(at), reading->pointer, "override");
    if (!client_may_name(frame->client, override->by))
        return name_problem(submission, at, "by", PROBLEM_NOT_ALLOWED,
                            "this is not the person who is signed in");
    return has_second(frame, override->second) ||
           name_problem(submission, at, "second", PROBLEM_NOT_ALLOWED,
                        "the second person says so with their own PIN");
}

static bool corrects_something(const struct submission_frame *frame)
{
    return frame->corrects || frame->moves;
}

/* A correction is made by a person, whatever it is sent by. */
static bool somebody_is_there(const struct submission_frame *frame)
{
    return frame->client->attended || corrects_something(frame);
}

/* Of what is corrected: whoever took it and the other readings stand as they were kept; what the
 * correction says of people is looked at as in a reading. */
static void check_patch_names(const struct submission_frame *frame, struct submission *submission)
{
    const size_t at = frame->corrects ? frame->corrects->at : 0;

    if (!frame->patch || at >= submission->set->count)
        return;
    if (!json_object_get(frame->patch, "by") ||
        is_named(frame->client, submission, &submission->set->readings[at]))
        (void)is_overridden(frame, submission, &submission->set->readings[at]);
}

/* A token may name those it was given; whoever is signed in speaks for themselves. One that was
 * kept was looked at when it came. */
static void check_names(const struct submission_frame *frame, struct submission *submission)
{
    if (corrects_something(frame)) {
        check_patch_names(frame, submission);
        return;
    }
    for (size_t i = 0; i < submission->set->count && !frame->again; i++) {
        const struct reading *reading = &submission->set->readings[i];

        if (!is_named(frame->client, submission, reading) ||
            !is_overridden(frame, submission, reading))
            return;
    }
}

static enum status judge(const struct submission_frame *frame, struct submission *submission)
{
    struct set *set = submission->set;
    struct last *lasts = calloc(set->count, sizeof(*lasts));
    struct judge_frame judging = {.as_entered = frame->intake->as_entered,
                                  .nobody_there = submission->nobody_there};
    enum status status = STATUS_NO_MEMORY;

    submission->judgements =
        set->count == 1 ? &submission->one : calloc(set->count, sizeof(*submission->judgements));
    if (!lasts || !submission->judgements)
        goto done;
    status = find_lasts(frame, set, lasts, &judging.last_count);
    if (status != STATUS_OK)
        goto done;
    judging.last = lasts;
    status = set_judge(set, &judging, submission->judgements, &submission->problems);
done:
    free(lasts);
    return status;
}

static enum status work_out(struct submission *submission)
{
    struct set *set = submission->set;
    size_t tables = set->single ? 0 : kinds_score_count(set->kinds);

    if (tables > 0 && !(submission->scores = calloc(tables, sizeof(*submission->scores))))
        return STATUS_NO_MEMORY;
    submission->worked_out_count =
        set_work_out(set, submission->judgements, submission->worked_out);
    submission->scores_count = set_scores(set, submission->judgements, submission->scores);
    return STATUS_OK;
}

static enum status map(struct submission *submission)
{
    if (!submission->set->patient.given)
        return STATUS_OK; /* bound to nobody: kept, held, unmapped (design 10) */
    return set_map(submission->set, submission->judgements, submission->worked_out,
                   submission->worked_out_count, submission->scores, submission->scores_count,
                   &submission->observations);
}

/* ---- the whole way ---- */

static void is_wrong(struct submission *submission, unsigned status, const char *title,
                     const char *detail)
{
    submission->status = status;
    submission->title = title;
    (void)snprintf(submission->detail, sizeof(submission->detail), "%s", detail);
}

static bool only_asked(const struct problems *problems)
{
    for (size_t i = 0; i < problems->count; i++)
        if (problems->items[i].code != PROBLEM_CONFIRM)
            return false;
    return problems->count > 0;
}

static bool has_problems(struct submission *submission)
{
    if (submission->problems.count == 0)
        return false;
    if (only_asked(&submission->problems))
        is_wrong(submission, 422, "please confirm",
                 "Look at the patient and at the values named here. If they are true send the same "
                 "again with "
                 "\"confirmed\": true on those readings.");
    else
        is_wrong(submission, 422, "cannot be taken",
                 "Nothing was kept. Each thing that is wrong is listed with where it stands.");
    return true;
}

/* The person who releases a kept reading says that it is true; ids that we gave it stay. */
static void confirm_kept(const struct submission_frame *frame, struct set *set)
{
    set->readings[0].confirmed = true;
    set->readings[0].id = frame->again_id;
    if (set->single)
        set->id = frame->again_id;
}

static enum status parse(const struct submission_frame *frame, const char *text, size_t length,
                         struct submission *submission)
{
    const struct settings *settings = frame->intake->parts.settings;
    struct reading_frame reading = {
        .has_now = true,
        .now = {frame->again ? frame->again_now_ms : clock_wall_ms(), 0},
        .skew_ms = settings->skew_ms,
        .age_ask_ms = frame->again || frame->time_stands ? 0 : settings->age_ask_ms,
        .readings_most = (size_t)settings->readings_most,
        .patient_optional = !somebody_is_there(frame),
        .identity_required =
            frame->client->signed_in && !frame->again && !corrects_something(frame),
    };
    struct json_fault fault = {0};
    json_t *body = NULL;
    struct kinds *kinds;
    enum status status;

    submission->nobody_there = !somebody_is_there(frame);
    reading.now.offset_minutes = clock_offset_minutes(reading.now.ms); /* the ward's own */
    status = json_in(text, length, &body, &fault);

    if (status == STATUS_INVALID) {
        problem_add_fault(&submission->problems, &fault);
        if (submission->problems.no_memory)
            return STATUS_NO_MEMORY;
        is_wrong(submission, 400, "not JSON", submission->problems.items[0].detail);
        return STATUS_OK;
    }
    if (status != STATUS_OK)
        return status;
    if (!frame->again && !corrects_something(frame)) /* whoever decides is there */
        submission->nobody_there = submission->nobody_there || set_taken_offline(body);
    reading.nobody_there = submission->nobody_there;
    kinds = intake_kinds(frame->intake);
    status = set_parse(body, kinds, &reading, &submission->set, &submission->problems);
    kinds_free(kinds);
    json_decref(body);
    if (status == STATUS_OK && frame->again && submission->set)
        confirm_kept(frame, submission->set);
    return status;
}

static enum status go_all_the_way(const struct submission_frame *frame, const char *text,
                                  size_t length, struct submission *submission)
{
    enum status status = parse(frame, text, length, submission);

    if (status != STATUS_OK || submission->status == 400)
        return status;
    if (!submission->set) {
        if (frame->corrects)
            corrected_point(frame->corrects, &submission->problems);
        has_problems(submission);
        return STATUS_OK;
    }
    check_names(frame, submission);
    status = judge(frame, submission);
    if (status == STATUS_OK && frame->corrects)
        corrected_point(frame->corrects, &submission->problems);
    if (status != STATUS_OK ||
        (has_problems(submission) &&
         (frame->preview || corrects_something(frame) || !submission_is_known(frame, submission))))
        return status;
    if (submission->problems.count > 0)
        return STATUS_OK; /* it is here already, as it stands: submission_is_known wrote the answer
                           */
    if ((status = work_out(submission)) != STATUS_OK || (status = map(submission)) != STATUS_OK)
        return status;
    submission->status = 201;
    if (frame->corrects)
        return STATUS_OK;
    if (frame->preview)
        return submission_preview(submission);
    return submission_entries(frame, submission, text, length);
}

/* ---- beginning and end ---- */

#define KEPT_MOST 16384 /* bytes of a buffer that goes on to the next submission */

static struct json_out kept(struct json_out *out)
{
    if (out->room > KEPT_MOST)
        json_out_clear(out);
    json_out_reset(out);
    return *out;
}

/* What it holds goes, its buffers stay. */
static void empty(struct submission *submission)
{
    for (size_t i = 0; submission->judgements && i < submission->set->count; i++)
        judgement_clear(&submission->judgements[i]);
    if (submission->judgements != &submission->one)
        free(submission->judgements);
    free(submission->scores);
    free(submission->entries);
    free(submission->needs);
    free(submission->patient);
    free(submission->own_text);
    if (submission->corrected)
        corrected_clear(submission->corrected);
    free(submission->corrected);
    problems_clear(&submission->problems);
    set_free(submission->set);
    observations_empty(&submission->observations);
    *submission = (struct submission){.intake = submission->intake,
                                      .observations.text = kept(&submission->observations.text),
                                      .scratch = kept(&submission->scratch),
                                      .answer = kept(&submission->answer)};
}

void submission_destroy(struct submission *submission)
{
    observations_clear(&submission->observations);
    json_out_clear(&submission->scratch);
    json_out_clear(&submission->answer);
    free(submission);
}

struct submission *submission_new(struct intake *intake)
{
    struct submission *submission = pool_take(&intake->submissions);

    if (!submission)
        submission = calloc(1, sizeof(*submission));
    if (submission)
        submission->intake = intake;
    return submission;
}

void submission_free(struct submission *submission)
{
    if (!submission)
        return;
    empty(submission);
    if (!pool_give(&submission->intake->submissions, submission))
        submission_destroy(submission);
}

enum status submission_make(const struct submission_frame *frame, const char *text, size_t length,
                            struct submission **out)
{
    struct submission *submission = submission_new(frame->intake);
    enum status status;

    if (!submission)
        return STATUS_NO_MEMORY;
    status = go_all_the_way(frame, text, length, submission);
    if (status == STATUS_OK && submission->problems.no_memory)
        status = STATUS_NO_MEMORY;
    if (status != STATUS_OK) {
        submission_free(submission);
        return status;
    }
    *out = submission;
    return STATUS_OK;
}

enum status submission_make_alone(struct submission_frame *frame, const char *text, size_t length,
                                  struct submission **out)
{
    enum status status = intake_reader(frame->intake, &frame->reader);

    if (status != STATUS_OK)
        return status;
    status = submission_make(frame, text, length, out);
    intake_reader_done(frame->intake, frame->reader);
    frame->reader = NULL;
    return status;
}

enum status submission_own_text(struct submission *submission, const char *text, size_t length)
{
    if (!submission->set->single)
        return STATUS_OK; /* its entries stand in scratch */
    submission->own_text = malloc(length + 1);
    if (!submission->own_text)
        return STATUS_NO_MEMORY;
    memcpy(submission->own_text, text, length);
    submission->entries[0].sent = submission->own_text;
    return STATUS_OK;
}

int64_t submission_keep_refused(struct intake *intake, const struct client *client,
                                const char *text, size_t length, const struct problems *problems)
{
    struct refusal refusal = {.client = client->name,
                              .received_ms = clock_wall_ms(),
                              .sent = text,
                              .sent_length = length};
    struct json_out out = JSON_OUT_INIT;
    int64_t number = -1;

    problems_out(&out, problems);
    refusal.problems = json_out_text(&out);
    refusal.problems_length = out.length;
    if (!refusal.problems || outbox_refuse(intake->parts.outbox, &refusal, &number) != STATUS_OK)
        number = -1;
    json_out_clear(&out);
    return number;
}
