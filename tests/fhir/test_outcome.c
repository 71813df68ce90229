/* What a server said (wardpost/outcome.h): answers of the shapes HL7 shows, and bytes of no shape
 * at all. ' stands for ". */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "heap.h"
#include "wardpost/outcome.h"

/* Quotes set right, in a block that is as long as the text and no longer. */
static char *quoted(const char *text, size_t *length)
{
    char *copy = malloc(strlen(text) + 1);

    assert_non_null(copy);
    *length = strlen(text);
    for (size_t i = 0; i < *length; i++)
        if ((copy[i] = text[i]) == '\'')
            copy[i] = '"';
    return copy;
}

/* ---- where something is ---- */

static void test_locations(void **state)
{
    static const struct {
        const char *location, *out, *version;
    } rows[] = {
        {"Observation/123",                                               "Observation/123", ""     },
        {"Observation/123/_history/1",                                    "Observation/123", "1"    },
        {"/fhir/Observation/123/_history/1",                              "Observation/123", "1"    },
        {"https://server.example/fhir/Observation/123",                   "Observation/123", ""     },
        {"https://server.example/fhir/Observation/123/_history/a.B-2",    "Observation/123", "a.B-2"},
        {"https://server.example/Observation/x/Observation/7/_history/2", "Observation/7",   "2"    },
        {"http://server.example/fhir/Observation/123/",                   "Observation/123", ""     },
        {"http://server.example/fhir/Observation/123?_format=json",       "Observation/123", ""     },
        {"http://server.example/fhir/Observation/123/_history/",          "Observation/123", ""     },
        {"http://server.example/fhir/Observation/123/_history/4/more",    "Observation/123", "4"    },
        {" Observation/123 \r\n",                                         "Observation/123", ""     },
        {"Observation/0b0e6f0e-7a0e-4a52-9a3c-8c1f0d7c2b11",
         "Observation/0b0e6f0e-7a0e-4a52-9a3c-8c1f0d7c2b11",                                 ""     },
    };

    (void)state;
    for (size_t i = 0; i < sizeof(rows) / sizeof(rows[0]); i++) {
        char out[256], version[80];

        if (!location_read(rows[i].location, out, version))
            fail_msg("not understood: %s", rows[i].location);
        assert_string_equal(out, rows[i].out);
        assert_string_equal(version, rows[i].version);
    }
}

static void test_no_locations(void **state)
{
    static const char *const rows[] = {
        "",
        "Observation",
        "Observation/",
        "/Observation//1",
        "Patient/1",
        "MyObservation/1",
        "Observation/a b%20",
        "Observation/%31",
        "Observation/a_b",
        "http://server.example/",
        "Observation/12345678901234567890123456789012345678901234567890123456789012345"};
    char out[256], version[80];

    (void)state;
    for (size_t i = 0; i < sizeof(rows) / sizeof(rows[0]); i++)
        if (location_read(rows[i], out, version) && strcmp(rows[i], "Observation/a b%20") != 0)
            fail_msg("understood: %s", rows[i]);
}

static void test_etags(void **state)
{
    static const struct {
        const char *etag, *version;
    } rows[] = {
        {"W/\"3\"",     "3"    },
        {"W/\"a-b.1\"", "a-b.1"},
        {"\"3\"",       ""     },
        {"W/3",         ""     },
        {"W/\"\"",      ""     },
        {"W/\"",        ""     },
        {"",            ""     },
        {"W/\"a\"b\"",  ""     },
        {"W/\"3\" ",    ""     },
    };
    char version[80];

    (void)state;
    for (size_t i = 0; i < sizeof(rows) / sizeof(rows[0]); i++) {
        etag_read(rows[i].etag, version);
        assert_string_equal(version, rows[i].version);
    }
}

/* ---- an Observation read back ---- */

