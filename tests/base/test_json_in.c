/* test_json_in.c - JSON text in: what is taken, what is refused and where, and that digits survive.
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
#include "wardpost/json_in.h"
#include "wardpost/json_out.h"

#define COUNT(table) (sizeof(table) / sizeof((table)[0]))

static json_t *read_sure(const char *text)
{
    struct json_fault fault;
    json_t *value = NULL;

    if (json_in(text, strlen(text), &value, &fault) != STATUS_OK)
        fail_msg("%s: line %u, column %u: %s", text, fault.line, fault.column, fault.detail);
    return value;
}

/* ---- taken ---- */

/* What is read, written again; NULL: it is the same text. Sources: RFC 8259 2 to 8 and 13; rows
 * without one are ours. */
static const struct {
    const char *text, *again;
} taken[] = {
    {"{}",                                                               NULL                                 },
    {"[]",                                                               NULL                                 },
    {" \t\r\n[ ] \t\r\n",                                                "[]"                                 }, /* 2: these four are blanks */
    {"{ \"a\" : [ 1 , { } , [ ] ] , \"b\" : null }",                     "{\"a\":[1,{},[]],\"b\":null}"       },
    {"[true,false,null]",                                                NULL                                 },
    {"{\"\":\"\"}",                                                      NULL                                 }, /* 4: a name is any string */
    {"[\"\\\"\\\\\\/\\n\\r\\t\"]",                                       "[\"\\\"\\\\/\\n\\r\\t\"]"           },
    {"[\"\\u0041\\u00e9\\u00E9\\u2615\"]",                               "[\"A\xC3\xA9\xC3\xA9\xE2\x98\x95\"]"},
    {"[\"\\uD834\\uDD1E\"]",                                             "[\"\xF0\x9D\x84\x9E\"]"             }, /* 7: the G clef */
    {"[\"\\udbff\\udfff\"]",                                             "[\"\xF4\x8F\xBF\xBF\"]"             },
    {"[\"\\u000a\\u000D\\u0009\"]",                                      "[\"\\n\\r\\t\"]"                    },
    {"[\"\\u007f\x7F\"]",                                                "[\"\x7F\x7F\"]"                     }, /* 7: DEL need not be escaped */
    {"[\"\\u2028\xE2\x80\xA8\"]",                                        "[\"\xE2\x80\xA8\xE2\x80\xA8\"]"     },
    {"[\"\\uFFFF\"]",                                                    "[\"\xEF\xBF\xBF\"]"                 },
    {"{\"\\u0061\":1}",                                                  "{\"a\":1}"                          },
    {"[0,-0,-0.00,0.0]",                                                 "[0,0,0.00,0.0]"                     }, /* -0 reads as 0 */
    {"[98.6,98.60,98.600,-98.6]",                                        NULL                                 },
    {"[0.1,0.05,0.000000001,999999999999999]",                           NULL                                 },
    {"[37.7668,-122.3959,94107]",                                        NULL                                 }, /* 13 */
    {"[\"98.60\",\"1e400\",\"NaN\"]",                                    NULL                                 },
    {"[1 ,2\n]",                                                         "[1,2]"                              },
    {"[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]", NULL                                 }, /* 32 deep */
    {"{\"a\":1,\"A\":2,\"b\":{\"a\":3}}",                                NULL                                 }, /* no name twice in one object */
};

static void test_json_is_taken(void **state)
{
    (void)state;
    for (size_t i = 0; i < COUNT(taken); i++) {
        json_t *value = read_sure(taken[i].text);
        struct json_out out = JSON_OUT_INIT;

        out_json(&out, value);
        assert_string_equal(json_out_text(&out), taken[i].again ? taken[i].again : taken[i].text);
        json_out_clear(&out);
        json_decref(value);
    }
}

