/* corrected.c - see corrected.h: a set as it is on disk, and the body that it would have been if
 * the reading had been sent as it is corrected. */
#include <stdlib.h>
#include <string.h>

#include "intake/corrected.h"
#include "wardpost/json_in.h"
#include "wardpost/moment.h"

/* ---- from disk ---- */

static char *copy_of(const char *text, size_t length)
{
    char *copy = text ? malloc(length + 1) : NULL;

    if (copy)
        memcpy(copy, text, length);
    return copy;
}

static struct set_text *next_room(struct corrected *corrected)
{
    size_t room = corrected->room ? corrected->room * 2 : 16;
    struct set_text *longer;

    if (corrected->count < corrected->room)
        return &corrected->texts[corrected->count++];
    longer = realloc(corrected->texts, room * sizeof(*longer));
    if (!longer)
        return NULL;
    corrected->texts = longer;
    corrected->room = room;
    return &longer[corrected->count++];
}

static bool set_row_seen(void *context, const struct outbox_row *row)
{
    struct corrected *corrected = context;
    struct set_text *text;

    if (corrected->first == 0)
        corrected->first = row->seq;
    if (row->state == ENTRY_SUPERSEDED)
        return true;
    text = next_room(corrected);
    if (!text) {
        corrected->no_memory = true;
        return false;
    }
    *text = (struct set_text){.seq = row->seq,
                              .line = row->line,
                              .reading = row->reading,
                              .id = row->id,
                              .name = row->name,
                              .state = row->state,
                              .sent = copy_of(row->sent, row->sent_length),
                              .sent_length = row->sent_length,
                              .became = copy_of(row->became, row->became_length),
                              .became_length = row->became_length,
                              .taken_ms = row->taken_ms,
                              .accepted_ms = row->accepted_ms};
    (void)snprintf(text->role, sizeof(text->role), "%s", row->role);
    corrected->no_memory = (row->sent && !text->sent) || (row->became && !text->became);
    return !corrected->no_memory;
}

struct target {
    struct corrected *corrected;
    bool counts;
};

static bool target_seen(void *context, const struct outbox_row *row)
{
    struct target *target = context;
    struct corrected *corrected = target->corrected;

    corrected->id = row->id;
    corrected->set = row->set;
    corrected->kind = kinds_find(corrected->kinds, row->kind);
    (void)snprintf(corrected->client, sizeof(corrected->client), "%s", row->client);
    (void)snprintf(corrected->patient, sizeof(corrected->patient), "%s", row->patient);
    target->counts =
        corrected->kind && row->reading == row->seq && row->sent && row->state < ENTRY_DISCARDED;
    return false;
}

static bool counts(const struct set_text *text)
{
    return text->state < ENTRY_DISCARDED;
}

static int by_line(const void *a, const void *b)
{
    int64_t left = ((const struct set_text *)a)->line, right = ((const struct set_text *)b)->line;

    return (left > right) - (left < right);
}

enum status corrected_load(struct outbox_reader *reader, struct kinds *kinds, const struct uuid *id,
                           struct corrected *out)
{
    struct target target = {out, false};
    enum status status;

    out->kinds = kinds_hold(kinds);
    status = outbox_find(reader, id, target_seen, &target);

    if (status == STATUS_OK && !target.counts)
        return STATUS_CONFLICT;
    if (status == STATUS_OK)
        status = outbox_of_set(reader, &out->set, set_row_seen, out);
    if (status == STATUS_OK && out->no_memory)
        status = STATUS_NO_MEMORY;
    if (status != STATUS_OK)
        return status;
    qsort(out->texts, out->count, sizeof(*out->texts), by_line);
    out->target = out->count;
    for (size_t i = 0; i < out->count; i++)
        if (uuid_equal(&out->texts[i].id, id))
            out->target = i;
    return out->target < out->count ? STATUS_OK : STATUS_CONFLICT; /* corrected between the looks */
}

