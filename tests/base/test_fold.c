/* Names as they are looked for. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>
#include <string.h>

#include "wardpost/fold.h"

static const struct {
    const char *name, *folded;
} names[] = {
    {"Quillfeather",                         "quillfeather"                        },
    {"S\u00f8rensen",                        "sorensen"                            },
    {"S\u00d8RENSEN",                        "sorensen"                            },
    {"\u0141ukasz",                          "lukasz"                              },
    {"\u0110\u1ed7",                         "do"                                  },
    {"Nguy\u1ec5n",                          "nguyen"                              },
    {"Nguye\u0302\u0303n",                   "nguyen"                              }, /* the same, taken apart */
    {"Stra\u00dfer",                         "strasser"                            },
    {"\u00c6r\u00f8",                        "aero"                                },
    {"O\u2019Brien",                         "obrien"                              },
    {"o'brien",                              "obrien"                              },
    {"Garc\u00eda-L\u00f3pez",               "garcialopez"                         },
    {"van der  Berg",                        "vanderberg"                          },
    {"\u0218tef\u0103nescu",                 "stefanescu"                          },
    {"\u0391\u039b\u0388\u039e\u0397\u03a3", "\u03b1\u03bb\u03b5\u03be\u03b7\u03c3"},
    {"\u03b1\u03bb\u03ad\u03be\u03b7\u03c2", "\u03b1\u03bb\u03b5\u03be\u03b7\u03c3"},
    {"\u0401\u041b\u041a\u0418\u041d\u0419", "\u0435\u043b\u043a\u0438\u043d\u0438"},
    {"\u738b",                               "\u738b"                              },
    {"\u202eevil",                           "evil"                                },
    {"a\xff\xc3",                            "a"                                   },
    {"- ' -",                                ""                                    },
    {"",                                     ""                                    },
};

static void test_names(void **state)
{
    char out[64];

    (void)state;
    for (size_t i = 0; i < sizeof(names) / sizeof(names[0]); i++) {
        size_t length = name_fold(names[i].name, out, sizeof(out));

        assert_string_equal(out, names[i].folded);
        assert_int_equal(length, strlen(out));
        assert_true(length <= strlen(names[i].name));
    }
}

/* Folding twice changes nothing more: what is stored and what is asked can be compared. */
static void test_folded_is_folded(void **state)
{
    char once[64], twice[64];

    (void)state;
    for (size_t i = 0; i < sizeof(names) / sizeof(names[0]); i++) {
        name_fold(names[i].name, once, sizeof(once));
        name_fold(once, twice, sizeof(twice));
        assert_string_equal(once, twice);
    }
}

static void test_cut_at_a_whole_character(void **state)
{
    char out[6];

    (void)state;
    assert_int_equal(name_fold("\u738b\u738b\u738b", out, sizeof(out)), 3);
    assert_string_equal(out, "\u738b");
    assert_int_equal(name_fold("abcdefgh", out, sizeof(out)), 5);
    assert_string_equal(out, "abcde");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_names),
        cmocka_unit_test(test_folded_is_folded),
        cmocka_unit_test(test_cut_at_a_whole_character),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
