/* answer.c - what the sender is told: ids, states, flags, what was estimated or remarked, the score
 * and its cautions. */
#include <string.h>

#include "intake/submission_parts.h"
#include "wardpost/bundle.h"

static void range_out(const struct judged *judged, struct json_out *out)
{
    const struct range *range = judged->range;

    out_name(out, "range");
    out_object(out);
    if (range->has_low)
        out_member_decimal(out, "low", range->low);
    if (range->has_high)
        out_member_decimal(out, "high", range->high);
    if (judged->unit)
        out_member(out, "unit", judged->unit->code);
    out_member(out, "text", range->text);
    out_member(out, "source", range->source);
    out_object_end(out);
}

static void flag_out(const struct reading *reading, size_t part, const struct judged *judged,
                     struct json_out *out)
{
    out_object(out);
    out_member(out, "part", reading->kind->parts[part].name);
    out_member_if(out, "interpretation", interpretation_code(judged->interpretation));
    out_member_if(out, "name", judged->name);
    if (judged->range)
        range_out(judged, out);
    out_object_end(out);
}

void flags_out(const struct submission *submission, size_t index, struct json_out *out)
{
    const struct reading *reading = &submission->set->readings[index];
    const struct judgement *judgement = &submission->judgements[index];

    out_array(out);
    for (size_t part = 0; part < reading->kind->parts_count; part++) {
        const struct judged *judged = &judgement->parts[part];

        if (judged->interpretation != INTERPRETATION_NONE || judged->name)
            flag_out(reading, part, judged, out);
    }
    out_array_end(out);
}

static void estimates_out(const struct set *set, size_t index, struct json_out *out)
{
    const struct kind *kind = set->readings[index].kind;
    bool begun = false;

    for (size_t part = 0; part < kind->parts_count; part++) {
        struct decimal value;

        if (!part_estimate(set, index, part, &value))
            continue;
        if (!begun) {
            out_name(out, "estimates");
            out_object(out);
            begun = true;
        }
        out_member_decimal(out, kind->parts[part].name, value);
    }
    if (begun)
        out_object_end(out);
}

static void notes_out(const struct set *set, const struct judgement *judgement,
                      const struct reading *reading, struct json_out *out)
{
    bool unflagged = !set->patient.has_birth_date && !reading->not_taken;

    if (judgement->notes_count == 0 && !unflagged)
        return;
    out_name(out, "notes");
    out_array(out);
    for (size_t i = 0; i < judgement->notes_count; i++)
        out_text(out, judgement->notes[i]);
    if (unflagged)
        out_text(out, "no birth date: ranges that depend on age were not looked at");
    out_array_end(out);
}

void submission_reading_members(const struct submission *submission, size_t index,
                                struct json_out *out)
{
    out_name(out, "flags");
    flags_out(submission, index, out);
    notes_out(submission->set, &submission->judgements[index], &submission->set->readings[index],
              out);
    estimates_out(submission->set, index, out);
}

static void reading_out(const struct submission *submission, size_t index,
                        const enum entry_state *states, struct json_out *out)
{
    const struct set *set = submission->set;
    const struct reading *reading = &set->readings[index];
    const struct judgement *judgement = &submission->judgements[index];
    bool unbound = !set->patient.given;
    bool held = unbound || judgement->grade == GRADE_ASK;
    char id[UUID_TEXT_ROOM];

    uuid_text(&reading->id, id);
    out_object(out);
    out_member(out, "id", id);
    out_member(out, "kind", reading->kind->name);
    if (states)
        out_member(out, "state", entry_state_text(states[index]));
    else
        out_member(out, "state", entry_state_text(held ? ENTRY_HELD : ENTRY_WAITING));
    if (held && !states)
        out_member(out, "reason", unbound ? "unbound" : "confirm");
    submission_reading_members(submission, index, out);
    out_object_end(out);
}

static void inputs_out(const struct score_answer *score, struct json_out *out)
{
    out_name(out, "points");
    out_object(out);
    for (size_t i = 0; i < score->table->inputs_count; i++)
        if (score->points[i] >= 0)
            out_member_integer(out, score->table->inputs[i].name, score->points[i]);
    out_object_end(out);
    if (score->missing_count == 0)
        return;
    out_name(out, "missing");
    out_array(out);
    for (size_t i = 0; i < score->missing_count; i++)
        out_text(out, score->missing[i]);
    out_array_end(out);
}

static void score_out(const struct score_answer *score, struct json_out *out)
{
    out_object(out);
    out_member(out, "score", score->table->name);
    out_member(out, "title", score->table->title);
    if (score->withheld)
        out_member(out, "withheld", score->why);
    else
        out_member_integer(out, "total", score->total);
    out_member_integer(out, "scale", score->scale);
    inputs_out(score, out);
    out_member_bool(out, "single-trigger", score->single_trigger);
    out_member_if(out, "risk", score->risk);
    out_member_if(out, "response", score->response);
    if (!score->withheld && score->interval_minutes >= 0)
        out_member_integer(out, "interval-minutes", score->interval_minutes);
    out_member(out, "credit", score->table->credit);
    out_name(out, "cautions");
    out_array(out);
    for (size_t i = 0; i < score->table->cautions_count; i++)
        out_text(out, score->table->cautions[i]);
    out_array_end(out);
    out_object_end(out);
}

/* The first score is `score`; where the table has more, all of them are `scores`. */
void submission_scores_members(const struct submission *submission, struct json_out *out)
{
    if (submission->scores_count == 0)
        return;
    out_name(out, "score");
    score_out(&submission->scores[0], out);
    if (submission->scores_count == 1)
        return;
    out_name(out, "scores");
    out_array(out);
    for (size_t i = 0; i < submission->scores_count; i++)
        score_out(&submission->scores[i], out);
    out_array_end(out);
}

static void readings_out(const struct submission *submission, const enum entry_state *states,
                         struct json_out *out)
{
    char id[UUID_TEXT_ROOM];

    uuid_text(&submission->set->id, id);
    out_member(out, "set", id);
    out_name(out, "readings");
    out_array(out);
    for (size_t i = 0; i < submission->set->count; i++)
        reading_out(submission, i, states, out);
    out_array_end(out);
    submission_scores_members(submission, out);
}

void submission_answer(struct submission *submission, const enum entry_state *states)
{
    struct json_out *out = &submission->answer;

    json_out_reset(out);
    out_object(out);
    readings_out(submission, states, out);
    out_object_end(out);
}

enum status submission_preview(struct submission *submission)
{
    struct json_out *out = &submission->answer;

    submission->status = 200;
    out_object(out);
    readings_out(submission, NULL, out);
    out_name(out, "observations");
    bundle_collection(&submission->observations, out);
    out_object_end(out);
    return json_out_ok(out) ? STATUS_OK : STATUS_NO_MEMORY;
}
