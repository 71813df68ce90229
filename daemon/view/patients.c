/* patients.c - the patients that readings were taken from, as FHIR Patients made from what was
 * sent: identifier, birth date, family name. */
#include <string.h>

#include "view/view_private.h"
#include "wardpost/json_in.h"

/* Name space of the ids below: any fixed UUID does (version 4, made once for this). */
static const struct uuid patient_space = {
    {0x5c, 0x1f, 0x0a, 0x6e, 0x7b, 0x22, 0x4d, 0x9b, 0x8e, 0x57, 0x41, 0x3d, 0xaf, 0x60, 0x92,
     0xc4}
};

void patient_id(const char *key, struct uuid *out)
{
    uuid_named(&patient_space, key, out);
}

/* ---- all patients, page by page ---- */

#define PAGE 500

struct walk {
    char last[PATIENT_KEY_ROOM];
    size_t seen;
    bool stopped;
    outbox_row_seen *each;
    void *context;
};

static bool step(void *context, const struct outbox_row *row)
{
    struct walk *walk = context;

    walk->seen++;
    (void)snprintf(walk->last, sizeof(walk->last), "%s", row->patient);
    walk->stopped = !walk->each(walk->context, row);
    return !walk->stopped;
}

static enum status each_patient(struct outbox_reader *reader, outbox_row_seen *each, void *context)
{
    struct walk walk = {.each = each, .context = context};
    enum status status;

    do {
        walk.seen = 0;
        status = outbox_patients(reader, walk.last, PAGE, step, &walk);
    } while (status == STATUS_OK && !walk.stopped && walk.seen == PAGE);
    return status;
}

/* ---- from an id to a key ---- */

struct wanted {
    const struct uuid *id;
    char *key;
    bool found;
};

static bool patient_seen(void *context, const struct outbox_row *row)
{
    struct wanted *wanted = context;
    struct uuid id;

    patient_id(row->patient, &id);
    wanted->found = uuid_equal(&id, wanted->id);
    if (wanted->found)
        (void)snprintf(wanted->key, PATIENT_KEY_ROOM, "%s", row->patient);
    return !wanted->found;
}

enum status patient_key_of(struct outbox_reader *reader, const struct uuid *id,
                           char key[PATIENT_KEY_ROOM])
{
    struct wanted wanted = {.id = id, .key = key};
    enum status status = each_patient(reader, patient_seen, &wanted);

    return status == STATUS_OK && !wanted.found ? STATUS_NOT_FOUND : status;
}

/* ---- from an identifier's value alone (a token without a system matches any: FHIR R4
 * search.html#token) ---- */

struct valued {
    const char *value;
    outbox_row_seen *each;
    void *context;
};

static bool valued_seen(void *context, const struct outbox_row *row)
{
    const struct valued *valued = context;
    const char *bar = strchr(row->patient, '|');

    return !bar || strcmp(bar + 1, valued->value) != 0 || valued->each(valued->context, row);
}

static enum status each_with_value(struct outbox_reader *reader, const char *value,
                                   outbox_row_seen *each, void *context)
{
    struct valued valued = {value, each, context};

    return each_patient(reader, valued_seen, &valued);
}

struct only {
    char *key;
    size_t count;
};

static bool only_seen(void *context, const struct outbox_row *row)
{
    struct only *only = context;

    only->count++;
    (void)snprintf(only->key, PATIENT_KEY_ROOM, "%s", row->patient);
    return only->count < 2;
}

enum status patient_key_by_value(struct outbox_reader *reader, const char *value,
                                 char key[PATIENT_KEY_ROOM])
{
    struct only only = {.key = key};
    enum status status = each_with_value(reader, value, only_seen, &only);

    if (status != STATUS_OK)
        return status;
    return only.count == 1 ? STATUS_OK : only.count == 0 ? STATUS_NOT_FOUND : STATUS_CONFLICT;
}

/* ---- the resource ---- */

static void name_out(const json_t *family, struct json_out *out)
{
    if (!text_is(family))
        return;
    out_name(out, "name");
    out_array(out);
    out_object(out);
    out_member(out, "family", json_string_value(family));
    out_object_end(out);
    out_array_end(out);
}

