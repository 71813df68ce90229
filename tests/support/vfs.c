/* vfs.c - see vfs.h. */
#include <errno.h>
#include <pthread.h>
#include <sqlite3.h>
#include <stdlib.h>
#include <string.h>

#include "vfs.h"

#define SECTOR     512
#define FILES_MOST 16
#define PATH_ROOM  512

/* ---- what is remembered of a file ---- */

struct change { /* not synced: what the range held before. A truncation is a change of what it cut
                   off. */
    struct change *before;
    sqlite3_int64 offset, size_before;
    int length; /* of `old`, which ends where the file ended */
    int written;
    unsigned char bytes[]; /* `length` old ones, then `written` new ones */
};

struct disk_file {
    char path[PATH_ROOM];
    struct change *newest;
};

static struct {
    pthread_mutex_t lock;
    struct disk_file files[FILES_MOST];
    unsigned cut_at, since;
    uint32_t chance;
    bool off;
    enum vfs_event fail_next;
    sqlite3_int64 room;
    struct vfs_counts counts;
} disk = {.lock = PTHREAD_MUTEX_INITIALIZER, .room = -1};

struct shim_file {
    sqlite3_file base;
    struct disk_file *kept; /* NULL: not looked after */
    bool is_log;
    sqlite3_file *real;
};

static sqlite3_vfs shim;

static sqlite3_vfs *usual(void)
{
    return shim.pAppData;
}

static sqlite3_file *real_of(sqlite3_file *file)
{
    return ((struct shim_file *)file)->real;
}

/* xorshift32 (Marsaglia 2003): small, and the same on every machine. */
static uint32_t chance(void)
{
    disk.chance ^= disk.chance << 13;
    disk.chance ^= disk.chance >> 17;
    disk.chance ^= disk.chance << 5;
    return disk.chance;
}

static void forget(struct disk_file *file)
{
    while (file->newest) {
        struct change *change = file->newest;

        file->newest = change->before;
        sqlite3_free(change);
    }
}

static void *must(void *memory)
{
    if (!memory)
        abort(); /* the disk of a test is not what is being tested */
    return memory;
}

static void remember(struct shim_file *file, sqlite3_int64 offset, const void *bytes, int written,
                     sqlite3_int64 size)
{
    sqlite3_int64 behind = size > offset ? size - offset : 0;
    int length = bytes && behind > written ? written : (int)behind;
    struct change *change =
        must(sqlite3_malloc64(sizeof(*change) + (size_t)length + (size_t)written));

    change->before = file->kept->newest;
    change->offset = offset;
    change->size_before = size;
    change->length = length;
    change->written = bytes ? written : 0;
    if (length > 0 &&
        file->real->pMethods->xRead(file->real, change->bytes, length, offset) != SQLITE_OK)
        abort();
    if (bytes)
        memcpy(change->bytes + length, bytes, (size_t)written);
    file->kept->newest = change;
}

/* ---- events ---- */

/* Does it happen? Otherwise *code says what is to be answered. */
static bool happens(enum vfs_event event, int *code)
{
    disk.counts.events++;
    if (disk.off || (disk.fail_next != VFS_NOTHING && disk.fail_next == event)) {
        if (!disk.off)
            disk.fail_next = VFS_NOTHING;
        errno = EIO;
        *code = event == VFS_SYNC ? SQLITE_IOERR_FSYNC : SQLITE_IOERR_WRITE;
        return false;
    }
    disk.off = disk.cut_at > 0 && ++disk.since == disk.cut_at;
    *code = SQLITE_OK;
    return true;
}

