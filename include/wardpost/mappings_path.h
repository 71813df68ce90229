/* mappings_path.h - where the kind table is: as set, else beside the executable, else where it was installed. */
#ifndef WARDPOST_MAPPINGS_PATH_H
#define WARDPOST_MAPPINGS_PATH_H

#include <stdbool.h>
#include <stddef.h>

/* False: nowhere, or the path does not fit. From any working folder. */
bool mappings_path(const char *set, char *out, size_t room);

#endif
