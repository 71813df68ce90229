/* References looked up, ids changed, Bundles around Observations that are text (wardpost/bundle.h).
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "heap.h"
#include "wardpost/bundle.h"

#define HEAD  "{\"resourceType\":\"Observation\",\"id\":\"0b0e6f0e-7a0e-4a52-9a3c-8c1f0d7c2b11\""
#define ONE   "{\"reference\":\"urn:uuid:00000000-0000-4000-8000-000000000001\"}"
#define TWO   "{\"reference\":\"urn:uuid:00000000-0000-4000-8000-000000000002\"}"
#define THREE "{\"reference\":\"urn:uuid:00000000-0000-4000-8000-000000000003\"}"

/* 1 is there as Observation/a1, 2 is not, 3 as a name that wants escapes. */
static const char *looked_up(void *context, const struct uuid *id)
{
    size_t *count = context;

    (*count)++;
    switch (id->bytes[15]) {
    case 1:
        return "Observation/a1";
    case 3:
        return "Observation/\"3\"";
    default:
        return NULL;
    }
}

static enum status refer(const char *json, struct json_out *out, size_t *asked)
{
    *asked = 0;
    return observation_refer(json, strlen(json), looked_up, asked, out);
}

static const struct {
    const char *given, *becomes;
} copies[] = {
    {HEAD "}",                                                   HEAD "}"                                    },
    {HEAD ",\"status\":\"final\",\"derivedFrom\":[" ONE "]}",
     HEAD ",\"status\":\"final\",\"derivedFrom\":[{\"reference\":\"Observation/a1\"}]}"                      },
    {HEAD ",\"hasMember\":[" TWO "," ONE "," THREE "],\"x\":1}",
     HEAD ",\"hasMember\":[{\"reference\":\"Observation/a1\"},{\"reference\":\"Observation/"
          "\\\"3\\\"\"}],\"x\":1}"                                                                           },
    {HEAD ",\"hasMember\":[" TWO "],\"x\":1}",                   HEAD ",\"x\":1}"                            }, /* the empty list is left out */
    {HEAD ",\"hasMember\":[" TWO "]}",                           HEAD "}"                                    },
    {HEAD
     ",\"note\":[{\"text\":\"a \\\"quote\\\" ] } , \\\\\"},{\"n\":[1,-2.50,{\"hasMember\":[" ONE
     "]}]}],\"t\":true,\"z\":null}",                        HEAD
     ",\"note\":[{\"text\":\"a \\\"quote\\\" ] } , \\\\\"},{\"n\":[1,-2.50,{\"hasMember\":[" ONE
     "]}]}],\"t\":true,\"z\":null}"                                 },
    {HEAD ",\"valueQuantity\":{\"value\":98.60}}",               HEAD ",\"valueQuantity\":{\"value\":98.60}}"},
};

static void test_references_are_looked_up(void **state)
{
    struct json_out out = JSON_OUT_INIT;
    size_t asked;

    (void)state;
    for (size_t i = 0; i < sizeof(copies) / sizeof(copies[0]); i++) {
        json_out_reset(&out);
        assert_int_equal(refer(copies[i].given, &out, &asked), STATUS_OK);
        assert_string_equal(json_out_text(&out), copies[i].becomes);
    }
    json_out_clear(&out);
}

/* Whatever is not as we write it. */
static const char *const not_ours[] = {
    "",
    "{}",
    "[]",
    "{\"resourceType\":\"Patient\",\"id\":\"1\"}",
    " " HEAD "}",
    HEAD,
    HEAD "}}",
    HEAD "} ",
    HEAD ",}",
    HEAD ",\"a\"}",
    HEAD ",\"a\":}",
    HEAD ",\"a\":1",
    HEAD ",\"a\":,\"b\":1}",
    HEAD ",\"a\":1 }",
    HEAD ",\"a\": 1}",
    HEAD ",\"a\":[1}",
    HEAD ",\"a\":[1}]}",
    HEAD ",\"a\":\"x}",
    HEAD ",\"a\":\"x\\",
    HEAD ",\"a\":what}",
    HEAD ",\"\":1}",
    HEAD ",\"a\\\"b\":1}",
    HEAD ",\"aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa\":1}",
    HEAD ",\"a\":[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[1]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]}",
    HEAD ",\"hasMember\":[]}",
    HEAD ",\"hasMember\":{}}",
    HEAD ",\"hasMember\":[" ONE "}",
    HEAD ",\"hasMember\":[" ONE ",]}",
    HEAD ",\"hasMember\":[" ONE ONE "]}",
    HEAD ",\"hasMember\":[{\"reference\":\"Observation/1\"}]}",
    HEAD ",\"hasMember\":[{\"reference\":\"urn:uuid:00000000-0000-4000-8000-00000000000g\"}]}",
    HEAD ",\"hasMember\":[{\"reference\":\"urn:uuid:00000000-0000-4000-8000-000000000001\","
         "\"display\":\"x\"}]}",
};

