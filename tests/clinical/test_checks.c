/* test_checks.c - the checks of mappings/kinds/ and mappings/checks.json, each firing and, just
 * beside its edge, not: what the clinical pack 4.3 lists (all proposals but where a source is named
 * there), and what a check says. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "bedside.h"

#define ADULT "1950-03-14"
#define CHILD "2020-05-05" /* six */

/* What is told; where, what and with which words it is found. No pointer: nothing may be found; "":
 * nothing with those words. */
struct row {
    const char *born, *told, *pointer;
    enum problem_code code;
    const char *words;
};

static void judge_rows(const struct row *rows, size_t count)
{
    for (size_t i = 0; i < count; i++) {
        struct bedside bedside;
        bool as_expected;

        bedside_begin(&bedside, kinds, rows[i].born);
        bedside_tell(&bedside, rows[i].told);
        bedside_judge(&bedside);
        if (!rows[i].pointer)
            as_expected = bedside.problems.count == 0;
        else if (!rows[i].pointer[0])
            as_expected = !strstr(bedside_found(&bedside), rows[i].words);
        else
            as_expected = bedside_problem(&bedside, rows[i].pointer, rows[i].code, rows[i].words);
        if (!as_expected)
            fail_msg("%s\nfound: %s", rows[i].told, bedside_found(&bedside));
        bedside_end(&bedside);
    }
}

#define ROWS(rows) judge_rows(rows, sizeof(rows) / sizeof((rows)[0]))
#define FIRST      "/readings/0/value"
#define REFUSED    PROBLEM_IMPLAUSIBLE
#define CLASHES    PROBLEM_INCONSISTENT
#define ASKED      PROBLEM_CONFIRM

/* ---- scales and decimal points (GENES13: the wrong scale is the commonest fault) ---- */

static const struct row temperatures[] = {
    {ADULT, "body-temperature value=98.6:Cel",     FIRST, REFUSED, "98.6 °F would be 37.0 °C"},
    {ADULT, "body-temperature value=77:Cel",       FIRST, REFUSED, "77 °F would be 25.0 °C"  },
    {ADULT, "body-temperature value=113:Cel",      FIRST, REFUSED, "113 °F would be 45.0 °C" },
    {ADULT, "body-temperature value=37.2:[degF]",  FIRST, REFUSED, "was 37.2 °C meant?"       },
    {ADULT, "body-temperature value=25:[degF]",    FIRST, REFUSED, "was 25 °C meant?"         },
    {ADULT, "body-temperature value=45:[degF]",    FIRST, REFUSED, "was 45 °C meant?"         },
    {ADULT, "body-temperature value=370:Cel",      FIRST, REFUSED, "was 37.0 °C meant?"       },
    {ADULT, "body-temperature value=3.7:Cel",      FIRST, REFUSED, "was 37 °C meant?"         },
    {ADULT, "body-temperature value=986:[degF]",   FIRST, REFUSED, "was 98.6 °F meant?"       },
    {ADULT, "body-temperature value=9.86:[degF]",  FIRST, REFUSED, "was 98.6 °F meant?"       },
    {ADULT, "body-temperature value=37.0:Cel",     NULL,  0,       NULL                        },
    {ADULT, "body-temperature value=98.6:[degF]",  NULL,  0,       NULL                        },
    {ADULT, "body-temperature value=98.60:[degF]", NULL,  0,       NULL                        },
};

/* Between them lie values that no scale explains: refused by the limit alone. */
static void test_temperature_scales(void **state)
{
    static const char *const unexplained[] = {
        "body-temperature value=76.9:Cel",    "body-temperature value=113.1:Cel",
        "body-temperature value=45.1:[degF]", "body-temperature value=24.9:[degF]",
        "body-temperature value=249:Cel",     "body-temperature value=4.6:Cel"};

    (void)state;
    ROWS(temperatures);
    for (size_t i = 0; i < sizeof(unexplained) / sizeof(unexplained[0]); i++) {
        struct bedside bedside;

        bedside_begin(&bedside, kinds, ADULT);
        bedside_tell(&bedside, unexplained[i]);
        bedside_judge(&bedside);
        if (bedside.problems.count != 1 || strstr(bedside_found(&bedside), "meant") ||
            strstr(bedside_found(&bedside), "would be"))
            fail_msg("%s\nfound: %s", unexplained[i], bedside_found(&bedside));
        bedside_end(&bedside);
    }
}

static const struct row tenfold[] = {
  /* within 10 % of ten times, or a tenth (THIM10) */
    {ADULT, "heart-rate value=110:/min | last heart-rate value=10:/min",             FIRST, ASKED,
     "11.0 /min?"                                                                                             },
    {ADULT, "heart-rate value=110:/min | last heart-rate value=9.99:/min",           NULL,  0,     NULL       },
    {ADULT, "heart-rate value=90:/min | last heart-rate value=10:/min",              FIRST, ASKED, "ten times"},
    {ADULT, "heart-rate value=89:/min | last heart-rate value=10:/min",              NULL,  0,     NULL       },
    {ADULT, "respiratory-rate value=9:/min | last respiratory-rate value=100:/min",  FIRST, ASKED,
     "90 /min?"                                                                                               },
    {ADULT, "respiratory-rate value=11:/min | last respiratory-rate value=100:/min", FIRST, ASKED,
     "a tenth"                                                                                                },
    {ADULT, "respiratory-rate value=12:/min | last respiratory-rate value=100:/min", NULL,  0,     NULL       },
    {CHILD, "body-weight value=22.1:kg | last body-weight value=221:kg",             FIRST, ASKED, "221 kg?"  },
    {ADULT, "heart-rate value=72:/min | last heart-rate value=0:/min",               NULL,  0,
     NULL                                                                                                     }, /* no ratio to zero */
    {CHILD, "body-weight value=22.1:kg",                                             NULL,  0,     NULL       },
};

