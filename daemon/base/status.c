/* status.c - see wardpost/status.h. */
#include "wardpost/status.h"

const char *status_text(enum status status)
{
    switch (status) {
    case STATUS_OK:
        return "fine";
    case STATUS_NO_MEMORY:
        return "out of memory";
    case STATUS_DISK_FULL:
        return "the disk is full";
    case STATUS_BUSY:
        return "busy";
    case STATUS_DAMAGED:
        return "damaged, or of a newer version";
    case STATUS_NOT_FOUND:
        return "not found";
    case STATUS_CONFLICT:
        return "in conflict with what is there";
    case STATUS_IO:
        return "the system refused";
    case STATUS_INVALID:
        return "cannot be used";
    }
    return "unknown";
}