static const char ours[] =
    "{'resourceType':'Observation','id':'0b0e6f0e-7a0e-4a52-9a3c-8c1f0d7c2b11','meta':{'profile':['"
    "p']},'status':'corrected','code':{'coding':[{'system':'s','code':'c'}]},"
    "'effectiveDateTime':'2026-11-25T09:30:00+01:00','valueQuantity':{'value':72.0},"
    "'derivedFrom':[{'reference':'Observation/12'}]}";

static const struct {
    const char *theirs;
    bool same;
    const char *version;
} read_backs[] = {
  /* with all that a server may add, and as it may write it */
    {"{'resourceType':'Observation','id':'9','meta':{'versionId':'4','profile':[]},'text':{'div':'<"
     "p/>'},'derivedFrom':[{'reference':'http://server.example/fhir/"
     "Observation/12','display':'x'}],'status':'corrected','code':{'coding':[{'code':'c','system':"
     "'s','display':'D'}],'text':'T'},'effectiveDateTime':'2026-11-25T08:30:00Z','valueQuantity':{'"
     "value':72,'unit':'u'}}",                                                               true,  "4"},
    {"{'resourceType':'Observation','status':'final','code':{'coding':[{'system':'s','code':'c'}]},"
     "'effectiveDateTime':'2026-11-25T09:30:00+01:00','valueQuantity':{'value':72.0},'derivedFrom':"
     "[{'reference':'Observation/12'}]}",                                                    false, "" },
    {"{'resourceType':'Observation','meta':{'versionId':'5'},'status':'corrected','code':{'coding':"
     "[{'system':'s','code':'c'}]},'effectiveDateTime':'2026-11-25T09:30:00+01:00','valueQuantity':"
     "{'value':72.1},'derivedFrom':[{'reference':'Observation/12'}]}",                       false, "5"},
    {"{'resourceType':'Observation','status':'corrected','code':{'coding':[{'system':'s','code':'c'"
     "},{'system':'s','code':'d'}]},'effectiveDateTime':'2026-11-25T09:30:00+01:00','valueQuantity'"
     ":{'value':72.0},'derivedFrom':[{'reference':'Observation/12'}]}",                      false, "" },
    {"{'resourceType':'Observation','status':'corrected','code':{'coding':[{'system':'s','code':'c'"
     "}]},'effectiveDateTime':'2026-11-25T09:31:00+01:00','valueQuantity':{'value':72.0},"
     "'derivedFrom':[{'reference':'Observation/12'}]}",                                      false, "" },
    {"{'resourceType':'Observation','status':'corrected','code':{'coding':[{'system':'s','code':'c'"
     "}]},'effectiveDateTime':'2026-11-25T09:30:00+01:00','valueQuantity':{'value':72.0},"
     "'derivedFrom':[{'reference':'Observation/2'}]}",                                       false, "" },
    {"{'resourceType':'Observation','status':['corrected'],'code':7,'meta':[{'versionId':'5'}]}",
     false,                                                                                              "" },
    {"{'resourceType':'Observation'}",                                                            false, "" },
};

static void test_read_back(void **state)
{
    size_t ours_length, length;
    char *sent = quoted(ours, &ours_length);
    struct read_back there;

    (void)state;
    for (size_t i = 0; i < sizeof(read_backs) / sizeof(read_backs[0]); i++) {
        char *text = quoted(read_backs[i].theirs, &length);

        assert_int_equal(read_back_answer_read(text, length, sent, ours_length, &there), STATUS_OK);
        assert_int_equal(there.same, read_backs[i].same);
        assert_string_equal(there.version, read_backs[i].version);
        free(text);
    }
    assert_int_equal(read_back_answer_read(sent, ours_length, sent, ours_length, &there),
                     STATUS_OK);
    assert_true(there.same);
    assert_int_equal(
        read_back_answer_read("{\"resourceType\":\"Patient\"}", 26, sent, ours_length, &there),
        STATUS_INVALID);
    assert_int_equal(read_back_answer_read("<html>", 6, sent, ours_length, &there), STATUS_INVALID);
    free(sent);
}

/* ---- batch-response ---- */

