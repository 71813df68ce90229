/* json_scan.c - see json_scan.h. RFC 8259 6 (numbers) and 7 (strings), less what json_in.h refuses.
 */
#include <stdio.h>
#include <string.h>

#include "base/json_plain.h"
#include "base/json_scan.h"
#include "base/utf8.h"

enum status json_scan_wrong(struct json_scan *scan, const char *where, const char *words)
{
    scan->fault->offset = (size_t)(where - scan->text);
    (void)snprintf(scan->fault->detail, sizeof(scan->fault->detail), "%s", words);
    return STATUS_INVALID;
}

void json_scan_blanks(struct json_scan *scan)
{
    while (scan->at < scan->end &&
           (*scan->at == ' ' || *scan->at == '\n' || *scan->at == '\r' || *scan->at == '\t'))
        scan->at++;
}

void json_scan_place(const struct json_scan *scan)
{
    struct json_fault *fault = scan->fault;

    fault->line = 1;
    fault->column = 1;
    for (size_t i = 0; i < fault->offset; i++) {
        if (scan->text[i] == '\n') {
            fault->line++;
            fault->column = 1;
        } else if (((unsigned char)scan->text[i] & 0xC0) != 0x80) {
            fault->column++;
        }
    }
}

/* ---- strings ---- */

/* The end of the run, from `at` on, of what stands for itself in a string. */
static const char *end_of_run(const char *at, const char *end)
{
    size_t length;

    do {
        at = json_plain_end(at, end);
        length = at < end && (unsigned char)*at >= 0x80 ? utf8_length(at, (size_t)(end - at)) : 0;
        at += length;
    } while (length > 0);
    return at;
}

static int hex_digit(char c)
{
    if (c >= '0' && c <= '9')
        return c - '0';
    if (c >= 'a' && c <= 'f')
        return c - 'a' + 10;
    return c >= 'A' && c <= 'F' ? c - 'A' + 10 : -1;
}

/* The value of \uXXXX at `at`, -1 when there is none. */
static int32_t code_unit(const char *at, const char *end)
{
    int32_t value = 0;

    if (end - at < 6 || at[0] != '\\' || at[1] != 'u')
        return -1;
    for (int i = 2; i < 6; i++) {
        int digit = hex_digit(at[i]);

        if (digit < 0)
            return -1;
        value = value * 16 + digit;
    }
    return value;
}

static enum status unicode_escape(struct json_scan *scan, char **out)
{
    int32_t code = code_unit(scan->at, scan->end), low;

    if (code < 0)
        return json_scan_wrong(scan, scan->at, "\\u without four hexadecimal digits");
    if (code < 0x20 && code != '\t' && code != '\n' && code != '\r')
        return json_scan_wrong(scan, scan->at, "a control character in a string");
    if (code >= 0xD800 && code <= 0xDFFF) {
        low = code_unit(scan->at + 6, scan->end);
        if (code >= 0xDC00 || low < 0xDC00 || low > 0xDFFF)
            return json_scan_wrong(scan, scan->at, "half of a surrogate pair");
        code = 0x10000 + ((code - 0xD800) << 10) + (low - 0xDC00);
        scan->at += 6;
    }
    scan->at += 6;
    *out += utf8_put(*out, (uint32_t)code);
    return STATUS_OK;
}

static enum status escape(struct json_scan *scan, char **out)
{
    static const char letters[] = "\"\\/nrt", meanings[] = "\"\\/\n\r\t";
    const char *found;

    if (scan->end - scan->at < 2)
        return json_scan_wrong(scan, scan->at, "the text ends inside a string");
    if (scan->at[1] == 'u')
        return unicode_escape(scan, out);
    if (scan->at[1] == 'b' || scan->at[1] == 'f')
        return json_scan_wrong(scan, scan->at, "a control character in a string");
    found = scan->at[1] ? strchr(letters, scan->at[1]) : NULL;
    if (!found)
        return json_scan_wrong(scan, scan->at, "a backslash with no meaning in JSON");
    *(*out)++ = meanings[found - letters];
    scan->at += 2;
    return STATUS_OK;
}

static enum status misplaced_byte(struct json_scan *scan)
{
    return json_scan_wrong(scan, scan->at,
                           (unsigned char)*scan->at >= 0x80
                               ? "not UTF-8"
                               : "a control character in a string (a line break is written \\n)");
}

