/* service.h - the service manager's notification protocol (sd_notify(3)), through libsystemd when we run under one.
 * The library is loaded only then: nobody else pays for it in memory. */
#ifndef WARDPOST_SERVICE_H
#define WARDPOST_SERVICE_H

#include <stdint.h>

void service_notify(const char *state);  /* "READY=1"; nothing happens without a service manager */
void service_notify_reloading(void);     /* RELOADING=1 with the monotonic time it asks for */
int64_t service_watchdog_ms(void);       /* how often it wants to hear from us at most; 0: it does not */

#endif
