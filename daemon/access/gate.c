/* gate.c - how often a wrong PIN may be tried. Pure: no clock, no lock. */
#include "access/access_private.h"

/* A PIN of four digits has 10,000 forms: with these, four an hour are left to whoever guesses on.
 */
#define FREE_TRIES 5
static const int64_t delays_s[] = {30, 60, 120, 240, 480, 900};
#define DELAYS (sizeof(delays_s) / sizeof(delays_s[0]))

unsigned gate_wait_s(const struct gate *gate, int64_t now_ms)
{
    if (now_ms >= gate->shut_until_ms)
        return 0;
    return (unsigned)((gate->shut_until_ms - now_ms + 999) / 1000);
}

void gate_charge(struct gate *gate, int64_t now_ms)
{
    if (gate->tries < FREE_TRIES + DELAYS - 1)
        gate->tries++;
    if (gate->tries >= FREE_TRIES)
        gate->shut_until_ms = now_ms + 1000 * delays_s[gate->tries - FREE_TRIES];
}
