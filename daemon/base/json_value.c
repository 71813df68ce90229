/* json_value.c - what a value from json_in() is, and its hash; see wardpost/json_in.h. */
#include <sodium.h>
#include <string.h>

#include "base/json_scan.h"

bool digits_is(const json_t *value)
{
    const char *text = json_string_value(value);

    return text && text[0] == NUMBER_MARK;
}

const char *digits_text(const json_t *value)
{
    return digits_is(value) ? json_string_value(value) + 1 : NULL;
}

bool digits_decimal(const json_t *value, struct decimal *out)
{
    return digits_is(value) &&
           decimal_parse(json_string_value(value) + 1, json_string_length(value) - 1, out);
}

bool text_is(const json_t *value)
{
    return json_is_string(value) && !digits_is(value);
}

/* ---- "the same content": each piece is a letter, its length and its bytes, so that no two texts
 * run into one ---- */

#define HASH_BYTES 32U

static void add_value(crypto_generichash_state *state, const json_t *value,
                      const char *const *skip);

static bool is_skipped(const char *name, const char *const *skip)
{
    while (skip && *skip)
        if (strcmp(*skip++, name) == 0)
            return true;
    return false;
}

static void add_piece(crypto_generichash_state *state, char type, const char *bytes, size_t length)
{
    unsigned char head[9] = {(unsigned char)type};

    for (unsigned i = 0; i < 8; i++)
        head[1 + i] = (unsigned char)((uint64_t)length >> (8 * i));
    crypto_generichash_update(state, head, sizeof(head));
    if (length > 0)
        crypto_generichash_update(state, (const unsigned char *)bytes, length);
}

/* NOLINTBEGIN(misc-no-recursion): depth is bounded by json_in() */

/* Members are hashed one by one and their hashes added up, so that order does not matter; added and
 * not XORed, for with that other members of the same result are found by plain algebra. Who finds
 * other ones of the same sum all the same deceives only himself: the hash compares what one client
 * sent with what the same client sent before. */
static void add_object(crypto_generichash_state *state, const json_t *value,
                       const char *const *skip)
{
    unsigned char sum[HASH_BYTES] = {0}, hash[HASH_BYTES];
    crypto_generichash_state one;
    const char *name;
    json_t *member;

    json_object_foreach(json_walk(value), name, member)
    {
        if (is_skipped(name, skip))
            continue;
        crypto_generichash_init(&one, NULL, 0, HASH_BYTES);
        add_piece(&one, 'k', name, strlen(name));
        add_value(&one, member, skip);
        crypto_generichash_final(&one, hash, HASH_BYTES);
        sodium_add(sum, hash, HASH_BYTES);
    }
    add_piece(state, 'o', (const char *)sum, sizeof(sum));
}

static void add_array(crypto_generichash_state *state, const json_t *value, const char *const *skip)
{
    size_t index;
    json_t *item;

    add_piece(state, 'a', NULL, 0);
    json_array_foreach(value, index, item) add_value(state, item, skip);
    add_piece(state, 'z', NULL, 0);
}

static void add_value(crypto_generichash_state *state, const json_t *value, const char *const *skip)
{
    if (json_is_string(value))
        add_piece(state, digits_is(value) ? 'n' : 's', json_string_value(value),
                  json_string_length(value));
    else if (json_is_object(value))
        add_object(state, value, skip);
    else if (json_is_array(value))
        add_array(state, value, skip);
    else
        add_piece(state, json_is_true(value) ? 't' : json_is_false(value) ? 'f' : '0', NULL, 0);
}

/* NOLINTEND(misc-no-recursion) */

void json_in_hash(const json_t *value, const char *const *skip, uint8_t out[32])
{
    crypto_generichash_state state;

    crypto_generichash_init(&state, NULL, 0, HASH_BYTES);
    add_value(&state, value, skip);
    crypto_generichash_final(&state, out, HASH_BYTES);
}
