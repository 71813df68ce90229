/* readings_json.c - JSON to a set of readings, driven by the kind table; every fault is found in one go. Nothing is repaired. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "intake/reading_fields.h"

/* ---- who ---- */

static bool is_absolute_uri(const char *text)
{
    const char *colon = strchr(text, ':');

    return colon && colon > text && colon[1] && strspn(text, "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789+.-:/?#[]@!$&'()*+,;=%_~") == strlen(text);
}

static void read_identifier(const struct spot *patient, struct patient *out)
{
    static const char *const names[] = {"system", "value", NULL};
    char pointer[SPOT_POINTER];
    struct spot identifier = {json_object_get(patient->json, "identifier"), pointer, patient->problems};

    pointer_join(pointer, sizeof(pointer), patient->pointer, "identifier");
    if (!identifier.json) {
        spot_problem(patient, "identifier", PROBLEM_MISSING_FIELD, "a patient is known by an identifier: {\"system\", \"value\"}");
        return;
    }
    if (!json_is_object(identifier.json)) {
        spot_problem(&identifier, NULL, PROBLEM_WRONG_TYPE, "an object is due here: {\"system\", \"value\"}");
        return;
    }
    out->system = spot_text(&identifier, "system", 200, true);
    out->value = spot_text(&identifier, "value", 100, true);
    if (out->system && !is_absolute_uri(out->system))
        spot_problem(&identifier, "system", PROBLEM_MALFORMED, "an absolute URI, in ASCII, is due here");
    if (out->value && strchr(out->value, '|'))
        spot_problem(&identifier, "value", PROBLEM_MALFORMED, "no | is taken in an identifier");
    spot_no_strangers(&identifier, names);
    out->given = out->system && out->value;
}

static void read_birth_date(const struct spot *patient, struct patient *out)
{
    const char *text = spot_text(patient, "birthDate", 10, false);

    if (!text)
        return;
    out->has_birth_date = date_parse(text, strlen(text), &out->birth_date);
    if (!out->has_birth_date)
        spot_problem(patient, "birthDate", PROBLEM_BAD_TIME, "a date that exists is due here, written YYYY-MM-DD");
}

static void read_patient(struct parsing *parsing)
{
    static const char *const names[] = {"identifier", "birthDate", "family", NULL};
    struct spot patient = {json_object_get(parsing->set->body, "patient"), "/patient", parsing->problems};

    if (!patient.json) {
        if (!parsing->frame->patient_optional)
            problem_add(parsing->problems, PROBLEM_MISSING_FIELD, "/patient", "patient is missing");
        return;
    }
    if (!json_is_object(patient.json)) {
        spot_problem(&patient, NULL, PROBLEM_WRONG_TYPE, "an object is due here");
        return;
    }
    read_identifier(&patient, &parsing->set->patient);
    read_birth_date(&patient, &parsing->set->patient);
    parsing->set->patient.family = spot_text(&patient, "family", 200, false);
    spot_no_strangers(&patient, names);
}

/* ---- when ---- */

static bool read_taken_text(const struct spot *spot, struct moment *out)
{
    const char *text = spot_text(spot, "taken", 40, false);

    if (!text)
        return false;
    switch (moment_parse(text, strlen(text), out)) {
    case MOMENT_FINE:
        return true;
    case MOMENT_NO_ZONE:
        spot_problem(spot, "taken", PROBLEM_BAD_TIME, "the zone is missing: Z, or for example +01:00");
        return false;
    case MOMENT_NO_SUCH_DATE:
        spot_problem(spot, "taken", PROBLEM_BAD_TIME, "there is no such day");
        return false;
    case MOMENT_NOT_A_TIME:
        spot_problem(spot, "taken", PROBLEM_BAD_TIME, "a time with seconds and zone is due here: 2026-11-25T09:30:00+01:00");
        return false;
    }
    return false;
}

/* `age` in seconds: of a device without a clock. Its text is kept by the set, as nobody sent it. */
static bool read_age(struct parsing *parsing, const struct spot *spot, struct moment *out, const char **text)
{
    char written[MOMENT_TEXT_ROOM];
    int64_t seconds;
    json_t *kept;

    if (!spot_whole(spot, "age", 0, 31536000, &seconds))
        return false;
    if (!parsing->frame->has_now) {
        spot_problem(spot, "age", PROBLEM_BAD_TIME, "an age is counted from now, and there is no now here: send taken");
        return false;
    }
    *out = parsing->frame->now;
    out->ms -= out->ms % 1000 + seconds * 1000;
    moment_text(*out, written);
    kept = json_string(written);
    if (!kept || json_array_append_new(parsing->set->kept, kept) != 0) {
        parsing->no_memory = true;
        return false;
    }
    *text = json_string_value(kept);
    return true;
}