static void test_what_is_not_ours_leaves_nothing_behind(void **state)
{
    struct json_out out = JSON_OUT_INIT;
    size_t asked;

    (void)state;
    out_object(&out);
    out_member(&out, "before", "x");
    out_name(&out, "resource");
    for (size_t i = 0; i < sizeof(not_ours) / sizeof(not_ours[0]); i++)
        if (refer(not_ours[i], &out, &asked) != STATUS_INVALID)
            fail_msg("taken: %s", not_ours[i]);
    out_text(&out, "nothing");
    out_object_end(&out);
    assert_string_equal(json_out_text(&out), "{\"before\":\"x\",\"resource\":\"nothing\"}");
    json_out_clear(&out);
}

static void test_each_cut_is_refused(void **state)
{
    const char *whole = copies[5].given;
    struct json_out out = JSON_OUT_INIT;
    size_t asked = 0;

    (void)state;
    for (size_t length = 0; length < strlen(whole); length++) {
        char *cut =
            malloc(length +
                   1); /* as long as the text, so that a sanitizer sees each byte read behind it */

        assert_non_null(cut);
        memcpy(cut, whole, length);
        assert_int_equal(observation_refer(cut, length, looked_up, &asked, &out), STATUS_INVALID);
        free(cut);
    }
    assert_int_equal(out.length, 0);
    json_out_clear(&out);
}

static void test_only_lists_of_ours_are_asked_for(void **state)
{
    struct json_out out = JSON_OUT_INIT;
    size_t asked;

    (void)state;
    assert_int_equal(refer(copies[5].given, &out, &asked), STATUS_OK);
    assert_int_equal(asked, 0);
    json_out_reset(&out);
    assert_int_equal(refer(copies[2].given, &out, &asked), STATUS_OK);
    assert_int_equal(asked, 3);
    json_out_clear(&out);
}

/* ---- another id ---- */

static void written(struct json_out *out, const char *json)
{
    json_out_reset(out);
    out_raw(out, json, strlen(json));
}

static void test_rename(void **state)
{
    struct json_out out = JSON_OUT_INIT;

    (void)state;
    written(&out, HEAD ",\"status\":\"final\",\"n\":[1.50]}");
    assert_int_equal(observation_rename(&out, "a-1.B"), STATUS_OK);
    assert_string_equal(
        json_out_text(&out),
        "{\"resourceType\":\"Observation\",\"id\":\"a-1.B\",\"status\":\"final\",\"n\":[1.50]}");
    json_out_clear(&out);
}

static void test_rename_refuses(void **state)
{
    static const struct {
        const char *json, *id;
    } rows[] = {
        {HEAD ",\"status\":\"final\"}",                                                            ""    },
        {HEAD ",\"status\":\"final\"}",                                                            "a/1" },
        {HEAD ",\"status\":\"final\"}",                                                            "a\"1"},
        {HEAD ",\"status\":\"final\"}",
         "12345678901234567890123456789012345678901234567890123456789012345"                             }, /* 65 */
        {HEAD "}",                                                                                 "1"   },
        {HEAD ",\"status\":\"final\"",                                                             "1"   },
        {"{\"resourceType\":\"Patient\",\"id\":\"0b0e6f0e-7a0e-4a52-9a3c-8c1f0d7c2b11\",\"x\":1}",
         "1"                                                                                             },
        {"{\"resourceType\":\"Observation\",\"id\":\"1\",\"status\":\"final\",\"code\":{\"text\":"
         "\"x\"}}",                                                                       "1"   },
        {"{}",                                                                                     "1"   },
    };
    struct json_out out = JSON_OUT_INIT;

    (void)state;
    for (size_t i = 0; i < sizeof(rows) / sizeof(rows[0]); i++) {
        written(&out, rows[i].json);
        assert_int_equal(observation_rename(&out, rows[i].id), STATUS_INVALID);
        assert_string_equal(json_out_text(&out), rows[i].json); /* as it was */
    }
    json_out_clear(&out);
}

/* ---- Bundles ---- */

static const struct uuid id = {
    {0x0b, 0x0e, 0x6f, 0x0e, 0x7a, 0x0e, 0x4a, 0x52, 0x9a, 0x3c, 0x8c, 0x1f, 0x0d, 0x7c, 0x2b,
     0x11}
};

static void test_identifier_query(void **state)
{
    char query[IDENTIFIER_QUERY_ROOM];

    (void)state;
    identifier_query(&id, query);
    assert_string_equal(
        query, "identifier=urn:ietf:rfc:3986%7Curn:uuid:0b0e6f0e-7a0e-4a52-9a3c-8c1f0d7c2b11");
}

