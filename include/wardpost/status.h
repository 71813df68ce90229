/* status.h - what is wrong with us, never what is wrong with a reading (that is problem.h). */
#ifndef WARDPOST_STATUS_H
#define WARDPOST_STATUS_H

enum status {
    STATUS_OK,
    STATUS_NO_MEMORY,
    STATUS_DISK_FULL, /* nothing was kept */
    STATUS_BUSY,      /* try again; nothing was done */
    STATUS_DAMAGED,   /* what is on disk is not what we wrote */
    STATUS_NOT_FOUND,
    STATUS_CONFLICT, /* it is there already, and other than this */
    STATUS_IO,       /* the system refused; errno or the log says more */
    STATUS_INVALID   /* what was given cannot be used; problems say where */
};

#define MUST_CHECK __attribute__((warn_unused_result))

/* A short text for a log line. Never NULL. Any thread. */
const char *status_text(enum status status);

#endif
