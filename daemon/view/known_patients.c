/* known_patients.c - who may be meant, as the local copy has it. */
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

static bool seen(void *context, const struct known_patient *patient)
{
    view_known_patient(patient, context);
    return true;
}

enum status view_known_patients(struct outbox_reader *reader,
                                const struct patient_question *question, const char *server,
                                struct json_out *out)
{
    enum status status;

    out_object(out);
    out_name(out, "patients");
    out_array(out);
    status = outbox_known(reader, question, seen, out);
    out_array_end(out);
    out_member(out, "server", server);
    out_object_end(out);
    return status;
}
