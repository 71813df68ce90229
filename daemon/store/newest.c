/* newest.c - see newest.h. */
#include <pthread.h>
#include <stdlib.h>
#include <string.h>

#include "store/newest.h"

#define ROWS      ((size_t)1024)
#define PLACES    4U /* of a row: a patient and kind may stand in any of them */
#define KIND_ROOM 40

struct place {
    int64_t patient;
    char kind[KIND_ROOM]; /* "": free */
    struct newest_values values;
};

struct row {
    uint32_t generation; /* how often the writer has noted something here */
    uint32_t next;       /* the place that is given up next */
    struct place places[PLACES];
};

struct newest {
    pthread_mutex_t lock; /* held for a copy of some bytes only */
    uint32_t forgotten;   /* how often all was; part of each row's generation */
    struct row rows[ROWS];
};

enum status newest_new(struct newest **out)
{
    struct newest *newest = calloc(1, sizeof(*newest)); /* pages that are never used cost nothing */

    if (!newest)
        return STATUS_NO_MEMORY;
    pthread_mutex_init(&newest->lock, NULL);
    *out = newest;
    return STATUS_OK;
}

void newest_free(struct newest *newest)
{
    if (!newest)
        return;
    pthread_mutex_destroy(&newest->lock);
    free(newest);
}

static struct row *row_of(struct newest *newest, int64_t patient, const char *kind)
{
    uint64_t hash = (uint64_t)patient;

    for (; *kind; kind++)
        hash = (hash ^ (unsigned char)*kind) *
               0x100000001B3U; /* FNV-1a over what SipHash has spread already */
    return &newest->rows[(hash ^ hash >> 32) % ROWS];
}

/* NULL: not here. */
static struct place *place_in(struct row *row, int64_t patient, const char *kind)
{
    for (size_t i = 0; i < PLACES; i++)
        if (row->places[i].patient == patient && strcmp(row->places[i].kind, kind) == 0)
            return &row->places[i];
    return NULL;
}

bool newest_find(struct newest *newest, int64_t patient, const char *kind,
                 struct newest_values *out, uint32_t *generation)
{
    struct row *row = row_of(newest, patient, kind);
    const struct place *place;

    pthread_mutex_lock(&newest->lock);
    place = place_in(row, patient, kind);
    *generation = row->generation + newest->forgotten;
    if (place)
        *out = place->values;
    pthread_mutex_unlock(&newest->lock);
    return place != NULL;
}

static void write_place(struct row *row, int64_t patient, const char *kind,
                        const struct newest_values *values)
{
    struct place *place = place_in(row, patient, kind);

    if (!place)
        place = &row->places[row->next++ % PLACES];
    place->patient = patient;
    memcpy(place->kind, kind, strlen(kind) + 1);
    place->values = *values;
}

void newest_learn(struct newest *newest, int64_t patient, const char *kind, uint32_t generation,
                  const struct newest_values *values)
{
    struct row *row = row_of(newest, patient, kind);

    if (strlen(kind) >= KIND_ROOM)
        return;
    pthread_mutex_lock(&newest->lock);
    if (row->generation + newest->forgotten == generation)
        write_place(row, patient, kind, values);
    pthread_mutex_unlock(&newest->lock);
}

/* One that was taken before the last known does not change which is the last. */
static void update_place(struct place *place, const struct newest_values *values, const char *bytes)
{
    if (!place->values.none && place->values.taken_ms > values->taken_ms)
        return;
    place->values = *values;
    if (bytes && values->length <= NEWEST_VALUES_MOST)
        memcpy(place->values.bytes, bytes, values->length);
    else
        place->kind[0] = '\0';
}

void newest_note(struct newest *newest, int64_t patient, const char *kind, int64_t taken_ms,
                 const char *bytes, size_t length)
{
    struct row *row = row_of(newest, patient, kind);
    const struct newest_values values = {.taken_ms = taken_ms, .length = length};
    struct place *place;

    pthread_mutex_lock(&newest->lock);
    row->generation++;
    place = place_in(row, patient, kind);
    if (place)
        update_place(place, &values, bytes);
    pthread_mutex_unlock(&newest->lock);
}

void newest_forget(struct newest *newest)
{
    pthread_mutex_lock(&newest->lock);
    newest->forgotten++;
    for (size_t i = 0; i < ROWS * PLACES; i++) {
        struct place *place = &newest->rows[i / PLACES].places[i % PLACES];

        if (place->kind[0] != '\0') /* places that were never used stay untouched */
            place->kind[0] = '\0';
    }
    pthread_mutex_unlock(&newest->lock);
}
