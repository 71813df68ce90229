/* test_kinds_refused.c - a broken kind table is refused, with file, pointer and reason: one damage
 * a row, done to a table that loads. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>

#include <cmocka.h>

#include "table_edit.h"
#include "wardpost/kind.h"

#define PULSE    "kinds/heart-rate.json"
#define TEMP     "kinds/body-temperature.json"
#define PRESSURE "kinds/blood-pressure.json"
#define OXYGEN   "kinds/oxygen-saturation.json"
#define COMA     "kinds/glasgow-coma-scale.json"
#define BMI      "kinds/body-mass-index.json"
#define GLUCOSE  "kinds/glucose.json"
#define PAIN     "kinds/pain.json"
#define SCORE    "scores/small.json"
#define ROUTES   "codings/routes.json"
#define UNITS    "units.json"
#define CHECKS   "checks.json"

struct damage {
    const char *file, *pointer, *text; /* the edit: what stands there then, NULL takes it away */
    const char *at_file, *at, *reason; /* what the fault must say; at_file NULL: the same file */
};

static void run(const struct damage *damages, size_t count)
{
    for (size_t i = 0; i < count; i++) {
        const struct damage *damage = &damages[i];
        const char *file = damage->at_file ? damage->at_file : damage->file;
        json_t *files = table_read(SMALL_TABLE);
        struct kinds *kinds = NULL;
        struct kinds_fault fault;
        enum status status;

        table_edit(files, damage->file, damage->pointer, damage->text);
        status = kinds_from_json(files, &kinds, &fault);
        if (status != STATUS_INVALID || strcmp(fault.file, file) != 0 ||
            strcmp(fault.pointer, damage->at) != 0 || !strstr(fault.reason, damage->reason))
            fail_msg("row %zu, %s%s: %s; fault %s%s: %s", i, damage->file, damage->pointer,
                     status_text(status), fault.file, fault.pointer, fault.reason);
        assert_null(kinds); /* untouched */
        json_decref(files);
    }
}
#define RUN(damages) run(damages, sizeof(damages) / sizeof((damages)[0]))

/* Without this the rows below would prove nothing. */
static void test_the_undamaged_table_loads(void **state)
{
    json_t *files = table_read(SMALL_TABLE);
    struct kinds *kinds = NULL;
    struct kinds_fault fault;

    (void)state;
    if (kinds_from_json(files, &kinds, &fault) != STATUS_OK)
        fail_msg("%s%s: %s", fault.file, fault.pointer, fault.reason);
    assert_string_equal(fault.reason, "");
    json_decref(files);
    kinds_free(kinds);
}

static void test_files(void **state)
{
    static const struct damage damages[] = {
        {UNITS,               "",      NULL,                         UNITS,            "",       "missing"         },
        {"panel.json",        "",      NULL,                         "panel.json",     "",       "missing"         },
        {CHECKS,              "",      NULL,                         CHECKS,           "",       "missing"         },
        {"not-taken.json",    "",      NULL,                         "not-taken.json", "",       "missing"         },
        {"chekcs.json",       "",      "{}",                         NULL,             "",       "no such file"    },
        {"kind/pain.json",    "",      "{}",                         NULL,             "",       "no such file"    },
        {UNITS,               "",      "[]",                         NULL,             "",       "an object"       },
        {PULSE,               "",      "72",                         NULL,             "",       "an object"       },
        {"kinds/pulse.json",  "",      "{\"kind\": \"heart-rate\"}", NULL,             "/kind",  "name of the file"},
        {"scores/other.json", "",      "{\"score\": \"small\"}",     NULL,             "/score", "name of the file"},
        {ROUTES,              "/list", "\"ways\"",                   NULL,             "/list",  "name of the file"},
    };

    (void)state;
    RUN(damages);
}

static void test_units(void **state)
{
    static const struct damage damages[] = {
        {UNITS, "/systems/local",        "\"local\"",                          NULL,  "/systems/local",       "full URI"               },
        {UNITS, "/units/Cel/text",       NULL,                                 NULL,  "/units/Cel",           "text is missing"        },
        {UNITS, "/units/Cel/places",     "\"1\"",                              NULL,  "/units/Cel/places",    "whole number"           },
        {UNITS, "/units/Cel/places",     "1.5",                                NULL,  "/units/Cel/places",    "whole number"           },
        {UNITS, "/units/Cel/places",     "10",                                 NULL,  "/units/Cel/places",    "0 to 9"                 },
        {UNITS, "/units/Cel/colour",     "\"red\"",                            NULL,  "/units/Cel/colour",    "no such member"         },
        {UNITS, "/units/kg/also",        "[\"mmHg\"]",                         NULL,  "/units/kg",            "mmHg stands for"        },
        {UNITS, "/units/kg/also",        "[\"m\"]",                            NULL,  "/units/m",             "m stands for"           },
        {UNITS, "/units/Cel/also/0",     "7",                                  NULL,  "/units/Cel/also/0",    "text is due"            },
        {UNITS, "/conversions/1/source", NULL,                                 NULL,  "/conversions/1",       "source is missing"      },
        {UNITS, "/conversions/1/from",   "\"degF\"",                           NULL,  "/conversions/1/from",  "no such unit"           },
        {UNITS, "/conversions/1/over",   "0",                                  NULL,  "/conversions/1",       "more than 0"            },
        {UNITS, "/conversions/1/to",     "\"[degF]\"",                         NULL,  "/conversions/1",       "one unit"               },
        {UNITS, "/conversions/-",
         "{\"from\": \"cm\", \"to\": \"m\", \"over\": 10, \"source\": \"x\"}", NULL,
         "/conversions/4",                                                                                    "second way from cm to m"},
 /* what an accepted unit needs is missed where it is accepted */
        {UNITS, "/conversions/1",        NULL,                                 TEMP,  "/parts/value/accepts", "from [degF] to Cel"     },
        {UNITS, "/units/~1min",          NULL,                                 UNITS, "/conversions/0/to",    "no such unit"           },
    };

    (void)state;
    RUN(damages);
}

