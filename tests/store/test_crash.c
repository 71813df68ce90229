/* The power goes at every event in turn; a full disk; a disk that fails. What was acknowledged is
 * there, once, in one state; nothing is there by half. (Idea of the loop: SQLite's own crash
 * tests.) */
#include "given.h"

#include <sqlite3.h>
#include <sys/stat.h>

#include "store/store_private.h"
#include "vfs.h"

/* ---- the script: puts, claims, settlements, decisions; a note of what was acknowledged ---- */

enum { PUTS = 6, PER_PUT = 3 }; /* each put: two mains and their panel */

struct notes {
    bool put_asked[PUTS], put_said[PUTS];
    enum entry_state settled[PUTS * PER_PUT]; /* acknowledged; ENTRY_WAITING: nothing was said */
    bool settling[PUTS * PER_PUT];            /* asked, and not answered */
};

static unsigned number_of(unsigned put, unsigned entry)
{
    return 1 + put * PER_PUT + entry;
}

static void put_one(struct given *given, struct notes *notes, unsigned put)
{
    static struct made made;

    made_begin(&made, 1000 + put, put % 2 ? "s|a" : "s|b");
    made_main(&made, number_of(put, 0), "heart-rate", NOW + put);
    made_main(&made, number_of(put, 1), "body-weight", NOW + put);
    made_other(&made, number_of(put, 2), "panel", SIZE_MAX);
    made_need(&made, 0, false);
    made_need(&made, 1, false);
    notes->put_asked[put] = true;
    notes->put_said[put] = made_put(&made, given->outbox) == STATUS_OK;
}

static unsigned index_of(const struct uuid *id)
{
    return id->bytes[15] - 1U;
}

static void deliver_some(struct given *given, struct notes *notes)
{
    struct claim *claim = NULL;
    struct settlement settlements[4] = {{0}};
    enum status status;

    if (outbox_claim(given->outbox, 4, BYTES, NOW, &claim) != STATUS_OK)
        return;
    for (size_t i = 0; i < claim->count; i++) {
        unsigned index = index_of(&claim->entries[i].id);

        settlements[i] = (struct settlement){.seq = claim->entries[i].seq,
                                             .as = index % 5 == 4 ? SETTLE_HELD : SETTLE_CHARTED,
                                             .remote = "Observation/1",
                                             .http_status = 200,
                                             .reason = "r",
                                             .said = "{}",
                                             .said_length = 2};
        notes->settling[index] = true;
    }
    status =
        claim->count > 0 ? outbox_settle(given->outbox, settlements, claim->count, NOW) : STATUS_OK;
    for (size_t i = 0; i < claim->count && status == STATUS_OK; i++) {
        unsigned index = index_of(&claim->entries[i].id);

        notes->settled[index] = settlements[i].as == SETTLE_HELD ? ENTRY_HELD : ENTRY_CHARTED;
        notes->settling[index] = false;
    }
    claim_free(claim);
}

static void run_script(struct given *given, struct notes *notes)
{
    for (unsigned put = 0; put < PUTS; put++) {
        put_one(given, notes, put);
        if (put % 2)
            deliver_some(given, notes);
        if (put ==
            3) /* the log goes back into the database: its writes and syncs are among the events */
            sqlite3_wal_checkpoint_v2(given->reader->db.handle, NULL, SQLITE_CHECKPOINT_RESTART,
                                      NULL, NULL);
    }
}

/* ---- afterwards ---- */

static void assert_put(struct given *given, const struct notes *notes, unsigned put)
{
    unsigned there = 0;

    for (unsigned entry = 0; entry < PER_PUT; entry++) {
        const struct uuid id = id_of(number_of(put, entry));
        struct seen_row seen = {0};
        unsigned index = number_of(put, entry) - 1;
        enum status status = outbox_find(given->reader, &id, row_seen, &seen);

        assert_true(status == STATUS_OK || status == STATUS_NOT_FOUND);
        if (status != STATUS_OK)
            continue;
        there++;
        if (notes->settled[index] != ENTRY_WAITING)
            assert_int_equal(seen.state, notes->settled[index]); /* what was said stays said */
        else if (!notes->settling[index])
            assert_int_equal(seen.state, ENTRY_WAITING);
    }
    assert_true(there == 0 || there == PER_PUT); /* wholly in or wholly out */
    if (notes->put_said[put])
        assert_int_equal(there, PER_PUT);
    if (!notes->put_asked[put])
        assert_int_equal(there, 0);
}

static bool count_states(void *context, const struct outbox_row *row)
{
    ((int64_t *)context)[row->state]++;
    return true;
}

static const struct outbox_search everything = {OUTBOX_SEARCH_OPEN, .most = 1000};

