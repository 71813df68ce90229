/* test_values.c - values kept for the next comparison, and what follows from several values:
 * computed kinds and estimates. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "bedside.h"
#include "heap.h"

#define ADULT "1950-03-14"

/* ---- values in short ---- */

static const struct {
    const char *told, *text;
} kept[] = {
    {"heart-rate value=72.0:/min rhythm=regular",                                 "{\"value\":[72.0,\"/min\"]}"     },
    {"heart-rate value=72:{beats}/min",                                           "{\"value\":[72,\"{beats}/min\"]}"},
    {"heart-rate counted=18/15",                                                  "{\"value\":[72,\"/min\"]}"       },
    {"heart-rate not-taken=refused",                                              "{}"                              },
    {"body-temperature value=98.60:[degF]",                                       "{\"value\":[98.60,\"[degF]\"]}"  },
    {"consciousness value=voice",                                                 "{\"value\":\"voice\"}"           },
    {"blood-pressure systolic=90:mm[Hg] diastolic=not-taken-unable",
     "{\"systolic\":[90,\"mm[Hg]\"]}"                                                                               },
    {"glasgow-coma-scale eye=to-voice verbal=words motor=obeys total=12:{score}",
     "{\"eye\":\"to-voice\",\"verbal\":\"words\",\"motor\":\"obeys\",\"total\":[12,\"{score}\"]}"                   },
};

static void check_same(const struct reading *reading, const struct last *last)
{
    for (size_t i = 0; i < reading->kind->parts_count; i++) {
        const struct measured *sent = &reading->parts[i], *back = &last->parts[i];

        if (sent->type == MEASURED_NOT_TAKEN || reading->not_taken) {
            assert_int_equal(back->type, MEASURED_NONE);
            continue;
        }
        assert_int_equal(back->type, sent->type);
        assert_true(decimal_same(back->value, sent->value));
        assert_ptr_equal(back->unit, sent->unit);
        assert_ptr_equal(back->word, sent->word);
    }
}

static void test_values_come_back_as_they_were(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof(kept) / sizeof(kept[0]); i++) {
        struct json_out out = JSON_OUT_INIT;
        struct bedside bedside;
        struct last last;

        bedside_begin(&bedside, kinds, ADULT);
        bedside_tell(&bedside, kept[i].told);
        values_out(&bedside.readings[0], &out);
        assert_true(json_out_ok(&out));
        assert_string_equal(json_out_text(&out), kept[i].text);
        assert_true(last_read(kinds, bedside.readings[0].kind, json_out_text(&out), out.length,
                              1234567890123, &last));
        assert_ptr_equal(last.kind, bedside.readings[0].kind);
        assert_int_equal(last.taken_ms, 1234567890123);
        check_same(&bedside.readings[0], &last);
        json_out_clear(&out);
        bedside_end(&bedside);
    }
}

/* Written by an older table, or not by us: then there is nothing to compare with. */
static void test_values_that_are_none(void **state)
{
    static const struct {
        const char *kind, *text;
    } rows[] = {
        {"heart-rate",    ""                             },
        {"heart-rate",    "{"                            },
        {"heart-rate",    "[]"                           },
        {"heart-rate",    "{\"beats\":[72,\"/min\"]}"    },
        {"heart-rate",    "{\"value\":[72,\"/h\"]}"      },
        {"heart-rate",    "{\"value\":[72,\"mm[Hg]\"]}"  }, /* a unit of the table, but not of a pulse */
        {"heart-rate",    "{\"value\":[\"72\",\"/min\"]}"},
        {"heart-rate",    "{\"value\":[72,8]}"           },
        {"heart-rate",    "{\"value\":[]}"               },
        {"heart-rate",    "{\"value\":72}"               },
        {"heart-rate",    "{\"value\":\"alert\"}"        },
        {"consciousness", "{\"value\":\"sleepy\"}"       },
        {"consciousness", "{\"value\":[3,\"{score}\"]}"  },
    };

    (void)state;
    for (size_t i = 0; i < sizeof(rows) / sizeof(rows[0]); i++) {
        struct last last = {.taken_ms = 7};

        if (last_read(kinds, kinds_find(kinds, rows[i].kind), rows[i].text, strlen(rows[i].text), 1,
                      &last))
            fail_msg("%s", rows[i].text);
        assert_int_equal(last.taken_ms, 7); /* untouched */
    }
}

static void test_values_with_each_failed_allocation(void **state)
{
    static const char text[] = "{\"value\":[72,\"/min\"]}";
    struct last last;
    unsigned nth = 0;
    bool good;

    (void)state;
    do {
        heap_fail_at(++nth);
        good = last_read(kinds, kinds_find(kinds, "heart-rate"), text, strlen(text), 1, &last);
        heap_fail_at(0);
        assert_int_equal(good, !heap_did_fail());
    } while (!good);
    assert_in_range(nth, 2, 100);
}

/* ---- computed kinds ---- */

