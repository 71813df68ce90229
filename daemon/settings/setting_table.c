/* setting_table.c - every setting: its bounds, its default and what it does. The sample file in
 * deploy/ and the man page are compared with this table by a repo test. */
#include "wardpost/settings.h"

#define AT(member) offsetof(struct settings, member)
#define KI         ((int64_t)1 << 10)
#define MI         ((int64_t)1 << 20)
#define GI         ((int64_t)1 << 30)
#define SECOND     ((int64_t)1000)
#define MINUTE     (60 * SECOND)
#define HOUR       (60 * MINUTE)

/* Keep the sections together; within one in the order people meet them. */
const struct setting setting_table[] = {
    {"intake",  "listen",             SET_TEXT,     "127.0.0.1:8642",                0,      0,           NULL,                       AT(listen),
     "address and port; anything but loopback needs TLS, which this version does not have yet"                                                                                                                     },
    {"intake",  "hosts",              SET_TEXT,     "",                              0,      0,           NULL,                       AT(hosts),
     "names that may stand in the Host header, beside the address itself and localhost"                                                                                                                            },
    {"intake",  "threads",            SET_NUMBER,   "2",                             1,      64,          NULL,                       AT(threads),            "threads that serve requests"                        },
    {"intake",  "connections_most",   SET_NUMBER,   "256",                           4,      10000,       NULL,                       AT(connections_most),
     "connections at once; more wait before the door"                                                                                                                                                              },
    {"intake",  "body_most",          SET_BYTES,    "1 Mi",                          KI,     64 * MI,     NULL,                       AT(body_most),
     "largest request body, also after unpacking"                                                                                                                                                                  },
    {"intake",  "ndjson_most",        SET_BYTES,    "16 Mi",                         KI,     GI,          NULL,                       AT(ndjson_most),
     "largest body of application/x-ndjson"                                                                                                                                                                        },
    {"intake",  "readings_most",      SET_NUMBER,   "100",                           1,      1000,        NULL,                       AT(readings_most),
     "readings in one set"                                                                                                                                                                                         },
    {"intake",  "headers_deadline",   SET_DURATION, "15 s",                          SECOND, HOUR,        NULL,
     AT(headers_deadline_ms),                                                                                                                                 "a new connection must have sent its headers by then"},
    {"intake",  "body_deadline",      SET_DURATION, "60 s",                          SECOND, HOUR,        NULL,                       AT(body_deadline_ms),
     "a request must be here whole by then"                                                                                                                                                                        },
    {"intake",  "idle",               SET_DURATION, "75 s",                          SECOND, HOUR,        NULL,                       AT(idle_ms),
     "an idle connection is closed after that"                                                                                                                                                                     },
    {"intake",  "skew",               SET_DURATION, "2 min",                         0,      HOUR,        NULL,                       AT(skew_ms),
     "how far ahead of ours a sender's clock may be"                                                                                                                                                               },
    {"intake",  "age_ask",            SET_DURATION, "60 min",                        0,      8760 * HOUR, NULL,                       AT(age_ask_ms),
     "a reading taken longer ago is asked about; 0: never"                                                                                                                                                         },
    {"access",  "clients",            SET_TEXT,     "/etc/wardpost/clients.json",    0,      0,           NULL,                       AT(clients),
     "enrolled devices and scripts, with the hashes of their tokens"                                                                                                                                               },
    {"access",  "users",              SET_TEXT,     "/var/lib/wardpost/users.json",  0,      0,           NULL,                       AT(users),
     "people who sign in, with the hashes of their PINs"                                                                                                                                                           },
    {"access",  "idle_lock",          SET_DURATION, "5 min",                         SECOND, 12 * HOUR,   NULL,                       AT(idle_lock_ms),
     "whoever is signed in and does nothing for so long is asked for the PIN again"                                                                                                                                },
    {"access",  "session_most",       SET_DURATION, "12 h",                          SECOND, 24 * HOUR,   NULL,                       AT(session_most_ms),
     "after so long everybody signs in anew"                                                                                                                                                                       },
    {"access",  "pin_least",          SET_NUMBER,   "4",                             4,      12,          NULL,                       AT(pin_least),
     "digits that a PIN has at least"                                                                                                                                                                              },
    {"store",   "path",               SET_TEXT,     "/var/lib/wardpost/wardpost.db", 0,      0,           NULL,                       AT(store),
     "the file that keeps every reading"                                                                                                                                                                           },
    {"store",   "room_least",         SET_BYTES,    "64 Mi",                         0,      1024 * GI,   NULL,                       AT(room_least),
     "with less room on the disk nothing is taken any more"                                                                                                                                                        },
    {"mapping", "table",              SET_TEXT,     "",                              0,      0,           NULL,                       AT(mappings),
     "folder of the kind table; empty: beside the program, else where it was installed"                                                                                                                            },
    {"mapping", "units",              SET_CHOICE,   "canonical",                     0,      0,           "canonical as-entered",     AT(units),
     "unit an Observation carries: the kind's own, or the one entered where the profile takes it"                                                                                                                  },
    {"courier", "server",             SET_TEXT,     "",                              0,      0,           NULL,                       AT(server),
     "base URL of the FHIR server; empty: readings stay and /fhir shows them"                                                                                                                                      },
    {"courier", "way",                SET_CHOICE,   "auto",                          0,      0,
     "auto update-as-create conditional-create search-first",                                                                         AT(way),
     "how an Observation is created once; auto: by what the server says it can"                                                                                                                                    },
    {"courier", "batch_most",         SET_NUMBER,   "100",                           1,      1000,        NULL,                       AT(batch_most),
     "Observations in one Bundle; 1: no Bundles"                                                                                                                                                                   },
    {"courier", "transfers_most",     SET_NUMBER,   "8",                             1,      64,          NULL,                       AT(transfers_most),
     "single requests at once, where there are no Bundles"                                                                                                                                                         },
    {"courier", "request_timeout",    SET_DURATION, "30 s",                          SECOND, HOUR,        NULL,                       AT(request_timeout_ms),
     "an answer must be here by then; after a lost one we wait so long before looking"                                                                                                                             },
    {"courier", "connect_timeout",    SET_DURATION, "10 s",                          100,    HOUR,        NULL,                       AT(connect_timeout_ms),
     "a connection must stand by then"                                                                                                                                                                             },
    {"courier", "retry_first",        SET_DURATION, "2 s",                           10,     HOUR,        NULL,                       AT(retry_first_ms),
     "first wait after a failure; doubles, with full jitter"                                                                                                                                                       },
    {"courier", "retry_most",         SET_DURATION, "5 min",                         100,    24 * HOUR,   NULL,                       AT(retry_most_ms),
     "longest wait between two tries"                                                                                                                                                                              },
    {"courier", "server_error_tries", SET_NUMBER,   "5",                             1,      1000,        NULL,                       AT(server_error_tries),
     "a reading that alone gets a server error so often is held"                                                                                                                                                   },
    {"courier", "drain",              SET_DURATION, "10 s",                          0,      HOUR,        NULL,                       AT(drain_ms),
     "at the end requests in flight may take so long"                                                                                                                                                              },
    {"log",     "level",              SET_CHOICE,   "info",                          0,      0,           "error warning info debug", AT(log_level),
     "what is logged"                                                                                                                                                                                              },
};

const size_t setting_count = sizeof(setting_table) / sizeof(setting_table[0]);