static void test_codings(void **state)
{
    static const struct damage damages[] = {
  /* check digits: 8867-4 is heart rate (LOINC), 8867-5 and 8687-4 are slips of it */
        {PULSE,                    "/code/0/code",                          "\"8867-5\"",                                               NULL, "/code/0/code",     "check digit"           },
        {PULSE,                    "/code/0/code",                          "\"8687-4\"",                                               NULL, "/code/0/code",     "check digit"           },
        {PULSE,                    "/code/0/code",                          "\"88674\"",                                                NULL, "/code/0/code",     "check digit"           },
        {PULSE,                    "/code/0",                               "{\"system\": \"http://loinc.org\", \"code\": \"8867-3\"}", NULL,
         "/code/0/code",                                                                                                                                          "check digit"           },
        {"codings/positions.json", "/words/0/codings/0/code",               "\"LA11868\"",                                              NULL,
         "/words/0/codings/0/code",                                                                                                                               "check digit"           },
        {"codings/positions.json", "/words/0/part-codings/systolic/0/code", "\"8459-1\"",                                               NULL,
         "/words/0/part-codings/systolic/0/code",                                                                                                                 "check digit"           },
        {PULSE,                    "/code/0/system",                        "\"lionc\"",                                                NULL, "/code/0/system",   "short names"           },
        {PULSE,                    "/code/0/displai",                       "\"Heart rate\"",                                           NULL, "/code/0/displai",  "no such member"        },
        {PULSE,                    "/code",                                 "[]",                                                       NULL, "",                 "code is missing"       },
        {"codings/positions.json", "/words/0/part-codings/mean-systolic",
         "[{\"system\": \"loinc\", \"code\": \"8459-0\"}]",                                                                             NULL, "/words",
         "has a part mean-systolic"                                                                                                                                                       },
        {ROUTES,                   "/words/1/word",                         "\"oral\"",                                                 NULL, "/words/1",         "oral stands here twice"},
        {ROUTES,                   "/words/1/word",                         "\"Axillary\"",                                             NULL, "/words/1/word",    "lower-case"            },
        {ROUTES,                   "/words/2/as",                           "\"component\"",                                            NULL, "/words/2/as",
         "bodySite, code, method, note"                                                                                                                                                   },
        {ROUTES,                   "/words",                                "[]",                                                       NULL, "/words",           "a list of 1 to"        },
        {"codings/eyes.json",      "/words/0/points",                       "-1",                                                       NULL, "/words/0/points",  "whole number"          },
        {"codings/qualities.json", "/words/0/as",                           "\"note\"",                                                 PAIN, "/context/quality", "burning"               },
        {"not-taken.json",         "/reasons/1/word",                       "\"refused\"",                                              NULL, "/reasons/1",       "twice"                 },
        {"not-taken.json",         "/reasons/0/coding",                     NULL,                                                       NULL, "/reasons/0",       "coding is missing"     },
        {"panel.json",             "/code",                                 "[]",                                                       NULL, "/code",            "a list of 1 to"        },
        {"panel.json",             "/members",                              "true",                                                     NULL, "/members",         "no such member"        },
    };

    (void)state;
    RUN(damages);
}

