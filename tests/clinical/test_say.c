/* test_say.c - the texts of checks and limits with values in their holes (mappings/README.md,
 * Checks). */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "bedside.h"
#include "clinical/judge.h"

#define TOLD                                                                             \
    "body-temperature value=98.6:[degF] route=oral | body-weight value=70:kg"            \
    " | oxygen-saturation value=97:% oxygen.device=nasal-cannula oxygen.flow=2.50:L/min" \
    " | pain value=3:{score} location=knee | last body-weight value=154.0:[lb_av]"

static struct say saying(const struct scope *scope, const char *kind, const char *text)
{
    return (struct say){scope, kind ? kinds_find(kinds, kind) : NULL, text, NULL};
}

/* `kind`: whose own check; NULL: between kinds. */
static const struct {
    const char *kind, *text, *said;
} rows[] = {
    {NULL,                "nothing to fill in",                                      "nothing to fill in"         },
    {NULL,                "",                                                        ""                           },
    {"body-temperature",  "{value}",                                                 "98.6 °F"                   },
    {"body-temperature",  "was {value/10} or {value*10}?",                           "was 9.86 °F or 986 °F?"   },
    {"body-temperature",  "{value/100}, {value*100}",                                "0.986 °F, 9860 °F"        },
    {"body-temperature",  "{value~[degF]:Cel}",                                      "37.0 °C"                   },
    {"body-temperature",  "{value~Cel:Cel}",                                         "98.6 °C"                   },
    {"body-temperature",  "by {route}: {value}",                                     "by Oral: 98.6 °F"          },
    {"oxygen-saturation", "{oxygen.flow} by {oxygen.device}",                        "2.50 L/min by Nasal cannula"},
    {"oxygen-saturation", "{oxygen.concentration}, not sent",                        ", not sent"                 },
    {"body-weight",       "{value}, last {last.value}",                              "70 kg, last 154.0 lb"       },
    {NULL,                "{body-weight.value}",                                     "70 kg"                      },
    {NULL,                "{last.body-weight.value}",                                "154.0 lb"                   },
    {NULL,                "{oxygen-saturation.oxygen.flow/10}",                      "0.250 L/min"                },
 /* what somebody typed never comes back in a text */
    {"pain",              "at the {location}.",                                      "at the ."                   },
 /* a table may not hold these; they are no harm either */
    {NULL,                "{value} {heart.value} {a.b/10}",                          "  "                         },
    {"body-temperature",  "{nose} {value~[degF]}",                                   " "                          },
    {"body-temperature",  "{value~[degF]:mm[Hg]} {value~no:no}",                     " "                          },
    {"body-temperature",  "{value/1000}",                                            ""                           },
    {"body-temperature",  "{value} and {valu",                                       "98.6 °F and {valu"         },
    {"body-temperature",
     "{a-path-that-is-longer-than-any-name-in-the-table-may-be-a-path-that-is-longer-than-any-name-"
     "in-the-table-may-be-and-then-some-more}.",                                     "."                          },
    {"body-temperature",  "{value~a-code-that-is-longer-than-any-unit-may-be:Cel}.", "."                          },
    {"body-temperature",  "{value~Cel:a-code-that-is-longer-than-any-unit-may-be}.", "."                          },
};

static void test_holes(void **state)
{
    struct bedside bedside;
    struct judging judging = {.set = &bedside.set, .frame = &bedside.frame};
    char said[256];

    (void)state;
    bedside_begin(&bedside, kinds, "1950-03-14");
    bedside_tell(&bedside, TOLD);
    for (size_t i = 0; i < sizeof(rows) / sizeof(rows[0]); i++) {
        struct scope scope = {&judging, NULL, false};
        const struct say say = saying(&scope, rows[i].kind, rows[i].text);

        for (size_t j = 0; j < bedside.set.count; j++)
            if (bedside.readings[j].kind == say.kind)
                scope.reading = &bedside.readings[j];
        say_text(&say, said, sizeof(said));
        assert_string_equal(said, rows[i].said);
    }
    bedside_end(&bedside);
}

/* In a limit {value} is what the limit is about, be it of a field, and not a part of that name. */
static void test_the_value_of_a_limit(void **state)
{
    struct bedside bedside;
    struct judging judging = {.set = &bedside.set, .frame = &bedside.frame};
    struct scope scope = {&judging, NULL, false};
    const struct unit *percent = kinds_unit(kinds, "%");
    const struct own own = {
        {209, 1},
        percent
    };
    struct say say =
        saying(&scope, "oxygen-saturation", "{value} ({value*10}) beside {oxygen.flow}");
    char said[256];

    (void)state;
    bedside_begin(&bedside, kinds, "1950-03-14");
    bedside_tell(&bedside, TOLD);
    say.own = &own;
    scope.reading = &bedside.readings[2];
    say_text(&say, said, sizeof(said));
    assert_string_equal(said, "20.9 % (209 %) beside 2.50 L/min");
    bedside_end(&bedside);
}

/* Cut to any room: a beginning of the whole text, and never half a character. */
static void test_cut_between_characters(void **state)
{
    static const char whole[] = "98.6 °F is 37.0 °C: ä";
    struct bedside bedside;
    struct judging judging = {.set = &bedside.set, .frame = &bedside.frame};
    struct scope scope = {&judging, bedside.readings, false};
    const struct say say = saying(&scope, "body-temperature", "{value} is {value~[degF]:Cel}: ä");
    char said[64];

    (void)state;
    bedside_begin(&bedside, kinds, "1950-03-14");
    bedside_tell(&bedside, TOLD);
    for (size_t room = 1; room <= sizeof(whole); room++) {
        size_t length;

        memset(said, '#', sizeof(said));
        say_text(&say, said, room);
        length = strlen(said);
        assert_in_range(length, room < 3 ? 0 : room - 2, room - 1);
        assert_memory_equal(said, whole, length);
        assert_int_not_equal((unsigned char)whole[length] & 0xC0, 0x80);
        assert_int_equal(said[room], '#');
    }
    assert_string_equal(said, whole);
    bedside_end(&bedside);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_holes),
        cmocka_unit_test(test_the_value_of_a_limit),
        cmocka_unit_test(test_cut_between_characters),
    };

    return cmocka_run_group_tests(tests, bedside_load, kind_table_free);
}