void corrected_clear(struct corrected *corrected)
{
    for (size_t i = 0; i < corrected->count; i++) {
        free(corrected->texts[i].sent);
        free(corrected->texts[i].became);
    }
    for (size_t i = 0; i < corrected->written_count; i++)
        free(corrected->written[i]);
    free(corrected->written);
    free(corrected->texts);
    free(corrected->members);
    free(corrected->text);
    free(corrected->instead_text);
    free(corrected->lines);
    kinds_free(corrected->kinds);
    json_decref(corrected->request);
    submission_free(corrected->also);
    *corrected = (struct corrected){.first = 0};
}

/* ---- what was sent ---- */

static enum status body_of(const struct set_text *text, json_t **out)
{
    struct json_fault fault;
    enum status status = json_in(text->sent ? text->sent : "", text->sent_length, out, &fault);

    return status == STATUS_INVALID ? STATUS_DAMAGED : status;
}

/* A reading of a set is kept with all that it inherits: in a list of one. */
static json_t *reading_of(const json_t *body)
{
    json_t *list = json_object_get(body, "readings");

    return list ? json_array_get(list, 0) : json_walk(body);
}

const char *corrected_author(const struct corrected *corrected, json_t **holder)
{
    const json_t *by;

    *holder = NULL;
    if (body_of(&corrected->texts[corrected->target], holder) != STATUS_OK)
        return NULL;
    by = json_object_get(reading_of(*holder), "by");
    if (!by)
        by = json_object_get(*holder, "by");
    return text_is(by) ? json_string_value(by) : NULL;
}

/* An age was counted from when it came in: now it is a time. */
static bool set_time(json_t *reading, const json_t *body, const struct set_text *text)
{
    char written[MOMENT_TEXT_ROOM];
    struct moment moment = {text->taken_ms, clock_offset_minutes(text->accepted_ms)};

    if (json_object_get(reading, "taken") ||
        (!json_object_get(reading, "age") && !json_object_get(body, "age")))
        return true;
    moment_text(moment, written);
    json_object_del(reading, "age");
    return json_object_set_new(reading, "taken", json_string(written)) == 0;
}

static bool set_id(json_t *object, const struct uuid *id)
{
    char text[UUID_TEXT_ROOM];

    uuid_text(id, text);
    return json_object_set_new(object, "id", json_string(text)) == 0;
}

/* ---- the change ---- */

/* What stands for the same as what is said now is not said any more. */
static void drop_rivals(json_t *reading, const struct kind *kind, const json_t *patch)
{
    const bool not_taken = json_object_get(patch, "not-taken") != NULL;

    for (size_t i = 0; i < kind->fields_count; i++) {
        const struct field *field = &kind->fields[i];
        const char *gives;

        if (field->type != FIELD_COUNT)
            continue;
        gives = kind->parts[field->gives].name;
        if (json_object_get(patch, field->name)) {
            json_object_del(reading, gives);
            json_object_del(reading, "unit");
        }
        if (not_taken || json_object_get(patch, gives))
            json_object_del(reading, field->name);
        if (json_object_get(patch, field->name) || json_object_get(patch, gives))
            json_object_del(reading, "not-taken");
    }
    for (size_t i = 0; i < kind->parts_count; i++) {
        if (json_object_get(patch, kind->parts[i].name))
            json_object_del(reading, "not-taken");
        if (not_taken)
            json_object_del(reading, kind->parts[i].name);
    }
    if (not_taken)
        json_object_del(reading, "unit");
}

/* Of another kind it shares who, when and with what only. */
static void keep_frame_only(json_t *reading)
{
    static const char *const frame[] = {"taken", "age", "by", "device", "note", "patient"};
    json_t *kept = json_object();

    for (size_t i = 0; kept && i < sizeof(frame) / sizeof(frame[0]); i++)
        if (json_object_get(reading, frame[i]))
            json_object_set(kept, frame[i], json_object_get(reading, frame[i]));
    json_object_clear(reading);
    json_object_update(reading, kept);
    json_decref(kept);
}