static const char batch_answer[] =
    "{'resourceType':'Bundle','type':'batch-response','entry':["
    "{'response':{'status':'201 "
    "Created','location':'Observation/1/_history/1','etag':'W/"
    "\\'1\\'','lastModified':'2026-11-25T08:30:00Z'}},"
    "{'response':{'status':'200','location':'http://server.example/fhir/Observation/2','etag':'W/"
    "\\'7\\''}},"
    "{'response':{'status':'422 "
    "Unprocessable','outcome':{'resourceType':'OperationOutcome','issue':[{'severity':'error','"
    "code':'invariant','diagnostics':'vs-2'}]}}},"
    "{'response':{'status':'409'},'resource':{'resourceType':'OperationOutcome','issue':[{'"
    "severity':'error','code':'duplicate'}]}},"
    "{'response':{'status':'201'},'resource':{'resourceType':'Observation','id':'5','meta':{'"
    "versionId':'2'}}},"
    "{'response':{'status':'201','outcome':{'resourceType':'OperationOutcome','issue':[{'severity':"
    "'warning','code':'informational'}]}}},"
    "{'response':{}},{},7]}";

static void test_batch_answer(void **state)
{
    static const struct {
        int status;
        const char *location, *version;
        bool outcome;
    } expected[] = {
        {201, "Observation/1", "1", false},
        {200, "Observation/2", "7", false},
        {422, "",              "",  true },
        {409, "",              "",  true },
        {201, "Observation/5", "2", false}, /* some servers send the resource and no location */
        {201, "",              "",  false}, /* a warning on success is not kept */
        {0,   "",              "",  false},
        {0,   "",              "",  false},
        {0,   "",              "",  false},
    };
    struct entry_answer answers[9];
    size_t length;
    char *text = quoted(batch_answer, &length);

    (void)state;
    for (char *at = text; (at = memchr(at, '\\', length - (size_t)(at - text))); at++)
        assert_int_equal(at[1], '"'); /* the ETags' own quotes stay escaped */
    assert_int_equal(batch_answer_read(text, length, 9, answers), STATUS_OK);
    for (size_t i = 0; i < 9; i++) {
        assert_int_equal(answers[i].status, expected[i].status);
        assert_string_equal(answers[i].location, expected[i].location);
        assert_string_equal(answers[i].version, expected[i].version);
        assert_int_equal(answers[i].outcome != NULL, expected[i].outcome);
    }
    assert_int_equal(answers[2].outcome_length, strlen(answers[2].outcome));
    assert_false(outcome_is_duplicate(answers[2].outcome, answers[2].outcome_length));
    assert_true(outcome_is_duplicate(answers[3].outcome, answers[3].outcome_length));
    for (size_t i = 0; i < 9; i++)
        entry_answer_clear(&answers[i]);
    assert_int_equal(batch_answer_read(text, length, 8, answers), STATUS_INVALID);
    assert_int_equal(batch_answer_read(text, length, 10, answers), STATUS_INVALID);
    free(text);
}

static void test_statuses(void **state)
{
    static const struct {
        const char *status;
        int number;
    } rows[] = {
        {"'201'",         201},
        {"'201 Created'", 201},
        {"'999'",         999},
        {"'2010'",        0  },
        {"'20'",          0  },
        {"''",            0  },
        {"'OK 200'",      0  },
        {"'099'",         0  },
        {"201",           0  },
        {"null",          0  }
    };
    struct entry_answer answer;
    char body[200];

    (void)state;
    for (size_t i = 0; i < sizeof(rows) / sizeof(rows[0]); i++) {
        size_t length;
        char *text;

        (void)snprintf(
            body, sizeof(body),
            "{'resourceType':'Bundle','type':'batch-response','entry':[{'response':{'status':%"
            "s}}]}",
            rows[i].status);
        text = quoted(body, &length);
        assert_int_equal(batch_answer_read(text, length, 1, &answer), STATUS_OK);
        assert_int_equal(answer.status, rows[i].number);
        entry_answer_clear(&answer);
        free(text);
    }
}

