/* observation.c - a judged set to Observations, one behind the other in one text; see
 * wardpost/observation.h and README.md.
 *
 * It stands between a request and its answer, so it writes straight into the buffer: no tree, no
 * allocation an element. */
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "fhir/fhir_private.h"

#define CONFIRMED  "Unusual value, confirmed when it was entered."
#define OVERRIDDEN "Extreme value, taken on the word of a second person or device: "

/* ---- a reading's own Observation ---- */

/* Where the unit decides the code the sent unit says which; of a sign not taken there is none, then
 * the title must do. */
static const struct codings *codes_of(const struct reading *reading)
{
    const struct part *part = &reading->kind->parts[0];

    for (size_t i = 0; i < part->code_by_unit_count; i++)
        if (reading->parts[0].type == MEASURED_NUMBER &&
            part->code_by_unit[i].unit == reading->parts[0].unit)
            return &part->code_by_unit[i].codes;
    return &reading->kind->codes;
}

static void code_out(struct json_out *out, const struct reading *reading)
{
    const struct codings *codes = codes_of(reading);

    out_name(out, "code");
    out_object(out);
    if (codes->count + said_codes(NULL, reading, NULL) > 0) {
        out_name(out, "coding");
        out_array(out);
        codings_out(out, codes);
        said_codes(out, reading, NULL);
        out_array_end(out);
    }
    out_member(out, "text", reading->kind->title);
    out_object_end(out);
}

static void position_out(struct mapping *mapping, const struct reading *reading)
{
    struct json_out *out = mapping->out;

    if (!reading_says(reading, AS_POSITION))
        return;
    out_name(out, "extension");
    out_array(out);
    out_object(out);
    out_member(out, "url", "http://hl7.org/fhir/StructureDefinition/observation-bodyPosition");
    said_concept_out(mapping, "valueCodeableConcept", reading, AS_POSITION);
    out_object_end(out);
    out_array_end(out);
}

static void note_out(struct json_out *out, const char *text)
{
    out_object(out);
    out_member(out, "text", text);
    out_object_end(out);
}

static void notes_out(struct mapping *mapping, const struct reading *reading,
                      const struct judgement *judgement)
{
    bool says = reading_says(reading, AS_NOTE);

    if (!reading->note && !says && !judgement->asked && !judgement->overridden)
        return;
    out_name(mapping->out, "note");
    out_array(mapping->out);
    if (reading->note)
        note_out(mapping->out, reading->note);
    if (says) {
        said_notes(mapping, reading);
        note_out(mapping->out, mapping->scratch.text);
    }
    if (judgement->asked)
        note_out(mapping->out, CONFIRMED);
    if (judgement->overridden) {
        scratch_empty(&mapping->scratch);
        scratch_add(&mapping->scratch, OVERRIDDEN);
        scratch_add(&mapping->scratch, reading->override.reason ? reading->override.reason : "");
        note_out(mapping->out, mapping->scratch.text);
    }
    out_array_end(mapping->out);
}

static void main_out(struct mapping *mapping, size_t index)
{
    const struct reading *reading = &mapping->set->readings[index];
    const struct judgement *judgement = &mapping->judgements[index];
    const struct kind *kind = reading->kind;
    struct json_out *out = mapping->out;
    size_t value = value_part(kind);

    head_out(out, &reading->id, kind->profile);
    position_out(mapping, reading);
    identity_out(out, &reading->id, &kind->category);
    code_out(out, reading);
    whom_when_who_out(out, &mapping->set->patient, reading->taken_text, reading->by);
    if (value != SIZE_MAX && reading->not_taken) {
        reason_out(out, reading->not_taken);
    } else if (value != SIZE_MAX) {
        measured_out(out, &kind->parts[value], &reading->parts[value], &judgement->parts[value]);
        interpretation_out(out, &judgement->parts[value]);
    }
    notes_out(mapping, reading, judgement);
    said_concept_out(mapping, "bodySite", reading, AS_BODY_SITE);
    said_concept_out(mapping, "method", reading, AS_METHOD);
    device_out(out, reading->device);
    if (value != SIZE_MAX && !reading->not_taken)
        reference_range_out(out, &kind->parts[value], &judgement->parts[value]);
    components_out(mapping, index);
    out_object_end(out);
}

