/* entries.c - a mapped set becomes rows for the outbox; and the question whether it is there
 * already. */
#include <assert.h>
#include <sodium.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "intake/corrected.h"
#include "wardpost/json_in.h"
#include "wardpost/metrics.h"

void patient_key(const struct patient *patient, char out[PATIENT_KEY_ROOM])
{
    size_t system, value;

    out[0] = '\0';
    if (!patient->given)
        return;
    system = strlen(patient->system);
    value = strlen(patient->value);
    assert(system + value + 2 <= PATIENT_KEY_ROOM); /* parse_patient() bounds both */
    memcpy(out, patient->system, system);
    out[system] = '|';
    memcpy(out + system + 1, patient->value, value + 1);
}

/* `confirmed` and a resolved `age` do not count (design 5), nor the id, which is what it is found
 * by; digits do. What a reading inherits from its set counts as its own, but for how the set was
 * taken: one whose answer was lost comes again as taken offline, and is the same. */
void submission_content(const struct set *set, size_t index, uint8_t out[32])
{
    static const char *const skip[] = {"id", "confirmed", "age", NULL};
    static const char *const skip_of_set[] = {"id",      "confirmed", "age",
                                              "bedside", "readings",  NULL};
    uint8_t hashes[2][32];

    if (set->single) {
        json_in_hash(set->body, skip, out);
        return;
    }
    json_in_hash(set->body, skip_of_set, hashes[0]);
    json_in_hash(set->readings[index].sent, skip, hashes[1]);
    crypto_generichash(out, 32, hashes[0], sizeof(hashes), NULL, 0);
}

/* A reading of a set is kept with all that it inherits, so that it can be read again by itself. */
static void sent_of_set(const struct set *set, size_t index, struct json_out *out)
{
    const char *name;
    json_t *value;

    out_object(out);
    json_object_foreach(json_walk(set->body), name, value)
    {
        out_name(out, name);
        if (strcmp(name, "readings") != 0) {
            out_json(out, value);
            continue;
        }
        out_array(out);
        out_json(out, set->readings[index].sent);
        out_array_end(out);
    }
    out_object_end(out);
}

struct slice {
    size_t at, length;
};

struct reading_text { /* slices of submission->scratch; pointers only when it has stopped growing */
    struct slice sent, values, flags;
};

static struct slice since(const struct json_out *out, size_t at)
{
    return (struct slice){at, out->length - at};
}

static void write_texts(struct submission *submission, struct reading_text *texts)
{
    const struct set *set = submission->set;
    struct json_out *out = &submission->scratch;

    for (size_t i = 0; i < set->count; i++) {
        size_t at = out->length;

        if (!set->single)
            sent_of_set(set, i, out);
        texts[i].sent = since(out, at);
        at = out->length;
        values_out(&set->readings[i], out);
        texts[i].values = since(out, at);
        at = out->length;
        flags_out(submission, i, out);
        texts[i].flags = since(out, at);
    }
}

static void fill_main(struct submission *submission, size_t index, const struct reading_text *text,
                      struct put_entry *entry)
{
    const struct reading *reading = &submission->set->readings[index];
    const char *base = submission->scratch.text;

    entry->id = reading->id;
    entry->role = "main";
    entry->kind = reading->kind->name;
    entry->taken_ms = reading->taken.ms;
    entry->sent = base + text->sent.at;
    entry->sent_length = text->sent.length;
    entry->values = base + text->values.at;
    entry->values_length = text->values.length;
    entry->flags = base + text->flags.at;
    entry->flags_length = text->flags.length;
    if (reading->id_given) /* nobody can send the same again under an id that we made */
        submission_content(submission->set, index, entry->content);
}

enum status submission_main(struct submission *submission, size_t index, struct put_entry *entry)
{
    struct json_out *out = &submission->scratch;
    struct reading_text text;
    size_t at = out->length;

    if (submission->set->single)
        out_json(out, submission->set->body);
    else
        sent_of_set(submission->set, index, out);
    text.sent = since(out, at);
    at = out->length;
    values_out(&submission->set->readings[index], out);
    text.values = since(out, at);
    at = out->length;
    flags_out(submission, index, out);
    text.flags = since(out, at);
    if (!json_out_ok(out))
        return STATUS_NO_MEMORY;
    fill_main(submission, index, &text, entry);
    return STATUS_OK;
}

static void fill_became(const struct observation *observation, struct put_entry *entry)
{
    entry->became = observation->json;
    entry->became_length = observation->length;
}

