/* What outbox_put() promises: all or none, on disk before it is said, the same again is the same.
 */
#include "given.h"

#include <semaphore.h>
#include <stdatomic.h>

#include "heap.h"
#include "wardpost/metrics.h"

static void test_put_is_found_as_it_was(void **state)
{
    struct given *given = *state;
    struct made *made = malloc(sizeof(*made));
    struct seen_row seen;

    assert_non_null(made);
    made_begin(made, 500, "https://clinic.example/mrn|WP-1");
    made_main(made, 1, "oxygen-saturation", NOW - 5);
    made_other(made, 2, "oxygen-flow", 0);
    made_need(made, 0, true);
    made_main(made, 3, "heart-rate", NOW - 4);
    made_other(made, 4, "panel", SIZE_MAX);
    assert_int_equal(made_put(made, given->outbox), STATUS_OK);
    assert_false(made->put.replayed);
    seen = row_of(given, 1);
    assert_int_equal(seen.seq, 1);
    assert_int_equal(seen.reading, 1);
    assert_int_equal(seen.state, ENTRY_WAITING);
    assert_true(seen.has_sent && seen.has_became);
    assert_string_equal(seen.patient, "https://clinic.example/mrn|WP-1");
    seen = row_of(given, 2);
    assert_int_equal(seen.reading, 1);
    assert_false(seen.has_sent);
    assert_string_equal(seen.role, "oxygen-flow");
    assert_string_equal(seen.kind, "oxygen-saturation");
    assert_int_equal(row_of(given, 4).reading, 0);
    assert_counts(given, 4, 0, 0, 0);
    free(made);
}

struct compared {
    const struct made *made;
    size_t at;
};

static bool compare_row(void *context, const struct outbox_row *row)
{
    const struct compared *compared = context;
    const struct put_entry *entry = &compared->made->entries[compared->at];

    assert_int_equal(row->sent_length, entry->sent_length);
    assert_memory_equal(row->sent, entry->sent, entry->sent_length);
    assert_int_equal(row->became_length, entry->became_length);
    assert_memory_equal(row->became, entry->became, entry->became_length);
    assert_int_equal(row->values_length, entry->values_length);
    assert_memory_equal(row->values, entry->values, entry->values_length);
    assert_null(row->flags);
    assert_memory_equal(row->content, entry->content, sizeof(row->content));
    assert_int_equal(row->taken_ms, entry->taken_ms);
    assert_int_equal(row->accepted_ms, NOW);
    assert_string_equal(row->client, "ward tablet");
    assert_string_equal(row->table_version, "1");
    return true;
}

/* Each byte comes back, whether it was written plain (the first of its kind) or packed against an
 * earlier one, now and after a restart. */
static void test_bytes_come_back(void **state)
{
    struct given *given = *state;
    static struct made made[8];

    for (unsigned i = 0; i < 8; i++) {
        made_begin(&made[i], i + 1, "s|p");
        made_main(&made[i], i + 1, i % 2 ? "heart-rate" : "body-weight", NOW);
        assert_int_equal(made_put(&made[i], given->outbox), STATUS_OK);
    }
    for (int restarted = 0; restarted < 2; restarted++) {
        for (unsigned i = 0; i < 8; i++) {
            const struct uuid id = id_of(i + 1);
            struct compared compared = {&made[i], 0};

            assert_int_equal(outbox_find(given->reader, &id, compare_row, &compared), STATUS_OK);
        }
        given_stop(given);
        given_start(given);
    }
}

/* ---- the same again ---- */

/* What is there: 1 and 2 (a put of two readings), 3 (a single one). Each row is a put of mains,
 * with what must become of it. */
static const struct {
    unsigned ids[4];
    unsigned other; /* this one has other content; 0: none */
    enum status status;
    bool replayed;
    size_t conflict;
} again[] = {
    {{1, 2}, 0, STATUS_OK,       true,  0},
    {{3},    0, STATUS_OK,       true,  0},
    {{1},    0, STATUS_OK,       true,  0}, /* all that are in this put are there */
    {{1, 2}, 2, STATUS_CONFLICT, false, 1},
    {{1, 2}, 1, STATUS_CONFLICT, false, 0},
    {{3},    3, STATUS_CONFLICT, false, 0},
    {{7, 1}, 0, STATUS_CONFLICT, false, 1}, /* one is new: not the same put */
    {{1, 7}, 0, STATUS_CONFLICT, false, 0},
    {{7, 7}, 0, STATUS_CONFLICT, false, 1}, /* twice in one put: nothing of it was there before */
    {{7},    0, STATUS_OK,       false, 0},
    {{7},    0, STATUS_OK,       true,  0},
};

