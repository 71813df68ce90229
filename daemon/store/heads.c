/* heads.c - see heads.h. */
#include "store/heads.h"

#include <pthread.h>
#include <stdlib.h>
#include <string.h>

#define ROWS   ((size_t)256)      /* a patient has one of them */
#define PLACES HEADS_OF_A_PATIENT /* in a row: kinds of whatever patients share it */

struct place {
    bool used;
    struct named_head named; /* head: as the transaction has left it */
    struct head shown;       /* as of the last COMMIT; seq 0: the chain was not here then */
    bool unwritten;          /* the table is behind */
    bool touched, written;   /* in this transaction */
    bool saved;              /* since the savepoint began */
};

struct saved {
    size_t at;
    struct place place;
};

struct heads {
    pthread_mutex_t lock; /* held for some comparisons only; the writer writes under it and reads
                             without */
    struct place places[ROWS * PLACES];
    uint16_t changed[ROWS * PLACES]; /* touched or written in this transaction */
    size_t changed_count;
    bool guarded; /* within a savepoint */
    size_t changed_before;
    struct saved saved[ROWS * PLACES];
    size_t saved_count;
};

enum status heads_new(struct heads **out)
{
    struct heads *heads = calloc(1, sizeof(*heads)); /* pages that are never used cost nothing */

    if (!heads)
        return STATUS_NO_MEMORY;
    pthread_mutex_init(&heads->lock, NULL);
    *out = heads;
    return STATUS_OK;
}

void heads_free(struct heads *heads)
{
    if (!heads)
        return;
    pthread_mutex_destroy(&heads->lock);
    free(heads);
}

/* The hash of a patient is spread already (SipHash). */
static size_t row_of(int64_t patient)
{
    return (size_t)((uint64_t)patient % ROWS) * PLACES;
}

static bool is_of(const struct place *place, int64_t patient, const char *kind)
{
    return place->used && place->named.patient == patient && strcmp(place->named.kind, kind) == 0;
}

/* Its place, or PLACES * ROWS. */
static size_t find(const struct heads *heads, int64_t patient, const char *kind)
{
    const size_t row = row_of(patient);

    for (size_t at = row; at < row + PLACES; at++)
        if (is_of(&heads->places[at], patient, kind))
            return at;
    return ROWS * PLACES;
}

const struct head *heads_find(const struct heads *heads, int64_t patient, const char *kind)
{
    const size_t at = find(heads, patient, kind);

    return at < ROWS * PLACES ? &heads->places[at].named.head : NULL;
}

/* A free one, or one whose head the table has: that is found there as well. */
static size_t make_place(const struct heads *heads, int64_t patient)
{
    const size_t row = row_of(patient);

    for (size_t at = row; at < row + PLACES; at++)
        if (!heads->places[at].used)
            return at;
    for (size_t at = row; at < row + PLACES; at++)
        if (!heads->places[at].unwritten && !heads->places[at].touched)
            return at;
    return ROWS * PLACES;
}

/* Before a place changes. */
static void save(struct heads *heads, size_t at)
{
    if (!heads->guarded || heads->places[at].saved)
        return;
    heads->saved[heads->saved_count++] = (struct saved){at, heads->places[at]};
    heads->places[at].saved = true;
}

static void note_change(struct heads *heads, size_t at)
{
    if (!heads->places[at].touched && !heads->places[at].written)
        heads->changed[heads->changed_count++] = (uint16_t)at;
}

bool heads_set(struct heads *heads, int64_t patient, const char *kind, struct head head)
{
    size_t at = find(heads, patient, kind);
    struct place *place;

    if (at == ROWS * PLACES) {
        if (strlen(kind) >= HEAD_KIND_ROOM)
            return false;
        at = make_place(heads, patient);
        if (at == ROWS * PLACES)
            return false;
        save(heads, at);
        pthread_mutex_lock(&heads->lock);
        heads->places[at] = (struct place){
            .used = true, .named.patient = patient, .saved = heads->places[at].saved};
        memcpy(heads->places[at].named.kind, kind, strlen(kind) + 1);
        pthread_mutex_unlock(&heads->lock);
    }
    place = &heads->places[at];
    save(heads, at);
    note_change(heads, at);
    place->touched = place->unwritten = true;
    place->named.head = head;
    return true;
}

