/* shape.c - see shape.h. */
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#include "intake/shape.h"

#define NAMES_MOST 40

void spot_problem(const struct spot *spot, const char *name, enum problem_code code,
                  const char *format, ...)
{
    char pointer[SPOT_POINTER], detail[256];
    va_list arguments;

    if (name)
        pointer_join(pointer, sizeof(pointer), spot->pointer, name);
    va_start(arguments, format);
    (void)vsnprintf(detail, sizeof(detail), format, arguments);
    va_end(arguments);
    problem_add(spot->problems, code, name ? pointer : spot->pointer, "%s", detail);
}

bool spot_has(const struct spot *spot, const char *name)
{
    return json_object_get(spot->json, name) != NULL;
}

bool spot_due(const struct spot *spot, const char *name)
{
    bool there = spot_has(spot, name);

    if (!there)
        spot_problem(spot, name, PROBLEM_MISSING_FIELD, "%s is missing", name);
    return there;
}

bool spot_inner(const struct spot *spot, const char *name, const char *due,
                char pointer[SPOT_POINTER], struct spot *out)
{
    *out = (struct spot){json_object_get(spot->json, name), pointer, spot->problems};
    if (!out->json)
        return false;
    if (!json_is_object(out->json)) {
        spot_problem(spot, name, PROBLEM_WRONG_TYPE, "an object is due here: %s", due);
        return false;
    }
    pointer_join(pointer, SPOT_POINTER, spot->pointer, name);
    return true;
}

/* ---- texts ---- */

static size_t count_characters(const char *text)
{
    size_t count = 0;

    for (; *text; text++)
        count += ((unsigned char)*text & 0xC0) != 0x80; /* json_in() let only UTF-8 through */
    return count;
}

const char *spot_word(const struct spot *spot, const char *name, bool required)
{
    const json_t *value = json_object_get(spot->json, name);
    const char *text = json_string_value(value);

    if (!value) {
        if (required)
            spot_due(spot, name);
        return NULL;
    }
    if (!text_is(value)) {
        spot_problem(spot, name, PROBLEM_WRONG_TYPE, "a text is due here");
        return NULL;
    }
    if (text[strspn(text, " \t\r\n")] == '\0') {
        spot_problem(spot, name, PROBLEM_MISSING_FIELD, "an empty text says nothing");
        return NULL;
    }
    return text;
}

const char *spot_text(const struct spot *spot, const char *name, size_t most, bool required)
{
    const char *text = spot_word(spot, name, required);

    if (!text || count_characters(text) <= most)
        return text;
    spot_problem(spot, name, PROBLEM_TOO_LONG, "at most %zu characters", most);
    return NULL;
}

const char *spot_line(const struct spot *spot, const char *name, size_t most, bool required)
{
    const char *text = spot_text(spot, name, most, required);

    if (!text)
        return NULL;
    if (strpbrk(text, "\t\r\n") || text[0] == ' ' || text[strlen(text) - 1] == ' ') {
        spot_problem(spot, name, PROBLEM_MALFORMED,
                     "one line without blanks at its ends is due here");
        return NULL;
    }
    return text;
}

/* ---- other values ---- */

bool spot_bool(const struct spot *spot, const char *name, bool initial)
{
    const json_t *value = json_object_get(spot->json, name);

    if (!value)
        return initial;
    if (json_is_boolean(value))
        return json_is_true(value);
    spot_problem(spot, name, PROBLEM_WRONG_TYPE, "true or false is due here");
    return initial;
}

bool spot_number(const struct spot *spot, const char *name, struct decimal *out)
{
    const json_t *value = json_object_get(spot->json, name);

    if (!value)
        return false;
    if (digits_decimal(value, out))
        return true;
    spot_problem(spot, name, PROBLEM_WRONG_TYPE,
                 text_is(value) ? "a number is due here, without quotes" : "a number is due here");
    return false;
}

bool spot_whole(const struct spot *spot, const char *name, int64_t least, int64_t most,
                int64_t *out)
{
    struct decimal value;

    if (!spot_number(spot, name, &value))
        return false;
    if (value.scale > 0 || value.digits < least || value.digits > most) {
        spot_problem(spot, name, PROBLEM_IMPLAUSIBLE,
                     "a whole number from %lld to %lld is due here", (long long)least,
                     (long long)most);
        return false;
    }
    *out = value.digits;
    return true;
}

/* ---- names ---- */

static bool is_among(const char *name, const char *const *names, size_t count)
{
    for (size_t i = 0; i < count; i++)
        if (strcmp(names[i], name) == 0)
            return true;
    return false;
}

/* The table's measure of nearness, over names of ours. */
static const char *nearest_of(const char *name, const char *const *names, size_t count)
{
    struct word words[NAMES_MOST] = {{.word = NULL}};
    struct word_list list = {"", words, 0};

    for (; list.count < count && list.count < NAMES_MOST; list.count++)
        words[list.count].word = names[list.count];
    return word_list_nearest(&list, name);
}

void spot_no_strangers(const struct spot *spot, const char *const *names, size_t count)
{
    const char *name;
    json_t *value;

    json_object_foreach(json_walk(spot->json), name, value)
    {
        const char *near;

        if (is_among(name, names, count))
            continue;
        near = nearest_of(name, names, count);
        spot_problem(spot, name, PROBLEM_UNKNOWN_FIELD,
                     near ? "no such field here; was %s meant?" : "no such field here%s",
                     near ? near : "");
    }
}

void listing_add(struct listing *listing, const char *item)
{
    size_t length = strlen(item), lead = listing->length > 0 ? 2 : 0;
    char *at = listing->text + listing->length;

    if (listing->length + lead + length + sizeof(", ...") > sizeof(listing->text)) {
        if (listing->length < 3 || strcmp(at - 3, "...") != 0)
            listing->length += (size_t)snprintf(at, sizeof(", ..."), ", ...");
        return;
    }
    listing->length += (size_t)snprintf(at, lead + length + 1, "%s%s", lead ? ", " : "", item);
}

void spot_unknown_word(const struct spot *spot, const char *name, const struct word_list *list,
                       const char *sent)
{
    const char *near = word_list_nearest(list, sent);
    struct listing words = {"", 0};

    for (size_t i = 0; i < list->count; i++)
        listing_add(&words, list->words[i].word);
    if (near)
        spot_problem(spot, name, PROBLEM_UNKNOWN_WORD,
                     "no such word here; was %s meant? Taken are: %s", near, words.text);
    else
        spot_problem(spot, name, PROBLEM_UNKNOWN_WORD, "no such word here; taken are: %s",
                     words.text);
}
