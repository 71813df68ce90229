/* outcome.c - what a FHIR server said, whatever it said: see wardpost/outcome.h. Plain jansson:
 * digits do not matter here. */
#include <jansson.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "wardpost/outcome.h"

#define OUTCOME_MOST 8192
#define LOAD_FLAGS                                                                 \
    JSON_DECODE_INT_AS_REAL /* integers of any size: only small ones are looked at \
                             */

static json_t *load(const char *text, size_t length, const char *type)
{
    json_t *json = json_loadb(text, length, LOAD_FLAGS, NULL);
    const char *found = json_string_value(json_object_get(json, "resourceType"));

    if (found && strcmp(found, type) == 0)
        return json;
    json_decref(json);
    return NULL;
}

static const char *text_of(const json_t *json, const char *name)
{
    const char *text = json_string_value(json_object_get(json, name));

    return text ? text : "";
}

/* ---- where something is ---- */

static bool is_id(const char *text, size_t length)
{
    if (length == 0 || length > 64)
        return false;
    for (size_t i = 0; i < length; i++)
        if (!((text[i] >= 'a' && text[i] <= 'z') || (text[i] >= 'A' && text[i] <= 'Z') ||
              (text[i] >= '0' && text[i] <= '9') || text[i] == '-' || text[i] == '.'))
            return false;
    return true;
}

/* Absolute or relative, with or without _history: the last "Observation/" counts, as a base may
 * have anything in its path. */
bool location_read(const char *location, char out[256], char version[80])
{
    static const char type[] = "Observation/";
    const char *at = NULL, *id;
    size_t length;

    for (const char *next = location; (next = strstr(next, type)); next++)
        if (next == location || next[-1] == '/')
            at = next;
    if (!at)
        return false;
    id = at + sizeof(type) - 1;
    length = strcspn(id, "/?#");
    if (!is_id(id, length))
        return false;
    snprintf(out, 256, "%s%.*s", type, (int)length, id);
    version[0] = '\0';
    if (strncmp(id + length, "/_history/", 10) == 0) {
        const char *number = id + length + 10;
        size_t digits = strcspn(number, "/?#");

        if (is_id(number, digits))
            snprintf(version, 80, "%.*s", (int)digits, number);
    }
    return true;
}

void etag_read(const char *etag, char version[80])
{
    size_t length = strlen(etag);

    version[0] = '\0';
    if (length > 4 && strncmp(etag, "W/\"", 3) == 0 && etag[length - 1] == '"' &&
        is_id(etag + 3, length - 4))
        snprintf(version, 80, "%.*s", (int)(length - 4), etag + 3);
}

/* ---- batch-response ---- */

static int status_of(const char *text)
{
    if (strlen(text) < 3 || strspn(text, "0123456789") != 3)
        return 0;
    return (text[0] - '0') * 100 + (text[1] - '0') * 10 + (text[2] - '0');
}

static void keep_outcome(const json_t *outcome, struct entry_answer *out)
{
    char *text = json_is_object(outcome) ? json_dumps(outcome, JSON_COMPACT) : NULL;

    if (text && strlen(text) > OUTCOME_MOST)
        text[OUTCOME_MOST] = '\0';
    out->outcome = text;
    out->outcome_length = text ? strlen(text) : 0;
}

static void read_entry(const json_t *entry, struct entry_answer *out)
{
    const json_t *response = json_object_get(entry, "response");
    const json_t *outcome = json_object_get(response, "outcome");
    const json_t *resource = json_object_get(entry, "resource");

    out->status = status_of(text_of(response, "status"));
    if (!location_read(text_of(response, "location"), out->location, out->version))
        out->location[0] = out->version[0] = '\0';
    if (!out->version[0])
        etag_read(text_of(response, "etag"), out->version);
    if (out->status < 300)
        return;
    keep_outcome(outcome                                                              ? outcome
                 : strcmp(text_of(resource, "resourceType"), "OperationOutcome") == 0 ? resource
                                                                                      : NULL,
                 out);
}

enum status batch_answer_read(const char *text, size_t length, size_t expected,
                              struct entry_answer *out)
{
    json_t *bundle = load(text, length, "Bundle");
    const json_t *entries = json_object_get(bundle, "entry");
    bool good = json_array_size(entries) == expected &&
                strcmp(text_of(bundle, "type"), "batch-response") == 0;

    for (size_t i = 0; good && i < expected; i++) {
        out[i] = (struct entry_answer){0};
        read_entry(json_array_get(entries, i), &out[i]);
    }
    json_decref(bundle);
    return good ? STATUS_OK : STATUS_INVALID;
}

void entry_answer_clear(struct entry_answer *answer)
{
    free(answer->outcome);
    answer->outcome = NULL;
    answer->outcome_length = 0;
}

/* ---- OperationOutcome ---- */

