/* kinds.c - the whole table: read from its folder (the only I/O of this module), held, found in;
 * see wardpost/kind.h. */
#include <dirent.h>
#include <errno.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "clinical/load.h"
#include "wardpost/json_in.h"

/* ---- reading the folder ---- */

struct folder {
    const char *root, *name; /* "" or "kinds" */
    json_t *files;
    struct kinds_fault *fault;
};

#define PATH_ROOM 4400

static bool is_table_file(const char *name)
{
    size_t length = strlen(name);

    return length > 5 && name[0] != '.' && strcmp(name + length - 5, ".json") == 0;
}

static enum status fail(const struct folder *folder, const char *path, const char *reason,
                        enum status status)
{
    (void)snprintf(folder->fault->file, sizeof(folder->fault->file), "%s", path);
    (void)snprintf(folder->fault->reason, sizeof(folder->fault->reason), "%s", reason);
    return status;
}

static enum status read_file(const struct folder *folder, const char *path)
{
    struct json_fault json_fault;
    char full[PATH_ROOM], reason[256];
    json_t *json = NULL;
    enum status status;
    int length = snprintf(full, sizeof(full), "%s/%s", folder->root, path);

    if (length < 0 || (size_t)length >= sizeof(full))
        return fail(folder, path, "a path that is too long", STATUS_IO);
    status = json_in_file(full, &json, &json_fault);
    if (status == STATUS_INVALID) {
        (void)snprintf(reason, sizeof(reason), "line %u, column %u: %.200s", json_fault.line,
                       json_fault.column, json_fault.detail);
        return fail(folder, path, reason, status);
    }
    if (status == STATUS_IO)
        return fail(folder, path, strerror(errno), status);
    if (status == STATUS_OK && json_object_set_new(folder->files, path, json) != 0)
        return STATUS_NO_MEMORY;
    return status;
}

static enum status read_entry(const struct folder *folder, const char *name)
{
    char path[300];

    if (!is_table_file(name))
        return STATUS_OK;
    (void)snprintf(path, sizeof(path), "%s%s%s", folder->name, *folder->name ? "/" : "", name);
    if (json_object_size(folder->files) >= FILES_MOST)
        return fail(folder, path, "more files than a table has", STATUS_INVALID);
    return read_file(folder, path);
}

static enum status read_open(const struct folder *folder, DIR *dir)
{
    enum status status = STATUS_OK;
    const struct dirent *entry;

    while (status == STATUS_OK) {
        errno = 0;
        entry = readdir(dir);
        if (!entry)
            return errno == 0 ? STATUS_OK : fail(folder, folder->name, strerror(errno), STATUS_IO);
        status = read_entry(folder, entry->d_name);
    }
    return status;
}

/* A table without scores or lists is one; what it cannot do without is seen by kinds_from_json().
 */
static enum status read_folder(const struct folder *folder)
{
    char full[PATH_ROOM];
    enum status status;
    DIR *dir;
    int length = snprintf(full, sizeof(full), "%s/%s", folder->root, folder->name);

    if (length < 0 || (size_t)length >= sizeof(full))
        return fail(folder, folder->name, "a path that is too long", STATUS_IO);
    dir = opendir(full);
    if (!dir && errno == ENOENT)
        return *folder->name ? STATUS_OK
                             : fail(folder, "", "there is no such folder", STATUS_NOT_FOUND);
    if (!dir)
        return fail(folder, folder->name, strerror(errno), STATUS_IO);
    status = read_open(folder, dir);
    closedir(dir);
    return status;
}

static int by_text(const void *a, const void *b)
{
    return strcmp(*(const char *const *)a, *(const char *const *)b);
}

/* In the order of their names, so that the first fault found is always the same one. */
static json_t *sorted(const json_t *files)
{
    const char *names[FILES_MOST], *path;
    json_t *in_order = json_object(), *json;
    size_t count = 0;

    json_object_foreach(json_walk(files), path, json) names[count++] = path;
    qsort(names, count, sizeof(*names), by_text);
    for (size_t i = 0; in_order && i < count; i++)
        if (json_object_set(in_order, names[i], json_object_get(files, names[i])) != 0) {
            json_decref(in_order);
            in_order = NULL;
        }
    return in_order;
}

static enum status build_sorted(const json_t *files, struct kinds **out, struct kinds_fault *fault)
{
    json_t *in_order = sorted(files);
    enum status status = in_order ? kinds_from_json(in_order, out, fault) : STATUS_NO_MEMORY;

