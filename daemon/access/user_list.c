/* user_list.c - the file of people who sign in: read whole, written whole or not at all. */
#include <sodium.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>
#include <unistd.h>

#include "access/access_private.h"
#include "wardpost/json_in.h"
#include "wardpost/json_out.h"
#include "wardpost/users.h"

/* Characters that are not seen and make one name look like another, as their bytes in UTF-8: the
 * second half of the controls; blanks without width, marks of direction; line breaks of Unicode and
 * turns of direction; joiners. The last byte is the first of so many. Words of some scripts need
 * two of them: not in a name that is typed. */
static const struct {
    const char *bytes;
    unsigned char count;
    bool in_words;
} unseen[] = {
    {"\xC2\x80",     32, false},
    {"\xE2\x80\x8B", 1,  false},
    {"\xE2\x80\x8C", 2,  true },
    {"\xE2\x80\x8E", 2,  false},
    {"\xE2\x80\xA8", 7,  false},
    {"\xE2\x81\xA0", 16, false},
    {"\xEF\xBB\xBF", 1,  false},
};

static bool begins_unseen(const char *text, bool in_words)
{
    for (size_t i = 0; i < sizeof(unseen) / sizeof(unseen[0]); i++) {
        const size_t before = strlen(unseen[i].bytes) - 1;
        const unsigned char first = (unsigned char)unseen[i].bytes[before];

        if (!(in_words && unseen[i].in_words) && strncmp(text, unseen[i].bytes, before) == 0 &&
            (unsigned char)text[before] >= first &&
            (unsigned char)text[before] - first < unseen[i].count)
            return true;
    }
    return false;
}

/* Seen by people: nothing that moves a cursor or is not seen, and a name that is typed has no
 * blank. */
static bool is_plain(const char *text, char least)
{
    for (const char *c = text; *c; c++)
        if ((unsigned char)*c < (unsigned char)least || *c == 0x7f ||
            begins_unseen(c, least == ' '))
            return false;
    return *text != '\0';
}

const char *user_fault(const struct user *user)
{
    if (!is_plain(user->name, '!'))
        return "name";
    if (!is_plain(user->practitioner, ' '))
        return "practitioner";
    if (!is_plain(user->display, ' '))
        return "display";
    return user->role == ROLE_NONE ? "role" : NULL;
}

/* ---- one of them ---- */

static bool read_flag(const json_t *flag, bool *out)
{
    *out = json_is_true(flag);
    return !flag || json_is_boolean(flag);
}

static bool read_role(const json_t *role, struct user *user)
{
    user->role = text_is(role) ? role_named(json_string_value(role)) : ROLE_NONE;
    return user->role != ROLE_NONE;
}

static const char *read_user(const json_t *item, void *out)
{
    struct user *user = out;

    if (!private_file_text(json_object_get(item, "name"), user->name, sizeof(user->name)))
        return "name";
    if (!private_file_text(json_object_get(item, "practitioner"), user->practitioner,
                           sizeof(user->practitioner)))
        return "practitioner";
    if (!private_file_text(json_object_get(item, "display"), user->display, sizeof(user->display)))
        return "display";
    if (!read_role(json_object_get(item, "role"), user))
        return "role";
    if (!read_flag(json_object_get(item, "disabled"), &user->disabled))
        return "disabled";
    if (!read_flag(json_object_get(item, "must-change"), &user->must_change))
        return "must-change";
    if (!private_file_text(json_object_get(item, "pin"), user->pin, sizeof(user->pin)) ||
        !pin_hash_is_good(user->pin))
        return "pin";
    return user_fault(user);
}

/* ---- the file ---- */

static void write_user(const void *one, struct json_out *out)
{
    const struct user *user = one;

    out_object(out);
    out_member(out, "name", user->name);
    out_member(out, "practitioner", user->practitioner);
    out_member(out, "display", user->display);
    out_member(out, "role", role_word(user->role));
    out_member_bool(out, "disabled", user->disabled);
    out_member_bool(out, "must-change", user->must_change);
    out_member(out, "pin", user->pin);
    out_object_end(out);
}

static bool same_name(const void *a, const void *b)
{
    return strcasecmp(((const struct user *)a)->name, ((const struct user *)b)->name) == 0;
}

static const struct listed listed = {"users", sizeof(struct user), read_user, write_user,
                                     same_name};

enum status user_list_read(const char *path, struct user_list *out, char why[200])
{
    void *items;
    enum status status = private_list_read(path, &listed, &items, &out->count, why);

    out->items = items;
    if (status != STATUS_OK)
        user_list_clear(out);
    return status;
}

enum status user_list_write(const char *path, const struct user_list *list)
{
    return private_list_write(path, &listed, list->items, list->count);
}

int user_list_lock(const char *path)
{
    return private_file_lock(path);
}

/* ---- in memory ---- */

void user_list_clear(struct user_list *list)
{
    if (list->items)
        sodium_memzero(list->items, list->count * sizeof(*list->items));
    free(list->items);
    *list = (struct user_list){0};
}

/* All are compared: where one stands in the file shows in no timing. */
struct user *user_list_find(const struct user_list *list, const char *name)
{
    struct user *found = NULL;

    for (size_t i = 0; i < list->count; i++)
        if (strcasecmp(list->items[i].name, name) == 0)
            found = &list->items[i];
    return found;
}

enum status user_list_add(struct user_list *list, const struct user *user)
{
    struct user *longer;

    if (user_list_find(list, user->name))
        return STATUS_CONFLICT;
    longer = realloc(list->items, (list->count + 1) * sizeof(*longer));
    if (!longer)
        return STATUS_NO_MEMORY;
    list->items = longer;
    list->items[list->count++] = *user;
    return STATUS_OK;
}

enum status user_list_change(const char *path, user_list_changer *change, void *context)
{
    struct user_list list = {0};
    char why[200];
    int lock = user_list_lock(path);
    enum status status = lock >= 0 ? user_list_read(path, &list, why) : STATUS_IO;

    if (status == STATUS_NOT_FOUND)
        status = STATUS_OK;
    else if (status == STATUS_INVALID)
        status = STATUS_DAMAGED;
    if (status == STATUS_OK)
        status = change(&list, context);
    if (status == STATUS_OK)
        status = user_list_write(path, &list);
    user_list_clear(&list);
    if (lock >= 0)
        close(lock);
    return status;
}
