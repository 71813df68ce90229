/* What was taken back was never there: of a round that was undone, or run again, nothing may stay
 * in memory that speaks of rows which are no more. */
#include "gate.h"
#include "given.h"
#include "vfs.h"

/* ---- a claim reads what was put in its own round; then the COMMIT fails ---- */

struct claiming {
    struct outbox *outbox;
    enum status status;
    struct claim *claim;
};

static void *claim_once(void *context)
{
    struct claiming *claiming = context;

    claiming->status = outbox_claim(claiming->outbox, MOST, BYTES, NOW, &claiming->claim);
    return NULL;
}

static void wait_for_a_claim_behind(struct outbox *outbox)
{
    bool queued = false;

    while (!queued) {
        pthread_mutex_lock(&outbox->lock);
        queued = outbox->last && !outbox->last->is_put;
        pthread_mutex_unlock(&outbox->lock);
        usleep(1000);
    }
}

/* As an Observation says nearly the same as the one before, but of whom. */
static void say_of(struct made *made, const char *name)
{
    size_t length = 0;

    while (length + 40 < sizeof(made->became[0]))
        length += (size_t)snprintf(made->became[0] + length, sizeof(made->became[0]) - length,
                                   "%s %zu, ", name, length);
    made->entries[0].became_length = length;
}

static void made_of(struct made *made, unsigned number, const char *name)
{
    made_begin(made, number, name);
    made_main(made, number, "pulse", NOW);
    say_of(made, name);
}

static void assert_said(const struct claim_entry *entry, const struct made *made)
{
    assert_int_equal(entry->length, made->entries[0].became_length);
    assert_memory_equal(entry->became, made->entries[0].became, entry->length);
}

static void test_a_base_that_was_taken_back_is_forgotten_by_its_reader(void **state)
{
    static struct made made[4];
    struct given *given;
    struct gate gate;
    struct claiming claiming = {0};
    struct claim *claim;
    pthread_t thread;

    (void)state;
    vfs_install();
    given_setup((void **)&given);
    made_of(&made[0], 1, "Anselm");
    made_of(&made[1], 2, "Anselm");
    made_of(&made[2], 3, "Bertha");
    made_of(&made[3], 4, "Bertha");
    claiming.outbox = given->outbox;

    gate_close(&gate, given->outbox);
    made_queue(&made[0], given->outbox);
    made_queue(&made[1], given->outbox);
    assert_int_equal(pthread_create(&thread, NULL, claim_once, &claiming), 0);
    wait_for_a_claim_behind(given->outbox);
    vfs_fail_next(VFS_SYNC);
    gate_open(&gate);
    pthread_join(thread, NULL);
    assert_int_equal(claiming.status, STATUS_IO);
    assert_int_equal(made_wait(&made[0]), STATUS_IO);
    assert_int_equal(made_wait(&made[1]), STATUS_IO);

    assert_int_equal(made_put(&made[2], given->outbox), STATUS_OK); /* where Anselm's stood */
    assert_int_equal(made_put(&made[3], given->outbox), STATUS_OK);
    assert_int_equal(given_count(given, "SELECT base FROM entry WHERE seq = 2"), 1);
    claim = claim_at(given, MOST, NOW);
    assert_claimed(claim, NUMBERED(3, 4));
    assert_said(&claim->entries[0], &made[2]);
    assert_said(&claim->entries[1], &made[3]);
    claim_free(claim);
    given_teardown((void **)&given);
    vfs_remove();
}

/* ---- the same reading twice in a round; the first succeeds, and fails when it is run again ----
 */

struct failing {
    struct job job;
    struct made *made;
    unsigned runs;
};

static enum status failing_run(struct outbox *outbox, struct job *job)
{
    struct failing *failing = (struct failing *)(void *)job;
    const int64_t seq = outbox->tally.last_seq + 1;

    if (failing->runs++ > 0)
        return STATUS_NO_MEMORY;
    outbox->tally.last_seq = seq;
    return put_entry(outbox, &failing->made->put, &failing->made->entries[0], seq, seq);
}

static void failing_done(struct outbox *outbox, struct job *job)
{
    (void)outbox;
    (void)job;
}

static void time_seen(void *context, const char *values, size_t length, int64_t taken_ms)
{
    (void)values;
    (void)length;
    *(int64_t *)context = taken_ms;
}

static void test_what_is_kept_in_the_second_run_is_no_replay(void **state)
{
    struct given *given = *state;
    static struct made made[2];
    struct failing failing = {
        .job = {.run = failing_run, .done = failing_done, .is_put = true},
          .made = &made[0]
    };
    struct gate gate;
    int64_t taken_ms = 0;

    made_of(&made[0], 1, "Anselm");
    made_of(&made[1], 1, "Anselm");
    assert_int_equal(outbox_last(given->reader, "Anselm", "pulse", INT64_MAX, time_seen, &taken_ms),
                     STATUS_NOT_FOUND);
    gate_close(&gate, given->outbox);
    queue_job(given->outbox, &failing.job);
    made_queue(&made[1], given->outbox);
    gate_open(&gate);
    assert_int_equal(made_wait(&made[1]), STATUS_OK);
    assert_int_equal(failing.runs, 2);
    assert_int_equal(failing.job.status, STATUS_NO_MEMORY);
    assert_int_equal(given_count(given, "SELECT count(*) FROM entry"), 1);
    assert_false(made[1].put.replayed);
    assert_int_equal(outbox_last(given->reader, "Anselm", "pulse", INT64_MAX, time_seen, &taken_ms),
                     STATUS_OK);
    assert_int_equal(taken_ms, NOW);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_a_base_that_was_taken_back_is_forgotten_by_its_reader),
        cmocka_unit_test_setup_teardown(test_what_is_kept_in_the_second_run_is_no_replay,
                                        given_setup, given_teardown),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