static void test_parts(void **state)
{
    static const struct damage damages[] = {
        {PULSE,                      "/title",                            NULL,                                               NULL, "",                          "title is missing"    },
        {PULSE,                      "/order",                            "\"40\"",                                           NULL, "/order",                    "whole number"        },
        {PULSE,                      "/parts",                            "{}",                                               NULL, "/parts",                    "1 to 8 parts"        },
        {PULSE,                      "/parts/value/type",                 "\"number\"",                                       NULL, "/parts/value/type",         "quantity, word"      },
        {PULSE,                      "/parts/value/type",                 NULL,                                               NULL, "/parts/value",              "type is missing"     },
        {PULSE,                      "/parts/value/unit",                 "\"bpm\"",                                          NULL, "/parts/value/unit",         "no such unit"        },
        {PULSE,                      "/parts/value/unit",                 NULL,                                               NULL, "/parts/value/limits/0",     "in is missing"       },
        {PULSE,                      "/parts/value/accepts",              "[\"{beats}/min\", \"/min\"]",                      NULL, "/parts/value/accepts",
         "canonical unit stands first"                                                                                                                                                 },
        {PULSE,                      "/parts/value/accepts",              "[\"/min\", \"/min\"]",                             NULL, "/parts/value/accepts/1",
         "twice"                                                                                                                                                                       },
        {PULSE,                      "/parts/value/accepts",              "[\"/min\", \"kg\"]",                               NULL, "/parts/value/accepts",
         "no conversion from kg to /min"                                                                                                                                               },
        {PULSE,                      "/parts/value/whole",                "\"yes\"",                                          NULL, "/parts/value/whole",        "true or false"       },
        {PULSE,                      "/parts/value/list",                 "\"sites\"",                                        NULL, "/parts/value/list",         "no such member"      },
        {TEMP,                       "/parts/value/as-entered",           "[\"Cel\", \"kg\"]",                                NULL, "/parts/value/as-entered/1",
         "in accepts"                                                                                                                                                                  },
        {"kinds/consciousness.json", "/parts/value/list",                 "\"level\"",                                        NULL, "/parts/value/list",
         "no such list"                                                                                                                                                                },
        {"kinds/consciousness.json", "/parts/value/unit",                 "\"kg\"",                                           NULL, "/parts/value/unit",
         "no such member"                                                                                                                                                              },
        {PRESSURE,                   "/parts/mean/code",                  NULL,                                               NULL, "/parts/mean",               "code is missing"     },
        {PRESSURE,                   "/parts/mean/estimate/terms/0/part", "\"sistolic\"",                                     NULL,
         "/parts/mean/estimate/terms/0/part",                                                                                                                    "no such part"        },
        {PRESSURE,                   "/parts/mean/estimate/over",         "0",                                                NULL, "/parts/mean/estimate",      "more than 0"         },
        {PRESSURE,                   "/parts/mean/estimate/terms/0/part", "\"mean\"",                                         NULL, "/parts/mean",
         "not another part"                                                                                                                                                            },
        {COMA,                       "/parts/total/sum/1",                "\"verbal\"",                                       NULL, "/parts/total/sum/1",        "no such part"        },
        {COMA,                       "/parts/total/sum/1",                "\"total\"",                                        NULL, "/parts/total",              "have no points"      },
        {COMA,                       "/parts/motor/as",                   "\"value\"",                                        NULL, "/parts",                    "only one part"       },
        {COMA,                       "/parts/total/as",                   "\"component\"",                                    NULL, "/parts/total/as",           "the value"           },
        {GLUCOSE,                    "/parts/value/code-by-unit/mmol~1L", NULL,                                               NULL, "/parts/value/code-by-unit",
         "each unit in accepts"                                                                                                                                                        },
        {GLUCOSE,                    "/parts/value/unit",                 "\"mg/dL\"",                                        NULL, "/parts/value/accepts",
         "no conversion from mmol/L"                                                                                                                                                   },
        {GLUCOSE,                    "/parts/value/limits/1/in",          NULL,                                               NULL, "/parts/value/limits/1",     "in is missing"       },
        {GLUCOSE,                    "/parts/value/limits/1",             NULL,                                               NULL, "/parts/value",              "in mmol/L is missing"},
        {GLUCOSE,                    "/code",                             "[{\"system\": \"loinc\", \"code\": \"41653-7\"}]", NULL, "",
         "the unit decides"                                                                                                                                                            },
        {"kinds/body-weight.json",   "/parts",
         "{\"weight\": {\"title\": \"W\", \"type\": \"word\", \"list\": \"sites\"}}",                                         NULL,
         "/parts",                                                                                                                                               "is called value"     },
    };

    (void)state;
    RUN(damages);
}

/* What a reading has anyway must not come to mean something else. */
static void test_names(void **state)
{
    static const char *const reserved[] = {
        "id",      "patient",  "taken",   "age",       "kind",     "unit",
        "by",      "device",   "note",    "confirmed", "override", "not-taken",
        "counted", "readings", "context", "set",       "last"};
    static const char *const ill[] = {"Pulse", "a.b", "a~1b", "a b", "1st"};
    static const struct damage damages[] = {
        {PRESSURE, "/context/systolic",           "{}",              NULL, "/context/systolic",           "a part has this name"},
        {COMA,     "/context",                    "{\"value\": {}}", NULL, "/context/value",              "a part has this name"},
        {OXYGEN,   "/context/oxygen/fields/Flow", "{}",              NULL, "/context/oxygen/fields/Flow",
         "lower-case"                                                                                                           },
    };

    (void)state;
    RUN(damages);
    for (size_t i = 0; i < sizeof(reserved) / sizeof(reserved[0]); i++) {
        char part[64], field[64];
        const struct damage both[] = {
            {PULSE,    part,  "{}", NULL, part,  "meaning of its own"},
            {PRESSURE, field, "{}", NULL, field, "meaning of its own"},
        };

        (void)snprintf(part, sizeof(part), "/parts/%s", reserved[i]);
        (void)snprintf(field, sizeof(field), "/context/%s", reserved[i]);
        RUN(both);
    }
    for (size_t i = 0; i < sizeof(ill) / sizeof(ill[0]); i++) {
        char pointer[64];
        const struct damage one[] = {
            {PULSE, pointer, "{}", NULL, pointer, "lower-case"}
        };

        (void)snprintf(pointer, sizeof(pointer), "/parts/%s", ill[i]);
        RUN(one);
    }
}

