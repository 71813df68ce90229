/* Who a server says its patients are: answers of FHIR's shapes, and bytes of no shape at all. '
 * stands for ". All of them are invented. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "heap.h"
#include "wardpost/patient_said.h"

static const char *const systems[] = {"urn:x:mrn", "urn:x:visit"};

/* In a block that is as long as the text and no longer. */
static char *quoted(const char *text, size_t *length)
{
    char *copy;

    *length = strlen(text);
    copy = malloc(*length > 0 ? *length : 1);
    assert_non_null(copy);
    for (size_t i = 0; i < *length; i++)
        copy[i] = text[i];
    for (size_t i = 0; i < *length; i++)
        if (copy[i] == '\'')
            copy[i] = '"';
    return copy;
}

static const char *or_dash(const char *text)
{
    return text ? text : "-";
}

/* "system|value family/given born gender [inactive] [deceased];" each, or the status. */
static void said(const char *text, size_t systems_count, char out[2000])
{
    struct patients_said read;
    size_t length, used = 0;
    char *bytes = quoted(text, &length);
    enum status status = patients_said_read(bytes, length, systems, systems_count, &read);

    out[0] = '\0';
    free(bytes); /* nothing is borrowed from it */
    if (status != STATUS_OK) {
        snprintf(out, 2000, "%s", status == STATUS_INVALID ? "invalid" : status_text(status));
        return;
    }
    for (size_t i = 0; i < read.count; i++) {
        const struct patient_said *one = &read.items[i];

        used += (size_t)snprintf(out + used, 2000 - used, "%s|%s %s/%s %s %s%s%s;", one->system,
                                 one->value, or_dash(one->family), or_dash(one->given),
                                 or_dash(one->birth_date), or_dash(one->gender),
                                 one->active ? "" : " inactive", one->deceased ? " deceased" : "");
    }
    patients_said_clear(&read);
}

#define MRN  "{'system':'urn:x:mrn','value':'1'}"
#define ONE  "{'resourceType':'Patient','identifier':[" MRN "]"
#define SETS "{'resourceType':'Bundle','type':'searchset','entry':["

static const struct {
    const char *text;
    size_t systems;
    const char *said;
} rows[] = {
    {ONE "}",                                                                                             2, "urn:x:mrn|1 -/- - -;"},
    {ONE ",'name':[{'use':'official','family':'Quill','given':['Ada','Bea']}],'birthDate':'1951-03-"
         "14','gender':'female','active':true}",                                                     2, "urn:x:mrn|1 Quill/Ada Bea 1951-03-14 female;"},
 /* which name */
    {ONE
     ",'name':[{'use':'old','family':'Before'},{'use':'maiden','family':'Born'},{'family':'Now'}]}", 2, "urn:x:mrn|1 Now/- - -;"},
    {ONE ",'name':[{'use':'nickname','family':'Nick'},{'use':'usual','family':'Usual'},{'use':'"
         "official','family':'Official'}]}",                                                         2, "urn:x:mrn|1 Official/- - -;"},
    {ONE ",'name':[{'use':'maiden','family':'Born'}]}",                                                   2, "urn:x:mrn|1 -/- - -;"},
    {ONE ",'name':[{'text':'Ada Quill'}]}",                                                               2, "urn:x:mrn|1 -/- - -;"}, /* nobody takes it apart */
  /* which identifier */
    {"{'resourceType':'Patient','identifier':[{'system':'urn:x:visit','value':'9'}," MRN "]}",            2,
     "urn:x:mrn|1 -/- - -;"},
    {"{'resourceType':'Patient','identifier':[{'system':'urn:x:visit','value':'9'}," MRN "]}",            0,
     "urn:x:visit|9 -/- - -;"},
    {"{'resourceType':'Patient','identifier':[{'use':'usual','system':'u:2','value':'2'},{'use':'"
     "official','system':'u:3','value':'3'}]}",                                                                                                    0,                                                              "u:3|3 -/- - -;"},
    {"{'resourceType':'Patient','identifier':[{'use':'old','system':'urn:x:mrn','value':'0'}," MRN
     "]}",                                                                                                   2,                                                                                            "urn:x:mrn|1 -/- - -;"                               },
    {"{'resourceType':'Patient','identifier':[{'system':'urn:x:mrn','value':'a|b'},{'system':'urn:"
     "x:mrn','value':' 1'},{'system':'urn:x:mrn'},{'value':'1'}]}",                                                                                                   2,                                                                                                     ""},
    {"{'resourceType':'Patient','identifier':[{'system':'urn:y','value':'1'}]}",                                                                                                 2,""},
    {"{'resourceType':'Patient'}",                                                                                                 0,                                                                                                     ""                                                                               },
 /* alive, active, replaced */
    {ONE ",'active':false}",                                                                                                 2,"urn:x:mrn|1 -/- - - inactive;"},
    {ONE ",'deceasedBoolean':true}",                                                                    2,                                                                        "urn:x:mrn|1 -/- - - deceased;"                                                                                                                                                 },
    {ONE ",'deceasedBoolean':false}",                                                                    2,"urn:x:mrn|1 -/- - -;"},
    {ONE ",'deceasedDateTime':'2026-01-01'}",                                                                             2,                                                                                 "urn:x:mrn|1 -/- - - deceased;"                                                                                                                                                                                                                            },
    {ONE ",'link':[{'type':'seealso'},{'type':'replaced-by','other':{'reference':'Patient/2'}}]}",
     2,"urn:x:mrn|1 -/- - - inactive;"},
    {ONE ",'link':[{'type':'replaces'}]}",                                                                    2,                                                                                 "urn:x:mrn|1 -/- - -;"                                                                                                                                                                                                                                                                                                                                                                                },
 /* half-said */
    {ONE ",'birthDate':'1951','gender':'f'}",                                                                             2,"urn:x:mrn|1 -/- - -;"},
    {ONE ",'birthDate':'1951-02-30','gender':7,'name':{},'active':'no','deceasedBoolean':1}",                                                                             2,
     "urn:x:mrn|1 -/- - -;"                                                                                                                                                                                                                                                                                                                                                                                                                   },
    {ONE ",'name':[7,null,{'family':7,'given':[1,null,'Ada','']}]}",                                                                              2,                                                                               "urn:x:mrn|1 -/Ada - -;"},
    {ONE ",'name':[{'family':'a\\u0000b'}]}",                                                                           2,"urn:x:mrn|1 a b/- - -;"                                                                                                                                                                                                                                                                                                                                                         },
 /* searchsets */
    {SETS "{'resource':" ONE "}},{'search':{'mode':'include'},'resource':" ONE
          "}},{'search':{'mode':'outcome'},'resource':{'resourceType':'OperationOutcome'}},"
          "{'search':{'mode':'match'},'resource':{'resourceType':'Patient','identifier':[{'system':"
          "'urn:x:visit','value':'2'}]}}]}",                                                                           2,                                                                               "urn:x:mrn|1 -/- - -;urn:x:visit|2 -/- - -;"},
    {SETS "{'resource':{'resourceType':'Person','identifier':[" MRN
          "]}},{},null,7,{'resource':7}]}",                                                       2,""                                                                                                                                                                                                                                                     },
    {"{'resourceType':'Bundle','type':'searchset','total':0}",                                                                                                 2,                                                                                                                         ""},
    {"{'resourceType':'Bundle','entry':7}",                                                                                                 2,""                                                                                                                         },
    {"{'resourceType':'OperationOutcome'}",                                                                                                 2,                                                                                                                         "invalid"},
    {"",                                                                                          2,"invalid"      },
    {"<html>",                                                                                          2,                                                                                                                         "invalid"},
    {"[]",                                                                                          2,"invalid"},
    {ONE,                                                                                          2,                                                                                                                         "invalid"                                                                                                                                                 },
    {"{'resourceType':'Patient','identifier':[{'system':'urn:x:mrn','value':'\xff'}]}",                                                                                          2,
     "invalid"},
};