/* Observations and entries stand in the same order but for the readings that are held unmapped:
 * `place` maps one to the other. */
struct placing {
    struct submission *submission;
    const struct reading_text *texts;
    size_t *place; /* of observation i among the entries */
    size_t entries, needs, next;
};

static void place_unmapped(struct placing *placing, size_t index)
{
    struct submission *submission = placing->submission;
    struct put_entry *entry = &submission->entries[placing->entries];

    fill_main(submission, index, &placing->texts[index], entry);
    entry->reading = placing->entries++;
    entry->hold = true;
    entry->hold_reason = submission->set->patient.given ? "confirm" : "unbound";
}

static void place_observation(struct placing *placing, size_t main)
{
    struct submission *submission = placing->submission;
    const struct observation *observation = &submission->observations.items[placing->next];
    struct put_entry *entry = &submission->entries[placing->entries];

    if (strcmp(observation->role, "main") == 0) {
        fill_main(submission, observation->reading, &placing->texts[observation->reading], entry);
    } else {
        entry->id = observation->id;
        entry->role = observation->role;
        entry->kind = observation->reading == SIZE_MAX
                          ? ""
                          : submission->set->readings[observation->reading].kind->name;
        entry->taken_ms = observation->reading == SIZE_MAX
                              ? submission->set->taken.ms
                              : submission->set->readings[observation->reading].taken.ms;
    }
    fill_became(observation, entry);
    entry->reading = main;
    entry->needs = submission->needs + placing->needs;
    entry->needs_count = observation->needs_count;
    for (size_t i = 0; i < observation->needs_count; i++)
        submission->needs[placing->needs++] = (struct put_need){
            .on = placing->place[observation->needs[i].on], .strict = observation->needs[i].strict};
    placing->place[placing->next++] = placing->entries++;
}

static void place_all(struct placing *placing)
{
    const struct observations *observations = &placing->submission->observations;

    for (size_t i = 0; i < placing->submission->set->count; i++) {
        size_t main = placing->entries;

        if (placing->next >= observations->count ||
            observations->items[placing->next].reading != i) {
            place_unmapped(placing, i);
            continue;
        }
        while (placing->next < observations->count &&
               observations->items[placing->next].reading == i)
            place_observation(placing, main);
    }
    while (placing->next < observations->count)
        place_observation(placing, SIZE_MAX);
}

static size_t count_needs(const struct observations *observations)
{
    size_t count = 0;

    for (size_t i = 0; i < observations->count; i++)
        count += observations->items[i].needs_count;
    return count;
}

static enum status make_entries(struct submission *submission, const char *text, size_t length)
{
    const struct observations *observations = &submission->observations;
    size_t most = submission->set->count + observations->count;
    struct reading_text *texts = calloc(submission->set->count, sizeof(*texts));
    struct placing placing = {submission, texts, calloc(most, sizeof(size_t)), 0, 0, 0};
    enum status status = STATUS_NO_MEMORY;

    submission->entries = calloc(most, sizeof(*submission->entries));
    submission->needs = calloc(count_needs(observations) + 1, sizeof(*submission->needs));
    if (!texts || !placing.place || !submission->entries || !submission->needs)
        goto done;
    write_texts(submission, texts);
    if (!json_out_ok(&submission->scratch))
        goto done;
    place_all(&placing);
    if (submission->set->single) {
        submission->entries[0].sent = text; /* the bytes themselves */
        submission->entries[0].sent_length = length;
    }
    submission->put.entries = submission->entries;
    submission->put.count = placing.entries;
    status = STATUS_OK;
done:
    free(placing.place);
    free(texts);
    return status;
}

/* What the set says of its patient, for the local copy. */
static void say_who(struct submission *submission)
{
    const struct set *set = submission->set;
    const json_t *sent = json_object_get(set->body, "patient");

    if (!set->patient.given)
        return;
    submission->who =
        (struct known_patient){.system = set->patient.system,
                               .value = set->patient.value,
                               .family = set->patient.family,
                               .birth_date = json_string_value(json_object_get(sent, "birthDate")),
                               .active = true,
                               .source = PATIENT_FROM_READING,
                               .seen_ms = submission->put.accepted_ms};
    submission->put.who = &submission->who;
}

