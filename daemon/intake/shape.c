/* shape.c - see shape.h. */
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#include "intake/shape.h"

void spot_problem(const struct spot *spot, const char *name, enum problem_code code, const char *format, ...)
{
    char pointer[SPOT_POINTER], detail[256];
    va_list arguments;

    if (name)
        pointer_join(pointer, sizeof(pointer), spot->pointer, name);
    else
        snprintf(pointer, sizeof(pointer), "%s", spot->pointer);
    va_start(arguments, format);
    vsnprintf(detail, sizeof(detail), format, arguments);
    va_end(arguments);
    problem_add(spot->problems, code, pointer, "%s", detail);
}

bool spot_has(const struct spot *spot, const char *name)
{
    return json_object_get(spot->json, name) != NULL;
}

const char *spot_text(const struct spot *spot, const char *name, size_t most, bool required)
{
    const json_t *value = json_object_get(spot->json, name);

    if (!value) {
        if (required)
            spot_problem(spot, name, PROBLEM_MISSING_FIELD, "%s is missing", name);
        return NULL;
    }
    if (!text_is(value)) {
        spot_problem(spot, name, PROBLEM_WRONG_TYPE, "a text is due here");
        return NULL;
    }
    if (json_string_length(value) == 0) {
        spot_problem(spot, name, PROBLEM_MISSING_FIELD, "an empty text says nothing");
        return NULL;
    }
    if (json_string_length(value) > most) {
        spot_problem(spot, name, PROBLEM_TOO_LONG, "at most %zu bytes", most);
        return NULL;
    }
    return json_string_value(value);
}

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
    spot_problem(spot, name, PROBLEM_WRONG_TYPE, text_is(value) ? "a number is due here, without quotes" : "a number is due here");
    return false;
}

bool spot_whole(const struct spot *spot, const char *name, int64_t least, int64_t most, int64_t *out)
{
    struct decimal value;

    if (!spot_number(spot, name, &value))
        return false;
    if (value.scale > 0 || value.digits < least || value.digits > most) {
        spot_problem(spot, name, PROBLEM_IMPLAUSIBLE, "a whole number from %lld to %lld", (long long)least, (long long)most);
        return false;
    }
    *out = value.digits;
    return true;
}

void spot_no_strangers(const struct spot *spot, const char *const *names)
{
    const char *name;
    json_t *value;

    json_object_foreach(json_walk(spot->json), name, value)
    {
        size_t i = 0;

        while (names[i] && strcmp(names[i], name) != 0)
            i++;
        if (!names[i])
            spot_problem(spot, name, PROBLEM_UNKNOWN_FIELD, "no such field here");
    }
}
