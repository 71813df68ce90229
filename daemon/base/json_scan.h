/* json_scan.h - the pass before jansson: numbers become strings behind U+0001, so that their digits survive. */
#ifndef WARDPOST_BASE_JSON_SCAN_H
#define WARDPOST_BASE_JSON_SCAN_H

#include "wardpost/json_in.h"

#define NUMBER_MARK "\\u0001" /* as it stands in the text for jansson */

/* Writes the marked text to a malloc'd buffer. INVALID: *fault says where and why. */
MUST_CHECK enum status json_scan(const char *text, size_t length, char **out, size_t *out_length,
                                 struct json_fault *fault);

/* The offset in the original of an offset in the marked text: for jansson's own complaints. */
size_t json_scan_original(const char *text, size_t length, size_t marked_offset);

/* Line and column (in characters) of fault->offset. */
void json_fault_place(const char *text, size_t length, struct json_fault *fault);

#endif
