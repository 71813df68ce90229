/* kinds.c - the whole table: read from its folder (the only I/O of this module), built, counted, found in. */
#include <dirent.h>
#include <errno.h>
#include <sodium.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "clinical/load.h"
#include "wardpost/json_in.h"

/* ---- building ---- */

static const json_t *file_json(struct loader *loader, const char *path, struct place *out)
{
    loader->file = path;
    *out = (struct place){loader, json_object_get(loader->kinds->files, path), ""};
    return out->json;
}

typedef bool load_file(const struct place *file);

static bool load_one(struct loader *loader, const char *path, load_file *load)
{
    struct place file;

    if (!file_json(loader, path, &file))
        return place_fail(&file, "this file is missing");
    return load(&file);
}

static int by_name(const void *a, const void *b)
{
    return strcmp((*(const struct kind *const *)a)->name, (*(const struct kind *const *)b)->name);
}

static int by_order(const void *a, const void *b)
{
    const struct kind *left = *(const struct kind *const *)a, *right = *(const struct kind *const *)b;

    return left->order != right->order ? (left->order > right->order) - (left->order < right->order) : strcmp(left->name, right->name);
}

static size_t count_below(const json_t *files, const char *folder)
{
    size_t count = 0;
    const char *path;
    json_t *json;

    json_object_foreach(json_walk(files), path, json) count += strncmp(path, folder, strlen(folder)) == 0;
    return count;
}

static bool name_fits(const struct place *file, const char *name)
{
    char path[160];

    snprintf(path, sizeof(path), "kinds/%s.json", name);
    return strcmp(path, file->loader->file) == 0 || place_fail(file, "kind is not the file's name");
}

static bool load_all_kinds(struct loader *loader, struct kind *list)
{
    struct kinds *kinds = loader->kinds;
    const char *path;
    json_t *json;

    json_object_foreach(json_walk(kinds->files), path, json)
    {
        struct place file = {loader, json, ""};
        struct kind *kind = &list[kinds->count];

        if (strncmp(path, "kinds/", 6) != 0)
            continue;
        loader->file = path;
        if (!load_kind(&file, kind) || !name_fits(&file, kind->name))
            return false;
        kinds->by_name[kinds->count] = kinds->by_order[kinds->count] = kind;
        kinds->count++;
    }
    qsort(kinds->by_name, kinds->count, sizeof(*kinds->by_name), by_name);
    qsort(kinds->by_order, kinds->count, sizeof(*kinds->by_order), by_order);
    for (size_t i = 0; i < kinds->count; i++)
        ((struct kind *)(uintptr_t)kinds->by_order[i])->index = i;
    return true;
}

static bool link_all_kinds(struct loader *loader)
{
    struct kinds *kinds = loader->kinds;

    for (size_t i = 0; i < kinds->count; i++) {
        struct kind *kind = (struct kind *)(uintptr_t)kinds->by_name[i];
        struct place file;
        char path[160];

        snprintf(path, sizeof(path), "kinds/%s.json", kind->name);
        file_json(loader, path, &file);
        if (!load_kind_links(&file, kind))
            return false;
    }
    return true;
}

static bool load_kinds_folder(struct loader *loader)
{
    struct kinds *kinds = loader->kinds;
    size_t count = count_below(kinds->files, "kinds/");
    struct kind *list = arena(loader, count, sizeof(*list));

    kinds->by_name = arena(loader, count, sizeof(*kinds->by_name));
    kinds->by_order = arena(loader, count, sizeof(*kinds->by_order));
    return list && kinds->by_name && kinds->by_order && load_all_kinds(loader, list) && link_all_kinds(loader);
}

static bool load_checks_file(const struct place *file)
{
    static const struct member members[] = {
        {"checks", MEMBER_ARRAY, true, 0, 0}
    };
    struct kinds *kinds = file->loader->kinds;

    return SHAPE(file, members, NULL) && load_checks(file, "checks", NULL, &kinds->checks, &kinds->checks_count);
}

static bool load_scores(struct loader *loader)
{
    struct kinds *kinds = loader->kinds;
    struct score *list = arena(loader, count_below(kinds->files, "scores/"), sizeof(*list));
    const char *path;
    json_t *json;

    if (!list)
        return false;
    kinds->scores = list;
    json_object_foreach(json_walk(kinds->files), path, json)
    {
        struct place file = {loader, json, ""};

        if (strncmp(path, "scores/", 7) != 0)
            continue;
        loader->file = path;
        if (!load_score(&file, &list[kinds->scores_count]))
            return false;
        kinds->scores_count++;
    }
    return true;
}

static int by_text(const void *a, const void *b)
{
    return strcmp(*(const char *const *)a, *(const char *const *)b);
}

