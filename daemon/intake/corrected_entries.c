/* corrected_entries.c - see corrected.h: the corrected set, mapped anew, against what is on disk.
 * What came out as it stands is left alone, what came out otherwise is a new text of its line, what
 * did not come out any more is withdrawn. */
#include <stdlib.h>
#include <string.h>

#include "intake/corrected.h"
#include "wardpost/bundle.h"

#define CORRECTED "corrected" /* FHIR R4 ObservationStatus: changed to correct an error */

struct building {
    struct corrected *corrected;
    struct submission *submission;
    size_t *entry_of; /* of observation i; SIZE_MAX: it has none */
    size_t needs;
};

static struct set_text *find_text(const struct corrected *corrected, const struct uuid *name)
{
    for (size_t i = 0; i < corrected->count; i++)
        if (uuid_equal(&corrected->texts[i].name, name))
            return &corrected->texts[i];
    return NULL;
}

/* ---- texts ---- */

/* malloc'd; NULL: no memory, or not a text of ours. */
static char *restated(const char *json, size_t length, const char *state, size_t *length_out)
{
    struct json_out out = JSON_OUT_INIT;

    if (observation_restate(json, length, state, &out) == STATUS_OK)
        return json_out_take(&out, length_out);
    json_out_clear(&out);
    return NULL;
}

/* Does it say the same, whatever its status? What cannot be read does not. */
static bool says_the_same(const struct set_text *text, const char *fresh, size_t length)
{
    size_t there_length = 0;
    char *there =
        text->became ? restated(text->became, text->became_length, CORRECTED, &there_length) : NULL;
    bool same = there && there_length == length && memcmp(there, fresh, length) == 0;

    free(there);
    return same;
}

static char *keep(struct corrected *corrected, char *text)
{
    char **longer = realloc(corrected->written, /* NOLINTNEXTLINE: pointers */
                            (corrected->written_count + 1) * sizeof(char *));

    if (!longer) {
        free(text);
        return NULL;
    }
    corrected->written = longer;
    corrected->written[corrected->written_count++] = text;
    return text;
}

/* ---- entries ---- */

static bool is_its_own(const struct building *building, const struct observation *observation)
{
    return observation->reading == building->corrected->at && observation->reading != SIZE_MAX;
}

static bool is_main(const struct observation *observation)
{
    return strcmp(observation->role, "main") == 0;
}

static enum status fill(struct building *building, const struct observation *observation,
                        struct put_entry *entry)
{
    struct submission *submission = building->submission;
    const bool own = is_its_own(building, observation);

    if (is_main(observation))
        return submission_main(submission, observation->reading, entry);
    entry->role = observation->role;
    entry->kind = own ? submission->set->readings[observation->reading].kind->name : "";
    entry->taken_ms =
        own ? submission->set->readings[observation->reading].taken.ms : submission->set->taken.ms;
    return STATUS_OK;
}

/* Of the corrected reading's companions: its line, or its own main's entry. */
static void set_reading(const struct building *building, const struct observation *observation,
                        struct put_entry *entry, size_t at)
{
    const struct corrected *corrected = building->corrected;

    if (!is_its_own(building, observation))
        entry->reading = SIZE_MAX;
    else if (is_main(observation))
        entry->reading = at;
    else if (corrected->retracts)
        entry->reading = corrected->correction.entry;
    else
        entry->of = corrected->texts[corrected->target].line;
}

static void set_needs(struct building *building, const struct observation *observation,
                      struct put_entry *entry)
{
    struct submission *submission = building->submission;
    const struct observation *all = submission->observations.items;

    entry->needs = submission->needs + building->needs;
    for (size_t i = 0; i < observation->needs_count; i++) {
        const struct observation_need *need = &observation->needs[i];
        const struct set_text *there = find_text(building->corrected, &all[need->on].id);
        struct put_need *out = &submission->needs[building->needs + entry->needs_count];

        if (!there && building->entry_of[need->on] == SIZE_MAX)
            continue; /* discarded */
        *out = (struct put_need){.on = building->entry_of[need->on],
                                 .strict = need->strict,
                                 .there = there ? there->line : 0};
        entry->needs_count++;
    }
    building->needs += entry->needs_count;
}

