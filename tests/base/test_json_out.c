/* test_json_out.c - what is written is JSON, whatever goes in and whatever allocation fails.
 * jansson's decoder is the judge. */
#include <setjmp.h>
#include <signal.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/wait.h>
#include <unistd.h>

#include <cmocka.h>

#include "heap.h"
#include "wardpost/json_in.h"
#include "wardpost/json_out.h"

#define COUNT(table) (sizeof(table) / sizeof((table)[0]))

/* ---- shapes ---- */

static void write_all(struct json_out *out)
{
    out_object(out);
    out_member(out, "resourceType", "Observation");
    out_member_if(out, "left out", NULL);
    out_member_if(out, "there", "yes");
    out_member(out, "none", NULL);
    out_member_integer(out, "least", INT64_MIN);
    out_member_integer(out, "most", INT64_MAX);
    out_member_decimal(out, "value", (struct decimal){9860, 2});
    out_member_bool(out, "yes", true);
    out_member_bool(out, "no", false);
    out_name(out, "empty");
    out_object(out);
    out_object_end(out);
    out_name(out, "list");
    out_array(out);
    out_integer(out, 0);
    out_null(out);
    out_array(out);
    out_array_end(out);
    out_raw(out, "{\"a\":1}", 7);
    out_text(out, "");
    out_text_n(out, "cut here", 3);
    out_object(out);
    out_name(out, "deep");
    out_bool(out, true);
    out_object_end(out);
    out_array_end(out);
    out_object_end(out);
}

static const char all[] =
    "{\"resourceType\":\"Observation\",\"there\":\"yes\",\"none\":null,"
    "\"least\":-9223372036854775808,\"most\":9223372036854775807,\"value\":98.60,"
    "\"yes\":true,\"no\":false,\"empty\":{},\"list\":[0,null,[],{\"a\":1},\"\",\"cut\",{\"deep\":"
    "true}]}";

static void test_commas_and_names_stand_where_they_must(void **state)
{
    struct json_out out = JSON_OUT_INIT;

    (void)state;
    write_all(&out);
    assert_true(json_out_ok(&out));
    assert_string_equal(json_out_text(&out), all);
    assert_int_equal(out.length, strlen(all));
    json_out_clear(&out);
    assert_null(out.text);
}

static void test_a_buffer_is_reused_and_given_away(void **state)
{
    struct json_out out = JSON_OUT_INIT;
    const char *before;
    char *taken;
    size_t length = 0;

    (void)state;
    write_all(&out);
    before = out.text;
    json_out_reset(&out);
    assert_string_equal(json_out_text(&out), "");
    write_all(&out);
    assert_ptr_equal(out.text, before);
    taken = json_out_take(&out, &length);
    assert_ptr_equal(taken, before);
    assert_int_equal(length, strlen(all));
    assert_string_equal(taken, all);
    free(taken);
    assert_null(out.text);
    out_text(&out, "as new");
    assert_string_equal(json_out_text(&out), "\"as new\"");
    json_out_clear(&out);
    json_out_clear(&out);
}

static void test_the_top_may_be_a_scalar(void **state)
{
    struct json_out out = JSON_OUT_INIT;

    (void)state;
    out_decimal(&out, (struct decimal){-5, 1});
    assert_string_equal(json_out_text(&out), "-0.5");
    json_out_clear(&out);
}

static void test_members_are_put_between_members(void **state)
{
    struct json_out out = JSON_OUT_INIT;

    (void)state;
    out_object(&out);
    out_members_raw(&out, "", 0);
    out_members_raw(&out, "\"a\":1,\"b\":2", 11);
    out_members_raw(&out, "", 0);
    out_member_integer(&out, "c", 3);
    out_members_raw(&out, "\"d\":4", 5);
    out_object_end(&out);
    assert_string_equal(json_out_text(&out), "{\"a\":1,\"b\":2,\"c\":3,\"d\":4}");
    json_out_clear(&out);
}

static void test_documents_in_one_buffer(void **state)
{
    struct json_out out = JSON_OUT_INIT;

    (void)state;
    for (int i = 0; i < 2; i++) {
        json_out_break(&out);
        out_integer(&out, i);
        json_out_break(&out);
        out_array(&out);
        out_array_end(&out);
        out_object(&out); /* behind an array or an object there is none to be left out */
        out_object_end(&out);
    }
    assert_string_equal(json_out_text(&out), "0[]{}1[]{}");
    json_out_clear(&out);
}

/* ---- strings ---- */

/* RFC 8259 7: quote, backslash and controls must be escaped; the rest need not. Not UTF-8: U+FFFD a
 * byte (json_out.h). */
