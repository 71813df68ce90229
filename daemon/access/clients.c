/* clients.c - the file of enrolled devices and scripts: read whole, written whole or not at all. */
#include <sodium.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "access/access_private.h"
#include "wardpost/access.h"
#include "wardpost/json_in.h"
#include "wardpost/json_out.h"

static const struct {
    const char *word;
    enum right right;
} rights[] = {
    {"decide", RIGHT_DECIDE},
    {"read",   RIGHT_READ  },
    {"send",   RIGHT_SEND  },
};

enum right right_named(const char *word, size_t length)
{
    for (size_t i = 0; i < sizeof(rights) / sizeof(rights[0]); i++)
        if (strlen(rights[i].word) == length && memcmp(rights[i].word, word, length) == 0)
            return rights[i].right;
    return RIGHT_NONE;
}

static bool read_rights(const json_t *may, struct client *client)
{
    size_t index;
    json_t *word;

    json_array_foreach(may, index, word)
    {
        enum right right = text_is(word)
                               ? right_named(json_string_value(word), json_string_length(word))
                               : RIGHT_NONE;

        if (right == RIGHT_NONE)
            return false;
        client->rights |= (unsigned)right;
    }
    return json_array_size(may) > 0;
}

static bool read_practitioners(const json_t *list, struct client *client)
{
    size_t index;
    json_t *one;

    if (list && !json_is_array(list))
        return false;
    json_array_foreach(list, index, one)
    {
        if (client->practitioners_count == PRACTITIONERS_MOST ||
            !private_file_text(one, client->practitioners[client->practitioners_count],
                               PRACTITIONER_ROOM))
            return false;
        if (strcmp(client->practitioners[client->practitioners_count], "*") == 0)
            client->any_practitioner = true;
        else
            client->practitioners_count++;
    }
    return true;
}

static bool read_hash(const json_t *hash, struct client *client)
{
    size_t length = 0;

    return text_is(hash) &&
           sodium_hex2bin(client->hash, TOKEN_HASH_BYTES, json_string_value(hash),
                          json_string_length(hash), NULL, &length, NULL) == 0 &&
           length == TOKEN_HASH_BYTES;
}

static bool read_attended(const json_t *attended, struct client *client)
{
    client->attended = json_is_true(attended);
    return !attended || json_is_boolean(attended);
}

static const char *read_client(const json_t *item, void *out)
{
    struct client *client = out;

    if (!private_file_text(json_object_get(item, "name"), client->name, DEVICE_NAME_ROOM) ||
        strncmp(client->name, CLIENT_OF_USER, strlen(CLIENT_OF_USER)) == 0)
        return "name";
    if (!read_hash(json_object_get(item, "token-hash"), client))
        return "token-hash";
    if (!read_rights(json_object_get(item, "may"), client))
        return "may";
    if (!read_attended(json_object_get(item, "attended"), client))
        return "attended";
    if (!read_practitioners(json_object_get(item, "practitioners"), client))
        return "practitioners";
    return NULL;
}

static void write_client(const void *one, struct json_out *out)
{
    const struct client *client = one;
    char hash[2 * TOKEN_HASH_BYTES + 1];

    out_object(out);
    out_member(out, "name", client->name);
    out_member(out, "token-hash",
               sodium_bin2hex(hash, sizeof(hash), client->hash, TOKEN_HASH_BYTES));
    out_name(out, "may");
    out_array(out);
    for (size_t i = 0; i < sizeof(rights) / sizeof(rights[0]); i++)
        if (client->rights & rights[i].right)
            out_text(out, rights[i].word);
    out_array_end(out);
    out_member_bool(out, "attended", client->attended);
    out_name(out, "practitioners");
    out_array(out);
    if (client->any_practitioner)
        out_text(out, "*");
    for (size_t i = 0; i < client->practitioners_count; i++)
        out_text(out, client->practitioners[i]);
    out_array_end(out);
    out_object_end(out);
}

static bool same_name(const void *a, const void *b)
{
    return strcmp(((const struct client *)a)->name, ((const struct client *)b)->name) == 0;
}

static const struct listed listed = {"clients", sizeof(struct client), read_client, write_client,
                                     same_name};

enum status clients_read(const char *path, struct clients *out, char why[200])
{
    void *items;
    enum status status = private_list_read(path, &listed, &items, &out->count, why);

    out->items = items;
    if (status != STATUS_OK)
        clients_clear(out);
    return status;
}

enum status clients_write(const char *path, const struct clients *clients)
{
    return private_list_write(path, &listed, clients->items, clients->count);
}

int clients_lock(const char *path)
{
    return private_file_lock(path);
}

void clients_clear(struct clients *clients)
{
    free(clients->items);
    *clients = (struct clients){0};
}

struct client *clients_find(const struct clients *clients, const char *name)
{
    for (size_t i = 0; i < clients->count; i++)
        if (strcmp(clients->items[i].name, name) == 0)
            return &clients->items[i];
    return NULL;
}
