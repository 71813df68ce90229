/* pin.c - PINs: which are taken, and their hashes.
 *
 * argon2id at libsodium's interactive limits. Its 64 MiB are mapped and unmapped by each call, so
 * an idle daemon does not have them; less memory would only help whoever guesses at a stolen file.
 */
#include <sodium.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "access/access_private.h"
#include "wardpost/users.h"

#define OPERATIONS crypto_pwhash_OPSLIMIT_INTERACTIVE
#define MEMORY     crypto_pwhash_MEMLIMIT_INTERACTIVE

_Static_assert(PIN_HASH_ROOM == crypto_pwhash_STRBYTES, "users.h says how long a hash is");

/* 1111, 1234, 4321, 2468, 7890: each digit is as far from the one before, and not far. */
static bool goes_in_steps(const char *pin, size_t length)
{
    int step = (pin[1] - pin[0] + 10) % 10;

    for (size_t i = 2; i < length; i++)
        if ((pin[i] - pin[i - 1] + 10) % 10 != step)
            return false;
    return step <= 2 || step >= 8;
}

/* 1212, 482482: the same digits again. */
static bool repeats(const char *pin, size_t length)
{
    for (size_t part = 1; part <= length / 2; part++)
        if (memcmp(pin, pin + part, length - part) == 0)
            return true;
    return false;
}

bool pin_is_good(const char *pin, size_t least, char why[200])
{
    size_t length = strlen(pin);

    if (least < PIN_LEAST)
        least = PIN_LEAST;
    if (strspn(pin, "0123456789") != length || length < least || length > PIN_MOST)
        (void)snprintf(why, 200, "a PIN has %zu to %d digits and nothing else", least, PIN_MOST);
    else if (goes_in_steps(pin, length))
        (void)snprintf(why, 200, "digits in even steps, like 1234, 4321 or 1111, are tried first");
    else if (repeats(pin, length))
        (void)snprintf(why, 200, "the same digits again, like 1212, are tried first");
    else
        return true;
    return false;
}

void pin_make(char pin[PIN_MADE_ROOM])
{
    char why[200];

    do
        (void)snprintf(pin, PIN_MADE_ROOM, "%06u", (unsigned)randombytes_uniform(1000000));
    while (!pin_is_good(pin, PIN_LEAST, why));
}

enum status pin_hash(const char *pin, char hash[PIN_HASH_ROOM])
{
    return crypto_pwhash_str(hash, pin, strlen(pin), OPERATIONS, MEMORY) == 0 ? STATUS_OK
                                                                              : STATUS_NO_MEMORY;
}

/* ---- a hash, taken apart ----
 * crypto_pwhash_str_verify() says of memory that is not there that the PIN is wrong, and a nurse
 * would be locked out for it. So the work is done by crypto_pwhash(), which fails for nothing else.
 */

struct parts {
    unsigned long operations, memory_kib;
    unsigned char salt[crypto_pwhash_SALTBYTES], hash[32];
};

static bool skip(const char **at, const char *word)
{
    bool is_there = strncmp(*at, word, strlen(word)) == 0;

    *at += is_there ? strlen(word) : 0;
    return is_there;
}

static bool take_number(const char **at, unsigned long most, unsigned long *out)
{
    char *end;

    if (**at < '1' || **at > '9')
        return false;
    *out = strtoul(*at, &end, 10); /* too large gives ULONG_MAX */
    *at = end;
    return *out <= most;
}

static bool take_bytes(const char **at, unsigned char *out, size_t size)
{
    const char *end;
    size_t length;
    bool good = sodium_base642bin(out, size, *at, strlen(*at), NULL, &length, &end,
                                  sodium_base64_VARIANT_ORIGINAL_NO_PADDING) == 0;

    *at = good ? end : *at;
    return good && length == size;
}

/* The form in which crypto_pwhash_str() writes, at any work up to a gigabyte: an older hash stays
 * good when we ask for another. */
static bool take_apart(const char *at, struct parts *out)
{
    return skip(&at, "$argon2id$v=19$m=") && take_number(&at, 1UL << 20, &out->memory_kib) &&
           out->memory_kib >= crypto_pwhash_MEMLIMIT_MIN / 1024 && skip(&at, ",t=") &&
           take_number(&at, 16, &out->operations) && skip(&at, ",p=1$") &&
           take_bytes(&at, out->salt, sizeof(out->salt)) && skip(&at, "$") &&
           take_bytes(&at, out->hash, sizeof(out->hash)) && *at == '\0';
}

bool pin_hash_is_good(const char *hash)
{
    struct parts parts;

    return take_apart(hash, &parts);
}

enum pin_answer pin_compare(const char *pin, const char hash[PIN_HASH_ROOM])
{
    struct parts parts;
    unsigned char reckoned[sizeof(parts.hash)];
    enum pin_answer answer;

    if (!take_apart(hash, &parts))
        return PIN_WRONG; /* the file is not read with such a one */
    if (crypto_pwhash(reckoned, sizeof(reckoned), pin, strlen(pin), parts.salt, parts.operations,
                      parts.memory_kib * 1024, crypto_pwhash_ALG_ARGON2ID13) != 0)
        return PIN_UNKNOWN;
    answer = sodium_memcmp(reckoned, parts.hash, sizeof(reckoned)) == 0 ? PIN_RIGHT : PIN_WRONG;
    sodium_memzero(reckoned, sizeof(reckoned));
    return answer;
}

/* Written, not reckoned: the daemon starts without the work of one. */
void pin_dummy(char hash[PIN_HASH_ROOM])
{
    memset(hash, 0, PIN_HASH_ROOM);
    (void)snprintf(hash, PIN_HASH_ROOM,
                   "$argon2id$v=19$m=%u,t=%u,p=1$AAAAAAAAAAAAAAAAAAAAAA$"
                   "AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA",
                   MEMORY / 1024U, OPERATIONS);
}
