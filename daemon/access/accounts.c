/* accounts.c - accounts changed while the daemon runs, by somebody who may.
 *
 * The file is the truth: who asks and what there is is looked at in it, while nobody else can
 * change it. */
#include <sodium.h>
#include <stdio.h>
#include <string.h>

#include "access/access_private.h"
#include "wardpost/users.h"

/* ---- a new one ---- */

static enum status put_new(struct user_list *list, void *context)
{
    return user_list_add(list, context);
}

enum status users_add(struct users *users, const struct user *user, int64_t now_ms,
                      char pin[PIN_MADE_ROOM])
{
    struct user fresh = *user;
    enum status status;

    pin_make(pin);
    status = users_hash(users, pin, fresh.pin);
    if (status == STATUS_OK)
        status = user_list_change(users_path(users), put_new, &fresh);
    users_look(users, now_ms);
    sodium_memzero(&fresh, sizeof(fresh));
    return status;
}

/* ---- one that is there ---- */

struct change_under_way {
    const struct account_change *asked;
    char hash[PIN_HASH_ROOM];
    struct user user; /* as it became */
    char *why;        /* room 200 */
};

/* Nobody changes their own account: so an administrator is always left. A PIN may be given to
 * colleagues by those who may no more than that, but not to whoever could give them more. */
static bool may_change(const struct user *by, const struct user *user, bool pin_alone,
                       char why[200])
{
    unsigned rights = by && !by->disabled ? role_rights(by->role) : RIGHT_NONE;
    bool all = rights & RIGHT_ACCOUNTS;
    const char *fault = NULL;

    if (by == user)
        fault = "nobody changes their own account; a PIN of your own is changed with the old one";
    else if (!all && !(pin_alone && (rights & RIGHT_RESET)))
        fault = "this role does not have that right";
    else if (!all && (role_rights(user->role) & RIGHT_ACCOUNTS))
        fault = "this account is reset by an administrator";
    if (fault)
        (void)snprintf(why, 200, "%s", fault);
    return !fault;
}

static enum status put_change(struct user_list *list, void *context)
{
    struct change_under_way *change = context;
    const struct account_change *asked = change->asked;
    const struct user *by = user_list_find(list, asked->by);
    struct user *user = user_list_find(list, asked->name);
    bool pin_alone = asked->role == ROLE_NONE && !asked->shut && !asked->open;

    if (!user)
        return STATUS_NOT_FOUND;
    if (!may_change(by, user, pin_alone, change->why))
        return STATUS_INVALID;
    if (asked->new_pin) {
        memcpy(user->pin, change->hash, sizeof(user->pin));
        user->must_change = true;
    }
    if (asked->role != ROLE_NONE)
        user->role = asked->role;
    user->disabled = asked->shut || (user->disabled && !asked->open);
    change->user = *user;
    return STATUS_OK;
}

enum status users_change(struct users *users, const struct account_change *change, int64_t now_ms,
                         struct account_changed *out, char why[200])
{
    struct change_under_way under_way = {.asked = change, .why = why};
    enum status status = STATUS_OK;

    *out = (struct account_changed){0};
    why[0] = '\0';
    if (change->new_pin) {
        pin_make(out->pin);
        status = users_hash(users, out->pin, under_way.hash);
    }
    if (status == STATUS_OK)
        status = user_list_change(users_path(users), put_change, &under_way);
    if (status == STATUS_OK)
        out->user = under_way.user;
    else
        sodium_memzero(out->pin, sizeof(out->pin));
    sodium_memzero(out->user.pin, sizeof(out->user.pin));
    sodium_memzero(&under_way, sizeof(under_way));
    users_look(users, now_ms);
    return status;
}
