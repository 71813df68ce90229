/* Looking: searches, the last of a kind, patients, sets, counts, backups. */
#include "given.h"

#include <sys/stat.h>

#include "heap.h"
#include "store/store_private.h"

struct found {
    unsigned numbers[512];
    size_t count, enough;
    int64_t last_seq;
};

static bool found_row(void *context, const struct outbox_row *row)
{
    struct found *found = context;

    for (int i = 12; i < 16; i++)
        found->numbers[found->count] = found->numbers[found->count] << 8 | row->id.bytes[i];
    found->count++;
    found->last_seq = row->seq;
    return found->count != found->enough;
}

static void assert_found(const struct found *found, const unsigned *numbers)
{
    size_t count = 0;

    for (; numbers[count]; count++) {
        assert_true(count < found->count);
        assert_int_equal(found->numbers[count], numbers[count]);
    }
    assert_int_equal(found->count, count);
}

static const struct outbox_search all = {OUTBOX_SEARCH_OPEN, .most = 500};

static struct found search(struct given *given, const struct outbox_search *search)
{
    static struct found found;

    found = (struct found){0};
    assert_int_equal(outbox_search(given->reader, search, found_row, &found), STATUS_OK);
    return found;
}

/* 1 a, 2 a, 3 b, 4 a (weight), 5 + companion 6 b, 7 a held. After delivery up to 3: 1, 3 charted, 2
 * held. */
static void put_some(struct given *given)
{
    static struct made made;
    struct claim *claim;
    struct settlement settlements[3] = {
        {.as = SETTLE_CHARTED, .remote = "Observation/1"},
        {.as = SETTLE_HELD,    .reason = "refused"      },
        {.as = SETTLE_CHARTED, .remote = "Observation/3"}
    };

    assert_int_equal(put_single(given->outbox, 1, "s|a", "heart-rate", NOW - 100), STATUS_OK);
    assert_int_equal(put_single(given->outbox, 2, "s|a", "heart-rate", NOW - 90), STATUS_OK);
    assert_int_equal(put_single(given->outbox, 3, "s|b", "heart-rate", NOW - 80), STATUS_OK);
    assert_int_equal(put_single(given->outbox, 4, "s|a", "body-weight", NOW - 70), STATUS_OK);
    made_begin(&made, 5, "s|b");
    made_main(&made, 5, "oxygen-saturation", NOW - 60);
    made_other(&made, 6, "oxygen-flow", 0);
    made_need(&made, 0, true);
    assert_int_equal(made_put(&made, given->outbox), STATUS_OK);
    made_begin(&made, 7, "s|a");
    made_main(&made, 7, "heart-rate", NOW - 50)->hold = true;
    assert_int_equal(made_put(&made, given->outbox), STATUS_OK);
    claim = claim_at(given, 3, NOW);
    assert_claimed(claim, NUMBERED(1, 2, 3));
    for (int i = 0; i < 3; i++)
        settlements[i].seq = claim->entries[i].seq;
    assert_int_equal(outbox_settle(given->outbox, settlements, 3, NOW + 1000), STATUS_OK);
    claim_free(claim);
}

#define STATE(s) .has_state = true, .state = (s)

