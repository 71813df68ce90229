/* Starting: files and their modes, a second one, what is not ours, what is newer, what is broken.
 */
#include "given.h"

#include <sqlite3.h>
#include <sys/stat.h>

#include "heap.h"

static enum status start(const char *path)
{
    struct outbox *outbox = NULL;
    enum status status = outbox_start(&(struct outbox_options){.path = path}, &outbox);

    assert_int_equal(status == STATUS_OK, outbox != NULL);
    outbox_stop(outbox);
    return status;
}

static void test_files_are_private(void **state)
{
    static const char *const endings[] = {"", "-wal", "-shm", "-lock"};
    struct given *given = *state;
    struct stat about;
    char path[200];

    assert_int_equal(put_single(given->outbox, 1, "s|p", "heart-rate", NOW), STATUS_OK);
    for (size_t i = 0; i < 4; i++) {
        snprintf(path, sizeof(path), "%s%s", given->path, endings[i]);
        assert_int_equal(stat(path, &about), 0);
        assert_int_equal(about.st_mode & 0777, 0600);
    }
}

static void test_a_second_one_is_told(void **state)
{
    struct given *given = *state;

    assert_int_equal(start(given->path), STATUS_BUSY);
    given_stop(given);
    assert_int_equal(start(given->path), STATUS_OK);
    given_start(given);
}

static void test_no_folder(void **state)
{
    (void)state;
    assert_int_equal(start("/nowhere/at/all.db"), STATUS_IO);
    assert_int_equal(start("/"), STATUS_IO);
}

/* ---- other files ---- */

static void run_sql(const char *path, const char *sql)
{
    sqlite3 *handle = NULL;

    assert_int_equal(sqlite3_open(path, &handle), SQLITE_OK);
    assert_int_equal(sqlite3_exec(handle, sql, NULL, NULL, NULL), SQLITE_OK);
    sqlite3_close(handle);
}

static const struct {
    const char *sql;
    enum status status;
} changes[] = {
    {"PRAGMA user_version = 99",                           STATUS_DAMAGED}, /* of a newer wardpost */
    {"PRAGMA user_version = -1",                           STATUS_DAMAGED},
    {"PRAGMA application_id = 7",                          STATUS_DAMAGED}, /* somebody else's */
    {"PRAGMA application_id = 0",                          STATUS_DAMAGED},
    {"PRAGMA user_version = 0; PRAGMA application_id = 0",
     STATUS_DAMAGED                                                      }, /* tables of somebody else's */
    {"DROP TABLE counter",                                 STATUS_DAMAGED},
    {"CREATE TABLE one_more (a)",                          STATUS_OK     },
};

static void test_what_is_not_ours(void **state)
{
    struct given *given = *state;

    given_stop(given);
    for (size_t i = 0; i < sizeof(changes) / sizeof(changes[0]); i++) {
        unlink(given->path);
        assert_int_equal(start(given->path), STATUS_OK);
        run_sql(given->path, changes[i].sql);
        assert_int_equal(start(given->path), changes[i].status);
    }
}

/* A database of somebody else's is not touched. */
static void test_somebody_elses_stays_as_it_is(void **state)
{
    struct given *given = *state;
    char before[8192], after[8192];
    FILE *file;
    size_t length;

    given_stop(given);
    unlink(given->path);
    run_sql(given->path, "CREATE TABLE theirs (a)");
    file = fopen(given->path, "rb");
    assert_non_null(file);
    length = fread(before, 1, sizeof(before), file);
    fclose(file);
    assert_int_equal(start(given->path), STATUS_DAMAGED);
    file = fopen(given->path, "rb");
    assert_non_null(file);
    assert_int_equal(fread(after, 1, sizeof(after), file), length);
    fclose(file);
    assert_memory_equal(before, after, length);
}

static void test_a_file_of_something_else(void **state)
{
    struct given *given = *state;
    FILE *file;

    given_stop(given);
    unlink(given->path);
    file = fopen(given->path, "wb");
    assert_non_null(file);
    for (int i = 0; i < 5000; i++)
        fputs("this is no database. ", file);
    fclose(file);
    assert_int_equal(start(given->path), STATUS_DAMAGED);
}

/* Pages of a store that were overwritten: found out where they are read, and said; never a crash.
 */
