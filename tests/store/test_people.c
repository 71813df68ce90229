/* What people decide: release, release after mapping, discard; and what goes with it. */
#include "given.h"

static void hold_by_server(struct given *given, unsigned number, const char *patient)
{
    struct claim *claim;

    assert_int_equal(put_single(given->outbox, number, patient, "heart-rate", NOW), STATUS_OK);
    claim = claim_at(given, MOST, NOW);
    assert_claimed(claim, NUMBERED(number));
    settle_claim(given, claim, SETTLE_HELD, NOW);
    claim_free(claim);
}

static enum status release(struct given *given, unsigned number)
{
    const struct uuid id = id_of(number);

    return outbox_release(given->outbox, &id, "checked at the bedside", "N-17", NOW + 5);
}

static enum status discard(struct given *given, unsigned number)
{
    const struct uuid id = id_of(number);

    return outbox_discard(given->outbox, &id, "wrong patient", "N-17", NOW + 5);
}

static void test_release(void **state)
{
    struct given *given = *state;
    struct seen_row seen;

    hold_by_server(given, 1, "s|p");
    assert_counts(given, 0, 1, 0, 0);
    assert_int_equal(release(given, 1), STATUS_OK);
    seen = row_of(given, 1);
    assert_int_equal(seen.state, ENTRY_WAITING);
    assert_string_equal(seen.by, "N-17");
    assert_counts(given, 1, 0, 0, 0);
    assert_int_equal(release(given, 1), STATUS_CONFLICT); /* it is not held any more */
    assert_int_equal(release(given, 99), STATUS_NOT_FOUND);
    chart(given, NUMBERED(1));
    assert_int_equal(release(given, 1), STATUS_CONFLICT);
}

/* Held before its turn and released: it takes its place in its patient's line, not the front. */
static void test_released_before_its_turn_keeps_its_place(void **state)
{
    struct given *given = *state;
    static struct made made;
    struct claim *claim;

    assert_int_equal(put_single(given->outbox, 1, "s|p", "heart-rate", NOW), STATUS_OK);
    made_begin(&made, 2, "s|p");
    made_main(&made, 2, "heart-rate", NOW)->hold = true;
    assert_int_equal(made_put(&made, given->outbox), STATUS_OK);
    assert_int_equal(put_single(given->outbox, 3, "s|p", "heart-rate", NOW), STATUS_OK);
    assert_int_equal(release(given, 2), STATUS_OK);
    assert_counts(given, 3, 0, 0, 0);
    claim = claim_at(given, 1, NOW + 10);
    assert_claimed(claim, NUMBERED(1));
    settle_claim(given, claim, SETTLE_CHARTED, NOW);
    claim_free(claim);
    claim = claim_at(given, MOST, NOW + 10);
    assert_claimed(claim, NUMBERED(2, 3));
    assert_int_equal(claim->entries[0].attempts, 0);
    settle_claim(given, claim, SETTLE_CHARTED, NOW);
    claim_free(claim);
    assert_counts(given, 0, 0, 3, 0);
}

/* ---- kept unmapped ---- */

static void put_unmapped(struct given *given, unsigned number, const char *patient)
{
    static struct made made;
    struct put_entry *entry;

    made_begin(&made, number, patient);
    entry = made_main(&made, number, "oxygen-saturation", NOW);
    entry->became = NULL;
    entry->became_length = 0;
    entry->hold = true;
    entry->hold_reason = "confirm";
    assert_int_equal(made_put(&made, given->outbox), STATUS_OK);
}

static bool sent_seen(void *context, const struct outbox_row *row)
{
    struct made *expected = context;

    assert_int_equal(row->sent_length, strlen(expected->sent[0]));
    assert_memory_equal(row->sent, expected->sent[0], row->sent_length);
    assert_memory_equal(row->became, "{\"mapped\": true}", 16);
    assert_memory_equal(row->flags, "[\"H\"]", 5);
    assert_memory_equal(row->values, "{\"v\": 2}", 8);
    return true;
}

static bool count_row(void *context, const struct outbox_row *row)
{
    (void)row;
    ++*(int *)context;
    return true;
}