static void test_tenfold_jumps(void **state)
{
    (void)state;
    ROWS(tenfold);
}

/* Glucose has no canonical unit: only what was entered in one unit is compared, in bands. */
static const struct row tenfold_apart[] = {
    {ADULT, "glucose value=400:mg/dL | last glucose value=40:mg/dL",     FIRST, ASKED, "40.0 mg/dL?"},
    {ADULT, "glucose value=180:mg/dL | last glucose value=45:mg/dL",     FIRST, ASKED, NULL         },
    {ADULT, "glucose value=179:mg/dL | last glucose value=45:mg/dL",     NULL,  0,     NULL         },
    {ADULT, "glucose value=180:mg/dL | last glucose value=46:mg/dL",     NULL,  0,     NULL         },
    {ADULT, "glucose value=40:mg/dL | last glucose value=400:mg/dL",     FIRST, ASKED, "400 mg/dL?" },
    {ADULT, "glucose value=66:mg/dL | last glucose value=363:mg/dL",     FIRST, ASKED, NULL         },
    {ADULT, "glucose value=67:mg/dL | last glucose value=363:mg/dL",     NULL,  0,     NULL         },
    {ADULT, "glucose value=66:mg/dL | last glucose value=362:mg/dL",     NULL,  0,     NULL         },
    {ADULT, "glucose value=20.0:mmol/L | last glucose value=2.0:mmol/L", FIRST, ASKED,
     "2.00 mmol/L?"                                                                                 },
    {ADULT, "glucose value=2.5:mmol/L | last glucose value=25:mmol/L",   FIRST, ASKED, "25 mmol/L?" },
    {ADULT, "glucose value=2.5:mmol/L | last glucose value=19.9:mmol/L", NULL,  0,     NULL         },
    {ADULT, "glucose value=200:mg/dL | last glucose value=20:mmol/L",    NULL,  0,     NULL         },
    {ADULT, "urine-output value=500:mL | last urine-output value=50:mL", FIRST, ASKED,
     "another time span"                                                                            },
    {ADULT, "urine-output value=0.5:L | last urine-output value=50:mL",  FIRST, ASKED, "0.05 L?"    },
    {ADULT, "urine-output value=50:mL | last urine-output value=500:mL", FIRST, ASKED, "500 mL?"    },
    {ADULT, "urine-output value=60:mL | last urine-output value=500:mL", NULL,  0,     NULL         },
    {ADULT, "urine-output value=500:mL | last urine-output value=0:mL",  NULL,  0,     NULL         },
};

static void test_tenfold_jumps_of_glucose_and_urine(void **state)
{
    (void)state;
    ROWS(tenfold_apart);
}

/* ---- pressures ---- */

#define BP(systolic, diastolic) \
    "blood-pressure systolic=" systolic ":mm[Hg] diastolic=" diastolic ":mm[Hg]"