static void test_rows(void **state)
{
    static const struct damage damages[] = {
        {PULSE, "/parts/value/limits/0/source",        NULL,                     NULL, "/parts/value/limits/0",
         "source is missing"                                                                                                                  },
        {PULSE, "/parts/value/ranges/0/source",        NULL,                     NULL, "/parts/value/ranges/0",
         "source is missing"                                                                                                                  },
        {PULSE, "/parts/value/names/0/source",         NULL,                     NULL, "/parts/value/names/0",
         "source is missing"                                                                                                                  },
        {PULSE, "/parts/value/limits/0/source",        "\"\"",                   NULL, "/parts/value/limits/0/source",
         "text is due"                                                                                                                        },
        {PULSE, "/parts/value/limits/0/above",         "\"400\"",                NULL, "/parts/value/limits/0/above",
         "number is due"                                                                                                                      },
        {PULSE, "/parts/value/limits/0/grade",         "\"forbid\"",             NULL, "/parts/value/limits/0/grade",
         "refuse, override, ask"                                                                                                              },
        {PULSE, "/parts/value/limits/1/above",         NULL,                     NULL, "/parts/value/limits/1",
         "below or above is missing"                                                                                                          },
        {PULSE, "/parts/value/limits/0/below",         "401",                    NULL, "/parts/value/limits/0",
         "no value gets through"                                                                                                              },
        {PULSE, "/parts/value/limits/0",               NULL,                     NULL, "/parts/value",                     "a refuse row"     },
        {PULSE, "/parts/value/limits/0/ages",          "{\"from\": \"P1Y\"}",    NULL, "/parts/value",
         "a refuse row"                                                                                                                       },
        {PULSE, "/parts/value/limits/1/in",            "\"kg\"",                 NULL, "/parts/value/limits/1",
         "does not take that unit"                                                                                                            },
        {PULSE, "/parts/value/limits/0/say",           "\"{value\"",             NULL, "/parts/value/limits/0/say",
         "a brace"                                                                                                                            },
        {PULSE, "/parts/value/limits/0/say",           "\"{last.value}\"",       NULL, "/parts/value/limits/0/say",
         "its own value"                                                                                                                      },
        {PULSE, "/parts/value/ranges/0/low",           "181",                    NULL, "/parts/value/ranges/0",
         "low is over high"                                                                                                                   },
        {PULSE, "/parts/value/ranges/2/low-critical",  "61",                     NULL, "/parts/value/ranges/2",
         "low-critical is over low"                                                                                                           },
        {PULSE, "/parts/value/ranges/2/high-critical", "99",                     NULL, "/parts/value/ranges/2",
         "high-critical is under high"                                                                                                        },
        {PULSE, "/parts/value/ranges/2/low",           NULL,                     NULL, "/parts/value/ranges/2",
         "beside a bound of its side"                                                                                                         },
        {PULSE, "/parts/value/names/0/below",          "130",                    NULL, "/parts/value/names/0",
         "no number lies within"                                                                                                              },
        {PULSE, "/parts/value/names/0/at-least",       NULL,                     NULL, "/parts/value/names/0",
         "below, above, at-most or at-least"                                                                                                  },
        {TEMP,  "/parts/value/limits/1/when",          "{\"rout\": [\"oral\"]}", NULL,
         "/parts/value/limits/1/when/rout",                                                                                "no field"         },
        {TEMP,  "/parts/value/limits/1/when/route",    "[\"orally\"]",           NULL,
         "/parts/value/limits/1/when/route",                                                                               "no word of routes"},
        {TEMP,  "/parts/value/limits/1/when/route",    "[]",                     NULL, "/parts/value/limits/1/when/route",
         "a list of 1 to"                                                                                                                     },
        {TEMP,  "/parts/value/limits/1/when",          "{}",                     NULL, "/parts/value/limits/1/when",
         "1 to 24 fields"                                                                                                                     },
    };

    (void)state;
    RUN(damages);
}

