/* pages.c - documents that are built in; their bytes are made at build time from the files beside
 * this one. */
#include "openapi_bytes.h"
#include "wardpost/web.h"

const char *web_openapi(size_t *length)
{
    *length = sizeof(openapi_bytes);
    return (const char *)openapi_bytes;
}
