/* abilities.c - what a server says it can do: its CapabilityStatement (R4
 * capabilitystatement.html). Absent means false. */
#include <stdio.h>
#include <string.h>

#include "fhir/answer.h"
#include "wardpost/json_in.h"

/* "json", "application/fhir+json" or "application/json", each perhaps with parameters behind a
 * semicolon. */
static bool is_json_format(const char *format)
{
    static const char *const formats[] = {"json", "application/fhir+json", "application/json"};
    size_t length = strcspn(format, "; ");

    for (size_t i = 0; i < sizeof(formats) / sizeof(formats[0]); i++)
        if (strlen(formats[i]) == length && memcmp(format, formats[i], length) == 0)
            return true;
    return false;
}

static bool takes_json(const json_t *formats)
{
    size_t index;
    json_t *format;

    json_array_foreach(formats, index, format)
    {
        if (text_is(format) && is_json_format(json_string_value(format)))
            return true;
    }
    return false;
}

static bool does(const json_t *of, const char *interaction)
{
    return answer_find(json_object_get(of, "interaction"), "code", interaction);
}

static void read_observation(const json_t *resource, struct abilities *out)
{
    out->create = does(resource, "create");
    out->update = does(resource, "update");
    out->search = does(resource, "search-type");
    out->update_create = out->update && json_is_true(json_object_get(resource, "updateCreate"));
    out->conditional_create =
        out->create && json_is_true(json_object_get(resource, "conditionalCreate"));
    out->search_by_identifier =
        answer_find(json_object_get(resource, "searchParam"), "name", "identifier");
}

enum status abilities_read(const char *text, size_t length, struct abilities *out)
{
    json_t *statement = NULL;
    enum status status = answer_load(text, length, "CapabilityStatement", &statement);
    const json_t *rest = answer_find(json_object_get(statement, "rest"), "mode", "server");

    if (status != STATUS_OK)
        return status;
    *out = (struct abilities){.fhir_version = ""};
    (void)snprintf(out->fhir_version, sizeof(out->fhir_version), "%.15s",
                   answer_text(statement, "fhirVersion"));
    out->json = takes_json(json_object_get(statement, "format"));
    out->batch = does(rest, "batch");
    out->transaction = does(rest, "transaction");
    read_observation(answer_find(json_object_get(rest, "resource"), "type", "Observation"), out);
    json_decref(statement);
    return STATUS_OK;
}
