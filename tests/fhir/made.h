/* made.h - sets made by hand for the mapper's tests, from a case file: {"set", "readings",
 * "becomes", "needs"}. What a sender may write is not this file's matter (tests/intake); here each
 * measured thing is named as struct reading holds it. */
#ifndef WARDPOST_TESTS_FHIR_MADE_H
#define WARDPOST_TESTS_FHIR_MADE_H

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "wardpost/json_in.h"
#include "wardpost/observation.h"

#define MADE_MOST 8

struct made {
    json_t *file;
    struct set set;
    struct reading readings[MADE_MOST];
    const struct word *words[MADE_MOST][FIELDS_MOST][4];
    struct judgement judgements[MADE_MOST];
    struct worked_out worked_out[WORKED_OUT_MOST];
    size_t worked_out_count;
    struct score_answer scores[2];
    size_t scores_count;
};

static inline const char *made_text(const json_t *json, const char *name, const char *initial)
{
    const json_t *value = json_object_get(json, name);

    return value ? json_string_value(value) : initial;
}

static inline json_t *made_read(const char *path)
{
    struct json_fault fault;
    json_t *json = NULL;

    if (json_in_file(path, &json, &fault) != STATUS_OK)
        fail_msg("%s:%u:%u: %s", path, fault.line, fault.column, fault.detail);
    return json;
}

static inline int made_int(const json_t *json, const char *name)
{
    struct decimal value = {0, 0};

    assert_true(digits_decimal(json_object_get(json, name), &value));
    return (int)value.digits;
}

static inline void made_part(const struct kinds *kinds, struct reading *reading, const char *name,
                             const json_t *json)
{
    const struct part *part = kind_part(reading->kind, name);
    struct measured *out;

    assert_non_null(part);
    out = &reading->parts[part - reading->kind->parts];
    if (json_object_get(json, "number")) {
        out->type = MEASURED_NUMBER;
        assert_true(digits_decimal(json_object_get(json, "number"), &out->value));
        out->unit = part_unit(kinds, part, made_text(json, "unit", ""));
        assert_non_null(out->unit);
    } else if (json_object_get(json, "word")) {
        out->type = MEASURED_WORD;
        out->word = word_list_find(part->list, made_text(json, "word", ""));
        assert_non_null(out->word);
    } else {
        out->type = MEASURED_NOT_TAKEN;
        out->reason = kinds_reason(kinds, made_text(json, "not-taken", ""));
        assert_non_null(out->reason);
    }
}

static inline void made_field(struct made *made, size_t index, const char *path, const json_t *json)
{
    struct reading *reading = &made->readings[index];
    const struct field *field = kind_field(reading->kind, path);
    const json_t *words = json_object_get(json, "words");
    size_t at;
    struct said *out;

    assert_non_null(field);
    at = (size_t)(field - reading->kind->fields);
    out = &reading->fields[at];
    out->given = true;
    out->text = made_text(json, "text", NULL);
    out->words = made->words[index][at];
    for (size_t i = 0; i < json_array_size(words); i++) {
        out->words[i] = word_list_find(field->list, json_string_value(json_array_get(words, i)));
        assert_non_null(out->words[i]);
        out->words_count++;
    }
    if (json_object_get(json, "number")) {
        assert_true(digits_decimal(json_object_get(json, "number"), &out->value));
        out->unit = part_unit(made->set.kinds, &field->quantity, made_text(json, "unit", ""));
        assert_non_null(out->unit);
    }
    if (json_object_get(json, "beats")) {
        out->beats = made_int(json, "beats");
        out->seconds = made_int(json, "seconds");
    }
}

static inline void made_moment(const char *text, struct moment *out)
{
    assert_int_equal(moment_parse(text, strlen(text), out), MOMENT_FINE);
}