static void patient_out(const struct outbox_row *row, struct json_out *out)
{
    struct json_fault fault;
    json_t *sent = NULL;
    const json_t *patient, *birth_date;
    struct uuid id;
    size_t system = strcspn(row->patient, "|");

    if (row->sent && json_in(row->sent, row->sent_length, &sent, &fault) != STATUS_OK)
        sent = NULL;
    patient = json_object_get(sent, "patient");
    birth_date = json_object_get(patient, "birthDate");
    patient_id(row->patient, &id);
    out_object(out);
    out_member(out, "resourceType", "Patient");
    id_out(out, "id", &id);
    out_name(out, "identifier");
    out_array(out);
    out_object(out);
    out_name(out, "system");
    out_text_n(out, row->patient, system);
    out_member(out, "value", row->patient + system + (row->patient[system] == '|'));
    out_object_end(out);
    out_array_end(out);
    name_out(json_object_get(patient, "family"), out);
    if (text_is(birth_date))
        out_member(out, "birthDate", json_string_value(birth_date));
    out_object_end(out);
    json_decref(sent);
}

struct one_patient {
    struct json_out *out;
    bool found;
};

static bool one_seen(void *context, const struct outbox_row *row)
{
    struct one_patient *one = context;

    patient_out(row, one->out);
    one->found = true;
    return false;
}

static enum status newest_of(struct outbox_reader *reader, const char *key, outbox_row_seen *seen,
                             void *context)
{
    struct outbox_search search = {OUTBOX_SEARCH_OPEN, .patient = key, .mains_only = true,
                                   .most = 1};

    return outbox_search(reader, &search, seen, context);
}

enum status fhir_patient(struct outbox_reader *reader, const struct uuid *id, struct json_out *out)
{
    struct one_patient one = {out, false};
    char key[PATIENT_KEY_ROOM];
    enum status status = patient_key_of(reader, id, key);

    if (status == STATUS_OK)
        status = newest_of(reader, key, one_seen, &one);
    return status == STATUS_OK && !one.found ? STATUS_NOT_FOUND : status;
}

/* ---- a searchset ---- */

static bool entry_seen(void *context, const struct outbox_row *row)
{
    struct searchset *set = context;
    struct uuid id;

    patient_id(row->patient, &id);
    searchset_entry(set, &id);
    patient_out(row, set->out);
    searchset_entry_end(set);
    return true;
}

static enum status search(struct outbox_reader *reader, const char *identifier,
                          const struct uuid *id, size_t most, struct searchset *set)
{
    char key[PATIENT_KEY_ROOM];
    enum status status;

    if (identifier && !strchr(identifier, '|'))
        return each_with_value(reader, identifier, entry_seen, set);
    if (identifier)
        return newest_of(reader, identifier, entry_seen, set);
    if (!id)
        return outbox_patients(reader, "", most, entry_seen, set);
    status = patient_key_of(reader, id, key);
    if (status == STATUS_NOT_FOUND)
        return STATUS_OK;
    return status == STATUS_OK ? newest_of(reader, key, entry_seen, set) : status;
}

enum status fhir_patients(struct outbox_reader *reader, const struct fhir_parameter *parameters,
                          size_t count, struct json_out *out, char why[200])
{
    const char *identifier = NULL;
    struct searchset set;
    struct uuid id;
    bool has_id = false;
    enum status status;

    for (size_t i = 0; i < count; i++) {
        const char *name = parameters[i].name, *value = parameters[i].value;

        if (strcmp(name, "identifier") == 0) {
            identifier = value;
        } else if (strcmp(name, "_id") == 0 && uuid_parse(value, strlen(value), &id)) {
            has_id = true;
        } else {
            (void)snprintf(why, 200, "parameters known here: identifier (system|value), _id");
            return STATUS_INVALID;
        }
    }
    searchset_begin(&set, out);
    status = search(reader, identifier, has_id ? &id : NULL, 100, &set);
    searchset_entries_end(&set);
    out_object_end(out);
    return status;
}