static void test_overwritten_pages(void **state)
{
    struct given *given = *state;
    FILE *file;
    struct outbox *outbox = NULL;
    struct outbox_reader *reader = NULL;
    enum status status;
    const struct uuid id = id_of(150);

    for (unsigned i = 1; i <= 300; i++)
        assert_int_equal(put_single(given->outbox, i, "s|p", "heart-rate", NOW), STATUS_OK);
    given_stop(given);
    file = fopen(given->path, "r+b");
    assert_non_null(file);
    fseek(file, 4096 * 2, SEEK_SET); /* all but the first page, and the table of tables */
    for (int i = 0; i < 4096 * 40; i++)
        fputc(0xA5, file);
    fclose(file);
    status = outbox_start(&(struct outbox_options){.path = given->path}, &outbox);
    if (status == STATUS_OK) {
        struct seen_row seen;

        assert_int_equal(outbox_reader_open(outbox, &reader), STATUS_OK);
        assert_int_equal(outbox_find(reader, &id, row_seen, &seen), STATUS_DAMAGED);
        assert_int_equal(put_single(outbox, 999, "s|p", "heart-rate", NOW), STATUS_DAMAGED);
        outbox_reader_close(reader);
        outbox_stop(outbox);
    } else {
        assert_int_equal(status, STATUS_DAMAGED);
    }
}

static void test_the_schema_says_whose_it_is(void **state)
{
    struct given *given = *state;
    unsigned char header[100];
    FILE *file;

    given_stop(given);
    file = fopen(given->path, "rb");
    assert_non_null(file);
    assert_int_equal(fread(header, 1, sizeof(header), file), sizeof(header));
    fclose(file);
    assert_memory_equal(header + 68, "wpo2",
                        4); /* application_id; sqlite.org/fileformat2.html 1.3 */
    assert_memory_equal(header + 60, "\0\0\0\2", 4); /* user_version */
    assert_memory_equal(header + 16, "\x10\0", 2);   /* pages of 4096 */
    assert_memory_equal(header + 18, "\2\2", 2);     /* WAL */
}

static void test_starting_survives_each_failed_allocation(void **state)
{
    struct given *given = *state;
    unsigned nth = 0;
    enum status status;

    for (int made = 0; made < 2; made++) { /* a new file, then one that is there */
        nth = 0;
        given_stop(given);
        do {
            if (made == 0)
                unlink(given->path);
            heap_fail_at(++nth);
            status = outbox_start(&(struct outbox_options){.path = given->path}, &given->outbox);
            heap_fail_at(0);
            assert_true(status == STATUS_OK || status == STATUS_NO_MEMORY);
            outbox_stop(status == STATUS_OK ? given->outbox : NULL);
        } while ((status != STATUS_OK || heap_did_fail()) && nth < 20000);
        assert_in_range(nth, 2, 19999);
        given_start(given);
    }
}

static void test_state_texts(void **state)
{
    (void)state;
    assert_string_equal(entry_state_text(ENTRY_WAITING), "waiting");
    assert_string_equal(entry_state_text(ENTRY_HELD), "held");
    assert_string_equal(entry_state_text(ENTRY_CHARTED), "charted");
    assert_string_equal(entry_state_text(ENTRY_DISCARDED), "discarded");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(test_files_are_private, given_setup, given_teardown),
        cmocka_unit_test_setup_teardown(test_a_second_one_is_told, given_setup, given_teardown),
        cmocka_unit_test(test_no_folder),
        cmocka_unit_test_setup_teardown(test_what_is_not_ours, given_setup, given_teardown),
        cmocka_unit_test_setup_teardown(test_somebody_elses_stays_as_it_is, given_setup,
                                        given_teardown),
        cmocka_unit_test_setup_teardown(test_a_file_of_something_else, given_setup, given_teardown),
        cmocka_unit_test_setup_teardown(test_overwritten_pages, given_setup, given_teardown),
        cmocka_unit_test_setup_teardown(test_the_schema_says_whose_it_is, given_setup,
                                        given_teardown),
        cmocka_unit_test_setup_teardown(test_starting_survives_each_failed_allocation, given_setup,
                                        given_teardown),
        cmocka_unit_test(test_state_texts),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