static int shim_write(sqlite3_file *file, const void *bytes, int length, sqlite3_int64 offset)
{
    struct shim_file *own = (struct shim_file *)file;
    sqlite3_int64 size = 0;
    int code = SQLITE_OK;

    if (!own->kept)
        return own->real->pMethods->xWrite(own->real, bytes, length, offset);
    pthread_mutex_lock(&disk.lock);
    if (happens(VFS_WRITE, &code))
        code = own->real->pMethods->xFileSize(own->real, &size);
    if (code == SQLITE_OK && disk.room >= 0 && offset + length > size) {
        if (offset + length - size > disk.room)
            code = SQLITE_FULL;
        else
            disk.room -= offset + length - size;
    }
    if (code == SQLITE_OK) {
        remember(own, offset, bytes, length, size);
        disk.counts.log_writes += own->is_log;
        disk.counts.log_bytes += own->is_log ? length : 0;
        disk.counts.database_writes += !own->is_log;
        code = own->real->pMethods->xWrite(own->real, bytes, length, offset);
    }
    if (code == SQLITE_OK && disk.off)
        code =
            SQLITE_IOERR_WRITE; /* it went out just now: this write is among what was not synced */
    pthread_mutex_unlock(&disk.lock);
    return code;
}

static int shim_truncate(sqlite3_file *file, sqlite3_int64 size)
{
    struct shim_file *own = (struct shim_file *)file;
    sqlite3_int64 now = 0;
    int code = SQLITE_OK;

    if (!own->kept)
        return own->real->pMethods->xTruncate(own->real, size);
    pthread_mutex_lock(&disk.lock);
    if (happens(VFS_WRITE, &code))
        code = own->real->pMethods->xFileSize(own->real, &now);
    if (code == SQLITE_OK && now > size)
        remember(own, size, NULL, 0, now);
    if (code == SQLITE_OK)
        code = own->real->pMethods->xTruncate(own->real, size);
    if (code == SQLITE_OK && disk.off)
        code = SQLITE_IOERR_TRUNCATE;
    pthread_mutex_unlock(&disk.lock);
    return code;
}

/* When the power goes in a sync, nothing of it is sure yet. */
static int shim_sync(sqlite3_file *file, int flags)
{
    struct shim_file *own = (struct shim_file *)file;
    int code = SQLITE_OK;

    if (!own->kept)
        return own->real->pMethods->xSync(own->real, flags);
    pthread_mutex_lock(&disk.lock);
    if (happens(VFS_SYNC, &code)) {
        if (disk.off)
            code = SQLITE_IOERR_FSYNC;
        else
            forget(own->kept);
        disk.counts.log_syncs += own->is_log;
        disk.counts.database_syncs += !own->is_log;
    }
    pthread_mutex_unlock(&disk.lock);
    return code; /* the real one is left out: a test may die, its machine does not */
}

/* ---- the power ---- */

void vfs_cut_power_at(unsigned event, uint32_t seed)
{
    pthread_mutex_lock(&disk.lock);
    disk.cut_at = event;
    disk.since = 0;
    disk.chance = seed * 2654435761U | 1U;
    pthread_mutex_unlock(&disk.lock);
}

bool vfs_power_is_off(void)
{
    bool off;

    pthread_mutex_lock(&disk.lock);
    off = disk.off;
    pthread_mutex_unlock(&disk.lock);
    return off;
}

static sqlite3_int64 size_now(sqlite3_file *real)
{
    sqlite3_int64 size = 0;

    if (real->pMethods->xFileSize(real, &size) != SQLITE_OK)
        abort();
    return size;
}

static void put_bytes(sqlite3_file *real, const void *bytes, sqlite3_int64 length,
                      sqlite3_int64 offset)
{
    if (length > 0 && real->pMethods->xWrite(real, bytes, (int)length, offset) != SQLITE_OK)
        abort();
}

/* Back to what was synced last, the newest change first; the list is turned round for the way
 * forward. */
static struct change *undo_all(sqlite3_file *real, struct disk_file *file)
{
    struct change *oldest = NULL;

    while (file->newest) {
        struct change *change = file->newest;

        put_bytes(real, change->bytes, change->length, change->offset);
        if (size_now(real) > change->size_before &&
            real->pMethods->xTruncate(real, change->size_before) != SQLITE_OK)
            abort();
        file->newest = change->before;
        change->before = oldest;
        oldest = change;
    }
    return oldest;
}

