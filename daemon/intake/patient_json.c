/* patient_json.c - a patient of an import: a line of NDJSON, or a record of CSV as the same object.
 */
#include <stdlib.h>
#include <string.h>

#include "intake/parsing.h"
#include "intake/patient_parts.h"

static const char *const genders[] = {"female", "male", "other", "unknown"}; /* FHIR R4 */

static const char *read_gender(const struct spot *spot)
{
    const char *word = spot_word(spot, "gender", false);

    for (size_t i = 0; word && i < sizeof(genders) / sizeof(genders[0]); i++)
        if (strcmp(genders[i], word) == 0)
            return genders[i];
    if (word)
        spot_problem(spot, "gender", PROBLEM_UNKNOWN_WORD, "female, male, other or unknown");
    return NULL;
}

void patient_parse(const json_t *body, struct known_patient *out, struct problems *problems)
{
    static const char *const names[] = {"identifier", "family", "given",  "birthDate", "gender",
                                        "ward",       "bed",    "active", "deceased"};
    const struct spot spot = {body, "", problems};
    struct patient identifier = {.given = false};
    struct date date;
    bool has_date = false;

    if (!json_is_object(body)) {
        spot_problem(&spot, NULL, PROBLEM_WRONG_TYPE, "an object is due here: a patient");
        return;
    }
    SPOT_NO_STRANGERS(&spot, names);
    parse_identifier(&spot, &identifier);
    parse_date(&spot, "birthDate", &date, &has_date);
    *out = (struct known_patient){
        .system = identifier.system,
        .value = identifier.value,
        .family = spot_line(&spot, "family", PATIENT_TEXT_MOST, false),
        .given = spot_line(&spot, "given", PATIENT_TEXT_MOST, false),
        .birth_date = has_date ? json_string_value(json_object_get(body, "birthDate")) : NULL,
        .gender = read_gender(&spot),
        .ward = spot_line(&spot, "ward", PATIENT_TEXT_MOST, false),
        .bed = spot_line(&spot, "bed", PATIENT_TEXT_MOST, false),
        .active = spot_bool(&spot, "active", true),
        .deceased = spot_bool(&spot, "deceased", false),
        .source = PATIENT_FROM_IMPORT};
}

/* ---- kept beyond its text ---- */

static size_t room_of(const char *text)
{
    return text ? strlen(text) + 1 : 0;
}

static const char *move(const char *text, char **at)
{
    char *to = *at;
    const size_t room = room_of(text);

    if (!text)
        return NULL;
    memcpy(to, text, room);
    *at += room;
    return to;
}

char *patient_keep(struct known_patient *patient)
{
    const char **const texts[] = {&patient->system, &patient->value,      &patient->family,
                                  &patient->given,  &patient->birth_date, &patient->ward,
                                  &patient->bed}; /* gender is a word of ours */
    size_t room = 1;
    char *block, *at;

    for (size_t i = 0; i < sizeof(texts) / sizeof(texts[0]); i++)
        room += room_of(*texts[i]);
    block = at = malloc(room);
    for (size_t i = 0; block && i < sizeof(texts) / sizeof(texts[0]); i++)
        *texts[i] = move(*texts[i], &at);
    return block;
}

/* ---- CSV ---- */

static const struct {
    const char *name;
    bool in_identifier, truth;
} columns[] = {
    {"system",    true,  false},
    {"value",     true,  false},
    {"family",    false, false},
    {"given",     false, false},
    {"birthDate", false, false},
    {"gender",    false, false},
    {"ward",      false, false},
    {"bed",       false, false},
    {"active",    false, true },
    {"deceased",  false, true },
};

#define COLUMNS (sizeof(columns) / sizeof(columns[0]))

static size_t column_named(const struct cell *cell)
{
    size_t i = 0;

    while (i < COLUMNS && (strlen(columns[i].name) != cell->length ||
                           memcmp(columns[i].name, cell->text, cell->length) != 0))
        i++;
    return i;
}

bool patient_heading(const struct record *record, struct patient_columns *out,
                     struct problems *problems)
{
    bool seen[COLUMNS + 1] = {false};

    out->count = record->count;
    if (record->why)
        problem_add(problems, PROBLEM_MALFORMED, "", "the heading is broken: %s", record->why);
    for (size_t i = 0; i < record->count && !record->why; i++) {
        out->at[i] = column_named(&record->cells[i]);
        if (out->at[i] == COLUMNS || seen[out->at[i]])
            problem_add(problems, PROBLEM_UNKNOWN_FIELD, "",
                        "column %zu is not one of these, each at most once: system, value, family, "
                        "given, birthDate, gender, ward, bed, active, deceased (a comma between)",
                        i + 1);
        seen[out->at[i]] = true;
    }
    if (problems->count == 0 && !seen[1])
        problem_add(problems, PROBLEM_MISSING_FIELD, "", "there is no column: value");
    return problems->count == 0;
}

/* Characters that are no text: json_in() refuses them in JSON, too. */
static bool is_text(const struct cell *cell)
{
    for (size_t i = 0; i < cell->length; i++)
        if ((unsigned char)cell->text[i] < ' ' && !strchr("\t\r\n", cell->text[i]))
            return false;
    return true;
}

static json_t *truth_of(const struct cell *cell)
{
    if (cell->length == 4 && memcmp(cell->text, "true", 4) == 0)
        return json_true();
    if (cell->length == 5 && memcmp(cell->text, "false", 5) == 0)
        return json_false();
    return json_stringn(cell->text, cell->length); /* is then found to be no truth */
}

static bool put_cell(json_t *object, size_t column, const struct cell *cell)
{
    json_t *value = !is_text(cell)          ? NULL
                    : columns[column].truth ? truth_of(cell)
                                            : json_stringn(cell->text, cell->length);

    return json_object_set_new(object, columns[column].name, value) == 0; /* NULL: no UTF-8 */
}

json_t *patient_of_record(const struct record *record, const struct patient_columns *heading,
                          struct problems *problems)
{
    json_t *body = json_object(), *identifier = json_object();

    if (record->why)
        problem_add(problems, PROBLEM_MALFORMED, "", "%s", record->why);
    else if (record->count != heading->count)
        problem_add(problems, PROBLEM_MALFORMED, "", "it has %zu cells, the heading has %zu",
                    record->count, heading->count);
    for (size_t i = 0; i < record->count && problems->count == 0; i++) {
        json_t *owner = columns[heading->at[i]].in_identifier ? identifier : body;

        if (record->cells[i].length > 0 && !put_cell(owner, heading->at[i], &record->cells[i]))
            problem_add(problems, PROBLEM_MALFORMED, "", "cell %zu is no text in UTF-8", i + 1);
    }
    if (json_object_set_new(body, "identifier", identifier) != 0)
        problems->no_memory = true;
    return body;
}
