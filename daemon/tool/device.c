/* device.c - enrol what may send: its token is shown once, its hash goes into the clients file. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

#include "tool/tool_private.h"
#include "wardpost/access.h"

static int say_status(const char *path, enum status status, const char *why)
{
    (void)fprintf(stderr, "wardpost: %s: %s%s%s\n", path, status_text(status), why[0] ? ": " : "",
                  why);
    return status == STATUS_INVALID ? EX_CONFIG : EX_CANTCREAT;
}

static bool take_rights(const char *may, struct client *client)
{
    while (*may) {
        size_t length = strcspn(may, ",");
        enum right right = right_named(may, length);

        if (right == RIGHT_NONE || (client->rights & (unsigned)right))
            return false;
        client->rights |= (unsigned)right;
        may += length;
        may += *may == ',';
    }
    return client->rights != 0;
}

static bool take_practitioners(const struct tool *tool, struct client *client)
{
    for (int i = 0; i < tool->practitioners_count; i++) {
        const char *one = tool->practitioners[i];

        if (strcmp(one, "*") == 0) {
            client->any_practitioner = true;
            continue;
        }
        if (*one == '\0' || strlen(one) >= PRACTITIONER_ROOM)
            return false;
        memcpy(client->practitioners[client->practitioners_count++], one, strlen(one) + 1);
    }
    return true;
}

static bool make_client(const struct tool *tool, const char *name, struct client *client)
{
    *client = (struct client){.attended = tool->attended};
    if (*name == '\0' || strlen(name) >= DEVICE_NAME_ROOM ||
        strncmp(name, CLIENT_OF_USER, strlen(CLIENT_OF_USER)) == 0) {
        (void)fprintf(stderr,
                      "wardpost: a name has 1 to %d bytes and does not begin with " CLIENT_OF_USER
                      "\n",
                      DEVICE_NAME_ROOM - 1);
        return false;
    }
    memcpy(client->name, name, strlen(name) + 1);
    if (!take_rights(tool->may ? tool->may : "send", client)) {
        (void)fprintf(stderr, "wardpost: --may takes send, read, decide, with commas between\n");
        return false;
    }
    if (!take_practitioners(tool, client)) {
        (void)fprintf(stderr, "wardpost: --practitioner has 1 to %d bytes\n",
                      PRACTITIONER_ROOM - 1);
        return false;
    }
    return true;
}

static int add(struct tool *tool, struct clients *clients, const char *name)
{
    struct client *longer;
    char token[TOKEN_TEXT_ROOM];
    enum status status;

    if (clients_find(clients, name)) {
        (void)fprintf(stderr, "wardpost: there is a client of that name\n");
        return EX_DATAERR;
    }
    longer = realloc(clients->items, (clients->count + 1) * sizeof(*longer));
    if (!longer)
        return EX_OSERR;
    clients->items = longer;
    if (!make_client(tool, name, &clients->items[clients->count]))
        return EX_USAGE;
    token_make(token, clients->items[clients->count].hash);
    clients->count++;
    status = clients_write(tool->clients, clients);
    if (status != STATUS_OK)
        return say_status(tool->clients, status, "");
    printf("%s\n", token);
    (void)fprintf(stderr, "This is the token of %s, shown once. The daemon takes it from now on.\n",
                  name);
    return EX_OK;
}

static int remove_client(struct tool *tool, struct clients *clients, const char *name)
{
    struct client *client = clients_find(clients, name);
    enum status status;

    if (!client) {
        (void)fprintf(stderr, "wardpost: there is no client of that name\n");
        return EX_NOINPUT;
    }
    memmove(client, client + 1,
            (size_t)(clients->items + clients->count - (client + 1)) * sizeof(*client));
    clients->count--;
    status = clients_write(tool->clients, clients);
    return status == STATUS_OK ? EX_OK : say_status(tool->clients, status, "");
}

static int list(const struct clients *clients)
{
    for (size_t i = 0; i < clients->count; i++) {
        const struct client *client = &clients->items[i];

        printf("%-32s %s%s%s%s\n", client->name, client->rights & RIGHT_SEND ? "send " : "",
               client->rights & RIGHT_READ ? "read " : "",
               client->rights & RIGHT_DECIDE ? "decide " : "",
               client->attended ? "(attended)" : "");
    }
    return EX_OK;
}

int command_device(struct tool *tool)
{
    struct clients clients;
    char why[200];
    int lock = clients_lock(tool->clients); /* until the end of the program */
    enum status status = lock >= 0 ? clients_read(tool->clients, &clients, why) : STATUS_IO;
    int code = EX_USAGE;

    if (lock < 0)
        return say_status(tool->clients, status, "its folder cannot be opened");
    if (status != STATUS_OK && status != STATUS_NOT_FOUND)
        return say_status(tool->clients, status, why);
    if (strcmp(tool->argv[0], "list") == 0 && tool->argc == 1)
        code = list(&clients);
    else if (strcmp(tool->argv[0], "add") == 0 && tool->argc == 2)
        code = add(tool, &clients, tool->argv[1]);
    else if (strcmp(tool->argv[0], "remove") == 0 && tool->argc == 2)
        code = remove_client(tool, &clients, tool->argv[1]);
    else
        (void)fprintf(stderr, "usage: wardpost device add NAME | list | remove NAME\n");
    clients_clear(&clients);
    return code;
}