enum status submission_entries(const struct submission_frame *frame, struct submission *submission,
                               const char *text, size_t length)
{
    struct put *put = &submission->put;
    enum status status = make_entries(submission, text, length);
    char patient[PATIENT_KEY_ROOM];

    if (status != STATUS_OK)
        return status;
    patient_key(&submission->set->patient, patient);
    submission->patient = strdup(patient);
    if (!submission->patient)
        return STATUS_NO_MEMORY;
    put->set = submission->set->id;
    put->patient = submission->patient;
    put->client = frame->client->name;
    put->table_version = kinds_version(submission->set->kinds);
    put->accepted_ms = clock_wall_ms();
    say_who(submission);
    submission_answer(submission, NULL);
    return json_out_ok(&submission->answer) ? STATUS_OK : STATUS_NO_MEMORY;
}

size_t submission_entries_of_reading(const struct submission *submission)
{
    size_t count = 0;

    while (count < submission->put.count && submission->entries[count].reading == 0)
        count++;
    return count > 0 && submission->entries[0].became ? count : 0;
}

/* ---- is it there already? ---- */

struct known {
    const uint8_t *content;
    bool same;
    enum entry_state state;
};

static bool known_seen(void *context, const struct outbox_row *row)
{
    struct known *known = context;

    known->same = memcmp(row->content, known->content, 32) == 0;
    known->state = row->state;
    return false;
}

static bool all_known(struct outbox_reader *reader, const struct set *set, enum entry_state *states)
{
    for (size_t i = 0; i < set->count; i++) {
        uint8_t content[32];
        struct known known = {content, false, ENTRY_WAITING};

        submission_content(set, i, content);
        if (!set->readings[i].id_given ||
            outbox_find(reader, &set->readings[i].id, known_seen, &known) != STATUS_OK ||
            !known.same)
            return false;
        states[i] = known.state;
    }
    return true;
}

bool submission_is_known(const struct submission_frame *frame, struct submission *submission)
{
    enum entry_state *states = calloc(submission->set->count, sizeof(*states));
    bool known = states && all_known(frame->reader, submission->set, states);

    if (known) {
        submission_answer(submission, states);
        submission->status = 201;
        submission->put.replayed = true;
        metric_add(METRIC_READINGS_REPLAYED, (int64_t)submission->set->count);
    }
    free(states);
    return known;
}

/* ---- after the COMMIT ---- */

static void conflict(struct submission *submission)
{
    const struct put_entry *entry = &submission->entries[submission->put.conflict_entry];
    char pointer[160] = "";

    for (size_t i = 0; i < submission->set->count; i++)
        if (uuid_equal(&submission->set->readings[i].id, &entry->id))
            pointer_join(pointer, sizeof(pointer), submission->set->readings[i].pointer, "id");
    submission->status = 409;
    submission->title = "id in use";
    (void)snprintf(submission->detail, sizeof(submission->detail),
                   "A reading with this id is here already, with other content. Nothing was kept.");
    problem_add(&submission->problems, PROBLEM_ID_CONFLICT, pointer,
                "this id belongs to a reading with other content");
}

static void replayed(struct submission *submission, struct intake *intake)
{
    struct submission_frame frame = {.intake = intake};

    if (intake_reader(intake, &frame.reader) != STATUS_OK)
        return;
    (void)submission_is_known(&frame, submission);
    intake_reader_done(intake, frame.reader);
}

/* An id of the reading that was meant may be somebody's already. */
static void corrected_settle(struct submission *submission)
{
    if (submission->put.status == STATUS_OK) {
        metric_add(METRIC_READINGS_CORRECTED, 1);
        return;
    }
    submission->status = submission->put.status == STATUS_CONFLICT ? 409 : 0;
    submission->title = "corrected meanwhile";
    (void)snprintf(submission->detail, sizeof(submission->detail),
                   "Somebody has corrected or decided about this set meanwhile. Nothing was kept: "
                   "look at it again.");
}

void submission_settle(struct submission *submission, struct intake *intake)
{
    if (submission->corrected) {
        corrected_settle(submission);
        return;
    }
    switch (submission->put.status) {
    case STATUS_OK:
        if (submission->put.replayed)
            replayed(submission, intake);
        else
            metric_add(METRIC_READINGS_ACCEPTED, (int64_t)submission->set->count);
        break;
    case STATUS_CONFLICT:
        conflict(submission);
        break;
    case STATUS_NO_MEMORY:
    case STATUS_DISK_FULL:
    case STATUS_BUSY:
    case STATUS_DAMAGED:
    case STATUS_NOT_FOUND:
    case STATUS_IO:
    case STATUS_INVALID:
        submission->status = 0; /* trouble of ours: reply_status() says it */
        break;
    }
}
