/* What a COMMIT changed is told to whoever watches; nothing is noted while nobody does. */
#include "gate.h"
#include "given.h"

struct told {
    struct outbox_change changes[4096];
    size_t count;
    unsigned calls;
    bool lost;
};

/* On the writer's thread; looked at behind settled(). */
static void on_changes(void *context, const struct outbox_change *changes, size_t count, bool lost)
{
    struct told *told = context;

    assert_true(told->count + count <= sizeof(told->changes) / sizeof(told->changes[0]));
    for (size_t i = 0; i < count; i++)
        told->changes[told->count++] = changes[i];
    told->calls++;
    told->lost = told->lost || lost;
}

/* One round more: whoever watches was told of those before it. */
static void settled(struct given *given)
{
    assert_int_equal(outbox_settle(given->outbox, NULL, 0, NOW), STATUS_OK);
}

/* Just this one, and what it is by now; then begins anew. */
static void assert_told(struct given *given, struct told *told, unsigned number, bool of_set,
                        enum entry_state state)
{
    struct seen_row row = {0};

    settled(given);
    assert_int_equal(told->count, 1);
    assert_int_equal(told->changes[0].of_set, of_set);
    assert_int_equal(outbox_find_seq(given->reader, told->changes[0].seq, row_seen, &row),
                     STATUS_OK);
    assert_true(uuid_equal(&row.id, &(struct uuid[]){id_of(number)}[0]));
    assert_int_equal(row.state, state);
    *told = (struct told){.count = 0};
}

static void test_the_way_of_a_reading(void **state)
{
    static struct told told;
    struct given *given = *state;
    struct claim *claim;

    told = (struct told){.count = 0};
    outbox_watch(given->outbox, on_changes, &told);
    assert_int_equal(put_single(given->outbox, 1, "s|p", "heart-rate", NOW), STATUS_OK);
    assert_told(given, &told, 1, true, ENTRY_WAITING);
    claim = claim_at(given, MOST, NOW);
    settled(given);
    assert_int_equal(told.count, 0); /* on its way: still waiting */
    settle_claim(given, claim, SETTLE_HELD, NOW);
    claim_free(claim);
    assert_told(given, &told, 1, false, ENTRY_HELD);
    assert_int_equal(outbox_release(given->outbox, &(struct uuid[]){id_of(1)}[0], "r", "b", NOW),
                     STATUS_OK);
    assert_told(given, &told, 1, false, ENTRY_WAITING);
    chart(given, NUMBERED(1));
    assert_told(given, &told, 1, false, ENTRY_CHARTED);
    assert_int_equal(put_single(given->outbox, 2, "s|p", "heart-rate", NOW), STATUS_OK);
    assert_told(given, &told, 2, true, ENTRY_WAITING);
    assert_int_equal(outbox_discard(given->outbox, &(struct uuid[]){id_of(2)}[0], "r", "b", NOW),
                     STATUS_OK);
    assert_told(given, &told, 2, false, ENTRY_DISCARDED);
    outbox_watch(given->outbox, NULL, NULL);
}

static void test_mains_of_a_set_only(void **state)
{
    static struct told told;
    struct given *given = *state;
    struct made made;

    told = (struct told){.count = 0};
    outbox_watch(given->outbox, on_changes, &told);
    made_begin(&made, 100, "s|p");
    made_main(&made, 1, "oxygen-saturation", NOW);
    made_other(&made, 2, "oxygen-flow", 0);
    made_main(&made, 3, "heart-rate", NOW);
    made_other(&made, 4, "panel", SIZE_MAX);
    assert_int_equal(made_put(&made, given->outbox), STATUS_OK);
    settled(given);
    assert_int_equal(told.count, 2);
    assert_int_equal(told.calls, 1);
    assert_true(told.changes[0].of_set && told.changes[1].of_set);
    assert_int_equal(told.changes[0].seq, row_of(given, 1).seq);
    assert_int_equal(told.changes[1].seq, row_of(given, 3).seq);
    outbox_watch(given->outbox, NULL, NULL);
}

static void test_nobody_watches(void **state)
{
    static struct told told;
    struct given *given = *state;

    told = (struct told){.count = 0};
    outbox_watch(given->outbox, on_changes, &told);
    outbox_watch(given->outbox, NULL, NULL);
    assert_int_equal(put_single(given->outbox, 1, "s|p", "heart-rate", NOW), STATUS_OK);
    settled(given);
    assert_int_equal(told.calls, 0);
    assert_null(given->outbox->changes.items); /* the writer's, which has nothing to do */
    outbox_watch(given->outbox, on_changes, &told);
    assert_int_equal(put_single(given->outbox, 2, "s|p", "heart-rate", NOW), STATUS_OK);
    assert_told(given, &told, 2, true, ENTRY_WAITING);
    outbox_watch(given->outbox, NULL, NULL);
}

/* What is taken back may be told of, but never what is not so: it is looked up. */
static void test_what_was_not_kept(void **state)
{
    static struct told told;
    struct given *given = *state;
    struct seen_row row;

    assert_int_equal(put_single(given->outbox, 1, "s|p", "heart-rate", NOW), STATUS_OK);
    told = (struct told){.count = 0};
    outbox_watch(given->outbox, on_changes, &told);
    assert_int_equal(put_single(given->outbox, 1, "s|p", "heart-rate", NOW), STATUS_OK); /* again */
    settled(given);
    for (size_t i = 0; i < told.count; i++)
        assert_int_equal(outbox_find_seq(given->reader, told.changes[i].seq, row_seen, &row),
                         STATUS_NOT_FOUND);
    assert_int_equal(outbox_find_seq(given->reader, 999, row_seen, &row), STATUS_NOT_FOUND);
    outbox_watch(given->outbox, NULL, NULL);
}

static void test_more_than_there_is_room_for(void **state)
{
    static struct told told;
    struct gate gate;
    struct given *given = *state;

    told = (struct told){.count = 0};
    outbox_watch(given->outbox, on_changes, &told);
    gate_close(&gate, given->outbox); /* the writer stands still within a round */
    for (int64_t seq = 1; seq <= CHANGES_MOST + 1; seq++)
        change_note(given->outbox, seq, false);
    gate_open(&gate);
    settled(given);
    assert_int_equal(told.count, CHANGES_MOST);
    assert_true(told.lost);
    told = (struct told){.count = 0};
    assert_int_equal(put_single(given->outbox, 1, "s|p", "heart-rate", NOW), STATUS_OK);
    settled(given);
    assert_false(told.lost); /* of that round nothing was */
    assert_int_equal(told.count, 1);
    outbox_watch(given->outbox, NULL, NULL);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(test_the_way_of_a_reading, given_setup, given_teardown),
        cmocka_unit_test_setup_teardown(test_mains_of_a_set_only, given_setup, given_teardown),
        cmocka_unit_test_setup_teardown(test_nobody_watches, given_setup, given_teardown),
        cmocka_unit_test_setup_teardown(test_what_was_not_kept, given_setup, given_teardown),
        cmocka_unit_test_setup_teardown(test_more_than_there_is_room_for, given_setup,
                                        given_teardown),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
