/* readings.c - one reading with all that is known of it, and lists of them. */
#include <stdlib.h>
#include <string.h>

#include "view/view_private.h"
#include "wardpost/json_in.h"
#include "wardpost/log.h"

void time_out(struct json_out *out, const char *name, int64_t ms)
{
    char text[MOMENT_TEXT_ROOM];
    struct moment moment = {ms, 0};

    moment_text(moment, text);
    out_member(out, name, text);
}

void id_out(struct json_out *out, const char *name, const struct uuid *id)
{
    char text[UUID_TEXT_ROOM];

    uuid_text(id, text);
    out_member(out, name, text);
}

/* What was sent is JSON by the time it is kept, but as sent: only wrapped when it parses, which it
 * always should. */
static void sent_out(const char *name, const char *text, size_t length, struct json_out *out)
{
    struct json_fault fault;
    json_t *value = NULL;

    if (!text)
        return;
    out_name(out, name);
    if (json_in(text, length, &value, &fault) == STATUS_OK)
        out_json(out, value);
    else
        out_text_n(out, text, length);
    json_decref(value);
}

/* ---- attempts ---- */

static bool attempt_seen(void *context, const struct attempt *attempt)
{
    struct json_out *out = context;

    out_object(out);
    time_out(out, "at", attempt->at_ms);
    if (attempt->http_status > 0)
        out_member_integer(out, "status", attempt->http_status);
    out_member_if(out, "reason", attempt->reason);
    sent_out("said", attempt->said, attempt->said_length, out);
    out_object_end(out);
    return true;
}

/* ---- corrections ---- */

/* `name`: what the other reading is to this one; left out where nothing stands instead. */
static void correction_out(struct json_out *out, const char *name,
                           const struct row_correction *correction)
{
    static const struct uuid none = {{0}};

    if (!correction->given)
        return;
    if (!uuid_equal(&correction->id, &none))
        id_out(out, name, &correction->id);
    out_name(out, strcmp(name, "corrects") == 0 ? "correction" : "corrected");
    out_object(out);
    out_member(out, "reason", correction->reason);
    out_member_if(out, "text", correction->said);
    out_member(out, "by", correction->by);
    time_out(out, "at", correction->at_ms);
    out_object_end(out);
}

static void corrections_out(struct json_out *out, const struct outbox_row *row)
{
    correction_out(out, "corrects", &row->corrects);
    correction_out(out, "superseded-by", &row->corrected_by);
}

/* ---- one reading ---- */

struct entry { /* an Observation of the reading: copied, because the attempts need the reader */
    struct entry *next;
    int64_t line;
    struct uuid id;
    enum entry_state delivery;
    char role[64], reason[160], remote[256];
    enum entry_state state;
    unsigned attempts;
    char *became;
    size_t became_length;
};

struct one {
    struct json_out *out;
    int64_t main, line; /* its text, and the line by which that goes */
    bool superseded;
    struct uuid set;
    struct entry *first, *last;
    bool no_memory;
};

static void keep_entry(struct one *one, const struct outbox_row *row)
{
    struct entry *entry = calloc(1, sizeof(*entry));

    if (!entry || (row->became_length > 0 && !(entry->became = malloc(row->became_length)))) {
        free(entry);
        one->no_memory = true;
        return;
    }
    entry->line = row->line;
    entry->id = row->name;
    entry->delivery = row->delivery;
    entry->state = row->state;
    entry->attempts = row->attempts;
    (void)snprintf(entry->role, sizeof(entry->role), "%s", row->role);
    (void)snprintf(entry->reason, sizeof(entry->reason), "%s", row->reason ? row->reason : "");
    (void)snprintf(entry->remote, sizeof(entry->remote), "%s", row->remote ? row->remote : "");
    if (row->became_length > 0)
        memcpy(entry->became, row->became, row->became_length);
    entry->became_length = row->became_length;
    if (one->last &&
        strcmp(row->role, "main") == 0) { /* a new text comes behind what it had before */
        entry->next = one->first;
        one->first = entry;
        return;
    }
    if (one->last)
        one->last->next = entry;
    else
        one->first = entry;
    one->last = entry;
}

/* Companions belong to all texts of their reading; with the one that counts those that count are
 * shown. */
static bool is_companion(const struct one *one, const struct outbox_row *row)
{
    return row->reading == one->line && row->seq != row->reading &&
           strcmp(row->role, "main") != 0 && (one->superseded || row->state != ENTRY_SUPERSEDED);
}

static bool set_row_seen(void *context, const struct outbox_row *row)
{
    struct one *one = context;

    if (row->seq == one->main || is_companion(one, row))
        keep_entry(one, row);
    return !one->no_memory;
}

