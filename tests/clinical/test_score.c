/* test_score.c - NEWS2 by its table in mappings/scores/: every edge, every worked set, and when it
 * is withheld. Source of points and responses: RCP17 Chart 1 and Chart 4, as restated in the
 * clinical pack 5.1, 5.2; edges 5.5, worked sets 5.6 (arithmetic from the published table, checked
 * there by a second scorer). */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "scoring.h"

/* ---- edges, clinical pack 5.5 ---- */

static const struct {
    const char *input;
    int scale;
    const char *told, *edges; /* what is told with each value, and value:points */
} edges[] = {
    {"respirations",  1, "respiratory-rate value=###:/min",                         "8:3 9:1 11:1 12:0 20:0 21:2 24:2 25:3"},
    {"saturation",    1, "oxygen-saturation value=###:% oxygen.device=room-air",
     "91:3 92:2 93:2 94:1 95:1 96:0 100:0"                                                                                 },
    {"saturation",    1, "oxygen-saturation value=###:% oxygen.device=simple-mask",
     "91:3 92:2 93:2 94:1 95:1 96:0 100:0"                                                                                 },
    {"saturation",    2, "oxygen-saturation value=###:% oxygen.device=room-air",
     "83:3 84:2 85:2 86:1 87:1 88:0 92:0 93:0 94:0 95:0 96:0 97:0 100:0"                                                   },
    {"saturation",    2, "oxygen-saturation value=###:% oxygen.device=simple-mask",
     "83:3 84:2 85:2 86:1 87:1 88:0 92:0 93:1 94:1 95:2 96:2 97:3 100:3"                                                   },
    {"oxygen",        1, "oxygen-saturation value=97:% oxygen.device=###",
     "room-air:0 nasal-cannula:2 simple-mask:2 venturi-mask:2 high-flow-nasal-cannula:2 "
     "ventilator:2"                                                                                                        },
    {"systolic",      1, "blood-pressure systolic=###:mm[Hg] diastolic=60:mm[Hg]",
     "90:3 91:2 100:2 101:1 110:1 111:0 219:0 220:3"                                                                       },
    {"pulse",         1, "heart-rate value=###:/min",
     "40:3 41:1 50:1 51:0 90:0 91:1 110:1 111:2 130:2 131:3"                                                               },
    {"consciousness", 1, "consciousness value=###",
     "alert:0 confusion:3 voice:3 pain:3 unresponsive:3"                                                                   },
    {"temperature",   1, "body-temperature value=###:Cel",
     "35.0:3 35.1:1 36.0:1 36.1:0 38.0:0 38.1:1 39.0:1 39.1:2"                                                             },
    {"temperature",   1, "body-temperature value=###:[degF]",
     "95.0:3 95.1:1 96.8:1 96.9:0 100.4:0 100.5:1 102.2:1 102.3:2"                                                         },
 /* design 5: from the exact value, half up to the table's own places, which has none for these
  */
    {"temperature",   1, "body-temperature value=###:Cel",
     "35.05:1 36.049:1 36.05:0 38.04:0 38.05:1"                                                                            },
    {"temperature",   1, "body-temperature value=###:K",                            "308.15:3 308.19:3 308.2:1"            },
    {"respirations",  1, "respiratory-rate value=###:/min",                         "8.49:3 8.5:1 24.5:3"                  },
    {"pulse",         1, "heart-rate value=###:/min",                               "40.49:3 40.5:1"                       },
    {"saturation",    1, "oxygen-saturation value=###:1 oxygen.device=room-air",    "0.9549:1 0.955:0"                     },
    {"systolic",      1, "blood-pressure systolic=###:kPa diastolic=8:kPa",
     "12.06:3 12.07:2"                                                                                                     }, /* 90.46, 90.53 */
};

/* One row of the table with one of its values in the place of ###. */
static void check_edge(size_t row, const char *value, int length, int points)
{
    const char *hole = strstr(edges[row].told, "###");
    struct bedside bedside;
    struct score_answer answer;
    char told[160];
    int seen;

    (void)snprintf(told, sizeof(told), "%.*s%.*s%s", (int)(hole - edges[row].told), edges[row].told,
                   length, value, hole + 3);
    bedside_begin(&bedside, kinds, ADULT);
    bedside.set.scale = edges[row].scale;
    bedside_tell(&bedside, told);
    score_all(&bedside, &answer); /* unjudged: nothing is held, each value counts */
    seen = answer.points[input_named(&answer, edges[row].input)];
    if (seen != points)
        fail_msg("%s, scale %d: %d points, not %d", told, edges[row].scale, seen, points);
    assert_true(answer.withheld); /* one sign is no set */
    assert_int_equal(answer.total, -1);
    bedside_end(&bedside);
}