static void test_rows(void **state)
{
    char out[2000];

    (void)state;
    for (size_t i = 0; i < sizeof(rows) / sizeof(rows[0]); i++) {
        said(rows[i].text, rows[i].systems, out);
        if (strcmp(out, rows[i].said) != 0)
            fail_msg("%s: %s", rows[i].text, out);
    }
}

/* More than are looked at, and names longer than are kept. */
static void test_bounds(void **state)
{
    char *text = malloc(200000);
    size_t used;
    char out[2000];
    struct patients_said read;

    (void)state;
    assert_non_null(text);
    used = (size_t)sprintf(text, "{\"resourceType\":\"Bundle\",\"entry\":[");
    for (int i = 0; i < 150; i++)
        used += (size_t)sprintf(text + used,
                                "%s{\"resource\":{\"resourceType\":\"Patient\",\"identifier\":[{"
                                "\"system\":\"u:x\",\"value\":\"%d\"}]}}",
                                i ? "," : "", i);
    used += (size_t)sprintf(text + used, "]}");
    assert_int_equal(patients_said_read(text, used, NULL, 0, &read), STATUS_OK);
    assert_int_equal(read.count, PATIENTS_SAID_MOST);
    patients_said_clear(&read);
    sprintf(text, ONE ",'name':[{'family':'%0401d','given':['%0399d','x']}]}", 1, 2);
    said(text, 2, out);
    assert_string_equal(out, "urn:x:mrn|1 -/- - -;");
    sprintf(text,
            "{'resourceType':'Patient','identifier':[{'system':'urn:x:mrn','value':'%0101d'}]}", 1);
    said(text, 2, out);
    assert_string_equal(out, "");
    free(text);
}

/* Cut anywhere, or with a byte changed: it ends, and nothing is read outside. */
static void test_broken_bytes(void **state)
{
    const char *whole = rows[1].text;
    const size_t length = strlen(whole);
    char out[2000], text[600];

    (void)state;
    assert_true(length < sizeof(text));
    for (size_t i = 0; i < length; i++) {
        memcpy(text, whole, i);
        text[i] = '\0';
        said(text, 2, out);
        memcpy(text, whole, length + 1);
        text[i] = (char)(text[i] ^ 0x15);
        said(text, 2, out);
    }
}

static void test_no_memory(void **state)
{
    enum status status;
    struct patients_said read;
    size_t length;
    char *bytes = quoted(rows[1].text, &length);
    unsigned nth = 0;

    (void)state;
    do {
        heap_fail_at(++nth);
        status = patients_said_read(bytes, length, systems, 2, &read);
        heap_fail_at(0);
        assert_true(status == STATUS_OK || status == STATUS_NO_MEMORY);
        if (status == STATUS_OK)
            patients_said_clear(&read);
    } while (status != STATUS_OK && nth < 1000);
    assert_in_range(nth, 3, 999);
    free(bytes);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_rows),
        cmocka_unit_test(test_bounds),
        cmocka_unit_test(test_broken_bytes),
        cmocka_unit_test(test_no_memory),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
