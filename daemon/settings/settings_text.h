/* settings_text.h - the text of a settings file, made ready for libConfuse. */
#ifndef WARDPOST_SETTINGS_TEXT_H
#define WARDPOST_SETTINGS_TEXT_H

#include <stddef.h>

/* line 0: of the file as a whole. */
typedef void settings_text_fault(int line, const char *what);

/* The file whole, a NUL behind its `length` bytes, comments blank; the caller's to free. Every
 * fault is told; NULL: it cannot be read further. At start, before any thread. */
char *settings_text(const char *path, size_t *length, settings_text_fault *tell);

#endif