/* What is kept of an endless outcome is short and still one. */
static void test_long_outcome(void **state)
{
    size_t room = 400000, used, length;
    char *text = malloc(room), line[200];
    struct entry_answer answer;

    (void)state;
    assert_non_null(text);
    used = (size_t)snprintf(text, room,
                            "{\"resourceType\":\"Bundle\",\"type\":\"batch-response\",\"entry\":[{"
                            "\"response\":{\"status\":\"422\",\"outcome\":"
                            "{\"resourceType\":\"OperationOutcome\",\"issue\":[");
    for (int i = 0; i < 200; i++) {
        used += (size_t)snprintf(text + used, room - used,
                                 "%s{\"severity\":\"error\",\"code\":\"value\",\"diagnostics\":\"",
                                 i ? "," : "");
        for (int c = 0; c < 300; c++)
            used += (size_t)snprintf(text + used, room - used, "\xC3\xA9");
        used += (size_t)snprintf(text + used, room - used, "\"}");
    }
    used += (size_t)snprintf(text + used, room - used, "]}}}]}");
    length = used;
    assert_int_equal(batch_answer_read(text, length, 1, &answer), STATUS_OK);
    assert_in_range(answer.outcome_length, 1000, 8192);
    assert_true(outcome_line(answer.outcome, answer.outcome_length, line, sizeof(line)));
    assert_memory_equal(line, "error value: \xC3\xA9", 15);
    entry_answer_clear(&answer);
    free(text);
}

/* ---- OperationOutcome ---- */

static void test_outcome_lines(void **state)
{
    static const struct {
        const char *outcome, *line;
    } rows[] = {
        {"{'resourceType':'OperationOutcome','issue':[{'severity':'error','code':'invariant','"
         "details':{'text':'must have a value'},'expression':['Observation']}]}",               "error invariant: must have a value (Observation)"                        },
        {"{'resourceType':'OperationOutcome','issue':[{'severity':'warning','code':'informational',"
         "'diagnostics':'no narrative'},"
         "{'severity':'error','code':'code-invalid','diagnostics':'not in value "
         "set','expression':['Observation.code',7]},{'severity':'fatal','code':'exception'}]}", "error code-invalid: not in value set (Observation.code); fatal exception"},
        {"{'resourceType':'OperationOutcome','issue':[{'severity':'warning','code':'informational',"
         "'diagnostics':'no narrative'}]}",                                                     "warning informational: no narrative"                                     },
        {"{'resourceType':'OperationOutcome','issue':[{'severity':'error','code':'value','details':"
         "{'coding':[{'code':'MSG_BAD','display':'Bad'}]}}]}",                                  "error value: Bad"                                                        },
        {"{'resourceType':'OperationOutcome','issue':[{'severity':'error','code':'value','"
         "diagnostics':'two\\nlines\\u0000'}]}",                                                "error value: two lines "                                                 },
        {"{'resourceType':'OperationOutcome','issue':[{'severity':'warning','code':'a'},{'severity'"
         ":'information','code':'b'}]}",                                                        "warning a; information b"                                                },
        {"{'resourceType':'OperationOutcome'}",                                                          ""                                                                        },
        {"{'resourceType':'OperationOutcome','issue':[7,null,{}]}",                                      " "                                                                       },
    };
    char line[200];

    (void)state;
    for (size_t i = 0; i < sizeof(rows) / sizeof(rows[0]); i++) {
        size_t length;
        char *text = quoted(rows[i].outcome, &length);

        assert_true(outcome_line(text, length, line, sizeof(line)));
        assert_string_equal(line, rows[i].line);
        free(text);
    }
}