/* The counters tell what the rows tell. */
static void assert_counted(struct given *given)
{
    int64_t states[4] = {0};

    assert_int_equal(outbox_search(given->reader, &everything, count_states, states), STATUS_OK);
    assert_counts(given, states[ENTRY_WAITING], states[ENTRY_HELD], states[ENTRY_CHARTED],
                  states[ENTRY_DISCARDED]);
}

static int is_ok(void *context, int count, char **values, char **names)
{
    (void)names;
    *(bool *)context = count == 1 && strcmp(values[0], "ok") == 0;
    return 0;
}

static void assert_sound(struct given *given, const struct notes *notes)
{
    bool ok = false;

    assert_int_equal(
        sqlite3_exec(given->reader->db.handle, "PRAGMA integrity_check", is_ok, &ok, NULL),
        SQLITE_OK);
    assert_true(ok);
    for (unsigned put = 0; put < PUTS; put++)
        assert_put(given, notes, put);
    assert_counted(given);
}

/* Whatever was left undone can be done now: everything is charted or held in the end, and nothing
 * twice. */
static void finish(struct given *given, struct notes *notes)
{
    struct notes again = *notes;

    for (unsigned put = 0; put < PUTS; put++) {
        put_one(given, &again, put); /* what is there is the same again */
        assert_true(again.put_said[put]);
    }
    for (int i = 0; i < 20; i++)
        deliver_some(given, &again);
    assert_counts(given, 0, 3, PUTS * PER_PUT - 3, 0); /* the 5th, 10th and 15th are held */
}

static bool crash_at(unsigned event, uint32_t seed)
{
    struct given given;
    struct notes notes = {0};
    bool went_off;

    given_folder(&given);
    given_start(&given);
    vfs_cut_power_at(event, seed);
    run_script(&given, &notes);
    given_stop(&given);
    went_off = vfs_power_is_off();
    vfs_power_on();
    given_start(&given);
    assert_sound(&given, &notes);
    finish(&given, &notes);
    assert_counted(&given);
    given_stop(&given);
    given_empty(&given);
    return went_off;
}

static void test_power_cut_at_each_event(void **state)
{
    unsigned event = 0;

    (void)state;
    vfs_install();
    for (uint32_t seed = 1; seed <= 3; seed++)
        for (event = 1; crash_at(event, seed) && event < 2000; event++)
            ;
    vfs_remove();
    assert_in_range(event, 50, 1999); /* it did go off, and it got through in the end */
}

/* Also while the store is made: then it is made the next time. */
static void test_power_cut_while_it_is_made(void **state)
{
    struct given given;
    enum status status;
    unsigned event = 0;

    (void)state;
    vfs_install();
    do {
        given_folder(&given);
        event++;
        vfs_cut_power_at(event, event);
        status = outbox_start(&(struct outbox_options){.path = given.path}, &given.outbox);
        outbox_stop(status == STATUS_OK ? given.outbox : NULL);
        vfs_power_on();
        given_start(&given);
        assert_int_equal(put_single(given.outbox, 1, "s|p", "heart-rate", NOW), STATUS_OK);
        given_stop(&given);
        given_empty(&given);
    } while (status != STATUS_OK && event < 500);
    vfs_remove();
    assert_in_range(event, 3, 499);
}

/* ---- a full disk ---- */

static void test_a_full_disk_keeps_nothing_and_stops_nothing(void **state)
{
    struct given given;
    unsigned number = 1, kept = 0;
    enum status status = STATUS_OK;

    (void)state;
    vfs_install();
    given_folder(&given);
    given_start(&given);
    vfs_room(100000);
    while (status == STATUS_OK && number < 1000) {
        status = put_single(given.outbox, number++, "s|p", "heart-rate", NOW);
        kept += status == STATUS_OK;
    }
    assert_int_equal(status, STATUS_DISK_FULL);
    assert_in_range(kept, 2, 998);
    for (int i = 0; i < 3; i++)
        assert_int_equal(put_single(given.outbox, number++, "s|p", "heart-rate", NOW),
                         STATUS_DISK_FULL);
    assert_counts(&given, kept, 0, 0, 0);
    assert_counted(&given);
    vfs_room(-1);
    assert_int_equal(put_single(given.outbox, number - 1, "s|p", "heart-rate", NOW),
                     STATUS_OK); /* there is room again */
    assert_counts(&given, kept + 1, 0, 0, 0);
    given_stop(&given);
    given_start(&given);
    assert_counts(&given, kept + 1, 0, 0, 0);
    assert_counted(&given);
    given_stop(&given);
    given_empty(&given);
    vfs_remove();
}

/* ---- a disk that fails ---- */

