/* searchset.c - the Bundle that answers a search (FHIR R4 bundle.html), resource by resource as the
 * store shows them. */
#include <string.h>

#include "view/view_private.h"

void searchset_begin(struct searchset *set, struct json_out *out)
{
    *set = (struct searchset){out, false};
    out_object(out);
    out_member(out, "resourceType", "Bundle");
    out_member(out, "type", "searchset");
}

/* The fullUrl is absolute, and in no disagreement with the id. */
void searchset_entry(struct searchset *set, const struct uuid *id)
{
    char url[16 + UUID_TEXT_ROOM] = "urn:uuid:";

    if (!set->any) {
        out_name(set->out, "entry");
        out_array(set->out);
    }
    set->any = true;
    uuid_text(id, url + strlen("urn:uuid:"));
    out_object(set->out);
    out_member(set->out, "fullUrl", url);
    out_name(set->out, "resource");
}

void searchset_entry_end(struct searchset *set)
{
    out_name(set->out, "search");
    out_object(set->out);
    out_member(set->out, "mode", "match");
    out_object_end(set->out);
    out_object_end(set->out);
}

void searchset_entries_end(struct searchset *set)
{
    if (set->any)
        out_array_end(set->out);
}