static inline void made_reading(struct made *made, size_t index, const json_t *json)
{
    struct reading *reading = &made->readings[index];
    const json_t *override = json_object_get(json, "override");
    const char *id = made_text(json, "id", "0b0e6f0e-7a0e-4a52-9a3c-8c1f0d7c2b11");
    const char *name;
    json_t *value;

    assert_true(uuid_parse(id, strlen(id), &reading->id));
    reading->pointer = "";
    reading->kind = kinds_find(made->set.kinds, made_text(json, "kind", ""));
    assert_non_null(reading->kind);
    reading->taken_text = made_text(json, "taken", made->set.taken_text);
    made_moment(reading->taken_text, &reading->taken);
    reading->by = made_text(json, "by", made->set.by);
    reading->device = made_text(json, "device", NULL);
    reading->note = made_text(json, "note", NULL);
    if (json_object_get(json, "not-taken"))
        reading->not_taken = kinds_reason(made->set.kinds, made_text(json, "not-taken", ""));
    reading->confirmed = json_is_true(json_object_get(json, "confirmed"));
    reading->override.given = override != NULL;
    reading->override.reason = made_text(override, "reason", NULL);
    reading->override.by = made_text(override, "by", "rn-7");
    reading->override.second = made_text(override, "second", "rn-8");
    json_object_foreach(json_object_get(json, "parts"), name, value)
        made_part(made->set.kinds, reading, name, value);
    json_object_foreach(json_object_get(json, "fields"), name, value)
        made_field(made, index, name, value);
}

static inline void made_set(struct made *made, const json_t *json)
{
    struct set *set = &made->set;
    const char *birth_date = made_text(json, "birth-date", NULL);
    const char *id = made_text(json, "id", "5d3f1f6a-3c0b-4a2e-8a9d-2f1f9f1a0c01");

    assert_true(uuid_parse(id, strlen(id), &set->id));
    set->single = json_is_true(json_object_get(json, "single"));
    set->patient = (struct patient){
        .given = true, .system = "https://clinic.example/mrn", .value = "WP-10234"};
    set->patient.has_birth_date =
        birth_date && date_parse(birth_date, strlen(birth_date), &set->patient.birth_date);
    set->taken_text = made_text(json, "taken", "2026-11-25T09:30:00+01:00");
    made_moment(set->taken_text, &set->taken);
    set->by = made_text(json, "by", NULL);
}

static inline void made_judge(struct made *made, const json_t *json)
{
    struct judge_frame frame = {.as_entered = json_is_true(json_object_get(json, "as-entered")),
                                .nobody_there = true};
    struct problems problems = PROBLEMS_INIT;
    struct set *set = &made->set;

    assert_int_equal(set_judge(set, &frame, made->judgements, &problems), STATUS_OK);
    problems_clear(&problems);
    made->worked_out_count = set_work_out(set, made->judgements, made->worked_out);
    made->scores_count = set_scores(set, made->judgements, made->scores);
}

/* Everything until made_clear(). `file` is the case's, taken over. */
static inline struct made *made_new(struct kinds *kinds, json_t *file)
{
    const json_t *readings = json_object_get(file, "readings"), *set = json_object_get(file, "set");
    struct made *made = calloc(1, sizeof(*made));

    assert_non_null(made);
    assert_in_range(json_array_size(readings), 1, MADE_MOST);
    made->file = file;
    made->set.kinds = kinds;
    made->set.readings = made->readings;
    made->set.count = json_array_size(readings);
    made_set(made, set);
    for (size_t i = 0; i < made->set.count; i++)
        made_reading(made, i, json_array_get(readings, i));
    made_judge(made, set);
    return made;
}

static inline void made_free(struct made *made)
{
    for (size_t i = 0; i < made->set.count; i++)
        judgement_clear(&made->judgements[i]);
    json_decref(made->file);
    free(made);
}

static inline enum status made_map(const struct made *made, struct observations *out)
{
    return set_map(&made->set, made->judgements, made->worked_out, made->worked_out_count,
                   made->scores, made->scores_count, out);
}

/* Value at an RFC 6901 pointer (our names need no escapes); NULL: nothing there. */
static inline const json_t *made_at(const json_t *json, const char *pointer)
{
    char step[80];

    while (json && *pointer == '/') {
        size_t length = strcspn(pointer + 1, "/");

        assert_in_range(length, 1, sizeof(step) - 1);
        memcpy(step, pointer + 1, length);
        step[length] = '\0';
        json = json_is_array(json) ? json_array_get(json, (size_t)strtoul(step, NULL, 10))
                                   : json_object_get(json, step);
        pointer += 1 + length;
    }
    return json;
}

#endif
