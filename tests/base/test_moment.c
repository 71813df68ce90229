/* test_moment.c - times with a zone, dates that exist, ages. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "wardpost/moment.h"

#define COUNT(table) (sizeof(table) / sizeof((table)[0]))

/* ---- times ---- */

/* Milliseconds by Python: (datetime.fromisoformat(text) - epoch). `written` NULL: as it was read.
 */
static const struct {
    const char *text;
    int64_t ms;
    int offset;
    const char *written;
} times[] = {
    {"2026-11-25T09:30:00+01:00",         1795595400000,   60,   NULL                           },
    {"1970-01-01T00:00:00Z",              0,               0,    NULL                           },
    {"0001-01-01T00:00:00Z",              -62135596800000, 0,    NULL                           },
    {"1969-12-31T23:59:59.999Z",          -1,              0,    NULL                           },
    {"9999-12-31T23:59:59Z",              253402300799000, 0,    NULL                           },
    {"2026-11-25T09:30:00.250-03:30",     1795611600250,   -210, NULL                           },
    {"2026-11-25T09:30:00.25-03:30",      1795611600250,   -210, "2026-11-25T09:30:00.250-03:30"},
    {"2026-11-25T09:30:00.2509999-03:30", 1795611600250,   -210, "2026-11-25T09:30:00.250-03:30"},
    {"2026-11-25T09:30:00.000+01:00",     1795595400000,   60,   "2026-11-25T09:30:00+01:00"    },
    {"2026-11-25T08:30:00-00:00",         1795595400000,   0,    "2026-11-25T08:30:00Z"         },
    {"2026-11-25T08:30:00.123456789Z",    1795595400123,   0,    "2026-11-25T08:30:00.123Z"     },
    {"2026-11-25T22:30:00+14:00",         1795595400000,   840,  NULL                           },
    {"2026-11-24T18:30:00-14:00",         1795595400000,   -840, NULL                           },
    {"2024-02-29T23:59:59Z",              1709251199000,   0,    NULL                           },
};

static void test_times_are_read_and_written(void **state)
{
    (void)state;
    for (size_t i = 0; i < COUNT(times); i++) {
        const char *expected = times[i].written ? times[i].written : times[i].text;
        char text[MOMENT_TEXT_ROOM];
        struct moment moment;

        assert_int_equal(moment_parse(times[i].text, strlen(times[i].text), &moment), MOMENT_FINE);
        assert_int_equal(moment.ms, times[i].ms);
        assert_int_equal(moment.offset_minutes, times[i].offset);
        assert_int_equal(moment_text(moment, text), strlen(expected));
        assert_string_equal(text, expected);
    }
}

/* FHIR R4 datatypes, dateTime, narrowed to seconds and zone; a second of 60 is refused (moment.h).
 */