static void test_a_failing_disk_is_heard_of(void **state)
{
    static const enum vfs_event events[] = {VFS_WRITE, VFS_SYNC};
    struct given given;
    struct claim *claim = NULL;

    (void)state;
    vfs_install();
    given_folder(&given);
    given_start(&given);
    assert_int_equal(put_single(given.outbox, 1, "s|p", "heart-rate", NOW), STATUS_OK);
    for (unsigned i = 0; i < 2; i++) {
        vfs_fail_next(events[i]);
        assert_int_equal(put_single(given.outbox, 10 + i, "s|p", "heart-rate", NOW), STATUS_IO);
        vfs_fail_next(events[i]);
        assert_int_equal(outbox_claim(given.outbox, MOST, BYTES, NOW, &claim), STATUS_IO);
        assert_null(claim);
        assert_counts(&given, 1 + i, 0, 0, 0);
        assert_int_equal(put_single(given.outbox, 10 + i, "s|p", "heart-rate", NOW), STATUS_OK);
    }
    chart(&given, NUMBERED(1, 10, 11)); /* the claims that failed moved nothing on */
    assert_counted(&given);
    given_stop(&given);
    given_empty(&given);
    vfs_remove();
}

/* ---- what a COMMIT costs ---- */

/* One sync for a put, and no more pages than it must touch: the entry's and its id's (and now and
 * then those of a page that is split). */
static void test_a_put_is_one_sync_and_two_pages(void **state)
{
    struct given given;
    struct vfs_counts before, after;

    (void)state;
    vfs_install();
    given_folder(&given);
    given_start(&given);
    for (unsigned i = 1; i <= 100; i++)
        assert_int_equal(put_single(given.outbox, i, "s|p", "heart-rate", NOW), STATUS_OK);
    before = vfs_counts();
    for (unsigned i = 101; i <= 300; i++)
        assert_int_equal(put_single(given.outbox, i, "s|p", "heart-rate", NOW), STATUS_OK);
    after = vfs_counts();
    assert_int_equal(after.log_syncs - before.log_syncs, 200);
    assert_int_equal(after.database_syncs, before.database_syncs);
    assert_in_range(after.log_bytes - before.log_bytes, 200 * 2 * 4096, 200 * 3 * 4120);
    given_stop(&given);
    given_empty(&given);
    vfs_remove();
}

/* ---- the log ---- */

static void put_large(struct given *given, unsigned number)
{
    static struct made made;
    static char text[60000];
    uint32_t seed = number;

    for (size_t i = 0; i < sizeof(text); i++) {
        seed = seed * 1664525U + 1013904223U; /* common practice: an LCG; nothing here packs */
        text[i] = (char)(seed >> 24);
    }
    made_begin(&made, number, "s|p");
    made_main(&made, number, "heart-rate", NOW);
    made.entries[0].became = text;
    made.entries[0].became_length = sizeof(text);
    assert_int_equal(made_put(&made, given->outbox), STATUS_OK);
}

static long long log_size(const struct given *given)
{
    struct stat about;
    char path[200];

    snprintf(path, sizeof(path), "%s-wal", given->path);
    return stat(path, &about) == 0 ? (long long)about.st_size : -1;
}

/* It goes back into the database beside the writer; some 180 MB are written, and its file stays
 * near the hard limit of 64 MB. With somebody looking at the past all the while it must grow,
 * nobody waits for him, and after him it stops. */
static void test_the_log_stays_bounded(void **state)
{
    const long long most =
        2 * 16000LL * 4120; /* while the thread is at it, the writer's own tries are put off */
    struct given given;
    unsigned number = 1;
    long long grown;

    (void)state;
    vfs_install();
    given_folder(&given);
    given_start(&given);
    for (; number <= 3000; number++)
        put_large(&given, number);
    assert_in_range(log_size(&given), 1, most);
    assert_int_equal(sqlite3_exec(given.reader->db.handle, "BEGIN; SELECT count(*) FROM counter",
                                  NULL, NULL, NULL),
                     SQLITE_OK);
    for (; number <= 5500; number++)
        put_large(&given, number);
    grown = log_size(&given);
    assert_true(grown > most);
    assert_int_equal(sqlite3_exec(given.reader->db.handle, "COMMIT", NULL, NULL, NULL), SQLITE_OK);
    for (; number <= 7000; number++)
        put_large(&given, number);
    assert_in_range(log_size(&given), 1, grown + most / 2);
    assert_counts(&given, 7000, 0, 0, 0);
    given_stop(&given);
    assert_int_equal(log_size(&given), -1); /* after a clean stop there is none */
    given_empty(&given);
    vfs_remove();
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_power_cut_at_each_event),
        cmocka_unit_test(test_power_cut_while_it_is_made),
        cmocka_unit_test(test_a_full_disk_keeps_nothing_and_stops_nothing),
        cmocka_unit_test(test_a_failing_disk_is_heard_of),
        cmocka_unit_test(test_a_put_is_one_sync_and_two_pages),
        cmocka_unit_test(test_the_log_stays_bounded),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
