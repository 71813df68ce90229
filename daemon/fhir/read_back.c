/* read_back.c - is what the server has what we sent? See wardpost/outcome.h.
 *
 * A server may add to what it was given (meta, a narrative, names of codes) and write it otherwise
 * (the order of members, trailing zeros, the zone of a time, absolute references). All that we said
 * must be there and mean the same; what it adds does not count. */
#include <string.h>

#include "fhir/answer.h"
#include "wardpost/json_in.h"
#include "wardpost/moment.h"

#define DEPTH_MOST 32

static bool holds(const json_t *theirs, const json_t *ours, const char *name, unsigned depth);

static bool ends_with(const char *text, const char *end)
{
    size_t length = strlen(text), most = strlen(end);

    return length >= most && strcmp(text + length - most, end) == 0;
}

static bool is_same_moment(const char *theirs, const char *ours)
{
    struct moment a, b;

    return moment_parse(theirs, strlen(theirs), &a) == MOMENT_FINE &&
           moment_parse(ours, strlen(ours), &b) == MOMENT_FINE && a.ms == b.ms;
}

static bool is_same_text(const json_t *theirs, const json_t *ours, const char *name)
{
    const char *a = json_string_value(theirs), *b = json_string_value(ours);

    if (!text_is(theirs))
        return false;
    if (strcmp(name, "reference") == 0)
        return ends_with(a, b);
    return strcmp(a, b) == 0 || (strcmp(name, "effectiveDateTime") == 0 && is_same_moment(a, b));
}

static bool is_same_number(const json_t *theirs, const json_t *ours)
{
    struct decimal a, b;

    return digits_decimal(theirs, &a) && digits_decimal(ours, &b) && decimal_compare(a, b) == 0;
}

static bool holds_members(const json_t *theirs, const json_t *ours, unsigned depth)
{
    const char *name;
    json_t *value;

    json_object_foreach(json_walk(ours), name, value)
    {
        const json_t *there = json_object_get(theirs, name);

        if (!there || !holds(there, value, name, depth + 1))
            return false;
    }
    return json_is_object(theirs);
}

static bool holds_items(const json_t *theirs, const json_t *ours, const char *name, unsigned depth)
{
    size_t index;
    json_t *value;

    if (!json_is_array(theirs) || json_array_size(theirs) != json_array_size(ours))
        return false;
    json_array_foreach(ours, index, value)
    {
        if (!holds(json_array_get(theirs, index), value, name, depth + 1))
            return false;
    }
    return true;
}

static bool holds(const json_t *theirs, const json_t *ours, const char *name, unsigned depth)
{
    if (depth > DEPTH_MOST)
        return false;
    if (json_is_object(ours))
        return holds_members(theirs, ours, depth);
    if (json_is_array(ours))
        return holds_items(theirs, ours, name, depth);
    if (digits_is(ours))
        return is_same_number(theirs, ours);
    return text_is(ours) ? is_same_text(theirs, ours, name)
                         : json_equal(json_walk(theirs), json_walk(ours));
}

/* The id is the server's, and so is meta. */
static bool is_same(const json_t *theirs, const json_t *ours)
{
    const char *name;
    json_t *value;

    json_object_foreach(json_walk(ours), name, value)
    {
        const json_t *there = json_object_get(theirs, name);

        if (strcmp(name, "id") == 0 || strcmp(name, "meta") == 0)
            continue;
        if (!there || !holds(there, value, name, 0))
            return false;
    }
    return true;
}

enum status read_back_answer_read(const char *text, size_t length, const char *ours,
                                  size_t ours_length, struct read_back *out)
{
    json_t *theirs = NULL, *sent = NULL;
    struct json_fault fault;
    const char *version;
    enum status status = answer_load(text, length, "Observation", &theirs);

    *out = (struct read_back){.same = false};
    if (status == STATUS_OK)
        status = json_in(ours, ours_length, &sent, &fault);
    if (status == STATUS_OK) {
        version = answer_text(json_object_get(theirs, "meta"), "versionId");
        if (answer_id(version, strlen(version)))
            memcpy(out->version, version, strlen(version) + 1);
        out->same = is_same(theirs, sent);
    }
    json_decref(theirs);
    json_decref(sent);
    return status;
}
