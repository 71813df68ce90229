/* pages.c - documents that are built in; their table is made at build time from the files beside
 * this one (deploy/build/embed.cmake). */
#include <string.h>

#include "wardpost/web.h"

#include "pages_bytes.h"

const struct web_page *web_find(const char *path)
{
    for (size_t i = 0; i < sizeof(pages) / sizeof(pages[0]); i++)
        if (strcmp(pages[i].path, path) == 0)
            return &pages[i];
    return NULL;
}
