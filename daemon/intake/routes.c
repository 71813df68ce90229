/* routes.c - every address of the interface: who may, what it takes, what does it. A repo test
 * compares this table with /openapi.json. Documents that are built in stand beside it (web.h). */
#include <string.h>

#include "intake/answers.h"
#include "intake/exchange.h"
#include "wardpost/web.h"

#define JSON "application/json"
#define FORM "application/x-www-form-urlencoded"
#define LIST "application/x-ndjson text/csv"

/* Keep alphabetical by path, GET before POST. */
const struct route route_table[] = {
    {"GET",  "/fhir/Observation",         RIGHT_READ,   NULL, answer_fhir_observations},
    {"POST", "/fhir/Observation/_search", RIGHT_READ,   FORM, answer_fhir_observations},
    {"GET",  "/fhir/Observation/{id}",    RIGHT_READ,   NULL, answer_fhir_observation },
    {"GET",  "/fhir/Patient",             RIGHT_READ,   NULL, answer_fhir_patients    },
    {"POST", "/fhir/Patient/_search",     RIGHT_READ,   FORM, answer_fhir_patients    },
    {"GET",  "/fhir/Patient/{id}",        RIGHT_READ,   NULL, answer_fhir_patient     },
    {"GET",  "/fhir/metadata",            RIGHT_NONE,   NULL, answer_fhir_metadata    },
    {"GET",  "/health/live",              RIGHT_NONE,   NULL, answer_live             },
    {"GET",  "/health/ready",             RIGHT_NONE,   NULL, answer_ready            },
    {"GET",  "/metrics",                  RIGHT_NONE,   NULL, answer_metrics          },
    {"GET",  "/openapi.json",             RIGHT_NONE,   NULL, answer_page             },
    {"GET",  "/v1/events",                RIGHT_READ,   NULL, answer_events           },
    {"GET",  "/v1/kinds",                 RIGHT_NONE,   NULL, answer_kinds            },
    {"POST", "/v1/patients",              RIGHT_DECIDE, LIST, take_patients           },
    {"POST", "/v1/patients/_order",       RIGHT_SEND,   JSON, take_order              },
    {"POST", "/v1/patients/_search",      RIGHT_READ,   JSON, answer_patients         },
    {"POST", "/v1/presence",              RIGHT_SEND,   JSON, take_presence           },
    {"POST", "/v1/preview",               RIGHT_SEND,   JSON, take_preview            },
    {"POST", "/v1/readings",              RIGHT_SEND,   JSON, take_readings           },
    {"POST", "/v1/readings/_search",      RIGHT_READ,   JSON, answer_readings         },
    {"GET",  "/v1/readings/{id}",         RIGHT_READ,   NULL, answer_reading          },
    {"POST", "/v1/readings/{id}/corrections", RIGHT_SEND, JSON, take_correction},
    {"POST", "/v1/readings/{id}/discard", RIGHT_DECIDE, JSON, take_discard            },
    {"POST", "/v1/readings/{id}/release", RIGHT_DECIDE, JSON, take_release            },
    {"GET",  "/v1/refusals",              RIGHT_READ,   NULL, answer_refusals         },
    {"POST", "/v1/refusals/_done",        RIGHT_DECIDE, JSON, take_refusal_done       },
    {"POST", "/v1/round/_search",         RIGHT_READ,   JSON, answer_round            },
    {"GET",  "/v1/session",               RIGHT_NONE,   NULL, answer_session          },
    {"POST", "/v1/session",               RIGHT_NONE,   JSON, take_sign_in            },
    {"POST", "/v1/session/_end",          RIGHT_NONE,   NULL, take_session_end        },
    {"POST", "/v1/session/_enrol",        RIGHT_NONE,   JSON, take_enrol              },
    {"POST", "/v1/session/_lock",         RIGHT_NONE,   NULL, take_session_lock       },
    {"POST", "/v1/session/_pin",          RIGHT_NONE,   JSON, take_session_pin        },
    {"POST", "/v1/session/_second",       RIGHT_SEND,   JSON, take_session_second     },
    {"POST", "/v1/session/_unlock",       RIGHT_NONE,   JSON, take_session_unlock     },
    {"GET",  "/v1/status",                RIGHT_READ,   NULL, answer_status           },
    {"GET",  "/v1/users",                 RIGHT_PEOPLE, NULL, answer_users            },
    {"POST", "/v1/users",                 RIGHT_PEOPLE, JSON, take_users              },
    {"POST", "/v1/users/_change",         RIGHT_PEOPLE, JSON, take_users_change       },
    {"POST", "/v1/users/_reset",          RIGHT_PEOPLE, JSON, take_users_reset        },
};

const size_t route_count = sizeof(route_table) / sizeof(route_table[0]);

static const struct route page_route = {"GET", "", RIGHT_NONE, NULL, answer_page};

/* "{id}" stands for a UUID. */
static bool path_fits(const char *pattern, const char *path, struct uuid *id)
{
    const char *hole = strstr(pattern, "{id}");
    size_t before = hole ? (size_t)(hole - pattern) : 0;
    size_t after;

    if (!hole)
        return strcmp(pattern, path) == 0;
    if (strncmp(pattern, path, before) != 0)
        return false;
    after = strcspn(path + before, "/");
    return uuid_parse(path + before, after, id) &&
           strcmp(path + before + after, hole + strlen("{id}")) == 0;
}

const struct route *route_find(const char *method, const char *path, struct uuid *id,
                               const char **allow)
{
    *allow = NULL;
    for (size_t i = 0; i < route_count; i++) {
        if (!path_fits(route_table[i].path, path, id))
            continue;
        if (strcmp(route_table[i].method, method) == 0)
            return &route_table[i];
        *allow = strcmp(route_table[i].method, "GET") == 0 ? "GET, HEAD" : route_table[i].method;
    }
    if (!*allow && web_find(path)) {
        if (strcmp(method, "GET") == 0)
            return &page_route;
        *allow = "GET, HEAD";
    }
    return NULL;
}
