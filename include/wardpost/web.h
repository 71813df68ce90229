/* web.h - documents that are built in: bytes to be served. Any thread; they live for ever. */
#ifndef WARDPOST_WEB_H
#define WARDPOST_WEB_H

#include <stddef.h>

const char *web_openapi(size_t *length);   /* OpenAPI 3.1 of the interface */

#endif
