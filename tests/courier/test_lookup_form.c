/* A question as a form of FHIR search parameters: what parts values is escaped, what parts a form
 * is encoded. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>

#include <cmocka.h>

#include "courier/lookup.h"

static const char *const two[] = {"https://clinic.example/mrn", "urn:oid:1.2"};

static const struct {
    struct patient_question question;
    const char *form;
} rows[] = {
    {{.value = "1", .systems = two, .systems_count = 1},
     "_count=50&identifier=https%3A%2F%2Fclinic.example%2Fmrn%7C1"                                                              },
    {{.value = "1", .systems = two, .systems_count = 2},
     "_count=50&identifier=https%3A%2F%2Fclinic.example%2Fmrn%7C1%2Curn%3Aoid%3A1.2%7C1"                                        },
    {{.value = "A-1"},                                                 "_count=50&identifier=A-1"                               },
    {{.value = "a,b$c\\d&e=f g"},                                      "_count=50&identifier=a%5C%2Cb%5C%24c%5C%5Cd%26e%3Df%20g"},
    {{.birth_date = "1951-03-14", .family = "S\u00f8r", .given = "A"},
     "_count=50&birthdate=1951-03-14&family=S%C3%B8r&given=A"                                                                   },
    {{.family = "O'Brien"},                                            "_count=50&family=O%27Brien"                             },
    {{.family = "\\\\\\\\,,,,||||$$$$"},
     "_count=50&family=%5C%5C%5C%5C%5C%5C%5C%5C%5C%2C%5C%2C%5C%2C%5C%2C%5C%7C%5C%7C%5C%7C%5C%7C%5C%"
     "24%5C%24%5C%24%5C%24"                                                                                                     },
};

static void test_rows(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof(rows) / sizeof(rows[0]); i++) {
        char *form = lookup_form(&rows[i].question);

        assert_non_null(form);
        assert_string_equal(form, rows[i].form);
        free(form);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_rows),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
