/* users.c - the daemon's live view of the people who sign in, and how often each was wrong.
 *
 * Two locks: `hashing` around the work of a PIN, so that there is one at a time; `lock` around what
 * is kept, held for moments only. Neither is taken while the other is held. */
#include <ctype.h>
#include <errno.h>
#include <pthread.h>
#include <sodium.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>
#include <sys/stat.h>

#include "access/access_private.h"
#include "wardpost/log.h"
#include "wardpost/users.h"

/* Names that nobody has are locked like the others. They share so many gates by a keyed hash: what
 * is kept does not grow with guesses, and no guess can shut the gate of somebody who is there. Were
 * all of these shut, whoever is not told to wait would be somebody: to keep so many shut takes 73
 * tries a second (900 s each), and a tenth of a second goes into one. 1 MiB, touched as needed. */
#define STRANGERS 65536

struct users {
    pthread_mutex_t hashing;
    pthread_mutex_t lock; /* guards all below but what never changes: path to dummy */
    struct user_list list;
    struct gate *gates;     /* one for each of the list */
    bool in_order;          /* the file was read or is not there */
    struct stat seen, told; /* the file that was judged; that was last complained of */
    enum status told_why;
    int64_t next_look_ms;
    bool has_code;
    uint8_t code_hash[TOKEN_HASH_BYTES];
    struct gate strangers[STRANGERS];
    char *path;
    size_t pin_least;
    unsigned char key[crypto_shorthash_KEYBYTES];
    char dummy[PIN_HASH_ROOM];
};

/* ---- the file ---- */

/* Who has the same PIN as before keeps the count of wrong ones; a new PIN begins anew. */
static void keep_counts(const struct users *users, const struct user_list *list, struct gate *gates)
{
    for (size_t i = 0; i < list->count; i++) {
        const struct user *old = user_list_find(&users->list, list->items[i].name);

        if (old && strcmp(old->pin, list->items[i].pin) == 0)
            gates[i] = users->gates[old - users->list.items];
    }
}

static void swap_list(struct users *users, struct user_list *list, struct gate *gates,
                      const struct stat *seen)
{
    struct user_list old_list;
    struct gate *old_gates;

    pthread_mutex_lock(&users->lock);
    keep_counts(users, list, gates);
    old_list = users->list;
    old_gates = users->gates;
    users->list = *list;
    users->gates = gates;
    users->in_order = true;
    users->seen = *seen;
    users->told_why = STATUS_OK;
    pthread_mutex_unlock(&users->lock);
    log_line(LOG_LEVEL_INFO, "users=%zu file read", list->count);
    user_list_clear(&old_list);
    free(old_gates);
}

/* As with the clients: broken until it changes, read again where it could not be read; said once.
 */
static void keep_list(struct users *users, const struct stat *now, enum status status,
                      const char *why)
{
    bool is_news;

    pthread_mutex_lock(&users->lock);
    is_news = users->told_why != status || !private_file_is_same(&users->told, now);
    users->told = *now;
    users->told_why = status;
    users->in_order = false;
    if (status == STATUS_INVALID)
        users->seen = *now;
    pthread_mutex_unlock(&users->lock);
    if (is_news)
        log_line(LOG_LEVEL_ERROR, "users file %s, the old one stays in force: %s%s%s",
                 status == STATUS_INVALID ? "is broken" : "cannot be read", status_text(status),
                 why[0] ? ": " : "", why);
}

static void read_again(struct users *users, const struct stat *now)
{
    struct user_list list;
    struct gate *gates;
    char why[200];
    enum status status = user_list_read(users->path, &list, why);

    if (status != STATUS_OK && status != STATUS_NOT_FOUND) {
        keep_list(users, now, status, why);
        return;
    }
    gates = calloc(list.count + 1, sizeof(*gates));
    if (!gates) {
        user_list_clear(&list);
        keep_list(users, now, STATUS_NO_MEMORY, "");
        return;
    }
    swap_list(users, &list, gates, now);
}

void users_look(struct users *users, int64_t now_ms)
{
    struct stat seen, now = {0};
    bool is_there = stat(users->path, &now) == 0;
    bool is_none = !is_there && errno == ENOENT;

    pthread_mutex_lock(&users->lock);
    users->next_look_ms = now_ms + 1000;
    seen = users->seen;
    is_none = is_none && seen.st_ino == 0; /* there was none and there is none */
    if (is_none)
        users->in_order = true;
    pthread_mutex_unlock(&users->lock);
    if (!is_none && !(is_there && private_file_is_same(&seen, &now)))
        read_again(users, &now);
}

