/* heap.h - a heap that fails on demand, for the loops over each allocation (style B12).
 *
 * Linking heap.c puts malloc, calloc and realloc of its own before the C library's (or before the
 * sanitizer's), so what jansson, SQLite, libcurl or the C library allocate counts like what we
 * allocate. Only allocations of the thread that called heap_fail_at() count and fail; other threads
 * see nothing of it. Memory from aligned_alloc(), posix_memalign() and mmap() does not count, under
 * a sanitizer strdup() neither.
 *
 * Works with gcc and clang, plain, with AddressSanitizer, ThreadSanitizer and UBSan. valgrind puts
 * its own heap in the place of ours unless it is told not to: valgrind
 * --soname-synonyms=somalloc=nouserintercepts TEST
 *
 *   do {
 *       heap_fail_at(++nth);
 *       status = the_call(...);
 *       heap_fail_at(0);
 *       ... STATUS_OK or STATUS_NO_MEMORY, outputs untouched unless OK ...
 *   } while (status != STATUS_OK);
 *   assert_in_range(nth, 2, 1000); */
#ifndef WARDPOST_TESTS_HEAP_H
#define WARDPOST_TESTS_HEAP_H

#include <stdbool.h>

/* The nth allocation of this thread from now fails, once, with ENOMEM; 0 switches that off. */
void heap_fail_at(unsigned nth);

/* Did one fail since heap_fail_at() was last called with nth > 0? */
bool heap_did_fail(void);

#endif