/* ---- the whole ---- */

static size_t fields_that_go(const struct reading *reading, enum field_as as)
{
    size_t count = 0;

    for (size_t i = 0; i < reading->kind->fields_count; i++)
        count += field_goes(&reading->kind->fields[i], &reading->fields[i], as);
    return count;
}

static bool is_mapped(const struct judgement *judgement)
{
    return judgement->grade < GRADE_ASK; /* what was confirmed or overridden does not raise it */
}

static void add_main(struct build *build, size_t index)
{
    const struct reading *reading = &build->mapping.set->readings[index];
    struct observation *item = observation_begin(build, &reading->id, "main");

    item->reading = index;
    main_out(&build->mapping, index);
    observation_end(build, item, &reading->kind->category);
}

static void add_reading(struct build *build, size_t index)
{
    const struct reading *reading = &build->mapping.set->readings[index];
    size_t main = build->to->count;

    if (!is_mapped(&build->mapping.judgements[index]))
        return;
    add_main(build, index);
    for (size_t i = 0; i < reading->kind->fields_count; i++)
        if (field_goes(&reading->kind->fields[i], &reading->fields[i], AS_COMPANION))
            add_companion(build, index, main, i);
}

struct work { /* the parameters of set_map() */
    const struct worked_out *worked_out;
    size_t worked_out_count;
    const struct score_answer *scores;
    size_t scores_count;
};

/* As large as the set could need, so that nothing moves while it is filled; the panel's needs stand
 * at the end. */
static bool make_room(struct build *build, const struct work *work)
{
    const struct set *set = build->mapping.set;
    size_t companions = 0, items, needs;

    for (size_t i = 0; i < set->count; i++)
        companions += fields_that_go(&set->readings[i], AS_COMPANION);
    items = set->count + companions + work->worked_out_count + work->scores_count + 1;
    needs = companions + work->worked_out_count * 8 + work->scores_count * SCORE_INPUTS_MOST;
    build->to->items = calloc(items, sizeof(*build->to->items));
    build->to->needs = calloc(needs + items, sizeof(*build->to->needs));
    build->needs = build->to->needs;
    build->members = build->needs ? build->needs + needs : NULL;
    return build->to->items && build->to->needs;
}

/* The text has moved while it grew: only now are the addresses known. */
static void set_texts(struct observations *observations)
{
    const char *at = observations->text.text;

    for (size_t i = 0; i < observations->count; i++) {
        observations->items[i].json = at;
        at += observations->items[i].length;
    }
}

static void add_all(struct build *build, const struct work *work)
{
    for (size_t i = 0; i < build->mapping.set->count; i++)
        add_reading(build, i);
    for (size_t i = 0; i < work->worked_out_count; i++)
        add_worked_out(build, &work->worked_out[i]);
    for (size_t i = 0; i < work->scores_count; i++)
        add_score(build, &work->scores[i]);
    add_panel(build);
}

enum status set_map(const struct set *set, const struct judgement *judgements,
                    const struct worked_out *worked_out, size_t worked_out_count,
                    const struct score_answer *scores, size_t scores_count,
                    struct observations *out)
{
    const struct work work = {worked_out, worked_out_count, scores, scores_count};
    struct observations made = {.text = out->text};
    struct build build;
    bool good;

    *out = (struct observations)OBSERVATIONS_INIT;
    build.to = &made;
    build.members_count = 0;
    build.mapping.set = set;
    build.mapping.judgements = judgements;
    build.mapping.out = &made.text;
    scratch_init(&build.mapping.scratch);
    good = make_room(&build, &work);
    if (good)
        add_all(&build, &work);
    good = good && json_out_ok(&made.text) && !build.mapping.scratch.failed;
    scratch_clear(&build.mapping.scratch);
    if (!good) {
        observations_clear(&made);
        return STATUS_NO_MEMORY;
    }
    set_texts(&made);
    *out = made;
    return STATUS_OK;
}

void observations_empty(struct observations *observations)
{
    free(observations->items);
    free(observations->needs);
    json_out_reset(&observations->text);
    *observations = (struct observations){.text = observations->text};
}

void observations_clear(struct observations *observations)
{
    observations_empty(observations);
    json_out_clear(&observations->text);
}