static void test_ages(void **state)
{
    static const struct damage damages[] = {
        {PULSE, "/parts/value/ranges/0/ages/to", "\"28D\"",                                   NULL, "/parts/value/ranges/0/ages/to",
         "an age is written"                                                                                                                                  },
        {PULSE, "/parts/value/ranges/0/ages/to", "28",                                        NULL, "/parts/value/ranges/0/ages/to",
         "an age is written"                                                                                                                                  },
        {PULSE, "/parts/value/ranges/0/ages",    "{\"unknown\": true}",                       NULL,
         "/parts/value/ranges/0/ages",                                                                                               "from or to is missing"  },
        {PULSE, "/parts/value/ranges/1/ages",    "{\"from\": \"P16Y\", \"to\": \"P16Y\"}",    NULL,
         "/parts/value/ranges/1/ages",                                                                                               "nobody is of this age"  },
        {PULSE, "/parts/value/ranges/1/ages",    "{\"from\": \"P13M\", \"to\": \"P1Y\"}",     NULL,
         "/parts/value/ranges/1/ages",                                                                                               "nobody is of this age"  },
        {PULSE, "/parts/value/ranges/1/ages",    "{\"from\": \"P31D\", \"to\": \"P1M\"}",     NULL,
         "/parts/value/ranges/1/ages",                                                                                               "nobody is of this age"  },
        {PULSE, "/parts/value/ranges/0/ages/to", "\"P29D\"",                                  NULL, "/parts/value/ranges/1",
         "the same age as row 0"                                                                                                                              },
        {PULSE, "/parts/value/ranges/1/ages/to", "\"P193M\"",                                 NULL, "/parts/value/ranges/2",
         "the same age as row 1"                                                                                                                              },
 /* 30 days are past a month for who is born in February, and less than one in January */
        {PULSE, "/parts/value/ranges",
         "[{\"ages\": {\"to\": \"P30D\"}, \"low\": 1, \"text\": \"t\", \"source\": \"s\"},"
         " {\"ages\": {\"from\": \"P1M\"}, \"low\": 1, \"text\": \"t\", \"source\": \"s\"}]", NULL, "/parts/value/ranges/1",         "the same age as row 0"  },
        {PULSE, "/parts/value/ranges",
         "[{\"ages\": {\"to\": \"P1Y\", \"unknown\": true}, \"low\": 1, \"text\": \"t\","
         " \"source\": \"s\"}, {\"ages\": {\"from\": \"P1Y\", \"unknown\": true}, \"low\": 1,"
         " \"text\": \"t\", \"source\": \"s\"}]",                                             NULL, "/parts/value/ranges/1",         "the same age as row 0"  },
        {PULSE, "/parts/value/ranges/0/ages",    "{\"from\": \"P1D\", \"to\": \"P6W\"}",      NULL,
         "/parts/value/ranges/1",                                                                                                    "the same age as row 0"  },
        {TEMP,  "/parts/value/ranges/-",
         "{\"low\": 1, \"high\": 2, \"text\": \"t\", \"source\": \"s\"}",                     NULL,
         "/parts/value/ranges/3",                                                                                                    "never used behind row 2"},
        {TEMP,  "/parts/value/ranges/-",
         "{\"when\": {\"route\": [\"behind-ear\", \"axillary\"]}, \"low\": 1, \"text\": \"t\","
         " \"source\": \"s\"}",                                                               NULL, "/parts/value/ranges/3",         "never used behind row 0"},
        {PULSE, "/parts/value/names/1/ages",     "{\"from\": \"P12Y\", \"to\": \"P18Y\"}",    NULL,
         "/parts/value/names/1",                                                                                                     "the same age as row 0"  },
        {PULSE, "/parts/value/names/-",
         "{\"ages\": {\"from\": \"P16Y\"}, \"above\": 100.0, \"name\": \"fast\", \"source\": "
         "\"s\"}",                                                                            NULL, "/parts/value/names/2",          "never used behind row 1"},
    };

    (void)state;
    RUN(damages);
}

/* What looks like a damage and is none. */
static void test_what_is_taken(void **state)
{
    static const struct {
        const char *file, *pointer, *text;
    } edits[] = {
  /* 28 days are over when a month is, whatever the month of birth; so are 12 months and a
  year */
        {PULSE,  "/parts/value/ranges/1/ages/from", "\"P1M\""                                                    },
        {PULSE,  "/parts/value/ranges/1/ages/from", "\"P4W\""                                                    },
        {PULSE,  "/parts/value/ranges/1/ages/to",   "\"P192M\""                                                  },
        {PULSE,  "/parts/value/ranges/1/when",      "{\"site\": [\"neck\"]}"                                     },
        {PULSE,  "/about",                          "\"a remark\""                                               },
        {PULSE,  "/parts/about",                    "\"a remark\""                                               },
        {PULSE,  "/context/about",                  "{\"a\": [\"remark\"]}"                                      },
        {PULSE,  "/parts/value/limits/0/about",     "7"                                                          },
        {UNITS,  "/units/about",                    "\"a remark\""                                               },
        {SCORE,  "/inputs/2/words/about",           "\"a remark\""                                               },
        {SCORE,  "",                                NULL                                                         },
        {CHECKS, "/checks",                         "[]"                                                         },
        {CHECKS, "/checks/0/say",                   "\"{body-weight.value/100}, {body-weight.value~[lb_av]:kg}\""},
        {CHECKS, "/checks/0/if/-",                  "{\"same-as-last\": true}"                                   },
        {PULSE,  "/code/0/system",                  "\"urn:oid:1.2.3\""                                          }, /* a full URI, no LOINC: no check digit */
    };

    (void)state;
    for (size_t i = 0; i < sizeof(edits) / sizeof(edits[0]); i++) {
        json_t *files = table_read(SMALL_TABLE);
        struct kinds *kinds = NULL;
        struct kinds_fault fault;

        table_edit(files, edits[i].file, edits[i].pointer, edits[i].text);
        if (kinds_from_json(files, &kinds, &fault) != STATUS_OK)
            fail_msg("row %zu: %s%s: %s", i, fault.file, fault.pointer, fault.reason);
        json_decref(files);
        kinds_free(kinds);
    }
}

