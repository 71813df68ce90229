/* nearest.c - the known name that somebody may have meant: for messages only; see wardpost/kind.h.
 */
#include <stdint.h>
#include <string.h>

#include "clinical/clinical_private.h"

#define NAME_MOST 40

/* Levenshtein's edit distance (1965) in one row; longer names are never near. */
static size_t distance(const char *a, const char *b)
{
    size_t row[NAME_MOST + 1];
    size_t length = strlen(b);

    if (strlen(a) > NAME_MOST || length > NAME_MOST)
        return SIZE_MAX;
    for (size_t j = 0; j <= length; j++)
        row[j] = j;
    for (size_t i = 0; a[i]; i++) {
        size_t diagonal = row[0];

        row[0] = i + 1;
        for (size_t j = 0; j < length; j++) {
            size_t best = diagonal + (a[i] != b[j]);

            diagonal = row[j + 1];
            best = row[j] + 1 < best ? row[j] + 1 : best;
            best = diagonal + 1 < best ? diagonal + 1 : best;
            row[j + 1] = best;
        }
    }
    return row[length];
}

struct nearest {
    const char *sent, *name;
    size_t distance;
};

static void consider(struct nearest *nearest, const char *name)
{
    size_t away = distance(nearest->sent, name);

    if (away < nearest->distance) {
        nearest->distance = away;
        nearest->name = name;
    }
}

/* A third of the name may be wrong: more than that is guessing. */
static const char *near_enough(const struct nearest *nearest)
{
    return nearest->name && nearest->distance <= strlen(nearest->name) / 3 ? nearest->name : NULL;
}

const char *kinds_nearest(const struct kinds *kinds, const char *name)
{
    struct nearest nearest = {name, NULL, SIZE_MAX};

    for (size_t i = 0; i < kinds->count; i++)
        consider(&nearest, kinds->by_name[i]->name);
    return near_enough(&nearest);
}

const char *word_list_nearest(const struct word_list *list, const char *word)
{
    struct nearest nearest = {word, NULL, SIZE_MAX};

    for (size_t i = 0; i < list->count; i++)
        consider(&nearest, list->words[i].word);
    return near_enough(&nearest);
}

const char *kind_nearest_field(const struct kind *kind, const char *name)
{
    static const char *const of_each[] = {"age",      "by",      "confirmed", "device",
                                          "id",       "kind",    "note",      "not-taken",
                                          "override", "patient", "taken",     "unit"};
    struct nearest nearest = {name, NULL, SIZE_MAX};

    for (size_t i = 0; i < kind->parts_count; i++)
        consider(&nearest, kind->parts[i].name);
    for (size_t i = 0; i < kind->fields_count; i++)
        consider(&nearest, kind->fields[i].group ? kind->fields[i].group : kind->fields[i].name);
    for (size_t i = 0; i < sizeof(of_each) / sizeof(of_each[0]); i++)
        consider(&nearest, of_each[i]);
    return near_enough(&nearest);
}
