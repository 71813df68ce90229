/* test_problem.c - what is wrong with what was sent, and the words for what is wrong with us. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>

#include "heap.h"
#include "wardpost/problem.h"

#define COUNT(table) (sizeof(table) / sizeof((table)[0]))

/* ---- pointers ---- */

/* RFC 6901 5: the names of its document and their pointers. */
static const struct {
    const char *name, *pointer;
} members[] = {
    {"foo",  "/foo"   },
    {"",     "/"      },
    {"a/b",  "/a~1b"  },
    {"c%d",  "/c%d"   },
    {"e^f",  "/e^f"   },
    {"g|h",  "/g|h"   },
    {"i\\j", "/i\\j"  },
    {"k\"l", "/k\"l"  },
    {" ",    "/ "     },
    {"m~n",  "/m~0n"  },
    {"~1",   "/~01"   }, /* RFC 6901 4: ~01 is ~1, never / */
    {"/",    "/~1"    },
    {"~/~",  "/~0~1~0"},
};

static void test_names_become_pointers(void **state)
{
    (void)state;
    for (size_t i = 0; i < COUNT(members); i++) {
        char pointer[32], longer[32];

        pointer_join(pointer, sizeof(pointer), "", members[i].name);
        assert_string_equal(pointer, members[i].pointer);
        pointer_join(longer, sizeof(longer), "/readings/2", members[i].name);
        assert_memory_equal(longer, "/readings/2", 11);
        assert_string_equal(longer + 11, members[i].pointer);
    }
}

static void test_indexes_become_pointers(void **state)
{
    char pointer[32] = "/readings";

    (void)state;
    pointer_join_index(pointer, sizeof(pointer), pointer,
                       0); /* RFC 6901 5: /foo/0; base and out may be one */
    assert_string_equal(pointer, "/readings/0");
    pointer_join_index(pointer, sizeof(pointer), "", SIZE_MAX);
    assert_string_equal(pointer, "/18446744073709551615");
}

/* Whatever the room: a start of the whole pointer, ended by NUL, no escape and no character cut. */
static void test_a_long_pointer_is_cut_whole(void **state)
{
    static const char name[] = "~a/\xC3\xA9\xE2\x98\x95";
    char whole[32];

    (void)state;
    pointer_join(whole, sizeof(whole), "/x", name);
    assert_string_equal(whole, "/x/~0a~1\xC3\xA9\xE2\x98\x95");
    for (size_t room = 1; room < sizeof(whole); room++) {
        char cut[33];
        size_t length;

        memset(cut, '#', sizeof(cut));
        pointer_join(cut, room, "/x", name);
        length = strlen(cut);
        assert_true(length < room);
        assert_int_equal(cut[room], '#');
        assert_memory_equal(cut, whole, length);
        assert_int_not_equal(cut[length > 0 ? length - 1 : 0], '~');
        assert_true(length != 9 && length != 11 && length != 12); /* inside a character */
        assert_true(length == strlen(whole) ||
                    length + 4 > room); /* and no more is cut than must be */
    }
}

/* ---- problems ---- */

static void test_problems_are_kept_in_order(void **state)
{
    struct problems problems = PROBLEMS_INIT;

    (void)state;
    problem_add(&problems, PROBLEM_UNKNOWN_UNIT, "/readings/2/unit", "\"%s\" is not one of: %s",
                "bpm", "/min");
    problem_add_override(&problems, "/value", "over %d", 300);
    assert_int_equal(problems.count, 2);
    assert_int_equal(problems.items[0].code, PROBLEM_UNKNOWN_UNIT);
    assert_string_equal(problems.items[0].pointer, "/readings/2/unit");
    assert_string_equal(problems.items[0].detail, "\"bpm\" is not one of: /min");
    assert_false(problems.items[0].may_override);
    assert_int_equal(problems.items[1].code, PROBLEM_IMPLAUSIBLE);
    assert_string_equal(problems.items[1].detail, "over 300");
    assert_true(problems.items[1].may_override);
    problems_clear(&problems);
    assert_null(problems.items);
    assert_int_equal(problems.count, 0);
    problem_add(&problems, PROBLEM_MALFORMED, "", "again");
    assert_int_equal(problems.count, 1);
    problems_clear(&problems);
    problems_clear(&problems);
}