static const struct {
    const char *told, *value; /* NULL: not worked out */
    enum interpretation interpretation;
} mass_indexes[] = {
  /* kg / m², to one decimal, half to even; 18.5 to 24.9 (WHO, from memory) */
    {"body-weight value=70:kg | body-height value=175:cm",                                    "22.9",
     INTERPRETATION_NORMAL                                                                                               }, /* 22.857 */
    {"body-weight value=50:kg | body-height value=175:cm",                                    "16.3", INTERPRETATION_LOW }, /* 16.327 */
    {"body-weight value=95:kg | body-height value=1.75:m",                                    "31.0",
     INTERPRETATION_HIGH                                                                                                 }, /* 31.020 */
    {"body-weight value=154.3:[lb_av] | body-height value=68.9:[in_i]",                       "22.9",
     INTERPRETATION_NORMAL                                                                                               }, /* 69.99 kg, 175.006 cm */
    {"body-weight value=73.8:kg | body-height value=2:m",                                     "18.4",
     INTERPRETATION_LOW                                                                                                  }, /* 18.45: to the even */
    {"body-weight value=74.2:kg | body-height value=2:m",                                     "18.6",
     INTERPRETATION_NORMAL                                                                                               }, /* 18.55: to the even */
    {"body-height value=175:cm | body-weight value=70:kg | heart-rate value=72:/min",         "22.9",
     INTERPRETATION_NORMAL                                                                                               },
    {"body-weight value=70:kg",                                                               NULL,   0                  },
    {"body-weight value=70:kg | body-height not-taken=unable",                                NULL,   0                  },
    {"body-weight value=70:kg | body-height value=0:cm",                                      NULL,   0                  },
    {"body-weight value=70:kg | body-height value=175:cm | body-mass-index value=22.9:kg/m2", NULL,
     0                                                                                                                   },
    {"body-weight value=201:kg | body-height value=190:cm",                                   NULL,   0                  }, /* the weight is held */
    {"body-weight value=201:kg confirmed | body-height value=190:cm",                         "55.7", INTERPRETATION_HIGH},
    {"body-weight value=98.6:kg | body-height value=500:cm",                                  NULL,   0                  }, /* refused */
};

static void test_mass_index(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof(mass_indexes) / sizeof(mass_indexes[0]); i++) {
        struct bedside bedside;
        struct worked_out worked_out[WORKED_OUT_MOST];
        char text[DECIMAL_TEXT_ROOM];
        size_t count;

        bedside_begin(&bedside, kinds, ADULT);
        bedside.frame.nobody_there = true;
        bedside_tell(&bedside, mass_indexes[i].told);
        bedside_judge(&bedside);
        count = set_work_out(&bedside.set, bedside.judgements, worked_out);
        if (count != (mass_indexes[i].value ? 1U : 0U))
            fail_msg("%s: %zu worked out", mass_indexes[i].told, count);
        if (count == 1) {
            (void)decimal_text(worked_out[0].value.charted, text);
            assert_string_equal(text, mass_indexes[i].value);
            assert_string_equal(worked_out[0].value.unit->code, "kg/m2");
            assert_int_equal(worked_out[0].value.interpretation, mass_indexes[i].interpretation);
            assert_int_equal(worked_out[0].inputs_count, 2);
            assert_string_equal(bedside.readings[worked_out[0].inputs[0]].kind->name,
                                "body-weight");
            assert_string_equal(bedside.readings[worked_out[0].inputs[1]].kind->name,
                                "body-height");
        }
        bedside_end(&bedside);
    }
}

static void test_a_single_reading_gives_nothing_more(void **state)
{
    struct bedside bedside;
    struct worked_out worked_out[WORKED_OUT_MOST];

    (void)state;
    bedside_begin(&bedside, kinds, ADULT);
    bedside_tell(&bedside, "body-weight value=70:kg");
    bedside_single(&bedside);
    assert_int_equal(set_work_out(&bedside.set, bedside.judgements, worked_out), 0);
    bedside_end(&bedside);
}

/* ---- estimates ---- */

static const struct {
    const char *told, *mean; /* NULL: none */
} pressures[] = {
  /* (systolic + 2 x diastolic) / 3 (clinical pack 5.8): 93.3, 70, 106.7 */
    {"blood-pressure systolic=120:mm[Hg] diastolic=80:mm[Hg]",                "93" },
    {"blood-pressure systolic=90:mm[Hg] diastolic=60:mm[Hg]",                 "70" },
    {"blood-pressure systolic=140:mm[Hg] diastolic=90:mm[Hg]",                "107"},
    {"blood-pressure systolic=16:kPa diastolic=10.67:kPa",                    "93" }, /* 93.36 */
    {"blood-pressure systolic=120:mm[Hg] diastolic=80:mm[Hg] mean=95:mm[Hg]", NULL }, /* measured */
    {"blood-pressure systolic=90:mm[Hg] diastolic=not-taken-unable",          NULL },
    {"blood-pressure not-taken=refused",                                      NULL },
};

static void test_mean_pressure(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof(pressures) / sizeof(pressures[0]); i++) {
        struct bedside bedside;
        struct decimal mean;
        char text[DECIMAL_TEXT_ROOM];
        const struct kind *kind = kinds_find(kinds, "blood-pressure");
        size_t part = (size_t)(kind_part(kind, "mean") - kind->parts);

        bedside_begin(&bedside, kinds, ADULT);
        bedside_tell(&bedside, pressures[i].told);
        if (part_estimate(&bedside.set, 0, part, &mean) != (pressures[i].mean != NULL))
            fail_msg("%s", pressures[i].told);
        if (pressures[i].mean) {
            (void)decimal_text(mean, text);
            assert_string_equal(text, pressures[i].mean);
        }
        assert_false(part_estimate(&bedside.set, 0, 0, &mean)); /* the systolic has no estimate */
        bedside_end(&bedside);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_values_come_back_as_they_were),
        cmocka_unit_test(test_values_that_are_none),
        cmocka_unit_test(test_values_with_each_failed_allocation),
        cmocka_unit_test(test_mass_index),
        cmocka_unit_test(test_a_single_reading_gives_nothing_more),
        cmocka_unit_test(test_mean_pressure),
    };

    return cmocka_run_group_tests(tests, bedside_load, kind_table_free);
}
