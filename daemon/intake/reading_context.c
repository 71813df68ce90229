/* reading_context.c - what was said about a reading, by the fields of its kind: words, texts,
 * quantities, counts, groups of these. */
#include <stdlib.h>
#include <string.h>

#include "intake/parsing.h"

/* ---- words ---- */

static bool make_words(struct parsing *parsing, struct said *out, size_t count)
{
    out->words =
        calloc(count, sizeof(*out->words)); /* NOLINT(bugprone-sizeof-expression): pointers */
    if (!out->words)
        parsing->no_memory = true;
    return out->words != NULL;
}

static void read_one_word(struct parsing *parsing, const struct spot *spot,
                          const struct field *field, struct said *out)
{
    const struct word *word = parse_word(spot, field->name, field->list);

    if (!word || !make_words(parsing, out, 1))
        return;
    out->words[out->words_count++] = word;
    out->given = true;
}

static bool is_said(const struct said *said, const struct word *word)
{
    for (size_t i = 0; i < said->words_count; i++)
        if (said->words[i] == word)
            return true;
    return false;
}

static void read_item(const struct spot *list, size_t index, const struct field *field,
                      struct said *out)
{
    const json_t *item = json_array_get(list->json, index);
    char pointer[SPOT_POINTER];
    struct spot spot = {item, pointer, list->problems};
    const struct word *word;

    pointer_join_index(pointer, sizeof(pointer), list->pointer, index);
    if (!text_is(item)) {
        spot_problem(&spot, NULL, PROBLEM_WRONG_TYPE, "a text is due here");
        return;
    }
    word = word_list_find(field->list, json_string_value(item));
    if (!word)
        spot_unknown_word(&spot, NULL, field->list, json_string_value(item));
    else if (is_said(out, word))
        spot_problem(&spot, NULL, PROBLEM_INCONSISTENT, "this word stands twice");
    else
        out->words[out->words_count++] = word;
}

static void read_words(struct parsing *parsing, const struct spot *spot, const struct field *field,
                       struct said *out)
{
    const json_t *json = json_object_get(spot->json, field->name);
    size_t count = json_array_size(json), most = field->list->count;
    char pointer[SPOT_POINTER];
    struct spot list = {json, pointer, spot->problems};

    pointer_join(pointer, sizeof(pointer), spot->pointer, field->name);
    if (!json_is_array(json))
        spot_problem(&list, NULL, PROBLEM_WRONG_TYPE, "a list of words is due here");
    else if (count == 0)
        spot_problem(&list, NULL, PROBLEM_MISSING_FIELD, "an empty list says nothing");
    else if (count > most)
        spot_problem(&list, NULL, PROBLEM_TOO_MANY, "at most %zu words, each once", most);
    else if (make_words(parsing, out, count))
        for (size_t i = 0; i < count; i++)
            read_item(&list, i, field, out);
    out->given = out->words_count > 0;
}

/* ---- counted beats ---- */

static void wrong_length(const struct spot *count, const struct field *field)
{
    struct listing lengths = {"", 0};

    for (size_t i = 0; i < field->seconds_count; i++) {
        char text[DECIMAL_TEXT_ROOM];

        decimal_text((struct decimal){field->seconds[i], 0}, text);
        listing_add(&lengths, text);
    }
    spot_problem(count, "seconds", PROBLEM_IMPLAUSIBLE, "counted over one of these: %s seconds",
                 lengths.text);
}

static bool length_is_taken(const struct field *field, int64_t seconds)
{
    for (size_t i = 0; i < field->seconds_count; i++)
        if (field->seconds[i] == seconds)
            return true;
    return false;
}

static bool read_count(const struct spot *spot, const struct field *field, struct said *out)
{
    static const char *const names[] = {"beats", "seconds"};
    char pointer[SPOT_POINTER];
    int64_t beats = 0, seconds = 0;
    bool has_beats, has_seconds;
    struct spot count;

    if (!spot_inner(spot, field->name, "beats, seconds", pointer, &count))
        return false;
    SPOT_NO_STRANGERS(&count, names);
    has_beats = spot_due(&count, "beats") && spot_whole(&count, "beats", 1, 1000, &beats);
    has_seconds = spot_due(&count, "seconds") && spot_whole(&count, "seconds", 1, 3600, &seconds);
    if (has_seconds && !length_is_taken(field, seconds)) {
        wrong_length(&count, field);
        has_seconds = false;
    }
    out->beats = (int)beats;
    out->seconds = (int)seconds;
    out->given = has_beats && has_seconds;
    return out->given;
}