static const struct row pressures[] = {
    {ADULT,                     BP("80",                        "120"),                                                              "/readings/0/systolic",                                                                                                    CLASHES,
     "systolic 80 mmHg is not above diastolic 120 mmHg"},
    {ADULT,                         BP("80",                                                   "120"),                                                                                       "/readings/0/diastolic",                                                                                                                                                        CLASHES,"swapped?"},
    {ADULT,               BP("100",                                             "100"),                                                                                                            "/readings/0/systolic",                                                                                                                                                                                                               CLASHES,                                                                                                                   NULL},
    {ADULT,                  BP("100.1",                                            "100"),                                                                                                               "",                      0,"not above"},
    {ADULT,                       BP("100",                                                    "86"),"/readings/0/diastolic",                                                                                                  ASKED,                                                                                                                                                                                                                      "less than 15"},
    {ADULT,                    BP("100","86"),                                         "/readings/0/systolic",                                                   ASKED,"less than 15"},
    {ADULT,BP("100",                                                "85"),                                                     "",                                                                                                                       0,                                                                                                                                                                                                                                                                            "less than 15"},
    {ADULT,                     BP("120",                                              "90"),                                                             NULL,                                                                                                                                0,NULL}, /* 30: exactly a quarter */
    {ADULT,                         BP("121",                                                   "91"),                                                                                          NULL,                                                                                                                                                                 0,NULL}, /* 30 is usual */
    {ADULT,                     BP("121",                                                   "92"),                                                                                                                  "/readings/0/systolic",                                                                                                                                                                                                           ASKED,                                                                                                                                            "quarter"},
    {ADULT,                        BP("190",                                                  "70"),                                                                                                                     NULL,                                                                          0,NULL}, /* 120 between them */
    {ADULT,   BP("191",                            "70"),"/readings/0/systolic",ASKED,"more than 120"},
    {ADULT,                    BP("120","80") " mean=80:mm[Hg]","/readings/0/mean",CLASHES,NULL},
    {ADULT,               BP("120",             "80") " mean=120:mm[Hg]",                                                                                      "/readings/0/mean",                                                                                                                                                                                                                                                                                                                       CLASHES,                                                                                                                                                                                                                                                                                                                                                                                                                                                                                                                                                                    NULL},
 /* |mean - (80 + 40/3)| > 40/4 + 5: from 78.33 to 108.33 */
    {ADULT,                     BP("120",                        "80") " mean=81:mm[Hg]",                                                                        NULL,                                                                                                                                                                                                                                     0,NULL},
    {ADULT,                         BP("120",                                                   "80") " mean=108:mm[Hg]",                                                                                                NULL,                                                                                                                                                                                     0,NULL},
    {ADULT,                     BP("120",                                                   "80") " mean=109:mm[Hg]",                                                                                                                  "/readings/0/mean",                                                                                                                                                                                                               ASKED,"high for"},
    {ADULT,                        BP("180",                                                  "60") " mean=64:mm[Hg]",                                                                                                                     "/readings/0/mean",      ASKED,"low for"}, /* under 65 */
    {ADULT,                     BP("180",                                                  "60") " mean=65:mm[Hg]",                  NULL,0,NULL},
    {ADULT, "blood-pressure systolic=90:mm[Hg] diastolic=not-taken-unable",NULL,0,NULL                                                                                                                                                                                                           },
    {ADULT,"blood-pressure systolic=16:kPa diastolic=10.67:kPa",NULL,0,NULL}, /* 120 over 80 */
};

static void test_pressures(void **state)
{
    (void)state;
    ROWS(pressures);
}

/* ---- weight and height ---- */

static const struct row bodies[] = {
  /* pounds for kilograms: within 10 % of 2.205, or 0.4536, of the last (GCA step 6) */
    {ADULT, "body-weight value=154:kg | last body-weight value=70:kg",                     FIRST,               ASKED,
     "would be 69.85 kg"                                                                                                                          },
    {ADULT, "body-weight value=138.92:kg | last body-weight value=70:kg",                  FIRST,               ASKED,
     "2.2 times"                                                                                                                                  }, /* 1.9846 */
    {ADULT, "body-weight value=138.91:kg | last body-weight value=70:kg",                  "",                  0,       "2.2 times"              },
    {ADULT, "body-weight value=70:[lb_av] | last body-weight value=70:kg",                 FIRST,               ASKED,
     "kilograms? 70 kg"                                                                                                                           },
    {ADULT, "body-weight value=31.8:kg | last body-weight value=70:kg",                    FIRST,               ASKED,   "pounds"                 },
    {ADULT, "body-weight value=170:kg | last body-weight value=75:kg days=400",            FIRST,               ASKED,   NULL                     },
    {ADULT, "body-weight value=175:kg | last body-weight value=75:kg",                     FIRST,               ASKED,
     NULL                                                                                                                                         }, /* off by 100 */
    {ADULT, "body-weight value=71:kg | last body-weight value=70:kg",                      NULL,                0,       NULL                     },
    {ADULT, "body-weight value=71:kg",                                                     NULL,                0,       NULL                     },
 /* two digits exchanged, that differ by three (GCA step 7) */
    {ADULT, "body-weight value=85:kg | last body-weight value=58:kg days=900",             FIRST,               ASKED,
     "exchanged"                                                                                                                                  },
    {ADULT, "body-weight value=85.4:kg | last body-weight value=57.5:kg days=900",         FIRST,               ASKED,
     "exchanged"                                                                                                                                  },
    {ADULT, "body-weight value=74:kg | last body-weight value=47:kg days=900",             FIRST,               ASKED,
     "exchanged"                                                                                                                                  },
    {ADULT, "body-weight value=64:kg | last body-weight value=46:kg days=900",             NULL,                0,
     NULL                                                                                                                                         }, /* by two */
    {ADULT, "body-weight value=65:kg | last body-weight value=56:kg days=900",             NULL,                0,       NULL                     },
    {ADULT, "body-weight value=85:kg | last body-weight value=56.9:kg days=900",           NULL,                0,       NULL                     },
    {ADULT, "body-weight value=158:[lb_av] | last body-weight value=185:[lb_av] days=900", FIRST,
     ASKED,                                                                                                              "exchanged"              },
    {ADULT, "body-weight value=158:[lb_av] | last body-weight value=184:[lb_av] days=900", FIRST,
     ASKED,                                                                                                              "exchanged"              },
    {ADULT, "body-weight value=158:[lb_av] | last body-weight value=187:[lb_av] days=900", NULL,                0,
     NULL                                                                                                                                         },
 /* a tenth in a week (common practice) */
    {ADULT, "body-weight value=78:kg | last body-weight value=70:kg days=7",               FIRST,               ASKED,
     "heavier"                                                                                                                                    },
    {ADULT, "body-weight value=77:kg | last body-weight value=70:kg days=7",               NULL,                0,       NULL                     },
    {ADULT, "body-weight value=78:kg | last body-weight value=70:kg days=7.01",            NULL,                0,       NULL                     },
    {ADULT, "body-weight value=62.9:kg | last body-weight value=70:kg days=3",             FIRST,               ASKED,
     "lighter"                                                                                                                                    },
    {ADULT, "body-weight value=63:kg | last body-weight value=70:kg days=3",               NULL,                0,       NULL                     },
    {CHILD, "body-weight value=24:kg | last body-weight value=20:kg days=3",               NULL,                0,       NULL                     },
 /* a last one that was taken later is none */
    {ADULT, "body-weight value=154:kg | last body-weight value=70:kg days=-1",             NULL,                0,       NULL                     },
 /* inches, metres */
    {ADULT, "body-height value=70:cm",                                                     FIRST,               REFUSED, "70 in would be 177.8 cm"},
    {CHILD, "body-height value=70:cm",                                                     NULL,                0,       NULL                     },
    {ADULT, "body-height value=1.78:m",                                                    NULL,                0,       NULL                     },
    {ADULT, "body-height value=1.78:cm",                                                   FIRST,               REFUSED, "m"                      },
    {ADULT, "body-height value=178:[in_i]",                                                FIRST,               REFUSED, "cm"                     },
    {ADULT, "body-height value=70:[in_i]",                                                 NULL,                0,       NULL                     },
    {ADULT, "body-height value=5.10:[ft_i]",                                               FIRST,               ASKED,   "5.10 ft"                },
    {ADULT, "body-height value=179:cm | last body-height value=174:cm",                    NULL,                0,       NULL                     },
    {ADULT, "body-height value=179.1:cm | last body-height value=174:cm",                  FIRST,               ASKED,   NULL                     },
    {CHILD, "body-height value=119.1:cm | last body-height value=114:cm",                  NULL,                0,       NULL                     },
 /* both exchanged (GCA step 8) */
    {ADULT, "body-weight value=180:kg | body-height value=80:cm",                          "/readings/0/value", CLASHES,
     "swapped"                                                                                                                                    },
    {ADULT, "body-weight value=180:kg | body-height value=80:cm",                          "/readings/1/value", CLASHES,
     "swapped"                                                                                                                                    },
    {ADULT, "body-weight value=139:kg | body-height value=165:cm",                         NULL,                0,       NULL                     },
};