/* What was sent stays as it was sent, whatever comes along with the release. */
static void test_release_mapped(void **state)
{
    struct given *given = *state;
    static struct made made;
    const struct uuid id = id_of(1);
    struct put_entry entries[2];
    int rows = 0;

    put_unmapped(given, 1, "s|p");
    put_unmapped(given, 5, "s|p");
    assert_int_equal(release(given, 1), STATUS_CONFLICT); /* there is nothing to send yet */
    made_begin(&made, 1, "s|p");
    made_main(&made, 1, "oxygen-saturation", NOW);
    made_other(&made, 2, "oxygen-flow", 0);
    memcpy(entries, made.entries, sizeof(entries));
    entries[0].became = "{\"mapped\": true}";
    entries[0].became_length = 16;
    entries[0].flags = "[\"H\"]";
    entries[0].flags_length = 5;
    entries[0].values = "{\"v\": 2}";
    entries[0].values_length = 8;
    entries[0].sent = "something else";
    entries[0].sent_length = 14;
    assert_int_equal(outbox_release_mapped(given->outbox, entries, 2, "confirmed", "N-17", NOW),
                     STATUS_OK);
    assert_int_equal(outbox_find(given->reader, &id, sent_seen, &made), STATUS_OK);
    assert_int_equal(row_of(given, 2).reading, 1);
    assert_string_equal(row_of(given, 2).patient, "s|p");
    assert_int_equal(outbox_of_set(given->reader, &id, count_row, &rows), STATUS_OK);
    assert_int_equal(rows, 2); /* the late companion is of the set, too */
    chart(given, NUMBERED(1));
    chart(given, NUMBERED(2));
    assert_state(given, 5, ENTRY_HELD);
    assert_int_equal(outbox_release_mapped(given->outbox, entries, 2, "again", "N-17", NOW),
                     STATUS_CONFLICT);
    entries[0].id = id_of(5);
    assert_int_equal(outbox_release_mapped(given->outbox, entries, 2, "2 is there", "N-17", NOW),
                     STATUS_CONFLICT);
    assert_state(given, 5, ENTRY_HELD); /* all or none */
    assert_false(row_of(given, 5).has_became);
    entries[0].became = NULL;
    assert_int_equal(
        outbox_release_mapped(given->outbox, entries, 1, "still unmapped", "N-17", NOW),
        STATUS_INVALID);
    entries[0].id = id_of(99);
    assert_int_equal(outbox_release_mapped(given->outbox, entries, 1, "?", "N-17", NOW),
                     STATUS_NOT_FOUND);
}

/* What strictly hangs on it and was held with it goes with it. */
static void test_release_takes_held_companions_along(void **state)
{
    struct given *given = *state;
    static struct made made;

    made_begin(&made, 1, "s|p");
    made_main(&made, 1, "oxygen-saturation", NOW)->hold = true;
    made_other(&made, 2, "oxygen-flow", 0)->hold = true;
    made_need(&made, 0, true);
    made_other(&made, 3, "panel", SIZE_MAX)->hold = true;
    made_need(&made, 0, false);
    assert_int_equal(made_put(&made, given->outbox), STATUS_OK);
    assert_counts(given, 0, 3, 0, 0);
    assert_int_equal(release(given, 1), STATUS_OK);
    assert_state(given, 2, ENTRY_WAITING);
    assert_state(given, 3, ENTRY_HELD);
    chart(given, NUMBERED(1));
    chart(given, NUMBERED(2));
    assert_int_equal(release(given, 3), STATUS_OK);
    chart(given, NUMBERED(3));
}

/* ---- discard ---- */

static void test_discard(void **state)
{
    struct given *given = *state;
    struct seen_row seen;
    struct claim *claim;

    assert_int_equal(put_single(given->outbox, 1, "s|p", "heart-rate", NOW), STATUS_OK);
    assert_int_equal(put_single(given->outbox, 2, "s|p", "heart-rate", NOW), STATUS_OK);
    assert_int_equal(discard(given, 1), STATUS_OK); /* never tried */
    seen = row_of(given, 1);
    assert_int_equal(seen.state, ENTRY_DISCARDED);
    assert_string_equal(seen.reason, "wrong patient");
    assert_string_equal(seen.by, "N-17");
    assert_int_equal(seen.settled_ms, NOW + 5);
    assert_counts(given, 1, 0, 0, 1);
    assert_int_equal(discard(given, 99), STATUS_NOT_FOUND);
    claim = claim_at(given, MOST, NOW);
    assert_claimed(claim, NUMBERED(2));
    assert_int_equal(discard(given, 2), STATUS_CONFLICT); /* it is on its way */
    settle_claim(given, claim, SETTLE_CHARTED, NOW);
    claim_free(claim);
    assert_int_equal(discard(given, 2), STATUS_CONFLICT);
    hold_by_server(given, 3, "s|q");
    assert_int_equal(discard(given, 3), STATUS_OK);
    assert_int_equal(release(given, 3), STATUS_CONFLICT);
    assert_counts(given, 0, 0, 1, 2);
}

/* 1: a main with a companion 2; 3: another main; 4: the panel of both; 5: a score, strictly of
 * both; 6: strictly of the score. */
