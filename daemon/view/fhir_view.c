/* fhir_view.c - the read-only FHIR R4 view of what this daemon holds: Observations one by one and
 * searched. */
#include <stdlib.h>
#include <string.h>

#include "view/fhir_search.h"
#include "view/view_private.h"
#include "wardpost/bundle.h"
#include "wardpost/json_in.h"

/* In the view every Observation is known by its own UUID. */
static const char *own_reference(void *context, const struct uuid *id)
{
    char *room = context;
    char text[UUID_TEXT_ROOM];

    uuid_text(id, text);
    (void)snprintf(room, 64, "Observation/%s", text);
    return room;
}

static enum status resource_out(const struct outbox_row *row, struct json_out *out)
{
    char room[64];

    return observation_refer(row->became, row->became_length, own_reference, room, out);
}

/* ---- one ---- */

struct one {
    struct json_out *out;
    const struct uuid *name;
    struct uuid set;
    bool superseded;
    enum status status;
};

/* One that was retracted says so; a search does not find it. */
static enum status retracted_out(const struct outbox_row *row, struct json_out *out)
{
    struct json_out restated = JSON_OUT_INIT;
    char room[64];
    enum status status =
        observation_restate(row->became, row->became_length, "entered-in-error", &restated);

    if (status == STATUS_OK)
        status = observation_refer(restated.text, restated.length, own_reference, room, out);
    json_out_clear(&restated);
    return status;
}

static bool one_seen(void *context, const struct outbox_row *row)
{
    struct one *one = context;

    one->set = row->set;
    one->superseded = row->state == ENTRY_SUPERSEDED;
    if (!row->became || row->state == ENTRY_DISCARDED || !uuid_equal(&row->name, one->name))
        one->status = STATUS_NOT_FOUND;
    else if (row->state == ENTRY_RETRACTED)
        one->status = retracted_out(row, one->out);
    else if (!one->superseded)
        one->status = resource_out(row, one->out);
    return false;
}

static bool newer_seen(void *context, const struct outbox_row *row)
{
    struct one *one = context;

    if (!uuid_equal(&row->name, one->name) || row->state == ENTRY_SUPERSEDED)
        return true;
    return one_seen(context, row);
}

/* An Observation is known by the id of its first text, and says what counts now. */
enum status fhir_observation(struct outbox_reader *reader, const struct uuid *id,
                             struct json_out *out)
{
    struct one one = {.out = out, .name = id, .status = STATUS_OK};
    enum status status = outbox_find(reader, id, one_seen, &one);

    if (status == STATUS_OK && one.superseded)
        status = outbox_of_set(reader, &one.set, newer_seen, &one);
    if (status == STATUS_OK && one.superseded)
        status = STATUS_NOT_FOUND;
    return status == STATUS_OK ? one.status : status;
}

/* ---- a searchset ---- */

struct page {
    struct searchset set;
    const struct fhir_search *search;
    size_t found, looked_at;
    int64_t last_seq;
    enum status status;
};

static void entry_out(struct page *page, const struct outbox_row *row)
{
    searchset_entry(&page->set, &row->name);
    page->status = resource_out(row, page->set.out);
    searchset_entry_end(&page->set);
    page->found++;
}

static bool row_seen(void *context, const struct outbox_row *row)
{
    struct page *page = context;

    page->looked_at++;
    page->last_seq = row->page;
    if (row->became && row->state < ENTRY_DISCARDED && fhir_search_fits(page->search, row))
        entry_out(page, row);
    return page->status == STATUS_OK && page->found < page->search->count;
}

#define LOOKED_AT_MOST 5000U /* rows a page; then the next link goes on from there */

static enum status rows(struct outbox_reader *reader, struct page *page)
{
    struct outbox_search search = page->search->rows;
    enum status status;

    if (page->search->nothing)
        return STATUS_OK;
    search.most = LOOKED_AT_MOST;
    status = outbox_search(reader, &search, row_seen, page);
    return status == STATUS_OK ? page->status : status;
}

