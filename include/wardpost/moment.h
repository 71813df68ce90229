/* moment.h - times with a zone, dates, ages; and the only place that looks at a clock. Any thread. */
#ifndef WARDPOST_MOMENT_H
#define WARDPOST_MOMENT_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct date {
    int year, month, day; /* proleptic Gregorian; month 1..12 */
};

struct moment {
    int64_t ms;         /* since 1970-01-01T00:00:00Z, without leap seconds */
    int offset_minutes; /* of the zone it was written in, -840..840 */
};

enum moment_fault { MOMENT_FINE, MOMENT_NOT_A_TIME, MOMENT_NO_ZONE, MOMENT_NO_SUCH_DATE };

#define MOMENT_TEXT_ROOM 32

/* FHIR R4 dateTime with seconds and zone: YYYY-MM-DDThh:mm:ss[.fff](Z|+hh:mm|-hh:mm), upper case, year 1..9999;
 * a second of 60 is refused (NOT_A_TIME). *out is untouched unless MOMENT_FINE. */
enum moment_fault moment_parse(const char *text, size_t length, struct moment *out);

/* "2026-11-25T09:30:00.250+01:00" (fraction left out when 0); returns the length. */
size_t moment_text(struct moment moment, char out[MOMENT_TEXT_ROOM]);

struct date moment_local_date(struct moment moment);

bool date_parse(const char *text, size_t length, struct date *out); /* YYYY-MM-DD that exists */
int date_compare(struct date a, struct date b);
int64_t date_days(struct date date); /* since 1970-01-01 */

/* An ISO 8601 duration of one unit. */
struct span {
    int count;
    char unit; /* 'D', 'W', 'M', 'Y' */
};

bool span_parse(const char *text, size_t length, struct span *out); /* P28D, P1M, P16Y; 0..999 */

/* The date that long after; a day that the month lacks becomes its last one (31 January + P1M = 28 or 29 February). */
struct date date_after(struct date date, struct span span);

int clock_offset_minutes(int64_t wall_ms); /* of the zone this machine is set to, at that time */
int64_t clock_wall_ms(void);      /* since 1970, may jump */
int64_t clock_monotonic_ms(void); /* never goes back */
int64_t clock_monotonic_us(void);

#endif