/* True: a time is there and was understood. */
static bool read_time(struct parsing *parsing, const struct spot *spot, struct moment *out, const char **text)
{
    if (spot_has(spot, "taken") && spot_has(spot, "age")) {
        spot_problem(spot, "age", PROBLEM_INCONSISTENT, "either taken or age");
        return false;
    }
    if (spot_has(spot, "age"))
        return read_age(parsing, spot, out, text);
    if (!read_taken_text(spot, out))
        return false;
    *text = json_string_value(json_object_get(spot->json, "taken"));
    return true;
}

static void judge_time(const struct parsing *parsing, const struct spot *spot, struct moment taken, bool confirmed)
{
    const struct reading_frame *frame = parsing->frame;
    const struct patient *patient = &parsing->set->patient;
    const char *name = spot_has(spot, "age") ? "age" : "taken";

    if (patient->has_birth_date && date_compare(moment_local_date(taken), patient->birth_date) < 0)
        spot_problem(spot, name, PROBLEM_INCONSISTENT, "it lies before the patient was born");
    if (!frame->has_now)
        return;
    if (taken.ms > frame->now.ms + frame->skew_ms)
        spot_problem(spot, name, PROBLEM_FUTURE_TIME, "it lies in the future");
    else if (frame->age_ask_ms > 0 && taken.ms < frame->now.ms - frame->age_ask_ms && !confirmed && !frame->nobody_there)
        spot_problem(spot, name, PROBLEM_CONFIRM, "it was taken more than %lld minutes ago: is the time true?",
                     (long long)(frame->age_ask_ms / 60000));
}

/* ---- one reading ---- */

static void read_id(const struct parsing *parsing, const struct spot *spot, struct uuid *out, bool *given)
{
    const char *text = spot_text(spot, "id", 36, false);

    (void)parsing;
    *given = false;
    if (!text)
        return;
    *given = uuid_parse(text, strlen(text), out);
    if (!*given)
        spot_problem(spot, "id", PROBLEM_MALFORMED, "a UUID is due here");
}

static void make_id(const struct parsing *parsing, struct uuid *out)
{
    if (parsing->frame->has_now)
        uuid_at(parsing->frame->now.ms, out);
    else
        uuid_random(out);
}

static void read_kind(struct parsing *parsing, const struct spot *spot, struct reading *out)
{
    const char *name = spot_text(spot, "kind", 80, true);
    const char *near;

    if (!name)
        return;
    out->kind = kinds_find(parsing->set->kinds, name);
    if (out->kind)
        return;
    near = kinds_nearest(parsing->set->kinds, name);
    spot_problem(spot, "kind", PROBLEM_UNKNOWN_KIND, near ? "no such kind; was %s meant?" : "no such kind; see /v1/kinds%s", near ? near : "");
}

static void read_override(const struct spot *spot, struct reading *out)
{
    static const char *const names[] = {"by", "second", "reason", NULL};
    char pointer[SPOT_POINTER];
    struct spot override = {json_object_get(spot->json, "override"), pointer, spot->problems};

    if (!override.json)
        return;
    pointer_join(pointer, sizeof(pointer), spot->pointer, "override");
    if (!json_is_object(override.json)) {
        spot_problem(&override, NULL, PROBLEM_WRONG_TYPE, "an object is due here: {\"by\", \"second\", \"reason\"}");
        return;
    }
    out->override.by = spot_text(&override, "by", 100, true);
    out->override.second = spot_text(&override, "second", 100, true);
    out->override.reason = spot_text(&override, "reason", 500, true);
    spot_no_strangers(&override, names);
    if (out->override.by && out->override.second && strcmp(out->override.by, out->override.second) == 0)
        spot_problem(&override, "second", PROBLEM_INCONSISTENT, "the second person or device is another than the first");
    else
        out->override.given = out->override.by && out->override.second && out->override.reason;
}

static void read_who_and_when(struct parsing *parsing, const struct spot *spot, struct reading *out)
{
    const struct set *set = parsing->set;
    const char *by = spot_text(spot, "by", 100, false);
    const char *device = spot_text(spot, "device", 100, false);
    const char *note = spot_text(spot, "note", 2000, false);
    bool own_time = spot_has(spot, "taken") || spot_has(spot, "age");

    out->by = by ? by : parsing->by;
    out->device = device ? device : parsing->device;
    out->note = note ? note : parsing->note;
    if (own_time) {
        if (read_time(parsing, spot, &out->taken, &out->taken_text))
            judge_time(parsing, spot, out->taken, out->confirmed);
    } else if (set->taken_text) {
        out->taken = set->taken;
        out->taken_text = set->taken_text;
    } else if (!parsing->set_time_wrong) {
        spot_problem(spot, "taken", PROBLEM_MISSING_FIELD, "taken is missing: when was it measured?");
    }
}

