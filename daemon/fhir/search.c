/* search.c - where something is on the server: searchsets, Location headers, ETags. */
#include <stdio.h>
#include <string.h>

#include "fhir/answer.h"
#include "wardpost/json_in.h"

static const char type[] = "Observation/";

/* Absolute or relative: the last step "Observation" counts, for a base may have anything in its
 * path. A history step is the version, what else may stand behind (a query, a slash, blanks of a
 * header) is not looked at. */
bool location_read(const char *location, char out[256], char version[80])
{
    static const char history[] = "/_history/";
    const char *id = NULL, *rest;
    size_t length;

    for (const char *next = location; (next = strstr(next, type)); next++)
        if (next == location || next[-1] == '/' || next[-1] == ' ')
            id = next + sizeof(type) - 1;
    length = id ? strcspn(id, "/?# \t\r\n") : 0;
    if (!id || !answer_id(id, length))
        return false;
    (void)snprintf(out, 256, "%s%.*s", type, (int)length, id);
    version[0] = '\0';
    rest = id + length;
    if (strncmp(rest, history, sizeof(history) - 1) != 0)
        return true;
    rest += sizeof(history) - 1;
    length = strcspn(rest, "/?# \t\r\n");
    if (answer_id(rest, length))
        (void)snprintf(version, 80, "%.*s", (int)length, rest);
    return true;
}

/* A weak one, as FHIR has it (R4 http.html#versioning). */
void etag_read(const char *etag, char version[80])
{
    size_t length = strlen(etag);

    version[0] = '\0';
    if (length > 4 && strncmp(etag, "W/\"", 3) == 0 && etag[length - 1] == '"' &&
        answer_id(etag + 3, length - 4))
        (void)snprintf(version, 80, "%.*s", (int)(length - 4), etag + 3);
}

/* ---- searchset ---- */

struct finding {
    struct found *out;
    size_t room, count;
    bool more;
};

static bool read_uuid(const json_t *identifier, struct uuid *id)
{
    static const char urn[] = "urn:uuid:";
    const char *value = answer_text(identifier, "value");

    return answer_is(identifier, "system", "urn:ietf:rfc:3986") &&
           strncmp(value, urn, sizeof(urn) - 1) == 0 &&
           uuid_parse(value + sizeof(urn) - 1, strlen(value) - (sizeof(urn) - 1), id);
}

static bool read_place(const json_t *entry, const json_t *resource, struct found *out)
{
    const char *id = answer_text(resource, "id");
    const char *version = answer_text(json_object_get(resource, "meta"), "versionId");

    if (answer_id(id, strlen(id))) {
        (void)snprintf(out->location, sizeof(out->location), "%s%s", type, id);
        out->version[0] = '\0';
    } else if (!location_read(answer_text(entry, "fullUrl"), out->location, out->version)) {
        return false;
    }
    if (answer_id(version, strlen(version)))
        (void)snprintf(out->version, sizeof(out->version), "%s", version);
    return true;
}

/* One for each of its UUIDs: ours need not be the first one. */
static void read_identifiers(const json_t *resource, struct finding *finding, struct found *one)
{
    size_t index;
    json_t *identifier;

    json_array_foreach(json_object_get(resource, "identifier"), index, identifier)
    {
        if (!read_uuid(identifier, &one->id))
            continue;
        if (finding->count == finding->room)
            finding->more = true;
        else
            finding->out[finding->count++] = *one;
    }
}

static bool is_match(const json_t *entry)
{
    const char *mode = answer_text(json_object_get(entry, "search"), "mode");

    return !*mode || strcmp(mode, "match") == 0;
}

/* Does it say that there are more than these? */
static bool total_is_over(const json_t *bundle, size_t matches)
{
    struct decimal total;

    return digits_decimal(json_object_get(bundle, "total"), &total) &&
           decimal_compare(total, (struct decimal){(int64_t)matches, 0}) > 0;
}

static void read_entries(const json_t *bundle, struct finding *finding)
{
    size_t index, matches = 0;
    json_t *entry;

    json_array_foreach(json_object_get(bundle, "entry"), index, entry)
    {
        const json_t *resource = json_object_get(entry, "resource");
        struct found one;

        if (!is_match(entry))
            continue;
        matches++;
        if (answer_is(resource, "resourceType", "Observation") && read_place(entry, resource, &one))
            read_identifiers(resource, finding, &one);
    }
    if (total_is_over(bundle, matches) ||
        answer_find(json_object_get(bundle, "link"), "relation", "next"))
        finding->more = true;
}

enum status search_answer_read(const char *text, size_t length, struct found *out, size_t room,
                               size_t *count, bool *more)
{
    struct finding finding = {out, room, 0, false};
    json_t *bundle = NULL;
    enum status status = answer_load(text, length, "Bundle", &bundle);

    if (status == STATUS_OK && !answer_is(bundle, "type", "searchset"))
        status = STATUS_INVALID;
    if (status == STATUS_OK)
        read_entries(bundle, &finding);
    *count = finding.count;
    *more = finding.more;
    json_decref(bundle);
    return status;
}