static bool main_seen(void *context, const struct outbox_row *row)
{
    struct one *one = context;
    struct json_out *out = one->out;

    one->main = row->reading == 0 ? 0 : row->seq;
    one->line = strcmp(row->role, "main") == 0 ? row->line : row->reading;
    one->superseded = row->state == ENTRY_SUPERSEDED;
    one->set = row->set;
    id_out(out, "id", &row->id);
    id_out(out, "set", &row->set);
    out_member_if(out, "kind", row->kind[0] ? row->kind : NULL);
    out_member(out, "role", row->role);
    out_member(out, "state", entry_state_text(row->state));
    out_member_if(out, "reason", row->reason);
    out_member_if(out, "by", row->by);
    corrections_out(out, row);
    out_member(out, "client", row->client);
    time_out(out, "taken", row->taken_ms);
    time_out(out, "accepted", row->accepted_ms);
    out_member(out, "table", row->table_version);
    sent_out("sent", row->sent, row->sent_length, out);
    if (row->flags) {
        out_name(out, "flags");
        out_raw(out, row->flags, row->flags_length);
    }
    if (row->reading == 0)
        keep_entry(one, row);
    return false;
}

static enum status entry_out(struct outbox_reader *reader, const struct entry *entry,
                             struct json_out *out)
{
    enum status status;

    out_object(out);
    id_out(out, "id", &entry->id);
    out_member(out, "role", entry->role);
    out_member(out, "state", entry_state_text(entry->state));
    if (entry->state == ENTRY_RETRACTED) /* has the chart heard of it? */
        out_member(out, "delivery", entry_state_text(entry->delivery));
    out_member_if(out, "reason", entry->reason[0] ? entry->reason : NULL);
    out_member_if(out, "remote", entry->remote[0] ? entry->remote : NULL);
    out_member_integer(out, "tries", entry->attempts);
    out_name(out, "attempts");
    out_array(out);
    status = outbox_attempts(reader, entry->line, attempt_seen, out);
    out_array_end(out);
    if (entry->became) {
        out_name(out, "became");
        out_raw(out, entry->became, entry->became_length);
    }
    out_object_end(out);
    return status;
}

static void free_entries(struct one *one)
{
    struct entry *next;

    for (struct entry *entry = one->first; entry; entry = next) {
        next = entry->next;
        free(entry->became);
        free(entry);
    }
}

enum status view_reading(struct outbox_reader *reader, const struct uuid *id, struct json_out *out)
{
    struct one one = {.out = out};
    enum status status;

    out_object(out);
    status = outbox_find(reader, id, main_seen, &one);
    if (status == STATUS_OK && one.main != 0)
        status = outbox_of_set(reader, &one.set, set_row_seen, &one);
    if (status == STATUS_OK && one.no_memory)
        status = STATUS_NO_MEMORY;
    out_name(out, "observations");
    out_array(out);
    for (struct entry *entry = one.first; entry && status == STATUS_OK; entry = entry->next)
        status = entry_out(reader, entry, out);
    out_array_end(out);
    out_object_end(out);
    free_entries(&one);
    return status;
}

/* ---- lists ---- */

struct listing {
    struct json_out *out;
    int64_t last_seq;
    size_t count;
    bool with_sent; /* as sent too: who took it, its words, why it was not taken */
};

static bool listed(void *context, const struct outbox_row *row)
{
    struct listing *listing = context;
    struct json_out *out = listing->out;

    out_object(out);
    id_out(out, "id", &row->id);
    id_out(out, "set", &row->set);
    out_member(out, "kind", row->kind);
    out_member(out, "state", entry_state_text(row->state));
    out_member_if(out, "reason", row->reason);
    out_member_if(out, "by", row->by);
    time_out(out, "taken", row->taken_ms);
    time_out(out, "accepted", row->accepted_ms);
    if (listing->with_sent)
        sent_out("sent", row->sent, row->sent_length, out);
    corrections_out(out, row);
    if (row->values) {
        out_name(out, "values");
        out_raw(out, row->values, row->values_length);
    }
    if (row->flags) {
        out_name(out, "flags");
        out_raw(out, row->flags, row->flags_length);
    }
    out_object_end(out);
    listing->last_seq = row->page;
    listing->count++;
    return true;
}

static const char *search_text(const json_t *body, const char *name, struct problems *problems)
{
    const json_t *value = json_object_get(body, name);
    char pointer[64];

    if (!value || text_is(value))
        return value ? json_string_value(value) : NULL;
    pointer_join(pointer, sizeof(pointer), "", name);
    problem_add(problems, PROBLEM_WRONG_TYPE, pointer, "a text");
    return NULL;
}

static void search_patient(const json_t *body, char key[PATIENT_KEY_ROOM],
                           struct outbox_search *search, struct problems *problems)
{
    const json_t *patient = json_object_get(body, "patient");
    const json_t *system = json_object_get(patient, "system");
    const json_t *value = json_object_get(patient, "value");

    if (!patient)
        return;
    if (!text_is(system) || !text_is(value)) {
        problem_add(problems, PROBLEM_WRONG_TYPE, "/patient",
                    "an identifier: {\"system\", \"value\"}");
        return;
    }
    /* one that does not fit is cut, and nobody's: intake takes 300 bytes */
    (void)snprintf(key, PATIENT_KEY_ROOM, "%s|%s", json_string_value(system),
                   json_string_value(value));
    search->patient = key;
}

