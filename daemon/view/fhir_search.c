/* fhir_search.c - see fhir_search.h. FHIR R4 search.html: prefixes of dates, token and reference
 * parameters. */
#include <stdlib.h>
#include <string.h>

#include "view/fhir_search.h"
#include "wardpost/json_in.h"

#define DAY_MS ((int64_t)86400000)

/* A date or a time as the span it covers: a day is 24 hours in UTC, as nothing says which zone is
 * meant. */
static bool span_of(const char *text, int64_t *from, int64_t *to)
{
    size_t length = strlen(text);
    struct moment moment;
    struct date date;

    if (date_parse(text, length, &date)) {
        *from = date_days(date) * DAY_MS;
        *to = *from + DAY_MS;
        return true;
    }
    if (moment_parse(text, length, &moment) != MOMENT_FINE)
        return false;
    *from = moment.ms;
    *to = moment.ms + (strchr(text, '.') ? 1 : 1000);
    return true;
}

struct range_of_time {
    int64_t from, to;
};

static bool narrow(const char *value, struct range_of_time *range)
{
    int64_t from, to;
    bool prefixed = value[0] >= 'a' && value[0] <= 'z' && value[1] >= 'a' && value[1] <= 'z';
    const char *prefix = prefixed ? value : "eq";

    if (!span_of(prefixed ? value + 2 : value, &from, &to))
        return false;
    if (strncmp(prefix, "eq", 2) == 0 || strncmp(prefix, "ge", 2) == 0)
        range->from = from > range->from ? from : range->from;
    if (strncmp(prefix, "eq", 2) == 0 || strncmp(prefix, "le", 2) == 0)
        range->to = to < range->to ? to : range->to;
    if (strncmp(prefix, "gt", 2) == 0)
        range->from = to > range->from ? to : range->from;
    if (strncmp(prefix, "lt", 2) == 0)
        range->to = from < range->to ? from : range->to;
    return strncmp(prefix, "eq", 2) == 0 || strchr("gl", prefix[0]);
}

struct reading_search { /* what the rows below work on */
    struct outbox_reader *reader;
    struct fhir_search *search;
    enum status status;
};

static bool take_date(struct reading_search *reading, const char *value)
{
    struct outbox_search *rows = &reading->search->rows;
    struct range_of_time range = {rows->taken_from_ms, rows->taken_to_ms};

    if (!narrow(value, &range))
        return false;
    rows->taken_from_ms = range.from;
    rows->taken_to_ms = range.to;
    return true;
}

/* Only "since": ge and gt. The store knows since when a row has changed, not until when. */
static bool take_last_updated(struct reading_search *reading, const char *value)
{
    struct range_of_time range = {INT64_MIN, INT64_MAX};

    if (strncmp(value, "g", 1) != 0 || !narrow(value, &range))
        return false;
    reading->search->rows.changed_from_ms = range.from;
    return true;
}

static bool take_one_code(struct fhir_search *search, const char *value, size_t length)
{
    const char *bar = memchr(value, '|', length);
    size_t system = bar ? (size_t)(bar - value) : 0;
    const char *code = bar ? bar + 1 : value;
    size_t code_length = length - (size_t)(code - value);

    if (search->codes_count == CODES_MOST || system >= 128 || code_length >= 64 || code_length == 0)
        return false;
    memcpy(search->codes[search->codes_count].system, value, system);
    search->codes[search->codes_count].system[system] = '\0';
    memcpy(search->codes[search->codes_count].code, code, code_length);
    search->codes[search->codes_count++].code[code_length] = '\0';
    return true;
}

static bool take_code(struct reading_search *reading, const char *value)
{
    for (;;) {
        size_t length = strcspn(value, ",");

        if (!take_one_code(reading->search, value, length))
            return false;
        if (value[length] == '\0')
            return true;
        value += length + 1;
    }
}

static bool take_id(struct reading_search *reading, const char *value)
{
    reading->search->has_id = uuid_parse(value, strlen(value), &reading->search->id);
    reading->search->nothing = reading->search->nothing || !reading->search->has_id;
    return true; /* an id of another form is one that we have not got */
}

static bool take_identifier(struct reading_search *reading, const char *value)
{
    static const char before[] = "urn:ietf:rfc:3986|urn:uuid:";

    if (strncmp(value, before, sizeof(before) - 1) == 0)
        value += sizeof(before) - 1;
    return take_id(reading, value);
}

static bool take_patient_identifier(struct reading_search *reading, const char *value)
{
    struct fhir_search *search = reading->search;
    enum status status = STATUS_OK;

    if (strlen(value) >= PATIENT_KEY_ROOM)
        return false;
    if (strchr(value, '|'))
        memcpy(search->patient, value, strlen(value) + 1);
    else
        status = patient_key_by_value(reading->reader, value, search->patient);
    search->nothing = search->nothing || status == STATUS_NOT_FOUND;
    patient_id(search->patient, &search->patient_id);
    search->has_patient = true;
    return status != STATUS_CONFLICT; /* several patients have it: the system must be named */
}

static bool take_patient(struct reading_search *reading, const char *value)
{
    struct fhir_search *search = reading->search;

    if (strncmp(value, "Patient/", 8) == 0)
        value += 8;
    search->has_patient = true;
    if (!uuid_parse(value, strlen(value), &search->patient_id)) {
        search->nothing = true;
        return true;
    }
    reading->status = patient_key_of(reading->reader, &search->patient_id, search->patient);
    search->nothing = search->nothing || reading->status == STATUS_NOT_FOUND;
    if (reading->status == STATUS_NOT_FOUND)
        reading->status = STATUS_OK;
    return true;
}

