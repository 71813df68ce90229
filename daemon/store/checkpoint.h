/* checkpoint.h - the write-ahead log goes back into the database beside the writer, not in its way.
 */
#ifndef WARDPOST_STORE_CHECKPOINT_H
#define WARDPOST_STORE_CHECKPOINT_H

#include "store/store_private.h"

void checkpoint_watch(
    struct outbox *outbox); /* the writer's connection tells how long the log is */
void checkpoint_consider(struct outbox *outbox); /* after each COMMIT, on the writer's thread */
void *checkpoint_thread(void *context);          /* the thread that does it; the outbox */

#endif
