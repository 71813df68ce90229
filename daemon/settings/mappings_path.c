/* mappings_path.c - see wardpost/mappings_path.h. In a build folder the table is two levels up:
 * build/release/../../mappings. */
#include <libgen.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

#include "wardpost/mappings_path.h"

static bool holds_table(const char *folder, char *out, size_t room)
{
    char units[4200];
    int length = snprintf(units, sizeof(units), "%s/units.json", folder);

    if (length < 0 || (size_t)length >= sizeof(units) || access(units, R_OK) != 0 ||
        strlen(folder) >= room)
        return false;
    memcpy(out, folder, strlen(folder) + 1);
    return true;
}

static bool beside_executable(const char *relative, char *out, size_t room)
{
    char self[2048], folder[4096];
    ssize_t length = readlink("/proc/self/exe", self, sizeof(self) - 1);

    if (length <= 0)
        return false;
    self[length] = '\0';
    (void)snprintf(folder, sizeof(folder), "%s/%s", dirname(self), relative);
    return holds_table(folder, out, room);
}

bool mappings_path(const char *set, char *out, size_t room)
{
    if (set && *set) {
        (void)snprintf(out, room, "%s",
                       set); /* what was set is used, there or not: the loader says what is wrong */
        return strlen(set) < room;
    }
    return beside_executable("mappings", out, room) ||
           beside_executable("../../mappings", out, room) ||
           holds_table(WARDPOST_MAPPINGS_INSTALLED, out, room);
}
