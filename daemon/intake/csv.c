/* csv.c - see csv.h. */
#include "intake/csv.h"

#include <string.h>

size_t after_mark(const char *bytes, size_t length)
{
    return length >= 3 && memcmp(bytes, "\xEF\xBB\xBF", 3) == 0 ? 3 : 0;
}

struct csv csv_begin(char *bytes, size_t length)
{
    const size_t mark = length > 0 ? after_mark(bytes, length) : 0;

    return (struct csv){.at = bytes + mark, .end = bytes + length, .line = 1};
}

/* At a line break or the end of all. */
static bool at_line_end(const struct csv *csv)
{
    return csv->at == csv->end || csv->at[0] == '\n' ||
           (csv->at[0] == '\r' && (csv->at + 1 == csv->end || csv->at[1] == '\n'));
}

static void pass_line_end(struct csv *csv)
{
    if (csv->at < csv->end && csv->at[0] == '\r')
        csv->at++;
    if (csv->at < csv->end && csv->at[0] == '\n') {
        csv->at++;
        csv->line++;
    }
}

static void pass_line(struct csv *csv)
{
    while (!at_line_end(csv))
        csv->at++;
    pass_line_end(csv);
}

static const char *plain_cell(struct csv *csv, struct cell *out)
{
    out->text = csv->at;
    while (!at_line_end(csv) && csv->at[0] != ',' && csv->at[0] != '"')
        csv->at++;
    out->length = (size_t)(csv->at - out->text);
    return csv->at < csv->end && csv->at[0] == '"' ? "a quote stands inside a cell without quotes"
                                                   : NULL;
}

/* Unquoted in place: it only becomes shorter. */
static const char *quoted_cell(struct csv *csv, struct cell *out)
{
    char *to = csv->at;

    out->text = csv->at++;
    while (csv->at < csv->end) {
        if (csv->at[0] == '"' && (csv->at + 1 == csv->end || csv->at[1] != '"'))
            break;
        csv->at += csv->at[0] == '"'; /* the first of two */
        csv->line += csv->at[0] == '\n';
        *to++ = *csv->at++;
    }
    out->length = (size_t)(to - out->text);
    if (csv->at == csv->end)
        return "a quote is opened and never closed";
    csv->at++;
    return at_line_end(csv) || csv->at[0] == ',' ? NULL : "something stands behind a closing quote";
}

static const char *next_cell(struct csv *csv, struct record *record)
{
    if (record->count == CELLS_MOST)
        return "it has too many cells";
    return csv->at < csv->end && csv->at[0] == '"'
               ? quoted_cell(csv, &record->cells[record->count++])
               : plain_cell(csv, &record->cells[record->count++]);
}

bool csv_next(struct csv *csv, struct record *out)
{
    *out = (struct record){.count = 0};
    while (csv->at < csv->end && at_line_end(csv))
        pass_line_end(csv);
    if (csv->at == csv->end)
        return false;
    out->line = csv->line;
    for (;;) {
        out->why = next_cell(csv, out);
        if (out->why) {
            pass_line(csv);
            return true;
        }
        if (at_line_end(csv)) {
            pass_line_end(csv);
            return true;
        }
        csv->at++; /* the comma; a cell follows it in any case */
    }
}