static const struct {
    struct outbox_search search; /* laid over `all` where not 0 */
    unsigned found[8];
} searches[] = {
    {{.patient = NULL},                                                      {7, 6, 5, 4, 3, 2, 1}},
    {{.patient = "s|a"},                                                     {7, 4, 2, 1}         },
    {{.patient = "s|b"},                                                     {6, 5, 3}            },
    {{.patient = "s|c"},                                                     {0}                  },
    {{.patient = "s|b", .mains_only = true},                                 {5, 3}               },
    {{.patient = "s|a", .kind = "heart-rate"},                               {7, 2, 1}            },
    {{.patient = "s|a", .kind = "glucose"},                                  {0}                  },
    {{.kind = "body-weight"},                                                {4}                  },
    {{STATE(ENTRY_WAITING)},                                                 {6, 5, 4}            },
    {{STATE(ENTRY_HELD)},                                                    {7, 2}               },
    {{STATE(ENTRY_CHARTED)},                                                 {3, 1}               },
    {{STATE(ENTRY_DISCARDED)},                                               {0}                  },
    {{.patient = "s|a", STATE(ENTRY_HELD)},                                  {7, 2}               },
    {{.patient = "s|a", STATE(ENTRY_WAITING)},                               {4}                  },
    {{STATE(ENTRY_WAITING), .mains_only = true},                             {5, 4}               },
    {{STATE(ENTRY_HELD), .after_seq = 7},                                    {2}                  },
    {{.after_seq = 4},                                                       {3, 2, 1}            },
    {{.patient = "s|a", .after_seq = 4},                                     {2, 1}               },
    {{.patient = "s|a", .after_seq = 7, .most = 1},                          {4}                  },
    {{.most = 2},                                                            {7, 6}               },
    {{.taken_from_ms = NOW - 90, .taken_to_ms = NOW - 70},                   {3, 2}               }, /* `to` is not included */
    {{.patient = "s|a", .taken_from_ms = NOW - 90, .taken_to_ms = NOW - 70}, {2}                  },
    {{.changed_from_ms = NOW + 1},                                           {3, 2, 1}            }, /* settled since */
    {{.patient = "s|a", .changed_from_ms = NOW + 1},                         {2, 1}               },
};

static void test_searches(void **state)
{
    struct given *given = *state;

    put_some(given);
    for (size_t i = 0; i < sizeof(searches) / sizeof(searches[0]); i++) {
        struct outbox_search asked = searches[i].search;
        struct found found;

        asked.taken_from_ms = asked.taken_from_ms ? asked.taken_from_ms : all.taken_from_ms;
        asked.taken_to_ms = asked.taken_to_ms ? asked.taken_to_ms : all.taken_to_ms;
        asked.changed_from_ms = asked.changed_from_ms ? asked.changed_from_ms : all.changed_from_ms;
        asked.after_seq = asked.after_seq ? asked.after_seq : all.after_seq;
        asked.most = asked.most ? asked.most : all.most;
        found = search(given, &asked);
        assert_int_equal(sqlite3_txn_state(given->reader->db.handle, NULL), SQLITE_TXN_NONE);
        assert_found(&found, searches[i].found);
    }
}

static void test_a_search_stops_when_told(void **state)
{
    struct given *given = *state;
    struct outbox_search asked = all;
    struct found found = {.enough = 2};

    put_some(given);
    assert_int_equal(outbox_search(given->reader, &asked, found_row, &found), STATUS_OK);
    assert_int_equal(found.count, 2);
    asked.patient = "s|a";
    found = (struct found){.enough = 3};
    assert_int_equal(outbox_search(given->reader, &asked, found_row, &found), STATUS_OK);
    assert_int_equal(found.count, 3);
    asked.most = 0;
    found = (struct found){0};
    assert_int_equal(outbox_search(given->reader, &asked, found_row, &found), STATUS_OK);
    assert_int_equal(found.count, 0);
}

/* Page after page, by the last seq of each: everything once. */
static void test_paging(void **state)
{
    struct given *given = *state;
    struct outbox_search asked = all;
    unsigned seen = 0;

    for (unsigned i = 1; i <= 50; i++)
        assert_int_equal(put_single(given->outbox, i, i % 2 ? "s|a" : "s|b",
                                    i % 3 ? "heart-rate" : "body-weight", NOW),
                         STATUS_OK);
    asked.patient = "s|a";
    asked.most = 7;
    for (;;) {
        struct found found = search(given, &asked);

        for (size_t i = 0; i < found.count; i++)
            assert_int_equal(found.numbers[i], 49 - 2 * seen++);
        if (found.count < 7)
            break;
        asked.after_seq = found.last_seq;
    }
    assert_int_equal(seen, 25);
}

/* ---- the last of a kind ---- */

static void note_last(void *context, const char *values, size_t length, int64_t taken_ms)
{
    unsigned *number = context;
    char text[64];

    (void)taken_ms;
    snprintf(text, sizeof(text), "%.*s", (int)length, values);
    *number = (unsigned)strtoul(text + strlen("{\"value\": "), NULL, 10);
}

