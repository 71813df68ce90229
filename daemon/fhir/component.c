/* component.c - what was measured: the Observation's own value, or one component a part; flags and
 * ranges beside it. */
#include <stdint.h>

#include "fhir/fhir_private.h"

#define INTERPRETATION_SYSTEM "http://terminology.hl7.org/CodeSystem/v3-ObservationInterpretation"

/* An array member that is only opened by its first item: FHIR knows no empty arrays. */
struct list {
    struct json_out *out;
    const char *name;
    bool open;
};

static void list_item(struct list *list)
{
    if (!list->open) {
        out_name(list->out, list->name);
        out_array(list->out);
    }
    list->open = true;
    out_object(list->out);
}

static void list_end(struct list *list)
{
    if (list->open)
        out_array_end(list->out);
}

size_t value_part(const struct kind *kind)
{
    for (size_t i = 0; i < kind->parts_count; i++)
        if (kind->parts[i].is_value)
            return i;
    return SIZE_MAX;
}

void measured_out(struct json_out *out, const struct part *part, const struct measured *measured,
                  const struct judged *judged)
{
    switch (measured->type) {
    case MEASURED_NONE:
        return;
    case MEASURED_NUMBER:
        quantity_out(out, "valueQuantity", judged->has_charted ? judged->charted : measured->value,
                     judged->has_charted ? judged->unit : measured->unit, part);
        return;
    case MEASURED_WORD:
        word_out(out, "valueCodeableConcept", measured->word);
        return;
    case MEASURED_NOT_TAKEN:
        reason_out(out, measured->reason);
        return;
    }
}

void interpretation_out(struct json_out *out, const struct judged *judged)
{
    const struct coding coding = {INTERPRETATION_SYSTEM,
                                  interpretation_code(judged->interpretation),
                                  interpretation_display(judged->interpretation)};

    if (!coding.code)
        return;
    out_name(out, "interpretation");
    out_array(out);
    out_object(out);
    out_name(out, "coding");
    out_array(out);
    coding_out(out, &coding);
    out_array_end(out);
    out_member_if(out, "text", judged->name);
    out_object_end(out);
    out_array_end(out);
}

void reference_range_out(struct json_out *out, const struct part *part, const struct judged *judged)
{
    const struct range *range = judged->range;
    const struct unit *unit;

    if (!range)
        return;
    unit = range->in ? range->in : part->unit ? part->unit : judged->unit;
    out_name(out, "referenceRange");
    out_array(out);
    out_object(out);
    if (range->has_low)
        quantity_out(out, "low", range->low, unit, part);
    if (range->has_high)
        quantity_out(out, "high", range->high, unit, part);
    out_member_if(out, "text", range->text);
    out_object_end(out);
    out_array_end(out);
}

static void part_code_out(struct json_out *out, const struct part *part,
                          const struct reading *reading)
{
    out_name(out, "code");
    out_object(out);
    if (part->codes.count + said_codes(NULL, reading, part->name) > 0) {
        out_name(out, "coding");
        out_array(out);
        codings_out(out, &part->codes);
        said_codes(out, reading, part->name);
        out_array_end(out);
    }
    out_member(out, "text", part->title);
    out_object_end(out);
}

/* Of a sign not taken as a whole the reason stands on each component that is due (vs-3: a component
 * has a value or a reason), unless the Observation has a place of its own for it. */
static void part_out(struct mapping *mapping, size_t index, size_t part_index, struct list *list)
{
    const struct reading *reading = &mapping->set->readings[index];
    const struct part *part = &reading->kind->parts[part_index];
    const struct measured *measured = &reading->parts[part_index];
    const struct judged *judged = &mapping->judgements[index].parts[part_index];
    bool absent = reading->not_taken && part->required && value_part(reading->kind) == SIZE_MAX;

    if (part->is_value || (!absent && measured->type == MEASURED_NONE))
        return;
    list_item(list);
    part_code_out(mapping->out, part, reading);
    if (absent) {
        reason_out(mapping->out, reading->not_taken);
    } else {
        measured_out(mapping->out, part, measured, judged);
        interpretation_out(mapping->out, judged);
        reference_range_out(mapping->out, part, judged);
    }
    out_object_end(mapping->out);
}

static void field_out(struct mapping *mapping, size_t index, size_t field_index, struct list *list)
{
    const struct reading *reading = &mapping->set->readings[index];
    const struct field *field = &reading->kind->fields[field_index];

    if (!field_goes(field, &reading->fields[field_index], AS_COMPONENT))
        return;
    list_item(list);
    concept_out(mapping->out, "code", &field->codes, field->title);
    said_value_out(mapping, reading, &mapping->judgements[index].fields[field_index], field_index);
    out_object_end(mapping->out);
}

void components_out(struct mapping *mapping, size_t reading)
{
    const struct kind *kind = mapping->set->readings[reading].kind;
    struct list list = {mapping->out, "component", false};

    for (size_t i = 0; i < kind->parts_count; i++)
        part_out(mapping, reading, i, &list);
    for (size_t i = 0; i < kind->fields_count; i++)
        field_out(mapping, reading, i, &list);
    list_end(&list);
}

void score_components_out(struct json_out *out, const struct score_answer *score)
{
    const struct score_table *table = score->table;
    struct list list = {out, "component", false};

    for (size_t i = 0; i < table->inputs_count; i++) {
        const struct codings codes = {&table->inputs[i].coding, 1};

        if (score->points[i] < 0)
            continue;
        list_item(&list);
        concept_out(out, "code", &codes, table->inputs[i].title);
        quantity_out(out, "valueQuantity", (struct decimal){score->points[i], 0}, table->unit,
                     NULL);
        out_object_end(out);
    }
    list_end(&list);
}
