/* web.h - documents that are built in (the bedside form, the description of the interface): bytes to be served. Any thread; they
 * live for ever. */
#ifndef WARDPOST_WEB_H
#define WARDPOST_WEB_H

#include <stddef.h>

enum web_coding { CODING_NONE, CODING_GZIP, CODING_BROTLI, CODINGS };

struct web_page {
    const char *path; /* "/form.css" */
    const char *type; /* media type */
    const char *tag;  /* strong entity tag, with its quotes */
    struct {
        const unsigned char *bytes;
        size_t length;
    } as[CODINGS];
};

const struct web_page *web_find(const char *path); /* NULL: there is none */

#endif