/* null takes a field away. What was confirmed or overridden was so of the other value. */
static bool apply(json_t *reading, const struct kind *kind, const json_t *patch)
{
    const char *name;
    json_t *value;

    json_object_del(reading, "confirmed");
    json_object_del(reading, "override");
    if (json_object_get(patch, "taken") || json_object_get(patch, "age")) {
        json_object_del(reading, "taken");
        json_object_del(reading, "age");
    }
    drop_rivals(reading, kind, patch);
    json_object_foreach(json_walk(patch), name, value)
    {
        if (json_is_null(value))
            json_object_del(reading, name);
        else if (json_object_set(reading, name, value) != 0)
            return false;
    }
    return true;
}

static bool is_other_kind(const struct kind *kind, const json_t *patch)
{
    const char *name = json_string_value(json_object_get(patch, "kind"));

    return name && strcmp(name, kind->name) != 0;
}

static bool change(struct corrected *corrected, json_t *reading, const json_t *patch)
{
    const struct set_text *target = &corrected->texts[corrected->target];

    if (is_other_kind(corrected->kind, patch)) {
        corrected->retracts = true;
        keep_frame_only(reading);
    }
    return apply(reading, corrected->kind, patch) &&
           set_id(reading, corrected->retracts ? &corrected->fresh : &target->name);
}

/* ---- the set as it is now ---- */

static bool is_member(const struct corrected *corrected, const struct set_text *text,
                      bool retracted)
{
    return strcmp(text->role, "main") == 0 && counts(text) &&
           !(retracted && text == &corrected->texts[corrected->target]);
}

static enum status choose_members(struct corrected *corrected, bool retracted)
{
    corrected->members = calloc(corrected->count, sizeof(*corrected->members));
    if (!corrected->members)
        return STATUS_NO_MEMORY;
    corrected->at = SIZE_MAX;
    for (size_t i = 0; i < corrected->count; i++) {
        if (!is_member(corrected, &corrected->texts[i], retracted))
            continue;
        if (i == corrected->target)
            corrected->at = corrected->members_count;
        corrected->members[corrected->members_count++] = i;
    }
    return STATUS_OK;
}

/* Those that are mapped were judged and are not judged again. */
static bool leave_as_it_is(json_t *reading, const struct set_text *text)
{
    return set_id(reading, &text->name) &&
           (!text->became || json_object_set_new(reading, "confirmed", json_true()) == 0);
}

/* *body_out: what it was sent in, the caller's. */
static enum status make_member(struct corrected *corrected, size_t member, const json_t *patch,
                               json_t **body_out, json_t **reading_out)
{
    const struct set_text *text = &corrected->texts[corrected->members[member]];
    enum status status = body_of(text, body_out);
    bool good;

    if (status != STATUS_OK)
        return status;
    *reading_out = reading_of(*body_out);
    if (!json_is_object(*reading_out))
        return STATUS_DAMAGED;
    good = set_time(*reading_out, *body_out, text);
    good = good && (member == corrected->at ? change(corrected, *reading_out, patch)
                                            : leave_as_it_is(*reading_out, text));
    return good ? STATUS_OK : STATUS_NO_MEMORY;
}

static char *text_of(const json_t *body, size_t *length_out)
{
    struct json_out out = JSON_OUT_INIT;

    out_json(&out, body);
    return json_out_take(&out, length_out);
}

/* The first member's body has all that the set said; its list is filled with the readings. */
static enum status compose_set(struct corrected *corrected, const json_t *patch, json_t **out)
{
    json_t *list = json_array();
    enum status status = list ? STATUS_OK : STATUS_NO_MEMORY;

    for (size_t i = 0; i < corrected->members_count && status == STATUS_OK; i++) {
        json_t *body = NULL, *reading = NULL;

        status = make_member(corrected, i, patch, &body, &reading);
        if (status == STATUS_OK && json_array_append(list, reading) != 0)
            status = STATUS_NO_MEMORY;
        if (status == STATUS_OK && i == 0)
            *out = json_incref(body);
        json_decref(body);
    }
    if (status == STATUS_OK &&
        (!set_id(*out, &corrected->set) || json_object_set(*out, "readings", list) != 0))
        status = STATUS_NO_MEMORY;
    if (status == STATUS_OK)
        json_object_del(*out, "age"); /* each reading has its time */
    json_decref(list);
    return status;
}