static void test_the_same_again(void **state)
{
    struct given *given = *state;
    static struct made made;

    made_begin(&made, 100, "s|p");
    made_main(&made, 1, "heart-rate", NOW);
    made_main(&made, 2, "heart-rate", NOW);
    assert_int_equal(made_put(&made, given->outbox), STATUS_OK);
    assert_int_equal(put_single(given->outbox, 3, "s|p", "heart-rate", NOW), STATUS_OK);
    for (size_t i = 0; i < sizeof(again) / sizeof(again[0]); i++) {
        made_begin(&made, 200, "s|p");
        for (size_t k = 0; again[i].ids[k]; k++) {
            struct put_entry *entry = made_main(&made, again[i].ids[k], "heart-rate", NOW);

            entry->content[31] = again[i].ids[k] == again[i].other;
        }
        assert_int_equal(made_put(&made, given->outbox), again[i].status);
        assert_int_equal(made.put.replayed, again[i].replayed);
        if (again[i].status == STATUS_CONFLICT)
            assert_int_equal(made.put.conflict_entry, again[i].conflict);
    }
    assert_counts(given, 4, 0, 0, 0); /* 1, 2, 3 and, at last, 7 */
}

static void test_a_companion_in_the_way_is_a_conflict(void **state)
{
    struct given *given = *state;
    static struct made made;

    made_begin(&made, 1, "s|p");
    made_main(&made, 1, "oxygen-saturation", NOW);
    made_other(&made, 2, "oxygen-flow", 0);
    assert_int_equal(made_put(&made, given->outbox), STATUS_OK);
    made_begin(&made, 3, "s|p");
    made_main(&made, 3, "oxygen-saturation", NOW);
    made_other(&made, 2, "oxygen-flow", 0);
    assert_int_equal(made_put(&made, given->outbox), STATUS_CONFLICT);
    assert_int_equal(made.put.conflict_entry, 1);
    assert_counts(given, 2, 0, 0, 0);
    made_begin(&made, 2, "s|p"); /* a main under the id of a companion */
    made_main(&made, 2, "heart-rate", NOW);
    assert_int_equal(made_put(&made, given->outbox), STATUS_CONFLICT);
}

/* ---- many at once ---- */

struct gate { /* keeps the writer busy, so that what is put meanwhile is in one COMMIT */
    struct made made;
    sem_t reached, go;
};

static void gate_done(struct put *put)
{
    struct gate *gate = put->context;

    sem_post(&gate->reached);
    sem_wait(&gate->go);
}

static void gate_close(struct gate *gate, struct outbox *outbox, unsigned number)
{
    sem_init(&gate->reached, 0, 0);
    sem_init(&gate->go, 0, 0);
    made_begin(&gate->made, number, "s|gate");
    made_main(&gate->made, number, "heart-rate", NOW);
    gate->made.put.context = gate;
    gate->made.put.done = gate_done;
    outbox_put(outbox, &gate->made.put);
    sem_wait(&gate->reached);
}

static void test_many_puts_share_a_commit_and_none_spoils_it(void **state)
{
    struct given *given = *state;
    static struct gate gate;
    static struct made puts[40];
    int64_t commits;

    gate_close(&gate, given->outbox, 1000);
    commits = metric_get(METRIC_COMMITS);
    for (unsigned i = 0; i < 40; i++) {
        unsigned number = i == 20 ? 5
                          : i == 21
                              ? 6
                              : i; /* 20: the id of 5 with other content; 21: the same as 6 again */

        made_begin(&puts[i], number + 1, "s|p");
        made_main(&puts[i], number + 1, "heart-rate", NOW)->content[31] = i == 20;
        made_queue(&puts[i], given->outbox);
    }
    sem_post(&gate.go);
    for (unsigned i = 0; i < 40; i++)
        assert_int_equal(made_wait(&puts[i]), i == 20 ? STATUS_CONFLICT : STATUS_OK);
    assert_true(puts[21].put.replayed);
    assert_int_equal(metric_get(METRIC_COMMITS), commits + 1);
    assert_counts(given, 39, 0, 0, 0);
}

