/* kinds_json.c - the table built from its files as they were parsed. Pure: no I/O, no clock; see
 * wardpost/kind.h. */
#include <sodium.h>
#include <stdatomic.h>
#include <stdlib.h>
#include <string.h>

#include "clinical/load.h"
#include "wardpost/json_in.h"

/* ---- files ---- */

static bool is_below(const char *path, const char *folder)
{
    return strncmp(path, folder, strlen(folder)) == 0;
}

/* A misspelt name would be a file that nobody reads. */
static bool files_are_known(struct loader *loader)
{
    static const char *const single[] = {"checks.json", "corrections.json", "not-taken.json",
                                         "panel.json", "units.json"};
    const struct place all = {loader, NULL, ""};
    const char *path;
    json_t *json;

    if (json_object_size(loader->kinds->files) > FILES_MOST)
        return place_fail(&all, "more than %d files", FILES_MOST);
    json_object_foreach(loader->kinds->files, path, json)
    {
        size_t i = 0;

        while (i < COUNT(single) && strcmp(single[i], path) != 0)
            i++;
        loader->file = path;
        if (i == COUNT(single) && !is_below(path, "kinds/") && !is_below(path, "codings/") &&
            !is_below(path, "scores/") && !is_below(path, "languages/"))
            return place_fail(&all, "no such file in a kind table");
    }
    return true;
}

static bool load_single(struct loader *loader, const char *path,
                        bool (*load)(const struct place *file))
{
    struct place file = {loader, json_object_get(loader->kinds->files, path), ""};

    loader->file = path;
    return file.json ? load(&file) : place_fail(&file, "this file is missing");
}

/* A table without it is whole: then nobody can correct by it. */
static bool load_optional(struct loader *loader, const char *path,
                          bool (*load)(const struct place *file))
{
    return !json_object_get(loader->kinds->files, path) || load_single(loader, path, load);
}

static size_t count_below(const struct kinds *kinds, const char *folder)
{
    size_t count = 0;
    const char *path;
    json_t *json;

    json_object_foreach(kinds->files, path, json) count += is_below(path, folder);
    return count;
}

typedef bool load_below(const struct place *file);

static bool load_folder(struct loader *loader, const char *folder, load_below *load)
{
    struct place file = {loader, NULL, ""};
    const char *path;
    json_t *json;

    json_object_foreach(loader->kinds->files, path, json)
    {
        loader->file = path;
        file.json = json;
        if (is_below(path, folder) && !load(&file))
            return false;
    }
    return true;
}

/* ---- word lists ---- */

static bool add_list(const struct place *file)
{
    struct kinds *kinds = file->loader->kinds;
    struct word_list *lists = file->loader->lists;

    return load_list(file, &lists[kinds->lists_count++]);
}

static bool load_lists(struct loader *loader)
{
    loader->lists = arena(loader, count_below(loader->kinds, "codings/"), sizeof(struct word_list));
    loader->kinds->lists = loader->lists;
    return loader->lists && load_folder(loader, "codings/", add_list);
}

/* ---- kinds ---- */

static bool add_kind(const struct place *file)
{
    struct kinds *kinds = file->loader->kinds;
    struct kind *kind = &file->loader->list[kinds->count];

    kinds->by_name[kinds->count] = kinds->by_order[kinds->count] = kind;
    kinds->count++;
    return load_kind(file, kind);
}

static int by_name(const void *a, const void *b)
{
    return strcmp((*(const struct kind *const *)a)->name, (*(const struct kind *const *)b)->name);
}

static int by_order(const void *a, const void *b)
{
    const struct kind *left = *(const struct kind *const *)a;
    const struct kind *right = *(const struct kind *const *)b;

    return left->order != right->order ? (left->order > right->order) - (left->order < right->order)
                                       : strcmp(left->name, right->name);
}

static void sort_kinds(struct loader *loader)
{
    struct kinds *kinds = loader->kinds;

    qsort(kinds->by_name, kinds->count, sizeof(void *), by_name);
    qsort(kinds->by_order, kinds->count, sizeof(void *), by_order);
    for (size_t i = 0; i < kinds->count; i++)
        loader->list[kinds->by_order[i] - loader->list].index = i;
}

/* The kind's name is its file's (load_kind.c), so that it is found by it. */
static bool link_kind(const struct place *file)
{
    const char *name = json_string_value(json_object_get(file->json, "kind"));
    const struct kind *kind = kinds_find(file->loader->kinds, name);

    return load_kind_links(file, &file->loader->list[kind - file->loader->list]);
}