static void test_weight_and_height(void **state)
{
    (void)state;
    ROWS(bodies);
}

/* Without a last weight the body mass index asks: under 13, over 60 (clinical pack 4.3). */
static const struct row mass_indexes[] = {
    {ADULT, "body-weight value=173:kg | body-height value=170:cm",                                   NULL,                0,     NULL}, /* 59.9 */
    {ADULT, "body-weight value=174:kg | body-height value=170:cm",                                   FIRST,               ASKED,
     "Body mass index 60.2 kg/m²"                                                                                                   },
    {ADULT, "body-weight value=174:kg | body-height value=170:cm",                                   "/readings/1/value", ASKED,
     NULL                                                                                                                            },
    {ADULT, "body-weight value=37.6:kg | body-height value=170:cm",                                  NULL,                0,     NULL}, /* 13.0 */
    {ADULT, "body-weight value=37.2:kg | body-height value=170:cm",                                  FIRST,               ASKED,
     "is below 13 kg/m²"                                                                                                            },
    {ADULT, "body-weight value=174:kg confirmed | body-height value=170:cm confirmed",               NULL,                0,
     NULL                                                                                                                            },
    {ADULT, "body-weight value=174:kg confirmed | body-height value=170:cm",                         "/readings/1/value",
     ASKED,                                                                                                                      NULL},
    {CHILD, "body-weight value=20:kg | body-height value=116:cm",                                    NULL,                0,     NULL},
 /* sent with the set, it is judged as sent, and not worked out once more */
    {ADULT, "body-weight value=70:kg | body-height value=170:cm | body-mass-index value=24.2:kg/m2",
     NULL,                                                                                                                0,     NULL},
};

static void test_mass_index(void **state)
{
    (void)state;
    ROWS(mass_indexes);
}

/* ---- oxygen ---- */

