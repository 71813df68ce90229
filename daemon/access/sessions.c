/* sessions.c - see wardpost/sessions.h. A table of fixed size, looked through whole: a ward has
 * tens of sessions, and nothing can make it grow. */
#include <pthread.h>
#include <sodium.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

#include "wardpost/access.h"
#include "wardpost/sessions.h"

struct slot { /* {0}: nobody's */
    bool taken, locked;
    uint8_t hash[TOKEN_HASH_BYTES]; /* of the id */
    char name[USER_NAME_ROOM];
    uint64_t stamp;
    char csrf[SESSION_TEXT_ROOM];
    char second[PRACTITIONER_ROOM];
    int64_t opened_ms, active_ms, vouched_ms;
};

struct sessions {
    pthread_mutex_t lock; /* guards the slots */
    struct sessions_options options;
    struct slot slots[];
};

enum status sessions_new(const struct sessions_options *options, struct sessions **out)
{
    struct sessions *sessions =
        calloc(1, sizeof(*sessions) + options->most * sizeof(sessions->slots[0]));

    if (!sessions)
        return STATUS_NO_MEMORY;
    pthread_mutex_init(&sessions->lock, NULL);
    sessions->options = *options;
    *out = sessions;
    return STATUS_OK;
}

void sessions_free(struct sessions *sessions)
{
    if (!sessions)
        return;
    pthread_mutex_destroy(&sessions->lock);
    sodium_memzero(sessions->slots, sessions->options.most * sizeof(sessions->slots[0]));
    free(sessions);
}

static void random_text(char out[SESSION_TEXT_ROOM])
{
    unsigned char bytes[32];

    randombytes_buf(bytes, sizeof(bytes));
    sodium_bin2base64(out, SESSION_TEXT_ROOM, bytes, sizeof(bytes),
                      sodium_base64_VARIANT_URLSAFE_NO_PADDING);
    sodium_memzero(bytes, sizeof(bytes));
}

/* ---- under the lock ---- */

static void drop(struct slot *slot)
{
    sodium_memzero(slot, sizeof(*slot));
}

/* Time does its work before anything else is looked at. */
static void pass_time(struct sessions *sessions, int64_t now_ms)
{
    for (size_t i = 0; i < sessions->options.most; i++) {
        struct slot *slot = &sessions->slots[i];

        if (slot->taken && now_ms - slot->opened_ms >= sessions->options.longest_ms)
            drop(slot);
        else if (slot->taken && now_ms - slot->active_ms >= sessions->options.idle_ms)
            slot->locked = true;
    }
}

static struct slot *find(struct sessions *sessions, const char *id)
{
    struct slot *found = NULL;
    uint8_t hash[TOKEN_HASH_BYTES];

    token_hash(id, strlen(id), hash);
    for (size_t i = 0; i < sessions->options.most; i++)
        if (sessions->slots[i].taken &&
            sodium_memcmp(sessions->slots[i].hash, hash, sizeof(hash)) == 0)
            found = &sessions->slots[i];
    return found;
}

static bool is_theirs(const struct slot *slot, const char *name)
{
    return slot->taken && strcasecmp(slot->name, name) == 0;
}

/* The one that was idle longest: of `name`, or of all. */
static struct slot *idlest(struct sessions *sessions, const char *name)
{
    struct slot *found = NULL;

    for (size_t i = 0; i < sessions->options.most; i++) {
        struct slot *slot = &sessions->slots[i];

        if (slot->taken && (!name || is_theirs(slot, name)) &&
            (!found || slot->active_ms < found->active_ms))
            found = slot;
    }
    return found;
}

/* Whoever opens one more than they may loses the one they left alone longest; a full table loses
 * the one that anybody left alone longest. Nobody is kept from signing in. */
static struct slot *make_room(struct sessions *sessions, const char *name)
{
    struct slot *free_one = NULL;
    size_t theirs = 0;

