/* test_heap.c - the failing heap itself: a loop over allocations proves nothing when nothing fails.
 */
#include <pthread.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>
#include <jansson.h>

#include "heap.h"

/* Not to be seen through by the compiler, which may leave out an allocation that nobody uses. */
static void *volatile kept;

static bool gives_memory(void *memory)
{
    kept = memory;
    free(kept);
    return memory != NULL;
}

static void test_the_nth_fails_once(void **state)
{
    (void)state;
    heap_fail_at(3);
    assert_true(gives_memory(malloc(8)));
    assert_true(gives_memory(calloc(2, 8)));
    assert_false(heap_did_fail());
    assert_false(gives_memory(malloc(8)));
    assert_true(heap_did_fail());
    assert_true(gives_memory(malloc(8)));
    heap_fail_at(0);
    assert_true(heap_did_fail());
}

static void test_calloc_and_realloc_fail_too(void **state)
{
    char *longer;

    (void)state;
    heap_fail_at(1);
    assert_false(gives_memory(calloc(1, 8)));
    kept = strdup("abc");
    assert_non_null(kept);
    heap_fail_at(1);
    longer = realloc(kept, 4096);
    heap_fail_at(0);
    assert_null(longer);
    assert_string_equal(kept, "abc"); /* what realloc could not move stays as it was */
    free(longer ? longer : kept);
}

static void test_the_allocations_of_a_library_count(void **state)
{
    json_t *value;

    (void)state;
    heap_fail_at(1);
    value = json_object();
    heap_fail_at(0);
    assert_null(value);
}

static void *allocate_elsewhere(void *result)
{
    *(bool *)result = gives_memory(malloc(8));
    return NULL;
}

static void test_other_threads_see_nothing_of_it(void **state)
{
    bool elsewhere = false;
    pthread_t thread;

    (void)state;
    heap_fail_at(1000); /* creating a thread allocates here */
    assert_int_equal(pthread_create(&thread, NULL, allocate_elsewhere, &elsewhere), 0);
    heap_fail_at(1);
    assert_int_equal(pthread_join(thread, NULL), 0);
    assert_true(elsewhere);
    assert_false(gives_memory(malloc(8)));
    heap_fail_at(0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_the_nth_fails_once),
        cmocka_unit_test(test_calloc_and_realloc_fail_too),
        cmocka_unit_test(test_the_allocations_of_a_library_count),
        cmocka_unit_test(test_other_threads_see_nothing_of_it),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
