/* tls.h - the certificate we show, with its key: read at start, read again on SIGHUP. */
#ifndef WARDPOST_INTAKE_TLS_H
#define WARDPOST_INTAKE_TLS_H

#include <gnutls/abstract.h>

#include "wardpost/settings.h"

#define CERTIFICATE_WHY 200

/* What GnuTLS takes from our peers, and in which order (its manual, "Priority strings"): 1.2 at
 * least, and no key exchange that a key stolen later would open. */
#define TLS_PRIORITIES "SECURE128:-VERS-ALL:+VERS-TLS1.3:+VERS-TLS1.2:-RSA"

struct certificate; /* a chain, leaf first, and its key */

/* OK with `why` not empty: it may be used, and a person should hear that of it (it has expired, or
 * will soon). INVALID: `why` names the file and says what is wrong. NO_MEMORY. */
MUST_CHECK enum status certificate_read(const struct settings *settings, struct certificate **out,
                                        char why[CERTIFICATE_WHY]);
void certificate_free(struct certificate *certificate);

/* Handshakes from now on show this one, which is taken over; NULL: none. Those under way keep what
 * they were given. [any] */
void certificate_use(struct certificate *certificate);

/* GnuTLS asks for what to show in one handshake. */
gnutls_certificate_retrieve_function3 certificate_show;

#endif
