/* refer.c - one Observation copied with other references or another id; see wardpost/bundle.h.
 *
 * What is copied was written by observation.h: compact, its first members known, names without
 * escapes. Anything else is INVALID, and `out` is then as it was. */
#include <string.h>

#include "wardpost/bundle.h"

static const char head[] = "{\"resourceType\":\"Observation\",\"id\":\"";
static const char reference[] = "{\"reference\":\"urn:uuid:";
#define ID_LENGTH (UUID_TEXT_ROOM - 1)

struct copying {
    const char *at, *end;
    struct json_out *out;
    reference_lookup *lookup; /* NULL: references stay as they are */
    void *context;
    const char *state; /* NULL: the status stays as it is */
};

static bool take(struct copying *copying, const char *text)
{
    size_t length = strlen(text);

    if ((size_t)(copying->end - copying->at) < length || memcmp(copying->at, text, length) != 0)
        return false;
    copying->at += length;
    return true;
}

/* ---- passing over values ---- */

static bool skip_string(struct copying *copying)
{
    if (!take(copying, "\""))
        return false;
    while (copying->at < copying->end) {
        char c = *copying->at++;

        if (c == '"')
            return true;
        if (c == '\\' && copying->at < copying->end)
            copying->at++;
    }
    return false;
}

static bool skip_scalar(struct copying *copying)
{
    const char *start = copying->at;

    while (copying->at < copying->end && *copying->at &&
           strchr("+-.0123456789Eaeflnrstu", *copying->at))
        copying->at++;
    return copying->at > start;
}

/* Brackets must fit; what stands between them is not looked at closer, for we wrote it. */
static bool skip_value(struct copying *copying)
{
    char open[32];
    size_t depth = 0;

    do {
        char c = '\0';

        if (copying->at < copying->end)
            c = *copying->at;
        if (c == '{' || c == '[') {
            if (depth == sizeof(open))
                return false;
            open[depth++] = c;
            copying->at++;
        } else if (c == '}' || c == ']') {
            if (depth == 0 || (open[--depth] == '{') != (c == '}'))
                return false;
            copying->at++;
        } else if (depth > 0 && (c == ',' || c == ':')) {
            copying->at++;
        } else if (c == '"' ? !skip_string(copying) : !skip_scalar(copying)) {
            return false;
        }
    } while (depth > 0);
    return true;
}

/* ---- references ---- */

struct list { /* is only opened by its first entry: FHIR knows no empty arrays */
    const char *name;
    bool open;
};

static bool refer_one(struct copying *copying, struct list *list)
{
    const char *found;
    struct uuid id;

    if (!take(copying, reference) || copying->end - copying->at < ID_LENGTH ||
        !uuid_parse(copying->at, ID_LENGTH, &id))
        return false;
    copying->at += ID_LENGTH;
    if (!take(copying, "\"}"))
        return false;
    found = copying->lookup(copying->context, &id);
    if (!found)
        return true;
    if (!list->open) {
        out_name(copying->out, list->name);
        out_array(copying->out);
        list->open = true;
    }
    out_object(copying->out);
    out_member(copying->out, "reference", found);
    out_object_end(copying->out);
    return true;
}

static bool refer_all(struct copying *copying, const char *name)
{
    struct list list = {name, false};

    if (!take(copying, "["))
        return false;
    do {
        if (!refer_one(copying, &list))
            return false;
    } while (take(copying, ","));
    if (list.open)
        out_array_end(copying->out);
    return take(copying, "]");
}

/* ---- the copy ---- */

static bool take_name(struct copying *copying, char *out, size_t room)
{
    const char *start = copying->at + 1;
    size_t length;

    if (!skip_string(copying) || !take(copying, ":"))
        return false;
    length = (size_t)(copying->at - start) - 2;
    if (length == 0 || length >= room || memchr(start, '\\', length))
        return false;
    memcpy(out, start, length);
    out[length] = '\0';
    return true;
}

static bool copy_member(struct copying *copying)
{
    const char *value;
    char name[40];

    if (!take_name(copying, name, sizeof(name)))
        return false;
    if (copying->lookup && (strcmp(name, "hasMember") == 0 || strcmp(name, "derivedFrom") == 0))
        return refer_all(copying, name);
    value = copying->at;
    if (!skip_value(copying))
        return false;
    if (copying->state && strcmp(name, "status") == 0) {
        out_member(copying->out, name, copying->state);
        return true;
    }
    out_name(copying->out, name);
    out_raw(copying->out, value, (size_t)(copying->at - value));
    return true;
}

static bool copy_all(struct copying *copying)
{
    const char *start = copying->at;

    if (!take(copying, head))
        return false;
    copying->at = start + 1;
    out_object(copying->out);
    do {
        if (!copy_member(copying))
            return false;
    } while (take(copying, ","));
    if (!take(copying, "}") || copying->at != copying->end)
        return false;
    out_object_end(copying->out);
    return true;
}

static void put_back(struct json_out *out, const struct json_out *before)
{
    char *text = out->text;
    size_t room = out->room;

    if (out->failed)
        return;
    *out = *before;
    out->text = text;
    out->room = room;
}

static enum status copy(struct copying *copying)
{
    const struct json_out before = *copying->out;

    if (!copy_all(copying)) {
        put_back(copying->out, &before);
        return STATUS_INVALID;
    }
    return json_out_ok(copying->out) ? STATUS_OK : STATUS_NO_MEMORY;
}

enum status observation_refer(const char *json, size_t length, reference_lookup *lookup,
                              void *context, struct json_out *out)
{
    return copy(&(struct copying){json, json + length, out, lookup, context, NULL});
}

enum status observation_restate(const char *json, size_t length, const char *state,
                                struct json_out *out)
{
    return copy(&(struct copying){json, json + length, out, NULL, NULL, state});
}

/* ---- another id ---- */

static bool is_fhir_id(const char *id)
{
    size_t length = strlen(id);

    return length > 0 && length <= 64 &&
           strspn(id, "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-.") == length;
}

/* The id stands right behind the type, and at least the identifier behind it. */
enum status observation_rename(struct json_out *out, const char *id)
{
    const size_t at = sizeof(head) - 1, rest = at + ID_LENGTH + 2;
    struct json_out renamed = JSON_OUT_INIT;

    if (!json_out_ok(out))
        return STATUS_NO_MEMORY;
    if (!is_fhir_id(id) || out->length < rest + 2 || memcmp(out->text, head, at) != 0 ||
        memcmp(out->text + rest - 2, "\",", 2) != 0 || out->text[out->length - 1] != '}')
        return STATUS_INVALID;
    out_object(&renamed);
    out_member(&renamed, "resourceType", "Observation");
    out_member(&renamed, "id", id);
    out_members_raw(&renamed, out->text + rest, out->length - rest - 1);
    out_object_end(&renamed);
    if (!json_out_ok(&renamed)) {
        json_out_clear(&renamed);
        return STATUS_NO_MEMORY;
    }
    json_out_clear(out);
    *out = renamed;
    return STATUS_OK;
}
