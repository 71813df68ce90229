/* rules.h - HL7's own rules on the structure of an Observation, said once more apart from the code
 * that writes it. Sources: R4 4.0.1 StructureDefinitions Observation, vitalsigns, Quantity; FHIR R4
 * json.html (no empty objects, arrays, strings, no null); numbers as in the table of the reference
 * pack, 1.1. */
#ifndef WARDPOST_TESTS_FHIR_RULES_H
#define WARDPOST_TESTS_FHIR_RULES_H

#include "made.h"

static inline bool rule_has(const json_t *json, const char *name)
{
    return json_object_get(json, name) != NULL;
}

static inline bool rule_has_value(const json_t *json)
{
    return rule_has(json, "valueQuantity") || rule_has(json, "valueCodeableConcept") ||
           rule_has(json, "valueString");
}

static inline void rule_quantity(
    const json_t *quantity) /* qty-3; unit 1..1 in each vital-signs profile */
{
    assert_true(digits_is(json_object_get(quantity, "value")));
    assert_true(text_is(json_object_get(quantity, "unit")));
    assert_string_equal(made_text(quantity, "system", ""), "http://unitsofmeasure.org");
    assert_true(text_is(json_object_get(quantity, "code")));
}

/* json.html; NOLINTNEXTLINE(misc-no-recursion): as deep as json_in() lets it be */
static inline void rule_json(const json_t *json)
{
    const char *name;
    size_t index;
    json_t *value;

    assert_false(json_is_null(json));
    if (json_is_string(json))
        assert_true(json_string_length(json) > 0);
    if (json_is_object(json)) {
        assert_true(json_object_size(json) > 0);
        json_object_foreach(json_walk(json), name, value)
        {
            rule_json(value);
            if (strcmp(name, "valueQuantity") == 0 || strcmp(name, "low") == 0 ||
                strcmp(name, "high") == 0)
                rule_quantity(value);
            if (strcmp(name, "coding") == 0)
                assert_true(json_is_array(value));
        }
    }
    if (json_is_array(json)) {
        assert_true(json_array_size(json) > 0);
        json_array_foreach(json, index, value) rule_json(value);
    }
}

static inline void rule_flags(const json_t *json) /* of an Observation or a component */
{
    size_t index;
    json_t *range;

    assert_false(rule_has_value(json) && rule_has(json, "dataAbsentReason")); /* obs-6 */
    json_array_foreach(json_object_get(json, "referenceRange"), index, range) assert_true(
        rule_has(range, "low") || rule_has(range, "high") || rule_has(range, "text")); /* obs-3 */
    if (rule_has(json, "interpretation"))
        assert_true(json_is_array(json_object_get(json, "interpretation")));
}

static inline void rule_identifier(const json_t *json)
{
    const json_t *identifier = made_at(json, "/identifier/0");
    const char *value = made_text(identifier, "value", "");

    assert_string_equal(made_text(identifier, "system", ""), "urn:ietf:rfc:3986");
    assert_memory_equal(value, "urn:uuid:", 9);
    assert_string_equal(value + 9, made_text(json, "id", ""));
}

static inline void rule_components(const json_t *json)
{
    size_t index;
    json_t *component;

    json_array_foreach(json_object_get(json, "component"), index, component)
    {
        assert_true(rule_has(component, "code"));
        assert_true(rule_has_value(component) ||
                    rule_has(component, "dataAbsentReason")); /* vs-3 */
        assert_false(
            json_equal(json_object_get(component, "code"), json_object_get(json, "code")) &&
            rule_has_value(json)); /* obs-7 */
        rule_flags(component);
    }
}

static inline void rule_observation(const json_t *json)
{
    static const char *const known[] = {"resourceType",
                                        "id",
                                        "meta",
                                        "extension",
                                        "identifier",
                                        "status",
                                        "category",
                                        "code",
                                        "subject",
                                        "effectiveDateTime",
                                        "performer",
                                        "valueQuantity",
                                        "valueCodeableConcept",
                                        "valueString",
                                        "dataAbsentReason",
                                        "interpretation",
                                        "note",
                                        "bodySite",
                                        "method",
                                        "device",
                                        "referenceRange",
                                        "hasMember",
                                        "derivedFrom",
                                        "component"};
    struct moment moment;
    const char *name, *when = made_text(json, "effectiveDateTime", "");
    json_t *value;
    size_t at = 0;

    rule_json(json);
    json_object_foreach(json_walk(json), name,
                        value) /* only elements of R4, in the order of README.md */
    {
        while (at < sizeof(known) / sizeof(known[0]) && strcmp(known[at], name) != 0)
            at++;
        assert_in_range(at, 0, sizeof(known) / sizeof(known[0]) - 1);
    }
    assert_string_equal(made_text(json, "resourceType", ""), "Observation");
    assert_string_equal(made_text(json, "status", ""), "final");
    assert_string_equal(made_text(made_at(json, "/category/0/coding/0"), "system", ""),
                        "http://terminology.hl7.org/CodeSystem/observation-category"); /* VSCat */
    assert_true(rule_has(json, "code"));
    assert_string_equal(made_text(json_object_get(json, "subject"), "type", ""), "Patient");
    assert_int_equal(moment_parse(when, strlen(when), &moment),
                     MOMENT_FINE); /* vs-1, and the zone a time needs */
    assert_true(rule_has_value(json) || rule_has(json, "dataAbsentReason") ||
                rule_has(json, "component") || rule_has(json, "hasMember")); /* vs-2 */
    rule_identifier(json);
    rule_flags(json);
    rule_components(json);
}

#endif
