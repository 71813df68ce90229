/* RFC 4180, what is taken besides, and what is broken. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "intake/csv.h"

/* All records as "line[cell|cell]"; a broken one as "line!". */
static void read_all(const char *text, char out[1024])
{
    const size_t length = strlen(text);
    char *bytes = malloc(length > 0 ? length : 1); /* no NUL: a read past the end is found */
    struct record record;
    struct csv csv;
    size_t used = 0;

    assert_non_null(bytes);
    memcpy(bytes, text, length);
    csv = csv_begin(bytes, length);
    out[0] = '\0';
    while (csv_next(&csv, &record)) {
        used +=
            (size_t)snprintf(out + used, 1024 - used, "%zu%s", record.line, record.why ? "!" : "[");
        for (size_t i = 0; !record.why && i < record.count; i++)
            used += (size_t)snprintf(out + used, 1024 - used, "%s%.*s", i ? "|" : "",
                                     (int)record.cells[i].length, record.cells[i].text);
        used += (size_t)snprintf(out + used, 1024 - used, record.why ? "" : "]");
    }
    free(bytes);
}

static const struct {
    const char *text, *read;
} texts[] = {
    {"",                                      ""                 },
    {"\xEF\xBB\xBF",                          ""                 },
    {"\xEF\xBB\xBF"
     "a,b\r\n1,2\r\n",                   "1[a|b]2[1|2]"     },
    {"a,b\n1,2",                              "1[a|b]2[1|2]"     },
    {"a,,b,",                                 "1[a||b|]"         },
    {",",                                     "1[|]"             },
    {"\r\n\n a , b \n",                       "3[ a | b ]"       }, /* blanks belong to the cell */
    {"\"a\",\"b,c\",\"d\"\"e\"",              "1[a|b,c|d\"e]"    },
    {"\"\",\"\"\"\"",                         "1[|\"]"           },
    {"\"a\r\nb\",c\r\nd,e",                   "1[a\r\nb|c]3[d|e]"},
    {"a\"b,c\nd,e",                           "1!2[d|e]"         },
    {"\"a\"b,c\nd,e",                         "1!2[d|e]"         },
    {"\"a,b\nc",                              "1!"               },
    {"\"",                                    "1!"               },
    {"a\rb,c",                                "1[a\rb|c]"        },
    {"a\r",                                   "1[a]"             },
    {",,,,,,,,,,,,,,,,,,,,,,,,,,,,,,,,,,\nb", "1!2[b]"           },
};

static void test_texts(void **state)
{
    char out[1024];

    (void)state;
    for (size_t i = 0; i < sizeof(texts) / sizeof(texts[0]); i++) {
        read_all(texts[i].text, out);
        assert_string_equal(out, texts[i].read);
    }
}

/* Whatever the bytes are, it ends, and each record is on a later line or behind the last. */
static void test_any_bytes_end(void **state)
{
    static const char letters[] = "a,\"\n\r\xEF\xBB\xBF";
    uint32_t chance = 20261125;

    (void)state;
    for (int round = 0; round < 20000; round++) {
        char bytes[24];
        struct record record;
        struct csv csv;
        size_t count = 0, length = chance % sizeof(bytes);

        for (size_t i = 0; i < length; i++) {
            chance = chance * 1664525u + 1013904223u;
            bytes[i] = letters[(chance >> 16) % (sizeof(letters) - 1)];
        }
        chance = chance * 1664525u + 1013904223u;
        csv = csv_begin(bytes, length);
        while (csv_next(&csv, &record)) {
            assert_true(++count <= length);
            assert_true(csv.at <= bytes + length);
            assert_true(record.why || record.count > 0);
        }
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_texts),
        cmocka_unit_test(test_any_bytes_end),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
