/* log.c - one line on standard error, written whole; see wardpost/log.h. */
#include <errno.h>
#include <inttypes.h>
#include <stdarg.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "wardpost/log.h"

static enum log_level threshold = LOG_LEVEL_INFO;

void log_threshold(enum log_level level)
{
    threshold = level;
}

/* Does standard error lead to the journal, which reads a level from "<4>" before a line
 * (sd-daemon(3))? For a person on a terminal that would be noise. systemd.exec(5), JOURNAL_STREAM:
 * device and inode of the stream. */
static bool journal_reads(void)
{
    const char *stream = getenv("JOURNAL_STREAM");
    struct stat about;
    char own[64];

    if (!stream || fstat(STDERR_FILENO, &about) != 0)
        return false;
    (void)snprintf(own, sizeof(own), "%" PRIuMAX ":%" PRIuMAX, (uintmax_t)about.st_dev,
                   (uintmax_t)about.st_ino);
    return strcmp(own, stream) == 0;
}

/* One write a line, so that lines of threads do not mix. When even that fails there is nobody to
 * tell. */
static void write_line(const char *line, size_t length)
{
    ssize_t written;

    do
        written = write(STDERR_FILENO, line, length);
    while (written < 0 && errno == EINTR);
}

void log_line(enum log_level level, const char *format, ...)
{
    char line[1024] = "";
    size_t length = 0;
    va_list arguments;

    if (level > threshold)
        return;
    if (journal_reads())
        length = (size_t)snprintf(line, sizeof(line), "<%d>", (int)level);
    va_start(arguments, format);
    (void)vsnprintf(line + length, sizeof(line) - length - 1, format, arguments);
    va_end(arguments);
    for (length = 0; line[length]; length++)
        if ((unsigned char)line[length] < 0x20 || line[length] == 0x7F)
            line[length] = ' '; /* nobody else's words make a line of ours */
    line[length++] = '\n';
    write_line(line, length);
}
