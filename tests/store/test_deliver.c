/* Claiming and settling: in order, per patient; marked before it is handed out; needs; attempts. */
#include "given.h"

#include <sqlite3.h>

#include "heap.h"

static void settle_wait(struct given *given, const struct claim_entry *entry, int64_t due_ms,
                        bool ambiguous, bool not_sent)
{
    const struct settlement settlement = {.seq = entry->seq,
                                          .as = SETTLE_WAIT,
                                          .reason = "no answer",
                                          .http_status = 0,
                                          .due_ms = due_ms,
                                          .ambiguous = ambiguous,
                                          .not_sent = not_sent};

    assert_int_equal(outbox_settle(given->outbox, &settlement, 1, NOW), STATUS_OK);
}

static void put_all(struct given *given, const unsigned *numbers, const char *patient)
{
    for (; *numbers; numbers++)
        assert_int_equal(put_single(given->outbox, *numbers, patient, "heart-rate", NOW),
                         STATUS_OK);
}

static void settle_one(struct given *given, int64_t seq, enum settle_as as)
{
    const struct settlement settlement = {.seq = seq,
                                          .as = as,
                                          .remote = as == SETTLE_CHARTED ? "Observation/9" : NULL,
                                          .version = as == SETTLE_CHARTED ? "1" : NULL,
                                          .http_status = as == SETTLE_CHARTED ? 201 : 422,
                                          .reason = "refused"};

    assert_int_equal(outbox_settle(given->outbox, &settlement, 1, NOW + 500), STATUS_OK);
}

static void test_claims_come_in_order_and_whole(void **state)
{
    struct given *given = *state;
    struct claim *claim;
    static struct made made;

    put_all(given, NUMBERED(1, 2, 3, 4, 5), "s|p");
    claim = claim_at(given, 3, NOW);
    assert_claimed(claim, NUMBERED(1, 2, 3));
    for (size_t i = 0; i < 3; i++) {
        made_texts(&made, 0, (unsigned)i + 1);
        assert_int_equal(claim->entries[i].length, strlen(made.became[0]));
        assert_memory_equal(claim->entries[i].became, made.became[0], claim->entries[i].length);
        assert_string_equal(claim->entries[i].patient, "s|p");
        assert_int_equal(claim->entries[i].attempts, 0);
        assert_false(claim->entries[i].ambiguous);
        assert_int_equal(claim->entries[i].sent_ms, 0);
        assert_null(claim->entries[i].remote);
        assert_int_equal(claim->entries[i].needs_count, 0);
    }
    settle_claim(given, claim, SETTLE_CHARTED, NOW);
    claim_free(claim);
    assert_string_equal(row_of(given, 2).remote, "Observation/2");
    assert_int_equal(row_of(given, 2).settled_ms, NOW);
    assert_int_equal(row_of(given, 2).attempts, 1);
    chart(given, NUMBERED(4, 5));
    assert_counts(given, 0, 0, 5, 0);
    claim = claim_at(given, MOST, NOW);
    assert_int_equal(claim->count, 0);
    assert_true(claim->next_due_ms == INT64_MAX);
    claim_free(claim);
}

static void test_a_claim_is_bounded_in_bytes(void **state)
{
    struct given *given = *state;
    struct claim *claim = NULL;

    put_all(given, NUMBERED(1, 2, 3, 4), "s|p");
    assert_int_equal(outbox_claim(given->outbox, MOST, 2000, NOW, &claim),
                     STATUS_OK); /* some 1.4 kB each */
    assert_claimed(claim, NUMBERED(1, 2));
    settle_claim(given, claim, SETTLE_CHARTED, NOW);
    claim_free(claim);
}

