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

#include "bedside.h"
#include "wardpost/score.h"

#define ADULT "1950-03-14"

static struct kinds *kinds;

static int load(void **state)
{
    (void)state;
    kinds = bedside_table();
    return 0;
}

static int unload(void **state)
{
    (void)state;
    kinds_free(kinds);
    return 0;
}

static size_t input_named(const struct score_answer *answer, const char *name)
{
    for (size_t i = 0; i < answer->table->inputs_count; i++)
        if (strcmp(answer->table->inputs[i].name, name) == 0)
            return i;
    fail_msg("the score has no input %s", name);
    return 0;
}

/* Judged as if nobody were there, so that odd values are only held; then every reading counts. */
static void score_all(struct bedside *bedside, struct score_answer *answer)
{
    bool asked = false;

    assert_int_equal(kinds_score_count(kinds), 1);
    set_score(&bedside->set, bedside->judgements, 0, &asked, answer);
    assert_true(asked);
}

/* ---- edges, clinical pack 5.5 ---- */

static const struct {
    const char *input, *sent;
    int scale, points;
} edges[] = {
    {"respirations",  "respiratory-rate value=8:/min",                                      1, 3},
    {"respirations",  "respiratory-rate value=9:/min",                                      1, 1},
    {"respirations",  "respiratory-rate value=11:/min",                                     1, 1},
    {"respirations",  "respiratory-rate value=12:/min",                                     1, 0},
    {"respirations",  "respiratory-rate value=20:/min",                                     1, 0},
    {"respirations",  "respiratory-rate value=21:/min",                                     1, 2},
    {"respirations",  "respiratory-rate value=24:/min",                                     1, 2},
    {"respirations",  "respiratory-rate value=25:/min",                                     1, 3},
    {"saturation",    "oxygen-saturation value=91:% oxygen.device=room-air",                1, 3},
    {"saturation",    "oxygen-saturation value=92:% oxygen.device=room-air",                1, 2},
    {"saturation",    "oxygen-saturation value=93:% oxygen.device=room-air",                1, 2},
    {"saturation",    "oxygen-saturation value=94:% oxygen.device=room-air",                1, 1},
    {"saturation",    "oxygen-saturation value=95:% oxygen.device=room-air",                1, 1},
    {"saturation",    "oxygen-saturation value=96:% oxygen.device=room-air",                1, 0},
    {"saturation",    "oxygen-saturation value=100:% oxygen.device=room-air",               1, 0},
    {"saturation",    "oxygen-saturation value=83:% oxygen.device=room-air",                2, 3},
    {"saturation",    "oxygen-saturation value=84:% oxygen.device=room-air",                2, 2},
    {"saturation",    "oxygen-saturation value=85:% oxygen.device=room-air",                2, 2},
    {"saturation",    "oxygen-saturation value=86:% oxygen.device=room-air",                2, 1},
    {"saturation",    "oxygen-saturation value=87:% oxygen.device=room-air",                2, 1},
    {"saturation",    "oxygen-saturation value=88:% oxygen.device=room-air",                2, 0},
    {"saturation",    "oxygen-saturation value=92:% oxygen.device=room-air",                2, 0},
    {"saturation",    "oxygen-saturation value=93:% oxygen.device=room-air",                2, 0},
    {"saturation",    "oxygen-saturation value=94:% oxygen.device=room-air",                2, 0},
    {"saturation",    "oxygen-saturation value=95:% oxygen.device=room-air",                2, 0},
    {"saturation",    "oxygen-saturation value=96:% oxygen.device=room-air",                2, 0},
    {"saturation",    "oxygen-saturation value=97:% oxygen.device=room-air",                2, 0},
    {"saturation",    "oxygen-saturation value=100:% oxygen.device=room-air",               2, 0},
    {"saturation",    "oxygen-saturation value=83:% oxygen.device=simple-mask",             2, 3},
    {"saturation",    "oxygen-saturation value=84:% oxygen.device=simple-mask",             2, 2},
    {"saturation",    "oxygen-saturation value=85:% oxygen.device=simple-mask",             2, 2},
    {"saturation",    "oxygen-saturation value=86:% oxygen.device=simple-mask",             2, 1},
    {"saturation",    "oxygen-saturation value=87:% oxygen.device=simple-mask",             2, 1},
    {"saturation",    "oxygen-saturation value=88:% oxygen.device=simple-mask",             2, 0},
    {"saturation",    "oxygen-saturation value=92:% oxygen.device=simple-mask",             2, 0},
    {"saturation",    "oxygen-saturation value=93:% oxygen.device=simple-mask",             2, 1},
    {"saturation",    "oxygen-saturation value=94:% oxygen.device=simple-mask",             2, 1},
    {"saturation",    "oxygen-saturation value=95:% oxygen.device=simple-mask",             2, 2},
    {"saturation",    "oxygen-saturation value=96:% oxygen.device=simple-mask",             2, 2},
    {"saturation",    "oxygen-saturation value=97:% oxygen.device=simple-mask",             2, 3},
    {"saturation",    "oxygen-saturation value=100:% oxygen.device=simple-mask",            2, 3},
    {"oxygen",        "oxygen-saturation value=97:% oxygen.device=room-air",                1, 0},
    {"oxygen",        "oxygen-saturation value=97:% oxygen.device=nasal-cannula",           1, 2},
    {"oxygen",        "oxygen-saturation value=97:% oxygen.device=high-flow-nasal-cannula", 1, 2},
    {"oxygen",        "oxygen-saturation value=97:% oxygen.device=ventilator",              1, 2},
    {"systolic",      "blood-pressure systolic=90:mm[Hg] diastolic=60:mm[Hg]",              1, 3},
    {"systolic",      "blood-pressure systolic=91:mm[Hg] diastolic=60:mm[Hg]",              1, 2},
    {"systolic",      "blood-pressure systolic=100:mm[Hg] diastolic=60:mm[Hg]",             1, 2},
    {"systolic",      "blood-pressure systolic=101:mm[Hg] diastolic=60:mm[Hg]",             1, 1},
    {"systolic",      "blood-pressure systolic=110:mm[Hg] diastolic=60:mm[Hg]",             1, 1},
    {"systolic",      "blood-pressure systolic=111:mm[Hg] diastolic=60:mm[Hg]",             1, 0},
    {"systolic",      "blood-pressure systolic=219:mm[Hg] diastolic=110:mm[Hg]",            1, 0},
    {"systolic",      "blood-pressure systolic=220:mm[Hg] diastolic=110:mm[Hg]",            1, 3},
    {"pulse",         "heart-rate value=40:/min",                                           1, 3},
    {"pulse",         "heart-rate value=41:/min",                                           1, 1},
    {"pulse",         "heart-rate value=50:/min",                                           1, 1},
    {"pulse",         "heart-rate value=51:/min",                                           1, 0},
    {"pulse",         "heart-rate value=90:/min",                                           1, 0},
    {"pulse",         "heart-rate value=91:/min",                                           1, 1},
    {"pulse",         "heart-rate value=110:/min",                                          1, 1},
    {"pulse",         "heart-rate value=111:/min",                                          1, 2},
    {"pulse",         "heart-rate value=130:/min",                                          1, 2},
    {"pulse",         "heart-rate value=131:/min",                                          1, 3},
    {"consciousness", "consciousness value=alert",                                          1, 0},
    {"consciousness", "consciousness value=confusion",                                      1, 3},
    {"consciousness", "consciousness value=voice",                                          1, 3},
    {"consciousness", "consciousness value=pain",                                           1, 3},
    {"consciousness", "consciousness value=unresponsive",                                   1, 3},
    {"temperature",   "body-temperature value=35.0:Cel",                                    1, 3},
    {"temperature",   "body-temperature value=35.1:Cel",                                    1, 1},
    {"temperature",   "body-temperature value=36.0:Cel",                                    1, 1},
    {"temperature",   "body-temperature value=36.1:Cel",                                    1, 0},
    {"temperature",   "body-temperature value=38.0:Cel",                                    1, 0},
    {"temperature",   "body-temperature value=38.1:Cel",                                    1, 1},
    {"temperature",   "body-temperature value=39.0:Cel",                                    1, 1},
    {"temperature",   "body-temperature value=39.1:Cel",                                    1, 2},
    {"temperature",   "body-temperature value=95.0:[degF]",                                 1, 3}, /* 35.0 */
    {"temperature",   "body-temperature value=95.1:[degF]",                                 1, 1}, /* 35.1 */
    {"temperature",   "body-temperature value=96.8:[degF]",                                 1, 1}, /* 36.0 */
    {"temperature",   "body-temperature value=96.9:[degF]",                                 1, 0}, /* 36.1 */
    {"temperature",   "body-temperature value=100.4:[degF]",                                1, 0}, /* 38.0 */
    {"temperature",   "body-temperature value=100.5:[degF]",                                1, 1}, /* 38.1 */
    {"temperature",   "body-temperature value=102.2:[degF]",                                1, 1}, /* 39.0 */
    {"temperature",   "body-temperature value=102.3:[degF]",                                1, 2}, /* 39.1 */
  /* design 5: from the exact value, half up; the table itself has no place for these */
    {"temperature",   "body-temperature value=38.04:Cel",                                   1, 0},
    {"temperature",   "body-temperature value=38.05:Cel",                                   1, 1},
    {"temperature",   "body-temperature value=35.05:Cel",                                   1, 1},
    {"temperature",   "body-temperature value=36.049:Cel",                                  1, 1},
    {"temperature",   "body-temperature value=308.15:K",                                    1, 3}, /* 35.0 */
    {"respirations",  "respiratory-rate value=8.5:/min",                                    1, 1}, /* 9 */
    {"pulse",         "heart-rate value=40.49:/min",                                        1, 3}, /* 40 */
    {"saturation",    "oxygen-saturation value=0.955:1 oxygen.device=room-air",             1,
     0                                                                                          }, /* 95.5 % is 96 */
    {"systolic",      "blood-pressure systolic=12:kPa diastolic=8:kPa",                     1, 3}, /* 90.007 */
};

