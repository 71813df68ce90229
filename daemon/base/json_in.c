/* json_in.c - see wardpost/json_in.h. */
#include <errno.h>
#include <fcntl.h>
#include <sodium.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "base/json_scan.h"

/* jansson's words are for programmers; these are for whoever sent it. The first that fits; the last fits everything. */
static const struct {
    enum json_error_code code;
    const char *detail;
} faults[] = {
    {json_error_duplicate_key,          "a name stands twice in one object"                      },
    {json_error_premature_end_of_input, "the text ends too early"                                },
    {json_error_end_of_input_expected,  "there is something behind the end"                      },
    {json_error_invalid_utf8,           "bytes that are not UTF-8"                               },
    {json_error_null_character,         "a control character in a text"                          },
    {json_error_null_byte_in_key,       "a control character in a name"                          },
    {json_error_stack_overflow,         "nested too deep"                                        },
    {json_error_unknown,                "not JSON here: a comma, a quote or a bracket is missing or too many"},
};

static const char *words_for(enum json_error_code code)
{
    size_t i = 0;

    while (faults[i].code != code && faults[i].code != json_error_unknown)
        i++;
    return faults[i].detail;
}

static bool is_blank(const char *text, size_t length)
{
    for (size_t i = 0; i < length; i++)
        if (!strchr(" \t\r\n", text[i]) || text[i] == '\0')
            return false;
    return true;
}

static enum status complain(const char *text, size_t length, const json_error_t *error, struct json_fault *fault)
{
    fault->offset = json_scan_original(text, length, error->position > 0 ? (size_t)error->position : 0);
    snprintf(fault->detail, sizeof(fault->detail), "%s", words_for(json_error_code(error)));
    return STATUS_INVALID;
}

static enum status load(const char *text, size_t length, json_t **out, struct json_fault *fault)
{
    json_error_t error;
    size_t marked_length = 0;
    char *marked = NULL;
    enum status status;

    if (is_blank(text, length)) {
        snprintf(fault->detail, sizeof(fault->detail), "nothing was sent");
        return STATUS_INVALID;
    }
    status = json_scan(text, length, &marked, &marked_length, fault);
    if (status != STATUS_OK)
        return status;
    *out = json_loadb(marked, marked_length, JSON_REJECT_DUPLICATES, &error);
    free(marked);
    if (*out)
        return STATUS_OK;
    if (json_error_code(&error) == json_error_out_of_memory)
        return STATUS_NO_MEMORY;
    /* jansson 2.14 says "unknown" with this text when an allocation inside a value fails */
    return complain(text, length, &error, fault);
}

enum status json_in(const char *text, size_t length, json_t **out, struct json_fault *fault)
{
    json_t *loaded = NULL;
    enum status status;

    *fault = (struct json_fault){0};
    status = load(text, length, &loaded, fault);
    if (status == STATUS_INVALID)
        json_fault_place(text, length, fault);
    if (status == STATUS_OK)
        *out = loaded;
    return status;
}

/* ---- numbers ---- */

bool digits_is(const json_t *value)
{
    const char *text = json_string_value(value);

    return text && text[0] == '\1';
}

const char *digits_text(const json_t *value)
{
    return digits_is(value) ? json_string_value(value) + 1 : NULL;
}

bool digits_decimal(const json_t *value, struct decimal *out)
{
    return digits_is(value) && decimal_parse(json_string_value(value) + 1, json_string_length(value) - 1, out);
}

bool text_is(const json_t *value)
{
    return json_is_string(value) && !digits_is(value);
}

/* ---- files ---- */

#define FILE_MOST ((off_t)16 << 20)

static enum status read_whole(int fd, char **out, size_t *length)
{
    struct stat about;
    char *bytes;
    size_t used = 0;

    if (fstat(fd, &about) != 0 || !S_ISREG(about.st_mode) || about.st_size > FILE_MOST)
        return STATUS_IO;
    bytes = malloc((size_t)about.st_size + 1);
    if (!bytes)
        return STATUS_NO_MEMORY;
    while (used < (size_t)about.st_size) {
        ssize_t got = read(fd, bytes + used, (size_t)about.st_size - used);

        if (got < 0 && errno == EINTR)
            continue;
        if (got <= 0)
            break;
        used += (size_t)got;
    }
    *out = bytes;
    *length = used;
    return STATUS_OK;
}

enum status json_in_file(const char *path, json_t **out, struct json_fault *fault)
{
    int fd = open(path, O_RDONLY | O_CLOEXEC);
    size_t length = 0;
    char *text = NULL;
    enum status status;

    *fault = (struct json_fault){0};
    if (fd < 0)
        return STATUS_IO;
    status = read_whole(fd, &text, &length);
    close(fd);
    if (status == STATUS_OK)
        status = json_in(text, length, out, fault);
    free(text);
    return status;
}

/* ---- "the same content" ---- */

static bool is_skipped(const char *name, const char *const *skip)
{
    while (skip && *skip)
        if (strcmp(*skip++, name) == 0)
            return true;
    return false;
}

static void hash_bytes(crypto_generichash_state *state, char type, const char *bytes, uint64_t length)
{
    crypto_generichash_update(state, (const unsigned char *)&type, 1);
    crypto_generichash_update(state, (const unsigned char *)&length, sizeof(length));
    crypto_generichash_update(state, (const unsigned char *)bytes, length);
}

/* Members are hashed one by one and their hashes added up, so that order does not matter; addition and not exclusive or, so that
 * two alike do not cancel out. Depth is bounded by json_in(). */
static void hash_object(const json_t *value, const char *const *skip, crypto_generichash_state *state) /* NOLINT(misc-no-recursion) */
{
    uint64_t sums[4] = {0};
    const char *name;
    json_t *member;

    json_object_foreach(json_walk(value), name, member)
    {
        union {
            uint8_t bytes[64];
            uint64_t words[8];
        } pair;
        uint8_t both[32];

        if (is_skipped(name, skip))
            continue;
        crypto_generichash(pair.bytes, 32, (const unsigned char *)name, strlen(name), NULL, 0);
        json_in_hash(member, skip, pair.bytes + 32);
        crypto_generichash(both, 32, pair.bytes, 64, NULL, 0);
        memcpy(pair.bytes, both, 32);
        for (int i = 0; i < 4; i++)
            sums[i] += pair.words[i];
    }
    hash_bytes(state, 'o', (const char *)sums, sizeof(sums));
}

static void hash_array(const json_t *value, const char *const *skip, crypto_generichash_state *state) /* NOLINT(misc-no-recursion) */
{
    size_t index;
    json_t *item;

    hash_bytes(state, 'a', NULL, 0);
    json_array_foreach(value, index, item)
    {
        uint8_t hash[32];

        json_in_hash(item, skip, hash);
        crypto_generichash_update(state, hash, sizeof(hash));
    }
}

void json_in_hash(const json_t *value, const char *const *skip, uint8_t out[32]) /* NOLINT(misc-no-recursion) */
{
    crypto_generichash_state state;

    crypto_generichash_init(&state, NULL, 0, 32);
    if (json_is_string(value))
        hash_bytes(&state, digits_is(value) ? 'n' : 's', json_string_value(value), json_string_length(value));
    else if (json_is_object(value))
        hash_object(value, skip, &state);
    else if (json_is_array(value))
        hash_array(value, skip, &state);
    else
        hash_bytes(&state, json_is_true(value) ? 't' : json_is_false(value) ? 'f' : '0', NULL, 0);
    crypto_generichash_final(&state, out, 32);
}