/* The mark is on disk before the claim is handed out: whoever dies with it finds it so. */
static void test_what_was_claimed_is_ambiguous_after_a_restart(void **state)
{
    struct given *given = *state;
    struct claim *claim;

    put_all(given, NUMBERED(1, 2), "s|p");
    claim_free(claim_at(given, 1, NOW));
    given_stop(given);
    given_start(given);
    assert_state(given, 1, ENTRY_WAITING);
    claim = claim_at(given, MOST, NOW + 1);
    assert_claimed(claim, NUMBERED(1, 2));
    assert_true(claim->entries[0].ambiguous);
    assert_int_equal(claim->entries[0].attempts, 1);
    assert_int_equal(claim->entries[0].sent_ms, NOW);
    assert_false(claim->entries[1].ambiguous);
    settle_claim(given, claim, SETTLE_CHARTED, NOW);
    claim_free(claim);
}

/* What was claimed and not settled comes with the next claim, as if we had died with it; in its
 * order. */
static void test_what_was_not_settled_comes_again(void **state)
{
    struct given *given = *state;
    struct claim *claim;

    put_all(given, NUMBERED(1, 2, 3), "s|p");
    claim = claim_at(given, 2, NOW);
    settle_one(given, claim->entries[1].seq, SETTLE_CHARTED);
    claim_free(claim);
    claim = claim_at(given, 1, NOW + 1);
    assert_claimed(claim, NUMBERED(1));
    assert_true(claim->entries[0].ambiguous);
    assert_int_equal(claim->entries[0].attempts, 1);
    settle_claim(given, claim, SETTLE_CHARTED, NOW);
    claim_free(claim);
    chart(given, NUMBERED(3));
}

/* Settling and claiming in one COMMIT: what is settled is not claimed again, what hung on it is. */
static void test_a_turn(void **state)
{
    struct given *given = *state;
    static struct made made;
    struct claim *claim, *next = NULL;
    struct settlement settlements[2] = {
        {.as = SETTLE_CHARTED, .remote = "Observation/1", .http_status = 201},
        { .as = SETTLE_WAIT,  .due_ms = NOW + 50,          .reason = "busy", .http_status = 429}
    };

    made_begin(&made, 1, "s|p");
    made_main(&made, 1, "oxygen-saturation", NOW);
    made_other(&made, 2, "oxygen-flow", 0);
    made_need(&made, 0, true);
    assert_int_equal(made_put(&made, given->outbox), STATUS_OK);
    put_all(given, NUMBERED(3), "s|q");
    assert_int_equal(outbox_turn(given->outbox, NULL, 0, MOST, BYTES, NOW, &claim), STATUS_OK);
    assert_claimed(claim, NUMBERED(1, 3));
    for (int i = 0; i < 2; i++)
        settlements[i].seq = claim->entries[i].seq;
    claim_free(claim);
    assert_int_equal(outbox_turn(given->outbox, settlements, 2, MOST, BYTES, NOW, &next),
                     STATUS_OK);
    assert_claimed(next, NUMBERED(2));
    settle_claim(given, next, SETTLE_CHARTED, NOW);
    claim_free(next);
    claim = claim_at(given, MOST, NOW + 50);
    assert_claimed(claim, NUMBERED(3));
    assert_false(claim->entries[0].ambiguous);
    settle_claim(given, claim, SETTLE_CHARTED, NOW);
    claim_free(claim);
    assert_counts(given, 0, 0, 3, 0);
}

static void test_waiting_until_due(void **state)
{
    struct given *given = *state;
    struct claim *claim;

    put_all(given, NUMBERED(1), "s|p");
    claim = claim_at(given, MOST, NOW);
    settle_wait(given, &claim->entries[0], NOW + 60000, true, false);
    claim_free(claim);
    claim = claim_at(given, MOST, NOW + 59999);
    assert_claimed(claim, NONE);
    assert_true(claim->next_due_ms == NOW + 60000);
    claim_free(claim);
    assert_int_equal(row_of(given, 1).due_ms, NOW + 60000);
    assert_string_equal(row_of(given, 1).reason, "no answer");
    claim = claim_at(given, MOST, NOW + 60000);
    assert_claimed(claim, NUMBERED(1));
    assert_true(claim->entries[0].ambiguous);
    assert_int_equal(claim->entries[0].attempts, 1);
    assert_int_equal(claim->entries[0].sent_ms, NOW);
    settle_wait(given, &claim->entries[0], NOW + 60001, false,
                true); /* this one never left: as if it had not been */
    claim_free(claim);
    claim = claim_at(given, MOST, NOW + 60001);
    assert_false(claim->entries[0].ambiguous);
    assert_int_equal(claim->entries[0].attempts, 1);
    assert_int_equal(claim->entries[0].sent_ms, NOW);
    settle_claim(given, claim, SETTLE_CHARTED, NOW);
    claim_free(claim);
}

