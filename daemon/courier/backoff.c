/* backoff.c - when to try again: exponential, with full jitter, so that many daemons do not come
 * back at the same moment. */
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "courier/decide.h"
#include "wardpost/moment.h"

#define DAY_MS ((int64_t)86400000)

int64_t backoff_ms(const struct courier_options *options, unsigned failures, uint32_t chance,
                   int64_t after_ms)
{
    int64_t most = options->retry_first_ms;
    int64_t wait;

    while (failures-- > 0 && most < options->retry_most_ms)
        most *= 2;
    if (most > options->retry_most_ms)
        most = options->retry_most_ms;
    wait = (int64_t)((double)most * ((double)chance / 4294967295.0));
    return wait > after_ms ? wait : after_ms;
}

static const char *const months = "JanFebMarAprMayJunJulAugSepOctNovDec";

static bool two(const char *at, int *out)
{
    if (at[0] < '0' || at[0] > '9' || at[1] < '0' || at[1] > '9')
        return false;
    *out = (at[0] - '0') * 10 + (at[1] - '0');
    return true;
}

/* IMF-fixdate only (RFC 9110 5.6.7): "Sun, 06 Nov 1994 08:49:37 GMT"; the older forms are not worth
 * their code. */
static bool http_date(const char *value, int64_t *ms)
{
    int day, hour, minute, second, century, year;
    const char *month;
    struct date date;

    if (strlen(value) != 29 || strcmp(value + 25, " GMT") != 0 || !two(value + 5, &day) ||
        !two(value + 12, &century) || !two(value + 14, &year) || !two(value + 17, &hour) ||
        !two(value + 20, &minute) || !two(value + 23, &second))
        return false;
    for (month = months; *month; month += 3)
        if (strncmp(month, value + 8, 3) == 0)
            break;
    if (!*month || hour > 23 || minute > 59 || second > 60)
        return false;
    date = (struct date){century * 100 + year, (int)(month - months) / 3 + 1, day};
    *ms = date_days(date) * DAY_MS + (((int64_t)hour * 60 + minute) * 60 + second) * 1000;
    return true;
}

int64_t retry_after_ms(const char *value, int64_t now_wall_ms)
{
    int64_t ms = 0;
    char *end;

    if (!value || !*value)
        return 0;
    if (*value >= '0' && *value <= '9') {
        long long seconds = strtoll(value, &end, 10);

        if (*end != '\0')
            return 0;
        ms = seconds > DAY_MS / 1000 ? DAY_MS : seconds * 1000;
    } else if (http_date(value, &ms)) {
        ms -= now_wall_ms;
    }
    if (ms < 0)
        return 0;
    return ms > DAY_MS ? DAY_MS : ms;
}