bool outcome_line(const char *text, size_t length, char *out, size_t room)
{
    json_t *outcome = load(text, length, "OperationOutcome");
    const json_t *issue = json_array_get(json_object_get(outcome, "issue"), 0);
    const char *diagnostics = text_of(issue, "diagnostics");
    bool good = outcome != NULL;

    if (!*diagnostics)
        diagnostics = text_of(json_object_get(issue, "details"), "text");
    if (good)
        snprintf(out, room, "%s %s: %s", text_of(issue, "severity"), text_of(issue, "code"),
                 diagnostics);
    json_decref(outcome);
    return good;
}

bool outcome_is_duplicate(const char *text, size_t length)
{
    json_t *outcome = load(text, length, "OperationOutcome");
    bool duplicate = false;
    size_t index;
    json_t *issue;

    json_array_foreach(json_object_get(outcome, "issue"), index, issue) duplicate =
        duplicate || strcmp(text_of(issue, "code"), "duplicate") == 0;
    json_decref(outcome);
    return duplicate;
}

/* ---- searchset ---- */

static bool find_uuid(const json_t *resource, struct uuid *id)
{
    size_t index;
    json_t *identifier;

    json_array_foreach(json_object_get(resource, "identifier"), index, identifier)
    {
        const char *value = text_of(identifier, "value");

        if (strcmp(text_of(identifier, "system"), "urn:ietf:rfc:3986") == 0 &&
            strncmp(value, "urn:uuid:", 9) == 0 && uuid_parse(value + 9, strlen(value + 9), id))
            return true;
    }
    return false;
}

static bool read_found(const json_t *entry, struct found *out)
{
    const json_t *resource = json_object_get(entry, "resource");
    const char *id = text_of(resource, "id");
    const char *version = text_of(json_object_get(resource, "meta"), "versionId");

    if (strcmp(text_of(resource, "resourceType"), "Observation") != 0 || !is_id(id, strlen(id)) ||
        !find_uuid(resource, &out->id))
        return false;
    snprintf(out->location, sizeof(out->location), "Observation/%s", id);
    snprintf(out->version, sizeof(out->version), "%s",
             is_id(version, strlen(version)) ? version : "");
    return true;
}

static bool has_next(const json_t *bundle)
{
    size_t index;
    json_t *link;

    json_array_foreach(json_object_get(bundle, "link"), index,
                       link) if (strcmp(text_of(link, "relation"), "next") == 0) return true;
    return false;
}

enum status search_answer_read(const char *text, size_t length, struct found *out, size_t room,
                               size_t *count, bool *more)
{
    json_t *bundle = load(text, length, "Bundle");
    size_t index;
    json_t *entry;

    *count = 0;
    *more = false;
    if (!bundle || strcmp(text_of(bundle, "type"), "searchset") != 0) {
        json_decref(bundle);
        return STATUS_INVALID;
    }
    json_array_foreach(json_object_get(bundle, "entry"), index, entry)
    {
        if (*count == room)
            *more = true;
        else
            *count += read_found(entry, &out[*count]);
    }
    *more = *more || has_next(bundle);
    json_decref(bundle);
    return STATUS_OK;
}

/* ---- CapabilityStatement ---- */

static bool lists(const json_t *list, const char *member, const char *wanted)
{
    size_t index;
    json_t *item;

    json_array_foreach(list, index, item)
    {
        const char *text = member ? text_of(item, member) : json_string_value(item);

        if (text && strcmp(text, wanted) == 0)
            return true;
    }
    return false;
}

static const json_t *find_by(const json_t *list, const char *member, const char *wanted)
{
    size_t index;
    json_t *item;

    json_array_foreach(list, index,
                       item) if (strcmp(text_of(item, member), wanted) == 0) return item;
    return NULL;
}

static void read_observation(const json_t *resource, struct abilities *out)
{
    const json_t *interactions = json_object_get(resource, "interaction");

    out->create = lists(interactions, "code", "create");
    out->update = lists(interactions, "code", "update");
    out->search = lists(interactions, "code", "search-type");
    out->update_create = out->update && json_is_true(json_object_get(resource, "updateCreate"));
    out->conditional_create = json_is_true(json_object_get(resource, "conditionalCreate"));
    out->search_by_identifier =
        lists(json_object_get(resource, "searchParam"), "name", "identifier");
}

enum status abilities_read(const char *text, size_t length, struct abilities *out)
{
    json_t *statement = load(text, length, "CapabilityStatement");
    const json_t *rest = find_by(json_object_get(statement, "rest"), "mode", "server");
    const json_t *formats = json_object_get(statement, "format");

    *out = (struct abilities){.fhir_version = ""};
    if (!statement)
        return STATUS_INVALID;
    snprintf(out->fhir_version, sizeof(out->fhir_version), "%s", text_of(statement, "fhirVersion"));
    out->json = lists(formats, NULL, "json") || lists(formats, NULL, "application/fhir+json");
    out->batch = lists(json_object_get(rest, "interaction"), "code", "batch");
    out->transaction = lists(json_object_get(rest, "interaction"), "code", "transaction");
    read_observation(find_by(json_object_get(rest, "resource"), "type", "Observation"), out);
    json_decref(statement);
    return STATUS_OK;
}