static const struct row oxygen[] = {
    {ADULT, "oxygen-saturation value=97:% oxygen.device=room-air oxygen.flow=2:L/min",
     "/readings/0/oxygen/flow",                                                                                                  CLASHES, "2 L/min"             },
    {ADULT, "oxygen-saturation value=97:% oxygen.device=room-air oxygen.flow=2:L/min",
     "/readings/0/oxygen/device",                                                                                                CLASHES, NULL                  },
    {ADULT, "oxygen-saturation value=97:% oxygen.device=room-air oxygen.flow=0:L/min",              NULL,                        0,
     NULL                                                                                                                                                       },
    {ADULT, "oxygen-saturation value=97:% oxygen.device=room-air oxygen.concentration=21:%",        NULL,
     0,                                                                                                                                   NULL                  },
    {ADULT, "oxygen-saturation value=97:% oxygen.device=room-air oxygen.concentration=24:%",
     "/readings/0/oxygen/concentration",                                                                                         CLASHES, NULL                  },
    {ADULT, "oxygen-saturation value=97:% oxygen.device=room-air",                                  NULL,                        0,       NULL                  },
    {ADULT, "oxygen-saturation value=97:% oxygen.device=nasal-cannula",                             "/readings/0/oxygen/device",
     ASKED,                                                                                                                               "how much"            },
    {ADULT, "oxygen-saturation value=97:% oxygen.device=nasal-cannula oxygen.flow=2:L/min",         NULL,                        0,
     NULL                                                                                                                                                       },
    {ADULT, "oxygen-saturation value=97:% oxygen.device=nasal-cannula oxygen.concentration=28:%",
     NULL,                                                                                                                       0,       NULL                  },
    {ADULT, "oxygen-saturation value=97:% oxygen.device=venturi-mask oxygen.concentration=20.9:%",
     "/readings/0/oxygen/concentration",                                                                                         REFUSED, "20.9 % is below 21 %"},
    {ADULT, "oxygen-saturation value=97:% oxygen.device=venturi-mask oxygen.concentration=100.1:%",
     "/readings/0/oxygen/concentration",                                                                                         REFUSED, NULL                  },
    {ADULT, "oxygen-saturation value=97:% oxygen.device=nasal-cannula oxygen.flow=0.25:L/min",      NULL,
     0,                                                                                                                                   NULL                  },
    {ADULT, "oxygen-saturation value=97:% oxygen.device=nasal-cannula oxygen.flow=250:mL/min",      NULL,
     0,                                                                                                                                   NULL                  },
    {ADULT, "oxygen-saturation value=97:% oxygen.device=nasal-cannula oxygen.flow=240:mL/min",
     "/readings/0/oxygen/flow",                                                                                                  ASKED,   "240 mL/min"          },
    {ADULT, "oxygen-saturation value=97:% oxygen.device=nasal-cannula oxygen.flow=6:L/min",         NULL,                        0,
     NULL                                                                                                                                                       },
    {ADULT, "oxygen-saturation value=97:% oxygen.device=nasal-cannula oxygen.flow=6.5:L/min",
     "/readings/0/oxygen/flow",                                                                                                  ASKED,   NULL                  },
    {ADULT, "oxygen-saturation value=97:% oxygen.device=simple-mask oxygen.flow=4.9:L/min",
     "/readings/0/oxygen/flow",                                                                                                  ASKED,   NULL                  },
    {ADULT, "oxygen-saturation value=97:% oxygen.device=simple-mask oxygen.flow=5:L/min",           NULL,                        0,
     NULL                                                                                                                                                       },
    {ADULT, "oxygen-saturation value=97:% oxygen.device=simple-mask oxygen.flow=10:L/min",          NULL,                        0,
     NULL                                                                                                                                                       },
    {ADULT, "oxygen-saturation value=97:% oxygen.device=simple-mask oxygen.flow=11:L/min",
     "/readings/0/oxygen/flow",                                                                                                  ASKED,   NULL                  },
    {ADULT, "oxygen-saturation value=97:% oxygen.device=reservoir-mask oxygen.flow=9:L/min",
     "/readings/0/oxygen/flow",                                                                                                  ASKED,   NULL                  },
    {ADULT, "oxygen-saturation value=97:% oxygen.device=reservoir-mask oxygen.flow=15:L/min",       NULL,
     0,                                                                                                                                   NULL                  },
    {ADULT,
     "oxygen-saturation value=97:% oxygen.device=high-flow-nasal-cannula oxygen.flow=70:L/min",     NULL,                        0,       NULL                  },
    {ADULT,
     "oxygen-saturation value=97:% oxygen.device=high-flow-nasal-cannula oxygen.flow=71:L/min",     "/readings/0/oxygen/flow",   ASKED,   NULL                  },
    {ADULT, "oxygen-saturation value=0.97:%",                                                       FIRST,                       REFUSED, "was 97 % meant?"     },
    {ADULT, "oxygen-saturation value=0.97:1",                                                       NULL,                        0,       NULL                  },
    {ADULT, "oxygen-saturation value=9.7:%",                                                        FIRST,                       REFUSED, "was 97 % meant?"     },
};

static void test_oxygen(void **state)
{
    (void)state;
    ROWS(oxygen);
}

/* ---- between kinds ---- */