    json_decref(in_order);
    return status;
}

const char *kinds_fault_text(const struct kinds_fault *fault, char out[KINDS_FAULT_ROOM])
{
    (void)snprintf(out, KINDS_FAULT_ROOM, "%s%s%s: %s", fault->file, fault->pointer[0] ? "#" : "",
                   fault->pointer, fault->reason);
    return out;
}

enum status kinds_load(const char *path, struct kinds **out, struct kinds_fault *fault)
{
    static const char *const names[] = {"", "kinds", "codings", "scores", "languages"};
    struct folder folder = {.root = path, .files = json_object(), .fault = fault};
    enum status status = folder.files ? STATUS_OK : STATUS_NO_MEMORY;

    *fault = (struct kinds_fault){.reason = ""};
    for (size_t i = 0; i < COUNT(names) && status == STATUS_OK; i++) {
        folder.name = names[i];
        status = read_folder(&folder);
    }
    if (status == STATUS_OK)
        status = build_sorted(folder.files, out, fault);
    json_decref(folder.files);
    return status;
}

/* ---- holding ---- */

struct kinds *kinds_hold(struct kinds *kinds)
{
    atomic_fetch_add(&kinds->references, 1);
    return kinds;
}

void kinds_free(struct kinds *kinds)
{
    if (!kinds || atomic_fetch_sub(&kinds->references, 1) > 1)
        return;
    arena_free(kinds->memory);
    json_decref(kinds->files);
    free(kinds);
}

/* ---- finding ---- */

size_t kinds_count(const struct kinds *kinds)
{
    return kinds->count;
}

const struct kind *kinds_at(const struct kinds *kinds, size_t index)
{
    return kinds->by_order[index];
}

static int name_before(const void *key, const void *item)
{
    return strcmp(key, (*(const struct kind *const *)item)->name);
}

const struct kind *kinds_find(const struct kinds *kinds, const char *name)
{
    const struct kind *const *found =
        bsearch(name, kinds->by_name, kinds->count, sizeof(void *), name_before);

    return found ? *found : NULL;
}

const struct reason *kinds_reason(const struct kinds *kinds, const char *word)
{
    for (size_t i = 0; i < kinds->reasons_count; i++)
        if (strcmp(kinds->reasons[i].word, word) == 0)
            return &kinds->reasons[i];
    return NULL;
}

size_t kinds_reason_count(const struct kinds *kinds)
{
    return kinds->reasons_count;
}

const struct reason *kinds_reason_at(const struct kinds *kinds, size_t index)
{
    return &kinds->reasons[index];
}

const struct correction_reason *kinds_correction_reason(const struct kinds *kinds, const char *word)
{
    for (size_t i = 0; i < kinds->corrections_count; i++)
        if (strcmp(kinds->corrections[i].word, word) == 0)
            return &kinds->corrections[i];
    return NULL;
}

const struct panel *kinds_panel(const struct kinds *kinds)
{
    return &kinds->panel;
}

const char *kinds_version(const struct kinds *kinds)
{
    return kinds->version;
}

const json_t *kinds_files(const struct kinds *kinds)
{
    return kinds->files;
}

size_t kinds_score_count(const struct kinds *kinds)
{
    return kinds->scores_count;
}

size_t kinds_language_count(const struct kinds *kinds)
{
    return kinds->languages_count;
}

const struct language *kinds_language_at(const struct kinds *kinds, size_t index)
{
    return &kinds->languages[index];
}

const struct language *kinds_language(const struct kinds *kinds, const char *code)
{
    for (size_t i = 0; i < kinds->languages_count; i++)
        if (strcmp(kinds->languages[i].code, code) == 0)
            return &kinds->languages[i];
    return NULL;
}

const struct word *word_list_find(const struct word_list *list, const char *word)
{
    for (size_t i = 0; i < list->count; i++)
        if (strcmp(list->words[i].word, word) == 0)
            return &list->words[i];
    return NULL;
}

const struct part *kind_part(const struct kind *kind, const char *name)
{
    for (size_t i = 0; i < kind->parts_count; i++)
        if (strcmp(kind->parts[i].name, name) == 0)
            return &kind->parts[i];
    return NULL;
}

const struct field *kind_field(const struct kind *kind, const char *path)
{
    for (size_t i = 0; i < kind->fields_count; i++)
        if (strcmp(kind->fields[i].path, path) == 0)
            return &kind->fields[i];
    return NULL;
}
