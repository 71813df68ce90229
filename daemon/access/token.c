/* token.c - bearer tokens: 256 random bits, so that a plain hash of one gives nothing away. */
#include <sodium.h>
#include <stdio.h>
#include <string.h>

#include "wardpost/access.h"

void token_hash(const char *text, size_t length, uint8_t hash[TOKEN_HASH_BYTES])
{
    crypto_generichash(hash, TOKEN_HASH_BYTES, (const unsigned char *)text, length, NULL, 0);
}

void token_make(char text[TOKEN_TEXT_ROOM], uint8_t hash[TOKEN_HASH_BYTES])
{
    unsigned char secret[32];
    char encoded[TOKEN_TEXT_ROOM - 3];

    randombytes_buf(secret, sizeof(secret));
    sodium_bin2base64(encoded, sizeof(encoded), secret, sizeof(secret),
                      sodium_base64_VARIANT_URLSAFE_NO_PADDING);
    (void)snprintf(text, TOKEN_TEXT_ROOM, "wp_%s", encoded);
    token_hash(text, strlen(text), hash);
    sodium_memzero(secret, sizeof(secret));
    sodium_memzero(encoded, sizeof(encoded));
}