static const struct row between[] = {
  /* pulse and respirations exchanged */
    {ADULT, "respiratory-rate value=72:/min confirmed | heart-rate value=18:/min overridden",
     "/readings/0/value",                                                                                                CLASHES, "respirations 72 /min and pulse 18 /min"},
    {ADULT, "respiratory-rate value=72:/min confirmed | heart-rate value=18:/min overridden",
     "/readings/1/value",                                                                                                CLASHES, NULL                                    },
    {NULL,  "respiratory-rate value=61:/min confirmed | heart-rate value=39:/min confirmed",
     "/readings/1/value",                                                                                                CLASHES, NULL                                    },
    {ADULT, "respiratory-rate value=60:/min confirmed | heart-rate value=39:/min confirmed",    NULL,
     0,                                                                                                                           NULL                                    },
    {ADULT, "respiratory-rate value=61:/min confirmed | heart-rate value=40:/min",              NULL,                    0,       NULL                                    },
 /* saturation and pulse exchanged */
    {ADULT, "oxygen-saturation value=120:% | heart-rate value=97:/min",                         "/readings/1/value",
     CLASHES,                                                                                                                     "swapped"                               },
    {ADULT, "oxygen-saturation value=49:% confirmed | heart-rate value=97:/min",
     "/readings/0/value",                                                                                                CLASHES, "swapped"                               },
    {ADULT, "oxygen-saturation value=50:% confirmed | heart-rate value=97:/min",                NULL,                    0,       NULL                                    },
    {ADULT, "oxygen-saturation value=49:% confirmed | heart-rate value=101:/min",               NULL,                    0,       NULL                                    },
    {ADULT, "oxygen-saturation value=49:% confirmed | heart-rate value=84:/min",                NULL,                    0,       NULL                                    },
 /* the pulse in a field of the pressure */
    {ADULT,
     "heart-rate value=90:/min | blood-pressure systolic=90:mm[Hg] diastolic=60:mm[Hg] | last "
     "blood-pressure systolic=121:mm[Hg] diastolic=70:mm[Hg]",                                  "/readings/1/systolic",  ASKED,   "the last systolic was 121 mmHg"        },
    {ADULT,
     "heart-rate value=90:/min | blood-pressure systolic=90:mm[Hg] diastolic=60:mm[Hg] | last "
     "blood-pressure systolic=120:mm[Hg] diastolic=70:mm[Hg]",                                  NULL,                    0,       NULL                                    },
    {ADULT, "heart-rate value=90:/min | blood-pressure systolic=90:mm[Hg] diastolic=60:mm[Hg]",
     NULL,                                                                                                               0,       NULL                                    },
    {ADULT,
     "heart-rate value=100:/min | blood-pressure systolic=140:mm[Hg] diastolic=100:mm[Hg] | last "
     "blood-pressure systolic=130:mm[Hg] diastolic=69:mm[Hg]",                                  "/readings/1/diastolic", ASKED,   NULL                                    },
 /* low saturation in one who is well */
    {ADULT,
     "oxygen-saturation value=84:% | respiratory-rate value=20:/min | heart-rate value=100:/min | "
     "consciousness value=alert",                                                               "/readings/0/value",     ASKED,   "check the probe"                       },
    {ADULT,
     "oxygen-saturation value=85:% | respiratory-rate value=20:/min | heart-rate value=100:/min | "
     "consciousness value=alert",                                                               NULL,                    0,       NULL                                    },
    {ADULT,
     "oxygen-saturation value=84:% confirmed | respiratory-rate value=20:/min | heart-rate "
     "value=100:/min | consciousness value=alert",                                              NULL,                    0,       NULL                                    },
 /* two ways to say how awake */
    {ADULT, "consciousness value=alert | glasgow-coma-scale total=14:{score}",                  "/readings/1/total",
     ASKED,                                                                                                                       "not 14 points"                         },
    {ADULT, "consciousness value=alert | glasgow-coma-scale total=14:{score}",                  "/readings/0/value",
     ASKED,                                                                                                                       NULL                                    },
    {ADULT, "consciousness value=alert | glasgow-coma-scale total=15:{score}",                  NULL,                    0,       NULL                                    },
    {ADULT, "consciousness value=unresponsive | glasgow-coma-scale total=9:{score}",
     "/readings/1/total",                                                                                                ASKED,   NULL                                    },
    {ADULT, "consciousness value=unresponsive | glasgow-coma-scale total=8:{score}",            NULL,                    0,       NULL                                    },
 /* pain told by one who cannot */
    {ADULT, "pain value=3:{score} | consciousness value=unresponsive",                          "/readings/0/value",     CLASHES,
     "unable"                                                                                                                                                             },
    {ADULT, "pain value=0:{score} | consciousness value=pain",                                  "/readings/0/value",     CLASHES, NULL                                    },
    {ADULT, "pain value=3:{score} | consciousness value=voice",                                 NULL,                    0,       NULL                                    },
    {ADULT, "pain not-taken=unable | consciousness value=unresponsive",                         NULL,                    0,       NULL                                    },
};

static void test_between_kinds(void **state)
{
    (void)state;
    ROWS(between);
}

#define PULSES(oximeter, felt) \
    "oxygen-saturation value=97:% pulse=" oximeter ":/min | heart-rate value=" felt ":/min"

static const struct row oximeters[] = {
    {ADULT, PULSES("61",  "72"),  "/readings/0/pulse", ASKED, "counts 61 /min, the pulse is 72 /min"},
    {ADULT, PULSES("83",  "72"),  "/readings/0/pulse", ASKED, NULL                                  },
    {ADULT, PULSES("62",  "72"),  NULL,                0,     NULL                                  },
    {ADULT, PULSES("82",  "72"),  NULL,                0,     NULL                                  },
    {ADULT, PULSES("151", "150"), "/readings/0/pulse", ASKED, "is above 150"                        },
};

static void test_oximeter_and_pulse(void **state)
{
    (void)state;
    ROWS(oximeters);
}

