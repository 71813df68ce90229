/* reading_frame.c - what stands around a reading: of whom, when, which, by whose leave. Nothing is
 * filled in but an id. */
#include <stdio.h>
#include <string.h>

#include "intake/parsing.h"

#define TIME_WANTED "2026-11-25T09:30:00+01:00"

/* ---- who ---- */

/* RFC 3986 4.3: a scheme, a colon, and something behind it; in the characters of 2. */
static bool is_absolute_uri(const char *text)
{
    static const char letters[] = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ";
    static const char scheme[] =
        "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789+-.";
    static const char all[] = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789"
                              "-._~:/?#[]@!$&'()*+,;=%";
    size_t length = strspn(text, scheme);

    return strchr(letters, text[0]) && text[length] == ':' && text[length + 1] != '\0' &&
           text[strspn(text, all)] == '\0';
}

void parse_identifier(const struct spot *patient, struct patient *out)
{
    static const char *const names[] = {"system", "value"};
    char pointer[SPOT_POINTER];
    struct spot identifier;

    if (!spot_inner(patient, "identifier", "system and value", pointer, &identifier)) {
        if (!identifier.json)
            spot_problem(patient, "identifier", PROBLEM_MISSING_FIELD,
                         "a patient is known by an identifier: system and value");
        return;
    }
    SPOT_NO_STRANGERS(&identifier, names);
    out->system = spot_line(&identifier, "system", 200, true);
    out->value = spot_line(&identifier, "value", 100, true);
    if (out->system && !is_absolute_uri(out->system))
        spot_problem(&identifier, "system", PROBLEM_MALFORMED, "an absolute URI is due here");
    if (out->value && strchr(out->value, '|')) /* it parts system and value in a search */
        spot_problem(&identifier, "value", PROBLEM_MALFORMED, "no | is taken in an identifier");
    out->given = out->system && out->value;
}

void parse_date(const struct spot *spot, const char *name, struct date *out, bool *has)
{
    const char *text = spot_word(spot, name, false);

    if (!text)
        return;
    *has = date_parse(text, strlen(text), out);
    if (!*has)
        spot_problem(spot, name, PROBLEM_BAD_TIME,
                     "a day that exists is due here, written YYYY-MM-DD");
}

void parse_patient(struct parsing *parsing)
{
    static const char *const names[] = {"identifier", "birthDate", "family"};
    const struct spot body = {parsing->set->body, "", parsing->problems};
    struct patient *out = &parsing->set->patient;
    char pointer[SPOT_POINTER];
    struct spot patient;

    if (!spot_inner(&body, "patient", "identifier, birthDate", pointer, &patient)) {
        if (!patient.json && !parsing->frame->patient_optional)
            spot_problem(&body, "patient", PROBLEM_MISSING_FIELD, "patient is missing");
        return;
    }
    SPOT_NO_STRANGERS(&patient, names);
    parse_identifier(&patient, out);
    parse_date(&patient, "birthDate", &out->birth_date, &out->has_birth_date);
    out->family = spot_line(&patient, "family", 100, false);
}

void parse_override(const struct spot *spot, struct override *out)
{
    static const char *const names[] = {"by", "second", "reason"};
    char pointer[SPOT_POINTER];
    struct spot override;

    if (!spot_inner(spot, "override", "by, second, reason", pointer, &override))
        return;
    SPOT_NO_STRANGERS(&override, names);
    out->by = spot_line(&override, "by", 100, true);
    out->second = spot_line(&override, "second", 100, true);
    out->reason = spot_text(&override, "reason", 500, true);
    out->given = out->by && out->second && out->reason;
    if (out->by && out->second && strcmp(out->by, out->second) == 0)
        spot_problem(&override, "second", PROBLEM_INCONSISTENT,
                     "the second person or device is another one than the first");
}

/* ---- which ---- */

/* Nil and max (RFC 9562 5.9, 5.10) mark the absence of an id: a sender that left it empty would
 * meet itself. */
static bool names_nothing(const struct uuid *id)
{
    struct uuid nil = {{0}}, max;

    memset(max.bytes, 0xFF, sizeof(max.bytes));
    return uuid_equal(id, &nil) || uuid_equal(id, &max);
}

void parse_id(const struct spot *spot, struct uuid *out, bool *given)
{
    const char *text = spot_word(spot, "id", false);

    *given = text && uuid_parse(text, strlen(text), out) && !names_nothing(out);
    if (text && !*given)
        spot_problem(spot, "id", PROBLEM_MALFORMED,
                     "a UUID is due here: 8-4-4-4-12 hexadecimal digits");
}

void parse_make_id(const struct reading_frame *frame, struct uuid *out)
{
    if (frame->has_now)
        uuid_at(frame->now.ms, out);
    else
        uuid_random(out);
}

/* ---- when ---- */

bool parse_time_is_said(const struct spot *spot)
{
    return spot_has(spot, "taken") || spot_has(spot, "age");
}

bool parse_moment(const struct spot *spot, const char *name, struct moment *out)
{
    const char *sent = spot_word(spot, name, false);

    if (!sent)
        return false;
    switch (moment_parse(sent, strlen(sent), out)) {
    case MOMENT_FINE:
        return true;
    case MOMENT_NO_ZONE:
        spot_problem(spot, name, PROBLEM_BAD_TIME,
                     "the zone is missing: Z, or an offset as in " TIME_WANTED);
        return false;
    case MOMENT_NO_SUCH_DATE:
        spot_problem(spot, name, PROBLEM_BAD_TIME, "there is no such day");
        return false;
    case MOMENT_NOT_A_TIME:
        spot_problem(spot, name, PROBLEM_BAD_TIME,
                     "a time with seconds and zone is due here, as in " TIME_WANTED);
        return false;
    }
    return false;
}