static void test_every_edge(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof(edges) / sizeof(edges[0]); i++) {
        struct bedside bedside;
        struct score_answer answer;

        bedside_begin(&bedside, kinds, ADULT);
        bedside.set.scale = edges[i].scale;
        bedside_tell(&bedside, edges[i].sent);
        score_all(&bedside, &answer); /* unjudged: nothing is held, each value counts */
        if (answer.points[input_named(&answer, edges[i].input)] != edges[i].points)
            fail_msg("%s, scale %d: %d points, expected %d", edges[i].sent, edges[i].scale,
                     answer.points[input_named(&answer, edges[i].input)], edges[i].points);
        assert_true(answer.withheld); /* one sign is no set */
        assert_int_equal(answer.total, -1);
        bedside_end(&bedside);
    }
}

/* ---- worked sets, clinical pack 5.6 ---- */

enum response { ROUTINE, WARD, URGENT_WARD, URGENT, EMERGENCY };

static const struct {
    const char *risk;
    int minutes;
} responses[] = {
  /* clinical pack 5.2: 12 hours; 4 to 6 hours, the shorter; an hour; an hour; continuous */
    [ROUTINE] = {"low",        720},
      [WARD] = {"low",        240},
      [URGENT_WARD] = {"low-medium", 60 },
    [URGENT] = {"medium",     60 },
      [EMERGENCY] = {"high",       0  },
};

