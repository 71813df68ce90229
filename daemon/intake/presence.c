/* presence.c - see presence.h. A table that is walked: it is small, and asked a few times a minute.
 */
#include "intake/presence.h"

#include <string.h>

bool patient_hash_equal(const struct patient_hash *a, const struct patient_hash *b)
{
    return memcmp(a->bytes, b->bytes, sizeof(a->bytes)) == 0;
}

/* A person may have several sets open (two tabs), and each is told of the other. */
static bool is_same(const struct visit *a, const struct visit *b)
{
    return a->heard_ms != 0 && uuid_equal(&a->set, &b->set) && strcmp(a->who, b->who) == 0;
}

static struct visit *find(struct presence *presence, const struct visit *visit)
{
    for (size_t i = 0; i < PRESENCE_ROOM; i++)
        if (is_same(&presence->visits[i], visit))
            return &presence->visits[i];
    return NULL;
}

static bool is_of(const struct visit *visit, const char *who)
{
    return visit->heard_ms != 0 && strcmp(visit->who, who) == 0;
}

/* An empty place has been heard of at 0. Whoever has as many as they may loses the oldest. */
static struct visit *place_for(struct presence *presence, const struct visit *visit)
{
    struct visit *oldest = NULL, *theirs = NULL;
    size_t count = 0;

    for (size_t i = 0; i < PRESENCE_ROOM; i++) {
        struct visit *one = &presence->visits[i];

        if (!oldest || one->heard_ms < oldest->heard_ms)
            oldest = one;
        if (!is_of(one, visit->who))
            continue;
        count++;
        if (!theirs || one->heard_ms < theirs->heard_ms)
            theirs = one;
    }
    return count >= PRESENCE_OF_ONE ? theirs : oldest;
}

bool presence_note(struct presence *presence, const struct visit *visit, struct patient_hash *left)
{
    struct visit *place = find(presence, visit);
    bool begins = !place || !patient_hash_equal(&place->patient, &visit->patient);

    *left = (struct patient_hash){{0}};
    if (!begins) {
        place->heard_ms = visit->heard_ms;
        return false;
    }
    if (!place)
        place = place_for(presence, visit);
    if (place->heard_ms != 0)
        *left = place->patient;
    *place = *visit;
    return true;
}

bool presence_end(struct presence *presence, const struct visit *visit)
{
    struct visit *place = find(presence, visit);

    if (!place || !patient_hash_equal(&place->patient, &visit->patient))
        return false;
    *place = (struct visit){0};
    return true;
}

bool presence_expire(struct presence *presence, int64_t now_ms, struct patient_hash *left)
{
    struct visit *place;

    for (size_t i = 0; i < PRESENCE_ROOM; i++) {
        place = &presence->visits[i];
        if (place->heard_ms == 0 || now_ms - place->heard_ms < PRESENCE_MS)
            continue;
        *left = place->patient;
        *place = (struct visit){0};
        return true;
    }
    return false;
}

bool presence_is_empty(const struct presence *presence)
{
    for (size_t i = 0; i < PRESENCE_ROOM; i++)
        if (presence->visits[i].heard_ms != 0)
            return false;
    return true;
}

const struct visit *presence_next(const struct presence *presence,
                                  const struct patient_hash *patient, const struct visit *but,
                                  size_t *at)
{
    while (*at < PRESENCE_ROOM) {
        const struct visit *visit = &presence->visits[(*at)++];

        if (visit->heard_ms != 0 && patient_hash_equal(&visit->patient, patient) &&
            !(but && is_same(visit, but)))
            return visit;
    }
    return NULL;
}