static const struct {
    const char *text;
    enum moment_fault fault;
} faulty[] = {
    {"2026-11-25T09:30:00",             MOMENT_NO_ZONE     },
    {"2026-11-25T09:30:00.5",           MOMENT_NO_ZONE     },
    {"2026-02-30T09:30:00Z",            MOMENT_NO_SUCH_DATE},
    {"2026-02-29T09:30:00Z",            MOMENT_NO_SUCH_DATE},
    {"1900-02-29T09:30:00Z",            MOMENT_NO_SUCH_DATE},
    {"2026-04-31T09:30:00Z",            MOMENT_NO_SUCH_DATE},
    {"2026-00-10T09:30:00Z",            MOMENT_NO_SUCH_DATE},
    {"2026-13-10T09:30:00Z",            MOMENT_NO_SUCH_DATE},
    {"2026-11-00T09:30:00Z",            MOMENT_NO_SUCH_DATE},
    {"0000-11-25T09:30:00Z",            MOMENT_NO_SUCH_DATE},
    {"",                                MOMENT_NOT_A_TIME  },
    {"2026",                            MOMENT_NOT_A_TIME  },
    {"2026-11",                         MOMENT_NOT_A_TIME  },
    {"2026-11-25",                      MOMENT_NOT_A_TIME  },
    {"2026-11-25T09:30Z",               MOMENT_NOT_A_TIME  },
    {"2026-11-25T09:30:60Z",            MOMENT_NOT_A_TIME  },
    {"2026-11-25T09:60:00Z",            MOMENT_NOT_A_TIME  },
    {"2026-11-25T24:00:00Z",            MOMENT_NOT_A_TIME  },
    {"2026-11-25t09:30:00Z",            MOMENT_NOT_A_TIME  },
    {"2026-11-25T09:30:00z",            MOMENT_NOT_A_TIME  },
    {"2026-11-25 09:30:00Z",            MOMENT_NOT_A_TIME  },
    {"2026-11-25T09:30:00.Z",           MOMENT_NOT_A_TIME  },
    {"2026-11-25T09:30:00,5Z",          MOMENT_NOT_A_TIME  },
    {"2026-11-25T09:30:00.1234567890Z", MOMENT_NOT_A_TIME  },
    {"2026-11-25T09:30:00+0100",        MOMENT_NOT_A_TIME  },
    {"2026-11-25T09:30:00+01",          MOMENT_NOT_A_TIME  },
    {"2026-11-25T09:30:00+14:01",       MOMENT_NOT_A_TIME  },
    {"2026-11-25T09:30:00-15:00",       MOMENT_NOT_A_TIME  },
    {"2026-11-25T09:30:00+01:60",       MOMENT_NOT_A_TIME  },
    {"2026-11-25T09:30:00 01:00",       MOMENT_NOT_A_TIME  },
    {"2026-11-25T09:30:00Z ",           MOMENT_NOT_A_TIME  },
    {"2026-11-25T09:30:00ZZ",           MOMENT_NOT_A_TIME  },
    {" 2026-11-25T09:30:00Z",           MOMENT_NOT_A_TIME  },
    {"2026-1-25T09:30:00Z",             MOMENT_NOT_A_TIME  },
    {"26-11-25T09:30:00Z",              MOMENT_NOT_A_TIME  },
    {"12026-11-25T09:30:00Z",           MOMENT_NOT_A_TIME  },
    {"+026-11-25T09:30:00Z",            MOMENT_NOT_A_TIME  },
    {"2026-11-25T09:30:0\xD9\xA0Z",     MOMENT_NOT_A_TIME  }, /* a digit, but no ASCII one */
    {"now",                             MOMENT_NOT_A_TIME  },
    {"1795595400",                      MOMENT_NOT_A_TIME  },
};

static void test_what_is_no_time_says_why_and_leaves_the_output_alone(void **state)
{
    (void)state;
    for (size_t i = 0; i < COUNT(faulty); i++) {
        struct moment moment = {-7, 7};

        if (moment_parse(faulty[i].text, strlen(faulty[i].text), &moment) != faulty[i].fault)
            fail_msg("\"%s\"", faulty[i].text);
        assert_true(moment.ms == -7 && moment.offset_minutes == 7);
    }
}

/* Every shorter piece of a good time is none. */
static void test_a_time_cut_off_is_none(void **state)
{
    static const char whole[] = "2026-11-25T09:30:00.250+01:00";

    (void)state;
    for (size_t length = 0; length < sizeof(whole) - 1; length++) {
        struct moment moment;

        assert_int_not_equal(moment_parse(whole, length, &moment), MOMENT_FINE);
    }
}

static const struct {
    const char *text;
    struct date date;
} locals[] = {
    {"2026-11-25T23:59:59-08:00",     {2026, 11, 25}},
    {"2026-11-25T00:00:00+14:00",     {2026, 11, 25}},
    {"2024-03-01T00:30:00+01:00",     {2024, 3, 1}  },
    {"1969-12-31T23:59:59.999-00:30", {1969, 12, 31}},
    {"2000-02-29T12:00:00Z",          {2000, 2, 29} },
    {"0001-01-01T00:00:00+14:00",     {1, 1, 1}     },
    {"9999-12-31T23:59:59-14:00",     {9999, 12, 31}},
};

