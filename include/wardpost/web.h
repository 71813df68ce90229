/* web.h - documents that are built in (the bedside form, the description of the interface): bytes to be served. Any thread; they
 * live for ever. */
#ifndef WARDPOST_WEB_H
#define WARDPOST_WEB_H

#include <stddef.h>

struct web_page {
    const char *path; /* "/form.css" */
    const char *type; /* media type */
    const char *tag;  /* strong entity tag, with its quotes */
    const unsigned char *bytes;
    size_t length;
    const unsigned char *packed; /* the same, gzip */
    size_t packed_length;
};

const struct web_page *web_find(const char *path); /* NULL: there is none */

#endif