static unsigned last(struct given *given, const char *patient, const char *kind, int64_t before_ms)
{
    unsigned number = 0;
    enum status status = outbox_last(given->reader, patient, kind, before_ms, note_last, &number);

    assert_int_equal(status, number ? STATUS_OK : STATUS_NOT_FOUND);
    return number;
}

static void put_taken(struct given *given, unsigned number, int64_t taken_ms)
{
    assert_int_equal(put_single(given->outbox, number, "s|a", "heart-rate", taken_ms), STATUS_OK);
}

static void test_the_last_of_a_kind(void **state)
{
    struct given *given = *state;

    assert_int_equal(last(given, "s|a", "heart-rate", NOW), 0);
    assert_int_equal(last(given, "s|a", "heart-rate", NOW), 0); /* now from memory */
    put_taken(given, 1, NOW - 100);
    assert_int_equal(last(given, "s|a", "heart-rate", NOW), 1);
    put_taken(given, 2, NOW - 50);
    assert_int_equal(last(given, "s|a", "heart-rate", NOW), 2);
    assert_int_equal(last(given, "s|a", "heart-rate", NOW - 50), 1); /* before, not at */
    assert_int_equal(last(given, "s|a", "heart-rate", NOW - 100), 0);
    assert_int_equal(last(given, "s|a", "body-weight", NOW), 0);
    assert_int_equal(last(given, "s|b", "heart-rate", NOW), 0);
}

/* Readings that come late, in each order and at each moment asked: the last is the one taken last,
 * not the one accepted last. */
static void test_the_last_is_by_when_it_was_taken(void **state)
{
    struct given *given = *state;
    static const int taken[] = {10, 30, 20, 5, 40, 40, 1, 35, 60, 50};
    const size_t count = sizeof(taken) / sizeof(taken[0]);

    for (size_t i = 0; i < count; i++) {
        put_taken(given, (unsigned)i + 1, NOW + taken[i]);
        for (int before = 0; before <= 61; before++) {
            unsigned number = last(given, "s|a", "heart-rate", NOW + before);
            int best = -1;

            for (size_t k = 0; k <= i; k++)
                if (taken[k] < before && taken[k] > best)
                    best = taken[k];
            assert_true(best < 0 ? number == 0 : number > 0 && taken[number - 1] == best);
        }
        if (i == count / 2) { /* and with nothing in memory */
            given_stop(given);
            given_start(given);
        }
    }
}

static void test_the_last_is_far_down(void **state)
{
    struct given *given = *state;

    put_taken(given, 1, NOW - 1000);
    for (unsigned i = 2; i < 200; i++)
        put_taken(given, i, NOW + i);
    assert_int_equal(last(given, "s|a", "heart-rate", NOW), 1);
}

static void test_the_last_is_none_of_the_discarded(void **state)
{
    struct given *given = *state;
    const struct uuid id = id_of(2);

    put_taken(given, 1, NOW - 100);
    put_taken(given, 2, NOW - 50);
    assert_int_equal(last(given, "s|a", "heart-rate", NOW), 2);
    assert_int_equal(outbox_discard(given->outbox, &id, "slip", "N-17", NOW), STATUS_OK);
    assert_int_equal(last(given, "s|a", "heart-rate", NOW), 1);
    assert_int_equal(last(given, "s|a", "heart-rate", NOW), 1);
}

/* What is held nobody has said to be true yet: neither on the disk nor in memory. */
static void test_the_last_is_none_of_the_held(void **state)
{
    struct given *given = *state;
    static struct made made;
    const struct uuid id = id_of(2);
    struct put_entry *entry;

    put_taken(given, 1, NOW - 100);
    assert_int_equal(last(given, "s|a", "heart-rate", NOW), 1);
    made_begin(&made, 2, "s|a");
    entry = made_main(&made, 2, "heart-rate", NOW - 50);
    entry->hold = true;
    entry->hold_reason = "confirm";
    assert_int_equal(made_put(&made, given->outbox), STATUS_OK);
    assert_int_equal(last(given, "s|a", "heart-rate", NOW), 1);
    assert_int_equal(last(given, "s|a", "heart-rate", NOW), 1); /* now from memory */
    assert_int_equal(outbox_release(given->outbox, &id, "looked at", "N-17", NOW), STATUS_OK);
    assert_int_equal(last(given, "s|a", "heart-rate", NOW), 2);
}

