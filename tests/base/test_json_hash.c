/* test_json_hash.c - "the same content": order of members does not matter, everything else does. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>
#include <sodium.h>

#include "wardpost/json_in.h"

#define COUNT(table) (sizeof(table) / sizeof((table)[0]))

struct hash {
    uint8_t bytes[32];
};

static struct hash hash(const char *text, const char *const *skip)
{
    struct json_fault fault;
    struct hash seen;
    json_t *value = NULL;

    assert_int_equal(json_in(text, strlen(text), &value, &fault), STATUS_OK);
    json_in_hash(value, skip, seen.bytes);
    json_decref(value);
    return seen;
}

/* No two of them are the same content. Many differ only in where one piece ends and the next
 * begins. */
static const char *const different[] = {
    "{}",
    "[]",
    "[null]",
    "[false]",
    "[true]",
    "[\"\"]",
    "[[]]",
    "[{}]",
    "[[],[]]",
    "[{},{}]",
    "[0]",
    "[\"0\"]",
    "[0.0]",
    "[98.6]",
    "[98.60]",
    "[\"98.6\"]",
    "[986]",
    "[-98.6]",
    "[1,2]",
    "[2,1]",
    "[12]",
    "[1,[2]]",
    "[[1,2]]",
    "[[1],2]",
    "[[1],[2]]",
    "[\"a\",\"b\"]",
    "[\"ab\"]",
    "[\"ab\",\"\"]",
    "[\"\",\"ab\"]",
    "[\"a\",\"\",\"b\"]",
    "[\"true\"]",
    "[\"null\"]",
    "{\"a\":\"b\"}",
    "{\"ab\":\"\"}",
    "{\"\":\"ab\"}",
    "{\"b\":\"a\"}",
    "[\"a\",\"b\",{}]",
    "{\"a\":{\"b\":1}}",
    "{\"a\":{},\"b\":1}",
    "{\"a\":1,\"b\":{}}",
    "{\"a\":1,\"b\":2}",
    "{\"a\":2,\"b\":1}",
    "{\"a\":1}",
    "{\"a\":1,\"b\":1}",
    "{\"a\":1,\"b\":1,\"c\":1}",
    "{\"a\":null}",
    "{\"a\":[]}",
    "{\"a\":[1]}",
    "{\"a\":[1],\"b\":[1]}",
    "{\"a\":{\"c\":1},\"b\":{\"c\":1}}",
    "{\"a\":{\"c\":1}}",
    "[{\"a\":1},{\"b\":2}]",
    "[{\"b\":2},{\"a\":1}]",
    "[{\"a\":1,\"b\":2}]",
    "{\"value\":98.6,\"unit\":\"[degF]\"}",
    "{\"value\":98.60,\"unit\":\"[degF]\"}",
    "{\"value\":98.6,\"unit\":\"Cel\"}",
};

static void test_other_content_has_another_hash(void **state)
{
    struct hash seen[COUNT(different)];

    (void)state;
    for (size_t i = 0; i < COUNT(different); i++) {
        seen[i] = hash(different[i], NULL);
        for (size_t j = 0; j < i; j++)
            if (memcmp(seen[i].bytes, seen[j].bytes, sizeof(seen[i].bytes)) == 0)
                fail_msg("%s and %s", different[i], different[j]);
    }
}

static const struct {
    const char *a, *b;
} same[] = {
    {"{\"a\":1,\"b\":2}",                       " { \"b\" : 2 , \"a\" : 1 } "            },
    {"[{\"a\":{\"x\":1,\"y\":[1,2]},\"b\":2}]", "[{\"b\":2,\"a\":{\"y\":[1,2],\"x\":1}}]"},
    {"{\"a\":1,\"b\":1,\"c\":1}",               "{\"c\":1,\"a\":1,\"b\":1}"              },
    {"[\"\\u00e9\"]",                           "[\"\xC3\xA9\"]"                         },
    {"[-0]",                                    "[0]"                                    },
    {"{\"\\u0061\":1}",                         "{\"a\":1}"                              },
};

