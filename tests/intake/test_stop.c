/* The end of the intake while the disk is slow: whoever is told 201 is kept, whoever is kept is
 * told, and nobody is begun with who could not be finished. */
#include "given_intake.h"

static void *stop(void *context)
{
    struct given *given = context;

    intake_stop(given->intake);
    return NULL;
}

/* The sender's connection stood idle when the end began; the disk answers long after. */
static void test_a_late_one_is_answered_or_not_begun_with(void **state)
{
    struct given *given = *state;

    for (int i = 0; i < 4; i++) {
        const long before = kept(given);
        pthread_t stopping;
        int wire, status;

        start(given);
        wire = dial(given);
        say(wire, "GET /health/live HTTP/1.1\r\nHost: localhost\r\n\r\n");
        assert_int_equal(heard(wire), 200);
        gate_close(&given->gate, given->outbox);
        assert_int_equal(pthread_create(&stopping, NULL, stop, given), 0);
        usleep(5000U + 15000U * (unsigned)i);
        send_reading(wire);
        usleep(500000);
        gate_open(&given->gate);
        status = heard(wire);
        pthread_join(stopping, NULL);
        close(wire);
        assert_true(status == 201 || status == 0);
        assert_int_equal(kept(given), before + (status == 201));
    }
}

/* Longer than a drain may take: the disk is waited for all the same, and the sender told. */
static void test_what_waits_for_the_disk_is_answered(void **state)
{
    struct given *given = *state;
    pthread_t stopping;
    int wire;

    given->settings.drain_ms = 20;
    start(given);
    wire = dial(given);
    gate_close(&given->gate, given->outbox);
    send_reading(wire);
    usleep(100000);
    assert_int_equal(pthread_create(&stopping, NULL, stop, given), 0);
    usleep(600000);
    gate_open(&given->gate);
    assert_int_equal(heard(wire), 201);
    pthread_join(stopping, NULL);
    close(wire);
    assert_int_equal(kept(given), 1);
}

/* Whoever sends a body a byte at a time is not waited for, and cannot wait for the disk after all.
 */
static void test_a_slow_body_does_not_hold_up_the_end(void **state)
{
    struct given *given = *state;
    pthread_t stopping;
    int wire;

    given->settings.drain_ms = 20;
    start(given);
    wire = dial(given);
    gate_close(&given->gate, given->outbox);
    say(wire, "POST /v1/readings HTTP/1.1\r\nHost: localhost\r\nContent-Type: "
              "application/x-ndjson\r\nContent-Length: 100000\r\n\r\n{}\n{");
    usleep(100000);
    assert_int_equal(pthread_create(&stopping, NULL, stop, given), 0);
    for (int i = 0; i < 30; i++) {
        say(wire, "}\n{");
        usleep(20000);
    }
    gate_open(&given->gate);
    assert_int_equal(heard(wire), 0);
    pthread_join(stopping, NULL);
    close(wire);
    assert_int_equal(kept(given), 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(test_a_late_one_is_answered_or_not_begun_with, given_setup,
                                        given_teardown),
        cmocka_unit_test_setup_teardown(test_what_waits_for_the_disk_is_answered, given_setup,
                                        given_teardown),
        cmocka_unit_test_setup_teardown(test_a_slow_body_does_not_hold_up_the_end, given_setup,
                                        given_teardown),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
