/* json_scan.c - see json_scan.h. RFC 8259 6 (numbers) and 7 (strings); the rest of the grammar is jansson's. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "base/json_scan.h"

struct scan {
    const char *text;
    size_t length, at;
    char *out;
    size_t used, room;
    unsigned depth;
    struct json_fault *fault;
};

#define DEPTH_MOST 32U

static enum status wrong(struct scan *scan, size_t offset, const char *detail)
{
    scan->fault->offset = offset;
    snprintf(scan->fault->detail, sizeof(scan->fault->detail), "%s", detail);
    return STATUS_INVALID;
}

static bool make_room(struct scan *scan, size_t more)
{
    size_t room = scan->room ? scan->room : 512;
    char *longer;

    while (room < scan->used + more)
        room *= 2;
    if (room == scan->room)
        return true;
    longer = realloc(scan->out, room);
    if (!longer)
        return false;
    scan->out = longer;
    scan->room = room;
    return true;
}

static bool emit(struct scan *scan, const char *bytes, size_t count)
{
    if (!make_room(scan, count))
        return false;
    memcpy(scan->out + scan->used, bytes, count);
    scan->used += count;
    return true;
}

/* ---- strings: copied; control characters refused, written out or escaped ---- */

static int hex4(const char *at)
{
    int value = 0;

    for (int i = 0; i < 4; i++) {
        char c = at[i];
        int digit = c >= '0' && c <= '9' ? c - '0' : (c | 32) >= 'a' && (c | 32) <= 'f' ? (c | 32) - 'a' + 10 : -1;

        if (digit < 0)
            return -1;
        value = value * 16 + digit;
    }
    return value;
}

static enum status check_escape(struct scan *scan, size_t at)
{
    int value;

    if (at + 1 >= scan->length)
        return wrong(scan, at, "the text ends inside a string");
    if (scan->text[at + 1] != 'u')
        return strchr("\"\\/nrt", scan->text[at + 1]) && scan->text[at + 1]
                   ? STATUS_OK
                   : wrong(scan, at, scan->text[at + 1] == 'b' || scan->text[at + 1] == 'f'
                                         ? "a control character in a text"
                                         : "a backslash with no meaning in JSON");
    if (at + 6 > scan->length || (value = hex4(scan->text + at + 2)) < 0)
        return wrong(scan, at, "\\u without four hexadecimal digits");
    if (value < 0x20 && value != '\t' && value != '\n' && value != '\r')
        return wrong(scan, at, "a control character in a text");
    return STATUS_OK;
}

static enum status scan_string(struct scan *scan)
{
    size_t start = scan->at, at = start + 1;
    enum status status;

    for (;;) {
        while (at < scan->length && (unsigned char)scan->text[at] >= 0x20 && scan->text[at] != '"' && scan->text[at] != '\\')
            at++;
        if (at == scan->length)
            return wrong(scan, start, "the text ends inside a string");
        if (scan->text[at] == '"')
            break;
        if (scan->text[at] != '\\')
            return wrong(scan, at, "a control character in a string (a line break is written \\n)");
        status = check_escape(scan, at);
        if (status != STATUS_OK)
            return status;
        at += 2;
    }
    at++;
    if (!emit(scan, scan->text + start, at - start))
        return STATUS_NO_MEMORY;
    scan->at = at;
    return STATUS_OK;
}

/* ---- numbers ---- */

static bool may_be_number(char c)
{
    return (c >= '0' && c <= '9') || c == '-' || c == '+' || c == '.' || c == 'e' || c == 'E';
}

static const char *number_fault(const char *text, size_t length)
{
    size_t digits = 0;

    if (memchr(text, 'e', length) || memchr(text, 'E', length))
        return "a number with an exponent: write it out in full";
    if (text[0] == '+')
        return "a number starts with a digit or a minus";
    if (text[0] == '.' || (text[0] == '-' && length > 1 && text[1] == '.'))
        return "a number starts with a digit: 0.5, not .5";
    if (text[length - 1] == '.')
        return "a number does not end with a point";
    for (size_t i = 0; i < length; i++)
        digits += text[i] >= '0' && text[i] <= '9';
    if (digits > 15)
        return "a number of more than 15 digits or 9 decimals";
    if ((text[0] == '0' && length > 1 && text[1] != '.') || (text[0] == '-' && length > 2 && text[1] == '0' && text[2] != '.'))
        return "a number with a leading zero";
    return digits == 0 ? "not a number" : "not a number, or one of more than 15 digits or 9 decimals";
}