/* Two sets less than 2 minutes apart; a second pulse beside a second pressure is ordinary. */
#define ROUND "heart-rate value=80:/min | respiratory-rate value=16:/min"
#define AGO(days)                                 \
    " | last heart-rate value=72:/min days=" days \
    " | last respiratory-rate value=18:/min days=" days

static const struct row rounds[] = {
    {ADULT, ROUND AGO("0.0013888773"),                                                     FIRST,               ASKED, "less than 2 minutes"}, /* 119.999 s */
    {ADULT, ROUND AGO("0.0013888773"),                                                     "/readings/1/value", ASKED, NULL                 },
    {ADULT, ROUND AGO("0"),                                                                FIRST,               ASKED, NULL                 },
    {ADULT, ROUND AGO("0.00138888889"),                                                    NULL,                0,     NULL                 }, /* 120 s */
    {ADULT, ROUND AGO("-0.0001"),                                                          NULL,                0,     NULL                 }, /* taken later */
    {ADULT, "heart-rate value=80:/min" AGO("0.0007"),                                      NULL,                0,     NULL                 },
    {ADULT, "heart-rate value=80:/min | respiratory-rate not-taken=refused" AGO("0.0007"), NULL,                0,
     NULL                                                                                                                                   },
};

static void test_a_set_again_at_once(void **state)
{
    (void)state;
    ROWS(rounds);
}

/* A set copied from the last one: all of it, and three kinds at least. */
#define THREE                                                                           \
    "heart-rate value=72:/min | pain value=3:{score} location=knee | body-temperature " \
    "value=36.8:Cel"
#define LAST_THREE                                                 \
    " | last heart-rate value=72:/min | last pain value=3:{score}" \
    " | last body-temperature value=98.24:[degF]"

static const struct row copied[] = {
    {ADULT, THREE LAST_THREE,                                                                        "/readings/0/value", ASKED, "copied?"},
    {ADULT,
     "heart-rate value=73:/min | pain value=3:{score} | body-temperature value=36.8:Cel" LAST_THREE,
     NULL,                                                                                                                0,     NULL     },
    {ADULT, "heart-rate value=72:/min | pain value=3:{score}" LAST_THREE,                            NULL,                0,     NULL     },
    {ADULT, "heart-rate value=72:/min | heart-rate value=72:/min | pain value=3:{score}" LAST_THREE,
     NULL,                                                                                                                0,     NULL     },
    {ADULT, THREE " | consciousness value=alert" LAST_THREE,                                         NULL,                0,     NULL     },
    {ADULT, THREE " | consciousness value=alert" LAST_THREE " | last consciousness value=voice",
     NULL,                                                                                                                0,     NULL     },
    {ADULT, THREE " | consciousness value=alert" LAST_THREE " | last consciousness value=alert",
     "/readings/0/value",                                                                                                 ASKED, NULL     },
    {ADULT, THREE " | consciousness not-taken=asleep" LAST_THREE,                                    NULL,                0,     NULL     },
 /* nothing of this set is named as the place: it stands on the first reading, not nowhere */
    {ADULT,
     "pain value=3:{score} | body-temperature value=36.8:Cel | body-weight value=70:kg | last "
     "body-weight value=70:kg"
     " | last pain value=3:{score} | last body-temperature value=36.8:Cel",                          "/readings/0",       ASKED, "copied?"},
};

static void test_a_copied_set(void **state)
{
    (void)state;
    ROWS(copied);
}

/* ---- remarks ---- */

static const struct {
    const char *told, *note; /* NULL: none */
} remarks[] = {
    {"pain value=3:{score}",                                                         "where is it?" },
    {"pain value=0:{score}",                                                         NULL           },
    {"pain value=3:{score} location=knee",                                           NULL           },
    {"blood-pressure systolic=121:mm[Hg] diastolic=80:mm[Hg] method=auscultation",
     "121 mmHg is odd"                                                                              },
    {"blood-pressure systolic=121.0:mm[Hg] diastolic=80:mm[Hg] method=auscultation",
     "121.0 mmHg is odd"                                                                            },
    {"blood-pressure systolic=120.5:mm[Hg] diastolic=80:mm[Hg] method=auscultation", NULL           },
    {"blood-pressure systolic=120:mm[Hg] diastolic=80:mm[Hg] method=auscultation",   NULL           },
    {"blood-pressure systolic=121:mm[Hg] diastolic=80:mm[Hg] method=automatic",      NULL           },
    {"heart-rate counted=18/15 rhythm=regularly-irregular",                          "a full minute"},
    {"heart-rate counted=18/15 rhythm=regular",                                      NULL           },
};

/* A remark stops nothing. */
static void test_remarks(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof(remarks) / sizeof(remarks[0]); i++) {
        struct bedside bedside;
        const struct judgement *judgement = &bedside.judgements[0];

        bedside_begin(&bedside, kinds, ADULT);
        bedside_tell(&bedside, remarks[i].told);
        bedside_judge(&bedside);
        if (bedside.problems.count > 0 || judgement->notes_count != (remarks[i].note ? 1U : 0U) ||
            (remarks[i].note && !strstr(judgement->notes[0], remarks[i].note)))
            fail_msg("%s: %zu notes, first %s; %s", remarks[i].told, judgement->notes_count,
                     judgement->notes_count ? judgement->notes[0] : "-", bedside_found(&bedside));
        assert_int_equal(judgement->grade, GRADE_FINE);
        bedside_end(&bedside);
    }
}