static const struct {
    int number;
    const char *respirations;
    int scale;
    const char *saturation;
    bool oxygen;
    const char *systolic, *pulse, *consciousness, *temperature;
    int points[7]; /* respirations, saturation, oxygen, systolic, pulse, consciousness, temperature
                    */
    int total;
    bool single;
    enum response response;
} worked[] = {
    {1,
     "16",     1,
     "98",              false,
     "124",                           "72",
     "alert",                                         "36.8",
     {0, 0, 0, 0, 0, 0, 0},
     0,                                                                                 false,
     ROUTINE                                                                                         },
    {2,
     "12",     1,
     "96",              false,
     "111",                           "51",
     "alert",                                         "36.1",
     {0, 0, 0, 0, 0, 0, 0},
     0,                                                                                 false,
     ROUTINE                                                                                         },
    {3,
     "20",     1,
     "100",             false,
     "219",                           "90",
     "alert",                                         "38.0",
     {0, 0, 0, 0, 0, 0, 0},
     0,                                                                                 false,
     ROUTINE                                                                                         },
    {4,  "9",  1, "94", false, "101", "41",  "alert", "35.1", {1, 1, 0, 1, 1, 0, 1}, 5, false, URGENT},
    {5,
     "11",     1,
     "95",              false,
     "110",                           "50",
     "alert",                                         "36.0",
     {1, 1, 0, 1, 1, 0, 1},
     5,                                                                                 false,
     URGENT                                                                                          },
    {6,  "14", 1, "97", true,  "118", "84",  "alert", "36.6", {0, 0, 2, 0, 0, 0, 0}, 2, false, WARD  },
    {7,  "21", 1, "96", false, "130", "80",  "alert", "37.0", {2, 0, 0, 0, 0, 0, 0}, 2, false, WARD  },
    {8,  "24", 1, "96", false, "130", "91",  "alert", "37.0", {2, 0, 0, 0, 1, 0, 0}, 3, false, WARD  },
    {9,
     "25",     1,
     "97",              false,
     "128",                           "88",
     "alert",                                         "37.2",
     {3, 0, 0, 0, 0, 0, 0},
     3,                                                                                 true,
     URGENT_WARD                                                                                     },
    {10,
     "8",      1,
     "96",              false,
     "120",                           "60",
     "alert",                                         "36.5",
     {3, 0, 0, 0, 0, 0, 0},
     3,                                                                                 true,
     URGENT_WARD                                                                                     },
    {11,
     "18",     1,
     "91",              false,
     "130",                           "80",
     "alert",                                         "36.9",
     {0, 3, 0, 0, 0, 0, 0},
     3,                                                                                 true,
     URGENT_WARD                                                                                     },
    {12, "18", 1, "92", false, "130", "80",  "alert", "36.9", {0, 2, 0, 0, 0, 0, 0}, 2, false, WARD  },
    {13, "18", 1, "93", true,  "130", "80",  "alert", "36.9", {0, 2, 2, 0, 0, 0, 0}, 4, false, WARD  },
    {14,
     "16",     1,
     "97",              false,
     "90",                            "88",
     "alert",                                         "36.7",
     {0, 0, 0, 3, 0, 0, 0},
     3,                                                                                 true,
     URGENT_WARD                                                                                     },
    {15, "16", 1, "97", false, "91",  "110", "alert", "36.7", {0, 0, 0, 2, 1, 0, 0}, 3, false, WARD  },
    {16,
     "18",     1,
     "97",              false,
     "100",                           "111",
     "alert",                                         "37.4",
     {0, 0, 0, 2, 2, 0, 0},
     4,                                                                                 false,
     WARD                                                                                            },
    {17,
     "16",     1,
     "98",              false,
     "220",                           "80",
     "alert",                                         "36.8",
     {0, 0, 0, 3, 0, 0, 0},
     3,                                                                                 true,
     URGENT_WARD                                                                                     },
    {18,
     "14",     1,
     "97",              false,
     "125",                           "40",
     "alert",                                         "36.4",
     {0, 0, 0, 0, 3, 0, 0},
     3,                                                                                 true,
     URGENT_WARD                                                                                     },
    {19,
     "20",     1,
     "96",              false,
     "115",                           "130",
     "alert",                                         "38.1",
     {0, 0, 0, 0, 2, 0, 1},
     3,                                                                                 false,
     WARD                                                                                            },
    {20,
     "18",     1,
     "97",              false,
     "120",                           "131",
     "alert",                                         "37.0",
     {0, 0, 0, 0, 3, 0, 0},
     3,                                                                                 true,
     URGENT_WARD                                                                                     },
    {21,
     "17",     1,
     "97",              false,
     "135",                           "82",
     "confusion",                                     "36.9",
     {0, 0, 0, 0, 0, 3, 0},
     3,                                                                                 true,
     URGENT_WARD                                                                                     },
    {22,
     "14",     1,
     "96",              false,
     "120",                           "66",
     "alert",                                         "35.0",
     {0, 0, 0, 0, 0, 0, 3},
     3,                                                                                 true,
     URGENT_WARD                                                                                     },
    {23, "18", 1, "97", false, "118", "95",  "alert", "39.0", {0, 0, 0, 0, 1, 0, 1}, 2, false, WARD  },
    {24,
     "19",     1,
     "96",              false,
     "112",                           "112",
     "alert",                                         "39.1",
     {0, 0, 0, 0, 2, 0, 2},
     4,                                                                                 false,
     WARD                                                                                            },
    {25, "21", 1, "95", false, "112", "96",  "alert", "37.5", {2, 1, 0, 0, 1, 0, 0}, 4, false, WARD  },
    {26,
     "22",     1,
     "94",              false,
     "108",                           "104",
     "alert",                                         "37.9",
     {2, 1, 0, 1, 1, 0, 0},
     5,                                                                                 false,
     URGENT                                                                                          },
    {27,
     "23",     1,
     "94",              false,
     "105",                           "112",
     "alert",                                         "38.0",
     {2, 1, 0, 1, 2, 0, 0},
     6,                                                                                 false,
     URGENT                                                                                          },
    {28,
     "22",     1,
     "93",              true,
     "109",                           "88",
     "alert",                                         "37.6",
     {2, 2, 2, 1, 0, 0, 0},
     7,                                                                                 false,
     EMERGENCY                                                                                       },
    {29,
     "26",     1,
     "92",              true,
     "88",                            "128",
     "confusion",                                     "39.4",
     {3, 2, 2, 3, 2, 3, 2},
     17,                                                                                true,
     EMERGENCY                                                                                       },
    {30,
     "7",      1,
     "89",              true,
     "98",                            "52",
     "voice",                                         "36.0",
     {3, 3, 2, 2, 0, 3, 1},
     14,                                                                                true,
     EMERGENCY                                                                                       },
    {31,
     "30",     1,
     "85",              true,
     "80",                            "140",
     "unresponsive",                                  "34.5",
     {3, 3, 2, 3, 3, 3, 3},
     20,                                                                                true,
     EMERGENCY                                                                                       },
    {32,
     "20",     2,
     "90",              false,
     "134",                           "88",
     "alert",                                         "36.9",
     {0, 0, 0, 0, 0, 0, 0},
     0,                                                                                 false,
     ROUTINE                                                                                         },
    {33,
     "20",     1,
     "90",              false,
     "134",                           "88",
     "alert",                                         "36.9",
     {0, 3, 0, 0, 0, 0, 0},
     3,                                                                                 true,
     URGENT_WARD                                                                                     },
    {34,
     "22",     2,
     "88",              true,
     "130",                           "92",
     "alert",                                         "37.1",
     {2, 0, 2, 0, 1, 0, 0},
     5,                                                                                 false,
     URGENT                                                                                          },
    {35, "20", 2, "92", true,  "130", "86",  "alert", "37.1", {0, 0, 2, 0, 0, 0, 0}, 2, false, WARD  },
    {36, "20", 2, "93", true,  "130", "86",  "alert", "37.1", {0, 1, 2, 0, 0, 0, 0}, 3, false, WARD  },
    {37,
     "20",     2,
     "93",              false,
     "130",                           "86",
     "alert",                                         "37.1",
     {0, 0, 0, 0, 0, 0, 0},
     0,                                                                                 false,
     ROUTINE                                                                                         },
    {38, "20", 2, "95", true,  "130", "86",  "alert", "37.1", {0, 2, 2, 0, 0, 0, 0}, 4, false, WARD  },
    {39, "20", 2, "97", true,  "130", "86",  "alert", "37.1", {0, 3, 2, 0, 0, 0, 0}, 5, true,  URGENT},
    {40,
     "20",     2,
     "99",              false,
     "130",                           "86",
     "alert",                                         "37.1",
     {0, 0, 0, 0, 0, 0, 0},
     0,                                                                                 false,
     ROUTINE                                                                                         },
    {41, "20", 2, "87", false, "130", "86",  "alert", "37.1", {0, 1, 0, 0, 0, 0, 0}, 1, false, WARD  },
    {42,
     "24",     2,
     "85",              true,
     "130",                           "96",
     "alert",                                         "37.1",
     {2, 2, 2, 0, 1, 0, 0},
     7,                                                                                 false,
     EMERGENCY                                                                                       },
    {43,
     "25",     2,
     "83",              true,
     "104",                           "112",
     "alert",                                         "37.1",
     {3, 3, 2, 1, 2, 0, 0},
     11,                                                                                true,
     EMERGENCY                                                                                       },
    {44, "21", 2, "84", false, "130", "90",  "alert", "37.1", {2, 2, 0, 0, 0, 0, 0}, 4, false, WARD  },
};

