/* When the next set is due: the lines at 33 % and 67 % of the interval, and who says which
 * interval.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>
#include <string.h>

#include "wardpost/due.h"

#define NOW    INT64_C(1795600000000)
#define MINUTE INT64_C(60000)
#define SOON   (30 * MINUTE)

static const struct {
    int interval;
    int64_t ago_ms; /* the last set */
    const char *state;
    int over;
} lines[] = {
    {60,  0,                     "later",      0    },
    {60,  30 * MINUTE - 1,       "later",      0    },
    {60,  30 * MINUTE,           "soon",       0    },
    {60,  60 * MINUTE - 1,       "soon",       0    },
    {60,  60 * MINUTE,           "due",        0    },
    {60,  60 * MINUTE + 1188000, "late",       33   }, /* 19.8 min are 33 % */
    {60,  60 * MINUTE + 1187999, "due",        32   },
    {60,  60 * MINUTE + 2412000, "missed",     67   }, /* 40.2 min are 67 % */
    {60,  60 * MINUTE + 2411999, "late",       66   },
    {240, 5 * 60 * MINUTE,       "due",        25   },
    {240, 320 * MINUTE,          "late",       33   },
    {720, 720 * MINUTE,          "due",        0    },
    {720, 1202 * MINUTE,         "late",       66   },
    {720, 1203 * MINUTE,         "missed",     67   },
    {1,   2 * MINUTE,            "missed",     100  },
    {1,   10000000 * MINUTE,     "missed",     99999},
    {0,   0,                     "continuous", 0    },
    {0,   5000 * MINUTE,         "continuous", 0    },
    {60,  -5 * MINUTE,           "later",      0    }, /* a clock that is a little ahead */
};

static void test_lines(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof(lines) / sizeof(lines[0]); i++) {
        const int64_t from_ms = NOW - lines[i].ago_ms;
        const struct due due = due_at(from_ms, lines[i].interval, NOW, SOON);

        assert_string_equal(due_state_text(due.state), lines[i].state);
        assert_int_equal(due.over_percent, lines[i].over);
        assert_int_equal(due.due_ms, from_ms + lines[i].interval * MINUTE);
    }
}

static const struct {
    struct due_asked asked;
    int interval;
    const char *why;
} says[] = {
    {{.score = -1, .order = -1, .usual = 720},                                   720, "default"},
    {{.score = -1, .order = -1, .usual = -1},                                    -1,  "none"   },
    {{.score = 60, .order = -1, .usual = 720},                                   60,  "score"  },
    {{.score = 0, .order = -1, .usual = 720},                                    0,   "score"  },
    {{.score = -1, .order = 30, .usual = 720},                                   30,  "order"  },
    {{.score = 60, .order = 240, .usual = 720, .scored_ms = 1, .ordered_ms = 2}, 240, "order"  },
    {{.score = 60, .order = 30, .usual = 720, .scored_ms = 1, .ordered_ms = 2},  30,  "order"  },
    {{.score = 60, .order = 240, .usual = 720, .scored_ms = 2, .ordered_ms = 1}, 60,  "score"  },
    {{.score = 0, .order = 15, .usual = 720, .scored_ms = 2, .ordered_ms = 1},   0,   "score"  },
    {{.score = 720, .order = 60, .usual = 720, .scored_ms = 2, .ordered_ms = 1}, 60,  "order"  },
    {{.score = 60, .order = 60, .usual = 720, .scored_ms = 2, .ordered_ms = 1},  60,  "order"  },
};

static void test_who_says(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof(says) / sizeof(says[0]); i++) {
        enum due_why why;

        assert_int_equal(due_interval(&says[i].asked, &why), says[i].interval);
        assert_string_equal(due_why_text(why), says[i].why);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_lines),
        cmocka_unit_test(test_who_says),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