/* ---- the patient's line ---- */

static void test_a_waiting_one_holds_up_its_patient_and_nobody_else(void **state)
{
    struct given *given = *state;
    struct claim *claim;

    put_all(given, NUMBERED(1), "s|a");
    claim = claim_at(given, MOST, NOW);
    settle_wait(given, &claim->entries[0], NOW + 1000, false, false);
    claim_free(claim);
    put_all(given, NUMBERED(2, 3), "s|a");
    put_all(given, NUMBERED(4), "s|b");
    chart(given, NUMBERED(4));
    claim = claim_at(given, MOST, NOW + 999);
    assert_claimed(claim, NONE);
    assert_true(claim->next_due_ms == NOW + 1000);
    claim_free(claim);
    claim = claim_at(given, 1, NOW + 1000);
    assert_claimed(claim, NUMBERED(1));
    settle_claim(given, claim, SETTLE_CHARTED, NOW);
    claim_free(claim);
    chart(given, NUMBERED(2, 3));
}

static void test_a_held_one_steps_out_of_the_line(void **state)
{
    struct given *given = *state;
    struct claim *claim;

    put_all(given, NUMBERED(1, 2, 3), "s|a");
    claim = claim_at(given, 2, NOW);
    settle_one(given, claim->entries[0].seq, SETTLE_HELD);
    settle_wait(given, &claim->entries[1], NOW + 1000, false, false);
    claim_free(claim);
    claim = claim_at(given, MOST, NOW);
    assert_claimed(claim, NONE); /* 3 waits behind 2, which is not due */
    claim_free(claim);
    claim = claim_at(given, MOST, NOW + 1000);
    assert_claimed(claim, NUMBERED(2));
    settle_one(given, claim->entries[0].seq, SETTLE_HELD);
    claim_free(claim);
    chart(given, NUMBERED(3));
    assert_counts(given, 0, 2, 1, 0);
}

/* Also when many wait behind: they come in order, a bounded number at a time, and each comes. */
static void test_a_long_line_moves_up(void **state)
{
    struct given *given = *state;
    struct claim *claim;
    unsigned next = 2;

    for (unsigned i = 1; i <= 300; i++)
        assert_int_equal(put_single(given->outbox, i, "s|a", "heart-rate", NOW), STATUS_OK);
    claim = claim_at(given, 1, NOW);
    settle_wait(given, &claim->entries[0], NOW + 1000, false, false);
    claim_free(claim);
    for (int i = 0; i < 4; i++) { /* all of them are passed by */
        claim = claim_at(given, MOST, NOW);
        assert_int_equal(claim->count, 0);
        claim_free(claim);
    }
    claim = claim_at(given, MOST, NOW + 1000);
    assert_claimed(claim, NUMBERED(1));
    settle_claim(given, claim, SETTLE_CHARTED, NOW);
    claim_free(claim);
    while (next <= 300) {
        claim = claim_at(given, MOST, NOW + 1000);
        assert_true(claim->count > 0);
        for (size_t i = 0; i < claim->count; i++) {
            const struct uuid id = id_of(next++);

            assert_memory_equal(&claim->entries[i].id, &id, sizeof(id));
        }
        settle_claim(given, claim, SETTLE_CHARTED, NOW);
        claim_free(claim);
    }
    assert_counts(given, 0, 0, 300, 0);
}

/* ---- needs ---- */