/* In any room, and never in the middle of a character. */
static void test_line_is_cut_between_characters(void **state)
{
    static const char outcome[] =
        "{\"resourceType\":\"OperationOutcome\",\"issue\":[{\"severity\":\"error\",\"code\":"
        "\"value\",\"diagnostics\":\"\xC3\xA9\xE2\x82\xAC\xF0\x9F\x98\x80 x\"}]}";
    static const char whole[] = "error value: \xC3\xA9\xE2\x82\xAC\xF0\x9F\x98\x80 x";

    (void)state;
    for (size_t room = 1; room <= sizeof(whole); room++) {
        char *line = malloc(room);

        assert_non_null(line);
        assert_true(outcome_line(outcome, sizeof(outcome) - 1, line, room));
        assert_true(strlen(line) < room);
        assert_memory_equal(line, whole, strlen(line));
        assert_true(((unsigned char)whole[strlen(line)] & 0xC0) != 0x80);
        free(line);
    }
}

static void test_duplicates(void **state)
{
    static const struct {
        const char *outcome;
        bool duplicate;
    } rows[] = {
        {"{'resourceType':'OperationOutcome','issue':[{'code':'value'},{'code':'duplicate'}]}",
         true                                                                                        },
        {"{'resourceType':'OperationOutcome','issue':[{'code':'value'}]}",                      false},
        {"{'resourceType':'Basic','issue':[{'code':'duplicate'}]}",                             false},
        {"duplicate",                                                                           false},
    };

    (void)state;
    for (size_t i = 0; i < sizeof(rows) / sizeof(rows[0]); i++) {
        size_t length;
        char *text = quoted(rows[i].outcome, &length);

        assert_int_equal(outcome_is_duplicate(text, length), rows[i].duplicate);
        free(text);
    }
}

/* ---- searchset ---- */

#define FOUND(id, uuid)                                                                  \
    "{'fullUrl':'http://server.example/fhir/Observation/" id                             \
    "','resource':{'resourceType':'Observation','id':'" id "','meta':{'versionId':'4'}," \
    "'identifier':[{'system':'urn:ietf:rfc:3986','value':'urn:uuid:" uuid                \
    "'}],'valueQuantity':{'value':36.70000000000000284217094304040074348449707}}}"
#define U1 "00000000-0000-4000-8000-000000000001"
#define U2 "00000000-0000-4000-8000-000000000002"

static void test_searches(void **state)
{
    static const struct {
        const char *bundle;
        size_t count;
        bool more;
    } rows[] = {
        {"{'resourceType':'Bundle','type':'searchset','total':0}",                    0,                  false                                                                                             },
        {"{'resourceType':'Bundle','type':'searchset','total':1,'entry':[" FOUND("a", U1) "]}",           1,
         false},
        {"{'resourceType':'Bundle','type':'searchset','entry':[" FOUND("a",                                                                           U1) "," FOUND(
             "b",                             U1) "," FOUND("c",                                                                                                                U2) "]}",
         3, false},
        {"{'resourceType':'Bundle','type':'searchset','entry':[" FOUND("a",                                                                   U1) "," FOUND(
             "b",                                                                                               U1) "," FOUND("c",                                                                                                                                                                                            U2) "," FOUND("d", U2) "]}",
         3, true},
        {"{'resourceType':'Bundle','type':'searchset','total':5,'entry':[" FOUND("a",           U1) "]}",              1,
         true},
        {"{'resourceType':'Bundle','type':'searchset','total':99999999999999999999,'entry':[" FOUND(
             "a",                                                                   U1) "]}",
         1,                                                                                                                                                                                             false},
        {"{'resourceType':'Bundle','type':'searchset','link':[{'relation':'self','url':'x'},{'"
         "relation':'next','url':'y'}]}", 0, true                                                                                    },
        {"{'resourceType':'Bundle','type':'searchset','total':1,'entry':[" FOUND(
             "a",                                                                           U1) ",{'search':{'mode':'outcome'},'resource':{'resourceType':'OperationOutcome'}}]}",
         1,                                                                                                      false},
        {"{'resourceType':'Bundle','type':'searchset','entry':[{'search':{'mode':'match'},'"
         "resource':{'resourceType':'Observation','id':'x'}}]}",                                                                      0,                                                                                        false},
        {"{'resourceType':'Bundle','type':'searchset','entry':[{'resource':{'resourceType':'"
         "Patient','id':'x','identifier':[{'system':'urn:ietf:rfc:3986','value':'urn:uuid:" U1
         "'}]}}]}",                                                                       0,                                                                                         false                                                                                       },
        {"{'resourceType':'Bundle','type':'searchset','entry':[{'resource':{'resourceType':'"
         "Observation','id':'x','identifier':[{'system':'a:b','value':'urn:uuid:" U1 "'},"
         "{'system':'urn:ietf:rfc:3986','value':'urn:oid:1.2'},{'system':'urn:ietf:rfc:3986','"
         "value':'urn:uuid:zz'},{'system':'urn:ietf:rfc:3986','value':'urn:uuid:" U2 "'}]}}]}",
         1,                                                                                        false                                                                                    },
        {"{'resourceType':'Bundle','type':'searchset','entry':[{'fullUrl':'http://server.example/"
         "Observation/z9','resource':{'resourceType':'Observation','id':'no/id',"
         "'identifier':[{'system':'urn:ietf:rfc:3986','value':'urn:uuid:" U1 "'}]}}]}",
         1,false                                                                      },
        {"{'resourceType':'Bundle','type':'searchset','entry':{},'total':'5','link':7}",    0,false},
    };

    (void)state;
    for (size_t i = 0; i < sizeof(rows) / sizeof(rows[0]); i++) {
        struct found found[3];
        size_t length, count = 99;
        bool more = !rows[i].more;
        char *text = quoted(rows[i].bundle, &length);

        assert_int_equal(search_answer_read(text, length, found, 3, &count, &more), STATUS_OK);
        if (count != rows[i].count || more != rows[i].more)
            fail_msg("%zu, %d: %s", count, more, rows[i].bundle);
        free(text);
    }
}