/* RFC 8259 13, the first example. */
static void test_the_example_of_the_standard(void **state)
{
    json_t *image =
        read_sure("{\n  \"Image\": {\n    \"Width\":  800,\n    \"Height\": 600,\n"
                  "    \"Title\":  \"View from 15th Floor\",\n    \"Thumbnail\": {\n"
                  "      \"Url\":    \"http://www.example.com/image/481989943\",\n"
                  "      \"Height\": 125,\n      \"Width\":  100\n    },\n"
                  "    \"Animated\" : false,\n    \"IDs\": [116, 943, 234, 38793]\n  }\n}\n");
    const json_t *inner = json_object_get(image, "Image");

    (void)state;
    assert_int_equal(json_object_size(inner), 6);
    assert_string_equal(digits_text(json_object_get(inner, "Width")), "800");
    assert_string_equal(json_string_value(json_object_get(inner, "Title")), "View from 15th Floor");
    assert_string_equal(digits_text(json_object_get(json_object_get(inner, "Thumbnail"), "Height")),
                        "125");
    assert_true(json_is_false(json_object_get(inner, "Animated")));
    assert_string_equal(digits_text(json_array_get(json_object_get(inner, "IDs"), 3)), "38793");
    json_decref(image);
}

static void test_only_the_given_length_is_read(void **state)
{
    struct json_fault fault;
    json_t *value = NULL;

    (void)state;
    assert_int_equal(json_in("[1]x", 3, &value, &fault), STATUS_OK);
    json_decref(value);
    value = NULL;
    assert_int_equal(json_in("[1]", 2, &value, &fault), STATUS_INVALID);
    assert_int_equal(json_in(NULL, 0, &value, &fault), STATUS_INVALID);
    assert_string_equal(fault.detail, "nothing was sent");
    assert_null(value);
}

/* ---- numbers and texts are told apart ---- */

static void test_numbers_are_numbers_and_texts_are_texts(void **state)
{
    json_t *value =
        read_sure("{\"number\":72.0,\"text\":\"72.0\",\"empty\":\"\",\"yes\":true,\"list\":[1]}");
    const json_t *number = json_object_get(value, "number"), *text = json_object_get(value, "text");
    struct decimal decimal = {0};

    (void)state;
    assert_true(digits_is(number) && !text_is(number));
    assert_string_equal(digits_text(number), "72.0");
    assert_true(digits_decimal(number, &decimal) &&
                decimal_same(decimal, (struct decimal){720, 1}));
    assert_true(text_is(text) && !digits_is(text));
    assert_null(digits_text(text));
    assert_false(digits_decimal(text, &decimal));
    assert_true(text_is(json_object_get(value, "empty")) &&
                !digits_is(json_object_get(value, "empty")));
    assert_false(text_is(json_object_get(value, "yes")) ||
                 digits_is(json_object_get(value, "yes")));
    assert_false(text_is(json_object_get(value, "list")) ||
                 digits_is(json_object_get(value, "list")));
    assert_false(text_is(NULL) || digits_is(NULL) || digits_text(NULL) ||
                 digits_decimal(NULL, &decimal));
    json_decref(value);
}

/* ---- refused ---- */

#define CONTROL  "a control character in a string"
#define BREAK    "a control character in a string (a line break is written \\n)"
#define EARLY    "the text ends too early"
#define INSIDE   "the text ends inside a string"
#define COMMA    "a comma or a closing bracket is missing here"
#define NAME     "a name in double quotes is missing here"
#define COLON    "a colon is missing behind a name"
#define VALUE    "a value is missing here"
#define WORD     "a word that JSON has not: text stands in double quotes"
#define TOP      "the text must be an object or an array"
#define TWICE    "a name stands twice in one object"
#define BEHIND   "there is something behind the end"
#define NO_NAN   "NaN and Infinity are no numbers in JSON"
#define EXPONENT "a number with an exponent: write it out in full"
#define TOO_LONG "a number of more than 15 digits or 9 decimals"
#define LEADING  "a number with a leading zero"
#define HALF     "half of a surrogate pair"
#define DIGITS   "\\u without four hexadecimal digits"
#define NOT_UTF8 "not UTF-8"