static void test_every_edge(void **state)
{
    size_t checked = 0;

    (void)state;
    for (size_t i = 0; i < sizeof(edges) / sizeof(edges[0]); i++)
        for (const char *at = edges[i].edges; *at; at += strspn(at, " ")) {
            size_t length = strcspn(at, ":");

            check_edge(i, at, (int)length, at[length + 1] - '0');
            at += length + 2;
            checked++;
        }
    assert_int_equal(checked, 110); /* none was skipped */
}

/* ---- worked sets, clinical pack 5.6, in its own notation ---- */

enum response { ROUTINE, WARD, URGENT_WARD, URGENT, EMERGENCY };

/* Clinical pack 5.2: 12 hours; 4 to 6 hours, the shorter; an hour; an hour; continuous. */
static const struct {
    const char *risk;
    int minutes;
} responses[] = {
    {"low",        720},
    {"low",        240},
    {"low-medium", 60 },
    {"medium",     60 },
    {"high",       0  },
};

static const struct {
    const char *signs;  /* respirations, scale/saturation, on oxygen, systolic, pulse, ACVPU, Cel */
    const char *points; /* respirations, saturation, oxygen, systolic, pulse, ACVPU, Cel */
    int total;
    bool single;
    enum response response;
} worked[] = {
    {"16 1/98 air 124 72 A 36.8",  "0+0+0+0+0+0+0", 0,  false, ROUTINE    },
    {"12 1/96 air 111 51 A 36.1",  "0+0+0+0+0+0+0", 0,  false, ROUTINE    },
    {"20 1/100 air 219 90 A 38.0", "0+0+0+0+0+0+0", 0,  false, ROUTINE    },
    {"9 1/94 air 101 41 A 35.1",   "1+1+0+1+1+0+1", 5,  false, URGENT     },
    {"11 1/95 air 110 50 A 36.0",  "1+1+0+1+1+0+1", 5,  false, URGENT     },
    {"14 1/97 yes 118 84 A 36.6",  "0+0+2+0+0+0+0", 2,  false, WARD       },
    {"21 1/96 air 130 80 A 37.0",  "2+0+0+0+0+0+0", 2,  false, WARD       },
    {"24 1/96 air 130 91 A 37.0",  "2+0+0+0+1+0+0", 3,  false, WARD       },
    {"25 1/97 air 128 88 A 37.2",  "3+0+0+0+0+0+0", 3,  true,  URGENT_WARD},
    {"8 1/96 air 120 60 A 36.5",   "3+0+0+0+0+0+0", 3,  true,  URGENT_WARD},
    {"18 1/91 air 130 80 A 36.9",  "0+3+0+0+0+0+0", 3,  true,  URGENT_WARD},
    {"18 1/92 air 130 80 A 36.9",  "0+2+0+0+0+0+0", 2,  false, WARD       },
    {"18 1/93 yes 130 80 A 36.9",  "0+2+2+0+0+0+0", 4,  false, WARD       },
    {"16 1/97 air 90 88 A 36.7",   "0+0+0+3+0+0+0", 3,  true,  URGENT_WARD},
    {"16 1/97 air 91 110 A 36.7",  "0+0+0+2+1+0+0", 3,  false, WARD       },
    {"18 1/97 air 100 111 A 37.4", "0+0+0+2+2+0+0", 4,  false, WARD       },
    {"16 1/98 air 220 80 A 36.8",  "0+0+0+3+0+0+0", 3,  true,  URGENT_WARD},
    {"14 1/97 air 125 40 A 36.4",  "0+0+0+0+3+0+0", 3,  true,  URGENT_WARD},
    {"20 1/96 air 115 130 A 38.1", "0+0+0+0+2+0+1", 3,  false, WARD       },
    {"18 1/97 air 120 131 A 37.0", "0+0+0+0+3+0+0", 3,  true,  URGENT_WARD},
    {"17 1/97 air 135 82 C 36.9",  "0+0+0+0+0+3+0", 3,  true,  URGENT_WARD},
    {"14 1/96 air 120 66 A 35.0",  "0+0+0+0+0+0+3", 3,  true,  URGENT_WARD},
    {"18 1/97 air 118 95 A 39.0",  "0+0+0+0+1+0+1", 2,  false, WARD       },
    {"19 1/96 air 112 112 A 39.1", "0+0+0+0+2+0+2", 4,  false, WARD       },
    {"21 1/95 air 112 96 A 37.5",  "2+1+0+0+1+0+0", 4,  false, WARD       },
    {"22 1/94 air 108 104 A 37.9", "2+1+0+1+1+0+0", 5,  false, URGENT     },
    {"23 1/94 air 105 112 A 38.0", "2+1+0+1+2+0+0", 6,  false, URGENT     },
    {"22 1/93 yes 109 88 A 37.6",  "2+2+2+1+0+0+0", 7,  false, EMERGENCY  },
    {"26 1/92 yes 88 128 C 39.4",  "3+2+2+3+2+3+2", 17, true,  EMERGENCY  },
    {"7 1/89 yes 98 52 V 36.0",    "3+3+2+2+0+3+1", 14, true,  EMERGENCY  },
    {"30 1/85 yes 80 140 U 34.5",  "3+3+2+3+3+3+3", 20, true,  EMERGENCY  },
    {"20 2/90 air 134 88 A 36.9",  "0+0+0+0+0+0+0", 0,  false, ROUTINE    },
    {"20 1/90 air 134 88 A 36.9",  "0+3+0+0+0+0+0", 3,  true,  URGENT_WARD},
    {"22 2/88 yes 130 92 A 37.1",  "2+0+2+0+1+0+0", 5,  false, URGENT     },
    {"20 2/92 yes 130 86 A 37.1",  "0+0+2+0+0+0+0", 2,  false, WARD       },
    {"20 2/93 yes 130 86 A 37.1",  "0+1+2+0+0+0+0", 3,  false, WARD       },
    {"20 2/93 air 130 86 A 37.1",  "0+0+0+0+0+0+0", 0,  false, ROUTINE    },
    {"20 2/95 yes 130 86 A 37.1",  "0+2+2+0+0+0+0", 4,  false, WARD       },
    {"20 2/97 yes 130 86 A 37.1",  "0+3+2+0+0+0+0", 5,  true,  URGENT     },
    {"20 2/99 air 130 86 A 37.1",  "0+0+0+0+0+0+0", 0,  false, ROUTINE    },
    {"20 2/87 air 130 86 A 37.1",  "0+1+0+0+0+0+0", 1,  false, WARD       },
    {"24 2/85 yes 130 96 A 37.1",  "2+2+2+0+1+0+0", 7,  false, EMERGENCY  },
    {"25 2/83 yes 104 112 A 37.1", "3+3+2+1+2+0+0", 11, true,  EMERGENCY  },
    {"21 2/84 air 130 90 A 37.1",  "2+2+0+0+0+0+0", 4,  false, WARD       },
};