/* N x 60 / S, half to even, whole (mappings/README.md, `count`). */
static bool rate_of(const struct said *said, struct decimal *out)
{
    const struct exact beats = {(wide)said->beats * 60, 1}, seconds = {said->seconds, 1};
    struct exact rate;

    return exact_over(beats, seconds, &rate) && exact_round(rate, 0, ROUND_HALF_EVEN, out);
}

static bool is_rate(const struct parsing *parsing, const struct measured *measured,
                    const struct part *part, struct decimal rate)
{
    struct exact value;

    return part->unit &&
           unit_exact(parsing->set->kinds, measured->value, measured->unit, part->unit, &value) &&
           exact_compare(value, exact_of(rate)) == 0;
}

/* In place of the value; beside a value it must say the same. */
static void give_rate(const struct parsing *parsing, const struct spot *spot,
                      const struct field *field, const struct said *said, struct reading *out)
{
    struct measured *measured = &out->parts[field->gives];
    const struct part *part = &out->kind->parts[field->gives];
    struct decimal rate;

    if (!rate_of(said, &rate))
        return;
    if (!json_object_get(out->sent, part->name))
        *measured = (struct measured){
            .type = MEASURED_NUMBER, .value = rate, .unit = part->unit, .worked_out = true};
    else if (measured->type == MEASURED_NUMBER && !is_rate(parsing, measured, part, rate))
        spot_problem(spot, field->name, PROBLEM_INCONSISTENT,
                     "%d in %d s is not the %s that was sent with it", said->beats, said->seconds,
                     part->name);
}

/* ---- fields ---- */

static void read_quantity(const struct parsing *parsing, const struct spot *spot,
                          const struct field *field, struct said *out)
{
    static const char *const names[] = {"value", "unit"};
    char pointer[SPOT_POINTER];
    struct spot inner;
    bool has_value;

    if (!spot_inner(spot, field->name, "value, unit", pointer, &inner))
        return;
    SPOT_NO_STRANGERS(&inner, names);
    has_value = spot_due(&inner, "value") && spot_number(&inner, "value", &out->value);
    out->unit = parse_unit(parsing, &inner, &field->quantity);
    out->given = has_value && out->unit;
}

static void read_field(struct parsing *parsing, const struct spot *spot, size_t at,
                       struct reading *out)
{
    const struct field *field = &out->kind->fields[at];
    struct said *said = &out->fields[at];

    if (!spot_has(spot, field->name))
        return;
    switch (field->type) {
    case FIELD_WORD:
        read_one_word(parsing, spot, field, said);
        return;
    case FIELD_WORDS:
        read_words(parsing, spot, field, said);
        return;
    case FIELD_TEXT:
        said->text = spot_text(spot, field->name, 500, true);
        said->given = said->text != NULL;
        return;
    case FIELD_QUANTITY:
        read_quantity(parsing, spot, field, said);
        return;
    case FIELD_COUNT:
        if (read_count(spot, field, said) && !out->not_taken)
            give_rate(parsing, spot, field, said, out);
        return;
    }
}

/* ---- groups: fields that stand in an object of their own ---- */

static bool is_in(const struct field *field, const char *group)
{
    return field->group && strcmp(field->group, group) == 0;
}

static bool is_first_of_group(const struct kind *kind, size_t at)
{
    for (size_t i = 0; i < at; i++)
        if (is_in(&kind->fields[i], kind->fields[at].group))
            return false;
    return true;
}

static void read_group(struct parsing *parsing, const struct spot *spot, const char *group,
                       struct reading *out)
{
    const char *names[FIELDS_MOST];
    struct listing due = {"", 0};
    char pointer[SPOT_POINTER];
    struct spot inner;
    size_t count = 0;

    if (!spot_has(spot, group))
        return;
    for (size_t i = 0; i < out->kind->fields_count; i++)
        if (is_in(&out->kind->fields[i], group)) {
            names[count++] = out->kind->fields[i].name;
            listing_add(&due, out->kind->fields[i].name);
        }
    if (!spot_inner(spot, group, due.text, pointer, &inner))
        return;
    spot_no_strangers(&inner, names, count);
    for (size_t i = 0; i < out->kind->fields_count; i++)
        if (is_in(&out->kind->fields[i], group))
            read_field(parsing, &inner, i, out);
}

void parse_context(struct parsing *parsing, const struct spot *spot, struct reading *out)
{
    for (size_t i = 0; i < out->kind->fields_count; i++) {
        const struct field *field = &out->kind->fields[i];

        if (!field->group)
            read_field(parsing, spot, i, out);
        else if (is_first_of_group(out->kind, i))
            read_group(parsing, spot, field->group, out);
    }
}
