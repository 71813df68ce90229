/* metrics.h - counters and gauges as rows of one table (base/metrics.c), printed as OpenMetrics text.
 * Atomic; any thread. No label ever holds anything personal. */
#ifndef WARDPOST_METRICS_H
#define WARDPOST_METRICS_H

#include <stdint.h>

/* The order is the table's in base/metrics.c. */
enum metric {
    METRIC_READINGS_ACCEPTED,
    METRIC_READINGS_REFUSED,
    METRIC_READINGS_ASKED,
    METRIC_READINGS_REPLAYED,
    METRIC_READINGS_CORRECTED,
    METRIC_REQUESTS,
    METRIC_REQUESTS_FAILED,
    METRIC_REQUESTS_DENIED,
    METRIC_CONNECTIONS_CUT,
    METRIC_CONNECTIONS_STRANGE,
    METRIC_COMMITS,
    METRIC_COMMIT_ENTRIES,
    METRIC_OBSERVATIONS_CHARTED,
    METRIC_OBSERVATIONS_HELD,
    METRIC_DELIVERY_ATTEMPTS,
    METRIC_DELIVERY_LOST_ANSWERS,
    METRIC_DELIVERY_LOOK_UPS,
    METRIC_DELIVERY_RETRIES,
    METRIC_DUPLICATES_SEEN,
    METRIC_WAITING,            /* gauges from here on */
    METRIC_HELD,
    METRIC_OLDEST_WAITING_SECONDS,
    METRIC_DESTINATION_UP,
    METRIC_KINDS_KEPT_BYTES,
    METRIC_COUNT
};

void metric_add(enum metric metric, int64_t amount);
void metric_set(enum metric metric, int64_t value);
int64_t metric_get(enum metric metric);

struct json_out;

/* OpenMetrics 1.0 text, "# EOF" at the end; malloc'd, the caller's; NULL when out of memory. */
char *metrics_text(void);

#endif