struct signs {
    char respirations[8], scale, saturation[8], oxygen[8], systolic[8], pulse[8], level,
        temperature[8];
};

static const char *level_word(char level)
{
    static const struct {
        char letter;
        const char *word;
    } words[] = {
        {'A', "alert"       },
        {'C', "confusion"   },
        {'V', "voice"       },
        {'P', "pain"        },
        {'U', "unresponsive"}
    };

    for (size_t i = 0; i < 5; i++)
        if (words[i].letter == level)
            return words[i].word;
    fail_msg("%c is no level of consciousness", level);
    return NULL;
}

static void tell_worked(struct bedside *bedside, size_t i)
{
    struct signs signs;
    char told[512];

    assert_int_equal(sscanf(worked[i].signs, "%7s %c/%7s %7s %7s %7s %c %7s", signs.respirations,
                            &signs.scale, signs.saturation, signs.oxygen, signs.systolic,
                            signs.pulse, &signs.level, signs.temperature),
                     8);
    (void)snprintf(told, sizeof(told),
                   "respiratory-rate value=%s:/min | oxygen-saturation value=%s:%% oxygen.device=%s"
                   " | blood-pressure systolic=%s:mm[Hg] diastolic=60:mm[Hg]"
                   " | heart-rate value=%s:/min | consciousness value=%s"
                   " | body-temperature value=%s:Cel",
                   signs.respirations, signs.saturation,
                   strcmp(signs.oxygen, "air") == 0 ? "room-air" : "other-device", signs.systolic,
                   signs.pulse, level_word(signs.level), signs.temperature);
    bedside->set.scale = signs.scale == '2' ? 2 : 0;
    bedside_tell(bedside, told);
    for (size_t j = 0; j < bedside->set.count; j++)
        bedside->readings[j].confirmed = true; /* some are odd enough to be asked about */
}

