/* score_back.c - the way back for a score: the Observation it became, to total and points. */
#include <string.h>

#include "wardpost/json_in.h"
#include "wardpost/observation.h"

static bool whole_value(const json_t *owner, int *out)
{
    const json_t *quantity = json_object_get(owner, "valueQuantity");
    struct decimal value;

    if (!digits_decimal(json_object_get(quantity, "value"), &value) || value.scale > 0 ||
        value.digits < 0 || value.digits > 1000)
        return false;
    *out = (int)value.digits;
    return true;
}

static const char *code_of(const json_t *component)
{
    const json_t *codings = json_object_get(json_object_get(component, "code"), "coding");

    return json_string_value(json_object_get(json_array_get(codings, 0), "code"));
}

static void take_points(const json_t *component, struct score_answer *answer)
{
    const char *code = code_of(component);

    for (size_t i = 0; code && i < answer->table->inputs_count; i++)
        if (strcmp(answer->table->inputs[i].coding.code, code) == 0)
            (void)whole_value(component, &answer->points[i]);
}

enum status score_of_observation(const struct kinds *kinds, const char *name, const char *json,
                                 size_t length, struct score_answer *out)
{
    struct json_fault fault;
    json_t *observation = NULL, *component;
    size_t index;
    enum status status;

    if (!score_recall(kinds, name, out))
        return STATUS_NOT_FOUND;
    status = json_in(json, length, &observation, &fault);
    if (status == STATUS_OK && !whole_value(observation, &out->total))
        status = STATUS_INVALID;
    if (status == STATUS_OK) {
        out->scale_text =
            json_string_value(json_object_get(json_object_get(observation, "method"), "text"));
        json_array_foreach(json_object_get(observation, "component"), index, component)
            take_points(component, out);
        score_recalled(kinds, out);
        out->scale_text = NULL; /* it goes with the JSON */
    }
    json_decref(observation);
    return status;
}