/* ---- idempotency keys ---- */

static enum key_state key_of(struct given *given, const char *client, const char *key,
                             uint8_t first, char **answer, size_t *length)
{
    uint8_t content[32] = {first};
    enum key_state found;

    assert_int_equal(outbox_key(given->reader, client, key, content, &found, answer, length),
                     STATUS_OK);
    return found;
}

static void put_with_key(struct given *given, unsigned number, const char *key, int64_t accepted_ms,
                         const char *answer)
{
    static struct made made;

    made_begin(&made, number, "s|p");
    made_main(&made, number, "heart-rate", NOW);
    made.put.accepted_ms = accepted_ms;
    made.put.key = key;
    made.put.key_content[0] = 7;
    made.put.answer = answer;
    made.put.answer_length = answer ? strlen(answer) : 0;
    assert_int_equal(made_put(&made, given->outbox), STATUS_OK);
}

static void test_keys(void **state)
{
    struct given *given = *state;
    char *answer = NULL;
    size_t length = 99;

    assert_int_equal(key_of(given, "ward tablet", "k1", 7, &answer, &length), KEY_NEW);
    put_with_key(given, 1, "k1", NOW, "{\"set\": 1}");
    put_with_key(given, 2, "k2", NOW, NULL);
    assert_int_equal(key_of(given, "ward tablet", "k1", 7, &answer, &length), KEY_SAME);
    assert_int_equal(length, 10);
    assert_memory_equal(answer, "{\"set\": 1}", 10);
    free(answer);
    assert_int_equal(key_of(given, "ward tablet", "k2", 7, &answer, &length), KEY_SAME);
    assert_int_equal(length, 0);
    free(answer);
    assert_int_equal(key_of(given, "ward tablet", "k1", 8, &answer, &length), KEY_OTHER);
    assert_int_equal(key_of(given, "another client", "k1", 7, &answer, &length),
                     KEY_NEW); /* its scope is the client */
}

/* Kept 7 days (design 5); what is older goes with the next put that has a key. */
static void test_keys_are_kept_seven_days(void **state)
{
    struct given *given = *state;
    const int64_t day = 86400000;
    char *answer = NULL;
    size_t length;

    put_with_key(given, 1, "old", NOW, "a");
    put_with_key(given, 2, "k", NOW + 7 * day, "a");
    assert_int_equal(key_of(given, "ward tablet", "old", 7, &answer, &length), KEY_SAME);
    free(answer);
    put_with_key(given, 3, "k3", NOW + 7 * day + 1, "a");
    assert_int_equal(key_of(given, "ward tablet", "old", 7, &answer, &length), KEY_NEW);
    assert_int_equal(key_of(given, "ward tablet", "k", 7, &answer, &length), KEY_SAME);
    free(answer);
}

/* ---- no room ---- */

static void test_no_room_keeps_nothing(void **state)
{
    struct given *given = *state;
    int64_t number = -1;
    const struct refusal refusal = {
        .client = "c", .sent = "s", .sent_length = 1, .problems = "[]", .problems_length = 2};

    assert_int_equal(put_single(given->outbox, 1, "s|p", "heart-rate", NOW), STATUS_OK);
    given_stop(given);
    assert_int_equal(
        outbox_start(&(struct outbox_options){.path = given->path, .room_least = INT64_MAX},
                     &given->outbox),
        STATUS_OK);
    assert_int_equal(outbox_reader_open(given->outbox, &given->reader), STATUS_OK);
    assert_int_equal(put_single(given->outbox, 2, "s|p", "heart-rate", NOW), STATUS_DISK_FULL);
    assert_int_equal(outbox_refuse(given->outbox, &refusal, &number), STATUS_DISK_FULL);
    assert_int_equal(number, -1);
    chart(given, NUMBERED(1)); /* what is there goes all the same */
    assert_counts(given, 0, 0, 1, 0);
}