static void redo_in_part(sqlite3_file *real, const struct change *change)
{
    static const unsigned char garbage[SECTOR] = {0xa5, 0x5a};

    for (int at = 0; at < change->written;) {
        sqlite3_int64 offset = change->offset + at;
        int length = SECTOR - (int)(offset % SECTOR);
        uint32_t fate = chance() % 8;

        if (length > change->written - at)
            length = change->written - at;
        if (fate < 4)
            put_bytes(real, change->bytes + change->length + at, length, offset);
        else if (fate == 4 && offset >= change->size_before)
            put_bytes(real, garbage, length, offset);
        at += length;
    }
    if (change->written == 0 && chance() % 2 == 0 &&
        real->pMethods->xTruncate(real, change->offset) != SQLITE_OK)
        abort();
}

static void lose(struct disk_file *file)
{
    sqlite3_file *real = must(calloc(1, (size_t)usual()->szOsFile));
    int flags = SQLITE_OPEN_READWRITE |
                (strstr(file->path, "-wal") ? SQLITE_OPEN_WAL : SQLITE_OPEN_MAIN_DB);
    struct change *oldest;

    if (file->newest && usual()->xOpen(usual(), file->path, real, flags, &flags) == SQLITE_OK) {
        oldest = undo_all(real, file);
        while (oldest) {
            struct change *change = oldest;

            redo_in_part(real, change);
            oldest = change->before;
            sqlite3_free(change);
        }
        real->pMethods->xClose(real);
    }
    free(real);
    *file = (struct disk_file){.newest = NULL};
}

void vfs_power_on(void)
{
    pthread_mutex_lock(&disk.lock);
    for (int i = 0; i < FILES_MOST; i++)
        lose(&disk.files[i]);
    disk.off = false;
    disk.cut_at = 0;
    pthread_mutex_unlock(&disk.lock);
}

void vfs_fail_next(enum vfs_event event)
{
    pthread_mutex_lock(&disk.lock);
    disk.fail_next = event;
    pthread_mutex_unlock(&disk.lock);
}

void vfs_room(int64_t bytes)
{
    pthread_mutex_lock(&disk.lock);
    disk.room = bytes;
    pthread_mutex_unlock(&disk.lock);
}

struct vfs_counts vfs_counts(void)
{
    struct vfs_counts counts;

    pthread_mutex_lock(&disk.lock);
    counts = disk.counts;
    pthread_mutex_unlock(&disk.lock);
    return counts;
}

/* ---- the rest goes through ---- */

static int shim_close(sqlite3_file *file)
{
    struct shim_file *own = (struct shim_file *)file;
    int code = own->real->pMethods->xClose(own->real);

    sqlite3_free(own->real);
    return code;
}

static int shim_read(sqlite3_file *file, void *bytes, int length, sqlite3_int64 offset)
{
    return real_of(file)->pMethods->xRead(real_of(file), bytes, length, offset);
}

static int shim_size(sqlite3_file *file, sqlite3_int64 *size)
{
    return real_of(file)->pMethods->xFileSize(real_of(file), size);
}

static int shim_lock(sqlite3_file *file, int level)
{
    return real_of(file)->pMethods->xLock(real_of(file), level);
}

static int shim_unlock(sqlite3_file *file, int level)
{
    return real_of(file)->pMethods->xUnlock(real_of(file), level);
}

static int shim_reserved(sqlite3_file *file, int *out)
{
    return real_of(file)->pMethods->xCheckReservedLock(real_of(file), out);
}

static int shim_control(sqlite3_file *file, int what, void *argument)
{
    return real_of(file)->pMethods->xFileControl(real_of(file), what, argument);
}

static int shim_sector(sqlite3_file *file)
{
    (void)file;
    return SECTOR;
}

/* As unix says it of itself: a write harms nothing beside it. */
static int shim_traits(sqlite3_file *file)
{
    (void)file;
    return SQLITE_IOCAP_POWERSAFE_OVERWRITE;
}

static int shim_shm_map(sqlite3_file *file, int page, int size, int extend, void volatile **out)
{
    return real_of(file)->pMethods->xShmMap(real_of(file), page, size, extend, out);
}

static int shim_shm_lock(sqlite3_file *file, int offset, int count, int flags)
{
    return real_of(file)->pMethods->xShmLock(real_of(file), offset, count, flags);
}

static void shim_shm_barrier(sqlite3_file *file)
{
    real_of(file)->pMethods->xShmBarrier(real_of(file));
}

static int shim_shm_unmap(sqlite3_file *file, int remove)
{
    return real_of(file)->pMethods->xShmUnmap(real_of(file), remove);
}