static void test_context(void **state)
{
    static const struct damage damages[] = {
        {PULSE,   "/context/site/type",                          "\"words?\"",                                     NULL, "/context/site/type",
         "word, words, text"                                                                                                                                                     },
        {PULSE,   "/context/site/list",                          "\"site\"",                                       NULL, "/context/site/list",         "no such list"            },
        {PULSE,   "/context/site/as",                            "\"bodysite\"",                                   NULL, "/context/site/as",           "bodySite"                },
        {PULSE,   "/context/site/as",                            NULL,                                             NULL, "/context/site",              "as is missing"           },
        {PULSE,   "/context/site/unit",                          "\"kg\"",                                         NULL, "/context/site/unit",         "no such member"          },
        {PULSE,   "/context/rhythm/code",                        NULL,                                             NULL, "/context/rhythm",            "code is missing"         },
        {PULSE,   "/context/site/category",                      "{\"system\": \"category\", \"code\": \"exam\"}", NULL,
         "/context/site",                                                                                                                              "for a companion"         },
        {PULSE,   "/context/rhythm",
         "{\"title\": \"R\", \"type\": \"word\", \"list\": \"rhythms\", \"as\": \"bodySite\"}",                    NULL, "/context",                   "room for one"            },
        {PULSE,   "/context/counted/gives",                      "\"pulse\"",                                      NULL, "/context/counted/gives",
         "no such part"                                                                                                                                                          },
        {PULSE,   "/context/counted/seconds",                    "[0]",                                            NULL, "/context/counted/seconds/0",
         "from 1 to 3600"                                                                                                                                                        },
        {PULSE,   "/context/counted/seconds",                    "[]",                                             NULL, "/context/counted/seconds",   "a list of 1"             },
        {GLUCOSE, "/context",
         "{\"counted\": {\"title\": \"C\", \"type\": \"count\", \"gives\": \"value\", \"seconds\":"
         " [60]}}",                                                                                                NULL, "/context",                   "without a canonical unit"},
        {OXYGEN,  "/context/oxygen/fields/flow/as",              "\"note\"",                                       NULL,
         "/context/oxygen/fields/flow/as",                                                                                                             "component, companion"    },
        {OXYGEN,  "/context/oxygen/fields/flow/limits/0/source", NULL,                                             NULL,
         "/context/oxygen/fields/flow/limits/0",                                                                                                       "source is missing"       },
        {OXYGEN,  "/context/oxygen/fields/flow/type",            "\"group\"",                                      NULL,
         "/context/oxygen/fields/flow/type",                                                                                                           "one of these"            },
        {OXYGEN,  "/context/oxygen/fields/flow/type",            "\"count\"",                                      NULL,
         "/context/oxygen/fields/flow",                                                                                                                "stands in no group"      },
        {PAIN,    "/context/location/as",                        "\"method\"",                                     NULL, "/context/location/as",
         "note, component"                                                                                                                                                       },
        {PULSE,   "/hints/0/source",                             NULL,                                             NULL, "/hints/0",                   "source is missing"       },
    };

    (void)state;
    RUN(damages);
}

static void test_too_many(void **state)
{
    json_t *fields = json_object(), *parts = json_object();
    char *text;

    (void)state;
    for (int i = 0; i < 25; i++) {
        char name[8];

        (void)snprintf(name, sizeof(name), "f%d", i);
        assert_int_equal(json_object_set_new(fields, name,
                                             json_pack("{s:s, s:s, s:s}", "title", "T", "type",
                                                       "text", "as", "note")),
                         0);
        if (i < 9)
            assert_int_equal(json_object_set_new(parts, name, json_object()), 0);
    }
    text = json_dumps(fields, 0);
    {
        const struct damage damages[] = {
            {PAIN, "/context", text, NULL, "/context/f24", "more than 24"}
        };

        RUN(damages);
    }
    free(text);
    text = json_dumps(parts, 0);
    {
        const struct damage damages[] = {
            {PAIN, "/parts", text, NULL, "/parts", "1 to 8 parts"}
        };

        RUN(damages);
    }
    free(text);
    json_decref(fields);
    json_decref(parts);
}

