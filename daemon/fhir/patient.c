/* patient.c - see patient_said.h. FHIR R4 patient.html, datatypes.html#Identifier, #HumanName. */
#include <stdlib.h>
#include <string.h>

#include "fhir/answer.h"
#include "wardpost/json_in.h"
#include "wardpost/moment.h"
#include "wardpost/patient_said.h"

#define SYSTEM_MOST 200 /* characters */
#define VALUE_MOST  100
#define NAME_MOST   400 /* bytes of a family or of all given names */

static size_t characters(const char *text)
{
    size_t count = 0;

    for (; *text; text++)
        count += ((unsigned char)*text & 0xC0) != 0x80;
    return count;
}

/* ---- the identifier ---- */

/* System and value part at |, and both are compared with what is scanned. */
static bool is_usable(const json_t *identifier)
{
    const char *system = answer_text(identifier, "system");
    const char *value = answer_text(identifier, "value");

    return *system && *value && characters(system) <= SYSTEM_MOST &&
           characters(value) <= VALUE_MOST && !strchr(system, '|') && !strpbrk(value, "|\t\r\n") &&
           value[0] != ' ' && value[strlen(value) - 1] != ' ' &&
           !answer_is(identifier, "use", "old");
}

/* The first that is usable and, where wanted, of that system or use. */
static const json_t *find_identifier(const json_t *identifiers, const char *member,
                                     const char *wanted)
{
    size_t index;
    json_t *identifier;

    json_array_foreach(
        json_walk(identifiers), index,
        identifier) if (is_usable(identifier) &&
                        (!member || answer_is(identifier, member, wanted))) return identifier;
    return NULL;
}

static const json_t *choose_identifier(const json_t *identifiers, const char *const *systems,
                                       size_t count)
{
    const json_t *chosen = NULL;

    for (size_t i = 0; i < count && !chosen; i++)
        chosen = find_identifier(identifiers, "system", systems[i]);
    if (count > 0)
        return chosen;
    chosen = find_identifier(identifiers, "use", "official");
    if (!chosen)
        chosen = find_identifier(identifiers, "use", "usual");
    return chosen ? chosen : find_identifier(identifiers, NULL, NULL);
}

/* ---- the name ---- */

static bool is_of_today(const json_t *name)
{
    return json_is_object(name) && !answer_is(name, "use", "old") &&
           !answer_is(name, "use", "maiden");
}

static const json_t *choose_name(const json_t *names)
{
    const json_t *chosen = answer_find(names, "use", "official");
    size_t index;
    json_t *name;

    if (!chosen)
        chosen = answer_find(names, "use", "usual");
    json_array_foreach(json_walk(names), index, name) if (!chosen && is_of_today(name)) chosen =
        name;
    return chosen;
}

static const char *text_or_null(const json_t *object, const char *name, size_t most)
{
    const char *text = answer_text(object, name);

    return *text && strlen(text) <= most ? text : NULL;
}

/* "Ada Bea" into `room`; false: there are none, or they are too long. */
static bool join_given(const json_t *name, char room[NAME_MOST + 1])
{
    size_t used = 0, index;
    json_t *given;

    json_array_foreach(json_object_get(name, "given"), index, given)
    {
        const char *text = text_is(given) ? json_string_value(given) : "";
        const size_t length = strlen(text), lead = used > 0 && length > 0;

        if (used + lead + length > NAME_MOST)
            return false;
        memcpy(room + used, " ", lead);
        memcpy(room + used + lead, text, length);
        used += lead + length;
    }
    room[used] = '\0';
    return used > 0;
}

/* ---- the rest ---- */

static const char *read_birth_date(const json_t *patient)
{
    const char *text = answer_text(patient, "birthDate");
    struct date date;

    return date_parse(text, strlen(text), &date) ? text : NULL; /* a year alone compares nothing */
}

static const char *read_gender(const json_t *patient)
{
    static const char *const genders[] = {"female", "male", "other", "unknown"};

    for (size_t i = 0; i < sizeof(genders) / sizeof(genders[0]); i++)
        if (answer_is(patient, "gender", genders[i]))
            return genders[i];
    return NULL;
}

static void take(const json_t *patient, const char *const *systems, size_t count,
                 struct patients_said *said)
{
    const json_t *identifier =
        choose_identifier(json_object_get(patient, "identifier"), systems, count);
    const json_t *name = choose_name(json_object_get(patient, "name"));
    char *given = said->given + said->count * (NAME_MOST + 1);

    if (!answer_is(patient, "resourceType", "Patient") || !identifier)
        return;
    said->items[said->count++] = (struct patient_said){
        .system = answer_text(identifier, "system"),
        .value = answer_text(identifier, "value"),
        .family = text_or_null(name, "family", NAME_MOST),
        .given = join_given(name, given) ? given : NULL,
        .birth_date = read_birth_date(patient),
        .gender = read_gender(patient),
        .active = !json_is_false(json_object_get(patient, "active")) &&
                  !answer_find(json_object_get(patient, "link"), "type", "replaced-by"),
        .deceased = json_is_true(json_object_get(patient, "deceasedBoolean")) ||
                    *answer_text(patient, "deceasedDateTime")};
}

static bool is_match(const json_t *entry)
{
    const char *mode = answer_text(json_object_get(entry, "search"), "mode");

    return !*mode || strcmp(mode, "match") == 0;
}

enum status patients_said_read(const char *text, size_t length, const char *const *systems,
                               size_t systems_count, struct patients_said *out)
{
    struct patients_said said = {.count = 0};
    bool is_bundle = true;
    size_t index;
    json_t *entry;
    enum status status = answer_load(text, length, "Bundle", &said.body);

    if (status == STATUS_INVALID) {
        is_bundle = false;
        status = answer_load(text, length, "Patient", &said.body);
    }
    if (status != STATUS_OK)
        return status;
    said.items = calloc(PATIENTS_SAID_MOST, sizeof(*said.items));
    said.given = calloc(PATIENTS_SAID_MOST, NAME_MOST + 1);
    if (!said.items || !said.given) {
        patients_said_clear(&said);
        return STATUS_NO_MEMORY;
    }
    if (!is_bundle)
        take(said.body, systems, systems_count, &said);
    json_array_foreach(json_object_get(said.body, "entry"), index,
                       entry) if (is_bundle && said.count < PATIENTS_SAID_MOST && is_match(entry))
        take(json_object_get(entry, "resource"), systems, systems_count, &said);
    *out = said;
    return STATUS_OK;
}

void patients_said_clear(struct patients_said *said)
{
    json_decref(said->body);
    free(said->items);
    free(said->given);
    *said = (struct patients_said){.count = 0};
}
