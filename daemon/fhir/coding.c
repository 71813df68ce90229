/* coding.c - the FHIR data types an Observation is made of: Coding, CodeableConcept, Quantity. */
#include <stdlib.h>
#include <string.h>

#include "fhir/fhir_private.h"

#define UCUM          "http://unitsofmeasure.org"
#define ORDINAL_VALUE "http://hl7.org/fhir/StructureDefinition/ordinalValue"

void urn_text(const struct uuid *id, char out[URN_TEXT_ROOM])
{
    memcpy(out, UUID_URN, sizeof(UUID_URN) - 1);
    uuid_text(id, out + sizeof(UUID_URN) - 1);
}

/* ---- joined texts ---- */

void scratch_init(struct scratch *scratch)
{
    scratch->text = scratch->first;
    scratch->length = 0;
    scratch->room = sizeof(scratch->first);
    scratch->failed = false;
    scratch->text[0] = '\0';
}

void scratch_clear(struct scratch *scratch)
{
    if (scratch->text != scratch->first)
        free(scratch->text);
    scratch_init(scratch);
}

void scratch_empty(struct scratch *scratch)
{
    scratch->length = 0;
    scratch->text[0] = '\0';
}

static bool scratch_grow(struct scratch *scratch, size_t more)
{
    size_t room = scratch->room * 2 + more;
    char *longer = realloc(scratch->text == scratch->first ? NULL : scratch->text, room);

    if (!longer) {
        scratch->failed = true;
        return false;
    }
    if (scratch->text == scratch->first)
        memcpy(longer, scratch->first, scratch->length + 1);
    scratch->text = longer;
    scratch->room = room;
    return true;
}

void scratch_add(struct scratch *scratch, const char *text)
{
    size_t length = strlen(text);

    if (scratch->length + length >= scratch->room && !scratch_grow(scratch, length))
        return;
    memcpy(scratch->text + scratch->length, text, length + 1);
    scratch->length += length;
}

/* ---- codes ---- */

static void coding_members_out(struct json_out *out, const struct coding *coding)
{
    out_member(out, "system", coding->system);
    out_member(out, "code", coding->code);
    out_member_if(out, "display", coding->display);
}

void coding_out(struct json_out *out, const struct coding *coding)
{
    out_object(out);
    coding_members_out(out, coding);
    out_object_end(out);
}

void codings_out(struct json_out *out, const struct codings *codings)
{
    for (size_t i = 0; i < codings->count; i++)
        coding_out(out, &codings->items[i]);
}

void concept_out(struct json_out *out, const char *name, const struct codings *codings,
                 const char *text)
{
    out_name(out, name);
    out_object(out);
    if (codings->count > 0) {
        out_name(out, "coding");
        out_array(out);
        codings_out(out, codings);
        out_array_end(out);
    }
    out_member_if(out, "text", text);
    out_object_end(out);
}

/* The extension stands on each coding of the word (R4 extension ordinalValue, on Coding). */
static void ranked_coding_out(struct json_out *out, const struct coding *coding, int points)
{
    out_object(out);
    out_name(out, "extension");
    out_array(out);
    out_object(out);
    out_member(out, "url", ORDINAL_VALUE);
    out_member_integer(out, "valueDecimal", points);
    out_object_end(out);
    out_array_end(out);
    coding_members_out(out, coding);
    out_object_end(out);
}

void word_out(struct json_out *out, const char *name, const struct word *word)
{
    if (!word->has_points || word->codings.count == 0) {
        concept_out(out, name, &word->codings, word->text);
        return;
    }
    out_name(out, name);
    out_object(out);
    out_name(out, "coding");
    out_array(out);
    for (size_t i = 0; i < word->codings.count; i++)
        ranked_coding_out(out, &word->codings.items[i], word->points);
    out_array_end(out);
    out_member(out, "text", word->text);
    out_object_end(out);
}

void reason_out(struct json_out *out, const struct reason *reason)
{
    const struct codings one = {&reason->coding, 1};

    concept_out(out, "dataAbsentReason", &one, reason->text);
}

void quantity_out(struct json_out *out, const char *name, struct decimal value,
                  const struct unit *unit, const struct part *part)
{
    const char *text = part && part->text && part->unit == unit ? part->text : unit->text;

    out_name(out, name);
    out_object(out);
    out_member_decimal(out, "value", value);
    out_member(out, "unit", text);
    out_member(out, "system", UCUM);
    out_member(out, "code", unit->code);
    out_object_end(out);
}
