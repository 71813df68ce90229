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

static const char *read_client(const json_t *item, struct client *client)
{
    if (!private_file_text(json_object_get(item, "name"), client->name, CLIENT_NAME_ROOM))
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

static enum status read_list(const json_t *list, struct clients *out, char why[200])
{
    size_t index;
    json_t *item;

    if (!json_is_array(list)) {
        (void)snprintf(why, 200, "/clients is not a list");
        return STATUS_INVALID;
    }
    out->items = calloc(json_array_size(list) + 1, sizeof(*out->items));
    if (!out->items)
        return STATUS_NO_MEMORY;
    json_array_foreach(list, index, item)
    {
        const char *wrong = read_client(item, &out->items[index]);

        if (wrong) {
            (void)snprintf(why, 200, "/clients/%zu/%s is missing or wrong", index, wrong);
            return STATUS_INVALID;
        }
        if (clients_find(out, out->items[index].name)) { /* removing one would leave the other */
            (void)snprintf(why, 200, "/clients/%zu/name stands twice", index);
            return STATUS_INVALID;
        }
        out->count++;
    }
    return STATUS_OK;
}

enum status clients_read(const char *path, struct clients *out, char why[200])
{
    json_t *root = NULL;
    enum status status = private_file_read(path, &root, why);

    *out = (struct clients){0};
    if (status != STATUS_OK)
        return status;
    status = read_list(json_object_get(root, "clients"), out, why);
    if (status != STATUS_OK)
        clients_clear(out);
    json_decref(root);
    return status;
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

static void write_client(const struct client *client, struct json_out *out)
{
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

int clients_lock(const char *path)
{
    return private_file_lock(path);
}

enum status clients_write(const char *path, const struct clients *clients)
{
    struct json_out out = JSON_OUT_INIT;
    enum status status = STATUS_NO_MEMORY;

    out_object(&out);
    out_name(&out, "clients");
    out_array(&out);
    for (size_t i = 0; i < clients->count; i++)
        write_client(&clients->items[i], &out);
    out_array_end(&out);
    out_object_end(&out);
    if (json_out_ok(&out))
        status = private_file_replace(path, out.text, out.length);
    json_out_clear(&out);
    return status;
}
