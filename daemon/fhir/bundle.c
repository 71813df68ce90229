/* bundle.c - Bundles over Observations that are text already; references in them: refer.c. */
#include <stdio.h>

#include "fhir/fhir_private.h"
#include "wardpost/bundle.h"

void identifier_query(const struct uuid *id, char out[IDENTIFIER_QUERY_ROOM])
{
    char text[UUID_TEXT_ROOM];

    uuid_text(id, text);
    (void)snprintf(out, IDENTIFIER_QUERY_ROOM, "identifier=urn:ietf:rfc:3986%%7Curn:uuid:%s", text);
}

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
            (void)snprintf(text, sizeof(text), "W/\"%.80s\"", entry->version);
            out_member(out, "ifMatch", text);
        }
    } else if (way == BUNDLE_UPDATE_AS_CREATE) {
        (void)snprintf(text, sizeof(text), "Observation/%s", id);
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

static void begin_bundle(struct json_out *out, const char *type, size_t count)
{
    out_object(out);
    out_member(out, "resourceType", "Bundle");
    out_member(out, "type", type);
    if (count == 0) /* FHIR knows no empty arrays */
        return;
    out_name(out, "entry");
    out_array(out);
}

static void end_bundle(struct json_out *out, size_t count)
{
    if (count > 0)
        out_array_end(out);
    out_object_end(out);
}

/* No fullUrl: nothing in a batch refers to anything else in it, and an engine that rewrites every
 * string equal to a fullUrl would spoil the identifier, which is the same UUID. */
void bundle_batch(const struct bundle_entry *entries, size_t count, enum bundle_way way,
                  struct json_out *out)
{
    begin_bundle(out, "batch", count);
    for (size_t i = 0; i < count; i++) {
        out_object(out);
        out_name(out, "resource");
        out_raw(out, entries[i].json, entries[i].length);
        out_request(&entries[i], way, out);
        out_object_end(out);
    }
    end_bundle(out, count);
}

void bundle_collection(const struct observations *observations, struct json_out *out)
{
    char url[URN_TEXT_ROOM];

    begin_bundle(out, "collection", observations->count);
    for (size_t i = 0; i < observations->count; i++) {
        const struct observation *observation = &observations->items[i];

        urn_text(&observation->id, url);
        out_object(out);
        out_member(out, "fullUrl", url);
        out_name(out, "resource");
        out_raw(out, observation->json, observation->length);
        out_object_end(out);
    }
    end_bundle(out, observations->count);
}
