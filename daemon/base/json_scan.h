/* json_scan.h - the tokens of a JSON text: strings decoded, numbers kept as they stand.
 *
 * A string is decoded into `scratch`, which is as long as the text: all strings of it together are
 * never longer than they were written. What must outlast the next string (a name, while its value
 * is read) is kept by moving `used` behind it. */
#ifndef WARDPOST_BASE_JSON_SCAN_H
#define WARDPOST_BASE_JSON_SCAN_H

#include "wardpost/json_in.h"

struct json_scan {
    const char *text, *at, *end;
    char *scratch;
    size_t used;
    struct json_fault *fault;
};

#define NUMBER_MARK      '\1' /* before the digits of a number in a json_string */
#define NUMBER_TEXT_ROOM 72

/* Fills the fault's offset and words; always STATUS_INVALID. */
MUST_CHECK enum status json_scan_wrong(struct json_scan *scan, const char *where,
                                       const char *words);

void json_scan_blanks(struct json_scan *scan);

/* `at` is on the opening quote and moves behind the closing one. The text stands at scratch + used,
 * NUL behind it. */
MUST_CHECK enum status json_scan_string(struct json_scan *scan, size_t *length);

/* `at` is on the first character and moves behind the last. `out`: the mark, then the digits as
 * sent, NUL behind; of a zero the minus is left out. */
MUST_CHECK enum status json_scan_number(struct json_scan *scan, char out[NUMBER_TEXT_ROOM],
                                        size_t *length);

/* true, false, null: a new reference. */
MUST_CHECK enum status json_scan_word(struct json_scan *scan, json_t **out);

/* Line and column (in characters, from 1) of fault->offset. */
void json_scan_place(const struct json_scan *scan);

#endif
