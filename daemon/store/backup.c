/* backup.c - a consistent copy of the whole store to a new file, while running. */
#include <errno.h>
#include <fcntl.h>
#include <libgen.h>
#include <stdio.h>
#include <unistd.h>

#include "store/store_private.h"

static enum status sync_path(const char *path, int flags)
{
    int fd = open(path, flags | O_CLOEXEC);
    enum status status;

    if (fd < 0)
        return STATUS_IO;
    status = fsync(fd) == 0 ? STATUS_OK : STATUS_IO;
    close(fd);
    return status;
}

static enum status copy(struct db *from, const char *path)
{
    struct db to = {0};
    sqlite3_backup *backup;
    int code = sqlite3_open_v2(path, &to.handle, SQLITE_OPEN_READWRITE | SQLITE_OPEN_CREATE, NULL);

    backup = code == SQLITE_OK ? sqlite3_backup_init(to.handle, "main", from->handle, "main") : NULL;
    if (backup) {
        do
            code = sqlite3_backup_step(backup, 256); /* in pieces: the writer goes on between them */
        while (code == SQLITE_OK || code == SQLITE_BUSY);
        sqlite3_backup_finish(backup);
    }
    db_close(&to);
    return code == SQLITE_DONE ? STATUS_OK : status_of_sqlite(code);
}

enum status outbox_backup(struct outbox *outbox, const char *path)
{
    struct db from = {0};
    char folder[4096];
    int fd = open(path, O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC, 0600); /* never over something that is there */
    enum status status;

    if (fd < 0)
        return errno == EEXIST ? STATUS_CONFLICT : STATUS_IO;
    close(fd);
    status = db_open(outbox->path, false, &from);
    if (status == STATUS_OK)
        status = copy(&from, path);
    db_close(&from);
    snprintf(folder, sizeof(folder), "%s", path);
    if (status == STATUS_OK)
        status = sync_path(path, O_RDONLY);
    if (status == STATUS_OK)
        status = sync_path(dirname(folder), O_RDONLY | O_DIRECTORY);
    if (status != STATUS_OK)
        unlink(path);
    return status;
}
