/* The door while the threads inside stand and wait for the disk: no more are let in than may be
 * inside, and afterwards all goes on. */
#include "given_intake.h"

#include <dirent.h>

#define INSIDE_MOST 8
#define CALLERS     400

static long descriptors(void)
{
    DIR *folder = opendir("/proc/self/fd");
    long count = 0;

    assert_non_null(folder);
    while (readdir(folder))
        count++;
    closedir(folder);
    return count;
}

/* A thread that ends an NDJSON request whose sender has gone waits for its lines. */
static void send_lines_and_go(struct given *given)
{
    const struct linger at_once = {.l_onoff = 1};
    int wire = dial(given);

    say(wire, "POST /v1/readings HTTP/1.1\r\nHost: localhost\r\nContent-Type: "
              "application/x-ndjson\r\nContent-Length: 100000\r\n\r\n" READING "\n");
    usleep(100000);
    assert_int_equal(setsockopt(wire, SOL_SOCKET, SO_LINGER, &at_once, sizeof(at_once)), 0);
    close(wire);
    usleep(100000);
}

static void test_a_slow_disk_lets_no_more_in_than_may_be_inside(void **state)
{
    struct given *given = *state;
    static int callers[CALLERS];
    long before, most = 0;
    int wire;

    given->settings.threads = 1;
    given->settings.connections_most = INSIDE_MOST;
    start(given);
    gate_close(&given->gate, given->outbox);
    send_lines_and_go(given);
    before = descriptors();
    for (int i = 0; i < CALLERS; i++)
        callers[i] = dial(given); /* the kernel's queue takes them all */
    for (int i = 0; i < 250; i++) {
        const long now = descriptors() - before - CALLERS;

        most = now > most ? now : most;
        usleep(10000);
    }
    gate_open(&given->gate);
    for (int i = 0; i < CALLERS; i++)
        close(callers[i]);
    wire = dial(given);
    say(wire, "GET /health/live HTTP/1.1\r\nHost: localhost\r\n\r\n");
    assert_int_equal(heard(wire), 200);
    close(wire);
    intake_stop(given->intake);
    assert_in_range(most, 1, INSIDE_MOST);
    assert_int_equal(kept(given), 1);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(test_a_slow_disk_lets_no_more_in_than_may_be_inside,
                                        given_setup, given_teardown),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