/* One without values (a sign that was not taken), and a long one, which memory does not keep. */
static void test_the_last_has_values(void **state)
{
    struct given *given = *state;
    static struct made made;
    char many[300];
    struct put_entry *entry;

    put_taken(given, 1, NOW - 100);
    assert_int_equal(last(given, "s|a", "heart-rate", NOW), 1);
    made_begin(&made, 2, "s|a");
    made_main(&made, 2, "heart-rate", NOW - 50)->values = NULL;
    assert_int_equal(made_put(&made, given->outbox), STATUS_OK);
    assert_int_equal(last(given, "s|a", "heart-rate", NOW), 1);
    made_begin(&made, 3, "s|a");
    entry = made_main(&made, 3, "heart-rate", NOW - 40);
    snprintf(many, sizeof(many), "{\"value\": 3, \"more\": \"%0250d\"}", 0);
    entry->values = many;
    entry->values_length = strlen(many);
    assert_int_equal(made_put(&made, given->outbox), STATUS_OK);
    assert_int_equal(last(given, "s|a", "heart-rate", NOW), 3);
    assert_int_equal(last(given, "s|a", "heart-rate", NOW), 3);
}

/* ---- patients ---- */

static bool patient_row(void *context, const struct outbox_row *row)
{
    struct found *found = context;

    assert_int_equal(row->reading, row->seq);
    found->last_seq = (int64_t)strtoul(row->patient + 2, NULL, 10);
    return found_row(context, row) && row->patient[0] != '\0';
}

static void test_patients_page_by_page(void **state)
{
    struct given *given = *state;
    bool seen[41] = {false};
    char after[16] = "";
    unsigned count = 0;

    assert_int_equal(put_single(given->outbox, 1000, "", "heart-rate", NOW),
                     STATUS_OK); /* bound to nobody: no patient */
    for (unsigned i = 1; i <= 120; i++) {
        char patient[16];

        snprintf(patient, sizeof(patient), "s|%u", i % 40 + 1);
        assert_int_equal(
            put_single(given->outbox, i, patient, i <= 40 ? "heart-rate" : "body-weight", NOW),
            STATUS_OK);
    }
    for (;;) {
        struct found found = {0};

        assert_int_equal(outbox_patients(given->reader, after, 7, patient_row, &found), STATUS_OK);
        for (size_t i = 0; i < found.count; i++) {
            unsigned patient = found.numbers[i] % 40 + 1;

            assert_in_range(found.numbers[i], 81, 120); /* the newest of each */
            assert_false(seen[patient]);
            seen[patient] = true;
            count++;
            snprintf(after, sizeof(after), "s|%u", patient);
        }
        if (found.count < 7)
            break;
    }
    assert_int_equal(count, 40);
}

/* ---- a set ---- */

static void test_a_set_is_found_by_its_id(void **state)
{
    struct given *given = *state;
    static struct made made;
    const struct uuid set = id_of(900), nothing = id_of(901), single = id_of(20);
    struct found found = {0};

    made_begin(&made, 900, "s|p");
    made_main(&made, 1, "heart-rate", NOW);
    made_main(&made, 2, "body-weight", NOW);
    made_other(&made, 3, "panel", SIZE_MAX);
    made_need(&made, 0, false);
    assert_int_equal(made_put(&made, given->outbox), STATUS_OK);
    assert_int_equal(put_single(given->outbox, 20, "s|p", "heart-rate", NOW), STATUS_OK);
    assert_int_equal(outbox_of_set(given->reader, &set, found_row, &found), STATUS_OK);
    assert_found(&found, NUMBERED(1, 2, 3));
    found = (struct found){.enough = 2};
    assert_int_equal(outbox_of_set(given->reader, &set, found_row, &found), STATUS_OK);
    assert_found(&found, NUMBERED(1, 2));
    found = (struct found){0};
    assert_int_equal(outbox_of_set(given->reader, &single, found_row, &found), STATUS_OK);
    assert_found(&found, NUMBERED(20));
    assert_int_equal(outbox_of_set(given->reader, &nothing, found_row, &found), STATUS_NOT_FOUND);
}