/* 1, 2: mains; 3: a companion of 1; 9: the panel (loosely 1 and 2); 10: a score (strictly both). */
static void put_set_of_two(struct given *given)
{
    static struct made made;

    made_begin(&made, 100, "s|p");
    made_main(&made, 1, "oxygen-saturation", NOW);
    made_other(&made, 3, "oxygen-flow", 0);
    made_need(&made, 0, true);
    made_main(&made, 2, "heart-rate", NOW);
    made_other(&made, 9, "panel", SIZE_MAX);
    made_need(&made, 0, false);
    made_need(&made, 2, false);
    made_other(&made, 10, "score", SIZE_MAX);
    made_need(&made, 0, true);
    made_need(&made, 2, true);
    assert_int_equal(made_put(&made, given->outbox), STATUS_OK);
}

static void test_needs_go_first(void **state)
{
    struct given *given = *state;
    struct claim *claim;

    put_set_of_two(given);
    chart(given, NUMBERED(1, 2));
    claim = claim_at(given, MOST, NOW);
    assert_claimed(claim, NUMBERED(3, 9, 10));
    assert_int_equal(claim->entries[0].needs_count, 1);
    assert_int_equal(claim->entries[0].needs[0], 1);
    assert_int_equal(claim->entries[1].needs_count, 2);
    assert_int_equal(claim->entries[1].needs[0], 1);
    assert_int_equal(claim->entries[1].needs[1], 3);
    settle_claim(given, claim, SETTLE_CHARTED, NOW);
    claim_free(claim);
    assert_counts(given, 0, 0, 5, 0);
}

/* One that waits for what it needs does not hold up what comes after it for its patient. */
static void test_the_unmet_hold_up_nobody(void **state)
{
    struct given *given = *state;
    struct claim *claim;

    put_set_of_two(given);
    put_all(given, NUMBERED(20), "s|p");
    claim = claim_at(given, MOST, NOW);
    assert_claimed(claim, NUMBERED(1, 2, 20));
    settle_one(given, claim->entries[0].seq, SETTLE_HELD);
    settle_one(given, claim->entries[1].seq, SETTLE_CHARTED);
    settle_one(given, claim->entries[2].seq, SETTLE_CHARTED);
    claim_free(claim);
    chart(given, NUMBERED(9)); /* the panel goes with those that are charted; 3 and 10 need 1 */
    assert_state(given, 3, ENTRY_WAITING);
    assert_state(given, 10, ENTRY_WAITING);
    assert_counts(given, 2, 1, 3, 0);
}

/* None of its members charted: there is nothing for a panel to list. */
static void test_a_panel_needs_one_that_is_charted(void **state)
{
    struct given *given = *state;
    struct claim *claim;

    put_set_of_two(given);
    claim = claim_at(given, MOST, NOW);
    settle_claim(given, claim, SETTLE_HELD, NOW);
    claim_free(claim);
    claim = claim_at(given, MOST, NOW);
    assert_claimed(claim, NONE);
    assert_true(claim->next_due_ms == INT64_MAX);
    claim_free(claim);
}

static bool attempt_seen(void *context, const struct attempt *attempt)
{
    char *text = context;
    size_t length = strlen(text);

    snprintf(text + length, 256 - length, "%lld %d %s %.*s; ", (long long)(attempt->at_ms - NOW),
             attempt->http_status, attempt->reason, (int)attempt->said_length,
             attempt->said ? attempt->said : "");
    return true;
}

static void assert_attempts(struct given *given, unsigned number, const char *expected)
{
    char text[256] = "";

    assert_int_equal(outbox_attempts(given->reader, row_of(given, number).seq, attempt_seen, text),
                     STATUS_OK);
    assert_string_equal(text, expected);
}

/* A member charted after the panel: the panel becomes waiting again, knows where it is, and goes as
 * a new version. */
