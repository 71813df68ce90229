/* moment.c - FHIR R4 times, Gregorian dates, ages; the only file that looks at a clock. */
#include <string.h>
#include <time.h>

#include "wardpost/moment.h"

static bool digits_at(const char *text, size_t count, int *out)
{
    int value = 0;

    for (size_t i = 0; i < count; i++) {
        if (text[i] < '0' || text[i] > '9')
            return false;
        value = value * 10 + (text[i] - '0');
    }
    *out = value;
    return true;
}

/* ---- dates ---- */

static bool is_leap(int year)
{
    return (year % 4 == 0 && year % 100 != 0) || year % 400 == 0;
}

static int days_in(int year, int month)
{
    static const int days[] = {31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31};

    return month == 2 && is_leap(year) ? 29 : days[month - 1];
}

static bool date_exists(struct date date)
{
    return date.year >= 1 && date.month >= 1 && date.month <= 12 && date.day >= 1 &&
           date.day <= days_in(date.year, date.month);
}

static bool date_shape(const char *text, struct date *out)
{
    return digits_at(text, 4, &out->year) && text[4] == '-' &&
           digits_at(text + 5, 2, &out->month) && text[7] == '-' &&
           digits_at(text + 8, 2, &out->day);
}

bool date_parse(const char *text, size_t length, struct date *out)
{
    struct date date;

    if (length != 10 || !date_shape(text, &date) || !date_exists(date))
        return false;
    *out = date;
    return true;
}

int date_compare(struct date a, struct date b)
{
    if (a.year != b.year)
        return a.year < b.year ? -1 : 1;
    if (a.month != b.month)
        return a.month < b.month ? -1 : 1;
    return (a.day > b.day) - (a.day < b.day);
}

/* Days from March on, so that the leap day is a year's last; 719468 of them lie before 1970. */
int64_t date_days(struct date date)
{
    int64_t year = date.month > 2 ? date.year : date.year - 1;
    int64_t month = date.month > 2 ? date.month - 3 : date.month + 9;

    return year * 365 + year / 4 - year / 100 + year / 400 + (month * 153 + 2) / 5 + date.day - 1 -
           719468;
}

static struct date date_of_days(int64_t days)
{
    struct date date;
    int64_t year, rest, month;

    days += 719468;
    year = (days * 400 + 591) /
           146097; /* 400 years have 146097 days; the guess is right or one too high */
    rest = days - (year * 365 + year / 4 - year / 100 + year / 400);
    if (rest < 0) {
        year--;
        rest = days - (year * 365 + year / 4 - year / 100 + year / 400);
    }
    month = (rest * 5 + 2) / 153;
    date.day = (int)(rest - (month * 153 + 2) / 5 + 1);
    date.month = (int)(month < 10 ? month + 3 : month - 9);
    date.year = (int)(date.month > 2 ? year : year + 1);
    return date;
}

/* ---- ages ---- */

static bool is_span_unit(char c)
{
    return c == 'D' || c == 'W' || c == 'M' || c == 'Y';
}

bool span_parse(const char *text, size_t length, struct span *out)
{
    int count;

    if (length < 3 || length > 5 || text[0] != 'P' || !is_span_unit(text[length - 1]) ||
        !digits_at(text + 1, length - 2, &count))
        return false;
    out->count = count;
    out->unit = text[length - 1];
    return true;
}

static struct date months_after(struct date date, int months)
{
    int total = date.year * 12 + date.month - 1 + months;
    int most;

    date.year = total / 12;
    date.month = total % 12 + 1;
    most = days_in(date.year, date.month);
    if (date.day > most)
        date.day = most;
    return date;
}

struct date date_after(struct date date, struct span span)
{
    if (span.unit == 'D')
        return date_of_days(date_days(date) + span.count);
    if (span.unit == 'W')
        return date_of_days(date_days(date) + (int64_t)span.count * 7);
    return months_after(date, span.unit == 'M' ? span.count : span.count * 12);
}

/* ---- times ---- */

static bool clock_shape(const char *text, int *hour, int *minute, int *second)
{
    return text[0] == 'T' && digits_at(text + 1, 2, hour) && text[3] == ':' &&
           digits_at(text + 4, 2, minute) && text[6] == ':' && digits_at(text + 7, 2, second);
}

