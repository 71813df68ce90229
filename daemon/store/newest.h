/* newest.h - the newest values of a patient and kind, kept in memory for those asked about lately:
 * a fixed table, whatever the queue.
 *
 * The writer notes each accepted reading after its COMMIT; a reader that had to ask the disk notes
 * what it found, unless the writer has touched that place meanwhile. Any thread. */
#ifndef WARDPOST_STORE_NEWEST_H
#define WARDPOST_STORE_NEWEST_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "wardpost/status.h"

struct newest;

#define NEWEST_VALUES_MOST 104

struct newest_values {
    bool none; /* it is known that there is none */
    int64_t taken_ms;
    size_t length;
    char bytes[NEWEST_VALUES_MOST];
};

MUST_CHECK enum status newest_new(struct newest **out);
void newest_free(struct newest *newest);

/* False: not known here; *generation is for newest_learn(). */
bool newest_find(struct newest *newest, int64_t patient, const char *kind,
                 struct newest_values *out, uint32_t *generation);
/* What the disk said; does nothing when the place has been touched since. */
void newest_learn(struct newest *newest, int64_t patient, const char *kind, uint32_t generation,
                  const struct newest_values *values);
/* The writer, after the COMMIT: this one was accepted. What is known is kept up to date; of a
 * patient and kind not known here nothing is learned, for it may not be the last one taken. */
void newest_note(struct newest *newest, int64_t patient, const char *kind, int64_t taken_ms,
                 const char *bytes, size_t length);
/* The writer, after the COMMIT: some readings do not count any more. */
void newest_forget(struct newest *newest);

#endif
