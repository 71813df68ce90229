/* json_file.c - a JSON file whole; see wardpost/json_in.h. */
#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <unistd.h>

#include "wardpost/json_in.h"

#define FILE_MOST ((size_t)16 << 20)

struct file {
    char *bytes;
    size_t used, room;
};

static enum status make_room(struct file *file)
{
    char *longer;

    if (file->used > FILE_MOST) {
        errno = EFBIG;
        return STATUS_IO;
    }
    if (file->used < file->room)
        return STATUS_OK;
    longer = realloc(file->bytes, file->room + 8192 + file->room);
    if (!longer)
        return STATUS_NO_MEMORY;
    file->bytes = longer;
    file->room += 8192 + file->room;
    return STATUS_OK;
}

static enum status read_piece(int fd, struct file *file, bool *end)
{
    ssize_t got;

    do
        got = read(fd, file->bytes + file->used, file->room - file->used);
    while (got < 0 && errno == EINTR);
    if (got < 0)
        return STATUS_IO;
    file->used += (size_t)got;
    *end = got == 0;
    return STATUS_OK;
}

/* Not by the size that the file system tells: a pipe (wardpost map <(...)) has none. */
static enum status read_whole(int fd, struct file *file)
{
    enum status status;
    bool end = false;

    do {
        status = make_room(file);
        if (status == STATUS_OK)
            status = read_piece(fd, file, &end);
    } while (status == STATUS_OK && !end);
    return status;
}

enum status json_in_file(const char *path, json_t **out, struct json_fault *fault)
{
    int fd = open(path, O_RDONLY | O_CLOEXEC), error;
    struct file file = {0};
    enum status status;

    *fault = (struct json_fault){0};
    if (fd < 0)
        return STATUS_IO;
    status = read_whole(fd, &file);
    error = errno;
    close(fd);
    errno = error; /* of the read that failed, for the caller's words */
    if (status == STATUS_OK)
        status = json_in(file.bytes, file.used, out, fault);
    free(file.bytes);
    return status;
}