static void read_reading(struct parsing *parsing, const struct spot *spot, struct reading *out)
{
    out->sent = spot->json;
    out->pointer = spot->pointer;
    out->confirmed = spot_bool(spot, "confirmed", false);
    read_id(parsing, spot, &out->id, &out->id_given);
    if (!out->id_given)
        make_id(parsing, &out->id);
    read_override(spot, out);
    read_who_and_when(parsing, spot, out);
    read_kind(parsing, spot, out);
    if (out->kind)
        reading_fields(parsing, spot, out);
}

/* ---- a set ---- */

static enum tribool read_pregnant(const struct spot *context)
{
    const json_t *value = json_object_get(context->json, "pregnant");

    if (!value)
        return ANSWER_NOT_GIVEN;
    if (json_is_boolean(value))
        return json_is_true(value) ? ANSWER_YES : ANSWER_NO;
    if (text_is(value) && strcmp(json_string_value(value), "unknown") == 0)
        return ANSWER_UNKNOWN;
    spot_problem(context, "pregnant", PROBLEM_WRONG_TYPE, "true, false or \"unknown\" is due here");
    return ANSWER_NOT_GIVEN;
}

/* Scale 2 only on a named clinician's written decision for this patient (clinical 5.1). */
static void read_scale(const struct spot *context, struct set *set)
{
    static const char *const names[] = {"scale", "by", "date", NULL};
    const char *pointer = "/context/saturation-scale";
    struct spot scale = {json_object_get(context->json, "saturation-scale"), pointer, context->problems};
    struct date date;
    int64_t number;

    if (!scale.json)
        return;
    if (!json_is_object(scale.json)) {
        spot_problem(&scale, NULL, PROBLEM_WRONG_TYPE, "an object is due here: {\"scale\", \"by\", \"date\"}");
        return;
    }
    if (!spot_has(&scale, "scale"))
        spot_problem(&scale, "scale", PROBLEM_MISSING_FIELD, "scale is missing");
    if (!spot_whole(&scale, "scale", 1, 2, &number))
        number = 0;
    set->scale_by = spot_text(&scale, "by", 100, number == 2);
    set->scale_date = spot_text(&scale, "date", 10, number == 2);
    if (set->scale_date && !date_parse(set->scale_date, strlen(set->scale_date), &date))
        spot_problem(&scale, "date", PROBLEM_BAD_TIME, "a date that exists is due here, written YYYY-MM-DD");
    spot_no_strangers(&scale, names);
    set->scale = (int)number;
}

static void read_context(struct parsing *parsing)
{
    static const char *const names[] = {"pregnant", "saturation-scale", NULL};
    struct spot context = {json_object_get(parsing->set->body, "context"), "/context", parsing->problems};

    if (!context.json)
        return;
    if (!json_is_object(context.json)) {
        spot_problem(&context, NULL, PROBLEM_WRONG_TYPE, "an object is due here");
        return;
    }
    parsing->set->pregnant = read_pregnant(&context);
    read_scale(&context, parsing->set);
    spot_no_strangers(&context, names);
}

/* A late set is confirmed by its readings. */
static bool all_confirmed(const json_t *list)
{
    size_t index;
    json_t *reading;

    json_array_foreach(list, index, reading) if (!json_is_true(json_object_get(reading, "confirmed"))) return false;
    return json_array_size(list) > 0;
}

static void read_list(struct parsing *parsing, const json_t *list)
{
    struct set *set = parsing->set;

    for (size_t i = 0; i < set->count; i++) {
        struct spot spot = {json_array_get(list, i), parsing->pointers + i * SPOT_POINTER, parsing->problems};

        pointer_join_index(parsing->pointers + i * SPOT_POINTER, SPOT_POINTER, "/readings", i);
        if (!json_is_object(spot.json)) {
            spot_problem(&spot, NULL, PROBLEM_WRONG_TYPE, "an object is due here");
            continue;
        }
        if (spot_has(&spot, "patient"))
            spot_problem(&spot, "patient", PROBLEM_NOT_ALLOWED, "the patient is the set's; send readings of another one by themselves");
        read_reading(parsing, &spot, &set->readings[i]);
    }
}

static bool make_readings(struct parsing *parsing, size_t count)
{
    struct set *set = parsing->set;

    set->readings = calloc(count, sizeof(*set->readings));
    set->pointers = calloc(count, SPOT_POINTER);
    parsing->pointers = set->pointers;
    parsing->no_memory = !set->readings || !set->pointers;
    set->count = parsing->no_memory ? 0 : count;
    return !parsing->no_memory;
}

