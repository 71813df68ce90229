/* test_metrics.c - counters of threads, and their OpenMetrics 1.0 text. */
#include <pthread.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "heap.h"
#include "wardpost/metrics.h"

static void test_counters_count_and_gauges_are_set(void **state)
{
    int64_t before = metric_get(METRIC_REQUESTS);

    (void)state;
    metric_add(METRIC_REQUESTS, 1);
    metric_add(METRIC_REQUESTS, 41);
    assert_int_equal(metric_get(METRIC_REQUESTS), before + 42);
    metric_set(METRIC_WAITING, 7);
    metric_add(METRIC_WAITING, -3);
    assert_int_equal(metric_get(METRIC_WAITING), 4);
}

#define COUNTS 200000

static void *count(void *unused)
{
    for (int i = 0; i < COUNTS; i++)
        metric_add(METRIC_COMMITS, 1);
    return unused;
}

static void test_threads_lose_no_count(void **state)
{
    int64_t before = metric_get(METRIC_COMMITS);
    pthread_t threads[4];

    (void)state;
    for (size_t i = 0; i < 4; i++)
        assert_int_equal(pthread_create(&threads[i], NULL, count, NULL), 0);
    for (size_t i = 0; i < 4; i++)
        assert_int_equal(pthread_join(threads[i], NULL), 0);
    assert_int_equal(metric_get(METRIC_COMMITS), before + (int64_t)4 * COUNTS);
}

/* One line, moving *at behind it. */
static const char *take_line(char **at)
{
    char *line = *at, *end = strchr(line, '\n');

    assert_non_null(end);
    *end = '\0';
    *at = end + 1;
    return line;
}

/* OpenMetrics 1.0: metric names are [a-zA-Z_:][a-zA-Z0-9_:]*; ours are narrower. */
static void assert_name(const char *name)
{
    assert_memory_equal(name, "wardpost_", 9);
    assert_int_equal(strspn(name, "abcdefghijklmnopqrstuvwxyz_"), strlen(name));
    assert_true(strlen(name) > 9);
}

static void check_family(char **at, enum metric metric)
{
    char name[100], type[20], expected[300];
    const char *line = take_line(at);

    assert_true(strlen(line) < 200);
    assert_int_equal(sscanf(line, "# TYPE %99s %19s", name, type), 2);
    assert_name(name);
    assert_string_equal(
        type, metric < METRIC_WAITING ? "counter" : "gauge"); /* metrics.h: gauges from here on */
    assert_true(snprintf(expected, sizeof(expected), "# HELP %s ", name) > 0);
    line = take_line(at);
    assert_memory_equal(line, expected, strlen(expected));
    assert_true(strlen(line) > strlen(expected) &&
                strlen(line) < 200); /* for a row's room in metrics.c */
    assert_true(snprintf(expected, sizeof(expected), "%s%s %lld", name,
                         strcmp(type, "counter") == 0 ? "_total" : "",
                         (long long)metric_get(metric)) > 0);
    assert_string_equal(take_line(at), expected);
}

static void test_text_is_openmetrics(void **state)
{
    char *text, *at;

    (void)state;
    for (int i = 0; i < METRIC_COUNT; i++)
        metric_set((enum metric)i, i % 2 ? INT64_MAX - i : i);
    text = at = metrics_text();
    assert_non_null(text);
    assert_non_null(strstr(text, "wardpost_readings_accepted_total 0\n"));
    for (int i = 0; i < METRIC_COUNT; i++)
        check_family(&at, (enum metric)i);
    assert_string_equal(take_line(&at), "# EOF");
    assert_string_equal(at, "");
    free(text);
}

static void test_no_memory_no_text(void **state)
{
    char *text;

    (void)state;
    heap_fail_at(1);
    text = metrics_text();
    heap_fail_at(0);
    assert_true(heap_did_fail());
    assert_null(text);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_counters_count_and_gauges_are_set),
        cmocka_unit_test(test_threads_lose_no_count),
        cmocka_unit_test(test_text_is_openmetrics),
        cmocka_unit_test(test_no_memory_no_text),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