static const struct {
    const char *text;
    size_t offset;
    unsigned line, column;
    const char *detail;
} refused[] = {
  /* nothing, or not the whole */
    {"",                                       0,  1, 1,  "nothing was sent"                                    },
    {" \n ",                                   3,  2, 2,  "nothing was sent"                                    },
    {"{",                                      1,  1, 2,  EARLY                                                 },
    {"[1,\n2",                                 5,  2, 2,  EARLY                                                 },
    {"{\"a\"",                                 4,  1, 5,  EARLY                                                 },
    {"{\"a\":",                                5,  1, 6,  EARLY                                                 },
    {"{\"a\":1,",                              7,  1, 8,  EARLY                                                 },
    {"[\"a",                                   1,  1, 2,  INSIDE                                                },
    {"[\"a\\",                                 3,  1, 4,  INSIDE                                                },
    {"[\"a\\\"]",                              1,  1, 2,  INSIDE                                                },
    {"{\"a",                                   1,  1, 2,  INSIDE                                                },
 /* the top */
    {"72",                                     0,  1, 1,  TOP                                                   },
    {" \"text\"",                              1,  1, 2,  TOP                                                   },
    {"null",                                   0,  1, 1,  TOP                                                   },
    {"hello",                                  0,  1, 1,  TOP                                                   },
    {"\xEF\xBB\xBF{}",                         0,  1, 1,
     "a byte order mark before the text: send it without"                                                       }, /* RFC 8259 8.1 */
    {"{} {}",                                  3,  1, 4,  BEHIND                                                },
    {"[]]",                                    2,  1, 3,  BEHIND                                                },
    {"{}\n x",                                 4,  2, 2,  BEHIND                                                },
 /* shape */
    {"[1 2]",                                  3,  1, 4,  COMMA                                                 },
    {"[1,,2]",                                 3,  1, 4,  VALUE                                                 },
    {"[1,]",                                   3,  1, 4,  VALUE                                                 },
    {"[,1]",                                   1,  1, 2,  VALUE                                                 },
    {"[1}",                                    2,  1, 3,  COMMA                                                 },
    {"{\"a\":1]",                              6,  1, 7,  COMMA                                                 },
    {"{\"a\":1,}",                             7,  1, 8,  NAME                                                  },
    {"{,}",                                    1,  1, 2,  NAME                                                  },
    {"{a:1}",                                  1,  1, 2,  NAME                                                  },
    {"{'a':1}",                                1,  1, 2,  NAME                                                  },
    {"{1:2}",                                  1,  1, 2,  NAME                                                  }, /* nor does a number pass as one */
    {"{\"a\":1,2:3}",                          7,  1, 8,  NAME                                                  },
    {"{\"a\" 1}",                              5,  1, 6,  COLON                                                 },
    {"{\"a\",1}",                              4,  1, 5,  COLON                                                 },
    {"{\"a\":}",                               5,  1, 6,  VALUE                                                 },
    {"{\"a\"::1}",                             5,  1, 6,  VALUE                                                 },
    {"[\"a\" \"b\"]",                          5,  1, 6,  COMMA                                                 },
    {"[\"a\":1]",                              4,  1, 5,  COMMA                                                 },
    {"[1] // no",                              4,  1, 5,  BEHIND                                                },
    {"[/* no */1]",                            1,  1, 2,  VALUE                                                 },
    {"[\f1]",                                  1,  1, 2,  VALUE                                                 }, /* no blank of RFC 8259 2 */
    {"[1\v]",                                  2,  1, 3,  COMMA                                                 },
    {"[1\xC2\xA0]",                            2,  1, 3,  COMMA                                                 },
 /* words */
    {"[True]",                                 1,  1, 2,  WORD                                                  },
    {"[nul]",                                  1,  1, 2,  WORD                                                  },
    {"[nulll]",                                1,  1, 2,  WORD                                                  },
    {"[none,1]",                               1,  1, 2,  WORD                                                  },
    {"[true1]",                                5,  1, 6,  COMMA                                                 },
    {"['a']",                                  1,  1, 2,  VALUE                                                 },
 /* names */
    {"{\"value\":1,\n\"value\":2}",            12, 2, 1,  TWICE                                                 },
    {"{\"a\":1,\"b\":{},\"a\":1}",             14, 1, 15, TWICE                                                 },
    {"{\"a\":1,\"\\u0061\":1}",                7,  1, 8,  TWICE                                                 }, /* the same when decoded */
    {"[{\"\":1,\"\":1}]",                      7,  1, 8,  TWICE                                                 },
    {"{\"a\\u0000\":1}",                       3,  1, 4,  CONTROL                                               },
 /* strings */
    {"[\"a\nb\"]",                             3,  1, 4,  BREAK                                                 },
    {"[\"\x01\"]",                             2,  1, 3,  BREAK                                                 },
    {"[\"\x1F\"]",                             2,  1, 3,  BREAK                                                 },
    {"[\"a\tb\"]",                             3,  1, 4,  BREAK                                                 },
    {"[\"\\u0001\"]",                          2,  1, 3,  CONTROL                                               }, /* would pass for our mark */
    {"[\"\\u000172\"]",                        2,  1, 3,  CONTROL                                               },
    {"{\"\\u0001\":1}",                        2,  1, 3,  CONTROL                                               },
    {"[\"\\u0000\"]",                          2,  1, 3,  CONTROL                                               },
    {"[\"a\\u001F\"]",                         3,  1, 4,  CONTROL                                               },
    {"[\"a\\u001f\"]",                         3,  1, 4,  CONTROL                                               },
    {"[\"\\b\"]",                              2,  1, 3,  CONTROL                                               },
    {"[\"\\f\"]",                              2,  1, 3,  CONTROL                                               },
    {"[\"\\x41\"]",                            2,  1, 3,  "a backslash with no meaning in JSON"                 },
    {"[\"\\'\"]",                              2,  1, 3,  "a backslash with no meaning in JSON"                 },
    {"[\"\\U0041\"]",                          2,  1, 3,  "a backslash with no meaning in JSON"                 },
    {"[\"\\u12\"]",                            2,  1, 3,  DIGITS                                                },
    {"[\"\\u12",                               2,  1, 3,  DIGITS                                                },
    {"[\"\\u00g0\"]",                          2,  1, 3,  DIGITS                                                },
    {"[\"\\u+041\"]",                          2,  1, 3,  DIGITS                                                },
    {"[\"x\\ud834\"]",                         3,  1, 4,  HALF                                                  },
    {"[\"\\udd1e\"]",                          2,  1, 3,  HALF                                                  },
    {"[\"\\ud834x\"]",                         2,  1, 3,  HALF                                                  },
    {"[\"\\ud834\\u0041\"]",                   2,  1, 3,  HALF                                                  },
    {"[\"\\ud834\\ud834\"]",                   2,  1, 3,  HALF                                                  },
    {"[\"\\udd1e\\udd1e\"]",                   2,  1, 3,  HALF                                                  },
    {"[\"\\ud834\\ue000\"]",                   2,  1, 3,  HALF                                                  },
    {"[\"\\udd1e\\ud834\"]",                   2,  1, 3,  HALF                                                  },
    {"[\"\\ud834\\",                           2,  1, 3,  HALF                                                  },
 /* bytes: columns count characters */
    {"[\"\xC3\xA9\xC3\"]",                     4,  1, 4,  NOT_UTF8                                              },
    {"[\"\xE2\x98\x95\",\n \"\xFF\"]",         10, 2, 3,  NOT_UTF8                                              },
    {"[\"\xC0\x80\"]",                         2,  1, 3,  NOT_UTF8                                              },
    {"[\"\xED\xA0\xB4\"]",                     2,  1, 3,  NOT_UTF8                                              },
    {"[\"\xF4\x90\x80\x80\"]",                 2,  1, 3,  NOT_UTF8                                              },
    {"[\"\xE2\x98",                            2,  1, 3,  NOT_UTF8                                              },
    {"{\"\x80\":1}",                           2,  1, 3,  NOT_UTF8                                              },
 /* numbers */
    {"[1e400]",                                1,  1, 2,  EXPONENT                                              },
    {"[1E2]",                                  1,  1, 2,  EXPONENT                                              },
    {"[-1.5e-3]",                              1,  1, 2,  EXPONENT                                              },
    {"[007]",                                  1,  1, 2,  LEADING                                               },
    {"[-01.5]",                                1,  1, 2,  LEADING                                               },
    {"[+1]",                                   1,  1, 2,  "a number with a plus: leave it out"                  },
    {"[.5]",                                   1,  1, 2,  "a number that starts with a point: write 0.5, not .5"},
    {"[-.5]",                                  1,  1, 2,  "a number that starts with a point: write 0.5, not .5"},
    {"[5.]",                                   1,  1, 2,  "a number that ends with a point"                     },
    {"[-]",                                    1,  1, 2,  "not a number"                                        },
    {"[.]",                                    1,  1, 2,  "not a number"                                        },
    {"[1.2.3]",                                1,  1, 2,  "not a number"                                        },
    {"[120-80]",                               1,  1, 2,  "not a number"                                        },
    {"[--1]",                                  1,  1, 2,  "not a number"                                        },
    {"[9999999999999999]",                     1,  1, 2,  TOO_LONG                                              },
    {"[0.0000000001]",                         1,  1, 2,  TOO_LONG                                              },
    {"{\"value\":1234567.123456789}",          9,  1, 10, TOO_LONG                                              },
    {"[NaN]",                                  1,  1, 2,  NO_NAN                                                },
    {"[Infinity]",                             1,  1, 2,  NO_NAN                                                },
    {"[-Infinity]",                            1,  1, 2,  NO_NAN                                                },
    {"[+Infinity]",                            1,  1, 2,  NO_NAN                                                },
    {"[-NaN]",                                 1,  1, 2,  NO_NAN                                                },
    {"[1,5]x",                                 5,  1, 6,  BEHIND                                                },
    {"[0x1F]",                                 2,  1, 3,  COMMA                                                 },
    {"[12abc]",                                3,  1, 4,  COMMA                                                 },
    {"[1 000]",                                3,  1, 4,  COMMA                                                 },
    {"[-\"1\"]",                               1,  1, 2,  "not a number"                                        },
 /* depth */
    {"[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[1]]]]", 32, 1, 33, "nested more than 32 deep"                            },
};