static void search_state(const json_t *body, struct outbox_search *search,
                         struct problems *problems)
{
    const char *word = search_text(body, "state", problems);

    if (!word)
        return;
    for (int state = ENTRY_WAITING; state <= ENTRY_RETRACTED; state++)
        if (strcmp(entry_state_text((enum entry_state)state), word) == 0) {
            search->has_state = true;
            search->state = (enum entry_state)state;
            return;
        }
    problem_add(problems, PROBLEM_UNKNOWN_WORD, "/state",
                "waiting, held, charted, discarded, superseded or retracted");
}

static void search_kind(const json_t *body, const struct kinds *kinds, struct outbox_search *search,
                        struct problems *problems)
{
    const char *kind = search_text(body, "kind", problems);
    const char *near;

    if (!kind)
        return;
    search->kind = kind;
    if (kinds_find(kinds, kind))
        return;
    near = kinds_nearest(kinds, kind);
    problem_add(problems, PROBLEM_UNKNOWN_KIND, "/kind", "no such kind%s%s",
                near ? "; nearest: " : "", near ? near : "");
}

static void search_since(const json_t *body, struct outbox_search *search,
                         struct problems *problems)
{
    const char *since = search_text(body, "since", problems);
    struct moment moment;

    if (!since)
        return;
    if (moment_parse(since, strlen(since), &moment) == MOMENT_FINE)
        search->taken_from_ms = moment.ms;
    else
        problem_add(problems, PROBLEM_BAD_TIME, "/since", "a time with seconds and zone");
}

static int64_t search_number(const json_t *body, const char *name, int64_t initial, int64_t most,
                             struct problems *problems)
{
    const json_t *value = json_object_get(body, name);
    struct decimal number;
    char pointer[64];

    if (!value)
        return initial;
    if (digits_decimal(value, &number) && number.scale == 0 && number.digits >= 1 &&
        number.digits <= most)
        return number.digits;
    pointer_join(pointer, sizeof(pointer), "", name);
    problem_add(problems, PROBLEM_WRONG_TYPE, pointer, "a whole number from 1 to %lld",
                (long long)most);
    return initial;
}

static bool search_yes(const json_t *body, const char *name, struct problems *problems)
{
    const json_t *value = json_object_get(body, name);
    char pointer[64];

    if (!value || json_is_boolean(value))
        return json_is_true(value);
    pointer_join(pointer, sizeof(pointer), "", name);
    problem_add(problems, PROBLEM_WRONG_TYPE, pointer, "true or false");
    return false;
}

static void search_unknown(const json_t *body, struct problems *problems)
{
    static const char *const known[] = {"patient", "kind",  "state", "since",
                                        "count",   "after", "sent"};
    const char *name;
    json_t *value;

    json_object_foreach(json_walk(body), name, value)
    {
        char pointer[160];
        size_t i = 0;

        while (i < 7 && strcmp(known[i], name) != 0)
            i++;
        pointer_join(pointer, sizeof(pointer), "", name);
        if (i == 7)
            problem_add(problems, PROBLEM_UNKNOWN_FIELD, pointer,
                        "known here: patient, kind, state, since, count, after, sent");
    }
}

enum status view_readings(struct outbox_reader *reader, const struct kinds *kinds,
                          const json_t *body, struct json_out *out, struct problems *problems)
{
    struct outbox_search search = {OUTBOX_SEARCH_OPEN, .mains_only = true};
    struct listing listing = {.out = out};
    char key[PATIENT_KEY_ROOM];
    enum status status;

    search_patient(body, key, &search, problems);
    search_kind(body, kinds, &search, problems);
    search_state(body, &search, problems);
    search_since(body, &search, problems);
    search.most = (size_t)search_number(body, "count", 50, 1000, problems);
    search.after_seq = search_number(body, "after", INT64_MAX, INT64_MAX, problems);
    listing.with_sent = search_yes(body, "sent", problems);
    search_unknown(body, problems);
    if (problems->count > 0)
        return STATUS_INVALID;
    out_object(out);
    out_name(out, "readings");
    out_array(out);
    status = outbox_search(reader, &search, listed, &listing);
    out_array_end(out);
    if (listing.count == search.most)
        out_member_integer(out, "after", listing.last_seq);
    out_object_end(out);
    return status;
}

/* ---- refusals ---- */

static bool refusal_seen(void *context, int64_t number, const struct refusal *refusal)
{
    struct json_out *out = context;

    out_object(out);
    out_member_integer(out, "number", number);
    out_member(out, "client", refusal->client);
    time_out(out, "received", refusal->received_ms);
    out_name(out, "problems");
    out_raw(out, refusal->problems, refusal->problems_length);
    sent_out("sent", refusal->sent, refusal->sent_length, out);
    out_object_end(out);
    return true;
}

enum status view_refusals(struct outbox_reader *reader, struct json_out *out)
{
    enum status status;

    out_object(out);
    out_name(out, "refusals");
    out_array(out);
    status = outbox_refusals(reader, 0, 200, refusal_seen, out);
    out_array_end(out);
    out_object_end(out);
    return status;
}