static void test_a_member_charted_later_makes_a_new_version(void **state)
{
    struct given *given = *state;
    struct claim *claim;
    const struct uuid id = id_of(1);

    put_set_of_two(given);
    claim = claim_at(given, MOST, NOW);
    settle_one(given, claim->entries[0].seq, SETTLE_HELD);
    settle_one(given, claim->entries[1].seq, SETTLE_CHARTED);
    claim_free(claim);
    chart(given, NUMBERED(9));
    assert_int_equal(outbox_release(given->outbox, &id, "seen by hand", "N-17", NOW), STATUS_OK);
    chart(given, NUMBERED(1));
    assert_state(given, 9, ENTRY_WAITING);
    assert_counts(given, 3, 0, 2, 0);
    claim = claim_at(given, MOST, NOW);
    assert_claimed(claim, NUMBERED(3, 9, 10));
    assert_string_equal(claim->entries[1].remote, "Observation/4");
    assert_string_equal(claim->entries[1].remote_version, "1");
    assert_null(claim->entries[0].remote);
    settle_claim(given, claim, SETTLE_CHARTED, NOW + 2000);
    claim_free(claim);
    assert_attempts(given, 9, "1000 201 charted ; 2000 201 charted ; ");
    assert_counts(given, 0, 0, 5, 0);
}

/* ---- attempts ---- */

static void test_attempts_are_kept_in_order(void **state)
{
    struct given *given = *state;
    struct claim *claim;
    struct settlement settlement = {.as = SETTLE_WAIT,
                                    .reason = "no useful answer",
                                    .http_status = 503,
                                    .said = "{}",
                                    .said_length = 2};

    put_all(given, NUMBERED(1), "s|p");
    assert_attempts(given, 1, "");
    for (int i = 0; i < 2; i++) {
        claim = claim_at(given, MOST, NOW + i);
        settlement.seq = claim->entries[0].seq;
        assert_int_equal(outbox_settle(given->outbox, &settlement, 1, NOW + i), STATUS_OK);
        claim_free(claim);
    }
    chart(given, NUMBERED(1));
    assert_attempts(given, 1,
                    "0 503 no useful answer {}; 1 503 no useful answer {}; 1000 201 charted ; ");
    assert_int_equal(row_of(given, 1).attempts, 3);
}

static void test_remote(void **state)
{
    struct given *given = *state;
    const struct uuid id = id_of(1);
    struct uuid seen = {{0}};
    char *remote = NULL;

    put_all(given, NUMBERED(1), "s|p");
    assert_int_equal(outbox_remote(given->reader, 1, &seen, &remote), STATUS_OK);
    assert_null(remote);
    assert_memory_equal(&seen, &id, sizeof(id));
    chart(given, NUMBERED(1));
    assert_int_equal(outbox_remote(given->reader, 1, &seen, &remote), STATUS_OK);
    assert_string_equal(remote, "Observation/1");
    free(remote);
    assert_int_equal(outbox_remote(given->reader, 77, &seen, &remote), STATUS_NOT_FOUND);
}

/* What is settled already stays as it is. */
static void test_settling_twice_changes_nothing(void **state)
{
    struct given *given = *state;

    put_all(given, NUMBERED(1), "s|p");
    chart(given, NUMBERED(1));
    settle_one(given, 1, SETTLE_HELD);
    assert_state(given, 1, ENTRY_CHARTED);
    assert_counts(given, 0, 0, 1, 0);
    settle_one(given, 99, SETTLE_CHARTED); /* nobody knows it */
    assert_counts(given, 0, 0, 1, 0);
}

/* Bytes that cannot be read back stop nobody else: a person is told. */
static void test_a_damaged_entry_is_held(void **state)
{
    struct given *given = *state;
    sqlite3 *handle = NULL;

    put_all(given, NUMBERED(1, 2, 3), "s|p");
    given_stop(given);
    assert_int_equal(sqlite3_open(given->path, &handle), SQLITE_OK);
    assert_int_equal(
        sqlite3_exec(handle,
                     "UPDATE entry SET became = x'0102030405060708' WHERE seq = 2 AND base = 1",
                     NULL, NULL, NULL),
        SQLITE_OK);
    assert_int_equal(sqlite3_changes(handle), 1);
    sqlite3_close(handle);
    given_start(given);
    chart(given, NUMBERED(1, 3));
    assert_counts(given, 0, 1, 2, 0);
}

/* ---- failing allocations ---- */

static void arm(struct put *put)
{
    heap_fail_at((unsigned)put->conflict_entry); /* on the writer's thread */
    made_done(put);
}

