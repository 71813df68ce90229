/* arena.c - memory for a table: given in pieces, freed at once; see load.h. */
#include <stdint.h>
#include <stdlib.h>

#include "clinical/load.h"

struct chunk {
    struct chunk *next;
    size_t used, room;
    _Alignas(16) char bytes[];
};

#define CHUNK_ROOM ((size_t)16384)

static struct chunk *chunk_for(struct loader *loader, size_t length)
{
    struct chunk *chunk = loader->kinds->memory;
    size_t room = length > CHUNK_ROOM ? length : CHUNK_ROOM;

    if (chunk && chunk->room - chunk->used >= length)
        return chunk;
    chunk = calloc(1, sizeof(*chunk) + room);
    if (!chunk)
        return NULL;
    chunk->room = room;
    chunk->next = loader->kinds->memory;
    loader->kinds->memory = chunk;
    return chunk;
}

/* Counts come from lists in memory, so that a product that does not fit cannot come up; still. */
void *arena(struct loader *loader, size_t count, size_t size)
{
    size_t most = (SIZE_MAX / 2 - 16) / (size > 0 ? size : 1);
    size_t length = count > most ? SIZE_MAX / 2 : (count * size + 16) & ~(size_t)15;
    struct chunk *chunk = count > most ? NULL : chunk_for(loader, length);
    void *given;

    if (!chunk) {
        loader->no_memory = true;
        return NULL;
    }
    given = chunk->bytes + chunk->used;
    chunk->used += length;
    return given;
}

void arena_free(struct chunk *memory)
{
    while (memory) {
        struct chunk *next = memory->next;

        free(memory);
        memory = next;
    }
}
