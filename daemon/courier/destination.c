/* destination.c - how the server is: what it can, whether it is away, on which readings it chokes.
 */
#include <sodium.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "courier/courier_private.h"
#include "wardpost/log.h"
#include "wardpost/metrics.h"
#include "wardpost/moment.h"

#define STATEMENT_MOST \
    ((size_t)8 << 20) /* CapabilityStatements of large servers run to megabytes */

uint32_t chance(void)
{
    return randombytes_random();
}

const char *destination_state_text(enum destination_state state)
{
    static const char *const texts[] = {[DESTINATION_NONE] = "none",
                                        [DESTINATION_STARTING] = "starting",
                                        [DESTINATION_UP] = "up",
                                        [DESTINATION_AWAY] = "away",
                                        [DESTINATION_PAUSED] = "paused"};

    return texts[state];
}

static void set_state(struct courier *courier, enum destination_state state, const char *why,
                      int64_t next_try_ms)
{
    bool changed;

    pthread_mutex_lock(&courier->lock);
    changed = courier->status.state != state;
    if (changed)
        courier->status.since_ms = clock_wall_ms();
    courier->status.state = state;
    courier->status.next_try_ms = next_try_ms;
    courier->status.batches = courier->destination.batches;
    (void)snprintf(courier->status.why, sizeof(courier->status.why), "%s", why);
    (void)snprintf(courier->status.way, sizeof(courier->status.way), "%s",
                   way_text(courier->destination.way));
    pthread_mutex_unlock(&courier->lock);
    if (changed && state == DESTINATION_UP)
        log_line(LOG_LEVEL_INFO, "destination=up way=\"%s\" bundles=%s",
                 way_text(courier->destination.way), courier->destination.batches ? "yes" : "no");
    else if (changed)
        log_line(LOG_LEVEL_WARNING, "destination=%s why=\"%s\"", destination_state_text(state),
                 why);
}

void destination_up(struct courier *courier)
{
    struct destination *destination = &courier->destination;

    destination->failures = 0;
    if (destination->batch_now < courier->options.batch_most)
        destination->batch_now *= 2;
    if (destination->batch_now > courier->options.batch_most)
        destination->batch_now = courier->options.batch_most;
    set_state(courier, DESTINATION_UP, "", 0);
}

void destination_away(struct courier *courier, const char *why, int64_t after_ms)
{
    struct destination *destination = &courier->destination;
    int64_t wait = backoff_ms(&courier->options, destination->failures++, chance(), after_ms);

    destination->known = false;
    metric_add(METRIC_DELIVERY_RETRIES, 1);
    set_state(courier, DESTINATION_AWAY, why, clock_wall_ms() + wait);
}

void destination_pause(struct courier *courier, const char *why)
{
    courier->destination.known = false;
    set_state(courier, DESTINATION_PAUSED, why, clock_wall_ms() + courier->options.retry_most_ms);
}

/* ---- /metadata ---- */

static bool version_is_known(const char *version)
{
    static const char *const known[] = {
        "4.0.", "4.3.", "5.0."}; /* written and read alike for what we send (fhir-vitals 6.9) */

    for (size_t i = 0; i < sizeof(known) / sizeof(known[0]); i++)
        if (strncmp(version, known[i], strlen(known[i])) == 0)
            return true;
    return false;
}

static bool use_statement(struct courier *courier, const struct transfer *transfer)
{
    struct destination *destination = &courier->destination;
    struct abilities abilities;

    if (abilities_read(transfer->answer ? transfer->answer : "", transfer->answer_length,
                       &abilities) != STATUS_OK) {
        destination_pause(
            courier,
            "the answer of /metadata is no CapabilityStatement: is the address the FHIR base?");
        return false;
    }
    if (!version_is_known(abilities.fhir_version)) {
        destination_pause(courier,
                          "the server speaks another version of FHIR than 4.0, 4.3 or 5.0");
        return false;
    }
    destination->abilities = abilities;
    destination->way = way_choose(courier->options.way, &abilities);
    destination->batches =
        abilities.batch && courier->options.batch_most > 1 && destination->way != WAY_SEARCH_FIRST;
    destination->can_look = true;
    if (destination->batch_now == 0)
        destination->batch_now = courier->options.batch_most;
    destination->known = true;
    return true;
}

static bool judge_meeting(struct courier *courier, const struct transfer *transfer)
{
    char why[160];

    if (transfer->end != TRANSFER_ANSWERED) {
        destination_away(courier, transfer->why[0] ? transfer->why : "no answer", 0);
        return false;
    }
    if (transfer->status == 200)
        return use_statement(courier, transfer);
    (void)snprintf(why, sizeof(why), "/metadata answers %ld: %s", transfer->status,
                   answer_judge(transfer->status)->reason);
    if (transfer->status == 429 || transfer->status == 408 || transfer->status >= 500)
        destination_away(courier, why, transfer->retry_after_ms);
    else
        destination_pause(courier, why);
    return false;
}

bool destination_meet(struct courier *courier)
{
    char url[2100];
    struct transfer transfer = {.method = "GET", .url = url, .answer_most = STATEMENT_MOST};
    bool met;

    (void)snprintf(url, sizeof(url), "%s/metadata", courier->server);
    if (transfers_run(courier->pool, &transfer, 1, 1) != STATUS_OK) {
        destination_away(courier, "out of memory", 0);
        return false;
    }
    met = judge_meeting(courier, &transfer);
    transfer_clear(&transfer);
    if (!met)
        return false;
    choked_others_succeed(&courier->destination,
                          -1); /* it answers: what chokes it is the reading */
    set_state(courier, DESTINATION_UP, "", 0);
    return true;
}

/* ---- readings on which it chokes ---- */

struct choked *choked_find(struct destination *destination, int64_t seq)
{
    for (size_t i = 0; i < destination->choked_count; i++)
        if (destination->choked[i].seq == seq)
            return &destination->choked[i];
    return NULL;
}

/* When the list is full the oldest is forgotten: it is only counted anew. */
void choked_note(struct destination *destination, int64_t seq, unsigned errors)
{
    struct choked *known = choked_find(destination, seq);

    if (!known && destination->choked_count == CHOKED_MOST)
        choked_forget(destination, destination->choked[0].seq);
    if (!known) {
        known = &destination->choked[destination->choked_count++];
        *known = (struct choked){.seq = seq};
    }
    known->errors = errors;
}

void choked_forget(struct destination *destination, int64_t seq)
{
    struct choked *known = choked_find(destination, seq);

    if (!known)
        return;
    memmove(known, known + 1,
            (size_t)(&destination->choked[destination->choked_count] - (known + 1)) *
                sizeof(*known));
    destination->choked_count--;
}

void choked_others_succeed(struct destination *destination, int64_t but_seq)
{
    for (size_t i = 0; i < destination->choked_count; i++)
        if (destination->choked[i].seq != but_seq)
            destination->choked[i].others_succeed = true;
}