/* ---- counts ---- */

static void test_counts_and_the_oldest(void **state)
{
    struct given *given = *state;
    static struct made made;
    struct outbox_counts counts;
    struct claim *claim;

    assert_int_equal(outbox_count(given->reader, &counts), STATUS_OK);
    assert_int_equal(counts.oldest_waiting_ms, 0);
    assert_true(counts.free_bytes > 0);
    for (unsigned i = 1; i <= 3; i++) {
        made_begin(&made, i, "s|p");
        made_main(&made, i, "heart-rate", NOW)->hold = i == 1;
        made.put.accepted_ms = NOW + i;
        assert_int_equal(made_put(&made, given->outbox), STATUS_OK);
    }
    assert_int_equal(outbox_count(given->reader, &counts), STATUS_OK);
    assert_true(counts.oldest_waiting_ms == NOW + 2); /* 1 is held */
    claim = claim_at(given, 1, NOW);
    assert_claimed(claim, NUMBERED(2));
    assert_int_equal(outbox_count(given->reader, &counts), STATUS_OK);
    assert_true(counts.oldest_waiting_ms == NOW + 2);
    settle_claim(given, claim, SETTLE_CHARTED, NOW);
    claim_free(claim);
    assert_int_equal(outbox_count(given->reader, &counts), STATUS_OK);
    assert_true(counts.oldest_waiting_ms == NOW + 3);
    given_stop(given);
    given_start(given);
    assert_counts(given, 1, 1, 1, 0); /* they are on disk, too */
}

/* ---- backup ---- */

static void test_a_backup_is_a_whole_store(void **state)
{
    struct given *given = *state;
    struct stat about;
    static struct made made[20];
    struct given copy = {0};
    struct claim *claim;

    put_some(given);
    for (unsigned i = 0; i < 20; i++) { /* while others put */
        made_begin(&made[i], 100 + i, "s|c");
        made_main(&made[i], 100 + i, "heart-rate", NOW);
        made_queue(&made[i], given->outbox);
    }
    snprintf(copy.path, sizeof(copy.path), "%s/copy.db", given->folder);
    assert_int_equal(outbox_backup(given->outbox, copy.path), STATUS_OK);
    for (unsigned i = 0; i < 20; i++)
        assert_int_equal(made_wait(&made[i]), STATUS_OK);
    assert_int_equal(stat(copy.path, &about), 0);
    assert_int_equal(about.st_mode & 0777, 0600);
    assert_int_equal(outbox_backup(given->outbox, copy.path),
                     STATUS_CONFLICT); /* never over something that is there */
    assert_int_equal(outbox_backup(given->outbox, "/nowhere/at/all.db"), STATUS_IO);
    given_start(&copy);
    assert_state(&copy, 1, ENTRY_CHARTED);
    assert_state(&copy, 2, ENTRY_HELD);
    claim = claim_at(&copy, 2, NOW);
    assert_claimed(claim, NUMBERED(4, 5));
    settle_claim(&copy, claim, SETTLE_CHARTED, NOW);
    claim_free(claim);
    given_stop(&copy);
    assert_state(given, 4, ENTRY_WAITING); /* they are two stores */
}

/* ---- failing allocations ---- */

static bool attempt_seen(void *context, const struct attempt *attempt)
{
    (void)context;
    assert_string_equal(attempt->reason, "refused");
    return true;
}

/* No call leaves its connection with a view of the store: the next would look at the past, and the
 * log could not start again. */
static void assert_at_rest(const struct given *given)
{
    assert_int_equal(sqlite3_txn_state(given->reader->db.handle, NULL), SQLITE_TXN_NONE);
}

