/* test_uuid.c - UUIDs of RFC 9562. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>
#include <sodium.h>

#include "wardpost/uuid.h"

#define COUNT(table) (sizeof(table) / sizeof((table)[0]))

static const char dns_space[] = "6ba7b810-9dad-11d1-80b4-00c04fd430c8"; /* RFC 9562 6.6 */
static const char url_space[] = "6ba7b811-9dad-11d1-80b4-00c04fd430c8";

static struct uuid uuid(const char *text)
{
    struct uuid value = {0};

    assert_true(uuid_parse(text, strlen(text), &value));
    return value;
}

static void assert_text(const struct uuid *value, const char *expected)
{
    char text[UUID_TEXT_ROOM];

    uuid_text(value, text);
    assert_string_equal(text, expected);
}

static void test_text_is_read_in_either_case_and_written_in_lower(void **state)
{
    struct uuid upper = uuid("F81D4FAE-7DEC-11D0-A765-00A0C91E6BF6"); /* RFC 9562 4 */
    struct uuid lower = uuid("f81d4fae-7dec-11d0-a765-00a0c91e6bf6");
    struct uuid mixed = uuid("f81D4fAe-7Dec-11d0-a765-00A0c91e6bf6");

    (void)state;
    assert_true(uuid_equal(&upper, &lower));
    assert_true(uuid_equal(&upper, &mixed));
    assert_int_equal(upper.bytes[0], 0xF8);
    assert_int_equal(upper.bytes[15], 0xF6);
    assert_text(&upper, "f81d4fae-7dec-11d0-a765-00a0c91e6bf6");
    lower.bytes[15] ^= 1;
    assert_false(uuid_equal(&upper, &lower));
    lower = uuid("00000000-0000-0000-0000-000000000000"); /* Nil, RFC 9562 5.9 */
    assert_text(&lower, "00000000-0000-0000-0000-000000000000");
    lower = uuid("ffffffff-ffff-ffff-ffff-ffffffffffff"); /* Max, RFC 9562 5.10 */
    assert_text(&lower, "ffffffff-ffff-ffff-ffff-ffffffffffff");
}

static void test_what_is_no_uuid_leaves_the_output_alone(void **state)
{
    static const char *const refused[] = {
        "",
        "f81d4fae",
        "f81d4fae7dec11d0a76500a0c91e6bf6",
        "{f81d4fae-7dec-11d0-a765-00a0c91e6bf6}",
        "urn:uuid:f81d4fae-7dec-11d0-a765-00a0c91e6bf6",
        "f81d4fae-7dec-11d0-a765-00a0c91e6bf",
        "f81d4fae-7dec-11d0-a765-00a0c91e6bf66",
        "f81d4faeX7dec-11d0-a765-00a0c91e6bf6",
        "f81d4fae-7decX11d0-a765-00a0c91e6bf6",
        "f81d4fae-7dec-11d0Xa765-00a0c91e6bf6",
        "f81d4fae-7dec-11d0-a765X00a0c91e6bf6",
        "f81d4fag-7dec-11d0-a765-00a0c91e6bf6",
        "f81d4fae-7dec-11d0-a765-00a0c91e6b-6",
        "f81d4fae-7dec-11d0-a765-00a0c91e6b 6",
        " 81d4fae-7dec-11d0-a765-00a0c91e6bf6",
        "f81d4f-ae7dec-11d0-a765-00a0c91e6bf6",
        "0x1d4fae-7dec-11d0-a765-00a0c91e6bf6",
    };

    (void)state;
    for (size_t i = 0; i < COUNT(refused); i++) {
        struct uuid value = {{7}};

        if (uuid_parse(refused[i], strlen(refused[i]), &value))
            fail_msg("\"%s\" was taken", refused[i]);
        assert_int_equal(value.bytes[0], 7);
    }
}

static const struct {
    const char *space, *name, *expected, *source;
} named[] = {
    {dns_space, "www.example.com", "2ed6657d-e927-568b-95e1-2665a8aea6a2", "RFC 9562 A.4"                      },
    {dns_space, "python.org",      "886313e1-3b8a-5372-9b90-0c9aee199e5d", "Python documentation, uuid"        },
    {url_space, "",                "1b4db7eb-4057-5ddf-91e0-36dec72071f5", "Python: uuid5(NAMESPACE_URL, \"\")"},
};

static void test_named_ones_are_those_of_the_standard(void **state)
{
    (void)state;
    for (size_t i = 0; i < COUNT(named); i++) {
        struct uuid space = uuid(named[i].space), seen;

        uuid_named(&space, named[i].name, &seen);
        assert_text(&seen, named[i].expected);
    }
}

static void assert_version(const struct uuid *value, int version)
{
    assert_int_equal(value->bytes[6] >> 4, version);
    assert_int_equal(value->bytes[8] >> 6, 2); /* RFC 9562 4.1: variant 10 */
}

static void test_the_time_stands_in_front(void **state)
{
    struct uuid seen;
    char text[UUID_TEXT_ROOM];

    (void)state;
    uuid_at(0x017F22E279B0, &seen); /* RFC 9562 A.6: 017F22E2-79B0-7CC3-98C4-DC0C0C07398F */
    assert_version(&seen, 7);
    uuid_text(&seen, text);
    assert_memory_equal(text, "017f22e2-79b0-7", 15);
}

static void test_they_sort_by_time(void **state)
{
    struct uuid before, after;

    (void)state;
    uuid_at(1795595400000, &before);
    for (int64_t later = 1; later < (int64_t)1 << 40; later *= 2) {
        uuid_at(1795595400000 + later, &after);
        assert_true(memcmp(before.bytes, after.bytes, sizeof(after.bytes)) < 0);
        before = after;
    }
}

static int order(const void *a, const void *b)
{
    return memcmp(a, b, sizeof(struct uuid));
}

/* Each bit that is not fixed is sometimes set and sometimes not: by chance one in 2^990 runs fails.
 */
static void test_random_ones_are_all_different(void **state)
{
    static struct uuid seen[1000];
    uint8_t ever[16] = {0}, always[16];

    (void)state;
    memset(always, 0xFF, sizeof(always));
    for (size_t i = 0; i < COUNT(seen); i++) {
        uuid_random(&seen[i]);
        assert_version(&seen[i], 4);
        for (size_t byte = 0; byte < 16; byte++) {
            ever[byte] |= seen[i].bytes[byte];
            always[byte] &= seen[i].bytes[byte];
        }
    }
    for (size_t byte = 0; byte < 16; byte++) {
        assert_int_equal(ever[byte], byte == 6 ? 0x4F : byte == 8 ? 0xBF : 0xFF);
        assert_int_equal(always[byte], byte == 6 ? 0x40 : byte == 8 ? 0x80 : 0);
    }
    qsort(seen, COUNT(seen), sizeof(seen[0]), order);
    for (size_t i = 1; i < COUNT(seen); i++)
        assert_false(uuid_equal(&seen[i - 1], &seen[i]));
}

static int start_sodium(void **state)
{
    (void)state;
    return sodium_init() < 0 ? -1 : 0;
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_text_is_read_in_either_case_and_written_in_lower),
        cmocka_unit_test(test_what_is_no_uuid_leaves_the_output_alone),
        cmocka_unit_test(test_named_ones_are_those_of_the_standard),
        cmocka_unit_test(test_the_time_stands_in_front),
        cmocka_unit_test(test_they_sort_by_time),
        cmocka_unit_test(test_random_ones_are_all_different),
    };

    return cmocka_run_group_tests(tests, start_sodium, NULL);
}
