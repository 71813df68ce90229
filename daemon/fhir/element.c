/* element.c - the elements that every Observation of ours has: who it is, of whom, when, by whom.
 */
#include "fhir/fhir_private.h"

void head_out(struct json_out *out, const struct uuid *id, const char *profile)
{
    char text[UUID_TEXT_ROOM];

    uuid_text(id, text);
    out_object(out);
    out_member(out, "resourceType", "Observation");
    out_member(out, "id", text);
    if (!profile)
        return;
    out_name(out, "meta");
    out_object(out);
    out_name(out, "profile");
    out_array(out);
    out_text(out, profile);
    out_array_end(out);
    out_object_end(out);
}

void identity_out(struct json_out *out, const struct uuid *id, const struct coding *category)
{
    const struct codings one = {category, 1};
    char urn[URN_TEXT_ROOM];

    urn_text(id, urn);
    out_name(out, "identifier");
    out_array(out);
    out_object(out);
    out_member(out, "system", IDENTIFIER_SYSTEM);
    out_member(out, "value", urn);
    out_object_end(out);
    out_array_end(out);
    out_member(out, "status", "final");
    out_name(out, "category");
    out_array(out);
    out_object(out);
    out_name(out, "coding");
    out_array(out);
    codings_out(out, &one);
    out_array_end(out);
    out_object_end(out);
    out_array_end(out);
}

/* A logical reference {type, identifier}: nobody has looked the other one up on the server. */
static void reference_out(struct json_out *out, const char *type, const char *system,
                          const char *value)
{
    out_object(out);
    out_member(out, "type", type);
    out_name(out, "identifier");
    out_object(out);
    out_member_if(out, "system", system);
    out_member(out, "value", value);
    out_object_end(out);
    out_object_end(out);
}

void whom_when_who_out(struct json_out *out, const struct patient *patient, const char *taken,
                       const char *by)
{
    if (patient->given) {
        out_name(out, "subject");
        reference_out(out, "Patient", patient->system, patient->value);
    }
    out_member(out, "effectiveDateTime", taken);
    if (!by)
        return;
    out_name(out, "performer");
    out_array(out);
    reference_out(out, "Practitioner", NULL, by);
    out_array_end(out);
}

void device_out(struct json_out *out, const char *device)
{
    if (!device)
        return;
    out_name(out, "device");
    reference_out(out, "Device", NULL, device);
}

void references_out(struct json_out *out, const char *name, const struct observation *items,
                    const struct observation_need *needs, size_t count)
{
    char urn[URN_TEXT_ROOM];

    if (count == 0)
        return;
    out_name(out, name);
    out_array(out);
    for (size_t i = 0; i < count; i++) {
        urn_text(&items[needs[i].on].id, urn);
        out_object(out);
        out_member(out, "reference", urn);
        out_object_end(out);
    }
    out_array_end(out);
}
