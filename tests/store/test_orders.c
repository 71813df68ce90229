/* Orders for the round: what a new one ends, who finds which, and that nothing is lost. */
#include "given.h"

#include "wardpost/orders.h"

struct listed {
    char text[2048];
};

static bool seen(void *context, const struct watch_order *order)
{
    struct listed *listed = context;
    size_t length = strlen(listed->text);

    snprintf(listed->text + length, sizeof(listed->text) - length, "%s %d %lld %s;",
             order->kind[0] ? order->kind : "-", order->interval_minutes,
             (long long)(order->at_ms > 0 ? order->at_ms - NOW : 0), order->reason);
    return true;
}

static enum status give(struct given *given, struct watch_order order)
{
    static int64_t made_ms = NOW;

    order.patient = order.patient ? order.patient : "s|p";
    order.kind = order.kind ? order.kind : "";
    order.by = "N-9";
    order.made_ms = made_ms++;
    return outbox_order(given->outbox, &order);
}

#define GIVE(...) assert_int_equal(give(given, (struct watch_order){__VA_ARGS__}), STATUS_OK)
#define END       .interval_minutes = -1

static void assert_open(struct given *given, const char *patient, const char *expected)
{
    struct listed listed = {""};

    assert_int_equal(outbox_orders(given->reader, patient, seen, &listed), STATUS_OK);
    assert_string_equal(listed.text, expected);
}

static void test_a_new_one_ends_the_old_one_of_its_sort(void **state)
{
    struct given *given = *state;

    GIVE(.interval_minutes = 60, .reason = "a");
    GIVE(.interval_minutes = -1, .at_ms = NOW + 5, .reason = "b");
    GIVE(.kind = "pain", .interval_minutes = 30, .reason = "c");
    GIVE(.kind = "pain", .interval_minutes = -1, .at_ms = NOW + 7, .reason = "d");
    assert_open(given, "s|p", "- 60 0 a;- -1 5 b;pain 30 0 c;pain -1 7 d;");
    GIVE(.interval_minutes = 0, .reason = "e"); /* continuous */
    GIVE(.kind = "pain", .interval_minutes = -1, .at_ms = NOW + 9, .reason = "f");
    assert_open(given, "s|p", "- -1 5 b;pain 30 0 c;- 0 0 e;pain -1 9 f;");
    GIVE(.kind = "pain", END, .reason = "over");
    assert_open(given, "s|p", "- -1 5 b;- 0 0 e;");
    assert_int_equal(give(given, (struct watch_order){.kind = "pain", END, .reason = "again"}),
                     STATUS_NOT_FOUND);
    assert_int_equal(given_count(given, "SELECT count(*) FROM watch_order"), 6);
    assert_int_equal(given_count(given, "SELECT count(*) FROM watch_order WHERE ended_by = 'N-9' "
                                        "AND ended_reason IN ('e', 'f', 'over')"),
                     4);
}

static void test_each_patient_has_his_own(void **state)
{
    struct given *given = *state;

    GIVE(.patient = "s|1", .interval_minutes = 60, .reason = "a");
    GIVE(.patient = "s|2", .interval_minutes = 30, .reason = "b");
    GIVE(.patient = "s|2", END, .reason = "c");
    assert_open(given, "s|1", "- 60 0 a;");
    assert_open(given, "s|2", "");
    assert_open(given, "s|", "");
    given_stop(given);
    given_open(given);
    assert_open(given, "s|1", "- 60 0 a;");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(test_a_new_one_ends_the_old_one_of_its_sort, given_setup,
                                        given_teardown),
        cmocka_unit_test_setup_teardown(test_each_patient_has_his_own, given_setup, given_teardown),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
