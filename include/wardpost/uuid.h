/* uuid.h - RFC 9562 UUIDs. Any thread. */
#ifndef WARDPOST_UUID_H
#define WARDPOST_UUID_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct uuid {
    uint8_t bytes[16];
};

#define UUID_TEXT_ROOM 37

bool uuid_parse(const char *text, size_t length, struct uuid *out); /* 8-4-4-4-12, either case */
void uuid_text(const struct uuid *uuid, char out[UUID_TEXT_ROOM]);  /* lower case, NUL at the end */
bool uuid_equal(const struct uuid *a, const struct uuid *b);

void uuid_random(struct uuid *out);                  /* version 4 */
void uuid_at(int64_t wall_ms, struct uuid *out);     /* version 7: sorts by time */
void uuid_named(const struct uuid *space, const char *name, struct uuid *out); /* version 5 */

#endif