static void test_checks(void **state)
{
    static const struct damage damages[] = {
        {PULSE,    "/checks/0/source",               NULL,                        NULL, "/checks/0",                   "source is missing"      },
        {PULSE,    "/checks/1/check",                "\"tenfold\"",               NULL, "/checks/1",                   "a second check called"  },
        {PULSE,    "/checks/0/code",                 "\"implausible\"",           NULL, "/checks/0",                   "ask goes with"          },
        {PULSE,    "/checks/2/code",                 "\"confirm\"",               NULL, "/checks/2",                   "a note has no code"     },
        {PRESSURE, "/checks/0/code",                 NULL,                        NULL, "/checks/0",                   "refuse goes with"       },
        {PULSE,    "/checks/0/if",                   "[]",                        NULL, "/checks/0/if",                "a list of 1"            },
        {PULSE,    "/checks/0/if/0",                 "{\"raito\": []}",           NULL, "/checks/0/if/0",              "known sort"             },
        {PULSE,    "/checks/0/if/0/unit",            "\"kg\"",                    NULL, "/checks/0/if/0/unit",         "no such member"         },
        {PULSE,    "/checks/0/if/0/ratio/1",         "\"last.valeu\"",            NULL, "/checks/0/if/0/ratio/1",
         "no part or field"                                                                                                                     },
        {PULSE,    "/checks/0/if/0/ratio/1",         "\"last.site\"",             NULL, "/checks/0/if/0/ratio/1",
         "only parts are known"                                                                                                                 },
        {PULSE,    "/checks/0/if/0/ratio/1",         "\"rhythm\"",                NULL, "/checks/0/if/0/ratio/1",
         "no number"                                                                                                                            },
        {PULSE,    "/checks/0/if/0/ratio",           "[\"value\"]",               NULL, "/checks/0/if/0/ratio",        "two paths"              },
        {PULSE,    "/checks/0/if/0/at-least",        "12",                        NULL, "/checks/0/if/0",              "no number lies within"  },
        {PRESSURE, "/checks/0/if/0/at-most",         NULL,                        NULL, "/checks/0/if/0",              "is missing"             },
        {PRESSURE, "/checks/0/if/0/sum/0",           "[1]",                       NULL, "/checks/0/if/0/sum/0",        "a term is"              },
        {PRESSURE, "/checks/0/if/0/sum/0/0",         "\"1\"",                     NULL, "/checks/0/if/0/sum/0/0",
         "number is due"                                                                                                                        },
        {PULSE,    "/checks/2/if/1/not-in/0",        "\"regularly\"",             NULL, "/checks/2/if/1/not-in/0",
         "no word of rhythms"                                                                                                                   },
        {PULSE,    "/checks/2/if/1/in",              "[\"irregular\"]",           NULL, "/checks/2/if/1/not-in",       "either in"              },
        {PULSE,    "/checks/2/if/1/not-in",          NULL,                        NULL, "/checks/2/if/1",              "in or not-in is missing"},
        {PULSE,    "/checks/2/if/1/word",            "\"value\"",                 NULL, "/checks/2/if/1/word",         "no words"               },
        {PULSE,    "/checks/1/if/1/days-since-last", "\"last.value\"",            NULL,
         "/checks/1/if/1/days-since-last",                                                                             "what was sent"          },
        {PULSE,    "/checks/0/at/0",                 "\"last.value\"",            NULL, "/checks/0/at/0",              "what was sent"          },
        {PULSE,    "/checks/0/if/-",                 "{\"same-as-last\": true}",  NULL, "/checks/0/if/1/same-as-last",
         "between kinds only"                                                                                                                   },
        {CHECKS,   "/checks/0/if/-",                 "{\"same-as-last\": false}", NULL, "/checks/0/if/2/same-as-last",
         "only true"                                                                                                                            },
        {TEMP,     "/checks/0/if/0/unit",            "\"kg\"",                    NULL, "/checks/0/if/0/unit",
         "nothing can be entered"                                                                                                               },
        {GLUCOSE,  "/checks",
         "[{\"check\": \"c\", \"grade\": \"ask\", \"if\": [{\"sum\": [[1, \"value\"]], \"above\":"
         " 1}], \"at\": [\"value\"], \"say\": \"s\", \"source\": \"s\"}]",        NULL, "/checks/0/if/0/sum/0/1",      "no canonical unit"      },
        {CHECKS,   "/checks/0/if/0/sum/0/1",         "\"value\"",                 NULL, "/checks/0/if/0/sum/0/1",
         "KIND.PART"                                                                                                                            },
        {CHECKS,   "/checks/0/at/0",                 "\"bodyweight.value\"",      NULL, "/checks/0/at/0",              "no such kind"           },
    };

    (void)state;
    RUN(damages);
}

static void test_says(void **state)
{
    static const struct damage damages[] = {
        {TEMP, "/checks/0/say", "\"{value cannot be\"",                   NULL, "/checks/0/say", "a brace"               },
        {TEMP, "/checks/0/say", "\"value} cannot be\"",                   NULL, "/checks/0/say", "a brace"               },
        {TEMP, "/checks/0/say", "\"{vaule} cannot be\"",                  NULL, "/checks/0/say", "no part or field"      },
        {TEMP, "/checks/0/say", "\"{}\"",                                 NULL, "/checks/0/say", "no part or field"      },
        {TEMP, "/checks/0/say", "\"{value/7}\"",                          NULL, "/checks/0/say", "/10, /100"             },
        {TEMP, "/checks/0/say", "\"{value*1000}\"",                       NULL, "/checks/0/say", "/10, /100"             },
        {TEMP, "/checks/0/say", "\"{value~[degF]}\"",                     NULL, "/checks/0/say", "two units"             },
        {TEMP, "/checks/0/say", "\"{value~degF:Cel}\"",                   NULL, "/checks/0/say", "no such unit"          },
        {TEMP, "/checks/0/say", "\"{value~Cel:[degF]}\"",                 NULL, "/checks/0/say",
         "no conversion from Cel to [degF]"                                                                              },
        {TEMP, "/checks/0/say", "\"{route/10}\"",                         NULL, "/checks/0/say", "only a number"         },
        {PAIN, "/checks",
         "[{\"check\": \"c\", \"grade\": \"note\", \"if\": [{\"present\": \"location\"}], \"at\":"
         " [\"value\"], \"say\": \"in {location}\", \"source\": \"s\"}]", NULL, "/checks/0/say", "only numbers and words"},
    };

    (void)state;
    RUN(damages);
}

