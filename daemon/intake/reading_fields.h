/* reading_fields.h - the part of a reading that its kind decides about: parts and context fields. */
#ifndef WARDPOST_INTAKE_READING_FIELDS_H
#define WARDPOST_INTAKE_READING_FIELDS_H

#include "intake/shape.h"
#include "wardpost/reading.h"

struct parsing {
    const struct reading_frame *frame;
    struct problems *problems;
    struct set *set;
    char *pointers; /* the set's: one for each reading */
    const char *by, *device, *note; /* of the set, for its readings to inherit */
    bool set_time_wrong; /* said once, not again for each reading */
    bool no_memory;
};

void reading_fields(struct parsing *parsing, const struct spot *spot, struct reading *out);

#endif
