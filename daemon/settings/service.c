/* service.c - see wardpost/service.h. */
#include <dlfcn.h>
#include <inttypes.h>
#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>

#include "wardpost/moment.h"
#include "wardpost/service.h"

typedef int sd_notify_function(int unset_environment, const char *state);
typedef int sd_watchdog_function(int unset_environment, uint64_t *usec);

static void
    *libsystemd; /* loaded once, by the main thread, at the first word to the service manager */

static void *function(const char *name)
{
    if (!getenv("NOTIFY_SOCKET"))
        return NULL;
    if (!libsystemd)
        libsystemd = dlopen("libsystemd.so.0", RTLD_LAZY | RTLD_LOCAL);
    return libsystemd ? dlsym(libsystemd, name) : NULL;
}

void service_notify(const char *state)
{
    void *found = function("sd_notify");
    sd_notify_function *notify;

    if (!found)
        return;
    *(void **)&notify = found; /* POSIX's way to turn dlsym's answer into a function */
    notify(0, state);
}

void service_notify_reloading(void)
{
    char state[80];

    (void)snprintf(state, sizeof(state), "RELOADING=1\nMONOTONIC_USEC=%" PRId64,
                   clock_monotonic_us());
    service_notify(state);
}

int64_t service_watchdog_ms(void)
{
    void *found = function("sd_watchdog_enabled");
    sd_watchdog_function *enabled;
    uint64_t usec = 0;

    if (!found)
        return 0;
    *(void **)&enabled = found;
    return enabled(0, &usec) > 0 ? (int64_t)(usec / 1000) : 0;
}
