/* bundle.c - Bundles over Observations that are text already, and the references in them. */
#include <stdio.h>
#include <string.h>

#include "wardpost/bundle.h"

void identifier_query(const struct uuid *id, char out[IDENTIFIER_QUERY_ROOM])
{
    char text[UUID_TEXT_ROOM];

    uuid_text(id, text);
    snprintf(out, IDENTIFIER_QUERY_ROOM, "identifier=urn:ietf:rfc:3986%%7Curn:uuid:%s", text);
}

/* ---- references ---- */

/* What observation.h writes, and nothing else: compact JSON whose own members stand where they
 * stand. */
static const char head[] = "{\"resourceType\":\"Observation\",\"id\":\"";
static const char reference[] = "{\"reference\":\"urn:uuid:";
static const char reference_end[] = "\"}";

struct copying {
    const char *at, *end;
    struct json_out *out;
    reference_lookup *lookup;
    void *context;
};

static bool starts(const struct copying *copying, const char *text)
{
    size_t length = strlen(text);

    return (size_t)(copying->end - copying->at) >= length && memcmp(copying->at, text, length) == 0;
}

/* Behind the string that begins here. */
static bool skip_string(struct copying *copying)
{
    for (copying->at++; copying->at < copying->end; copying->at++) {
        if (*copying->at == '\\')
            copying->at++;
        else if (*copying->at == '"') {
            copying->at++;
            return true;
        }
    }
    return false;
}

/* Behind the value that begins here; any JSON that json_out wrote. */
static bool skip_value(struct copying *copying)
{
    unsigned depth = 0;

    while (copying->at < copying->end) {
        char c = *copying->at;

        if (c == '"') {
            if (!skip_string(copying))
                return false;
        } else {
            if (depth == 0 && (c == ',' || c == '}' || c == ']'))
                return true;
            depth += c == '{' || c == '[';
            depth -= depth > 0 && (c == '}' || c == ']');
            copying->at++;
        }
        if (depth == 0 && (c == '"' || c == '}' || c == ']'))
            return true;
    }
    return false;
}

/* One entry of hasMember or derivedFrom. */
static bool refer_one(struct copying *copying, bool *begun, const char *name)
{
    const char *found;
    struct uuid id;

    if (!starts(copying, reference))
        return false;
    copying->at += sizeof(reference) - 1;
    if (copying->end - copying->at < 36 || !uuid_parse(copying->at, 36, &id))
        return false;
    copying->at += 36;
    if (!starts(copying, reference_end))
        return false;
    copying->at += sizeof(reference_end) - 1;
    found = copying->lookup(copying->context, &id);
    if (!found)
        return true;
    if (!*begun) {
        out_name(copying->out, name);
        out_array(copying->out);
        *begun = true;
    }
    out_object(copying->out);
    out_member(copying->out, "reference", found);
    out_object_end(copying->out);
    return true;
}

static bool refer_list(struct copying *copying, const char *name)
{
    bool begun = false;

    if (!starts(copying, "["))
        return false;
    do {
        copying->at++;
        if (!refer_one(copying, &begun, name))
            return false;
    } while (starts(copying, ","));
    if (!starts(copying, "]"))
        return false;
    copying->at++;
    if (begun)
        out_array_end(copying->out);
    return true;
}

static bool copy_member(struct copying *copying)
{
    static const char *const lists[] = {"hasMember", "derivedFrom"};
    const char *name = copying->at + 1, *value;
    char room[40];
    size_t length;

    if (!starts(copying, "\"") || !skip_string(copying) || !starts(copying, ":"))
        return false;
    length = (size_t)(copying->at - name) - 1;
    if (length >= sizeof(room))
        return false;
    memcpy(room, name, length);
    room[length] = '\0';
    copying->at++;
    for (size_t i = 0; i < 2; i++)
        if (strcmp(room, lists[i]) == 0)
            return refer_list(copying, room);
    value = copying->at;
    if (!skip_value(copying))
        return false;
    out_name(copying->out, room);
    out_raw(copying->out, value, (size_t)(copying->at - value));
    return true;
}