    for (size_t i = 0; i < sessions->options.most; i++) {
        theirs += is_theirs(&sessions->slots[i], name);
        if (!sessions->slots[i].taken)
            free_one = &sessions->slots[i];
    }
    if (theirs >= sessions->options.user_most)
        return idlest(sessions, name);
    return free_one ? free_one : idlest(sessions, NULL);
}

/* ---- the calls ---- */

void sessions_open(struct sessions *sessions, const struct user *user, int64_t now_ms,
                   char id[SESSION_TEXT_ROOM])
{
    struct slot *slot;

    random_text(id);
    pthread_mutex_lock(&sessions->lock);
    pass_time(sessions, now_ms);
    slot = make_room(sessions, user->name);
    *slot = (struct slot){
        .taken = true, .stamp = user->stamp, .opened_ms = now_ms, .active_ms = now_ms};
    token_hash(id, strlen(id), slot->hash);
    memcpy(slot->name, user->name, sizeof(slot->name));
    random_text(slot->csrf);
    pthread_mutex_unlock(&sessions->lock);
}

enum session_state sessions_look(struct sessions *sessions, const char *id, bool active,
                                 int64_t now_ms, struct session *out)
{
    struct slot *slot;

    *out = (struct session){0};
    pthread_mutex_lock(&sessions->lock);
    pass_time(sessions, now_ms);
    slot = find(sessions, id);
    if (slot) {
        if (active && !slot->locked)
            slot->active_ms = now_ms;
        out->state = slot->locked ? SESSION_LOCKED : SESSION_OPEN;
        memcpy(out->name, slot->name, sizeof(out->name));
        memcpy(out->csrf, slot->csrf, sizeof(out->csrf));
        if (now_ms - slot->vouched_ms < sessions->options.vouched_ms)
            memcpy(out->second, slot->second, sizeof(out->second));
        out->stamp = slot->stamp;
        out->ends_in_ms = slot->opened_ms + sessions->options.longest_ms - now_ms;
    }
    pthread_mutex_unlock(&sessions->lock);
    return out->state;
}

enum session_state sessions_judge(struct sessions *sessions, struct users *users, const char *id,
                                  bool active, int64_t now_ms, struct session *out,
                                  struct user *user)
{
    *user = (struct user){0};
    if (sessions_look(sessions, id, active, now_ms, out) == SESSION_NONE)
        return SESSION_NONE;
    if (users_find(users, out->name, now_ms, user) && user->stamp == out->stamp)
        return out->state;
    sessions_end(sessions, id);
    *user = (struct user){0};
    *out = (struct session){0};
    return SESSION_NONE;
}

void sessions_lock(struct sessions *sessions, const char *id)
{
    struct slot *slot;

    pthread_mutex_lock(&sessions->lock);
    slot = find(sessions, id);
    if (slot)
        slot->locked = true;
    pthread_mutex_unlock(&sessions->lock);
}

bool sessions_unlock(struct sessions *sessions, const char *id, const struct user *user,
                     int64_t now_ms)
{
    struct slot *slot;
    bool is_there;

    pthread_mutex_lock(&sessions->lock);
    pass_time(sessions, now_ms);
    slot = find(sessions, id);
    is_there = slot && is_theirs(slot, user->name);
    if (is_there) {
        slot->locked = false;
        slot->active_ms = now_ms;
        slot->stamp = user->stamp;
    }
    pthread_mutex_unlock(&sessions->lock);
    return is_there;
}

void sessions_vouch(struct sessions *sessions, const char *id, const struct user *second,
                    int64_t now_ms)
{
    struct slot *slot;

    pthread_mutex_lock(&sessions->lock);
    slot = find(sessions, id);
    if (slot) {
        memcpy(slot->second, second->practitioner, sizeof(slot->second));
        slot->vouched_ms = now_ms;
    }
    pthread_mutex_unlock(&sessions->lock);
}

void sessions_end(struct sessions *sessions, const char *id)
{
    struct slot *slot;

    pthread_mutex_lock(&sessions->lock);
    slot = find(sessions, id);
    if (slot)
        drop(slot);
    pthread_mutex_unlock(&sessions->lock);
}