static void test_the_date_is_the_one_where_it_was_written(void **state)
{
    (void)state;
    for (size_t i = 0; i < COUNT(locals); i++) {
        struct moment moment;
        char text[MOMENT_TEXT_ROOM];

        assert_int_equal(moment_parse(locals[i].text, strlen(locals[i].text), &moment),
                         MOMENT_FINE);
        assert_int_equal(date_compare(moment_local_date(moment), locals[i].date), 0);
        moment_text(moment, text);
        assert_string_equal(text, locals[i].text);
    }
}

/* ---- dates ---- */

/* Days by Python: datetime.date(y, m, d).toordinal() - 719163. */
static const struct {
    const char *text;
    int64_t days;
} dates[] = {
    {"0001-01-01", -719162},
    {"1582-10-15", -141427},
    {"1900-02-28", -25509 },
    {"1900-03-01", -25508 },
    {"1969-12-31", -1     },
    {"1970-01-01", 0      },
    {"2000-02-29", 11016  },
    {"2000-03-01", 11017  },
    {"2026-11-25", 20782  },
    {"9999-12-31", 2932896},
};

static void test_dates_are_read_and_counted(void **state)
{
    struct date date, before = {0};

    (void)state;
    for (size_t i = 0; i < COUNT(dates); i++) {
        assert_true(date_parse(dates[i].text, strlen(dates[i].text), &date));
        assert_int_equal(date_days(date), dates[i].days);
        assert_int_equal(date_compare(before, date), -1);
        assert_int_equal(date_compare(date, before), 1);
        assert_int_equal(date_compare(date, date), 0);
        before = date;
    }
}

static void test_what_is_no_date_leaves_the_output_alone(void **state)
{
    static const char *const refused[] = {
        "",           "2026",       "2026-11",    "2026-02-30",  "2026-02-29",  "1900-02-29",
        "2100-02-29", "2026-06-31", "2026-09-31", "2026-11-31",  "2026-12-32",  "2026-13-01",
        "2026-00-01", "2026-01-00", "0000-01-01", "2026-1-1",    "26-01-01",    "2026/01/01",
        "2026-01-1 ", "20260101",   "-026-01-01", "2026-01-01 ", "2026-01-01Z", "01.01.2026",
    };

    (void)state;
    for (size_t i = 0; i < COUNT(refused); i++) {
        struct date date = {-7, 7, 77};

        if (date_parse(refused[i], strlen(refused[i]), &date))
            fail_msg("\"%s\" was taken", refused[i]);
        assert_true(date.year == -7 && date.month == 7 && date.day == 77);
    }
}

/* A calendar the simple way: the next day, by the table on the wall. */
static struct date tomorrow(struct date date)
{
    static const int lengths[] = {31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31};
    const int leap = date.year % 400 == 0 || (date.year % 100 != 0 && date.year % 4 == 0);

    if (date.day < lengths[date.month - 1] + (date.month == 2 ? leap : 0))
        return (struct date){date.year, date.month, date.day + 1};
    return date.month < 12 ? (struct date){date.year, date.month + 1, 1}
                           : (struct date){date.year + 1, 1, 1};
}

static void check_days(struct date date, int years)
{
    const struct span day = {1, 'D'};
    const int end = date.year + years;

    while (date.year < end) {
        struct date next = tomorrow(date), seen = date_after(date, day);

        if (date_compare(seen, next) != 0 || date_days(next) != date_days(date) + 1)
            fail_msg("the day after %d-%d-%d", date.year, date.month, date.day);
        date = next;
    }
}

static void test_each_day_follows_the_one_before(void **state)
{
    (void)state;
    check_days((struct date){1, 1, 1}, 10);
    check_days((struct date){1590, 1, 1}, 850); /* more than two rounds of 400 years */
    check_days((struct date){9990, 1, 1}, 10);
}

/* ---- ages ---- */

