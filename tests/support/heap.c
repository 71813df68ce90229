/* heap.c - see heap.h. */
#include <errno.h>
#include <stddef.h>

#include "heap.h"

/* What stands behind ours: the sanitizer's heap where there is one (gcc's and clang's run-time both
 * call it so), else glibc's, by the names it exports beside malloc.
 * NOLINTBEGIN(bugprone-reserved-identifier,cert-dcl37-c,cert-dcl51-cpp,readability-identifier-naming):
 * the names are theirs */
extern void *__interceptor_malloc(size_t size) __attribute__((weak));
extern void *__interceptor_calloc(size_t count, size_t size) __attribute__((weak));
extern void *__interceptor_realloc(void *old, size_t size) __attribute__((weak));
extern void *__libc_malloc(size_t size);
extern void *__libc_calloc(size_t count, size_t size);
extern void *__libc_realloc(void *old, size_t size);
/* NOLINTEND(bugprone-reserved-identifier,cert-dcl37-c,cert-dcl51-cpp,readability-identifier-naming)
 */

/* The loader and the sanitizer's own start allocate before the sanitizer can take a look at our
 * code. */
#if defined(__clang__)
#define UNWATCHED __attribute__((disable_sanitizer_instrumentation))
#else
#define UNWATCHED __attribute__((no_sanitize("address", "thread", "undefined")))
#endif

void *malloc(size_t size);
void *calloc(size_t count, size_t size);
void *realloc(void *old, size_t size);

/* volatile: compilers take it for granted that malloc looks at nothing of ours, and under link-time
 * optimisation drop the first of two heap_fail_at() calls with only an allocation between them. */
static _Thread_local volatile unsigned until_failure;
static _Thread_local volatile bool failed;

void heap_fail_at(unsigned nth)
{
    until_failure = nth;
    if (nth > 0)
        failed = false;
}

bool heap_did_fail(void)
{
    return failed;
}

UNWATCHED static bool is_due(void)
{
    unsigned left = until_failure;

    if (left == 0)
        return false;
    until_failure = left - 1;
    if (left > 1)
        return false;
    failed = true;
    errno = ENOMEM;
    return true;
}

UNWATCHED void *malloc(size_t size)
{
    if (is_due())
        return NULL;
    return __interceptor_malloc ? __interceptor_malloc(size) : __libc_malloc(size);
}

UNWATCHED void *calloc(size_t count, size_t size)
{
    if (is_due())
        return NULL;
    return __interceptor_calloc ? __interceptor_calloc(count, size) : __libc_calloc(count, size);
}

UNWATCHED void *realloc(void *old, size_t size)
{
    if (is_due())
        return NULL;
    return __interceptor_realloc ? __interceptor_realloc(old, size) : __libc_realloc(old, size);
}
