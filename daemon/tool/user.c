/* user.c - accounts to sign in with: the first PIN is made here and shown once, its hash goes into
 * the users file. */
#include <jansson.h>
#include <sodium.h>
#include <stdio.h>
#include <string.h>
#include <sysexits.h>

#include "tool/tool_private.h"
#include "wardpost/access.h"
#include "wardpost/users.h"

static int say_status(const char *path, enum status status, const char *why)
{
    (void)fprintf(stderr, "wardpost: %s: %s%s%s\n", path, status_text(status), why[0] ? ": " : "",
                  why);
    return status == STATUS_INVALID ? EX_CONFIG : EX_CANTCREAT;
}

int check_users(const char *path)
{
    struct user_list list;
    char why[200];
    enum status status = user_list_read(path, &list, why);

    user_list_clear(&list);
    if (status == STATUS_OK || status == STATUS_NOT_FOUND)
        return EX_OK;
    (void)say_status(path, status, why);
    return status == STATUS_INVALID ? EX_CONFIG : EX_NOINPUT;
}

static bool is_utf8(const char *text)
{
    json_t *string = json_string(text);
    bool is = string != NULL;

    json_decref(string);
    return is;
}

static bool take_text(const char *text, const char *what, char *out, size_t room)
{
    if (!text || *text == '\0' || strlen(text) >= room || !is_utf8(text)) {
        (void)fprintf(stderr, "wardpost: %s has 1 to %zu bytes of UTF-8\n", what, room - 1);
        return false;
    }
    memcpy(out, text, strlen(text) + 1);
    return true;
}

static bool make_user(const struct tool *tool, const char *name, struct user *user)
{
    const char *fault;

    *user = (struct user){.role = tool->role ? role_named(tool->role) : ROLE_NONE};
    if (user->role == ROLE_NONE) {
        (void)fprintf(stderr, "wardpost: --role takes assistant, nurse, lead or administrator\n");
        return false;
    }
    if (tool->practitioners_count > 1) {
        (void)fprintf(stderr, "wardpost: --practitioner is given once\n");
        return false;
    }
    if (!take_text(name, "a name", user->name, sizeof(user->name)) ||
        !take_text(tool->practitioners[0], "--practitioner", user->practitioner,
                   sizeof(user->practitioner)) ||
        !take_text(tool->display, "--display", user->display, sizeof(user->display)))
        return false;
    if ((fault = user_fault(user))) {
        (void)fprintf(stderr, "wardpost: %s has characters it cannot have\n", fault);
        return false;
    }
    return true;
}

/* Writes the list with a new PIN for `user`, one of it; only then is the PIN shown. */
static int give_pin(const struct tool *tool, const struct user_list *list, struct user *user)
{
    char pin[PIN_MADE_ROOM];
    enum status status;

    pin_make(pin);
    user->must_change = true;
    status = pin_hash(pin, user->pin);
    if (status == STATUS_OK)
        status = user_list_write(tool->users, list);
    if (status == STATUS_OK) {
        printf("%s\n", pin);
        (void)fprintf(stderr,
                      "This is the PIN of %s, shown once. It must be changed at the first "
                      "sign-in.\n",
                      user->name);
    }
    sodium_memzero(pin, sizeof(pin));
    return status == STATUS_OK ? EX_OK : say_status(tool->users, status, "");
}

static int add(const struct tool *tool, struct user_list *list, const char *name)
{
    struct user user;
    enum status status;

    if (!make_user(tool, name, &user))
        return EX_USAGE;
    for (size_t i = 0; i < list->count; i++)
        if (strcmp(list->items[i].practitioner, user.practitioner) == 0)
            (void)fprintf(stderr, "wardpost: note: %s has the same practitioner identifier\n",
                          list->items[i].name);
    status = user_list_add(list, &user);
    if (status == STATUS_CONFLICT) {
        (void)fprintf(stderr, "wardpost: there is an account of that name\n");
        return EX_DATAERR;
    }
    if (status != STATUS_OK)
        return EX_OSERR;
    return give_pin(tool, list, &list->items[list->count - 1]);
}

static int list_users(const struct tool *tool, struct user_list *list, const char *name)
{
    (void)tool;
    (void)name;
    for (size_t i = 0; i < list->count; i++) {
        const struct user *user = &list->items[i];

        printf("%-24s %-14s %-16s %s%s%s\n", user->name, role_word(user->role), user->practitioner,
               user->display, user->disabled ? " (disabled)" : "",
               user->must_change ? " (PIN to be changed)" : "");
    }
    return EX_OK;
}

static int set_disabled(const struct tool *tool, struct user_list *list, const char *name,
                        bool disabled)
{
    enum status status;

    user_list_find(list, name)->disabled = disabled;
    status = user_list_write(tool->users, list);
    return status == STATUS_OK ? EX_OK : say_status(tool->users, status, "");
}

static int disable(const struct tool *tool, struct user_list *list, const char *name)
{
    return set_disabled(tool, list, name, true);
}

static int enable(const struct tool *tool, struct user_list *list, const char *name)
{
    return set_disabled(tool, list, name, false);
}

static int reset(const struct tool *tool, struct user_list *list, const char *name)
{
    return give_pin(tool, list, user_list_find(list, name));
}

static const struct verb {
    const char *word;
    int arguments;
    bool of_somebody; /* the account must be there */
    int (*run)(const struct tool *tool, struct user_list *list, const char *name);
} verbs[] = {
    {"add",     1, false, add       },
    {"disable", 1, true,  disable   },
    {"enable",  1, true,  enable    },
    {"list",    0, false, list_users},
    {"reset",   1, true,  reset     },
};

static const struct verb *find_verb(const struct tool *tool)
{
    for (size_t i = 0; i < sizeof(verbs) / sizeof(verbs[0]); i++)
        if (strcmp(verbs[i].word, tool->argv[0]) == 0 && tool->argc == verbs[i].arguments + 1)
            return &verbs[i];
    return NULL;
}

int command_user(struct tool *tool)
{
    const struct verb *verb = find_verb(tool);
    struct user_list list;
    char why[200];
    enum status status;
    int code = EX_NOINPUT;

    if (!verb) {
        (void)fprintf(stderr, "usage: wardpost user add NAME --practitioner ID --role ROLE "
                              "--display TEXT | list | disable NAME | enable NAME | reset NAME\n");
        return EX_USAGE;
    }
    if (user_list_lock(tool->users) < 0) /* until the end of the program */
        return say_status(tool->users, STATUS_IO, "its folder cannot be opened");
    status = user_list_read(tool->users, &list, why);
    if (status != STATUS_OK && status != STATUS_NOT_FOUND)
        return say_status(tool->users, status, why);
    if (verb->of_somebody && !user_list_find(&list, tool->argv[1]))
        (void)fprintf(stderr, "wardpost: there is no account of that name\n");
    else
        code = verb->run(tool, &list, tool->argv[1]);
    user_list_clear(&list);
    return code;
}