static void tell_worked(struct bedside *bedside, size_t i)
{
    char text[512];

    (void)snprintf(text, sizeof(text),
                   "respiratory-rate value=%s:/min confirmed"
                   " | oxygen-saturation value=%s:%% oxygen.device=%s confirmed"
                   " | blood-pressure systolic=%s:mm[Hg] diastolic=60:mm[Hg] confirmed"
                   " | heart-rate value=%s:/min confirmed | consciousness value=%s confirmed"
                   " | body-temperature value=%s:Cel confirmed",
                   worked[i].respirations, worked[i].saturation,
                   worked[i].oxygen ? "other-device" : "room-air", worked[i].systolic,
                   worked[i].pulse, worked[i].consciousness, worked[i].temperature);
    bedside->set.scale = worked[i].scale == 2 ? 2 : 0;
    bedside_tell(bedside, text);
}

static void test_every_worked_set(void **state)
{
    static const char *const order[7] = {"respirations", "saturation",    "oxygen",     "systolic",
                                         "pulse",        "consciousness", "temperature"};

    (void)state;
    assert_int_equal(sizeof(worked) / sizeof(worked[0]), 44);
    for (size_t i = 0; i < 44; i++) {
        struct bedside bedside;
        struct score_answer answer;

        bedside_begin(&bedside, kinds, ADULT);
        tell_worked(&bedside, i);
        bedside_judge(&bedside);
        if (bedside.problems.count > 0)
            fail_msg("set %d: %s", worked[i].number, bedside_found(&bedside));
        score_all(&bedside, &answer);
        for (size_t j = 0; j < 7; j++)
            if (answer.points[input_named(&answer, order[j])] != worked[i].points[j])
                fail_msg("set %d: %s %d", worked[i].number, order[j],
                         answer.points[input_named(&answer, order[j])]);
        assert_false(answer.withheld);
        assert_int_equal(answer.missing_count, 0);
        assert_int_equal(answer.total, worked[i].total);
        assert_int_equal(answer.single_trigger, worked[i].single);
        assert_string_equal(answer.risk, responses[worked[i].response].risk);
        assert_int_equal(answer.interval_minutes, responses[worked[i].response].minutes);
        assert_int_equal(answer.scale, worked[i].scale);
        assert_string_equal(answer.scale_text,
                            worked[i].scale == 2 ? "SpO2 scale 2" : "SpO2 scale 1");
        bedside_end(&bedside);
    }
}