static void test_batch(void **state)
{
    const struct bundle_entry entries[] = {
        {.json = "{\"a\":1}", .length = 7, .id = id      },
        { .json = "{\"b\":2}",
         .length = 7,
         .id = id,
         .update = true,
         .remote = "Observation/12",
         .version = "3"},
        {                                     .json = "{\"c\":3}",                                                        .length = 7,    .id = id, .update = true, .remote = "Observation/13"},
    };
    static const char updates[] =
        "{\"resource\":{\"b\":2},\"request\":{\"method\":\"PUT\",\"url\":\"Observation/"
        "12\",\"ifMatch\":\"W/\\\"3\\\"\"}},"
        "{\"resource\":{\"c\":3},\"request\":{\"method\":\"PUT\",\"url\":\"Observation/13\"}}]}";
    struct json_out out = JSON_OUT_INIT;
    char expected[1024];

    (void)state;
    bundle_batch(entries, 3, BUNDLE_CONDITIONAL_CREATE, &out);
    (void)snprintf(
        expected, sizeof(expected), "%s%s",
        "{\"resourceType\":\"Bundle\",\"type\":\"batch\",\"entry\":[{\"resource\":{\"a\":1},"
        "\"request\":{\"method\":\"POST\",\"url\":\"Observation\","
        "\"ifNoneExist\":\"identifier=urn:ietf:rfc:3986%7Curn:uuid:0b0e6f0e-7a0e-4a52-9a3c-"
        "8c1f0d7c2b11\"}},",
        updates);
    assert_string_equal(json_out_text(&out), expected);
    json_out_reset(&out);
    bundle_batch(entries, 3, BUNDLE_UPDATE_AS_CREATE, &out);
    (void)snprintf(
        expected, sizeof(expected), "%s%s",
        "{\"resourceType\":\"Bundle\",\"type\":\"batch\",\"entry\":[{\"resource\":{\"a\":1},"
        "\"request\":{\"method\":\"PUT\","
        "\"url\":\"Observation/0b0e6f0e-7a0e-4a52-9a3c-8c1f0d7c2b11\"}},",
        updates);
    assert_string_equal(json_out_text(&out), expected);
    json_out_clear(&out);
}

static void test_collection(void **state)
{
    struct observation one = {.json = "{\"a\":1}", .length = 7, .id = id};
    const struct observations none = OBSERVATIONS_INIT;
    struct json_out out = JSON_OUT_INIT;

    (void)state;
    bundle_collection(&(struct observations){.items = &one, .count = 1}, &out);
    assert_string_equal(json_out_text(&out),
                        "{\"resourceType\":\"Bundle\",\"type\":\"collection\",\"entry\":[{"
                        "\"fullUrl\":\"urn:uuid:0b0e6f0e-7a0e-4a52-9a3c-8c1f0d7c2b11\","
                        "\"resource\":{\"a\":1}}]}");
    json_out_reset(&out);
    bundle_collection(&none, &out); /* FHIR knows no empty arrays */
    assert_string_equal(json_out_text(&out),
                        "{\"resourceType\":\"Bundle\",\"type\":\"collection\"}");
    json_out_clear(&out);
}

static void test_failed_allocations(void **state)
{
    struct json_out out = JSON_OUT_INIT;
    size_t asked;

    (void)state;
    heap_fail_at(1);
    assert_int_equal(refer(copies[2].given, &out, &asked), STATUS_NO_MEMORY);
    heap_fail_at(0);
    assert_int_equal(observation_rename(&out, "1"), STATUS_NO_MEMORY);
    json_out_clear(&out);
    written(&out, HEAD ",\"status\":\"final\"}");
    heap_fail_at(1);
    assert_int_equal(observation_rename(&out, "1"), STATUS_NO_MEMORY);
    heap_fail_at(0);
    assert_string_equal(json_out_text(&out), HEAD ",\"status\":\"final\"}");
    json_out_clear(&out);
}

static void test_another_status(void **state)
{
    static const char given[] =
        HEAD ",\"status\":\"final\",\"note\":[{\"status\":\"final\"}],\"hasMember\":[" ONE "]}";
    struct json_out out = JSON_OUT_INIT;

    (void)state;
    assert_int_equal(observation_restate(given, strlen(given), "entered-in-error", &out),
                     STATUS_OK);
    assert_string_equal(json_out_text(&out),
                        HEAD ",\"status\":\"entered-in-error\",\"note\":[{\"status\":\"final\"}],"
                             "\"hasMember\":[" ONE "]}");
    json_out_clear(&out);
    assert_int_equal(observation_restate("{}", 2, "corrected", &out), STATUS_INVALID);
    json_out_clear(&out);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_another_status),
        cmocka_unit_test(test_references_are_looked_up),
        cmocka_unit_test(test_what_is_not_ours_leaves_nothing_behind),
        cmocka_unit_test(test_each_cut_is_refused),
        cmocka_unit_test(test_only_lists_of_ours_are_asked_for),
        cmocka_unit_test(test_rename),
        cmocka_unit_test(test_rename_refuses),
        cmocka_unit_test(test_identifier_query),
        cmocka_unit_test(test_batch),
        cmocka_unit_test(test_collection),
        cmocka_unit_test(test_failed_allocations),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