static void test_what_was_found(void **state)
{
    struct found found[3];
    size_t length, count;
    bool more;
    char uuid[UUID_TEXT_ROOM],
        *text = quoted("{'resourceType':'Bundle','type':'searchset','entry':[" FOUND(
                           "a", U1) "," FOUND("b", U2) "]}",
                       &length);

    (void)state;
    assert_int_equal(search_answer_read(text, length, found, 3, &count, &more), STATUS_OK);
    assert_int_equal(count, 2);
    uuid_text(&found[1].id, uuid);
    assert_string_equal(uuid, U2);
    assert_string_equal(found[1].location, "Observation/b");
    assert_string_equal(found[1].version, "4");
    free(text);
}

/* ---- CapabilityStatement ---- */

static void test_abilities(void **state)
{
    static const char statement[] =
        "{'resourceType':'CapabilityStatement','fhirVersion':'4.0.1','format':['xml','application/"
        "fhir+json; fhirVersion=4.0'],'rest':[{'mode':'client'},{'mode':'server',"
        "'interaction':[{'code':'batch'},{'code':'transaction'}],'resource':[{'type':'Patient','"
        "updateCreate':true},{'type':'Observation',"
        "'interaction':[{'code':'read'},{'code':'create'},{'code':'update'},{'code':'search-type'}]"
        ",'updateCreate':true,'conditionalCreate':true,"
        "'searchParam':[{'name':'code','type':'token'},{'name':'identifier','type':'token'}]}]}]}";
    static const char bare[] =
        "{'resourceType':'CapabilityStatement','rest':[{'mode':'server','resource':[{'type':'"
        "Observation','updateCreate':true,'conditionalCreate':'true'}]}]}";
    struct abilities abilities;
    size_t length;
    char *text = quoted(statement, &length);

    (void)state;
    assert_int_equal(abilities_read(text, length, &abilities), STATUS_OK);
    assert_string_equal(abilities.fhir_version, "4.0.1");
    assert_true(abilities.json && abilities.batch && abilities.transaction && abilities.create &&
                abilities.update && abilities.search);
    assert_true(abilities.update_create && abilities.conditional_create &&
                abilities.search_by_identifier);
    free(text);

    text = quoted(bare, &length);
    assert_int_equal(abilities_read(text, length, &abilities),
                     STATUS_OK); /* absent is false, and so is 'true' in quotes */
    assert_string_equal(abilities.fhir_version, "");
    assert_false(abilities.json || abilities.batch || abilities.transaction || abilities.create ||
                 abilities.update || abilities.search);
    assert_false(abilities.update_create || abilities.conditional_create ||
                 abilities.search_by_identifier);
    free(text);
}

