/* metrics.c - the table of what is counted; see wardpost/metrics.h. */
#include <inttypes.h>
#include <stdatomic.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "wardpost/metrics.h"

struct row {
    const char *name;
    enum { COUNTER, GAUGE } type;
    const char *help;
};

/* In the order of enum metric. */
static const struct row rows[METRIC_COUNT] = {
    [METRIC_READINGS_ACCEPTED] = {"readings_accepted",      COUNTER, "Readings that are on disk."            },
    [METRIC_READINGS_REFUSED] =
        {"readings_refused",       COUNTER,
                                  "Requests or lines refused because something cannot be true or understood."},
    [METRIC_READINGS_ASKED] = {"readings_asked",         COUNTER, "Requests sent back with a question."   },
    [METRIC_READINGS_REPLAYED] = {"readings_replayed",      COUNTER,
                                  "Readings that were sent again and were here already."                     },
    [METRIC_READINGS_CORRECTED] = {"readings_corrected",     COUNTER,
                                  "Readings that were corrected or retracted."                               },
    [METRIC_REQUESTS] = {"requests",               COUNTER, "HTTP requests begun."                  },
    [METRIC_REQUESTS_FAILED] = {"requests_failed",        COUNTER, "HTTP requests answered with 5xx."      },
    [METRIC_REQUESTS_DENIED] = {"requests_denied",        COUNTER,
                                  "HTTP requests without the right to be here."                              },
    [METRIC_CONNECTIONS_CUT] = {"connections_cut",        COUNTER,
                                  "Connections cut because they missed a deadline."                          },
    [METRIC_CONNECTIONS_STRANGE] =
        {"connections_strange",    COUNTER,
                                  "Connections closed because they did not come from the proxy in front."    },
    [METRIC_COMMITS] = {"commits",                COUNTER, "Transactions on disk."                 },
    [METRIC_COMMIT_ENTRIES] = {"commit_entries",         COUNTER,
                                  "Entries that those transactions accepted."                                },
    [METRIC_OBSERVATIONS_CHARTED] = {"observations_charted",   COUNTER,
                                  "Observations the server has."                                             },
    [METRIC_OBSERVATIONS_HELD] = {"observations_held",      COUNTER,
                                  "Observations stopped for a person."                                       },
    [METRIC_DELIVERY_ATTEMPTS] = {"delivery_attempts",      COUNTER,
                                  "Observations sent, each time counted."                                    },
    [METRIC_DELIVERY_LOST_ANSWERS] = {"delivery_lost_answers",  COUNTER,
                                  "Requests that went out and got no answer."                                },
    [METRIC_DELIVERY_LOOK_UPS] = {"delivery_look_ups",      COUNTER,
                                  "Searches whether something is there already."                             },
    [METRIC_DELIVERY_RETRIES] = {"delivery_retries",       COUNTER,
                                  "Times the server was found to be away."                                   },
    [METRIC_DUPLICATES_SEEN] = {"duplicates_seen",        COUNTER,
                                  "Observations that the server has more than once."                         },
    [METRIC_WAITING] = {"waiting",                GAUGE,   "Entries on disk and not in the chart." },
    [METRIC_HELD] = {"held",                   GAUGE,   "Entries stopped for a person."         },
    [METRIC_OLDEST_WAITING_SECONDS] = {"oldest_waiting_seconds", GAUGE,
                                  "Age of the oldest waiting entry."                                         },
    [METRIC_DESTINATION_UP] = {"destination_up",         GAUGE,   "1 when the server answers."            },
    [METRIC_KINDS_KEPT_BYTES] = {"kinds_kept_bytes",       GAUGE,   "Memory of packed kind tables."         },
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

#define ROW_ROOM 400U /* no row is as long: tests/base/test_metrics.c */

static size_t put_row(char *out, const struct row *row, int64_t value)
{
    const bool counts = row->type == COUNTER;
    int length = snprintf(
        out, ROW_ROOM, "# TYPE wardpost_%s %s\n# HELP wardpost_%s %s\nwardpost_%s%s %" PRId64 "\n",
        row->name, counts ? "counter" : "gauge", row->name, row->help, row->name,
        counts ? "_total" : "", value);

    return length > 0 && length < (int)ROW_ROOM ? (size_t)length : 0;
}

/* OpenMetrics 1.0: a counter's sample has the ending _total, its family has not; "# EOF" is the
 * last line. */
char *metrics_text(void)
{
    static const char end[] = "# EOF\n";
    char *text = malloc((size_t)METRIC_COUNT * ROW_ROOM + sizeof(end));
    size_t used = 0;

    if (!text)
        return NULL;
    for (size_t i = 0; i < METRIC_COUNT; i++)
        used += put_row(text + used, &rows[i], metric_get((enum metric)i));
    memcpy(text + used, end, sizeof(end));
    return text;
}