static void test_what_is_refused_says_where_and_why(void **state)
{
    (void)state;
    for (size_t i = 0; i < COUNT(refused); i++) {
        struct json_fault fault;
        json_t *value = NULL;

        if (json_in(refused[i].text, strlen(refused[i].text), &value, &fault) != STATUS_INVALID)
            fail_msg("%s: taken", refused[i].text);
        assert_null(value);
        if (strcmp(fault.detail, refused[i].detail) != 0)
            fail_msg("%s: \"%s\"", refused[i].text, fault.detail);
        if (fault.offset != refused[i].offset || fault.line != refused[i].line ||
            fault.column != refused[i].column)
            fail_msg("%s: offset %zu, line %u, column %u", refused[i].text, fault.offset,
                     fault.line, fault.column);
    }
}

/* A NUL is no end and no blank. jansson 2.14 takes the first two. */
static void test_a_nul_byte_is_refused(void **state)
{
    static const struct {
        const char *text;
        size_t length;
        size_t offset;
    } rows[] = {
        {"[72\0]",     5, 3},
        {"[1\0,2]",    6, 2},
        {"[\"a\0b\"]", 7, 3},
        {"{}\0",       3, 2},
        {"\0{}",       3, 0},
        {"[\"\\\0\"]", 6, 2}
    };

    (void)state;
    for (size_t i = 0; i < COUNT(rows); i++) {
        struct json_fault fault;
        json_t *value = NULL;

        assert_int_equal(json_in(rows[i].text, rows[i].length, &value, &fault), STATUS_INVALID);
        assert_int_equal(fault.offset, rows[i].offset);
    }
}

