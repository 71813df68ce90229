/* What a judged set becomes (daemon/fhir/README.md), case by case: cases/ holds readings and, by
 * RFC 6901 pointer, what must stand in each Observation; null: nothing stands there. */
#include <dirent.h>

#include "heap.h"
#include "rules.h"

/* after rules.h, which brings cmocka.h */
#include "kind_table.h"

#define CASES WARDPOST_SOURCE_DIR "/tests/fhir/cases"
#define TABLE WARDPOST_SOURCE_DIR "/tests/fhir/table"

static struct made *case_named(struct kinds *kinds, const char *name)
{
    char path[512];

    (void)snprintf(path, sizeof(path), "%s/%s", CASES, name);
    return made_new(kinds, made_read(path));
}

/* ---- a case against what was made of it ---- */

static char *json_text(const json_t *json)
{
    struct json_out out = JSON_OUT_INIT;
    size_t length;

    if (json)
        out_json(&out, json);
    else
        out_null(&out);
    return json_out_take(&out, &length);
}

static void check_at(const char *name, size_t index, const char *pointer, const json_t *found,
                     const json_t *expected)
{
    bool good = json_is_null(expected) ? found == NULL : found && json_equal(found, expected);
    char *found_text = json_text(found), *expected_text = json_text(expected);

    if (!good)
        print_error("%s, Observation %zu, %s:\n  is  %s\n  not %s\n", name, index, pointer,
                    found_text, expected_text);
    free(found_text);
    free(expected_text);
    assert_true(good);
}

static void check_observation(const char *name, size_t index, const struct observation *item,
                              const json_t *expected)
{
    struct json_fault fault;
    const char *pointer;
    json_t *json = NULL, *value;

    assert_int_equal(json_in(item->json, item->length, &json, &fault), STATUS_OK);
    rule_observation(json);
    json_object_foreach(json_walk(expected), pointer, value)
        check_at(name, index, pointer, made_at(json, pointer), value);
    json_decref(json);
}

static void check_needs(const struct observations *made, const json_t *expected)
{
    for (size_t i = 0; i < made->count && expected; i++) {
        const json_t *needs = json_array_get(expected, i);

        assert_int_equal(made->items[i].needs_count, json_array_size(needs));
        for (size_t n = 0; n < made->items[i].needs_count; n++) {
            const json_t *need = json_array_get(needs, n);
            struct decimal on;

            assert_true(digits_decimal(json_array_get(need, 0), &on));
            assert_int_equal(made->items[i].needs[n].on, on.digits);
            assert_true(made->items[i].needs[n].on < i);
            assert_int_equal(made->items[i].needs[n].strict, json_is_true(json_array_get(need, 1)));
        }
    }
}

static void check_case(struct kinds *kinds, const char *name)
{
    struct made *made = case_named(kinds, name);
    const json_t *becomes = json_object_get(made->file, "becomes");
    struct observations observations = OBSERVATIONS_INIT;

    assert_int_equal(made_map(made, &observations), STATUS_OK);
    if (observations.count != json_array_size(becomes))
        fail_msg("%s: %zu Observations, not %zu", name, observations.count,
                 json_array_size(becomes));
    for (size_t i = 0; i < observations.count; i++)
        check_observation(name, i, &observations.items[i], json_array_get(becomes, i));
    check_needs(&observations, json_object_get(made->file, "needs"));
    observations_clear(&observations);
    made_free(made);
}

static void test_every_case(void **state)
{
    DIR *folder = opendir(CASES);
    const struct dirent *entry;
    size_t count = 0;

    assert_non_null(folder);
    while ((entry = readdir(folder)))
        if (entry->d_name[0] != '.') {
            check_case(*state, entry->d_name);
            count++;
        }
    closedir(folder);
    assert_in_range(count, 15, 100);
}

/* ---- what a case cannot say ---- */

