/* settings.h - what an administrator may set: one row each in daemon/settings/setting_table.c, with bounds.
 *
 * Read once at start from the file and the command line; immutable after that. The file is libConfuse's:
 * `section { name = value }`. An unknown name is an error that lists the known ones; nothing is fallen back to. */
#ifndef WARDPOST_SETTINGS_H
#define WARDPOST_SETTINGS_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "wardpost/status.h"

struct settings {
    /* intake */
    char *listen; /* "127.0.0.1:8642", "[::1]:8642" */
    char *hosts;  /* names that may stand in Host, beside the address we listen on; blank between */
    char *certificate, *key; /* PEM files; "" both: no TLS */
    char *proxy;  /* addresses of what ends TLS in front of us, blank between; "": nobody does */
    int64_t threads, connections_most, streams_most;
    int64_t body_most, ndjson_most, readings_most;
    int64_t headers_deadline_ms, body_deadline_ms, idle_ms;
    int64_t skew_ms, age_ask_ms;
    /* access */
    char *clients; /* file of enrolled devices and scripts */
    char *users;   /* file of the people who sign in */
    int64_t idle_lock_ms, session_most_ms, pin_least;
    /* store */
    char *store;
    int64_t room_least;
    /* mapping */
    char *mappings; /* folder of the kind table; "": beside the executable, else where it was installed */
    char *units;    /* canonical, as-entered */
    /* patients */
    char *patients_system;  /* of a number that names no system; "": none */
    char *patients_systems; /* more that it may be of, blank between */
    /* round */
    int64_t round_interval_ms, round_soon_ms;
    /* courier */
    char *server; /* "": none */
    char *way;    /* auto, update-as-create, conditional-create, search-first */
    int64_t batch_most, transfers_most;
    int64_t request_timeout_ms, connect_timeout_ms, retry_first_ms, retry_most_ms, server_error_tries;
    int64_t drain_ms;
    /* log */
    char *log_level; /* error, warning, info, debug */

    bool demo;       /* --demo: no token on loopback, invented data */
    bool check_only; /* --check */
    bool one_time_token; /* started without a configuration: print a token for the first client */
};

enum setting_type { SET_TEXT, SET_CHOICE, SET_NUMBER, SET_DURATION, SET_BYTES };

struct setting { /* keep in the order of the sections, as they are printed */
    const char *section, *name;
    enum setting_type type;
    const char *initial;   /* as it would stand in the file */
    int64_t least, most;   /* numbers, ms, bytes; for SET_CHOICE unused */
    const char *choices;   /* SET_CHOICE: words, blank between */
    size_t offset;         /* in struct settings */
    const char *about;
};

extern const struct setting setting_table[];
extern const size_t setting_count;

/* What the command line says: settings_load() reads it with getopt_long. Returns 0 to go on, else an exit code + 1
 * (help, version: 0 + 1; wrong use: EX_USAGE + 1). Messages go to standard error (help to standard output). */
int settings_load(int argc, char **argv, struct settings *settings);
void settings_clear(struct settings *settings);

/* All rows at their initial values. */
MUST_CHECK enum status settings_initial(struct settings *settings);
/* One file over them. false: `complain` got "file:line: what" for each fault. */
typedef void settings_complain(void *context, const char *line);
bool settings_read_file(const char *path, struct settings *settings, settings_complain *complain,
                        void *context);
/* One value as it would stand in the file; false with why (at most 200) when it is out of bounds or not of the type. */
bool setting_set(struct settings *settings, const struct setting *row, const char *value, char why[200]);
const struct setting *setting_find(const char *section, const char *name);

/* "127.0.0.1:8642" -> host and port; [] around IPv6. false: not so. */
bool address_split(const char *address, char host[128], uint16_t *port);
bool address_is_loopback(const char *host);
/* Addresses as text, blank between: are they all? Is this one (also as IPv6 writes an IPv4 one) among them? */
bool addresses_are_fine(const char *list);
struct sockaddr;
bool address_is_listed(const char *list, const struct sockaddr *address);

#endif