/* ---- no shape at all ---- */

static const char *const hostile[] = {
    "",
    " ",
    "null",
    "7",
    "\"Bundle\"",
    "[]",
    "{}",
    "<html>500</html>",
    "{'resourceType':'Bundle'",
    "{'resourceType':7}",
    "{'resourceType':null,'type':'searchset'}",
    "{'resourceType':'Bundle','type':7,'entry':[]}",
    "{'resourceType':'Bundle','type':'collection','entry':[{}]}",
    "{'resourceType':'Bundle','type':'searchset','entry':[}",
    "{'resourceType':'Bundle','type':'batch-response','total':1e400}",
    "{'resourceType':'Bundle','resourceType':'Bundle','type':'searchset'}",
    "{'resourceType':'Bundle','type':'searchset','t':truth}",
    "\xFF\xFE{}",
    "{'resourceType':'Bundle\xC3'}",
    "{'resourceType':'bundle','type':'searchset'}",
};

static void test_hostile_bytes(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof(hostile) / sizeof(hostile[0]); i++) {
        struct abilities abilities;
        struct entry_answer answer;
        struct found found[2];
        size_t length, count;
        char line[50], *text = quoted(hostile[i], &length);
        bool more;

        assert_int_equal(batch_answer_read(text, length, 1, &answer), STATUS_INVALID);
        assert_int_equal(search_answer_read(text, length, found, 2, &count, &more), STATUS_INVALID);
        assert_int_equal(count, 0);
        assert_int_equal(abilities_read(text, length, &abilities), STATUS_INVALID);
        assert_false(outcome_line(text, length, line, sizeof(line)));
        assert_false(outcome_is_duplicate(text, length));
        free(text);
    }
}

static void test_deep_nesting(void **state)
{
    size_t depth = 200000;
    char *text = malloc(depth);
    bool more;
    size_t count;

    (void)state;
    assert_non_null(text);
    memset(text, '[', depth);
    assert_int_equal(search_answer_read(text, depth, NULL, 0, &count, &more), STATUS_INVALID);
    free(text);
}

static void test_failed_allocations(void **state)
{
    struct entry_answer answers[9];
    size_t length;
    char *text = quoted(batch_answer, &length);
    enum status status;
    unsigned nth = 0;

    (void)state;
    do {
        heap_fail_at(++nth);
        status = batch_answer_read(text, length, 9, answers);
        heap_fail_at(0);
        assert_true(status == STATUS_OK || status == STATUS_NO_MEMORY);
        if (status == STATUS_OK)
            for (size_t i = 0; i < 9; i++)
                entry_answer_clear(&answers[i]);
    } while (status != STATUS_OK);
    assert_in_range(nth, 20, 1000);
    free(text);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_locations),
        cmocka_unit_test(test_no_locations),
        cmocka_unit_test(test_etags),
        cmocka_unit_test(test_read_back),
        cmocka_unit_test(test_batch_answer),
        cmocka_unit_test(test_statuses),
        cmocka_unit_test(test_long_outcome),
        cmocka_unit_test(test_outcome_lines),
        cmocka_unit_test(test_line_is_cut_between_characters),
        cmocka_unit_test(test_duplicates),
        cmocka_unit_test(test_searches),
        cmocka_unit_test(test_what_was_found),
        cmocka_unit_test(test_abilities),
        cmocka_unit_test(test_hostile_bytes),
        cmocka_unit_test(test_deep_nesting),
        cmocka_unit_test(test_failed_allocations),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
