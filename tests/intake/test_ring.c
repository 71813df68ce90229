/* The ring of events: numbers never come again, the oldest go first, and whoever missed something
 * that is gone is found out. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "intake/ring.h"

static int ring_setup(void **state)
{
    static const struct ring empty = RING_INIT;
    struct ring *ring = malloc(sizeof(*ring));

    assert_non_null(ring);
    *ring = empty;
    *state = ring;
    return 0;
}

static int ring_teardown(void **state)
{
    ring_clear(*state);
    free(*state);
    return 0;
}

static void push(struct ring *ring, unsigned number)
{
    char text[16];

    (void)snprintf(text, sizeof(text), "%u", number);
    ring_push(ring, number % 2 ? "odd" : "even", strdup(text));
}

static void assert_there(const struct ring *ring, unsigned number)
{
    const struct event *event = ring_at(ring, number);
    char text[16];

    (void)snprintf(text, sizeof(text), "%u", number);
    assert_non_null(event);
    assert_string_equal(event->data, text);
    assert_string_equal(event->name, number % 2 ? "odd" : "even");
}

static void test_an_empty_one(void **state)
{
    struct ring *ring = *state;

    assert_null(ring_at(ring, 0));
    assert_null(ring_at(ring, 1));
    assert_true(ring_follows(ring, 0));
    assert_false(ring_follows(ring, 1)); /* of which nobody was ever told */
    assert_false(ring_follows(ring, UINT64_MAX));
}

static void test_what_is_in_it(void **state)
{
    struct ring *ring = *state;

    for (unsigned number = 1; number <= 5; number++)
        push(ring, number);
    for (unsigned number = 1; number <= 5; number++)
        assert_there(ring, number);
    assert_null(ring_at(ring, 0));
    assert_null(ring_at(ring, 6));
    for (unsigned last = 0; last <= 5; last++)
        assert_true(ring_follows(ring, last));
    assert_false(ring_follows(ring, 6));
}

static void test_the_oldest_go(void **state)
{
    struct ring *ring = *state;
    const unsigned count = 2 * RING_ROOM + 7, first = count - RING_ROOM + 1;

    for (unsigned number = 1; number <= count; number++)
        push(ring, number);
    assert_null(ring_at(ring, first - 1));
    for (unsigned number = first; number <= count; number++)
        assert_there(ring, number);
    assert_false(ring_follows(ring, first - 2));
    assert_true(ring_follows(ring, first - 1)); /* the next one is the first there is */
    assert_true(ring_follows(ring, count));
}

static void test_after_a_break_nobody_goes_on(void **state)
{
    struct ring *ring = *state;

    for (unsigned number = 1; number <= 3; number++)
        push(ring, number);
    ring_break(ring);
    for (unsigned last = 0; last <= 3; last++) {
        assert_false(ring_follows(ring, last));
        assert_null(ring_at(ring, last));
    }
    assert_true(ring_follows(ring, ring->next - 1)); /* who came after it */
    push(ring, 5);
    assert_int_equal(ring->next, 6); /* 4 was what was lost */
    assert_there(ring, 5);
    assert_false(ring_follows(ring, 3));
    assert_true(ring_follows(ring, 4));
}

static void test_no_memory_is_a_break(void **state)
{
    struct ring *ring = *state;

    push(ring, 1);
    ring_push(ring, "odd", NULL);
    assert_false(ring_follows(ring, 1));
    assert_null(ring_at(ring, 1));
    assert_null(ring_at(ring, 2));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(test_an_empty_one, ring_setup, ring_teardown),
        cmocka_unit_test_setup_teardown(test_what_is_in_it, ring_setup, ring_teardown),
        cmocka_unit_test_setup_teardown(test_the_oldest_go, ring_setup, ring_teardown),
        cmocka_unit_test_setup_teardown(test_after_a_break_nobody_goes_on, ring_setup,
                                        ring_teardown),
        cmocka_unit_test_setup_teardown(test_no_memory_is_a_break, ring_setup, ring_teardown),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