enum status json_scan_string(struct json_scan *scan, size_t *length)
{
    char *start = scan->scratch + scan->used, *out = start;
    const char *quote = scan->at++;

    for (;;) {
        const char *end = end_of_run(scan->at, scan->end);
        enum status status;

        memcpy(out, scan->at, (size_t)(end - scan->at));
        out += end - scan->at;
        scan->at = end;
        if (end == scan->end)
            return json_scan_wrong(scan, quote, "the text ends inside a string");
        if (*end == '"')
            break;
        status = *end == '\\' ? escape(scan, &out) : misplaced_byte(scan);
        if (status != STATUS_OK)
            return status;
    }
    scan->at++;
    *out = '\0';
    *length = (size_t)(out - start);
    return STATUS_OK;
}

/* ---- numbers ---- */

static bool is_digit(char c)
{
    return c >= '0' && c <= '9';
}

static bool may_be_number(char c)
{
    return is_digit(c) || c == '-' || c == '+' || c == '.' || c == 'e' || c == 'E';
}

/* Why a run of such characters cannot be taken: for a person who wrote it. The first that fits. */
static const char *number_fault(const char *text, size_t length)
{
    size_t sign = text[0] == '-', digits = 0;

    for (size_t i = 0; i < length; i++)
        digits += is_digit(text[i]);
    if (text[0] == '+')
        return "a number with a plus: leave it out";
    if (sign == length || digits == 0)
        return "not a number";
    if (text[sign] == '.')
        return "a number that starts with a point: write 0.5, not .5";
    if (text[length - 1] == '.')
        return "a number that ends with a point";
    if (memchr(text, 'e', length) || memchr(text, 'E', length))
        return "a number with an exponent: write it out in full";
    if (memchr(text + 1, '-', length - 1) || memchr(text + 1, '+', length - 1))
        return "not a number";
    if (text[sign] == '0' && length > sign + 1 && is_digit(text[sign + 1]))
        return "a number with a leading zero";
    return digits == length - sign || digits == length - sign - 1
               ? "a number of more than 15 digits or 9 decimals"
               : "not a number";
}

/* What stood there is not said again: it may be a patient's number that lacks its quotes. */
static enum status wrong_number(struct json_scan *scan, size_t length)
{
    if (length == 1 && scan->end - scan->at > 1 && (scan->at[1] == 'I' || scan->at[1] == 'N'))
        return json_scan_wrong(scan, scan->at, "NaN and Infinity are no numbers in JSON");
    return json_scan_wrong(scan, scan->at, number_fault(scan->at, length));
}

enum status json_scan_number(struct json_scan *scan, char out[NUMBER_TEXT_ROOM], size_t *length)
{
    const char *start = scan->at;
    size_t count = 0;
    struct decimal value;

    while (start + count < scan->end && may_be_number(start[count]))
        count++;
    if (!decimal_parse(start, count, &value) || count > NUMBER_TEXT_ROOM - 2)
        return wrong_number(scan, count);
    scan->at += count;
    if (value.digits == 0 && *start == '-') {
        start++;
        count--;
    }
    out[0] = NUMBER_MARK;
    memcpy(out + 1, start, count);
    out[count + 1] = '\0';
    *length = count + 1;
    return STATUS_OK;
}

/* ---- words ---- */

static bool word_is(const struct json_scan *scan, size_t length, const char *word)
{
    return strlen(word) == length && memcmp(scan->at, word, length) == 0;
}

enum status json_scan_word(struct json_scan *scan, json_t **out)
{
    size_t length = 0;

    while (scan->at + length < scan->end &&
           ((scan->at[length] | 0x20) >= 'a' && (scan->at[length] | 0x20) <= 'z'))
        length++;
    if (word_is(scan, length, "true"))
        *out = json_true();
    else if (word_is(scan, length, "false"))
        *out = json_false();
    else if (word_is(scan, length, "null"))
        *out = json_null();
    else if (word_is(scan, length, "NaN") || word_is(scan, length, "Infinity"))
        return json_scan_wrong(scan, scan->at, "NaN and Infinity are no numbers in JSON");
    else
        return json_scan_wrong(scan, scan->at,
                               length > 0 ? "a word that JSON has not: text stands in double quotes"
                                          : "a value is missing here");
    scan->at += length;
    return STATUS_OK;
}
