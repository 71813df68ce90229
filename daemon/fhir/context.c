/* context.c - the context fields of a reading, sorted by where in an Observation they go (`as` in
 * the kind table; a word may carry its own). */
#include <stdio.h>
#include <string.h>

#include "fhir/fhir_private.h"

static enum field_as word_as(const struct field *field, const struct word *word)
{
    return word->has_as ? word->as : field->as;
}

bool field_goes(const struct field *field, const struct said *said, enum field_as as)
{
    if (!said->given)
        return false;
    if (field->type != FIELD_WORD && field->type != FIELD_WORDS)
        return field->as == as;
    for (size_t i = 0; i < said->words_count; i++)
        if (word_as(field, said->words[i]) == as)
            return true;
    return false;
}

bool reading_says(const struct reading *reading, enum field_as as)
{
    for (size_t i = 0; i < reading->kind->fields_count; i++)
        if (field_goes(&reading->kind->fields[i], &reading->fields[i], as))
            return true;
    return false;
}

/* ---- texts: each with a lead before it, "" for the first ---- */

static void join(struct scratch *scratch, const char **lead, const char *text)
{
    scratch_add(scratch, *lead);
    scratch_add(scratch, text);
    *lead = "; ";
}

static void join_counted(struct scratch *scratch, const char **lead, const struct said *said)
{
    char text[64];

    (void)snprintf(text, sizeof(text), "Counted %d in %d s", said->beats, said->seconds);
    join(scratch, lead, text);
}

/* What of this field goes there. A quantity goes out as a Quantity and has no text. */
static void join_said(struct scratch *scratch, const char **lead, const struct field *field,
                      const struct said *said, enum field_as as)
{
    switch (field->type) {
    case FIELD_WORD:
    case FIELD_WORDS:
        for (size_t i = 0; i < said->words_count; i++)
            if (word_as(field, said->words[i]) == as)
                join(scratch, lead, said->words[i]->text);
        return;
    case FIELD_TEXT:
        join(scratch, lead, said->text);
        return;
    case FIELD_COUNT:
        join_counted(scratch, lead, said);
        return;
    case FIELD_QUANTITY:
        return;
    }
}

void said_notes(struct mapping *mapping, const struct reading *reading)
{
    struct scratch *scratch = &mapping->scratch;
    const char *lead = "";

    scratch_empty(scratch);
    for (size_t i = 0; i < reading->kind->fields_count; i++) {
        if (!field_goes(&reading->kind->fields[i], &reading->fields[i], AS_NOTE))
            continue;
        join(scratch, &lead, reading->kind->fields[i].title);
        lead = ": ";
        join_said(scratch, &lead, &reading->kind->fields[i], &reading->fields[i], AS_NOTE);
    }
}

/* ---- concepts ---- */

static size_t said_codings(const struct field *field, const struct said *said, enum field_as as,
                           struct json_out *out)
{
    size_t count = 0;

    for (size_t i = 0; said->given && i < said->words_count; i++) {
        if (word_as(field, said->words[i]) != as)
            continue;
        count += said->words[i]->codings.count;
        if (out)
            codings_out(out, &said->words[i]->codings);
    }
    return count;
}

struct fields { /* of a reading, from `first` to before `end` */
    const struct reading *reading;
    size_t first, end;
};

static void fields_codings_out(struct json_out *out, const struct fields *fields, enum field_as as)
{
    const struct field *field = fields->reading->kind->fields;
    const struct said *said = fields->reading->fields;
    size_t count = 0;

    for (size_t i = fields->first; i < fields->end; i++)
        count += said_codings(&field[i], &said[i], as, NULL);
    if (count == 0)
        return;
    out_name(out, "coding");
    out_array(out);
    for (size_t i = fields->first; i < fields->end; i++)
        said_codings(&field[i], &said[i], as, out);
    out_array_end(out);
}

static void fields_concept_out(struct mapping *mapping, const char *name,
                               const struct fields *fields, enum field_as as)
{
    const struct reading *reading = fields->reading;
    const char *lead = "";

    scratch_empty(&mapping->scratch);
    for (size_t i = fields->first; i < fields->end; i++)
        if (field_goes(&reading->kind->fields[i], &reading->fields[i], as))
            join_said(&mapping->scratch, &lead, &reading->kind->fields[i], &reading->fields[i], as);
    out_name(mapping->out, name);
    out_object(mapping->out);
    fields_codings_out(mapping->out, fields, as);
    out_member(mapping->out, "text", mapping->scratch.text);
    out_object_end(mapping->out);
}

void said_concept_out(struct mapping *mapping, const char *name, const struct reading *reading,
                      enum field_as as)
{
    const struct fields all = {reading, 0, reading->kind->fields_count};

    if (reading_says(reading, as))
        fields_concept_out(mapping, name, &all, as);
}

void said_value_out(struct mapping *mapping, const struct reading *reading,
                    const struct judged *judged, size_t index)
{
    const struct field *field = &reading->kind->fields[index];
    const struct said *said = &reading->fields[index];
    const struct fields one = {reading, index, index + 1};

    switch (field->type) {
    case FIELD_WORD:
        word_out(mapping->out, "valueCodeableConcept", said->words[0]);
        return;
    case FIELD_WORDS:
        fields_concept_out(mapping, "valueCodeableConcept", &one, field->as);
        return;
    case FIELD_TEXT:
        out_member(mapping->out, "valueString", said->text);
        return;
    case FIELD_QUANTITY:
        quantity_out(mapping->out, "valueQuantity",
                     judged->has_charted ? judged->charted : said->value,
                     judged->has_charted ? judged->unit : said->unit, &field->quantity);
        return;
    case FIELD_COUNT: /* the loader lets it be a method only */
        return;
    }
}

/* ---- codes ---- */

static size_t word_codes(struct json_out *out, const struct field *field, const struct word *word,
                         const char *part)
{
    const struct codings *codes = NULL;

    if (!part && word_as(field, word) == AS_CODE)
        codes = &word->codings;
    for (size_t i = 0; part && i < word->part_codings_count; i++)
        if (strcmp(word->part_codings[i].part, part) == 0)
            codes = &word->part_codings[i].codings;
    if (codes && out)
        codings_out(out, codes);
    return codes ? codes->count : 0;
}

size_t said_codes(struct json_out *out, const struct reading *reading, const char *part)
{
    size_t count = 0;

    for (size_t i = 0; i < reading->kind->fields_count; i++)
        for (size_t w = 0; reading->fields[i].given && w < reading->fields[i].words_count; w++)
            count += word_codes(out, &reading->kind->fields[i], reading->fields[i].words[w], part);
    return count;
}