static void links_out(const struct page *page, struct json_out *out)
{
    bool more = page->found == page->search->count || page->looked_at == LOOKED_AT_MOST;
    char next[512];

    out_name(out, "link");
    out_array(out);
    out_object(out);
    out_member(out, "relation", "self");
    out_member(out, "url", "Observation");
    out_object_end(out);
    if (more && fhir_search_next(page->search, page->last_seq, next, sizeof(next))) {
        out_object(out);
        out_member(out, "relation", "next");
        out_member(out, "url", next);
        out_object_end(out);
    }
    out_array_end(out);
}

enum status fhir_observations(struct outbox_reader *reader, const struct fhir_parameter *parameters,
                              size_t count, struct json_out *out, char why[200])
{
    struct fhir_search search;
    struct page page = {.search = &search, .status = STATUS_OK};
    enum status status = fhir_search_read(reader, parameters, count, &search, why);

    if (status != STATUS_OK)
        return status;
    searchset_begin(&page.set, out);
    status = rows(reader, &page);
    searchset_entries_end(&page.set);
    links_out(&page, out);
    out_object_end(out);
    return status;
}

/* ---- about itself ---- */

static void search_parameter_out(const char *name, const char *type, struct json_out *out)
{
    out_object(out);
    out_member(out, "name", name);
    out_member(out, "type", type);
    out_object_end(out);
}

static void interactions_out(struct json_out *out)
{
    static const char *const codes[] = {"read", "search-type"};

    out_name(out, "interaction");
    out_array(out);
    for (size_t i = 0; i < 2; i++) {
        out_object(out);
        out_member(out, "code", codes[i]);
        out_object_end(out);
    }
    out_array_end(out);
}

static const struct {
    const char *resource, *name, *type;
} search_parameters[] = {
    {"Observation", "_id",          "token"    },
    {"Observation", "_lastUpdated", "date"     },
    {"Observation", "code",         "token"    },
    {"Observation", "date",         "date"     },
    {"Observation", "identifier",   "token"    },
    {"Observation", "patient",      "reference"},
    {"Observation", "subject",      "reference"},
    {"Patient",     "_id",          "token"    },
    {"Patient",     "identifier",   "token"    },
};

static void resource_statement_out(const char *type, struct json_out *out)
{
    out_object(out);
    out_member(out, "type", type);
    interactions_out(out);
    out_name(out, "searchParam");
    out_array(out);
    for (size_t i = 0; i < sizeof(search_parameters) / sizeof(search_parameters[0]); i++)
        if (strcmp(search_parameters[i].resource, type) == 0)
            search_parameter_out(search_parameters[i].name, search_parameters[i].type, out);
    out_array_end(out);
    out_object_end(out);
}

void fhir_metadata(const char *base, struct json_out *out)
{
    (void)base;
    out_object(out);
    out_member(out, "resourceType", "CapabilityStatement");
    out_member(out, "status", "active");
    out_member(out, "date", "2026-11-25");
    out_member(out, "kind", "instance");
    out_name(out, "software");
    out_object(out);
    out_member(out, "name", "wardpost");
    out_member(out, "version", WARDPOST_VERSION);
    out_object_end(out);
    out_name(out, "implementation");
    out_object(out);
    out_member(out, "description", "read-only view of the readings this daemon holds");
    out_object_end(out);
    out_member(out, "fhirVersion", "4.0.1");
    out_name(out, "format");
    out_array(out);
    out_text(out, "application/fhir+json");
    out_array_end(out);
    out_name(out, "rest");
    out_array(out);
    out_object(out);
    out_member(out, "mode", "server");
    out_name(out, "resource");
    out_array(out);
    resource_statement_out("Observation", out);
    resource_statement_out("Patient", out);
    out_array_end(out);
    out_object_end(out);
    out_array_end(out);
    out_object_end(out);
}

void fhir_outcome(const char *code, const char *text, struct json_out *out)
{
    out_object(out);
    out_member(out, "resourceType", "OperationOutcome");
    out_name(out, "issue");
    out_array(out);
    out_object(out);
    out_member(out, "severity", "error");
    out_member(out, "code", code);
    out_member_if(out, "diagnostics", text);
    out_object_end(out);
    out_array_end(out);
    out_object_end(out);
}