/* Every text that stops too early is refused, at most where it stops. */
static void test_a_text_cut_off_is_refused(void **state)
{
    static const char whole[] =
        "{\"a\":[1.50,\"\\u00e9\\ud834\\udd1e\xE2\x98\x95\",true,null],\"b\":{\"c\":-0}}";

    (void)state;
    for (size_t length = 0; length < sizeof(whole) - 1; length++) {
        char *exact = malloc(length + 1); /* no byte behind it, for the sanitizer to see */
        struct json_fault fault;
        json_t *value = NULL;

        assert_non_null(exact);
        memcpy(exact, whole, length);
        exact = realloc(exact, length > 0 ? length : 1);
        assert_non_null(exact);
        assert_int_equal(json_in(exact, length, &value, &fault), STATUS_INVALID);
        assert_true(fault.offset <= length);
        free(exact);
    }
    json_decref(read_sure(whole));
}

/* ---- much of it ---- */

#define MUCH ((size_t)10 << 20)

static void test_ten_megabytes_are_no_trouble(void **state)
{
    static const struct {
        char fill;
        enum status status;
        const char *detail;
    } rows[] = {
        {'9', STATUS_INVALID, "a number of more than 15 digits or 9 decimals"         },
        {'[', STATUS_INVALID, "nested more than 32 deep"                              },
        {' ', STATUS_OK,      ""                                                      },
        {'a', STATUS_INVALID, "a word that JSON has not: text stands in double quotes"},
    };
    char *text = malloc(MUCH);

    (void)state;
    assert_non_null(text);
    for (size_t i = 0; i < COUNT(rows); i++) {
        struct json_fault fault;
        json_t *value = NULL;

        memset(text, rows[i].fill, MUCH);
        text[0] = '[';
        text[MUCH - 1] = ']';
        assert_int_equal(json_in(text, MUCH, &value, &fault), rows[i].status);
        assert_string_equal(fault.detail, rows[i].detail);
        json_decref(value);
    }
    free(text);
}

