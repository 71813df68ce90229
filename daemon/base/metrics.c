/* metrics.c - the table of what is counted; see wardpost/metrics.h. */
#include <inttypes.h>
#include <stdatomic.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>

#include "wardpost/metrics.h"

struct row {
    const char *name, *help;
};

/* In the order of enum metric. */
static const struct row rows[METRIC_COUNT] = {
    [METRIC_READINGS_ACCEPTED] = {"readings_accepted", "Readings that are on disk."},
    [METRIC_READINGS_REFUSED] = {"readings_refused", "Requests or lines refused because something cannot be true or understood."},
    [METRIC_READINGS_ASKED] = {"readings_asked", "Requests sent back with a question."},
    [METRIC_READINGS_REPLAYED] = {"readings_replayed", "Readings that were sent again and were here already."},
    [METRIC_REQUESTS] = {"requests", "HTTP requests begun."},
    [METRIC_REQUESTS_FAILED] = {"requests_failed", "HTTP requests answered with 5xx."},
    [METRIC_REQUESTS_DENIED] = {"requests_denied", "HTTP requests without the right to be here."},
    [METRIC_CONNECTIONS_CUT] = {"connections_cut", "Connections cut because they missed a deadline."},
    [METRIC_COMMITS] = {"commits", "Transactions on disk."},
    [METRIC_COMMIT_ENTRIES] = {"commit_entries", "Entries that those transactions accepted."},
    [METRIC_OBSERVATIONS_CHARTED] = {"observations_charted", "Observations the server has."},
    [METRIC_OBSERVATIONS_HELD] = {"observations_held", "Observations stopped for a person."},
    [METRIC_DELIVERY_ATTEMPTS] = {"delivery_attempts", "Observations sent, each time counted."},
    [METRIC_DELIVERY_LOST_ANSWERS] = {"delivery_lost_answers", "Requests that went out and got no answer."},
    [METRIC_DELIVERY_LOOK_UPS] = {"delivery_look_ups", "Searches whether something is there already."},
    [METRIC_DELIVERY_RETRIES] = {"delivery_retries", "Times the server was found to be away."},
    [METRIC_DUPLICATES_SEEN] = {"duplicates_seen", "Observations that the server has more than once."},
    [METRIC_WAITING] = {"waiting", "Entries on disk and not in the chart."},
    [METRIC_HELD] = {"held", "Entries stopped for a person."},
    [METRIC_OLDEST_WAITING_SECONDS] = {"oldest_waiting_seconds", "Age of the oldest waiting entry."},
    [METRIC_DESTINATION_UP] = {"destination_up", "1 when the server answers."},
};

static _Atomic int64_t values[METRIC_COUNT];

void metric_add(enum metric metric, int64_t amount)
{
    atomic_fetch_add_explicit(&values[metric], amount, memory_order_relaxed);
}

void metric_set(enum metric metric, int64_t value)
{
    atomic_store_explicit(&values[metric], value, memory_order_relaxed);
}

int64_t metric_get(enum metric metric)
{
    return atomic_load_explicit(&values[metric], memory_order_relaxed);
}

char *metrics_text(void)
{
    const size_t room = (size_t)METRIC_COUNT * 400 + 16;
    char *text = malloc(room);
    size_t used = 0;

    if (!text)
        return NULL;
    for (int i = 0; i < METRIC_COUNT; i++) {
        bool gauge = i >= METRIC_WAITING;
        int wrote = snprintf(text + used, room - used,
                             "# TYPE wardpost_%s %s\n# HELP wardpost_%s %s\nwardpost_%s%s %" PRId64 "\n", rows[i].name,
                             gauge ? "gauge" : "counter", rows[i].name, rows[i].help, rows[i].name, gauge ? "" : "_total",
                             metric_get((enum metric)i));

        used += wrote > 0 ? (size_t)wrote : 0;
    }
    snprintf(text + used, room - used, "# EOF\n");
    return text;
}