static const struct {
    const char *text, *written;
} strings[] = {
    {"plain",                     "\"plain\""                               },
    {"\"",                        "\"\\\"\""                                },
    {"\\",                        "\"\\\\\""                                },
    {"/",                         "\"/\""                                   },
    {"a\nb\rc\td",                "\"a\\nb\\rc\\td\""                       },
    {"\x01\x02\x1F",              "\"\\u0001\\u0002\\u001f\""               },
    {"\b\f",                      "\"\\u0008\\u000c\""                      },
    {"\x7F",                      "\"\x7F\""                                },
    {"36.6 \xC2\xB0"
     "C",                    "\"36.6 \xC2\xB0"
     "C\""                                                    },
    {"\xF0\x9F\x98\x80",          "\"\xF0\x9F\x98\x80\""                    },
    {"\xE2\x80\xA8",              "\"\xE2\x80\xA8\""                        }, /* U+2028 */
    {"a\xFFz",                    "\"a\xEF\xBF\xBDz\""                      },
    {"cut \xE2\x98",              "\"cut \xEF\xBF\xBD\xEF\xBF\xBD\""        },
    {"\xED\xA0\x80",              "\"\xEF\xBF\xBD\xEF\xBF\xBD\xEF\xBF\xBD\""},
    {"12345678\"12345678\\12345", "\"12345678\\\"12345678\\\\12345\""       },
};

static void test_strings_are_escaped(void **state)
{
    (void)state;
    for (size_t i = 0; i < COUNT(strings); i++) {
        struct json_out out = JSON_OUT_INIT;

        out_text(&out, strings[i].text);
        assert_string_equal(json_out_text(&out), strings[i].written);
        json_out_clear(&out);
    }
}

/* Every byte at every place of a run of eight: what is written means what was given. */
static void check_byte(struct json_out *out, unsigned char byte, size_t place, size_t length)
{
    char text[21];
    json_error_t error;
    json_t *seen;

    memset(text, 'x', length);
    text[place] = (char)byte;
    text[length] = '\0';
    json_out_reset(out);
    out_array(out);
    out_text_n(out, text, length);
    out_array_end(out);
    seen = json_loadb(out->text, out->length, JSON_ALLOW_NUL, &error);
    if (!seen)
        fail_msg("byte %u at %zu of %zu: %s", byte, place, length, error.text);
    if (byte < 0x80) {
        assert_int_equal(json_string_length(json_array_get(seen, 0)), length);
        assert_memory_equal(json_string_value(json_array_get(seen, 0)), text, length);
    } else {
        assert_int_equal(json_string_length(json_array_get(seen, 0)), length + 2);
    }
    json_decref(seen);
}

static void test_no_byte_breaks_a_string(void **state)
{
    struct json_out out = JSON_OUT_INIT;

    (void)state;
    for (unsigned byte = 0; byte < 256; byte++)
        for (size_t length = 1; length <= 20; length++)
            for (size_t place = 0; place < length; place++)
                check_byte(&out, (unsigned char)byte, place, length);
    json_out_clear(&out);
}

static void test_names_are_escaped_too(void **state)
{
    struct json_out out = JSON_OUT_INIT;

    (void)state;
    out_object(&out);
    out_member(&out, "a\"b\n", "c");
    out_object_end(&out);
    assert_string_equal(json_out_text(&out), "{\"a\\\"b\\n\":\"c\"}");
    json_out_clear(&out);
}

/* A text longer than what the buffer would grow by: before it the room is nearly used up, or not.
 */
static void check_long(size_t before, size_t length)
{
    static char text[9000];
    struct json_out out = JSON_OUT_INIT;

    memset(text, 'x', sizeof(text));
    out_array(&out);
    out_raw(&out, text, before);
    out_raw(&out, text, length);
    out_array_end(&out);
    assert_int_equal(strlen(json_out_text(&out)), before + length + 3);
    json_out_clear(&out);
    out_array(&out);
    out_text_n(&out, text, before);
    out_text_n(&out, text, length);
    out_raw(&out, text, length);
    out_array_end(&out);
    assert_int_equal(strlen(json_out_text(&out)), before + 2 * length + 8);
    assert_int_equal(strspn(out.text + before + 5, "x"), length);
    json_out_clear(&out);
}

static void test_long_texts_find_room(void **state)
{
    (void)state;
    for (size_t before = 900; before < 1100; before += 7)
        for (size_t length = 0; length < 9000; length += 250)
            check_long(before, length);
}

/* ---- values that were read ---- */

static void test_what_was_read_is_written_with_its_digits(void **state)
{
    static const char text[] =
        "{\"value\":98.60,\"zero\":0.0,\"big\":999999999999999,\"small\":0.000000001,"
        "\"text\":\"98.60\",\"list\":[true,false,null,{},[]],\"note\":\"\\\"\\n\xC3\xA9\"}";
    struct json_out out = JSON_OUT_INIT;
    struct json_fault fault;
    json_t *value = NULL;

    (void)state;
    assert_int_equal(json_in(text, strlen(text), &value, &fault), STATUS_OK);
    out_json(&out, value);
    assert_string_equal(json_out_text(&out), text);
    json_decref(value);
    json_out_clear(&out);
}