size_t heads_unwritten(struct heads *heads, size_t *cursor, struct named_head *out, size_t most)
{
    size_t count = 0;

    for (; *cursor < ROWS * PLACES && count < most; ++*cursor) {
        struct place *place = &heads->places[*cursor];

        if (!place->unwritten)
            continue;
        save(heads, *cursor);
        note_change(heads, *cursor);
        place->written = true;
        out[count++] = place->named;
    }
    return count;
}

/* ---- the end of a transaction ---- */

void heads_commit(struct heads *heads)
{
    pthread_mutex_lock(&heads->lock);
    for (size_t i = 0; i < heads->changed_count; i++) {
        struct place *place = &heads->places[heads->changed[i]];

        place->shown = place->named.head;
        place->unwritten = place->unwritten && !place->written;
        place->touched = place->written = false;
    }
    pthread_mutex_unlock(&heads->lock);
    heads->changed_count = 0;
}

/* What was not here at the last COMMIT gives its place back: the table knows it, or nobody does. */
void heads_roll_back(struct heads *heads)
{
    pthread_mutex_lock(&heads->lock);
    for (size_t i = 0; i < heads->changed_count; i++) {
        struct place *place = &heads->places[heads->changed[i]];

        if (place->shown.seq == 0)
            *place = (struct place){.used = false};
        place->named.head = place->shown;
        place->touched = place->written = false;
    }
    pthread_mutex_unlock(&heads->lock);
    heads->changed_count = 0;
}

/* ---- savepoints ---- */

void heads_savepoint(struct heads *heads)
{
    heads->guarded = true;
    heads->changed_before = heads->changed_count;
    heads->saved_count = 0;
}

void heads_savepoint_done(struct heads *heads)
{
    for (size_t i = 0; i < heads->saved_count; i++)
        heads->places[heads->saved[i].at].saved = false;
    heads->saved_count = 0;
    heads->guarded = false;
}

void heads_savepoint_back(struct heads *heads)
{
    pthread_mutex_lock(&heads->lock);
    for (size_t i = 0; i < heads->saved_count; i++)
        heads->places[heads->saved[i].at] = heads->saved[i].place;
    pthread_mutex_unlock(&heads->lock);
    heads->saved_count = 0;
    heads->changed_count = heads->changed_before; /* what was first changed since is as it was */
    heads->guarded = false;
}

/* ---- others ---- */

bool heads_shown(struct heads *heads, int64_t patient, const char *kind, int64_t *seq_out)
{
    size_t at;

    pthread_mutex_lock(&heads->lock);
    at = find(heads, patient, kind);
    *seq_out = at < ROWS * PLACES ? heads->places[at].shown.seq : 0;
    pthread_mutex_unlock(&heads->lock);
    return *seq_out != 0;
}

size_t heads_of(struct heads *heads, int64_t patient, struct named_head out[HEADS_OF_A_PATIENT])
{
    const size_t row = row_of(patient);
    size_t count = 0;

    pthread_mutex_lock(&heads->lock);
    for (size_t at = row; at < row + PLACES; at++) {
        const struct place *place = &heads->places[at];

        if (!place->used || place->named.patient != patient || place->shown.seq == 0)
            continue;
        out[count].patient = patient;
        memcpy(out[count].kind, place->named.kind, HEAD_KIND_ROOM);
        out[count++].head = place->shown; /* named.head is the writer's at any time */
    }
    pthread_mutex_unlock(&heads->lock);
    return count;
}

bool heads_next_patient(struct heads *heads, int64_t after, int64_t *patient_out)
{
    bool found = false;

    pthread_mutex_lock(&heads->lock);
    for (size_t at = 0; at < ROWS * PLACES; at++) {
        const struct place *place = &heads->places[at];

        if (!place->used || place->shown.seq == 0 || place->named.patient <= after ||
            (found && place->named.patient >= *patient_out))
            continue;
        *patient_out = place->named.patient;
        found = true;
    }
    pthread_mutex_unlock(&heads->lock);
    return found;
}