/* ---- withheld ---- */

#define WHOLE                                                                              \
    "respiratory-rate value=16:/min | oxygen-saturation value=98:% oxygen.device=room-air" \
    " | blood-pressure systolic=124:mm[Hg] diastolic=78:mm[Hg] | heart-rate value=72:/min" \
    " | consciousness value=alert | body-temperature value=36.8:Cel"

static const struct {
    const char *born;
    enum tribool pregnant;
    const char *why; /* a part of it; NULL: not withheld */
} patients[] = {
    {ADULT,        ANSWER_NOT_GIVEN, NULL        },
    {ADULT,        ANSWER_NO,        NULL        },
    {ADULT,        ANSWER_UNKNOWN,   NULL        },
    {ADULT,        ANSWER_YES,       "pregnant"  },
    {"2010-11-25", ANSWER_NOT_GIVEN, NULL        }, /* 16 today */
    {"2010-11-26", ANSWER_NOT_GIVEN, "under 16"  }, /* tomorrow */
    {NULL,         ANSWER_NOT_GIVEN, "birth date"},
    {"2026-11-26", ANSWER_NOT_GIVEN,
     "birth date"                                }, /* not born yet: one of the two dates is wrong */
};

static void test_for_whom_it_is_withheld(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof(patients) / sizeof(patients[0]); i++) {
        struct bedside bedside;
        struct score_answer answer;

        bedside_begin(&bedside, kinds, patients[i].born);
        bedside.set.pregnant = patients[i].pregnant;
        bedside_tell(&bedside, WHOLE);
        score_all(&bedside, &answer);
        assert_int_equal(answer.withheld, patients[i].why != NULL);
        assert_int_equal(answer.total, patients[i].why ? -1 : 0);
        assert_int_equal(answer.interval_minutes, patients[i].why ? -1 : 720);
        if (patients[i].why) {
            assert_non_null(strstr(answer.why, patients[i].why));
            assert_null(answer.risk);
            assert_int_equal(answer.points[0], -1); /* adult points of a child say nothing */
            assert_false(answer.single_trigger);
        }
        bedside_end(&bedside);
    }
}

