/* routes.c - every address: who may, what it takes, what does it. A repo test compares this table
 * with /openapi.json. */
#include <string.h>

#include "intake/answers.h"
#include "intake/exchange.h"

#define JSON "application/json"
#define FORM "application/x-www-form-urlencoded"

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
    {"GET",  "/openapi.json",             RIGHT_NONE,   NULL, answer_openapi          },
    {"GET",  "/v1/kinds",                 RIGHT_NONE,   NULL, answer_kinds            },
    {"POST", "/v1/preview",               RIGHT_SEND,   JSON, take_preview            },
    {"POST", "/v1/readings",              RIGHT_SEND,   JSON, take_readings           },
    {"POST", "/v1/readings/_search",      RIGHT_READ,   JSON, answer_readings         },
    {"GET",  "/v1/readings/{id}",         RIGHT_READ,   NULL, answer_reading          },
    {"POST", "/v1/readings/{id}/corrections", RIGHT_SEND, JSON, take_correction},
    {"POST", "/v1/readings/{id}/discard", RIGHT_DECIDE, JSON, take_discard            },
    {"POST", "/v1/readings/{id}/release", RIGHT_DECIDE, JSON, take_release            },
    {"GET",  "/v1/refusals",              RIGHT_READ,   NULL, answer_refusals         },
    {"POST", "/v1/refusals/_done",        RIGHT_DECIDE, JSON, take_refusal_done       },
    {"GET",  "/v1/status",                RIGHT_READ,   NULL, answer_status           },
};

const size_t route_count = sizeof(route_table) / sizeof(route_table[0]);

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
    return NULL;
}