/* ---- what was asked, and by whom it is answered ---- */

static void test_asked_confirmed_and_held(void **state)
{
    static const char told[] = "heart-rate value=90:/min | last heart-rate value=9:/min";
    struct bedside bedside;

    (void)state;
    bedside_begin(&bedside, kinds, ADULT);
    bedside_tell(&bedside, told);
    bedside_judge(&bedside);
    assert_int_equal(bedside.judgements[0].grade, GRADE_ASK);
    assert_false(bedside.judgements[0].asked);
    bedside_end(&bedside);

    bedside_begin(&bedside, kinds, ADULT);
    bedside_tell(&bedside, told);
    bedside.readings[0].confirmed = true;
    bedside_judge(&bedside);
    assert_int_equal(bedside.problems.count, 0);
    assert_int_equal(bedside.judgements[0].grade, GRADE_FINE);
    assert_true(bedside.judgements[0].asked);
    bedside_end(&bedside);

    bedside_begin(&bedside, kinds, ADULT);
    bedside.frame.nobody_there = true;
    bedside_tell(&bedside, told);
    bedside_judge(&bedside);
    assert_int_equal(bedside.problems.count, 0);
    assert_int_equal(bedside.judgements[0].grade, GRADE_ASK);
    bedside_end(&bedside);
}

/* What clashes is never confirmed away, and not overridden either (design 5). */
static void test_a_clash_stays_a_clash(void **state)
{
    struct bedside bedside;

    (void)state;
    bedside_begin(&bedside, kinds, ADULT);
    bedside.frame.nobody_there = true;
    bedside_tell(&bedside, BP("80", "120") " confirmed overridden");
    bedside_judge(&bedside);
    assert_non_null(bedside_problem(&bedside, "/readings/0/systolic", CLASHES, NULL));
    assert_int_equal(bedside.judgements[0].grade, GRADE_REFUSE);
    assert_false(bedside.judgements[0].asked);
    assert_false(bedside.judgements[0].overridden);
    bedside_end(&bedside);
}

static void test_a_single_reading_points_from_the_top(void **state)
{
    struct bedside bedside;

    (void)state;
    bedside_begin(&bedside, kinds, ADULT);
    bedside_tell(&bedside,
                 "oxygen-saturation value=97:% oxygen.device=room-air oxygen.flow=2:L/min");
    bedside_single(&bedside);
    bedside_judge(&bedside);
    assert_non_null(bedside_problem(&bedside, "/oxygen/flow", CLASHES, NULL));
    assert_non_null(bedside_problem(&bedside, "/oxygen/device", CLASHES, NULL));
    assert_int_equal(bedside.problems.count, 2);
    bedside_end(&bedside);
}

/* Everything of every reading, in one go. */
static void test_all_faults_at_once(void **state)
{
    struct bedside bedside;

    (void)state;
    bedside_begin(&bedside, kinds, ADULT);
    bedside_tell(&bedside,
                 "pain value=11:{score} | body-temperature value=98.6:Cel"
                 " | oxygen-saturation value=101:% oxygen.device=room-air oxygen.flow=2:L/min"
                 " | heart-rate value=170:/min | " BP("80", "120"));
    bedside_judge(&bedside);
    assert_non_null(bedside_problem(&bedside, "/readings/0/value", REFUSED, NULL));
    assert_non_null(bedside_problem(&bedside, "/readings/1/value", REFUSED, "is above 45 °C"));
    assert_non_null(bedside_problem(&bedside, "/readings/1/value", REFUSED, "would be 37.0 °C"));
    assert_non_null(bedside_problem(&bedside, "/readings/2/value", REFUSED, NULL));
    assert_non_null(bedside_problem(&bedside, "/readings/2/oxygen/flow", CLASHES, NULL));
    assert_non_null(bedside_problem(&bedside, "/readings/3/value", ASKED, NULL));
    assert_non_null(bedside_problem(&bedside, "/readings/4/diastolic", CLASHES, NULL));
    bedside_end(&bedside);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_temperature_scales),
        cmocka_unit_test(test_tenfold_jumps),
        cmocka_unit_test(test_tenfold_jumps_of_glucose_and_urine),
        cmocka_unit_test(test_pressures),
        cmocka_unit_test(test_weight_and_height),
        cmocka_unit_test(test_mass_index),
        cmocka_unit_test(test_oxygen),
        cmocka_unit_test(test_between_kinds),
        cmocka_unit_test(test_oximeter_and_pulse),
        cmocka_unit_test(test_a_set_again_at_once),
        cmocka_unit_test(test_a_copied_set),
        cmocka_unit_test(test_remarks),
        cmocka_unit_test(test_asked_confirmed_and_held),
        cmocka_unit_test(test_a_clash_stays_a_clash),
        cmocka_unit_test(test_a_single_reading_points_from_the_top),
        cmocka_unit_test(test_all_faults_at_once),
    };

    return cmocka_run_group_tests(tests, bedside_load, kind_table_free);
}