static enum status scan_number(struct scan *scan)
{
    const char *start = scan->text + scan->at;
    size_t length = 0;
    struct decimal value;
    char detail[200];

    while (scan->at + length < scan->length && may_be_number(start[length]))
        length++;
    if (!decimal_parse(start, length, &value)) {
        snprintf(detail, sizeof(detail), "%s (%.*s%s)", number_fault(start, length), (int)(length > 12 ? 12 : length), start,
                 length > 12 ? "..." : "");
        return wrong(scan, scan->at, detail);
    }
    if (!emit(scan, "\"" NUMBER_MARK, 1 + sizeof(NUMBER_MARK) - 1) || !emit(scan, start, length) || !emit(scan, "\"", 1))
        return STATUS_NO_MEMORY;
    scan->at += length;
    return STATUS_OK;
}

/* ---- the rest ---- */

static bool starts(const struct scan *scan, const char *word)
{
    size_t length = strlen(word);

    return scan->length - scan->at >= length && memcmp(scan->text + scan->at, word, length) == 0;
}

static enum status scan_other(struct scan *scan)
{
    char c = scan->text[scan->at];

    if (starts(scan, "NaN") || starts(scan, "Infinity"))
        return wrong(scan, scan->at, "NaN and Infinity are no numbers");
    if (c == '[' || c == '{')
        if (++scan->depth > DEPTH_MOST)
            return wrong(scan, scan->at, "nested more than 32 deep");
    if ((c == ']' || c == '}') && scan->depth > 0)
        scan->depth--;
    if (!emit(scan, &c, 1))
        return STATUS_NO_MEMORY;
    scan->at++;
    return STATUS_OK;
}

static enum status scan_word(struct scan *scan)
{
    static const char *const words[] = {"true", "false", "null"};

    for (size_t i = 0; i < 3; i++)
        if (starts(scan, words[i])) {
            if (!emit(scan, words[i], strlen(words[i])))
                return STATUS_NO_MEMORY;
            scan->at += strlen(words[i]);
            return STATUS_OK;
        }
    return scan_other(scan);
}

static enum status scan_next(struct scan *scan)
{
    char c = scan->text[scan->at];

    if (c == '"')
        return scan_string(scan);
    if ((c >= '0' && c <= '9') || c == '-' || c == '+' || c == '.')
        return scan_number(scan);
    return scan_word(scan);
}

enum status json_scan(const char *text, size_t length, char **out, size_t *out_length, struct json_fault *fault)
{
    struct scan scan = {.text = text, .length = length, .fault = fault};
    enum status status = make_room(&scan, length + 64) ? STATUS_OK : STATUS_NO_MEMORY;

    while (status == STATUS_OK && scan.at < scan.length)
        status = scan_next(&scan);
    if (status != STATUS_OK) {
        free(scan.out);
        return status;
    }
    *out = scan.out;
    *out_length = scan.used;
    return STATUS_OK;
}

/* Each number before the place has made the marked text longer by its quotes and its mark. */
size_t json_scan_original(const char *text, size_t length, size_t marked_offset)
{
    const size_t longer = 2 + sizeof(NUMBER_MARK) - 1;
    size_t at = 0, marked = 0;

    while (at < length && marked < marked_offset) {
        size_t start = at;

        if (text[at] == '"') {
            for (at++; at < length && text[at] != '"'; at++)
                at += text[at] == '\\' && at + 1 < length;
            at += at < length;
        } else if ((text[at] >= '0' && text[at] <= '9') || text[at] == '-') {
            while (at < length && may_be_number(text[at]))
                at++;
            marked += longer;
        } else {
            at++;
        }
        marked += at - start;
        if (marked >= marked_offset)
            return at - start == 1 ? at : start;
    }
    return at;
}

void json_fault_place(const char *text, size_t length, struct json_fault *fault)
{
    fault->line = 1;
    fault->column = 1;
    for (size_t i = 0; i < fault->offset && i < length; i++) {
        if (text[i] == '\n') {
            fault->line++;
            fault->column = 1;
        } else if (((unsigned char)text[i] & 0xC0) != 0x80) {
            fault->column++;
        }
    }
}