static bool read_taken(const struct spot *spot, struct moment *out, const char **text)
{
    if (!parse_moment(spot, "taken", out))
        return false;
    *text = json_string_value(json_object_get(spot->json, "taken"));
    return true;
}

/* Its text is kept by the set, for nobody sent it. */
static const char *keep_text(struct parsing *parsing, const char *text)
{
    struct set *set = parsing->set;
    json_t *kept = json_string(text);

    if (!set->kept)
        set->kept = json_array();
    if (!kept || !set->kept || json_array_append(set->kept, kept) != 0)
        parsing->no_memory = true;
    json_decref(kept);
    return parsing->no_memory ? NULL : json_string_value(kept);
}

/* Of a device without a clock: whole seconds before now, a year at most. */
static bool read_age(struct parsing *parsing, const struct spot *spot, struct moment *out,
                     const char **text)
{
    char written[MOMENT_TEXT_ROOM];
    int64_t seconds;

    if (!spot_whole(spot, "age", 0, 31536000, &seconds))
        return false;
    if (!parsing->frame->has_now) {
        spot_problem(spot, "age", PROBLEM_BAD_TIME,
                     "an age counts back from now, and there is no now here: send taken");
        return false;
    }
    *out = parsing->frame->now;
    out->ms -= out->ms % 1000 + seconds * 1000;
    moment_text(*out, written);
    *text = keep_text(parsing, written);
    return *text != NULL;
}

bool parse_time(struct parsing *parsing, const struct spot *spot, struct moment *out,
                const char **text)
{
    if (!spot_has(spot, "age"))
        return read_taken(spot, out, text);
    if (!spot_has(spot, "taken"))
        return read_age(parsing, spot, out, text);
    spot_problem(spot, "age", PROBLEM_INCONSISTENT, "either taken or age, not both");
    return false;
}

void parse_judge_time(const struct parsing *parsing, const struct spot *spot, struct moment taken,
                      bool confirmed)
{
    const struct reading_frame *frame = parsing->frame;
    const struct patient *patient = &parsing->set->patient;
    const char *name = spot_has(spot, "age") ? "age" : "taken";

    if (patient->has_birth_date && date_compare(moment_local_date(taken), patient->birth_date) < 0)
        spot_problem(spot, name, PROBLEM_INCONSISTENT, "this lies before the patient's birth date");
    if (!frame->has_now)
        return;
    if (taken.ms > frame->now.ms + frame->skew_ms)
        spot_problem(spot, name, PROBLEM_FUTURE_TIME,
                     "this lies in the future: look at the clock of the sender");
    else if (frame->age_ask_ms > 0 && taken.ms < frame->now.ms - frame->age_ask_ms && !confirmed &&
             !frame->nobody_there)
        spot_problem(spot, name, PROBLEM_CONFIRM,
                     "taken more than %lld minutes ago: is the time right?",
                     (long long)(frame->age_ask_ms / 60000));
}

/* ---- the context of a set ---- */

static enum tribool read_pregnant(const struct spot *context)
{
    const json_t *value = json_object_get(context->json, "pregnant");

    if (!value)
        return ANSWER_NOT_GIVEN;
    if (json_is_boolean(value))
        return json_is_true(value) ? ANSWER_YES : ANSWER_NO;
    if (text_is(value) && strcmp(json_string_value(value), "unknown") == 0)
        return ANSWER_UNKNOWN;
    spot_problem(context, "pregnant", text_is(value) ? PROBLEM_UNKNOWN_WORD : PROBLEM_WRONG_TYPE,
                 "true, false or \"unknown\" is due here");
    return ANSWER_NOT_GIVEN;
}

/* Scale 2 only on a named person's decision for this patient (clinical 5.1). */
static void read_scale(const struct spot *context, struct set *set)
{
    static const char *const names[] = {"scale", "by", "date"};
    char pointer[SPOT_POINTER];
    struct date date;
    int64_t number = 0;
    bool has_date;
    struct spot scale;

    if (!spot_inner(context, "saturation-scale", "scale, by, date", pointer, &scale))
        return;
    SPOT_NO_STRANGERS(&scale, names);
    if (spot_due(&scale, "scale") && spot_whole(&scale, "scale", 1, 2, &number))
        set->scale = (int)number;
    set->scale_by = spot_line(&scale, "by", 100, number == 2);
    if (number == 2)
        spot_due(&scale, "date");
    parse_date(&scale, "date", &date, &has_date);
    set->scale_date = json_string_value(json_object_get(scale.json, "date"));
}

void parse_set_context(struct parsing *parsing)
{
    static const char *const names[] = {"pregnant", "saturation-scale"};
    const struct spot body = {parsing->set->body, "", parsing->problems};
    char pointer[SPOT_POINTER];
    struct spot context;

    if (!spot_inner(&body, "context", "pregnant, saturation-scale", pointer, &context))
        return;
    SPOT_NO_STRANGERS(&context, names);
    parsing->set->pregnant = read_pregnant(&context);
    read_scale(&context, parsing->set);
}
