/* values.c - the values of a reading in short, kept beside it for the comparison with the next one:
 * {"value":[72,"/min"]}, words as texts. Only parts: no check asks for the last context. */
#include "clinical/clinical_private.h"
#include "wardpost/json_in.h"

void values_out(const struct reading *reading, struct json_out *out)
{
    out_object(out);
    for (size_t i = 0; i < reading->kind->parts_count; i++) {
        const struct measured *measured = &reading->parts[i];

        if (measured->type == MEASURED_WORD)
            out_member(out, reading->kind->parts[i].name, measured->word->word);
        if (measured->type != MEASURED_NUMBER)
            continue;
        out_name(out, reading->kind->parts[i].name);
        out_array(out);
        out_decimal(out, measured->value);
        if (measured->unit)
            out_text(out, measured->unit->code);
        out_array_end(out);
    }
    out_object_end(out);
}

static bool read_number(const struct kinds *kinds, const struct part *part, const json_t *value,
                        struct measured *out)
{
    const json_t *unit = json_array_get(value, 1);

    if (part->type != PART_QUANTITY || !digits_decimal(json_array_get(value, 0), &out->value))
        return false;
    out->type = MEASURED_NUMBER;
    if (!unit)
        return true;
    out->unit = text_is(unit) ? part_unit(kinds, part, json_string_value(unit)) : NULL;
    return out->unit != NULL; /* a newer table may not take it any more */
}

static bool read_word(const struct part *part, const json_t *value, struct measured *out)
{
    if (part->type != PART_WORD || !text_is(value))
        return false;
    out->type = MEASURED_WORD;
    out->word = word_list_find(part->list, json_string_value(value));
    return out->word != NULL;
}

static bool read_parts(const struct kinds *kinds, const json_t *json, struct last *out)
{
    const char *name;
    json_t *value;

    json_object_foreach(json_walk(json), name, value)
    {
        const struct part *part = kind_part(out->kind, name);
        struct measured *measured = part ? &out->parts[part - out->kind->parts] : NULL;

        if (!part || !(json_is_array(value) ? read_number(kinds, part, value, measured)
                                            : read_word(part, value, measured)))
            return false;
    }
    return true;
}

bool last_read(const struct kinds *kinds, const struct kind *kind, const char *text, size_t length,
               int64_t taken_ms, struct last *out)
{
    struct last last = {.kind = kind, .taken_ms = taken_ms};
    struct json_fault fault;
    json_t *json = NULL;
    bool good;

    if (json_in(text, length, &json, &fault) != STATUS_OK)
        return false;
    good = json_is_object(json) && read_parts(kinds, json, &last);
    json_decref(json);
    if (good)
        *out = last;
    return good;
}