static bool is_single(const struct corrected *corrected)
{
    return uuid_equal(&corrected->set, &corrected->texts[corrected->target].name);
}

bool corrected_goes_elsewhere(const struct corrected *corrected, const json_t *patch,
                              const json_t *patient)
{
    return patient || (is_single(corrected) && is_other_kind(corrected->kind, patch));
}

enum status corrected_compose(struct corrected *corrected, const json_t *patch, size_t *length_out)
{
    json_t *body = NULL, *reading = NULL;
    enum status status = choose_members(corrected, !patch);

    if (status != STATUS_OK || corrected->members_count == 0)
        return status;
    uuid_random(&corrected->fresh);
    corrected->has_fresh = patch != NULL;
    status = is_single(corrected) ? make_member(corrected, 0, patch, &body, &reading)
                                  : compose_set(corrected, patch, &body);
    if (status == STATUS_OK) {
        corrected->text = text_of(body, length_out);
        status = corrected->text ? STATUS_OK : STATUS_NO_MEMORY;
    }
    json_decref(body);
    return status;
}

/* ---- in another place ---- */

static bool inherit(json_t *reading, const json_t *body)
{
    static const char *const names[] = {"patient", "taken", "by", "device", "note"};

    for (size_t i = 0; i < sizeof(names) / sizeof(names[0]); i++) {
        json_t *value = json_object_get(body, names[i]);

        if (value && !json_object_get(reading, names[i]) &&
            json_object_set(reading, names[i], value) != 0)
            return false;
    }
    return true;
}

enum status corrected_instead(const struct corrected *corrected, const json_t *patch,
                              const json_t *patient, char **text_out, size_t *length_out)
{
    const struct set_text *target = &corrected->texts[corrected->target];
    json_t *body = NULL, *reading = NULL;
    enum status status = body_of(target, &body);
    bool good;

    if (status != STATUS_OK)
        return status;
    reading = json_deep_copy(reading_of(body));
    good = reading && set_time(reading, body, target) && inherit(reading, body);
    if (good && is_other_kind(corrected->kind, patch))
        keep_frame_only(reading);
    good = good && apply(reading, corrected->kind, patch);
    if (good && patient)
        good = json_object_set(reading, "patient", json_walk(patient)) == 0;
    if (good) {
        json_object_del(reading, "id");
        *text_out = text_of(reading, length_out);
    }
    json_decref(reading);
    json_decref(body);
    return good && *text_out ? STATUS_OK : STATUS_NO_MEMORY;
}

/* ---- problems ---- */

/* Which member a pointer of the composed set is about; `rest` behind it. SIZE_MAX: the set. */
static size_t member_at(const struct corrected *corrected, const char *pointer, const char **rest)
{
    char begin[40];

    *rest = pointer;
    if (is_single(corrected))
        return 0;
    for (size_t i = 0; i < corrected->members_count; i++) {
        size_t length;

        pointer_join_index(begin, sizeof(begin), "/readings", i);
        length = strlen(begin);
        if (strncmp(pointer, begin, length) != 0 ||
            (pointer[length] != '/' && pointer[length] != '\0'))
            continue;
        *rest = pointer + length;
        return i;
    }
    return SIZE_MAX;
}

void corrected_point(const struct corrected *corrected, struct problems *problems)
{
    size_t kept = 0;

    for (size_t i = 0; i < problems->count; i++) {
        struct problem problem = problems->items[i];
        const char *rest;
        size_t member = member_at(corrected, problems->items[i].pointer, &rest);

        if (problem.code == PROBLEM_CONFIRM && member != corrected->at && member != SIZE_MAX)
            continue; /* it was not asked about, or waits for an answer of its own */
        (void)snprintf(problem.pointer, sizeof(problem.pointer), "/reading%.140s",
                       member == corrected->at ? rest : "");
        problems->items[kept++] = problem;
    }
    problems->count = kept;
}