/* What is told instead of the whole; what it says; the inputs named; the points still known. */
static const struct {
    const char *sent, *why;
    const char *missing[3];
    bool single;
} incomplete[] = {
    {"respiratory-rate value=25:/min",
     "missing: Oxygen saturation, Air or oxygen, Systolic blood pressure, Pulse, Consciousness, "
     "Temperature",                                                                                                                  {NULL},
     true },
    {"respiratory-rate not-taken=refused | oxygen-saturation value=98:% oxygen.device=room-air"
     " | blood-pressure systolic=124:mm[Hg] diastolic=78:mm[Hg] | heart-rate value=72:/min"
     " | consciousness value=alert | body-temperature value=36.8:Cel", "missing: Respirations",
     {"respirations"},
     false},
    {"respiratory-rate value=16:/min | oxygen-saturation value=98:%"
     " | blood-pressure systolic=124:mm[Hg] diastolic=78:mm[Hg] | heart-rate value=131:/min"
     " | consciousness value=alert | body-temperature value=36.8:Cel", "missing: Air or oxygen",
     {"oxygen"},
     true },
    {"respiratory-rate value=16:/min | oxygen-saturation value=98:% oxygen.device=room-air"
     " | blood-pressure systolic=not-taken-unable diastolic=78:mm[Hg] | heart-rate value=72:/min"
     " | consciousness value=alert | body-temperature not-taken=away", "missing: Systolic blood pressure, Temperature",
     {"systolic", "temperature"},
     false},
    {"respiratory-rate value=16:/min | oxygen-saturation value=98:% oxygen.device=room-air"
     " | blood-pressure systolic=124:mm[Hg] diastolic=78:mm[Hg] | heart-rate value=170:/min"
     " | body-temperature value=36.8:Cel",                             "missing: Consciousness; waiting for a decision: Pulse",
     {"pulse", "consciousness"},
     false},
};