enum status observation_refer(const char *json, size_t length, reference_lookup *lookup,
                              void *context, struct json_out *out)
{
    struct copying copying = {json, json + length, out, lookup, context};

    if (!starts(&copying, head))
        return STATUS_INVALID;
    out_object(out);
    do {
        copying.at++;
        if (!copy_member(&copying))
            return STATUS_INVALID;
    } while (starts(&copying, ","));
    if (!starts(&copying, "}") || copying.at + 1 != copying.end)
        return STATUS_INVALID;
    out_object_end(out);
    return json_out_ok(out) ? STATUS_OK : STATUS_NO_MEMORY;
}

/* The id stands right behind the resource's type: it is written anew, the rest is kept byte for
 * byte. */
enum status observation_rename(struct json_out *out, const char *id)
{
    const size_t before = sizeof(head) - 1;
    struct json_out renamed = JSON_OUT_INIT;
    const char *rest;

    if (out->length < before + 37 || memcmp(out->text, head, before) != 0 ||
        out->text[before + 36] != '"')
        return STATUS_INVALID;
    rest = out->text + before + 38; /* behind the quote and the comma */
    out_object(&renamed);
    out_member(&renamed, "resourceType", "Observation");
    out_member(&renamed, "id", id);
    out_members_raw(&renamed, rest, out->length - (before + 38) - 1);
    out_object_end(&renamed);
    if (!json_out_ok(&renamed)) {
        json_out_clear(&renamed);
        return STATUS_NO_MEMORY;
    }
    json_out_clear(out);
    *out = renamed;
    return STATUS_OK;
}

/* ---- Bundles ---- */

static void out_request(const struct bundle_entry *entry, enum bundle_way way, struct json_out *out)
{
    char id[UUID_TEXT_ROOM], text[IDENTIFIER_QUERY_ROOM];

    uuid_text(&entry->id, id);
    out_name(out, "request");
    out_object(out);
    if (entry->update) {
        out_member(out, "method", "PUT");
        out_member(out, "url", entry->remote);
        if (entry->version) {
            snprintf(text, sizeof(text), "W/\"%.80s\"", entry->version);
            out_member(out, "ifMatch", text);
        }
    } else if (way == BUNDLE_UPDATE_AS_CREATE) {
        snprintf(text, sizeof(text), "Observation/%s", id);
        out_member(out, "method", "PUT");
        out_member(out, "url", text);
    } else {
        identifier_query(&entry->id, text);
        out_member(out, "method", "POST");
        out_member(out, "url", "Observation");
        out_member(out, "ifNoneExist", text);
    }
    out_object_end(out);
}

/* No fullUrl: nothing in a batch refers to anything else in it, and an engine that rewrites every
 * string equal to a fullUrl would spoil the identifier, which is the same UUID. */
void bundle_batch(const struct bundle_entry *entries, size_t count, enum bundle_way way,
                  struct json_out *out)
{
    out_object(out);
    out_member(out, "resourceType", "Bundle");
    out_member(out, "type", "batch");
    out_name(out, "entry");
    out_array(out);
    for (size_t i = 0; i < count; i++) {
        out_object(out);
        out_name(out, "resource");
        out_raw(out, entries[i].json, entries[i].length);
        out_request(&entries[i], way, out);
        out_object_end(out);
    }
    out_array_end(out);
    out_object_end(out);
}

void bundle_collection(const struct bundle_entry *entries, size_t count, struct json_out *out)
{
    char url[16 + UUID_TEXT_ROOM] = "urn:uuid:";

    out_object(out);
    out_member(out, "resourceType", "Bundle");
    out_member(out, "type", "collection");
    out_name(out, "entry");
    out_array(out);
    for (size_t i = 0; i < count; i++) {
        uuid_text(&entries[i].id, url + 9);
        out_object(out);
        out_member(out, "fullUrl", url);
        out_name(out, "resource");
        out_raw(out, entries[i].json, entries[i].length);
        out_object_end(out);
    }
    out_array_end(out);
    out_object_end(out);
}