static bool take_number(const char *value, int64_t least, int64_t most, int64_t *out)
{
    char *end;
    long long number = strtoll(value, &end, 10);

    if (*value < '0' || *value > '9' || *end != '\0' || number < least || number > most)
        return false;
    *out = number;
    return true;
}

static bool take_count(struct reading_search *reading, const char *value)
{
    int64_t count;

    if (!take_number(value, 1, INT32_MAX, &count))
        return false;
    reading->search->count = count > 1000 ? 1000 : (size_t)count;
    return true;
}

static bool take_page(struct reading_search *reading, const char *value)
{
    return take_number(value, 1, INT64_MAX, &reading->search->rows.after_seq);
}

/* Keep alphabetical. */
static const struct {
    const char *name;
    bool (*take)(struct reading_search *reading, const char *value);
} parameter_table[] = {
    {"_count",             take_count             },
    {"_id",                take_id                },
    {"_lastUpdated",       take_last_updated      },
    {"code",               take_code              },
    {"date",               take_date              },
    {"identifier",         take_identifier        },
    {"page",               take_page              },
    {"patient",            take_patient           },
    {"patient.identifier", take_patient_identifier},
    {"patient:identifier", take_patient_identifier},
    {"subject",            take_patient           },
    {"subject.identifier", take_patient_identifier},
    {"subject:identifier", take_patient_identifier},
};

static enum status take_parameter(struct reading_search *reading,
                                  const struct fhir_parameter *parameter, char why[200])
{
    for (size_t i = 0; i < sizeof(parameter_table) / sizeof(parameter_table[0]); i++) {
        if (strcmp(parameter_table[i].name, parameter->name) != 0)
            continue;
        if (parameter_table[i].take(reading, parameter->value))
            return reading->status;
        (void)snprintf(why, 200, "the value of %s is not one that can be searched for",
                       parameter_table[i].name);
        return STATUS_INVALID;
    }
    (void)snprintf(
        why, 200,
        "parameters known here: _count, _id, _lastUpdated (ge, gt), code, date, identifier, "
        "patient, "
        "patient:identifier, page");
    return STATUS_INVALID;
}

enum status fhir_search_read(struct outbox_reader *reader, const struct fhir_parameter *parameters,
                             size_t count, struct fhir_search *out, char why[200])
{
    struct reading_search reading = {reader, out, STATUS_OK};

    *out = (struct fhir_search){.rows = {OUTBOX_SEARCH_OPEN}, .count = 50};
    for (size_t i = 0; i < count; i++) {
        enum status status = take_parameter(&reading, &parameters[i], why);

        if (status != STATUS_OK)
            return status;
    }
    if (out->has_patient)
        out->rows.patient = out->patient;
    return STATUS_OK;
}

static bool coding_fits(const struct fhir_search *search, const json_t *coding)
{
    const char *system = json_string_value(json_object_get(coding, "system"));
    const char *code = json_string_value(json_object_get(coding, "code"));

    for (size_t i = 0; system && code && i < search->codes_count; i++)
        if (strcmp(search->codes[i].code, code) == 0 &&
            (search->codes[i].system[0] == '\0' || strcmp(search->codes[i].system, system) == 0))
            return true;
    return false;
}

static bool codes_fit(const struct fhir_search *search, const struct outbox_row *row)
{
    struct json_fault fault;
    json_t *observation = NULL;
    const json_t *codings;
    size_t index;
    json_t *coding;
    bool fits = false;

    if (json_in(row->became, row->became_length, &observation, &fault) != STATUS_OK)
        return false;
    codings = json_object_get(json_object_get(observation, "code"), "coding");
    json_array_foreach(codings, index, coding) fits = fits || coding_fits(search, coding);
    json_decref(observation);
    return fits;
}

bool fhir_search_fits(const struct fhir_search *search, const struct outbox_row *row)
{
    if (search->has_id && !uuid_equal(&search->id, &row->name))
        return false;
    return search->codes_count == 0 || codes_fit(search, row);
}

struct url {
    char *text;
    size_t used, room;
    bool full;
};

static void url_add(struct url *url, const char *name, const char *value)
{
    int wrote = snprintf(url->text + url->used, url->room - url->used, "%c%s=%s",
                         url->used == 11 ? '?' : '&', name, value);

    if (wrote < 0 || (size_t)wrote >= url->room - url->used)
        url->full = true;
    else
        url->used += (size_t)wrote;
}

static void url_add_time(struct url *url, const char *prefix, int64_t ms)
{
    char text[MOMENT_TEXT_ROOM], value[MOMENT_TEXT_ROOM + 2];
    struct moment moment = {ms, 0};

    moment_text(moment, text);
    (void)snprintf(value, sizeof(value), "%s%s", prefix, text);
    url_add(url, "date", value);
}

bool fhir_search_next(const struct fhir_search *search, int64_t seq, char *out, size_t room)
{
    struct url url = {out, 11, room, false};
    char text[256];

    (void)snprintf(out, room, "Observation");
    if (search->has_patient) {
        uuid_text(&search->patient_id, text);
        url_add(&url, "patient", text);
    }
    for (size_t i = 0; i < search->codes_count; i++) {
        (void)snprintf(text, sizeof(text), "%s%s%s", search->codes[i].system,
                       search->codes[i].system[0] ? "%7C" : "", search->codes[i].code);
        url_add(&url, "code", text);
    }
    if (search->rows.taken_from_ms != INT64_MIN)
        url_add_time(&url, "ge", search->rows.taken_from_ms);
    if (search->rows.taken_to_ms != INT64_MAX)
        url_add_time(&url, "lt", search->rows.taken_to_ms);
    (void)snprintf(text, sizeof(text), "%zu", search->count);
    url_add(&url, "_count", text);
    (void)snprintf(text, sizeof(text), "%lld", (long long)seq);
    url_add(&url, "page", text);
    return !url.full && !search->has_id;
}
