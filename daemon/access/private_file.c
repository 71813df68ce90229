/* private_file.c - a small file with secrets: read whole, written whole or not at all. */
#include <errno.h>
#include <fcntl.h>
#include <libgen.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <unistd.h>

#include "access/access_private.h"
#include "wardpost/json_in.h"
#include "wardpost/json_out.h"

enum status private_file_read(const char *path, json_t **root_out, char why[200])
{
    struct json_fault fault;
    enum status status;

    why[0] = '\0';
    if (access(path, F_OK) != 0 && errno == ENOENT)
        return STATUS_NOT_FOUND;
    status = json_in_file(path, root_out, &fault);
    if (status == STATUS_INVALID)
        (void)snprintf(why, 200, "line %u: %.150s", fault.line, fault.detail);
    return status;
}

bool private_file_text(const json_t *value, char *out, size_t room)
{
    if (!text_is(value) || json_string_length(value) == 0 || json_string_length(value) >= room)
        return false;
    memcpy(out, json_string_value(value), json_string_length(value) + 1);
    return true;
}

bool private_file_is_same(const struct stat *a, const struct stat *b)
{
    return a->st_ino == b->st_ino && a->st_size == b->st_size &&
           a->st_mtim.tv_sec == b->st_mtim.tv_sec && a->st_mtim.tv_nsec == b->st_mtim.tv_nsec;
}

static enum status write_all(int fd, const char *text, size_t length)
{
    while (length > 0) {
        ssize_t written = write(fd, text, length);

        if (written < 0 && errno == EINTR)
            continue;
        if (written < 0)
            return errno == ENOSPC ? STATUS_DISK_FULL : STATUS_IO;
        text += written;
        length -= (size_t)written;
    }
    return fsync(fd) == 0 ? STATUS_OK : STATUS_IO;
}

static int open_folder_of(const char *path)
{
    char copy[4096];

    (void)snprintf(copy, sizeof(copy), "%s", path);
    return open(dirname(copy), O_RDONLY | O_DIRECTORY | O_CLOEXEC);
}

int private_file_lock(const char *path)
{
    int fd = open_folder_of(path);

    while (fd >= 0 && flock(fd, LOCK_EX) != 0)
        if (errno != EINTR) {
            close(fd);
            return -1;
        }
    return fd;
}

static enum status sync_folder_of(const char *path)
{
    int fd = open_folder_of(path);
    enum status status;

    if (fd < 0)
        return STATUS_IO;
    status = fsync(fd) == 0 ? STATUS_OK : STATUS_IO;
    close(fd);
    return status;
}

/* It stays the file of whoever reads it: root enrols, the daemon's own user reads. A new one is
 * root's to give to whose folder it is. */
static enum status give_to_owner(const char *path, int fd)
{
    struct stat old, new;
    bool is_new = stat(path, &old) != 0;
    char copy[4096];

    (void)snprintf(copy, sizeof(copy), "%s", path);
    if (is_new && (errno != ENOENT || stat(dirname(copy), &old) != 0))
        return STATUS_IO;
    if (fstat(fd, &new) != 0)
        return STATUS_IO;
    if ((is_new && new.st_uid != 0) || (old.st_uid == new.st_uid &&old.st_gid == new.st_gid))
        return STATUS_OK;
    return fchown(fd, old.st_uid, old.st_gid) == 0 ? STATUS_OK : STATUS_IO;
}

enum status private_file_replace(const char *path, const char *text, size_t length)
{
    char temporary[4096];
    int length_of_name = snprintf(temporary, sizeof(temporary), "%s.new", path);
    enum status status;
    int fd;

    if (length_of_name < 0 || (size_t)length_of_name >= sizeof(temporary))
        return STATUS_IO;    /* cut short it might be `path` itself */
    (void)unlink(temporary); /* what was left behind has whatever mode and owner */
    fd = open(temporary, O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC, 0600);
    if (fd < 0)
        return STATUS_IO;
    status = give_to_owner(path, fd);
    if (status == STATUS_OK)
        status = write_all(fd, text, length);
    if (close(fd) != 0 && status == STATUS_OK)
        status = STATUS_IO;
    if (status == STATUS_OK && rename(temporary, path) != 0)
        status = STATUS_IO;
    if (status != STATUS_OK) {
        unlink(temporary);
        return status;
    }
    return sync_folder_of(path);
}

/* ---- a list of things of one form ---- */

static bool stands_before(const struct listed *listed, const char *items, size_t index)
{
    for (size_t i = 0; i < index; i++)
        if (listed->same_name(items + i * listed->size, items + index * listed->size))
            return true;
    return false;
}

static enum status read_items(const struct listed *listed, const json_t *list, char *items,
                              size_t *count_out, char why[200])
{
    size_t index;
    json_t *item;

    json_array_foreach(list, index, item)
    {
        const char *wrong = listed->read(item, items + index * listed->size);

        if (wrong) { /* never what stands there: it may be a PIN */
            (void)snprintf(why, 200, "/%s/%zu/%s is missing or wrong", listed->member, index,
                           wrong);
            return STATUS_INVALID;
        }
        if (stands_before(listed, items, index)) { /* removing one would leave the other */
            (void)snprintf(why, 200, "/%s/%zu/name stands twice", listed->member, index);
            return STATUS_INVALID;
        }
        ++*count_out;
    }
    return STATUS_OK;
}

enum status private_list_read(const char *path, const struct listed *listed, void **items_out,
                              size_t *count_out, char why[200])
{
    json_t *root = NULL;
    const json_t *list;
    enum status status = private_file_read(path, &root, why);

    *items_out = NULL;
    *count_out = 0;
    if (status != STATUS_OK)
        return status;
    list = json_object_get(root, listed->member);
    status = STATUS_NO_MEMORY;
    if (!json_is_array(list)) {
        (void)snprintf(why, 200, "/%s is not a list", listed->member);
        status = STATUS_INVALID;
    } else if ((*items_out = calloc(json_array_size(list) + 1, listed->size))) {
        status = read_items(listed, list, *items_out, count_out, why);
    }
    json_decref(root);
    return status;
}

enum status private_list_write(const char *path, const struct listed *listed, const void *items,
                               size_t count)
{
    struct json_out out = JSON_OUT_INIT;
    enum status status = STATUS_NO_MEMORY;

    out_object(&out);
    out_name(&out, listed->member);
    out_array(&out);
    for (size_t i = 0; i < count; i++)
        listed->write((const char *)items + i * listed->size, &out);
    out_array_end(&out);
    out_object_end(&out);
    if (json_out_ok(&out))
        status = private_file_replace(path, out.text, out.length);
    json_out_clear(&out);
    return status;
}