static bool load_kinds(struct loader *loader)
{
    struct kinds *kinds = loader->kinds;
    const struct place all = {loader, NULL, ""};
    size_t count = count_below(kinds, "kinds/");

    loader->file = "kinds";
    if (count == 0)
        return place_fail(&all, "not one kind is here");
    loader->list = arena(loader, count, sizeof(*loader->list));
    kinds->by_name = arena(loader, count, sizeof(void *));
    kinds->by_order = arena(loader, count, sizeof(void *));
    if (!loader->list || !kinds->by_name || !kinds->by_order ||
        !load_folder(loader, "kinds/", add_kind))
        return false;
    sort_kinds(loader);
    return load_folder(loader, "kinds/", link_kind) && part_codings_are_used(loader);
}

/* ---- checks between kinds, scores ---- */

static bool take_checks(const struct place *at, const struct member *member, char *out)
{
    const struct kinds *kinds = at->loader->kinds;

    return take_list(at, member, out) && checks_are_apart(at, kinds->checks, kinds->checks_count);
}

static bool load_checks(const struct place *file)
{
    static const struct member members[] = {
        MEMBER("checks", REQUIRED, take_checks, LIST(kinds, checks, check_rows)),
    };

    return SHAPE(file, members, file->loader->kinds);
}

static bool add_score(const struct place *file)
{
    struct kinds *kinds = file->loader->kinds;

    return load_score(file, &file->loader->scores[kinds->scores_count++]);
}

static bool load_scores(struct loader *loader)
{
    loader->scores = arena(loader, count_below(loader->kinds, "scores/"), sizeof(struct score));
    loader->kinds->scores = loader->scores;
    return loader->scores && load_folder(loader, "scores/", add_score);
}

/* ---- languages ---- */

static bool add_language(const struct place *file)
{
    struct kinds *kinds = file->loader->kinds;

    return load_language(file, &file->loader->languages[kinds->languages_count++]);
}

static bool load_languages(struct loader *loader)
{
    size_t count = count_below(loader->kinds, "languages/");

    loader->languages = arena(loader, count, sizeof(struct language));
    loader->kinds->languages = loader->languages;
    return loader->languages && (count == 0 || (collect_texts(loader) &&
                                                load_folder(loader, "languages/", add_language)));
}

/* ---- the version ---- */

static int by_text(const void *a, const void *b)
{
    return strcmp(*(const char *const *)a, *(const char *const *)b);
}

/* BLAKE2b over the sorted file names and the content of each: neither the order of members nor
 * blanks make another version. */
static void set_version(struct kinds *kinds)
{
    const char *paths[FILES_MOST], *path;
    crypto_generichash_state state;
    uint8_t hash[32];
    size_t count = 0;
    json_t *json;

    json_object_foreach(kinds->files, path, json) paths[count++] = path;
    qsort(paths, count, sizeof(*paths), by_text);
    crypto_generichash_init(&state, NULL, 0, 8);
    for (size_t i = 0; i < count; i++) {
        json_in_hash(json_object_get(kinds->files, paths[i]), NULL, hash);
        crypto_generichash_update(&state, (const uint8_t *)paths[i], strlen(paths[i]) + 1);
        crypto_generichash_update(&state, hash, sizeof(hash));
    }
    crypto_generichash_final(&state, hash, 8);
    sodium_bin2hex(kinds->version, sizeof(kinds->version), hash, 8);
}

/* ---- all of it ---- */

/* In this order: each names only what stands before it. */
static bool build(struct loader *loader)
{
    return files_are_known(loader) && load_single(loader, "units.json", load_units) &&
           load_lists(loader) && load_single(loader, "not-taken.json", load_not_taken) &&
           load_optional(loader, "corrections.json", load_corrections) && load_kinds(loader) &&
           load_single(loader, "panel.json", load_panel) &&
           load_single(loader, "checks.json", load_checks) && load_scores(loader) &&
           load_languages(loader);
}

enum status kinds_from_json(const json_t *files, struct kinds **out, struct kinds_fault *fault)
{
    struct loader loader = {.fault = fault, .file = ""};
    struct kinds *kinds = calloc(1, sizeof(*kinds));
    bool whole;

    *fault = (struct kinds_fault){.reason = ""};
    if (!kinds)
        return STATUS_NO_MEMORY;
    atomic_init(&kinds->references, 1);
    kinds->files = json_incref(json_walk(files));
    loader.kinds = kinds;
    whole = build(&loader);
    json_decref(loader.texts);
    if (!whole) {
        kinds_free(kinds);
        return loader.no_memory ? STATUS_NO_MEMORY : STATUS_INVALID;
    }
    set_version(kinds);
    *out = kinds;
    return STATUS_OK;
}
