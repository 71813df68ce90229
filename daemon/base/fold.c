/* fold.c - see fold.h. The tables were worked out from the Unicode Character Database (lower case,
 * then the letters under the accents), and the letters that it does not take apart were added. */
#include "wardpost/fold.h"

#include <stdbool.h>
#include <stdint.h>
#include <string.h>

#include "base/utf8.h"

/* A letter a code point, from `first` on. Capitals stand for two (below), ? for what stays. */
static const struct {
    uint32_t first;
    const char *letters;
} latin[] = {
    {0x00C0, "aaaaaaAceeeeiiiidnooooo?ouuuuyTSaaaaaaAceeeeiiiidnooooo?ouuuuyTy"
             "aaaaaaccccccccddddeeeeeeeeeegggggggghhhhiiiiiiiiiiIIjjkkklllllll"
             "lllnnnnnnnnnooooooOOrrrrrrssssssssttttttuuuuuuuuuuuuwwyyyzzzzzzs"},
    {0x01CD, "aaiioouuuuuuuuuueaaaaAAggggkkoooozzjDDDgg??nnaaAAooaaaaeeeeiiiio"
             "ooorrrruuuusstt"                                                 },
    {0x1E00, "aabbbbbbccddddddddddeeeeeeeeeeffgghhhhhhhhhhiiiikkkkkkllllllllmm"
             "mmmmnnnnnnnnoooooooopppprrrrrrrrssssssssssttttttttuuuuuuuuuuvvvv"
             "wwwwwwwwwwxxxxyyzzzzzzhtwyas??S?aaaaaaaaaaaaaaaaaaaaaaaaeeeeeeee"
             "eeeeeeeeiiiioooooooooooooooooooooooouuuuuuuuuuuuuuyyyyyyyy??????"},
};

static const struct {
    char mark;
    char letters[3];
} doubles[] = {
    {'A', "ae"},
    {'D', "dz"},
    {'I', "ij"},
    {'O', "oe"},
    {'S', "ss"},
    {'T', "th"},
};

/* Greek and Cyrillic: spans that move to their small letters, single ones to the letter without
 * marks. The first row that fits wins. */
static const struct {
    uint32_t from, to, becomes;
} moves[] = {
    {0x0386, 0x0386, 0x03B1},
    {0x0388, 0x0388, 0x03B5},
    {0x0389, 0x0389, 0x03B7},
    {0x038A, 0x038A, 0x03B9},
    {0x038C, 0x038C, 0x03BF},
    {0x038E, 0x038E, 0x03C5},
    {0x038F, 0x038F, 0x03C9},
    {0x0390, 0x0390, 0x03B9},
    {0x0391, 0x03A9, 0x03B1},
    {0x03AA, 0x03AA, 0x03B9},
    {0x03AB, 0x03AB, 0x03C5},
    {0x03AC, 0x03AC, 0x03B1},
    {0x03AD, 0x03AD, 0x03B5},
    {0x03AE, 0x03AE, 0x03B7},
    {0x03AF, 0x03AF, 0x03B9},
    {0x03B0, 0x03B0, 0x03C5},
    {0x03C2, 0x03C2, 0x03C3},
    {0x03CA, 0x03CA, 0x03B9},
    {0x03CB, 0x03CB, 0x03C5},
    {0x03CC, 0x03CC, 0x03BF},
    {0x03CD, 0x03CD, 0x03C5},
    {0x03CE, 0x03CE, 0x03C9},
    {0x0401, 0x0401, 0x0435},
    {0x0419, 0x0419, 0x0438},
    {0x0400, 0x040F, 0x0450},
    {0x0410, 0x042F, 0x0430},
    {0x0439, 0x0439, 0x0438},
    {0x0451, 0x0451, 0x0435},
};

static uint32_t code_of(const char *at, size_t length)
{
    static const unsigned char first_bits[] = {0, 0x7F, 0x1F, 0x0F, 0x07};
    uint32_t code = (unsigned char)at[0] & first_bits[length];

    for (size_t i = 1; i < length; i++)
        code = code << 6 | ((unsigned char)at[i] & 0x3F);
    return code;
}

/* Blanks, hyphens, apostrophes and other marks between the letters, and accents that stand alone.
 */
static bool is_left_out(uint32_t code)
{
    if (code < 0x80)
        return !((code >= '0' && code <= '9') || (code >= 'a' && code <= 'z') ||
                 (code >= 'A' && code <= 'Z'));
    return code < 0xC0 || (code >= 0x02B9 && code <= 0x036F) || (code >= 0x2000 && code <= 0x206F);
}

static size_t put_letter(char letter, char out[4])
{
    for (size_t i = 0; i < sizeof(doubles) / sizeof(doubles[0]); i++)
        if (doubles[i].mark == letter) {
            memcpy(out, doubles[i].letters, 2);
            return 2;
        }
    out[0] = letter;
    return 1;
}

static size_t fold_code(uint32_t code, char out[4])
{
    if (is_left_out(code))
        return 0;
    if (code < 0x80) {
        out[0] = (char)(code >= 'A' && code <= 'Z' ? code + 0x20 : code);
        return 1;
    }
    for (size_t i = 0; i < sizeof(latin) / sizeof(latin[0]); i++) {
        if (code < latin[i].first || code - latin[i].first >= strlen(latin[i].letters))
            continue;
        if (latin[i].letters[code - latin[i].first] != '?')
            return put_letter(latin[i].letters[code - latin[i].first], out);
    }
    for (size_t i = 0; i < sizeof(moves) / sizeof(moves[0]); i++)
        if (code >= moves[i].from && code <= moves[i].to)
            return utf8_put(out, moves[i].becomes + code - moves[i].from);
    return utf8_put(out, code);
}

size_t name_fold(const char *text, char *out, size_t room)
{
    size_t left = strlen(text), used = 0;

    while (left > 0) {
        size_t length = utf8_length(text, left), step = length > 0 ? length : 1, wrote;
        char folded[4];

        wrote = length > 0 ? fold_code(code_of(text, length), folded) : 0;
        if (used + wrote >= room)
            break;
        memcpy(out + used, folded, wrote);
        used += wrote;
        text += step;
        left -= step;
    }
    out[used] = '\0';
    return used;
}
