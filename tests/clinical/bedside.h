/* bedside.h - sets of readings in one line each, for tests of what a set means (how it is parsed is
 * intake's).
 *
 *   struct bedside bedside;
 *   bedside_begin(&bedside, kinds, "1950-03-14");
 *   bedside_tell(&bedside, "heart-rate value=72:/min rhythm=regular | pain value=3:{score}
 * confirmed"); bedside_tell(&bedside, "last heart-rate value=70:/min days=2");
 *   bedside_judge(&bedside);
 *   assert_non_null(bedside_problem(&bedside, "/readings/0/value", PROBLEM_CONFIRM, "ten times"));
 *   bedside_end(&bedside);
 *
 * A token is NAME=NUMBER:UNIT or NAME=WORD, NAME a part or a context field of the kind; or one of
 * confirmed, overridden, not-taken=REASON, counted=BEATS/SECONDS; and days=N of a last reading.
 * Include after cmocka.h. */
#ifndef WARDPOST_TESTS_BEDSIDE_H
#define WARDPOST_TESTS_BEDSIDE_H

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "kind_table.h"
#include "wardpost/judgement.h"
#include "wardpost/kind.h"

#define BEDSIDE_TAKEN    "2026-11-25T09:30:00+01:00"
#define BEDSIDE_READINGS 12

struct bedside {
    struct set set;
    struct reading readings[BEDSIDE_READINGS];
    struct judgement judgements[BEDSIDE_READINGS];
    char pointers[BEDSIDE_READINGS][32];
    const struct word *words[BEDSIDE_READINGS][FIELDS_MOST][4];
    struct last lasts[BEDSIDE_READINGS];
    struct judge_frame frame;
    struct problems problems;
};

static inline void bedside_take_at(struct bedside *bedside, const char *taken)
{
    assert_int_equal(moment_parse(taken, strlen(taken), &bedside->set.taken), MOMENT_FINE);
    bedside->set.taken_text = taken;
}

static inline void bedside_begin(struct bedside *bedside, struct kinds *kinds,
                                 const char *birth_date)
{
    struct patient *patient = &bedside->set.patient;

    memset(bedside, 0, sizeof(*bedside));
    bedside->set.kinds = kinds;
    bedside->set.readings = bedside->readings;
    bedside->frame.last = bedside->lasts;
    patient->given = true;
    patient->has_birth_date = birth_date != NULL;
    if (birth_date)
        assert_true(date_parse(birth_date, strlen(birth_date), &patient->birth_date));
    bedside_take_at(bedside, BEDSIDE_TAKEN);
}

/* Once more from the same patient: the readings and what was found are gone. */
static inline void bedside_end(struct bedside *bedside)
{
    for (size_t i = 0; i < bedside->set.count; i++)
        judgement_clear(&bedside->judgements[i]);
    problems_clear(&bedside->problems);
}

/* ---- telling ---- */

static inline const struct part *bedside_part_of(const struct kind *kind, const char *name,
                                                 size_t *index)
{
    const struct part *part = kind_part(kind, name);

    *index = part ? (size_t)(part - kind->parts) : 0;
    return part;
}

static inline void bedside_number(const struct kinds *kinds, const struct part *part,
                                  const char *text, struct decimal *value, const struct unit **unit)
{
    size_t length = strcspn(text, ":");

    if (!decimal_parse(text, length, value))
        fail_msg("%s is no number", text);
    *unit = text[length] ? part_unit(kinds, part, text + length + 1) : NULL;
    if (!*unit)
        fail_msg("%s has no unit that %s takes", text, part->name);
}

static inline void bedside_part(const struct kinds *kinds, const struct part *part,
                                const char *text, struct measured *out)
{
    *out = (struct measured){.type = MEASURED_NONE};
    if (strncmp(text, "not-taken-", 10) == 0) {
        out->type = MEASURED_NOT_TAKEN;
        out->reason = kinds_reason(kinds, text + 10);
        assert_non_null(out->reason);
    } else if (part->type == PART_WORD) {
        out->type = MEASURED_WORD;
        out->word = word_list_find(part->list, text);
        if (!out->word)
            fail_msg("%s is no word of %s", text, part->list->name);
    } else {
        out->type = MEASURED_NUMBER;
        bedside_number(kinds, part, text, &out->value, &out->unit);
    }
}

static inline void bedside_field(struct bedside *bedside, struct reading *reading, const char *path,
                                 const char *text)
{
    const struct field *field = kind_field(reading->kind, path);
    size_t at = field ? (size_t)(field - reading->kind->fields) : 0;
    struct said *said = &reading->fields[at];

    if (!field) {
        fail_msg("%s has no part or field %s", reading->kind->name, path);
        return;
    }
    said->given = true;
    switch (field->type) {
    case FIELD_WORD:
    case FIELD_WORDS:
        said->words = bedside->words[reading - bedside->readings][at];
        said->words[said->words_count] = word_list_find(field->list, text);
        if (!said->words[said->words_count++])
            fail_msg("%s is no word of %s", text, field->list->name);
        return;
    case FIELD_TEXT:
        said->text = text;
        return;
    case FIELD_QUANTITY:
        bedside_number(bedside->set.kinds, &field->quantity, text, &said->value, &said->unit);
        return;
    case FIELD_COUNT:
        said->beats = (int)strtol(text, NULL, 10);
        said->seconds = (int)strtol(strchr(text, '/') + 1, NULL, 10);
        reading->parts[field->gives] = (struct measured){
            .type = MEASURED_NUMBER,
            .value = {said->beats * 60 / said->seconds, 0},
            .unit = reading->kind->parts[field->gives].unit,
            .worked_out = true
        };
        return;
    }
}