static void arm_writer(struct given *given, unsigned number, unsigned nth)
{
    static struct made made;

    made_begin(&made, number, "s|arm");
    made_main(&made, number, "heart-rate", NOW)->hold = true;
    made.put.context = &made;
    made.put.done = arm;
    made.is_done = false;
    made.put.conflict_entry = nth;
    outbox_put(given->outbox, &made.put);
    assert_int_equal(made_wait(&made), STATUS_OK);
}

/* A claim or a settling that fails has done nothing: the next one finds all as it was. */
static void test_delivery_survives_each_failed_allocation(void **state)
{
    struct given *given = *state;
    unsigned number = 1000, nth = 0;
    enum status claimed, settled = STATUS_NO_MEMORY;

    put_set_of_two(given);
    do {
        struct claim *claim = NULL;

        given_stop(given);
        given_start(given);
        arm_writer(given, number++, ++nth);
        claimed = outbox_claim(given->outbox, 1, BYTES, NOW, &claim);
        if (claimed == STATUS_OK) {
            const struct settlement settlement = {.seq = claim->entries[0].seq,
                                                  .as = SETTLE_HELD,
                                                  .reason = "r",
                                                  .said = "{}",
                                                  .said_length = 2};

            settled = outbox_settle(given->outbox, &settlement, 1, NOW);
            assert_true(settled == STATUS_OK || settled == STATUS_NO_MEMORY);
            claim_free(claim);
        } else {
            assert_int_equal(claimed, STATUS_NO_MEMORY);
            assert_null(claim);
        }
        arm_writer(given, number++, 0);
        assert_state(given, 1, settled == STATUS_OK ? ENTRY_HELD : ENTRY_WAITING);
    } while (settled != STATUS_OK && nth < 2000);
    assert_in_range(nth, 2, 1999);
    chart(given, NUMBERED(2));
    chart(given, NUMBERED(9));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(test_claims_come_in_order_and_whole, given_setup,
                                        given_teardown),
        cmocka_unit_test_setup_teardown(test_a_claim_is_bounded_in_bytes, given_setup,
                                        given_teardown),
        cmocka_unit_test_setup_teardown(test_what_was_claimed_is_ambiguous_after_a_restart,
                                        given_setup, given_teardown),
        cmocka_unit_test_setup_teardown(test_what_was_not_settled_comes_again, given_setup,
                                        given_teardown),
        cmocka_unit_test_setup_teardown(test_a_turn, given_setup, given_teardown),
        cmocka_unit_test_setup_teardown(test_waiting_until_due, given_setup, given_teardown),
        cmocka_unit_test_setup_teardown(test_a_waiting_one_holds_up_its_patient_and_nobody_else,
                                        given_setup, given_teardown),
        cmocka_unit_test_setup_teardown(test_a_held_one_steps_out_of_the_line, given_setup,
                                        given_teardown),
        cmocka_unit_test_setup_teardown(test_a_long_line_moves_up, given_setup, given_teardown),
        cmocka_unit_test_setup_teardown(test_needs_go_first, given_setup, given_teardown),
        cmocka_unit_test_setup_teardown(test_the_unmet_hold_up_nobody, given_setup, given_teardown),
        cmocka_unit_test_setup_teardown(test_a_panel_needs_one_that_is_charted, given_setup,
                                        given_teardown),
        cmocka_unit_test_setup_teardown(test_a_member_charted_later_makes_a_new_version,
                                        given_setup, given_teardown),
        cmocka_unit_test_setup_teardown(test_attempts_are_kept_in_order, given_setup,
                                        given_teardown),
        cmocka_unit_test_setup_teardown(test_remote, given_setup, given_teardown),
        cmocka_unit_test_setup_teardown(test_settling_twice_changes_nothing, given_setup,
                                        given_teardown),
        cmocka_unit_test_setup_teardown(test_a_damaged_entry_is_held, given_setup, given_teardown),
        cmocka_unit_test_setup_teardown(test_delivery_survives_each_failed_allocation, given_setup,
                                        given_teardown),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