static void test_more_are_counted_and_not_kept(void **state)
{
    struct problems problems = PROBLEMS_INIT;

    (void)state;
    for (int i = 0; i < PROBLEMS_MOST + 10; i++)
        problem_add(&problems, PROBLEM_WRONG_TYPE, "/value", "number %d", i);
    assert_int_equal(problems.count, PROBLEMS_MOST);
    assert_int_equal(problems.dropped, 10);
    assert_false(problems.no_memory);
    assert_string_equal(problems.items[PROBLEMS_MOST - 1].detail, "number 255");
    problems_clear(&problems);
}

static void test_long_texts_are_cut_between_characters(void **state)
{
    struct problems problems = PROBLEMS_INIT;
    char text[1024];

    (void)state;
    for (size_t shift = 0; shift < 4; shift++) {
        memset(text, 'x', shift);
        for (size_t at = shift; at + 4 < sizeof(text); at += 4)
            memcpy(text + at, "\xF0\x9F\x98\x80", 5);
        problem_add(&problems, PROBLEM_TOO_LONG, text, "%s", text);
    }
    assert_int_equal(problems.count, 4);
    for (size_t i = 0; i < 4; i++) {
        assert_int_equal((strlen(problems.items[i].pointer) - i) % 4, 0);
        assert_int_equal((strlen(problems.items[i].detail) - i) % 4, 0);
        assert_in_range(strlen(problems.items[i].pointer), sizeof(problems.items[i].pointer) - 4,
                        sizeof(problems.items[i].pointer) - 1);
        assert_in_range(strlen(problems.items[i].detail), sizeof(problems.items[i].detail) - 4,
                        sizeof(problems.items[i].detail) - 1);
    }
    problems_clear(&problems);
}

static void test_each_failed_allocation_is_told(void **state)
{
    unsigned nth = 0;
    bool failed;

    (void)state;
    do {
        struct problems problems = PROBLEMS_INIT;

        heap_fail_at(++nth);
        for (int i = 0; i < 40; i++)
            problem_add(&problems, PROBLEM_WRONG_TYPE, "/value", "number %d", i);
        heap_fail_at(0);
        failed = heap_did_fail();
        assert_int_equal(problems.no_memory, failed);
        assert_int_equal(problems.count, failed ? 39 : 40); /* the next one found room again */
        problems_clear(&problems);
        assert_false(problems.no_memory);
    } while (failed);
    assert_in_range(nth, 2, 1000);
}

/* ---- words ---- */

/* Design 5, "problem codes from the start", and ours. */
static const char *const codes[PROBLEM_CODE_COUNT] = {
    "malformed",    "wrong-type",  "missing-field", "unknown-kind", "unknown-field", "unknown-unit",
    "unknown-word", "implausible", "inconsistent",  "confirm",      "bad-time",      "future-time",
    "id-conflict",  "too-many",    "too-long",      "not-allowed",
};

static void test_codes_are_those_of_the_interface(void **state)
{
    (void)state;
    for (size_t i = 0; i < COUNT(codes); i++)
        assert_string_equal(problem_code_text((enum problem_code)i), codes[i]);
}

static void test_each_status_has_words_of_its_own(void **state)
{
    (void)state;
    for (int a = STATUS_OK; a <= STATUS_INVALID; a++) {
        assert_true(strlen(status_text((enum status)a)) > 0);
        for (int b = STATUS_OK; b < a; b++)
            assert_string_not_equal(status_text((enum status)a), status_text((enum status)b));
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_names_become_pointers),
        cmocka_unit_test(test_indexes_become_pointers),
        cmocka_unit_test(test_a_long_pointer_is_cut_whole),
        cmocka_unit_test(test_problems_are_kept_in_order),
        cmocka_unit_test(test_more_are_counted_and_not_kept),
        cmocka_unit_test(test_long_texts_are_cut_between_characters),
        cmocka_unit_test(test_each_failed_allocation_is_told),
        cmocka_unit_test(test_codes_are_those_of_the_interface),
        cmocka_unit_test(test_each_status_has_words_of_its_own),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