/* Order of files on disk does not matter: json_in_hash() of an object does not depend on it. */
static void set_version(struct kinds *kinds)
{
    uint8_t hash[32];

    json_in_hash(kinds->files, NULL, hash);
    sodium_bin2hex(kinds->version, sizeof(kinds->version), hash, 8);
}

static bool build(struct loader *loader)
{
    return load_one(loader, "units.json", load_units) && load_lists(loader) && load_one(loader, "not-taken.json", load_not_taken) &&
           load_kinds_folder(loader) && load_one(loader, "panel.json", load_panel) &&
           load_one(loader, "checks.json", load_checks_file) && load_scores(loader);
}

enum status kinds_from_json(const json_t *files, struct kinds **out, struct kinds_fault *fault)
{
    struct loader loader = {.fault = fault, .file = ""};
    struct kinds *kinds = calloc(1, sizeof(*kinds));
    bool good;

    *fault = (struct kinds_fault){.reason = ""};
    if (!kinds)
        return STATUS_NO_MEMORY;
    atomic_init(&kinds->references, 1);
    kinds->files = json_incref(json_walk(files));
    loader.kinds = kinds;
    good = build(&loader);
    if (good) {
        set_version(kinds);
        *out = kinds;
        return STATUS_OK;
    }
    kinds_free(kinds);
    return loader.no_memory ? STATUS_NO_MEMORY : STATUS_INVALID;
}

/* ---- reading the folder ---- */

#define FILES_MOST 512

static bool is_table_file(const char *name)
{
    size_t length = strlen(name);

    return length > 5 && name[0] != '.' && strcmp(name + length - 5, ".json") == 0;
}

static enum status read_file(const char *root, const char *path, json_t *files, struct kinds_fault *fault)
{
    struct json_fault json_fault;
    char full[4400];
    json_t *json = NULL;
    enum status status;

    snprintf(full, sizeof(full), "%s/%s", root, path);
    status = json_in_file(full, &json, &json_fault);
    if (status == STATUS_INVALID) {
        snprintf(fault->file, sizeof(fault->file), "%s", path);
        snprintf(fault->reason, sizeof(fault->reason), "line %u, column %u: %.180s", json_fault.line, json_fault.column, json_fault.detail);
    }
    if (status == STATUS_OK && json_object_set_new(files, path, json) != 0)
        status = STATUS_NO_MEMORY;
    return status;
}

static enum status read_folder(const char *root, const char *folder, json_t *files, struct kinds_fault *fault)
{
    char full[4400], path[300];
    enum status status = STATUS_OK;
    struct dirent *entry;
    DIR *dir;

    snprintf(full, sizeof(full), "%s/%s", root, folder);
    dir = opendir(full);
    if (!dir)
        return errno == ENOENT ? STATUS_NOT_FOUND : STATUS_IO;
    while (status == STATUS_OK && (entry = readdir(dir))) {
        if (!is_table_file(entry->d_name) || json_object_size(files) >= FILES_MOST)
            continue;
        snprintf(path, sizeof(path), "%s%s%s", folder, *folder ? "/" : "", entry->d_name);
        status = read_file(root, path, files, fault);
    }
    closedir(dir);
    return status;
}

/* In the order of their names, so that the first fault found is always the same one. */
static json_t *sorted(json_t *files)
{
    const char *names[FILES_MOST];
    json_t *in_order = json_object(), *json;
    size_t count = 0;
    const char *path;

    json_object_foreach(files, path, json) names[count++] = path;
    qsort(names, count, sizeof(*names), by_text);
    for (size_t i = 0; in_order && i < count; i++)
        if (json_object_set(in_order, names[i], json_object_get(files, names[i])) != 0) {
            json_decref(in_order);
            in_order = NULL;
        }
    return in_order;
}

enum status kinds_load(const char *path, struct kinds **out, struct kinds_fault *fault)
{
    static const char *const folders[] = {"", "kinds", "codings", "scores"};
    json_t *files = json_object(), *in_order = NULL;
    enum status status = files ? STATUS_OK : STATUS_NO_MEMORY;

    *fault = (struct kinds_fault){.reason = ""};
    for (size_t i = 0; i < sizeof(folders) / sizeof(folders[0]) && status == STATUS_OK; i++)
        status = read_folder(path, folders[i], files, fault);
    if (status == STATUS_OK)
        status = (in_order = sorted(files)) ? kinds_from_json(in_order, out, fault) : STATUS_NO_MEMORY;
    json_decref(in_order);
    json_decref(files);
    return status;
}

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

/* A plain walk: a table has some dozens of kinds, and it must work while they are being loaded. */
const struct kind *kinds_find(const struct kinds *kinds, const char *name)
{
    for (size_t i = 0; name && i < kinds->count; i++)
        if (strcmp(kinds->by_name[i]->name, name) == 0)
            return kinds->by_name[i];
    return NULL;
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
