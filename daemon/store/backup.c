/* backup.c - a consistent copy of the whole store to a new file, while running. */
#include <errno.h>
#include <fcntl.h>
#include <unistd.h>

#include "store/store_private.h"

static enum status sync_file(const char *path)
{
    int fd = open(path, O_RDWR | O_CLOEXEC);
    enum status status;

    if (fd < 0)
        return STATUS_IO;
    status = fsync(fd) == 0 ? STATUS_OK : STATUS_IO;
    close(fd);
    return status;
}

/* In one step: SQLite reads all of it as of one moment, and the writer goes on beside. In several
 * steps each COMMIT between two of them would begin the copy again, and under load it would never
 * end. */
static enum status copy(struct db *from, const char *path)
{
    sqlite3 *to = NULL;
    sqlite3_backup *backup;
    int code = sqlite3_open_v2(path, &to, SQLITE_OPEN_READWRITE | SQLITE_OPEN_NOMUTEX, NULL);

    if (code == SQLITE_OK) {
        backup = sqlite3_backup_init(to, "main", from->handle, "main");
        if (backup) {
            sqlite3_backup_step(backup, -1);
            code = sqlite3_backup_finish(backup);
        } else {
            code = sqlite3_errcode(to);
        }
    }
    sqlite3_close(to);
    return status_of_sqlite(code);
}

static enum status copy_all(struct outbox *outbox, const char *path)
{
    struct db from = {0};
    enum status status = db_open(outbox->path, false, &from);

    if (status == STATUS_OK)
        status = copy(&from, path);
    db_close(&from);
    if (status == STATUS_OK)
        status = sync_file(path);
    return status == STATUS_OK ? folder_sync(path) : status;
}

enum status outbox_backup(struct outbox *outbox, const char *path)
{
    int fd = open(path, O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC,
                  0600); /* never over something that is there */
    enum status status;

    if (fd < 0)
        return errno == EEXIST                      ? STATUS_CONFLICT
               : errno == ENOSPC || errno == EDQUOT ? STATUS_DISK_FULL
                                                    : STATUS_IO;
    close(fd);
    status = copy_all(outbox, path);
    if (status != STATUS_OK)
        unlink(path);
    return status;
}
