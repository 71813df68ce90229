/* A score's Observation back to total and points, and what the table answers to them. ' stands for
 * ". */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>

#include "kind_table.h"
#include "wardpost/observation.h"

#define POINTS(name, points) \
    "{'code':{'coding':[{'code':'news2-" name "'}]},'valueQuantity':{'value':" points "}}"

static const struct {
    const char *json, *read; /* "total scale single interval risk", or the status */
} rows[] = {
    {"{'valueQuantity':{'value':0},'method':{'text':'SpO2 scale 1'}}", "0 1 no 720 low"                        },
    {"{'valueQuantity':{'value':4},'method':{'text':'SpO2 scale 2'}}", "4 2 no 240 low"                        },
    {"{'valueQuantity':{'value':3},'component':[" POINTS("pulse",      "3") "]}",
     "3 0 yes 60 low-medium"},
    {"{'valueQuantity':{'value':3},'component':[" POINTS("pulse",                                                                "2") "," POINTS("systolic",
     "1") "]}",
     "3 0 no 240 low"},
    {"{'valueQuantity':{'value':5}}",                                                        "5 0 no 60 medium"                                                                                          },
    {"{'valueQuantity':{'value':20},'component':[7,null,{},{'code':7}," POINTS(
         "nothing",                                  "3") "," POINTS("pulse", "'3'") "]}",
     "20 0 no 0 high"},
    {"{'valueQuantity':{'value':21}}",                                               "21 0 no -1 -"                              }, /* no row says anything */
    {"{'valueQuantity':{'value':1.5}}",                                                 "invalid"                                                                                        },
    {"{'valueQuantity':{'value':-1}}",    "invalid"             },
    {"{'valueQuantity':{'value':'3'}}",       "invalid"},
    {"{'valueQuantity':{'value':99999999999}}",                                                    "invalid"                                                                              },
    {"{}",                                                 "invalid"                                                                                                                                  },
    {"[]",    "invalid"},
    {"{",       "invalid"},
    {"",                                                    "invalid"                                                                                                                              },
};

static void test_rows(void **state)
{
    for (size_t i = 0; i < sizeof(rows) / sizeof(rows[0]); i++) {
        struct score_answer score;
        char json[1000], read[200] = "invalid";
        enum status status;

        snprintf(json, sizeof(json), "%s", rows[i].json);
        for (char *at = json; *at; at++)
            if (*at == '\'')
                *at = '"';
        status = score_of_observation(*state, "news2", json, strlen(json), &score);
        if (status == STATUS_OK)
            snprintf(read, sizeof(read), "%d %d %s %d %s", score.total, score.scale,
                     score.single_trigger ? "yes" : "no", score.interval_minutes,
                     score.risk ? score.risk : "-");
        else
            assert_int_equal(status, STATUS_INVALID);
        if (strcmp(read, rows[i].read) != 0)
            fail_msg("%s: %s", rows[i].json, read);
    }
}

static void test_a_score_the_table_has_not(void **state)
{
    struct score_answer score;

    assert_int_equal(score_of_observation(*state, "of-old", "{}", 2, &score), STATUS_NOT_FOUND);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_rows),
        cmocka_unit_test(test_a_score_the_table_has_not),
    };

    return cmocka_run_group_tests(tests, kind_table_shipped, kind_table_free);
}
