/* test_utf8.c - UTF-8 by RFC 3629, against every code point. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "base/utf8.h"

#define COUNT(table) (sizeof(table) / sizeof((table)[0]))

static const struct {
    const char *bytes;
    size_t length; /* of the first character; 0: none */
} characters[] = {
    {"a",                1},
    {"\x7F",             1},
    {"\xC2\x80",         2}, /* U+0080, the first of two bytes */
    {"\xC3\xA9",         2}, /* e with acute */
    {"\xDF\xBF",         2}, /* U+07FF */
    {"\xE0\xA0\x80",     3}, /* U+0800 */
    {"\xED\x9F\xBF",     3}, /* U+D7FF, the last before the surrogates */
    {"\xEE\x80\x80",     3}, /* U+E000 */
    {"\xEF\xBF\xBF",     3}, /* U+FFFF */
    {"\xF0\x90\x80\x80", 4}, /* U+10000 */
    {"\xF0\x9F\x98\x80", 4}, /* U+1F600 */
    {"\xF4\x8F\xBF\xBF", 4}, /* U+10FFFF, the last */
    {"\x80",             0}, /* a follower without a leader */
    {"\xBF",             0},
    {"\xC0\xAF",         0}, /* overlong "/": RFC 3629 10 */
    {"\xC1\xBF",         0},
    {"\xC3(",            0},
    {"\xC3",             0},
    {"\xE0\x9F\xBF",     0}, /* overlong */
    {"\xE2\x98",         0},
    {"\xE2\x98(",        0},
    {"\xED\xA0\x80",     0}, /* U+D800 */
    {"\xED\xBF\xBF",     0}, /* U+DFFF */
    {"\xF0\x8F\xBF\xBF", 0}, /* overlong */
    {"\xF0\x9F\x98",     0},
    {"\xF4\x90\x80\x80", 0}, /* U+110000 */
    {"\xF5\x80\x80\x80", 0},
    {"\xFE",             0},
    {"\xFF",             0},
    {"",                 0},
};

static void test_characters_are_found_and_others_are_not(void **state)
{
    (void)state;
    for (size_t i = 0; i < COUNT(characters); i++)
        if (utf8_length(characters[i].bytes, strlen(characters[i].bytes)) != characters[i].length)
            fail_msg("row %zu", i);
}

static void test_each_code_point_is_written_as_it_is_read(void **state)
{
    char bytes[5] = "";

    (void)state;
    for (uint32_t code = 0; code <= 0x10FFFF; code++) {
        size_t length;

        if (code == 0xD800)
            code = 0xE000;
        length = utf8_put(bytes, code);
        assert_int_equal(length, code < 0x80 ? 1 : code < 0x800 ? 2 : code < 0x10000 ? 3 : 4);
        if (utf8_length(bytes, length) != length)
            fail_msg("U+%04X", code);
        assert_int_equal(utf8_length(bytes, length - 1), 0);
    }
}

static const struct {
    const char *cut, *trimmed;
} texts[] = {
    {"",                     ""                 },
    {"plain",                "plain"            },
    {"caf\xC3\xA9",          "caf\xC3\xA9"      },
    {"caf\xC3",              "caf"              },
    {"\xC3",                 ""                 },
    {"a\xE2\x98\x95",        "a\xE2\x98\x95"    },
    {"a\xE2\x98",            "a"                },
    {"a\xE2",                "a"                },
    {"a\xF0\x9F\x98\x80",    "a\xF0\x9F\x98\x80"},
    {"a\xF0\x9F\x98",        "a"                },
    {"a\xF0\x9F",            "a"                },
    {"a\xF0",                "a"                },
    {"\xC3\xA9\xC3\xA9\xC3", "\xC3\xA9\xC3\xA9" },
};

static void test_a_piece_of_a_character_goes(void **state)
{
    (void)state;
    for (size_t i = 0; i < COUNT(texts); i++) {
        char text[16];

        strncpy(text, texts[i].cut, sizeof(text) - 1);
        text[sizeof(text) - 1] = '\0';
        utf8_trim(text);
        assert_string_equal(text, texts[i].trimmed);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_characters_are_found_and_others_are_not),
        cmocka_unit_test(test_each_code_point_is_written_as_it_is_read),
        cmocka_unit_test(test_a_piece_of_a_character_goes),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
