/* Who is at which patient: each told of the others, nobody of himself, and nobody for ever. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "intake/presence.h"

static int presence_setup(void **state)
{
    *state = calloc(1, sizeof(struct presence));
    return *state ? 0 : -1;
}

static int presence_teardown(void **state)
{
    free(*state);
    return 0;
}

static struct visit visit_of(const char *who, unsigned set, uint8_t patient, int64_t heard_ms)
{
    struct visit visit = {.heard_ms = heard_ms, .since_ms = heard_ms};

    (void)snprintf(visit.who, sizeof(visit.who), "%s", who);
    (void)snprintf(visit.display, sizeof(visit.display), "%s", who);
    memcpy(&visit.set, &set, sizeof(set));
    visit.patient.bytes[0] = patient;
    return visit;
}

static bool note(struct presence *presence, const char *who, unsigned set, uint8_t patient,
                 int64_t ms)
{
    struct visit visit = visit_of(who, set, patient, ms);
    struct patient_hash left;

    return presence_note(presence, &visit, &left);
}

/* "ana ben " for those at a patient, without one of them. */
static void assert_at(const struct presence *presence, uint8_t patient, const struct visit *but,
                      const char *expected)
{
    const struct patient_hash hash = {{patient}};
    const struct visit *visit;
    char names[400] = "";
    size_t at = 0, used = 0;

    while ((visit = presence_next(presence, &hash, but, &at)))
        used += (size_t)snprintf(names + used, sizeof(names) - used, "%s ", visit->display);
    assert_string_equal(names, expected);
}

static void test_each_is_told_of_the_others(void **state)
{
    struct presence *presence = *state;
    struct visit ana = visit_of("ana", 1, 7, 10), ben = visit_of("ben", 2, 7, 10);

    assert_true(presence_is_empty(presence));
    assert_true(note(presence, "ana", 1, 7, 10));
    assert_at(presence, 7, &ana, "");
    assert_true(note(presence, "ben", 2, 7, 20));
    assert_true(note(presence, "cleo", 3, 8, 20));
    assert_at(presence, 7, &ana, "ben ");
    assert_at(presence, 7, &ben, "ana ");
    assert_at(presence, 7, NULL, "ana ben ");
    assert_at(presence, 8, NULL, "cleo ");
    assert_at(presence, 9, NULL, "");
    assert_false(presence_is_empty(presence));
}

static void test_two_sets_of_one_person_are_two(void **state)
{
    struct presence *presence = *state;
    struct visit first = visit_of("ana", 1, 7, 10);

    assert_true(note(presence, "ana", 1, 7, 10));
    assert_true(note(presence, "ana", 2, 7, 10));
    assert_at(presence, 7, &first, "ana ");
    assert_true(note(presence, "ben", 1, 7, 10)); /* the same set on another's tablet */
    assert_at(presence, 7, NULL, "ana ana ben ");
}

static void test_it_goes_on_and_since_stays(void **state)
{
    struct presence *presence = *state;
    const struct patient_hash patient = {{7}};
    const struct visit *visit;
    size_t at = 0;

    assert_true(note(presence, "ana", 1, 7, 10));
    assert_false(note(presence, "ana", 1, 7, 30010));
    visit = presence_next(presence, &patient, NULL, &at);
    assert_non_null(visit);
    assert_int_equal(visit->since_ms, 10);
    assert_int_equal(visit->heard_ms, 30010);
}

static void test_another_patient_ends_the_one_before(void **state)
{
    struct presence *presence = *state;
    struct visit moved = visit_of("ana", 1, 8, 20);
    struct patient_hash left;

    assert_true(note(presence, "ana", 1, 7, 10));
    assert_true(presence_note(presence, &moved, &left));
    assert_int_equal(left.bytes[0], 7);
    assert_at(presence, 7, NULL, "");
    assert_at(presence, 8, NULL, "ana ");
}

static void test_it_ends(void **state)
{
    struct presence *presence = *state;
    struct visit ana = visit_of("ana", 1, 7, 10), strange = visit_of("ana", 1, 8, 10),
                 ben = visit_of("ben", 1, 7, 10);

    assert_true(note(presence, "ana", 1, 7, 10));
    assert_false(presence_end(presence, &strange)); /* another patient */
    assert_false(presence_end(presence, &ben));     /* another person */
    assert_true(presence_end(presence, &ana));
    assert_false(presence_end(presence, &ana));
    assert_true(presence_is_empty(presence));
}

static void test_nobody_stays_for_ever(void **state)
{
    struct presence *presence = *state;
    struct patient_hash left;

    assert_true(note(presence, "ana", 1, 7, 1000));
    assert_true(note(presence, "ben", 2, 8, 2000));
    assert_false(presence_expire(presence, 1000 + PRESENCE_MS - 1, &left));
    assert_true(presence_expire(presence, 1000 + PRESENCE_MS, &left));
    assert_int_equal(left.bytes[0], 7);
    assert_false(presence_expire(presence, 1000 + PRESENCE_MS, &left));
    assert_at(presence, 8, NULL, "ben ");
    assert_true(presence_expire(presence, 2000 + PRESENCE_MS, &left));
    assert_true(presence_is_empty(presence));
}

static void test_when_full_the_oldest_goes(void **state)
{
    struct presence *presence = *state;
    struct visit more = visit_of("more", 1, 9, 5000);
    struct patient_hash left;

    for (unsigned i = 0; i < PRESENCE_ROOM; i++) {
        char who[16];

        (void)snprintf(who, sizeof(who), "many-%u", i);
        assert_true(note(presence, who, i, i == 3 ? 3 : 4, i == 3 ? 999 : 1000));
    }
    assert_true(presence_note(presence, &more, &left));
    assert_int_equal(left.bytes[0], 3);
    assert_at(presence, 3, NULL, "");
    assert_at(presence, 9, NULL, "more ");
}

static void test_one_person_pushes_out_nobody_else(void **state)
{
    struct presence *presence = *state;
    struct visit more = visit_of("ana", 4711, 9, 5000);
    struct patient_hash left;

    assert_true(note(presence, "ben", 1, 7, 1));
    for (unsigned i = 0; i < PRESENCE_OF_ONE; i++)
        assert_true(note(presence, "ana", i, i == 3 ? 3 : 4, i == 3 ? 999 : 1000));
    assert_true(presence_note(presence, &more, &left));
    assert_int_equal(left.bytes[0], 3);
    for (unsigned i = 0; i < 2 * PRESENCE_ROOM; i++)
        assert_true(note(presence, "ana", 100 + i, 5, 6000));
    assert_at(presence, 7, NULL, "ben ");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(test_each_is_told_of_the_others, presence_setup,
                                        presence_teardown),
        cmocka_unit_test_setup_teardown(test_two_sets_of_one_person_are_two, presence_setup,
                                        presence_teardown),
        cmocka_unit_test_setup_teardown(test_it_goes_on_and_since_stays, presence_setup,
                                        presence_teardown),
        cmocka_unit_test_setup_teardown(test_another_patient_ends_the_one_before, presence_setup,
                                        presence_teardown),
        cmocka_unit_test_setup_teardown(test_it_ends, presence_setup, presence_teardown),
        cmocka_unit_test_setup_teardown(test_nobody_stays_for_ever, presence_setup,
                                        presence_teardown),
        cmocka_unit_test_setup_teardown(test_one_person_pushes_out_nobody_else, presence_setup,
                                        presence_teardown),
        cmocka_unit_test_setup_teardown(test_when_full_the_oldest_goes, presence_setup,
                                        presence_teardown),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
