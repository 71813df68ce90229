/* test_destination.c - the list of readings on which the server fails: what is remembered of each,
 * and what of too many. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>

#include <cmocka.h>

#include "courier/courier_private.h"

static int setup(void **state)
{
    *state = calloc(1, sizeof(struct destination));
    return *state ? 0 : -1;
}

static int teardown(void **state)
{
    free(*state);
    return 0;
}

static void test_noted_and_forgotten(void **state)
{
    struct destination *destination = *state;

    choked_note(destination, 5, 1);
    choked_note(destination, 6, 1);
    choked_note(destination, 7, 1);
    choked_note(destination, 6, 2); /* again: counted, not listed twice */
    assert_int_equal(destination->choked_count, 3);
    assert_int_equal(choked_find(destination, 6)->errors, 2);
    choked_forget(destination, 5);
    choked_forget(destination, 5);
    assert_null(choked_find(destination, 5));
    assert_int_equal(destination->choked_count, 2);
    assert_int_equal(choked_find(destination, 6)->errors, 2);
    assert_int_equal(choked_find(destination, 7)->errors, 1);
}

static void test_others_succeed(void **state)
{
    struct destination *destination = *state;

    choked_note(destination, 5, 1);
    choked_note(destination, 6, 1);
    choked_others_succeed(destination, 5); /* 5 itself was charted: that says nothing of 5 */
    assert_false(choked_find(destination, 5)->others_succeed);
    assert_true(choked_find(destination, 6)->others_succeed);
    choked_note(destination, 6, 2);
    assert_true(choked_find(destination, 6)->others_succeed);
}

static void test_too_many(void **state)
{
    struct destination *destination = *state;

    for (int64_t seq = 1; seq <= CHOKED_MOST + 1; seq++)
        choked_note(destination, seq, 3);
    assert_int_equal(destination->choked_count, CHOKED_MOST);
    assert_null(choked_find(destination, 1)); /* the oldest */
    assert_non_null(choked_find(destination, 2));
    assert_non_null(choked_find(destination, CHOKED_MOST + 1));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(test_noted_and_forgotten, setup, teardown),
        cmocka_unit_test_setup_teardown(test_others_succeed, setup, teardown),
        cmocka_unit_test_setup_teardown(test_too_many, setup, teardown),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
