/* vfs.h - a disk that can lose its power, run full, and fail, for SQLite: a shim over its usual VFS
 * (style B12).
 *
 * While installed it is SQLite's default VFS. What is written goes through to the real file at
 * once, so that everybody reads it; beside it is kept what the file looked like when it was last
 * synced. A power cut at the n-th event (a write, a sync or a truncation of a database or its log)
 * lets that event happen in part, fails everything after it, and vfs_power_on() then gives each
 * file the content that a real disk might have: of what was not synced each sector of 512 bytes is
 * kept, lost, or (if it grew the file) left as garbage, as the seed decides.
 *
 * What it does not model: loss of a file's name (SQLite syncs the folder itself, and so do we),
 * sectors that are half written, a disk that lies about a sync. Files opened for temporary use go
 * through untouched. Thread-safe. */
#ifndef WARDPOST_TESTS_VFS_H
#define WARDPOST_TESTS_VFS_H

#include <stdbool.h>
#include <stdint.h>

void vfs_install(void); /* and forgets everything */
void vfs_remove(void);  /* SQLite's own is the default again; all files must be closed */

/* From now on: 0 never. */
void vfs_cut_power_at(unsigned event, uint32_t seed);
bool vfs_power_is_off(void);
/* When all files are closed. */
void vfs_power_on(void);

/* The next event of this kind fails once with an I/O error; the power stays on. */
enum vfs_event { VFS_NOTHING, VFS_WRITE, VFS_SYNC };
void vfs_fail_next(enum vfs_event event);

/* Files may grow by so many bytes more; negative: without limit. */
void vfs_room(int64_t bytes);

struct vfs_counts { /* since vfs_install() */
    unsigned events, log_writes, log_syncs, database_writes, database_syncs;
    int64_t log_bytes;
};
struct vfs_counts vfs_counts(void);

#endif
