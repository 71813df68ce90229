/* derived.c - the Observations beside a reading's own: companions, computed kinds, scores, the
 * panel; and the list they all stand in. Each names the others it needs, which are before it in the
 * list. */
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include "fhir/fhir_private.h"

struct observation *observation_begin(struct build *build, const struct uuid *space,
                                      const char *role)
{
    struct observation *item = &build->to->items[build->to->count];

    item->id = *space;
    if (strcmp(role, "main") != 0)
        uuid_named(space, role, &item->id);
    (void)snprintf(item->role, sizeof(item->role), "%s", role);
    item->reading = SIZE_MAX;
    item->needs = build->needs;
    build->start = build->mapping.out->length;
    return item;
}

static void need(struct build *build, struct observation *item, size_t on)
{
    *build->needs++ = (struct observation_need){on, true};
    item->needs_count++;
}

/* `category`: of an Observation that may be the panel's member; NULL: it may not. */
void observation_end(struct build *build, struct observation *item, const struct coding *category)
{
    const struct panel *panel = kinds_panel(build->mapping.set->kinds);

    item->length = build->mapping.out->length - build->start;
    if (category && panel && strcmp(category->code, panel->members_category) == 0)
        build->members[build->members_count++] = (struct observation_need){build->to->count, false};
    build->to->count++;
}

static size_t find_main(const struct build *build, size_t reading)
{
    for (size_t i = 0; i < build->to->count; i++)
        if (build->to->items[i].reading == reading)
            return i;
    return SIZE_MAX;
}

void add_companion(struct build *build, size_t index, size_t main, size_t field_index)
{
    const struct reading *reading = &build->mapping.set->readings[index];
    const struct field *field = &reading->kind->fields[field_index];
    const struct coding *category = field->category ? field->category : &reading->kind->category;
    struct observation *item = observation_begin(build, &reading->id, field->path);
    struct json_out *out = build->mapping.out;

    item->reading = index;
    need(build, item, main);
    head_out(out, &item->id, field->profile);
    identity_out(out, &item->id, category);
    concept_out(out, "code", &field->codes, field->title);
    whom_when_who_out(out, &build->mapping.set->patient, reading->taken_text, reading->by);
    said_value_out(&build->mapping, reading, &build->mapping.judgements[index].fields[field_index],
                   field_index);
    device_out(out, reading->device);
    out_object_end(out);
    observation_end(build, item, category);
}

static bool all_mapped(const struct build *build, const size_t *readings, size_t count)
{
    for (size_t i = 0; i < count; i++)
        if (readings[i] != SIZE_MAX && find_main(build, readings[i]) == SIZE_MAX)
            return false;
    return true;
}

/* Each main once, in the order of the inputs: two inputs of a score may stand on one reading. */
static void need_inputs(struct build *build, struct observation *item, const size_t *readings,
                        size_t count)
{
    for (size_t i = 0; i < count; i++) {
        bool again = readings[i] == SIZE_MAX;

        for (size_t j = 0; j < i; j++)
            again = again || readings[j] == readings[i];
        if (!again)
            need(build, item, find_main(build, readings[i]));
    }
}

static void set_head_out(struct build *build, const struct observation *item, const char *profile,
                         const struct coding *category)
{
    head_out(build->mapping.out, &item->id, profile);
    identity_out(build->mapping.out, &item->id, category);
}

static void set_who_out(struct build *build)
{
    const struct set *set = build->mapping.set;

    whom_when_who_out(build->mapping.out, &set->patient, set->taken_text, set->by);
}

void add_worked_out(struct build *build, const struct worked_out *worked_out)
{
    const struct kind *kind = worked_out->kind;
    const struct part *part = &kind->parts[0];
    struct json_out *out = build->mapping.out;
    struct observation *item;
    char role[64];

    if (!all_mapped(build, worked_out->inputs, worked_out->inputs_count))
        return;
    (void)snprintf(role, sizeof(role), "computed:%s", kind->name);
    item = observation_begin(build, &build->mapping.set->id, role);
    need_inputs(build, item, worked_out->inputs, worked_out->inputs_count);
    set_head_out(build, item, kind->profile, &kind->category);
    concept_out(out, "code", &kind->codes, kind->title);
    set_who_out(build);
    quantity_out(out, "valueQuantity", worked_out->value.charted, worked_out->value.unit, part);
    interpretation_out(out, &worked_out->value);
    reference_range_out(out, part, &worked_out->value);
    references_out(out, "derivedFrom", build->to->items, item->needs, item->needs_count);
    out_object_end(out);
    observation_end(build, item, &kind->category);
}

void add_score(struct build *build, const struct score_answer *score)
{
    const struct score_table *table = score->table;
    const struct codings code = {&table->code, 1};
    struct json_out *out = build->mapping.out;
    struct observation *item;
    char role[64];

    if (score->withheld || !all_mapped(build, score->readings, table->inputs_count))
        return;
    (void)snprintf(role, sizeof(role), "score:%s", table->name);
    item = observation_begin(build, &build->mapping.set->id, role);
    need_inputs(build, item, score->readings, table->inputs_count);
    set_head_out(build, item, NULL, &table->category);
    concept_out(out, "code", &code, table->title);
    set_who_out(build);
    quantity_out(out, "valueQuantity", (struct decimal){score->total, 0}, table->unit, NULL);
    if (score->scale_text)
        concept_out(out, "method", &(struct codings){NULL, 0}, score->scale_text);
    references_out(out, "derivedFrom", build->to->items, item->needs, item->needs_count);
    score_components_out(out, score);
    out_object_end(out);
    observation_end(build, item, NULL);
}

/* Its needs stand at the end of the block already. The profile wants hasMember 1..*: no member, no
 * panel. */
void add_panel(struct build *build)
{
    const struct panel *panel = kinds_panel(build->mapping.set->kinds);
    struct json_out *out = build->mapping.out;
    struct observation *item;

    if (build->mapping.set->single || build->members_count == 0)
        return;
    item = observation_begin(build, &build->mapping.set->id, "panel");
    item->needs = build->members;
    item->needs_count = build->members_count;
    set_head_out(build, item, panel->profile, &panel->category);
    concept_out(out, "code", &panel->codes, panel->title);
    set_who_out(build);
    references_out(out, "hasMember", build->to->items, item->needs, item->needs_count);
    out_object_end(out);
    observation_end(build, item, NULL);
}