static void look_when_due(struct users *users, int64_t now_ms)
{
    bool due;

    pthread_mutex_lock(&users->lock);
    due = now_ms >= users->next_look_ms;
    pthread_mutex_unlock(&users->lock);
    if (due)
        users_look(users, now_ms);
}

enum status users_start(const struct users_options *options, int64_t now_ms, struct users **out)
{
    struct users *users = calloc(1, sizeof(*users));

    if (!users || !(users->path = strdup(options->path))) {
        free(users);
        return STATUS_NO_MEMORY;
    }
    pthread_mutex_init(&users->hashing, NULL);
    pthread_mutex_init(&users->lock, NULL);
    users->pin_least = options->pin_least;
    randombytes_buf(users->key, sizeof(users->key));
    pin_dummy(users->dummy);
    users_look(users, now_ms);
    *out = users;
    return STATUS_OK;
}

void users_stop(struct users *users)
{
    if (!users)
        return;
    user_list_clear(&users->list);
    free(users->gates);
    pthread_mutex_destroy(&users->hashing);
    pthread_mutex_destroy(&users->lock);
    free(users->path);
    sodium_memzero(users->code_hash, sizeof(users->code_hash));
    free(users);
}

/* The hash of the PIN is not given away; that it is another one can be seen. */
static void hide_pin(const struct users *users, struct user *user)
{
    unsigned char hash[crypto_shorthash_BYTES];

    crypto_shorthash(hash, (const unsigned char *)user->pin, strlen(user->pin), users->key);
    memcpy(&user->stamp, hash, sizeof(user->stamp));
    sodium_memzero(user->pin, sizeof(user->pin));
}

bool users_find(struct users *users, const char *name, int64_t now_ms, struct user *out)
{
    const struct user *user;
    bool found;

    look_when_due(users, now_ms);
    pthread_mutex_lock(&users->lock);
    user = user_list_find(&users->list, name);
    found = user && !user->disabled;
    if (found) {
        *out = *user;
        hide_pin(users, out);
    }
    pthread_mutex_unlock(&users->lock);
    return found;
}

/* Whatever the case: "n-4" for N-4 would be a second person who gave no PIN. */
bool users_has_practitioner(struct users *users, const char *practitioner)
{
    bool has = false;

    pthread_mutex_lock(&users->lock);
    for (size_t i = 0; i < users->list.count; i++)
        has = has || strcasecmp(users->list.items[i].practitioner, practitioner) == 0;
    pthread_mutex_unlock(&users->lock);
    return has;
}

enum status users_all(struct users *users, int64_t now_ms, struct user_list *out)
{
    struct user_list list = {0};
    enum status status = STATUS_OK;

    users_look(users, now_ms);
    pthread_mutex_lock(&users->lock);
    for (size_t i = 0; i < users->list.count && status == STATUS_OK; i++)
        if ((status = user_list_add(&list, &users->list.items[i])) == STATUS_OK)
            hide_pin(users, &list.items[i]);
    pthread_mutex_unlock(&users->lock);
    if (status == STATUS_OK)
        *out = list;
    else
        user_list_clear(&list);
    return status;
}

const char *users_path(const struct users *users)
{
    return users->path;
}

/* ---- signing in ---- */

/* Upper and lower case are one name, so they are one stranger, too. */
static struct gate *gate_of_stranger(struct users *users, const char *name)
{
    unsigned char folded[USER_NAME_ROOM], hash[crypto_shorthash_BYTES];
    size_t length = 0, slot;

    for (; name[length] && length < sizeof(folded); length++)
        folded[length] = (unsigned char)tolower((unsigned char)name[length]);
    crypto_shorthash(hash, folded, length, users->key);
    memcpy(&slot, hash, sizeof(slot));
    return &users->strangers[slot % STRANGERS];
}

/* Under the lock. `user` gets a copy of who has the name: an empty one with the dummy for PIN where
 * nobody has. */
static struct gate *find_gate(struct users *users, const char *name, struct user *user)
{
    const struct user *known = user_list_find(&users->list, name);