static void test_computed(void **state)
{
    static const struct damage damages[] = {
        {BMI,      "/computed/numerator/0/kind",    "\"weight\"",          NULL, "/computed/numerator/0/kind",
         "no such kind"                                                                                                           },
        {BMI,      "/computed/numerator/0/kind",    "\"body-mass-index\"", NULL, "/computed/numerator/0",
         "of another kind"                                                                                                        },
        {BMI,      "/computed/numerator/0/part",    "\"weight\"",          NULL, "/computed/numerator/0/part",
         "no such part"                                                                                                           },
        {BMI,      "/computed/numerator/0/in",      "\"m\"",               NULL, "/computed/numerator/0",
         "no conversion from kg to m"                                                                                             },
        {BMI,      "/computed/denominator/0/power", "4",                   NULL, "/computed/denominator/0",    "1, 2 or 3"        },
        {BMI,      "/computed/unit",                "\"kg\"",              NULL, "/computed",                  "canonical unit"   },
        {BMI,      "/computed/places",              NULL,                  NULL, "/computed",                  "places is missing"},
        {PRESSURE, "/computed",
         "{\"numerator\": [{\"kind\": \"body-weight\", \"part\": \"value\", \"in\": \"kg\"}],"
         " \"denominator\": [], \"unit\": \"kg\", \"places\": 0}",         NULL, "/computed",                  "of one number"    },
    };

    (void)state;
    RUN(damages);
}

static void test_scores(void **state)
{
    static const struct damage damages[] = {
        {SCORE, "/source",                  NULL,                             NULL, "",                           "source is missing"       },
        {SCORE, "/unit",                    "\"points\"",                     NULL, "/unit",                      "no such unit"            },
        {SCORE, "/inputs/0/kind",           "\"pulse\"",                      NULL, "/inputs/0/kind",             "no such kind"            },
        {SCORE, "/inputs/0/part",           NULL,                             NULL, "/inputs/0",                  "part or field is missing"},
        {SCORE, "/inputs/0/part",           "\"site\"",                       NULL, "/inputs/0/part",             "no part"                 },
        {SCORE, "/inputs/0/field",          "\"site\"",                       NULL, "/inputs/0/field",            "either part or field"    },
        {SCORE, "/inputs/0/in",             "\"kg\"",                         NULL, "/inputs/0",                  "no conversion"           },
        {SCORE, "/inputs/0/in",             NULL,                             NULL, "/inputs/0",                  "in is missing"           },
        {SCORE, "/inputs/0/bands/1/from",   "91",                             NULL, "/inputs/0/bands/1",          "from is over to"         },
        {SCORE, "/inputs/0/bands/1/points", NULL,                             NULL, "/inputs/0/bands/1",          "points is missing"       },
        {SCORE, "/inputs/0/bands",          NULL,                             NULL, "/inputs/0",                  "either bands or words"   },
        {SCORE, "/inputs/0/bands/2/to",     "90",                             NULL, "/inputs/0/bands/2",          "from is over to"         },
        {SCORE, "/inputs/0/bands/-",        "{\"from\": 200, \"points\": 2}", NULL, "/inputs/0",
         "3 is never used behind 2"                                                                                                         },
        {SCORE, "/inputs/1/input",          "\"pulse\"",                      NULL, "/inputs/1",                  "a second input"          },
        {SCORE, "/inputs/1/bands/0/scale",  "3",                              NULL, "/inputs/1/bands/0",          "no scale 3"              },
        {SCORE, "/inputs/1/bands/2/with",   "{\"air\": 0}",                   NULL, "/inputs/1/bands/2/with/air",
         "no input"                                                                                                                         },
        {SCORE, "/inputs/1/bands/2/with",   "{\"saturation\": 0}",            NULL, "/inputs",
         "asks for another"                                                                                                                 },
        {SCORE, "/inputs/2/words",          "{\"air\": 0}",                   NULL, "/inputs/2/words/air",
         "no word of devices"                                                                                                               },
        {SCORE, "/inputs/3/words",          NULL,                             NULL, "/inputs/3",                  "either bands or words"   },
        {SCORE, "/scale/default",           "3",                              NULL, "/scale",                     "not one of the scales"   },
        {SCORE, "/scale/context",           "\"oxygen\"",                     NULL, "/scale/context",             "saturation-scale"        },
        {SCORE, "/scale/scales/x",          "\"scale x\"",                    NULL, "/scale/scales/x",            "called 1 to 9"           },
        {SCORE, "/withheld/2/context",      "\"fasting\"",                    NULL, "/withheld/2/context",        "pregnant"                },
        {SCORE, "/withheld/2/is",           "[false]",                        NULL, "/withheld/2/is/0",           "only true"               },
        {SCORE, "/withheld/1/age-unknown",  NULL,                             NULL, "/withheld/1",                "one of ages"             },
        {SCORE, "/responses/0/source",      NULL,                             NULL, "/responses/0",               "source is missing"       },
        {SCORE, "/responses/2/from",        "6",                              NULL, "",                           "none for a total of 5"   },
        {SCORE, "/responses/0/from",        "5",                              NULL, "/responses/0",               "no total lies between"   },
    };

    (void)state;
    RUN(damages);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_the_undamaged_table_loads),
        cmocka_unit_test(test_files),
        cmocka_unit_test(test_units),
        cmocka_unit_test(test_codings),
        cmocka_unit_test(test_parts),
        cmocka_unit_test(test_names),
        cmocka_unit_test(test_rows),
        cmocka_unit_test(test_ages),
        cmocka_unit_test(test_what_is_taken),
        cmocka_unit_test(test_context),
        cmocka_unit_test(test_too_many),
        cmocka_unit_test(test_checks),
        cmocka_unit_test(test_says),
        cmocka_unit_test(test_computed),
        cmocka_unit_test(test_scores),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