static void test_many_values(void **state)
{
    struct json_out out = JSON_OUT_INIT;
    const char *text;
    json_t *value;

    (void)state;
    out_array(&out);
    for (int i = 0; i < 20000; i++)
        out_decimal(&out, (struct decimal){i, 1});
    out_array_end(&out);
    text = json_out_text(&out);
    assert_non_null(text);
    value = read_sure(text);
    assert_int_equal(json_array_size(value), 20000);
    assert_string_equal(digits_text(json_array_get(value, 19999)), "1999.9");
    json_decref(value);
    json_out_clear(&out);
}

/* ---- any document: written, read, and judged by jansson's own decoder ---- */

static uint64_t next_chance(uint64_t *state)
{
    uint64_t mixed = *state += 0x9E3779B97F4A7C15U;

    mixed = (mixed ^ mixed >> 30) * 0xBF58476D1CE4E5B9U;
    mixed = (mixed ^ mixed >> 27) * 0x94D049BB133111EBU;
    return mixed ^ mixed >> 31;
}

static void write_any_text(struct json_out *out, uint64_t *chance)
{
    static const char *const pieces[] = {"a",          "\"",      "\\",       "\n",
                                         "\t",         "/",       "\xC3\xA9", "\xF0\x9F\x98\x80",
                                         "0123456789", "\\u0041", " "};
    char text[256] = "";
    size_t length = 0;

    for (uint64_t i = next_chance(chance) % 20; i > 0; i--) {
        const char *piece = pieces[next_chance(chance) % COUNT(pieces)];

        while (*piece)
            text[length++] = *piece++;
    }
    out_text_n(out, text, length);
}

/* NOLINTBEGIN(misc-no-recursion): at most `depth` deep */

static void write_any(struct json_out *out, uint64_t *chance, unsigned depth, bool numbers);

