/* fold.h - a name as it is looked for: without case, accents, blanks, hyphens and apostrophes. Any thread; pure.
 *
 * "Sørensen" and "SORENSEN", "O'Brien" and "obrien", "Nguyễn" and "Nguyen" are the same then. Not Unicode's decomposition:
 * that leaves ø, ł, đ, ß and æ as they are, and those are what somebody with another keyboard cannot type.
 * Latin, Greek and Cyrillic are folded; letters of other scripts stay as they are. */
#ifndef WARDPOST_FOLD_H
#define WARDPOST_FOLD_H

#include <stddef.h>

/* `text` is UTF-8 (what is none is left out); `out` is cut at `room` at a whole character. Returns the length, which is
 * never more than that of `text`. */
size_t name_fold(const char *text, char *out, size_t room);

#endif