static void put_family(struct given *given)
{
    static struct made made;

    made_begin(&made, 100, "s|p");
    made_main(&made, 1, "oxygen-saturation", NOW);
    made_other(&made, 2, "oxygen-flow", 0);
    made_need(&made, 0, true);
    made_main(&made, 3, "heart-rate", NOW);
    made_other(&made, 4, "panel", SIZE_MAX);
    made_need(&made, 0, false);
    made_need(&made, 2, false);
    made_other(&made, 5, "score", SIZE_MAX);
    made_need(&made, 0, true);
    made_need(&made, 2, true);
    made_other(&made, 6, "note", SIZE_MAX);
    made_need(&made, 4, true);
    assert_int_equal(made_put(&made, given->outbox), STATUS_OK);
}

static void test_discard_takes_along_what_cannot_go_without(void **state)
{
    struct given *given = *state;

    put_family(given);
    assert_int_equal(discard(given, 1), STATUS_OK);
    for (unsigned number = 1; number <= 6; number++)
        assert_state(given, number, number == 3 || number == 4 ? ENTRY_WAITING : ENTRY_DISCARDED);
    chart(given, NUMBERED(3));
    chart(given, NUMBERED(4)); /* the panel lists what is left */
    assert_counts(given, 0, 0, 2, 4);
}

static void test_a_panel_falls_with_its_last_member(void **state)
{
    struct given *given = *state;

    put_family(given);
    assert_int_equal(discard(given, 1), STATUS_OK);
    assert_int_equal(discard(given, 3), STATUS_OK);
    assert_state(given, 4, ENTRY_DISCARDED);
    assert_counts(given, 0, 0, 0, 6);
    chart(given, NONE);
}

/* All or none: when one that hangs on it cannot be unsaid, it stays, too. */
static void test_discard_is_all_or_none(void **state)
{
    struct given *given = *state;
    struct claim *claim;

    put_family(given);
    claim = claim_at(given, 1, NOW);
    assert_claimed(claim, NUMBERED(1));
    settle_claim(given, claim, SETTLE_HELD, NOW);
    claim_free(claim);
    claim = claim_at(given, 1, NOW);
    assert_claimed(claim, NUMBERED(3)); /* possibly sent */
    assert_int_equal(discard(given, 3), STATUS_CONFLICT);
    assert_int_equal(discard(given, 5), STATUS_OK);
    settle_claim(given, claim, SETTLE_CHARTED, NOW);
    claim_free(claim);
    assert_state(given, 6, ENTRY_DISCARDED);
    assert_counts(given, 2, 1, 1, 2);
}

/* The head of a patient's line discarded: the next may go, and whoever waits is told. */
static void note_change(void *context)
{
    __atomic_store_n((int *)context, 1, __ATOMIC_SEQ_CST);
}

static void test_discarding_the_head_frees_the_line(void **state)
{
    struct given *given = *state;
    struct claim *claim;
    int changed = 0;

    assert_int_equal(put_single(given->outbox, 1, "s|p", "heart-rate", NOW), STATUS_OK);
    claim = claim_at(given, MOST, NOW);
    assert_int_equal(outbox_settle(given->outbox,
                                   &(struct settlement){.seq = claim->entries[0].seq,
                                                        .as = SETTLE_WAIT,
                                                        .due_ms = NOW + 99999,
                                                        .not_sent = true},
                                   1, NOW),
                     STATUS_OK);
    claim_free(claim);
    assert_int_equal(put_single(given->outbox, 2, "s|p", "heart-rate", NOW), STATUS_OK);
    claim = claim_at(given, MOST, NOW);
    assert_claimed(claim, NONE);
    claim_free(claim);
    outbox_on_change(given->outbox, note_change, &changed);
    assert_int_equal(discard(given, 1), STATUS_OK);
    chart(given, NUMBERED(2));
    assert_int_equal(__atomic_load_n(&changed, __ATOMIC_SEQ_CST), 1);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(test_release, given_setup, given_teardown),
        cmocka_unit_test_setup_teardown(test_released_before_its_turn_keeps_its_place, given_setup,
                                        given_teardown),
        cmocka_unit_test_setup_teardown(test_release_mapped, given_setup, given_teardown),
        cmocka_unit_test_setup_teardown(test_release_takes_held_companions_along, given_setup,
                                        given_teardown),
        cmocka_unit_test_setup_teardown(test_discard, given_setup, given_teardown),
        cmocka_unit_test_setup_teardown(test_discard_takes_along_what_cannot_go_without,
                                        given_setup, given_teardown),
        cmocka_unit_test_setup_teardown(test_a_panel_falls_with_its_last_member, given_setup,
                                        given_teardown),
        cmocka_unit_test_setup_teardown(test_discard_is_all_or_none, given_setup, given_teardown),
        cmocka_unit_test_setup_teardown(test_discarding_the_head_frees_the_line, given_setup,
                                        given_teardown),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