/* .f to .fffffffff; what is finer than a millisecond is cut. Moves *at behind it. */
static bool fraction(const char *text, size_t length, size_t *at, int *ms)
{
    size_t digits = 0;

    *ms = 0;
    if (*at == length || text[*at] != '.')
        return true;
    for ((*at)++; *at < length && text[*at] >= '0' && text[*at] <= '9'; (*at)++)
        if (digits++ < 3)
            *ms = *ms * 10 + (text[*at] - '0');
    for (size_t i = digits; i < 3; i++)
        *ms *= 10;
    return digits >= 1 && digits <= 9;
}

static bool zone(const char *text, size_t length, int *offset)
{
    int hours, minutes;

    *offset = 0;
    if (length == 1 && text[0] == 'Z')
        return true;
    if (length != 6 || (text[0] != '+' && text[0] != '-') || !digits_at(text + 1, 2, &hours) ||
        text[3] != ':' || !digits_at(text + 4, 2, &minutes) || minutes > 59 ||
        hours * 60 + minutes > 840)
        return false;
    *offset = hours * 60 + minutes;
    if (text[0] == '-')
        *offset = -*offset;
    return true;
}

enum moment_fault moment_parse(const char *text, size_t length, struct moment *out)
{
    struct date date;
    int hour, minute, second, ms, offset;
    size_t at = 19;

    if (length < 19 || !date_shape(text, &date) ||
        !clock_shape(text + 10, &hour, &minute, &second) || hour > 23 || minute > 59 ||
        second > 59 || !fraction(text, length, &at, &ms))
        return MOMENT_NOT_A_TIME;
    if (at == length)
        return MOMENT_NO_ZONE;
    if (!zone(text + at, length - at, &offset))
        return MOMENT_NOT_A_TIME;
    if (!date_exists(date))
        return MOMENT_NO_SUCH_DATE;
    out->ms = ((date_days(date) * 24 + hour) * 60 + minute - offset) * 60000 +
              (int64_t)second * 1000 + ms;
    out->offset_minutes = offset;
    return MOMENT_FINE;
}

static int64_t floor_divide(int64_t value, int64_t by)
{
    return value / by - (value % by < 0);
}

static struct date local(struct moment moment, int64_t *ms_of_day)
{
    int64_t ms = moment.ms + (int64_t)moment.offset_minutes * 60000;
    int64_t days = floor_divide(ms, 86400000);

    *ms_of_day = ms - days * 86400000;
    return date_of_days(days);
}

struct date moment_local_date(struct moment moment)
{
    int64_t ms_of_day;

    return local(moment, &ms_of_day);
}

static char *put(char *at, int64_t value, unsigned width)
{
    for (unsigned i = width; i > 0; i--) {
        at[i - 1] = (char)('0' + value % 10);
        value /= 10;
    }
    return at + width;
}

static char *put_zone(char *at, int offset)
{
    if (offset == 0) {
        *at++ = 'Z';
        return at;
    }
    *at++ = offset < 0 ? '-' : '+';
    offset = offset < 0 ? -offset : offset;
    at = put(at, offset / 60, 2);
    *at++ = ':';
    return put(at, offset % 60, 2);
}

size_t moment_text(struct moment moment, char out[MOMENT_TEXT_ROOM])
{
    int64_t ms;
    struct date date = local(moment, &ms);
    char *at = put(out, date.year, 4);

    *at++ = '-';
    at = put(at, date.month, 2);
    *at++ = '-';
    at = put(at, date.day, 2);
    *at++ = 'T';
    at = put(at, ms / 3600000, 2);
    *at++ = ':';
    at = put(at, ms / 60000 % 60, 2);
    *at++ = ':';
    at = put(at, ms / 1000 % 60, 2);
    if (ms % 1000 != 0) {
        *at++ = '.';
        at = put(at, ms % 1000, 3);
    }
    at = put_zone(at, moment.offset_minutes);
    *at = '\0';
    return (size_t)(at - out);
}

/* ---- clocks ---- */

static int64_t clock_us(clockid_t clock)
{
    struct timespec now;

    clock_gettime(clock, &now);
    return (int64_t)now.tv_sec * 1000000 + now.tv_nsec / 1000;
}

int clock_offset_minutes(int64_t wall_ms)
{
    time_t seconds = (time_t)(wall_ms / 1000);
    struct tm local;

    return localtime_r(&seconds, &local) ? (int)(local.tm_gmtoff / 60) : 0;
}

int64_t clock_wall_ms(void)
{
    return clock_us(CLOCK_REALTIME) / 1000;
}

int64_t clock_monotonic_ms(void)
{
    return clock_us(CLOCK_MONOTONIC) / 1000;
}

int64_t clock_monotonic_us(void)
{
    return clock_us(CLOCK_MONOTONIC);
}