static void test_what_is_missing_is_named(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof(incomplete) / sizeof(incomplete[0]); i++) {
        struct bedside bedside;
        struct score_answer answer;

        bedside_begin(&bedside, kinds, ADULT);
        bedside.frame.nobody_there = true; /* what is asked is held */
        bedside_tell(&bedside, incomplete[i].sent);
        bedside_judge(&bedside);
        assert_int_equal(bedside.problems.count, 0);
        score_all(&bedside, &answer);
        assert_true(answer.withheld);
        assert_int_equal(answer.total, -1);
        assert_null(answer.risk);
        assert_int_equal(answer.interval_minutes, -1);
        assert_string_equal(answer.why, incomplete[i].why);
        assert_int_equal(answer.single_trigger, incomplete[i].single);
        for (size_t j = 0; j < 3 && incomplete[i].missing[j]; j++)
            assert_string_equal(answer.missing[j], incomplete[i].missing[j]);
        bedside_end(&bedside);
    }
}

/* On scale 2 the points of 93 % and more depend on the oxygen: that is what is missing, not the
 * saturation, which was sent. */
static void test_points_that_depend_on_what_is_missing(void **state)
{
    struct bedside bedside;
    struct score_answer answer;

    (void)state;
    bedside_begin(&bedside, kinds, ADULT);
    bedside.set.scale = 2;
    bedside_tell(&bedside, "respiratory-rate value=16:/min | oxygen-saturation value=95:%"
                           " | blood-pressure systolic=124:mm[Hg] diastolic=78:mm[Hg]"
                           " | heart-rate value=72:/min | consciousness value=alert"
                           " | body-temperature value=36.8:Cel");
    score_all(&bedside, &answer);
    assert_string_equal(answer.why, "missing: Air or oxygen");
    assert_int_equal(answer.points[input_named(&answer, "saturation")], -1);
    assert_int_equal(answer.missing_count, 1);
    bedside_end(&bedside);
}