/* ---- refusals ---- */

struct refusals_seen {
    int64_t numbers[8];
    size_t count, enough;
};

static bool refusal_seen(void *context, int64_t number, const struct refusal *refusal)
{
    struct refusals_seen *seen = context;

    assert_string_equal(refusal->client, "gateway");
    assert_int_equal(refusal->sent_length, 5);
    assert_memory_equal(refusal->sent, "{\"a\":", 5);
    assert_memory_equal(refusal->problems, "[]", 2);
    assert_int_equal(refusal->received_ms, NOW);
    seen->numbers[seen->count++] = number;
    return seen->count < seen->enough;
}

static struct refusals_seen refusals_after(struct given *given, int64_t after, size_t most,
                                           size_t enough)
{
    struct refusals_seen seen = {.enough = enough};

    assert_int_equal(outbox_refusals(given->reader, after, most, refusal_seen, &seen), STATUS_OK);
    return seen;
}

static void test_refusals_are_worked_off(void **state)
{
    struct given *given = *state;
    const struct refusal refusal = {"gateway", NOW, "{\"a\":", 5, "[]", 2};
    int64_t numbers[3];
    struct outbox_counts counts;

    for (int i = 0; i < 3; i++)
        assert_int_equal(outbox_refuse(given->outbox, &refusal, &numbers[i]), STATUS_OK);
    assert_int_equal(refusals_after(given, 0, 8, 8).count, 3);
    assert_int_equal(refusals_after(given, 0, 2, 8).count, 2);
    assert_int_equal(refusals_after(given, 0, 8, 1).count, 1);
    assert_int_equal(refusals_after(given, numbers[1], 8, 8).numbers[0], numbers[2]);
    assert_int_equal(
        outbox_refusal_done(given->outbox, numbers[1], "typed in by hand", "N-17", NOW), STATUS_OK);
    assert_int_equal(outbox_refusal_done(given->outbox, numbers[1], "again", "N-17", NOW),
                     STATUS_NOT_FOUND);
    assert_int_equal(outbox_refusal_done(given->outbox, 99, "?", "N-17", NOW), STATUS_NOT_FOUND);
    assert_int_equal(refusals_after(given, numbers[0], 8, 8).numbers[0], numbers[2]);
    assert_int_equal(outbox_count(given->reader, &counts), STATUS_OK);
    assert_int_equal(counts.refusals, 2);
}

/* ---- held from the start ---- */

static void test_held_and_unmapped(void **state)
{
    struct given *given = *state;
    static struct made made;
    struct put_entry *entry;

    made_begin(&made, 1, "s|p");
    entry = made_main(&made, 1, "heart-rate", NOW);
    entry->became = NULL;
    entry->became_length = 0;
    entry->hold = true;
    entry->hold_reason = "confirm";
    made_main(&made, 2, "body-weight", NOW)->became =
        NULL; /* unmapped can never go, whether it says so or not */
    made_main(&made, 3, "body-height", NOW);
    assert_int_equal(made_put(&made, given->outbox), STATUS_OK);
    assert_state(given, 1, ENTRY_HELD);
    assert_string_equal(row_of(given, 1).reason, "confirm");
    assert_false(row_of(given, 1).has_became);
    assert_state(given, 2, ENTRY_HELD);
    assert_counts(given, 1, 2, 0, 0);
    chart(given, NUMBERED(3));
    assert_counts(given, 0, 2, 1, 0);
}

/* ---- the listener ---- */

static void count_change(void *context)
{
    __atomic_add_fetch((int *)context, 1, __ATOMIC_SEQ_CST);
}

