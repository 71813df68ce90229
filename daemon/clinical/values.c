/* values.c - a reading's values in short, kept for the comparison with the next one. */
#include <string.h>

#include "clinical/clinical_private.h"
#include "wardpost/json_in.h"

void values_out(const struct reading *reading, struct json_out *out)
{
    out_object(out);
    for (size_t i = 0; i < reading->kind->parts_count; i++) {
        const struct measured *measured = &reading->parts[i];

        if (measured->type == MEASURED_NUMBER) {
            out_name(out, reading->kind->parts[i].name);
            out_array(out);
            out_decimal(out, measured->value);
            if (measured->unit)
                out_text(out, measured->unit->code);
            out_array_end(out);
        } else if (measured->type == MEASURED_WORD) {
            out_member(out, reading->kind->parts[i].name, measured->word->word);
        }
    }
    out_object_end(out);
}

static bool read_number(const struct kinds *kinds, const json_t *value, struct measured *out)
{
    const char *unit = json_string_value(json_array_get(value, 1));

    if (!digits_decimal(json_array_get(value, 0), &out->value))
        return false;
    out->unit = unit ? kinds_unit(kinds, unit) : NULL;
    out->type = MEASURED_NUMBER;
    return !unit || out->unit;
}

static bool read_word(const struct part *part, const json_t *value, struct measured *out)
{
    out->word = part->list && text_is(value) ? word_list_find(part->list, json_string_value(value)) : NULL;
    out->type = MEASURED_WORD;
    return out->word != NULL;
}

static bool read_parts(const struct kinds *kinds, const struct kind *kind, const json_t *json, struct last *out)
{
    const char *name;
    json_t *value;

    json_object_foreach(json_walk(json), name, value)
    {
        const struct part *part = kind_part(kind, name);
        struct measured *measured = part ? &out->parts[part - kind->parts] : NULL;

        if (!measured || !(json_is_array(value) ? read_number(kinds, value, measured) : read_word(part, value, measured)))
            return false;
    }
    return true;
}

bool last_read(const struct kinds *kinds, const struct kind *kind, const char *text, size_t length, int64_t taken_ms, struct last *out)
{
    struct json_fault fault;
    json_t *json = NULL;
    bool good;

    *out = (struct last){.kind = kind, .taken_ms = taken_ms};
    if (json_in(text, length, &json, &fault) != STATUS_OK)
        return false;
    good = json_is_object(json) && read_parts(kinds, kind, json, out);
    json_decref(json);
    return good;
}