static void test_the_same_content_has_the_same_hash(void **state)
{
    (void)state;
    for (size_t i = 0; i < COUNT(same); i++) {
        struct hash a = hash(same[i].a, NULL), b = hash(same[i].b, NULL);

        assert_memory_equal(a.bytes, b.bytes, sizeof(a.bytes));
    }
}

static void test_members_that_do_not_count_are_left_out(void **state)
{
    static const char *const skip[] = {"confirmed", "age", NULL};
    static const char *const none[] = {NULL};
    struct hash plain = hash("{\"readings\":[{\"value\":72}]}", skip);
    struct hash more =
        hash("{\"age\":{\"any\":1},\"readings\":[{\"confirmed\":true,\"value\":72}]}", skip);
    struct hash other = hash("{\"readings\":[{\"confirmed\":true,\"value\":73}]}", skip);
    struct hash counted = hash("{\"readings\":[{\"confirmed\":true,\"value\":72}]}", none);
    struct hash plain_counted = hash("{\"readings\":[{\"value\":72}]}", NULL);

    (void)state;
    assert_memory_equal(plain.bytes, more.bytes, sizeof(plain.bytes));
    assert_memory_equal(plain.bytes, plain_counted.bytes, sizeof(plain.bytes));
    assert_memory_not_equal(plain.bytes, other.bytes, sizeof(plain.bytes));
    assert_memory_not_equal(plain.bytes, counted.bytes, sizeof(plain.bytes));
}

/* It may be kept on disk and compared after an upgrade: what it is made of may not change unseen.
 * The pieces are put together here by hand as json_value.c says: a letter, eight bytes of length
 * with the lowest first, the bytes. */
static struct hash hash_of(const char *pieces, size_t length)
{
    struct hash seen;

    crypto_generichash(seen.bytes, sizeof(seen.bytes), (const unsigned char *)pieces, length, NULL,
                       0);
    return seen;
}

static void test_the_hash_is_what_it_was(void **state)
{
    static const char list[] = "a\0\0\0\0\0\0\0\0s\2\0\0\0\0\0\0\0okz\0\0\0\0\0\0\0\0";
    static const char member[] = "k\4\0\0\0\0\0\0\0namen\5\0\0\0\0\0\0\0\00198.6";
    static const char second[] = "k\1\0\0\0\0\0\0\0b"
                                 "0\0\0\0\0\0\0\0\0";
    char object[41] = "o\40\0\0\0\0\0\0\0";
    struct hash expected = hash_of(list, sizeof(list) - 1), seen = hash("[\"ok\"]", NULL);

    (void)state;
    assert_memory_equal(seen.bytes, expected.bytes, sizeof(seen.bytes));
    expected = hash_of(member, sizeof(member) - 1); /* of one member: the sum is its hash */
    memcpy(object + 9, expected.bytes, sizeof(expected.bytes));
    expected = hash_of(object, sizeof(object));
    seen = hash("{\"name\":98.6}", NULL);
    assert_memory_equal(seen.bytes, expected.bytes, sizeof(seen.bytes));
    expected = hash_of(second, sizeof(second) - 1);
    sodium_add((unsigned char *)object + 9, expected.bytes, sizeof(expected.bytes));
    expected = hash_of(object, sizeof(object));
    seen = hash("{\"b\":null,\"name\":98.6}", NULL);
    assert_memory_equal(seen.bytes, expected.bytes, sizeof(seen.bytes));
}

static int start_sodium(void **state)
{
    (void)state;
    return sodium_init() < 0 ? -1 : 0;
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_other_content_has_another_hash),
        cmocka_unit_test(test_the_same_content_has_the_same_hash),
        cmocka_unit_test(test_members_that_do_not_count_are_left_out),
        cmocka_unit_test(test_the_hash_is_what_it_was),
    };

    return cmocka_run_group_tests(tests, start_sodium, NULL);
}