static void write_any_members(struct json_out *out, uint64_t *chance, unsigned depth, bool numbers)
{
    char name[24];

    out_object(out);
    for (uint64_t i = next_chance(chance) % 6; i > 0; i--) {
        assert_true(snprintf(name, sizeof(name), "%llu \"\n", (unsigned long long)i) > 0);
        out_name(out, name);
        write_any(out, chance, depth, numbers);
    }
    out_object_end(out);
}

static void write_any_items(struct json_out *out, uint64_t *chance, unsigned depth, bool numbers)
{
    out_array(out);
    for (uint64_t i = next_chance(chance) % 6; i > 0; i--)
        write_any(out, chance, depth, numbers);
    out_array_end(out);
}

static void write_any(struct json_out *out, uint64_t *chance, unsigned depth, bool numbers)
{
    switch (next_chance(chance) % (depth > 0 ? 6 : 4)) {
    case 0:
        write_any_text(out, chance);
        break;
    case 1:
        out_bool(out, next_chance(chance) % 2);
        break;
    case 2:
        out_null(out);
        break;
    case 3:
        if (numbers)
            out_decimal(out, (struct decimal){(int64_t)(next_chance(chance) % 2000000) - 1000000,
                                              (unsigned)(next_chance(chance) % 10)});
        else
            out_text(out, "");
        break;
    case 4:
        write_any_members(out, chance, depth - 1, numbers);
        break;
    case 5:
        write_any_items(out, chance, depth - 1, numbers);
        break;
    }
}

/* NOLINTEND(misc-no-recursion) */

static void check_any(uint64_t chance, bool numbers)
{
    struct json_out first = JSON_OUT_INIT, second = JSON_OUT_INIT;
    json_error_t error;
    json_t *ours, *theirs;

    out_array(&first);
    write_any(&first, &chance, 6, numbers);
    out_array_end(&first);
    ours = read_sure(json_out_text(&first));
    out_json(&second, ours);
    assert_string_equal(json_out_text(&second), first.text);
    theirs = json_loadb(first.text, first.length, JSON_REJECT_DUPLICATES, &error);
    assert_non_null(theirs);
    if (!numbers)
        assert_true(json_equal(ours, theirs));
    json_decref(theirs);
    json_decref(ours);
    json_out_clear(&first);
    json_out_clear(&second);
}

static void test_any_document_survives(void **state)
{
    (void)state;
    for (uint64_t seed = 0; seed < 2000; seed++)
        check_any(seed * 1000, seed % 2);
}

/* ---- trouble ---- */

static void test_each_failed_allocation_is_told(void **state)
{
    static const char text[] =
        "{\"a\":[1.50,\"text\",{\"b\":null,\"c\":{},\"d\":[]}],\"e\":{\"f\":2},"
        "\"g\":[1,2,3,4,5,6,7,8,9,10],\"h\":1,\"i\":1,\"j\":1,\"k\":1,\"l\":1,\"m\":1}";
    unsigned nth = 0;
    enum status status;

    (void)state;
    do {
        struct json_fault fault;
        json_t *value = NULL;

        heap_fail_at(++nth);
        status = json_in(text, strlen(text), &value, &fault);
        heap_fail_at(0);
        assert_int_equal(status, heap_did_fail() ? STATUS_NO_MEMORY : STATUS_OK);
        assert_int_equal(status == STATUS_OK, value != NULL);
        json_decref(value);
    } while (status != STATUS_OK);
    assert_in_range(nth, 30, 1000);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_json_is_taken),
        cmocka_unit_test(test_the_example_of_the_standard),
        cmocka_unit_test(test_only_the_given_length_is_read),
        cmocka_unit_test(test_numbers_are_numbers_and_texts_are_texts),
        cmocka_unit_test(test_what_is_refused_says_where_and_why),
        cmocka_unit_test(test_a_nul_byte_is_refused),
        cmocka_unit_test(test_a_text_cut_off_is_refused),
        cmocka_unit_test(test_ten_megabytes_are_no_trouble),
        cmocka_unit_test(test_many_values),
        cmocka_unit_test(test_any_document_survives),
        cmocka_unit_test(test_each_failed_allocation_is_told),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
