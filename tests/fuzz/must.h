/* must.h - what has to hold of any bytes: a fuzz target says what did not, and ends. */
#ifndef WARDPOST_TESTS_MUST_H
#define WARDPOST_TESTS_MUST_H

#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>

static inline void must_hold(bool holds, const char *what)
{
    if (holds)
        return;
    (void)fprintf(stderr, "not so: %s\n", what);
    abort();
}

#define must(holds) must_hold((holds), #holds)

#endif