static void check_worked(const struct score_answer *answer, size_t i)
{
    static const char *const order[7] = {"respirations", "saturation",    "oxygen",     "systolic",
                                         "pulse",        "consciousness", "temperature"};

    for (size_t j = 0; j < 7; j++)
        if (answer->points[input_named(answer, order[j])] != worked[i].points[2 * j] - '0')
            fail_msg("set %zu: %s %d", i + 1, order[j],
                     answer->points[input_named(answer, order[j])]);
    assert_false(answer->withheld);
    assert_int_equal(answer->missing_count, 0);
    assert_int_equal(answer->total, worked[i].total);
    assert_int_equal(answer->single_trigger, worked[i].single);
    assert_string_equal(answer->risk, responses[worked[i].response].risk);
    assert_int_equal(answer->interval_minutes, responses[worked[i].response].minutes);
}

static void test_every_worked_set(void **state)
{
    (void)state;
    assert_int_equal(sizeof(worked) / sizeof(worked[0]), 44);
    for (size_t i = 0; i < 44; i++) {
        struct bedside bedside;
        struct score_answer answer;

        bedside_begin(&bedside, kinds, ADULT);
        tell_worked(&bedside, i);
        bedside_judge(&bedside);
        if (bedside.problems.count > 0)
            fail_msg("set %zu: %s", i + 1, bedside_found(&bedside));
        score_all(&bedside, &answer);
        check_worked(&answer, i);
        assert_string_equal(answer.scale_text,
                            bedside.set.scale == 2 ? "SpO2 scale 2" : "SpO2 scale 1");
        bedside_end(&bedside);
    }
}

/* ---- which scale, which reading, whether at all ---- */

static void test_scale_2_only_where_asked_for(void **state)
{
    static const int given[] = {0, 1, 2, 7}, used[] = {1, 1, 2, 1};

    (void)state;
    for (size_t i = 0; i < 4; i++) {
        struct bedside bedside;
        struct score_answer answer;

        bedside_begin(&bedside, kinds, ADULT);
        bedside.set.scale = given[i];
        bedside_tell(&bedside, WHOLE);
        bedside.readings[1].parts[0].value = (struct decimal){90, 0};
        score_all(&bedside, &answer);
        assert_int_equal(answer.scale, used[i]);
        assert_int_equal(answer.total, used[i] == 2 ? 0 : 3);
        bedside_end(&bedside);
    }
}

static void test_the_first_taken_of_two_counts(void **state)
{
    struct bedside bedside;
    struct score_answer answer;

    (void)state;
    bedside_begin(&bedside, kinds, ADULT);
    bedside_tell(&bedside, "heart-rate not-taken=away | heart-rate value=111:/min"
                           " | heart-rate value=72:/min");
    score_all(&bedside, &answer);
    assert_int_equal(answer.points[input_named(&answer, "pulse")], 2);
    assert_int_equal(answer.readings[input_named(&answer, "pulse")], 1);
    bedside_end(&bedside);
}

static void test_nothing_to_answer(void **state)
{
    struct bedside bedside;
    struct score_answer answer;
    bool asked = true;

    (void)state;
    bedside_begin(&bedside, kinds, ADULT);
    bedside_tell(&bedside, "pain value=3:{score} | body-weight value=70:kg");
    set_score(&bedside.set, bedside.judgements, 0, &asked, &answer);
    assert_false(asked);
    assert_int_equal(answer.total, -1);
    bedside_end(&bedside);

    bedside_begin(&bedside, kinds, ADULT);
    bedside_tell(&bedside, "heart-rate value=72:/min");
    bedside_single(&bedside);
    asked = true;
    set_score(&bedside.set, bedside.judgements, 0, &asked, &answer);
    assert_false(asked);
    bedside_end(&bedside);
}

/* RCP17 front matter: the college is to be named on whatever is reproduced (clinical pack 5.4). */
static void test_it_carries_its_credit(void **state)
{
    struct bedside bedside;
    struct score_answer answer;

    (void)state;
    bedside_begin(&bedside, kinds, ADULT);
    bedside_tell(&bedside, WHOLE);
    score_all(&bedside, &answer);
    assert_string_equal(answer.table->credit,
                        "Scored with the National Early Warning Score (NEWS) 2, © Royal College of "
                        "Physicians 2017.");
    bedside_end(&bedside);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_every_edge),
        cmocka_unit_test(test_every_worked_set),
        cmocka_unit_test(test_scale_2_only_where_asked_for),
        cmocka_unit_test(test_the_first_taken_of_two_counts),
        cmocka_unit_test(test_nothing_to_answer),
        cmocka_unit_test(test_it_carries_its_credit),
    };

    return cmocka_run_group_tests(tests, bedside_load, kind_table_free);
}
