/* known_patients.c - who may be meant, as the local copy has it. */
#include <stdlib.h>
#include <string.h>

#include "view/view_private.h"

void view_known_patient(const struct known_patient *patient, struct json_out *out)
{
    out_object(out);
    out_name(out, "identifier");
    out_object(out);
    out_member(out, "system", patient->system);
    out_member(out, "value", patient->value);
    out_object_end(out);
    out_member_if(out, "family", patient->family);
    out_member_if(out, "given", patient->given);
    out_member_if(out, "birthDate", patient->birth_date);
    out_member_if(out, "gender", patient->gender);
    out_member_if(out, "ward", patient->ward);
    out_member_if(out, "bed", patient->bed);
    out_member_bool(out, "active", patient->active);
    if (patient->deceased)
        out_member_bool(out, "deceased", true);
    out_member(out, "source", patient_source_text(patient->source));
    time_out(out, "seen", patient->seen_ms);
    out_member_bool(out, "alike", patient->alike);
    out_object_end(out);
}

struct listing {
    const struct patients_named *named;
    bool *listed; /* of the named ones */
    size_t count, most;
    struct json_out *out;
};

static bool is_same(const struct known_patient *a, const struct known_patient *b)
{
    return strcmp(a->value, b->value) == 0 && strcmp(a->system, b->system) == 0;
}

static bool seen(void *context, const struct known_patient *patient)
{
    struct listing *listing = context;

    for (size_t i = 0; i < listing->named->count; i++)
        if (is_same(patient, &listing->named->items[i]))
            listing->listed[i] = true;
    view_known_patient(patient, listing->out);
    listing->count++;
    return true;
}

/* One that the server named, as the local copy has it now (with her ward); where it could not be
 * kept, as the server said. */
static enum status named_out(struct outbox_reader *reader, struct listing *listing, size_t index)
{
    const struct known_patient *patient = &listing->named->items[index];
    const struct patient_question question = {
        .value = patient->value, .systems = &patient->system, .systems_count = 1, .most = 1};
    const size_t before = listing->count;
    enum status status = outbox_known(reader, &question, seen, listing);

    if (status == STATUS_OK && listing->count == before)
        (void)seen(listing, patient);
    return status;
}

enum status view_known_patients(struct outbox_reader *reader,
                                const struct patient_question *question,
                                const struct patients_named *named, struct json_out *out)
{
    struct listing listing = {.named = named,
                              .listed = calloc(named->count + 1, sizeof(bool)),
                              .most = question->most,
                              .out = out};
    enum status status;

    if (!listing.listed)
        return STATUS_NO_MEMORY;
    out_object(out);
    out_name(out, "patients");
    out_array(out);
    status = outbox_known(reader, question, seen, &listing);
    for (size_t i = 0; i < named->count && status == STATUS_OK && listing.count < listing.most; i++)
        if (!listing.listed[i])
            status = named_out(reader, &listing, i);
    out_array_end(out);
    out_member(out, "server", named->server);
    out_object_end(out);
    free(listing.listed);
    return status;
}