/* ---- trouble ---- */

/* Long enough to grow several times. */
static void write_much(struct json_out *out)
{
    out_array(out);
    for (int i = 0; i < 200; i++)
        write_all(out);
    out_array_end(out);
}

static void test_each_failed_allocation_is_remembered(void **state)
{
    unsigned nth = 0;
    bool failed;

    (void)state;
    do {
        struct json_out out = JSON_OUT_INIT;
        size_t length = 77;
        char *text;

        heap_fail_at(++nth);
        write_much(&out);
        failed = !json_out_ok(&out);
        text = json_out_take(&out, &length);
        heap_fail_at(0);
        assert_int_equal(failed, heap_did_fail());
        assert_int_equal(failed, text == NULL);
        assert_int_equal(failed, length == 77);
        assert_true(json_out_ok(&out)); /* as new */
        free(text);
    } while (failed);
    assert_in_range(nth, 2, 1000);
}

static void test_after_a_failure_nothing_comes_back(void **state)
{
    struct json_out out = JSON_OUT_INIT;

    (void)state;
    heap_fail_at(1);
    out_array(&out);
    heap_fail_at(0);
    out_text(&out, "there is memory again, but the start is lost");
    out_array_end(&out);
    assert_false(json_out_ok(&out));
    assert_null(json_out_text(&out));
    json_out_reset(&out);
    out_text(&out, "x");
    assert_string_equal(json_out_text(&out), "\"x\"");
    json_out_clear(&out);
}

/* ---- our own bugs ---- */

static void value_without_name(struct json_out *out)
{
    out_object(out);
    out_integer(out, 1);
}

static void two_names(struct json_out *out)
{
    out_object(out);
    out_name(out, "a");
    out_name(out, "b");
}

static void name_in_an_array(struct json_out *out)
{
    out_array(out);
    out_name(out, "a");
}

static void name_at_the_top(struct json_out *out)
{
    out_name(out, "a");
}

static void wrong_bracket(struct json_out *out)
{
    out_array(out);
    out_object_end(out);
}

static void end_without_start(struct json_out *out)
{
    out_array_end(out);
}

static void name_without_value(struct json_out *out)
{
    out_object(out);
    out_name(out, "a");
    out_object_end(out);
}

static void text_while_open(struct json_out *out)
{
    out_array(out);
    (void)json_out_text(out);
}

static void members_in_an_array(struct json_out *out)
{
    out_array(out);
    out_members_raw(out, "\"a\":1", 5);
}

static void break_while_open(struct json_out *out)
{
    out_array(out);
    json_out_break(out);
}

static void digits_already_lost(struct json_out *out)
{
    json_t *real = json_real(98.6);

    out_json(out, real);
    json_decref(real);
}

static void (*const bugs[])(struct json_out *) = {
    value_without_name,  two_names,           name_in_an_array,   name_at_the_top,
    wrong_bracket,       end_without_start,   name_without_value, text_while_open,
    digits_already_lost, members_in_an_array, break_while_open,
};

static void die_of(void (*bug)(struct json_out *))
{
    struct json_out out = JSON_OUT_INIT;

    (void)signal(SIGABRT,
                 SIG_DFL); /* cmocka's handler, or the sanitizer's, is not what is tried here */
    if (!freopen("/dev/null", "w", stderr) || setrlimit(RLIMIT_CORE, &(struct rlimit){0}) != 0)
        _exit(2);
    bug(&out);
    _exit(0);
}

static void test_calls_that_do_not_nest_are_caught(void **state)
{
    (void)state;
    for (size_t i = 0; i < COUNT(bugs); i++) {
        pid_t child = fork();
        int how = 0;

        assert_true(child >= 0);
        if (child == 0)
            die_of(bugs[i]);
        assert_int_equal(waitpid(child, &how, 0), child);
        if (!WIFSIGNALED(how) || WTERMSIG(how) != SIGABRT)
            fail_msg("bug %zu passed", i);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_commas_and_names_stand_where_they_must),
        cmocka_unit_test(test_a_buffer_is_reused_and_given_away),
        cmocka_unit_test(test_the_top_may_be_a_scalar),
        cmocka_unit_test(test_members_are_put_between_members),
        cmocka_unit_test(test_documents_in_one_buffer),
        cmocka_unit_test(test_strings_are_escaped),
        cmocka_unit_test(test_no_byte_breaks_a_string),
        cmocka_unit_test(test_names_are_escaped_too),
        cmocka_unit_test(test_long_texts_find_room),
        cmocka_unit_test(test_what_was_read_is_written_with_its_digits),
        cmocka_unit_test(test_each_failed_allocation_is_remembered),
        cmocka_unit_test(test_after_a_failure_nothing_comes_back),
        cmocka_unit_test(test_calls_that_do_not_nest_are_caught),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
