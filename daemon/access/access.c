/* access.c - the daemon's live view of the clients file: looked at again at most once a second,
 * swapped whole. */
#include <errno.h>
#include <pthread.h>
#include <sodium.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>
#include <sys/stat.h>

#include "access/access_private.h"
#include "wardpost/access.h"
#include "wardpost/log.h"
#include "wardpost/moment.h"

struct access {
    pthread_mutex_t lock; /* guards clients to told_why; the file is read outside of it */
    struct clients clients;
    struct stat seen; /* the file that was judged: taken or broken, until it changes */
    int64_t next_look_ms;
    struct stat told; /* the file that was last complained of, and why */
    enum status told_why;
    char *path;
    bool demo;
    bool has_first;
    struct client first;
};

static bool look_is_due(struct access *access, struct stat *seen)
{
    int64_t now = clock_monotonic_ms();
    bool due;

    pthread_mutex_lock(&access->lock);
    due = now >= access->next_look_ms;
    if (due)
        access->next_look_ms = now + 1000;
    *seen = access->seen;
    pthread_mutex_unlock(&access->lock);
    return due;
}

static void swap_clients(struct access *access, struct clients *clients, const struct stat *seen)
{
    struct clients old;

    pthread_mutex_lock(&access->lock);
    old = access->clients;
    access->clients = *clients;
    access->seen = *seen;
    access->told_why = STATUS_OK;
    pthread_mutex_unlock(&access->lock);
    clients_clear(&old);
}

/* A broken file is broken until it changes; one that could not be read is read again at the next
 * look. Either is said once. */
static void keep_clients(struct access *access, const struct stat *now, enum status status,
                         const char *why)
{
    bool is_news;

    pthread_mutex_lock(&access->lock);
    is_news = access->told_why != status || !private_file_is_same(&access->told, now);
    access->told = *now;
    access->told_why = status;
    if (status == STATUS_INVALID)
        access->seen = *now;
    pthread_mutex_unlock(&access->lock);
    if (is_news)
        log_line(LOG_LEVEL_ERROR, "clients file %s, the old one stays in force: %s%s%s",
                 status == STATUS_INVALID ? "is broken" : "cannot be read", status_text(status),
                 why[0] ? ": " : "", why);
}

static void look_again(struct access *access)
{
    struct stat seen, now = {0};
    struct clients clients;
    char why[200];
    enum status status;
    bool is_there;

    if (!look_is_due(access, &seen))
        return;
    is_there = stat(access->path, &now) == 0;
    if (is_there && private_file_is_same(&seen, &now))
        return;
    if (!is_there && errno == ENOENT && seen.st_ino == 0)
        return; /* there was none and there is none */
    status = clients_read(access->path, &clients, why);
    if (status != STATUS_OK && status != STATUS_NOT_FOUND) {
        keep_clients(access, &now, status, why);
        return;
    }
    log_line(LOG_LEVEL_INFO, "clients=%zu file read", clients.count);
    swap_clients(access, &clients, &now);
}

static void look_now(struct access *access)
{
    pthread_mutex_lock(&access->lock);
    access->next_look_ms = 0;
    pthread_mutex_unlock(&access->lock);
    look_again(access);
}

static struct client everybody(const char *name)
{
    struct client client = {.rights = RIGHT_SEND | RIGHT_READ | RIGHT_DECIDE,
                            .attended = true,
                            .any_practitioner = true};

    memcpy(client.name, name, strlen(name) + 1);
    return client;
}

enum status access_start(const struct access_options *options, struct access **out)
{
    struct access *access = calloc(1, sizeof(*access));

    if (!access || !(access->path = strdup(options->path))) {
        free(access);
        return STATUS_NO_MEMORY;
    }
    pthread_mutex_init(&access->lock, NULL);
    access->demo = options->demo;
    if (options->first) {
        access->has_first = true;
        access->first = everybody("first");
        token_hash(options->first, strlen(options->first), access->first.hash);
    }
    look_again(access);
    *out = access;
    return STATUS_OK;
}

void access_stop(struct access *access)
{
    if (!access)
        return;
    clients_clear(&access->clients);
    pthread_mutex_destroy(&access->lock);
    free(access->path);
    free(access);
}

/* Every client is compared, in constant time each, so that timing tells nothing about which one is
 * near. */
static bool find_by_hash(struct access *access, const uint8_t hash[TOKEN_HASH_BYTES],
                         struct client *out)
{
    bool found = false;

    if (access->has_first && sodium_memcmp(access->first.hash, hash, TOKEN_HASH_BYTES) == 0) {
        *out = access->first;
        found = true;
    }
    pthread_mutex_lock(&access->lock);
    for (size_t i = 0; i < access->clients.count; i++)
        if (sodium_memcmp(access->clients.items[i].hash, hash, TOKEN_HASH_BYTES) == 0) {
            *out = access->clients.items[i];
            found = true;
        }
    pthread_mutex_unlock(&access->lock);
    return found;
}

bool access_caller(struct access *access, const char *authorization, struct client *out)
{
    uint8_t hash[TOKEN_HASH_BYTES];

    if (!authorization) {
        if (access->demo)
            *out = everybody("demo");
        return access->demo;
    }
    if (strncasecmp(authorization, "Bearer ", 7) != 0)
        return false;
    authorization += 7;
    authorization += strspn(authorization, " ");
    token_hash(authorization, strlen(authorization), hash);
    look_again(access);
    if (find_by_hash(access, hash, out))
        return true;
    look_now(access); /* it may have been enrolled a moment ago */
    return find_by_hash(access, hash, out);
}

bool client_may(const struct client *client, enum right right)
{
    return right == RIGHT_NONE || (client->rights & (unsigned)right) != 0;
}

bool client_may_name(const struct client *client, const char *practitioner)
{
    if (client->any_practitioner)
        return true;
    for (size_t i = 0; i < client->practitioners_count; i++)
        if (strcmp(client->practitioners[i], practitioner) == 0)
            return true;
    return false;
}
