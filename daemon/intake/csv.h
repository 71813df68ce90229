/* csv.h - comma-separated values (RFC 4180), record by record, in place. Pure.
 *
 * Taken besides: lines that end in LF alone, and a byte-order mark at the start. A record that is
 * broken says why, and reading goes on behind the next line break. */
#ifndef WARDPOST_INTAKE_CSV_H
#define WARDPOST_INTAKE_CSV_H

#include <stdbool.h>
#include <stddef.h>

struct csv {
    char *at, *end; /* bytes; cells are unquoted where they stand */
    size_t line;    /* of `at`, from 1 */
};

struct cell {
    const char *text; /* no NUL behind it */
    size_t length;
};

#define CELLS_MOST 32

struct record {
    struct cell cells[CELLS_MOST];
    size_t count;
    size_t line;     /* where it begins */
    const char *why; /* broken: what is wrong with it; NULL: fine */
};

struct csv csv_begin(char *bytes, size_t length);
/* The next record; empty lines are passed over. False: there is none. */
bool csv_next(struct csv *csv, struct record *out);

/* Past a UTF-8 byte-order mark, when there is one. */
size_t after_mark(const char *bytes, size_t length);

#endif
