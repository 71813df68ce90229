/* test_json_file.c - a JSON file or pipe, whole or not at all. */
#include <errno.h>
#include <fcntl.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <cmocka.h>

#include "heap.h"
#include "wardpost/json_in.h"

static char folder[] = "/tmp/wardpost-json-XXXXXX";
static char path[sizeof(folder) + 16];

static int make_folder(void **state)
{
    (void)state;
    if (!mkdtemp(folder))
        return -1;
    (void)snprintf(path, sizeof(path), "%s/sent.json", folder);
    return 0;
}

static int remove_folder(void **state)
{
    (void)state;
    (void)unlink(path);
    return rmdir(folder);
}

static void write_file(const char *text, off_t length)
{
    int fd = open(path, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0600);

    assert_true(fd >= 0);
    assert_int_equal(write(fd, text, strlen(text)), strlen(text));
    assert_int_equal(ftruncate(fd, length), 0);
    assert_int_equal(close(fd), 0);
}

static void test_a_file_is_read_whole(void **state)
{
    struct json_fault fault;
    json_t *value = NULL;

    (void)state;
    write_file("{\"value\":98.60}", 15);
    assert_int_equal(json_in_file(path, &value, &fault), STATUS_OK);
    assert_string_equal(digits_text(json_object_get(value, "value")), "98.60");
    json_decref(value);
    value = NULL;
    write_file("{\n\"value\":98.60", 15);
    assert_int_equal(json_in_file(path, &value, &fault), STATUS_INVALID);
    assert_int_equal(fault.line, 2);
    assert_string_equal(fault.detail, "the text ends too early");
    write_file("", 0);
    assert_int_equal(json_in_file(path, &value, &fault), STATUS_INVALID);
    assert_string_equal(fault.detail, "nothing was sent");
    assert_null(value);
}

static void test_a_file_that_cannot_be_read(void **state)
{
    struct json_fault fault;
    json_t *value = NULL;

    (void)state;
    (void)unlink(path);
    assert_int_equal(json_in_file(path, &value, &fault), STATUS_IO);
    assert_int_equal(errno, ENOENT);
    assert_int_equal(json_in_file(folder, &value, &fault), STATUS_IO);
    assert_int_equal(errno, EISDIR);
    write_file("[]", ((off_t)16 << 20) + 1);
    assert_int_equal(json_in_file(path, &value, &fault), STATUS_IO);
    assert_int_equal(errno, EFBIG);
    write_file("[]",
               (off_t)16 << 20); /* small enough to be read, and then no JSON for its NUL bytes */
    assert_int_equal(json_in_file(path, &value, &fault), STATUS_INVALID);
    assert_int_equal(fault.offset, 2);
    assert_null(value);
}

static void test_a_pipe_is_read_to_its_end(void **state)
{
    char name[64];
    struct json_fault fault;
    json_t *value = NULL;
    int ends[2];

    (void)state;
    assert_int_equal(pipe(ends), 0);
    assert_int_equal(write(ends[1], "[1,2]", 5), 5);
    assert_int_equal(close(ends[1]), 0);
    (void)snprintf(name, sizeof(name), "/dev/fd/%d", ends[0]);
    assert_int_equal(json_in_file(name, &value, &fault), STATUS_OK);
    assert_int_equal(json_array_size(value), 2);
    json_decref(value);
    assert_int_equal(close(ends[0]), 0);
}

static void test_each_failed_allocation_of_a_file_is_told(void **state)
{
    unsigned nth = 0;
    enum status status;

    (void)state;
    write_file("[]", 2);
    do {
        struct json_fault fault;
        json_t *value = NULL;

        heap_fail_at(++nth);
        status = json_in_file(path, &value, &fault);
        heap_fail_at(0);
        assert_int_equal(status, heap_did_fail() ? STATUS_NO_MEMORY : STATUS_OK);
        assert_int_equal(status == STATUS_OK, value != NULL);
        json_decref(value);
    } while (status != STATUS_OK);
    assert_in_range(nth, 3, 1000);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_a_file_is_read_whole),
        cmocka_unit_test(test_a_file_that_cannot_be_read),
        cmocka_unit_test(test_a_pipe_is_read_to_its_end),
        cmocka_unit_test(test_each_failed_allocation_of_a_file_is_told),
    };

    return cmocka_run_group_tests(tests, make_folder, remove_folder);
}