static void test_spans_are_read(void **state)
{
    static const char *const refused[] = {"",     "P",     "P1",   "28D",   "p28D", "P28d",
                                          "PT1H", "P1Y2M", "P-1D", "P1.5Y", "P1H",  "P1000D",
                                          "PD",   "P1S",   "P 1D", "P1D "};
    struct span span = {-7, '?'};

    (void)state;
    for (size_t i = 0; i < COUNT(refused); i++)
        if (span_parse(refused[i], strlen(refused[i]), &span))
            fail_msg("\"%s\" was taken", refused[i]);
    assert_false(span_parse("P1\0", 3, &span));
    assert_true(span.count == -7 && span.unit == '?');
    assert_true(span_parse("P28D", 4, &span) && span.count == 28 && span.unit == 'D');
    assert_true(span_parse("P0D", 3, &span) && span.count == 0 && span.unit == 'D');
    assert_true(span_parse("P999Y", 5, &span) && span.count == 999 && span.unit == 'Y');
    assert_true(span_parse("P06M", 4, &span) && span.count == 6 && span.unit == 'M');
    assert_true(span_parse("P52W", 4, &span) && span.count == 52 && span.unit == 'W');
}

static const struct {
    struct date from;
    struct span span;
    struct date to;
} ages[] = {
    {{2026, 1, 31},  {1, 'M'},   {2026, 2, 28} },
    {{2024, 1, 31},  {1, 'M'},   {2024, 2, 29} },
    {{2026, 1, 31},  {2, 'M'},   {2026, 3, 31} },
    {{2026, 3, 31},  {1, 'M'},   {2026, 4, 30} },
    {{2026, 12, 31}, {2, 'M'},   {2027, 2, 28} },
    {{2026, 12, 1},  {1, 'M'},   {2027, 1, 1}  },
    {{2026, 11, 30}, {13, 'M'},  {2027, 12, 30}},
    {{2024, 2, 29},  {1, 'Y'},   {2025, 2, 28} },
    {{2024, 2, 29},  {4, 'Y'},   {2028, 2, 29} },
    {{1896, 2, 29},  {4, 'Y'},   {1900, 2, 28} },
    {{1996, 2, 29},  {4, 'Y'},   {2000, 2, 29} },
    {{2010, 11, 25}, {16, 'Y'},  {2026, 11, 25}},
    {{2026, 2, 1},   {28, 'D'},  {2026, 3, 1}  },
    {{2024, 2, 1},   {28, 'D'},  {2024, 2, 29} },
    {{2026, 12, 25}, {1, 'W'},   {2027, 1, 1}  },
    {{2026, 11, 25}, {0, 'D'},   {2026, 11, 25}},
    {{2026, 1, 31},  {0, 'M'},   {2026, 1, 31} },
    {{2000, 1, 1},   {999, 'D'}, {2002, 9, 26} }, /* Python: date(2000,1,1) + timedelta(999) */
};

static void test_a_day_that_the_month_lacks_is_its_last(void **state)
{
    (void)state;
    for (size_t i = 0; i < COUNT(ages); i++) {
        struct date seen = date_after(ages[i].from, ages[i].span);

        if (date_compare(seen, ages[i].to) != 0)
            fail_msg("row %zu: %d-%d-%d", i, seen.year, seen.month, seen.day);
    }
}

/* ---- clocks ---- */

static void test_clocks_run(void **state)
{
    int64_t ms = clock_monotonic_ms(), us = clock_monotonic_us(), wall = clock_wall_ms();

    (void)state;
    assert_true(wall > 1735689600000); /* 2025: later than this file's idea */
    assert_true(us / 1000 >= ms);
    for (int i = 0; i < 1000; i++) {
        int64_t next = clock_monotonic_us();

        assert_true(next >= us);
        us = next;
    }
    assert_true(clock_monotonic_ms() >= ms);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_times_are_read_and_written),
        cmocka_unit_test(test_what_is_no_time_says_why_and_leaves_the_output_alone),
        cmocka_unit_test(test_a_time_cut_off_is_none),
        cmocka_unit_test(test_the_date_is_the_one_where_it_was_written),
        cmocka_unit_test(test_dates_are_read_and_counted),
        cmocka_unit_test(test_what_is_no_date_leaves_the_output_alone),
        cmocka_unit_test(test_each_day_follows_the_one_before),
        cmocka_unit_test(test_spans_are_read),
        cmocka_unit_test(test_a_day_that_the_month_lacks_is_its_last),
        cmocka_unit_test(test_clocks_run),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