static void test_text_is_compact_and_in_order(void **state)
{
    static const char begin[] =
        "{\"resourceType\":\"Observation\",\"id\":\"0b0e6f0e-7a0e-4a52-9a3c-8c1f0d7c2b11\","
        "\"meta\":{\"profile\":["
        "\"http://hl7.org/fhir/StructureDefinition/"
        "heartrate\"]},\"identifier\":[{\"system\":\"urn:ietf:rfc:3986\",\"value\":"
        "\"urn:uuid:0b0e6f0e-7a0e-4a52-9a3c-8c1f0d7c2b11\"}],\"status\":\"final\",\"category\":[";
    struct made *made = case_named(*state, "pulse.json");
    struct observations observations = OBSERVATIONS_INIT;

    assert_int_equal(made_map(made, &observations), STATUS_OK);
    assert_int_equal(observations.count, 1);
    assert_true(observations.items[0].length > sizeof(begin));
    assert_memory_equal(observations.items[0].json, begin, sizeof(begin) - 1);
    assert_string_equal(observations.items[0].role, "main");
    assert_int_equal(observations.items[0].reading, 0);
    observations_clear(&observations);
    made_free(made);
}

static void test_roles_and_readings(void **state)
{
    static const struct {
        const char *role;
        size_t reading;
    } expected[] = {
        {"main",                     0       },
        {"oxygen.flow",              0       },
        {"oxygen.concentration",     0       },
        {"main",                     1       },
        {"main",                     2       },
        {"main",                     3       },
        {"main",                     4       },
        {"computed:body-mass-index", SIZE_MAX},
        {"score:small",              SIZE_MAX},
        {"panel",                    SIZE_MAX},
    };
    struct made *made = case_named(*state, "set.json");
    struct observations observations = OBSERVATIONS_INIT;

    assert_int_equal(made_map(made, &observations), STATUS_OK);
    assert_int_equal(observations.count, sizeof(expected) / sizeof(expected[0]));
    for (size_t i = 0; i < observations.count; i++) {
        assert_string_equal(observations.items[i].role, expected[i].role);
        assert_int_equal(observations.items[i].reading, expected[i].reading);
    }
    observations_clear(&observations);
    made_free(made);
}

/* Texts beyond the scratch's first room are whole, too. */
static void test_long_texts(void **state)
{
    char reason[5000], *found;
    struct made *made = case_named(*state, "flags.json");
    struct observations observations = OBSERVATIONS_INIT;

    memset(reason, 'x', sizeof(reason) - 1);
    reason[sizeof(reason) - 1] = '\0';
    made->readings[2].override.reason = reason;
    assert_int_equal(made_map(made, &observations), STATUS_OK);
    found = strstr(json_out_text(&observations.text), "or device: xxx");
    assert_non_null(found);
    assert_int_equal(strspn(found + 11, "x"), sizeof(reason) - 1);
    observations_clear(&observations);
    made_free(made);
}

static void test_whom_it_is_of_may_be_unknown(void **state)
{
    struct made *made = case_named(*state, "pulse.json");
    struct observations observations = OBSERVATIONS_INIT;

    made->set.patient.given = false;
    assert_int_equal(made_map(made, &observations), STATUS_OK);
    assert_null(strstr(json_out_text(&observations.text), "subject"));
    observations_clear(&observations);
    made_free(made);
}

static void check_failing_heap(struct kinds *kinds, const char *name)
{
    struct made *made = case_named(kinds, name);
    char reason[3000] = "";
    enum status status;
    unsigned nth = 0;

    memset(reason, 'x', sizeof(reason) - 1);
    for (size_t i = 0; i < made->set.count; i++)
        if (made->readings[i].override.given)
            made->readings[i].override.reason = reason;
    do {
        struct observations observations = OBSERVATIONS_INIT;

        heap_fail_at(++nth);
        status = made_map(made, &observations);
        heap_fail_at(0);
        assert_true(status == STATUS_OK || status == STATUS_NO_MEMORY);
        assert_int_equal(status == STATUS_OK, observations.items != NULL);
        observations_clear(&observations);
    } while (status != STATUS_OK);
    assert_in_range(nth, 3, 100); /* it did allocate, and it did get through */
    made_free(made);
}

static void test_survives_each_failed_allocation(void **state)
{
    check_failing_heap(*state, "set.json");
    check_failing_heap(*state, "flags.json");
}

/* ---- the table ---- */

static int load_table(void **state)
{
    return kind_table_load(TABLE, state);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_every_case),
        cmocka_unit_test(test_text_is_compact_and_in_order),
        cmocka_unit_test(test_roles_and_readings),
        cmocka_unit_test(test_long_texts),
        cmocka_unit_test(test_whom_it_is_of_may_be_unknown),
        cmocka_unit_test(test_survives_each_failed_allocation),
    };

    return cmocka_run_group_tests(tests, load_table, kind_table_free);
}