static void test_a_held_reading_does_not_score(void **state)
{
    struct bedside bedside;
    struct score_answer answer;

    (void)state;
    bedside_begin(&bedside, kinds, ADULT);
    bedside.frame.nobody_there = true;
    bedside_tell(&bedside, WHOLE);
    bedside.readings[3].parts[0].value = (struct decimal){170, 0};
    bedside_judge(&bedside);
    assert_int_equal(bedside.judgements[3].grade, GRADE_ASK);
    score_all(&bedside, &answer);
    assert_true(answer.withheld);
    assert_string_equal(answer.why, "waiting for a decision: Pulse");
    assert_int_equal(answer.points[input_named(&answer, "pulse")], -1);
    assert_int_equal(answer.readings[input_named(&answer, "pulse")], 3);
    bedside.readings[3].confirmed = true; /* a person said so: now it counts */
    judgement_clear(&bedside.judgements[3]);
    memset(bedside.judgements, 0, sizeof(bedside.judgements));
    bedside_judge(&bedside);
    score_all(&bedside, &answer);
    assert_false(answer.withheld);
    assert_int_equal(answer.total, 3);
    bedside_end(&bedside);
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
        cmocka_unit_test(test_for_whom_it_is_withheld),
        cmocka_unit_test(test_what_is_missing_is_named),
        cmocka_unit_test(test_points_that_depend_on_what_is_missing),
        cmocka_unit_test(test_a_held_reading_does_not_score),
        cmocka_unit_test(test_scale_2_only_where_asked_for),
        cmocka_unit_test(test_the_first_taken_of_two_counts),
        cmocka_unit_test(test_nothing_to_answer),
        cmocka_unit_test(test_it_carries_its_credit),
    };

    return cmocka_run_group_tests(tests, load, unload);
}
