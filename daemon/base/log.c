/* log.c - one line on standard error, written whole; see wardpost/log.h. */
#include <stdarg.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

#include "wardpost/log.h"

static enum log_level threshold = LOG_LEVEL_INFO;

void log_threshold(enum log_level level)
{
    threshold = level;
}

/* "<4>" is how the service manager's journal learns the level (sd-daemon(3)). One write a line, so that lines of threads do not mix. */
void log_line(enum log_level level, const char *format, ...)
{
    char line[1024];
    int prefix, length;
    va_list arguments;
    ssize_t written;

    if (level > threshold)
        return;
    prefix = snprintf(line, sizeof(line), "<%d>", (int)level);
    va_start(arguments, format);
    length = vsnprintf(line + prefix, sizeof(line) - (size_t)prefix - 1, format, arguments);
    va_end(arguments);
    if (length < 0)
        return;
    length = (int)strlen(line);
    for (int i = 0; i < length; i++)
        if ((unsigned char)line[i] < 0x20)
            line[i] = ' '; /* nobody else's words make a line of ours */
    line[length++] = '\n';
    written = write(STDERR_FILENO, line, (size_t)length);
    (void)written; /* when even that fails there is nobody to tell */
}
