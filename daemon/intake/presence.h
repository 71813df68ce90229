/* presence.h - who has a set open, on which patient: told to each other, kept in memory only and
 * not for long. Pure, with the time given (ms, monotonic); whoever has it guards it. */
#ifndef WARDPOST_INTAKE_PRESENCE_H
#define WARDPOST_INTAKE_PRESENCE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "wardpost/access.h"
#include "wardpost/uuid.h"

#define PRESENCE_ROOM    256   /* of all patients; the one heard of longest ago goes first */
#define PRESENCE_OF_ONE  16    /* of one person, who so pushes out nobody else */
#define PRESENCE_MS      90000 /* without another word */
#define PATIENT_HASH_LEN 16
#define DISPLAY_ROOM     256

struct patient_hash { /* of the patient's key, with a secret of this process: tells nothing */
    uint8_t bytes[PATIENT_HASH_LEN];
};

struct visit { /* one open set */
    struct patient_hash patient;
    struct uuid set;
    char who[CLIENT_NAME_ROOM];
    char display[DISPLAY_ROOM];
    int64_t since_ms; /* wall clock */
    int64_t heard_ms; /* 0: no visit */
};

struct presence {
    struct visit visits[PRESENCE_ROOM];
};

bool patient_hash_equal(const struct patient_hash *a, const struct patient_hash *b);

/* True: it begins (false: it goes on). By that one of the same person with the same set on another
 * patient ends, or the oldest when there is no room for it or for theirs: *left is where (else
 * zeros). */
bool presence_note(struct presence *presence, const struct visit *visit, struct patient_hash *left);
/* True: there was one. */
bool presence_end(struct presence *presence, const struct visit *visit);
/* Drops one that was not heard of for PRESENCE_MS; false: there is none. Call until then. */
bool presence_expire(struct presence *presence, int64_t now_ms, struct patient_hash *left);
bool presence_is_empty(const struct presence *presence);
/* The next visit to that patient from *at on (begin with 0), but not this one (NULL: all); NULL: no
 * more. */
const struct visit *presence_next(const struct presence *presence,
                                  const struct patient_hash *patient, const struct visit *but,
                                  size_t *at);

#endif