static void no_id_twice(const struct parsing *parsing)
{
    const struct set *set = parsing->set;
    char pointer[SPOT_POINTER];

    for (size_t i = 1; i < set->count; i++)
        for (size_t j = 0; j < i; j++)
            if (set->readings[i].id_given && set->readings[j].id_given && uuid_equal(&set->readings[i].id, &set->readings[j].id)) {
                pointer_join(pointer, sizeof(pointer), set->readings[i].pointer, "id");
                problem_add(parsing->problems, PROBLEM_INCONSISTENT, pointer, "this id stands twice");
                j = i;
            }
}

static void read_set(struct parsing *parsing)
{
    static const char *const names[] = {"id", "patient", "taken", "age", "by", "device", "note", "context", "readings", NULL};
    struct set *set = parsing->set;
    struct spot spot = {set->body, "", parsing->problems};
    const json_t *list = json_object_get(set->body, "readings");
    bool given = false;

    spot_no_strangers(&spot, names);
    read_patient(parsing);
    parsing->by = set->by = spot_text(&spot, "by", 100, false);
    parsing->device = spot_text(&spot, "device", 100, false);
    parsing->note = spot_text(&spot, "note", 2000, false);
    read_context(parsing);
    if (spot_has(&spot, "taken") || spot_has(&spot, "age")) {
        parsing->set_time_wrong = !read_time(parsing, &spot, &set->taken, &set->taken_text);
        if (!parsing->set_time_wrong)
            judge_time(parsing, &spot, set->taken, all_confirmed(list));
    }
    read_id(parsing, &spot, &set->id, &given);
    if (!json_is_array(list))
        spot_problem(&spot, "readings", PROBLEM_WRONG_TYPE, "a list is due here");
    else if (json_array_size(list) == 0)
        spot_problem(&spot, "readings", PROBLEM_MISSING_FIELD, "a set has at least one reading");
    else if (json_array_size(list) > parsing->frame->readings_most)
        spot_problem(&spot, "readings", PROBLEM_TOO_MANY, "at most %zu readings in a set", parsing->frame->readings_most);
    else if (make_readings(parsing, json_array_size(list)))
        read_list(parsing, list);
    no_id_twice(parsing);
    if (!given && set->count > 0)
        uuid_named(&set->readings[0].id, "set", &set->id);
}

static void read_single(struct parsing *parsing)
{
    struct set *set = parsing->set;
    struct spot spot = {set->body, "", parsing->problems};

    set->single = true;
    read_patient(parsing);
    if (!make_readings(parsing, 1))
        return;
    read_reading(parsing, &spot, &set->readings[0]);
    set->id = set->readings[0].id;
}

/* The set's own time and performer: what it said, else its first reading's. */
static void set_defaults(struct set *set)
{
    if (set->count == 0)
        return;
    if (!set->taken_text) {
        set->taken = set->readings[0].taken;
        set->taken_text = set->readings[0].taken_text;
    }
}

static struct set *set_new(json_t *body, struct kinds *kinds)
{
    struct set *set = calloc(1, sizeof(*set));

    if (!set)
        return NULL;
    set->kept = json_array();
    if (!set->kept) {
        free(set);
        return NULL;
    }
    set->kinds = kinds_hold(kinds);
    set->body = json_incref(body);
    return set;
}

/* What is only asked does not keep a set from being judged: whatever else there is to ask comes in the same answer. */
static bool can_be_judged(const struct problems *problems)
{
    for (size_t i = 0; i < problems->count; i++)
        if (problems->items[i].code != PROBLEM_CONFIRM)
            return false;
    return !problems->no_memory;
}

enum status set_parse(json_t *body, struct kinds *kinds, const struct reading_frame *frame, struct set **out, struct problems *problems)
{
    struct parsing parsing = {.frame = frame, .problems = problems, .set = set_new(body, kinds)};

    *out = NULL;
    if (!parsing.set)
        return STATUS_NO_MEMORY;
    if (!json_is_object(body))
        problem_add(problems, PROBLEM_WRONG_TYPE, "", "one reading or one set is due here: an object");
    else if (json_object_get(body, "readings"))
        read_set(&parsing);
    else
        read_single(&parsing);
    set_defaults(parsing.set);
    if (!parsing.no_memory && can_be_judged(problems)) {
        *out = parsing.set;
        return STATUS_OK;
    }
    set_free(parsing.set);
    return parsing.no_memory || problems->no_memory ? STATUS_NO_MEMORY : STATUS_OK;
}

void set_free(struct set *set)
{
    if (!set)
        return;
    for (size_t i = 0; i < set->count; i++)
        for (size_t f = 0; f < FIELDS_MOST; f++)
            free(set->readings[i].fields[f].words);
    free(set->readings);
    free(set->pointers);
    json_decref(set->kept);
    json_decref(set->body);
    kinds_free(set->kinds);
    free(set);
}
