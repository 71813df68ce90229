/* log.h - one line a change of state, on standard error (the service manager adds the time, and to its journal we tell
 * the level); never a name, an identifier, a birth date, a value, a token. Any thread.
 * Control characters become blanks, and what is beyond 1,000 bytes is cut.
 *
 *   log_line(LOG_LEVEL_INFO, "reading=%s state=waiting attempt=%u why=\"%s\"", id8, attempts, words); */
#ifndef WARDPOST_LOG_H
#define WARDPOST_LOG_H

enum log_level { LOG_LEVEL_ERROR = 3, LOG_LEVEL_WARNING = 4, LOG_LEVEL_INFO = 6, LOG_LEVEL_DEBUG = 7 };

void log_threshold(enum log_level level); /* default LOG_LEVEL_INFO; before threads start */
void log_line(enum log_level level, const char *format, ...) __attribute__((format(printf, 2, 3)));

#endif