    *user = (struct user){0};
    if (known) {
        *user = *known;
        return &users->gates[known - users->list.items];
    }
    memcpy(user->pin, users->dummy, sizeof(user->pin));
    return gate_of_stranger(users, name);
}

static bool pass_gate(struct users *users, const char *name, int64_t now_ms, struct user *user,
                      struct gate *before, unsigned *wait_s)
{
    struct gate *gate;

    pthread_mutex_lock(&users->lock);
    gate = find_gate(users, name, user);
    *before = *gate;
    *wait_s = gate_wait_s(gate, now_ms);
    if (*wait_s == 0)
        gate_charge(gate, now_ms);
    pthread_mutex_unlock(&users->lock);
    return *wait_s == 0;
}

/* The try was charged before; now it is known what it was. Nothing where the PIN was changed in
 * between: the new one has a gate of its own. */
static unsigned settle_gate(struct users *users, const char *name, int64_t now_ms,
                            enum pin_answer answer, const struct user *tried,
                            const struct gate *before)
{
    struct user user;
    struct gate *gate;
    unsigned wait_s;

    pthread_mutex_lock(&users->lock);
    gate = find_gate(users, name, &user);
    if (strcmp(user.pin, tried->pin) == 0) {
        if (answer == PIN_RIGHT)
            *gate = (struct gate){0};
        else if (answer == PIN_UNKNOWN)
            *gate = *before;
    }
    wait_s = gate_wait_s(gate, now_ms);
    pthread_mutex_unlock(&users->lock);
    sodium_memzero(&user, sizeof(user));
    return wait_s;
}

/* As users_sign_in(), with the hash of the PIN in out->user. */
static enum status judge(struct users *users, const char *name, const char *pin, int64_t now_ms,
                         struct signed_in *out)
{
    struct user user;
    struct gate before;
    enum pin_answer answer;

    *out = (struct signed_in){.result = SIGN_IN_LOCKED};
    users_look(users, now_ms);
    if (pass_gate(users, name, now_ms, &user, &before, &out->wait_s)) {
        pthread_mutex_lock(&users->hashing);
        answer = pin_compare(pin, user.pin);
        pthread_mutex_unlock(&users->hashing);
        if (user.role == ROLE_NONE && answer == PIN_RIGHT)
            answer = PIN_WRONG; /* nobody, whatever the dummy says */
        out->wait_s = settle_gate(users, name, now_ms, answer, &user, &before);
        out->result = answer != PIN_RIGHT ? SIGN_IN_WRONG
                      : user.disabled     ? SIGN_IN_DISABLED
                                          : SIGN_IN_OK;
        if (answer == PIN_UNKNOWN) {
            sodium_memzero(&user, sizeof(user));
            return STATUS_NO_MEMORY;
        }
    }
    if (out->result == SIGN_IN_OK)
        out->user = user;
    sodium_memzero(&user, sizeof(user));
    return STATUS_OK;
}

enum status users_sign_in(struct users *users, const char *name, const char *pin, int64_t now_ms,
                          struct signed_in *out)
{
    enum status status = judge(users, name, pin, now_ms, out);

    hide_pin(users, &out->user);
    return status;
}

/* ---- changes ---- */

enum status users_hash(struct users *users, const char *pin, char hash[PIN_HASH_ROOM])
{
    enum status status;

    pthread_mutex_lock(&users->hashing);
    status = pin_hash(pin, hash);
    pthread_mutex_unlock(&users->hashing);
    return status;
}

struct fresh_pin {
    const struct user *old; /* as it was when the PIN was given */
    const char *hash;
};

/* Only over the PIN that was just given: an administrator may have set another meanwhile. */
static enum status put_pin(struct user_list *list, void *context)
{
    const struct fresh_pin *fresh = context;
    struct user *user = user_list_find(list, fresh->old->name);

    if (!user || user->disabled || strcmp(user->pin, fresh->old->pin) != 0)
        return STATUS_CONFLICT;
    memcpy(user->pin, fresh->hash, PIN_HASH_ROOM);
    user->must_change = false;
    return STATUS_OK;
}