static inline void bedside_token(struct bedside *bedside, struct reading *reading, char *token)
{
    char *text = strchr(token, '=');
    const struct part *part;
    size_t index;

    if (strcmp(token, "confirmed") == 0) {
        reading->confirmed = true;
        return;
    }
    if (strcmp(token, "overridden") == 0) {
        reading->override = (struct override){true, "p-1", "p-2", "seen twice"};
        return;
    }
    assert_non_null(text);
    *text++ = '\0';
    part = bedside_part_of(reading->kind, token, &index);
    if (strcmp(token, "not-taken") == 0)
        reading->not_taken = kinds_reason(bedside->set.kinds, text);
    else if (part)
        bedside_part(bedside->set.kinds, part, text, &reading->parts[index]);
    else
        bedside_field(bedside, reading, token, text);
}

static inline void bedside_last_token(struct bedside *bedside, struct last *last, char *token)
{
    char *text = strchr(token, '=');
    const struct part *part;
    size_t index;

    assert_non_null(text);
    *text++ = '\0';
    part = bedside_part_of(last->kind, token, &index);
    if (part)
        bedside_part(bedside->set.kinds, part, text, &last->parts[index]);
    else if (strcmp(token, "days") == 0)
        last->taken_ms = bedside->set.taken.ms - (int64_t)(strtod(text, NULL) * 86400000.0);
    else
        fail_msg("%s is no part of %s", token, last->kind->name);
}

static inline const struct kind *bedside_kind(const struct bedside *bedside, const char *name)
{
    const struct kind *kind = kinds_find(bedside->set.kinds, name);

    if (!kind)
        fail_msg("%s is no kind", name);
    return kind;
}

static inline struct reading *bedside_reading(struct bedside *bedside, const char *kind)
{
    size_t index = bedside->set.count++;
    struct reading *reading = &bedside->readings[index];

    assert_in_range(index, 0, BEDSIDE_READINGS - 1);
    (void)snprintf(bedside->pointers[index], sizeof(bedside->pointers[index]), "/readings/%zu",
                   index);
    reading->pointer = bedside->pointers[index];
    reading->kind = bedside_kind(bedside, kind);
    reading->taken = bedside->set.taken;
    return reading;
}

static inline struct last *bedside_last(struct bedside *bedside, const char *kind)
{
    struct last *last = &bedside->lasts[bedside->frame.last_count++];

    assert_in_range(bedside->frame.last_count, 1, BEDSIDE_READINGS);
    last->kind = bedside_kind(bedside, kind);
    last->taken_ms = bedside->set.taken.ms - 3600000;
    return last;
}

/* The next word of *text, up to a space; false at its end or at a bar. */
static inline bool bedside_word(const char **text, char word[128])
{
    size_t length;

    *text += strspn(*text, " ");
    length = strcspn(*text, " ");
    if (length == 0 || **text == '|')
        return false;
    assert_in_range(length, 1, 127);
    memcpy(word, *text, length);
    word[length] = '\0';
    *text += length;
    return true;
}

static inline void bedside_one(struct bedside *bedside, const char **text)
{
    struct reading *reading = NULL;
    struct last *last = NULL;
    char word[128];

    assert_true(bedside_word(text, word));
    if (strcmp(word, "last") == 0) {
        assert_true(bedside_word(text, word));
        last = bedside_last(bedside, word);
    } else {
        reading = bedside_reading(bedside, word);
    }
    while (bedside_word(text, word))
        if (last)
            bedside_last_token(bedside, last, word);
        else
            bedside_token(bedside, reading, word);
}

static inline void bedside_tell(struct bedside *bedside, const char *text)
{
    for (text += strspn(text, " |"); *text; text += strspn(text, " |"))
        bedside_one(bedside, &text);
}

/* As the body of one reading, not of a set. */
static inline void bedside_single(struct bedside *bedside)
{
    assert_int_equal(bedside->set.count, 1);
    bedside->set.single = true;
    bedside->pointers[0][0] = '\0';
}

/* ---- judging, and looking at what was found ---- */

static inline void bedside_judge(struct bedside *bedside)
{
    assert_int_equal(
        set_judge(&bedside->set, &bedside->frame, bedside->judgements, &bedside->problems),
        STATUS_OK);
}

/* The first problem at that place, of that code, whose words hold `words` (NULL: any). NULL: none.
 */
static inline const struct problem *bedside_problem(const struct bedside *bedside,
                                                    const char *pointer, enum problem_code code,
                                                    const char *words)
{
    for (size_t i = 0; i < bedside->problems.count; i++) {
        const struct problem *problem = &bedside->problems.items[i];

        if (problem->code == code && strcmp(problem->pointer, pointer) == 0 &&
            (!words || strstr(problem->detail, words)))
            return problem;
    }
    return NULL;
}

/* For a failed assertion: what was found instead. */
static inline const char *bedside_found(const struct bedside *bedside)
{
    static char text[2048];
    size_t used = 0;

    (void)snprintf(text, sizeof(text), "nothing");
    for (size_t i = 0; i < bedside->problems.count && used < sizeof(text) - 500; i++)
        used +=
            (size_t)snprintf(text + used, sizeof(text) - used, "%s %s: %s\n",
                             problem_code_text(bedside->problems.items[i].code),
                             bedside->problems.items[i].pointer, bedside->problems.items[i].detail);
    return text;
}

/* ---- the table that ships, for all tests of a program ---- */

static struct kinds *kinds;

static inline int bedside_load(void **state)
{
    int code = kind_table_shipped(state);

    kinds = *state;
    return code;
}

#endif
