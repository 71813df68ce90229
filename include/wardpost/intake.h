/* intake.h - the HTTP interface: takes readings in, answers questions; libmicrohttpd with a small pool of threads.
 *
 * A request that changes something is answered after the COMMIT: its connection is suspended meanwhile. */
#ifndef WARDPOST_INTAKE_H
#define WARDPOST_INTAKE_H

#include "wardpost/access.h"
#include "wardpost/courier.h"
#include "wardpost/kind.h"
#include "wardpost/outbox.h"
#include "wardpost/settings.h"
#include "wardpost/users.h"

struct intake;

struct intake_parts { /* all borrowed; they must outlive the intake */
    const struct settings *settings;
    struct outbox *outbox;
    struct courier *courier;
    struct access *access;
    struct users *users;
};

/* Listens from here on. `kinds` is held by a reference of the intake's own. */
MUST_CHECK enum status intake_start(const struct intake_parts *parts, struct kinds *kinds, struct intake **out);
/* The port it listens on (when the settings said 0). */
uint16_t intake_port(const struct intake *intake);
/* Reads certificate and key, as intake_start() will: OK (with `why` not empty: fine, but a person should hear that),
 * INVALID with why, NO_MEMORY. Without TLS: OK. */
MUST_CHECK enum status intake_check(const struct settings *settings, char why[200]);
/* The certificate and its key anew, for connections from now on; a broken pair keeps the old one and says so in the log. */
void intake_reload_certificate(struct intake *intake);
/* Another kind table from now on; requests under way keep theirs. */
void intake_use_kinds(struct intake *intake, struct kinds *kinds);
/* Takes no more, lets what is under way finish (bounded), stops. NULL does nothing. */
void intake_stop(struct intake *intake);

#endif