static const sqlite3_io_methods methods = {.iVersion = 2,
                                           .xClose = shim_close,
                                           .xRead = shim_read,
                                           .xWrite = shim_write,
                                           .xTruncate = shim_truncate,
                                           .xSync = shim_sync,
                                           .xFileSize = shim_size,
                                           .xLock = shim_lock,
                                           .xUnlock = shim_unlock,
                                           .xCheckReservedLock = shim_reserved,
                                           .xFileControl = shim_control,
                                           .xSectorSize = shim_sector,
                                           .xDeviceCharacteristics = shim_traits,
                                           .xShmMap = shim_shm_map,
                                           .xShmLock = shim_shm_lock,
                                           .xShmBarrier = shim_shm_barrier,
                                           .xShmUnmap = shim_shm_unmap};

static struct disk_file *file_named(const char *path)
{
    struct disk_file *unused = NULL;

    for (int i = 0; i < FILES_MOST; i++) {
        if (strcmp(disk.files[i].path, path) == 0)
            return &disk.files[i];
        if (!unused && disk.files[i].path[0] == '\0')
            unused = &disk.files[i];
    }
    if (!unused || strlen(path) >= sizeof(unused->path))
        abort();
    memcpy(unused->path, path, strlen(path) + 1);
    return unused;
}

static int shim_open(sqlite3_vfs *vfs, const char *path, sqlite3_file *file, int flags,
                     int *flags_out)
{
    struct shim_file *own = (struct shim_file *)file;
    int code;

    (void)vfs;
    own->base.pMethods = NULL;
    own->real = sqlite3_malloc(usual()->szOsFile);
    if (!own->real)
        return SQLITE_NOMEM;
    memset(own->real, 0, (size_t)usual()->szOsFile);
    code = usual()->xOpen(usual(), path, own->real, flags, flags_out);
    if (code != SQLITE_OK) {
        sqlite3_free(own->real);
        return code;
    }
    own->is_log = (flags & SQLITE_OPEN_WAL) != 0;
    pthread_mutex_lock(&disk.lock);
    own->kept = (flags & (SQLITE_OPEN_MAIN_DB | SQLITE_OPEN_WAL)) != 0 ? file_named(path) : NULL;
    pthread_mutex_unlock(&disk.lock);
    own->base.pMethods = &methods;
    return SQLITE_OK;
}

static int shim_delete(sqlite3_vfs *vfs, const char *path, int sync)
{
    int code;

    (void)vfs;
    pthread_mutex_lock(&disk.lock);
    if (disk.off)
        code = SQLITE_IOERR_DELETE;
    else
        code = usual()->xDelete(usual(), path, sync);
    for (int i = 0; i < FILES_MOST && code == SQLITE_OK; i++)
        if (strcmp(disk.files[i].path, path) == 0)
            forget(&disk.files[i]);
    pthread_mutex_unlock(&disk.lock);
    return code;
}

static int shim_access(sqlite3_vfs *vfs, const char *path, int flags, int *out)
{
    (void)vfs;
    return usual()->xAccess(usual(), path, flags, out);
}

void vfs_install(void)
{
    if (!shim.pAppData) {
        shim = *sqlite3_vfs_find(NULL);
        shim.pAppData = sqlite3_vfs_find(NULL);
        shim.zName = "wardpost-test";
        shim.szOsFile = sizeof(struct shim_file);
        shim.xOpen = shim_open;
        shim.xDelete = shim_delete;
        shim.xAccess = shim_access;
    }
    sqlite3_vfs_register(&shim, 1);
    for (int i = 0; i < FILES_MOST; i++) {
        forget(&disk.files[i]);
        disk.files[i].path[0] = '\0';
    }
    disk.off = false;
    disk.cut_at = 0;
    disk.room = -1;
    disk.fail_next = VFS_NOTHING;
    disk.counts = (struct vfs_counts){0};
}

void vfs_remove(void)
{
    for (int i = 0; i < FILES_MOST; i++)
        forget(&disk.files[i]);
    sqlite3_vfs_unregister(&shim);
    sqlite3_vfs_register(usual(), 1);
}