enum status users_change_pin(struct users *users, const char *name, const char *pin,
                             const char *fresh, int64_t now_ms, struct signed_in *out,
                             char why[200])
{
    char hash[PIN_HASH_ROOM];
    enum status status;

    *out = (struct signed_in){0};
    why[0] = '\0';
    if (!pin_is_good(fresh, users->pin_least, why))
        return STATUS_INVALID;
    if (strcmp(pin, fresh) == 0) {
        (void)snprintf(why, 200, "that is the PIN there was; choose another");
        return STATUS_INVALID;
    }
    status = judge(users, name, pin, now_ms, out);
    if (status == STATUS_OK && out->result == SIGN_IN_OK) {
        status = users_hash(users, fresh, hash);
        if (status == STATUS_OK)
            status = user_list_change(users->path, put_pin, &(struct fresh_pin){&out->user, hash});
        if (status == STATUS_OK) {
            memcpy(out->user.pin, hash, sizeof(hash));
            out->user.must_change = false;
        }
        users_look(users, now_ms);
    }
    hide_pin(users, &out->user);
    return status;
}

/* ---- the first administrator ---- */

/* A code as it is typed: case, blanks and dashes do not matter. */
static void hash_code(const char *code, uint8_t hash[TOKEN_HASH_BYTES])
{
    char plain[ENROLMENT_CODE_ROOM];
    size_t length = 0;

    for (; *code && length < sizeof(plain); code++)
        if (*code != '-' && *code != ' ')
            plain[length++] = (char)toupper((unsigned char)*code);
    token_hash(plain, length, hash);
    sodium_memzero(plain, sizeof(plain));
}

bool users_enrolment_code(struct users *users, char code[ENROLMENT_CODE_ROOM])
{
    /* 32 that are hard to take for one another: 80 bits */
    static const char letters[] = "0123456789ABCDEFGHJKMNPQRSTVWXYZ";
    uint8_t hash[TOKEN_HASH_BYTES];
    bool made;

    for (size_t i = 0; i < ENROLMENT_CODE_ROOM - 1; i++)
        code[i] = letters[randombytes_uniform(32)];
    for (size_t i = 4; i < ENROLMENT_CODE_ROOM - 1; i += 5)
        code[i] = '-';
    code[ENROLMENT_CODE_ROOM - 1] = '\0';
    hash_code(code, hash);
    pthread_mutex_lock(&users->lock);
    made = users->in_order && users->list.count == 0;
    users->has_code = made;
    memcpy(users->code_hash, hash, sizeof(hash));
    pthread_mutex_unlock(&users->lock);
    if (!made)
        sodium_memzero(code, ENROLMENT_CODE_ROOM);
    return made;
}

static bool is_code(struct users *users, const char *code)
{
    uint8_t hash[TOKEN_HASH_BYTES];
    bool is;

    hash_code(code, hash);
    pthread_mutex_lock(&users->lock);
    is = users->has_code && sodium_memcmp(users->code_hash, hash, sizeof(hash)) == 0;
    pthread_mutex_unlock(&users->lock);
    return is;
}

static void forget_code(struct users *users)
{
    pthread_mutex_lock(&users->lock);
    users->has_code = false;
    sodium_memzero(users->code_hash, sizeof(users->code_hash));
    pthread_mutex_unlock(&users->lock);
}

/* Whoever comes first: the file itself says whether there is somebody. */
static enum status put_first(struct user_list *list, void *context)
{
    return list->count > 0 ? STATUS_CONFLICT : user_list_add(list, context);
}

enum status users_enrol(struct users *users, const char *code, const struct user *first,
                        const char *pin, int64_t now_ms, char why[200])
{
    struct user user = *first;
    const char *fault;
    enum status status;

    why[0] = '\0';
    if (!is_code(users, code))
        return STATUS_NOT_FOUND;
    user.role = ROLE_ADMINISTRATOR;
    user.disabled = user.must_change = false;
    if ((fault = user_fault(&user))) {
        (void)snprintf(why, 200, "%s is missing or has characters it cannot have", fault);
        return STATUS_INVALID;
    }
    if (!pin_is_good(pin, users->pin_least, why))
        return STATUS_INVALID;
    status = users_hash(users, pin, user.pin);
    if (status == STATUS_OK)
        status = user_list_change(users->path, put_first, &user);
    if (status == STATUS_OK || status == STATUS_CONFLICT)
        forget_code(users);
    users_look(users, now_ms);
    sodium_memzero(&user, sizeof(user));
    return status;
}