static void test_listener_hears_of_each_commit(void **state)
{
    struct given *given = *state;
    int changes = 0;

    outbox_on_change(given->outbox, count_change, &changes);
    assert_int_equal(put_single(given->outbox, 1, "s|p", "heart-rate", NOW), STATUS_OK);
    assert_int_equal(put_single(given->outbox, 1, "s|p", "heart-rate", NOW),
                     STATUS_OK); /* the same again: no change */
    chart(given, NUMBERED(1));   /* two jobs behind: the listener was told of what was before */
    assert_int_equal(__atomic_load_n(&changes, __ATOMIC_SEQ_CST), 1);
    outbox_on_change(given->outbox, NULL, NULL);
    assert_int_equal(put_single(given->outbox, 2, "s|p", "heart-rate", NOW), STATUS_OK);
    assert_int_equal(__atomic_load_n(&changes, __ATOMIC_SEQ_CST), 1);
}

/* ---- failing allocations ---- */

static atomic_bool was_hit; /* did an allocation of the writer fail since it was armed? */

static void arm(struct put *put)
{
    atomic_store(&was_hit, heap_did_fail());
    heap_fail_at((unsigned)put->conflict_entry); /* on the writer's thread: the next round is hit */
    made_done(put);
}

static void arm_writer(struct given *given, unsigned number, unsigned nth)
{
    static struct made made;

    made_begin(&made, number, "s|arm");
    made_main(&made, number, "heart-rate", NOW);
    made.is_done = false;
    made.put.context = &made;
    made.put.done = arm;
    made.put.conflict_entry = nth;
    outbox_put(given->outbox, &made.put);
    assert_int_equal(made_wait(&made), STATUS_OK);
}

/* After each restart, so that statements and caches are made anew; whatever fails, nothing is kept
 * by half and the next put works. What fails within a put only makes the writer run the round once
 * more; what fails at its beginning or its COMMIT is said. */
static void test_put_survives_each_failed_allocation(void **state)
{
    struct given *given = *state;
    static struct made made;
    unsigned number = 10, nth = 0, said = 0, overcome = 0;
    enum status status;

    do {
        given_stop(given);
        given_start(given);
        arm_writer(given, number++, ++nth);
        made_begin(&made, number, "s|p");
        made_main(&made, number, "oxygen-saturation", NOW);
        made_other(&made, number + 1, "oxygen-flow", 0);
        made_need(&made, 0, true);
        made.entries[0].hold = true;
        made.put.key = "key";
        status = made_put(&made, given->outbox);
        arm_writer(given, number + 2, 0);
        assert_true(status == STATUS_OK || status == STATUS_NO_MEMORY);
        said += status == STATUS_NO_MEMORY;
        overcome += status == STATUS_OK && atomic_load(&was_hit);
        for (unsigned i = 0; i < 2; i++) {
            const struct uuid id = id_of(number + i);
            struct seen_row seen;

            assert_int_equal(outbox_find(given->reader, &id, row_seen, &seen),
                             status == STATUS_OK ? STATUS_OK : STATUS_NOT_FOUND);
        }
        number += 3;
    } while (atomic_load(&was_hit) && nth < 2000);
    assert_in_range(nth, 2, 1999);
    assert_true(said > 0 && overcome > 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(test_put_is_found_as_it_was, given_setup, given_teardown),
        cmocka_unit_test_setup_teardown(test_bytes_come_back, given_setup, given_teardown),
        cmocka_unit_test_setup_teardown(test_the_same_again, given_setup, given_teardown),
        cmocka_unit_test_setup_teardown(test_a_companion_in_the_way_is_a_conflict, given_setup,
                                        given_teardown),
        cmocka_unit_test_setup_teardown(test_many_puts_share_a_commit_and_none_spoils_it,
                                        given_setup, given_teardown),
        cmocka_unit_test_setup_teardown(test_keys, given_setup, given_teardown),
        cmocka_unit_test_setup_teardown(test_keys_are_kept_seven_days, given_setup, given_teardown),
        cmocka_unit_test_setup_teardown(test_no_room_keeps_nothing, given_setup, given_teardown),
        cmocka_unit_test_setup_teardown(test_refusals_are_worked_off, given_setup, given_teardown),
        cmocka_unit_test_setup_teardown(test_held_and_unmapped, given_setup, given_teardown),
        cmocka_unit_test_setup_teardown(test_listener_hears_of_each_commit, given_setup,
                                        given_teardown),
        cmocka_unit_test_setup_teardown(test_put_survives_each_failed_allocation, given_setup,
                                        given_teardown),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