static enum status look(struct given *given, unsigned which)
{
    struct outbox_search asked = all;
    struct found found = {0};
    unsigned number = 0;
    struct outbox_counts counts;
    const struct uuid id = id_of(2);
    struct uuid seen;
    char *remote = NULL;
    enum status status;

    switch (which) {
    case 0:
        return outbox_find(given->reader, &id, found_row, &found);
    case 1:
        asked.patient = "s|a";
        return outbox_search(given->reader, &asked, found_row, &found);
    case 2:
        return outbox_search(given->reader, &asked, found_row, &found);
    case 3:
        return outbox_last(given->reader, "s|a", "heart-rate", NOW - 85, note_last, &number);
    case 4:
        return outbox_patients(given->reader, "", 10, found_row, &found);
    case 5:
        return outbox_count(given->reader, &counts);
    case 6:
        status = outbox_remote(given->reader, 1, &seen, &remote);
        free(remote);
        return status;
    case 7:
        return outbox_of_set(given->reader, &id, found_row, &found);
    default:
        return outbox_attempts(given->reader, 2, attempt_seen, &found);
    }
}

static void test_looking_survives_each_failed_allocation(void **state)
{
    struct given *given = *state;

    put_some(given);
    for (unsigned which = 0; which < 9; which++) {
        unsigned nth = 0;
        enum status status;

        do {
            outbox_reader_close(given->reader);
            assert_int_equal(outbox_reader_open(given->outbox, &given->reader), STATUS_OK);
            heap_fail_at(++nth);
            status = look(given, which);
            heap_fail_at(0);
            assert_at_rest(given);
            if (status != STATUS_OK && status != STATUS_NO_MEMORY)
                fail_msg("look %u, allocation %u: %s", which, nth, status_text(status));
        } while ((status != STATUS_OK || heap_did_fail()) && nth < 2000);
        assert_in_range(nth, 2, 1999);
    }
}

static void test_opening_a_reader_survives_each_failed_allocation(void **state)
{
    struct given *given = *state;
    unsigned nth = 0;
    enum status status;

    do {
        struct outbox_reader *reader = NULL;

        heap_fail_at(++nth);
        status = outbox_reader_open(given->outbox, &reader);
        heap_fail_at(0);
        assert_true(status == STATUS_OK || status == STATUS_NO_MEMORY);
        assert_int_equal(status == STATUS_OK, reader != NULL);
        outbox_reader_close(reader);
    } while ((status != STATUS_OK || heap_did_fail()) && nth < 2000);
    assert_in_range(nth, 2, 1999);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(test_searches, given_setup, given_teardown),
        cmocka_unit_test_setup_teardown(test_a_search_stops_when_told, given_setup, given_teardown),
        cmocka_unit_test_setup_teardown(test_paging, given_setup, given_teardown),
        cmocka_unit_test_setup_teardown(test_the_last_of_a_kind, given_setup, given_teardown),
        cmocka_unit_test_setup_teardown(test_the_last_is_by_when_it_was_taken, given_setup,
                                        given_teardown),
        cmocka_unit_test_setup_teardown(test_the_last_is_far_down, given_setup, given_teardown),
        cmocka_unit_test_setup_teardown(test_the_last_is_none_of_the_discarded, given_setup,
                                        given_teardown),
        cmocka_unit_test_setup_teardown(test_the_last_is_none_of_the_held, given_setup,
                                        given_teardown),
        cmocka_unit_test_setup_teardown(test_the_last_has_values, given_setup, given_teardown),
        cmocka_unit_test_setup_teardown(test_patients_page_by_page, given_setup, given_teardown),
        cmocka_unit_test_setup_teardown(test_a_set_is_found_by_its_id, given_setup, given_teardown),
        cmocka_unit_test_setup_teardown(test_counts_and_the_oldest, given_setup, given_teardown),
        cmocka_unit_test_setup_teardown(test_a_backup_is_a_whole_store, given_setup,
                                        given_teardown),
        cmocka_unit_test_setup_teardown(test_looking_survives_each_failed_allocation, given_setup,
                                        given_teardown),
        cmocka_unit_test_setup_teardown(test_opening_a_reader_survives_each_failed_allocation,
                                        given_setup, given_teardown),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