static enum status add(struct building *building, size_t index, struct set_text *text, char *fresh,
                       size_t length)
{
    struct submission *submission = building->submission;
    const struct observation *observation = &submission->observations.items[index];
    const size_t at = submission->put.count++;
    struct put_entry *entry = &submission->entries[at];
    enum status status = fill(building, observation, entry);

    building->entry_of[index] = at;
    if (is_main(observation)) {
        building->corrected->correction.entry = at;
        entry->id = building->corrected->fresh;
    } else if (text) {
        uuid_random(&entry->id);
    } else {
        entry->id = observation->id;
    }
    entry->line = text ? text->line : 0;
    entry->became = fresh;
    entry->became_length = length;
    set_reading(building, observation, entry, at);
    set_needs(building, observation, entry);
    return status;
}

/* One Observation of the corrected set. */
static enum status take(struct building *building, size_t index)
{
    const struct observation *observation = &building->submission->observations.items[index];
    struct set_text *text = find_text(building->corrected, &observation->id);
    size_t length = 0;
    char *fresh;

    if (text)
        text->kept = true;
    if (observation->reading != SIZE_MAX && !is_its_own(building, observation))
        return STATUS_OK;
    if (text && text->state == ENTRY_DISCARDED)
        return STATUS_OK; /* a person said so */
    fresh = restated(observation->json, observation->length, text ? CORRECTED : "final", &length);
    if (!fresh)
        return STATUS_NO_MEMORY;
    if (text && !is_main(observation) && text->state != ENTRY_RETRACTED &&
        says_the_same(text, fresh, length)) {
        free(fresh);
        return STATUS_OK;
    }
    fresh = keep(building->corrected, fresh);
    return fresh ? add(building, index, text, fresh, length) : STATUS_NO_MEMORY;
}

static size_t count_needs(const struct observations *observations)
{
    size_t count = 0;

    for (size_t i = 0; i < observations->count; i++)
        count += observations->items[i].needs_count;
    return count;
}

static enum status take_all(struct building *building)
{
    struct submission *submission = building->submission;
    const size_t count = submission->observations.count;
    enum status status = STATUS_OK;

    building->entry_of = calloc(count + 1, sizeof(*building->entry_of));
    submission->entries = calloc(count + 1, sizeof(*submission->entries));
    submission->needs =
        calloc(count_needs(&submission->observations) + 1, sizeof(*submission->needs));
    if (!building->entry_of || !submission->entries || !submission->needs)
        status = STATUS_NO_MEMORY;
    for (size_t i = 0; i < count && status == STATUS_OK; i++)
        building->entry_of[i] = SIZE_MAX;
    for (size_t i = 0; i < count && status == STATUS_OK; i++)
        status = take(building, i);
    free(building->entry_of);
    return status;
}

/* ---- lines ---- */

static bool hangs_on_it(const struct corrected *corrected, const struct set_text *text)
{
    return strcmp(text->role, "main") != 0 &&
           (text->reading == 0 || text->reading == corrected->texts[corrected->target].line);
}

static enum status set_lines(struct corrected *corrected)
{
    struct put_correction *correction = &corrected->correction;
    const struct set_text *target = &corrected->texts[corrected->target];

    corrected->lines = calloc(corrected->count, sizeof(*corrected->lines));
    if (!corrected->lines)
        return STATUS_NO_MEMORY;
    for (size_t i = 0; i < corrected->count; i++) {
        const struct set_text *text = &corrected->texts[i];

        if (text->state >= ENTRY_DISCARDED)
            continue;
        corrected->lines[correction->lines_count++] = (struct put_line){
            text->line, text->seq,
            text == target ? corrected->retracts : !text->kept && hangs_on_it(corrected, text)};
    }
    correction->lines = corrected->lines;
    return STATUS_OK;
}

enum status corrected_entries(struct corrected *corrected, struct submission *submission)
{
    struct building building = {.corrected = corrected, .submission = submission};
    struct put *put = &submission->put;
    enum status status = STATUS_OK;

    corrected->correction = (struct put_correction){
        .first = corrected->first,
        .replaces = corrected->texts[corrected->target].seq,
        .replaces_id = corrected->id,
        .entry = SIZE_MAX,
        .reason = corrected->reason,
        .said = corrected->said,
        .by = corrected->by,
    };
    if (submission->set)
        status = take_all(&building);
    if (status == STATUS_OK)
        status = set_lines(corrected);
    put->entries = submission->entries;
    put->set = corrected->set;
    put->patient = corrected->patient;
    put->accepted_ms = clock_wall_ms();
    put->correction = &corrected->correction;
    return status;
}
