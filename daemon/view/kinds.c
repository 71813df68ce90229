/* kinds.c - the kind table as the daemon uses it, for forms and device authors: kinds in bedside
 * order, the rest by name; with its texts in another language; and short, for the form. */
#include <string.h>

#include "view/view_private.h"
#include "wardpost/json_in.h"

struct writing {
    const json_t *files;
    const struct kinds_view *how;
    struct json_out *out;
};

/* ---- for the form: without what only mapping needs ---- */

/* Members that go, wherever they stand. */
static const struct {
    const char *name;
    bool but_text; /* a check's `code` is the word of a problem, all others are codings */
} for_mapping[] = {
    {"about",            false},
    {"as",               false},
    {"category",         false},
    {"code",             true },
    {"coding",           false},
    {"codings",          false},
    {"members-category", false},
    {"part-codings",     false},
    {"profile",          false},
    {"systems",          false},
};

/* Their members' names are free: a part may be called "profile". */
static const char *const free_names[] = {"context", "fields", "parts", "units", "when"};

static bool is_for_mapping(const char *name, const json_t *value)
{
    for (size_t i = 0; i < sizeof(for_mapping) / sizeof(for_mapping[0]); i++)
        if (strcmp(for_mapping[i].name, name) == 0)
            return !for_mapping[i].but_text || !json_is_string(value);
    return false;
}

/* A form says where a range comes from, which has a text of its own; of limits and checks it does
 * not. */
static bool is_unsaid_source(const char *name, const json_t *beside)
{
    return strcmp(name, "source") == 0 && !json_object_get(beside, "text");
}

static bool has_free_names(const char *name)
{
    for (size_t i = 0; i < sizeof(free_names) / sizeof(free_names[0]); i++)
        if (strcmp(free_names[i], name) == 0)
            return true;
    return false;
}

/* NOLINTBEGIN(misc-no-recursion): as deep as json_in() lets a file of the table be */
static void short_out(const json_t *value, bool names_are_free, struct json_out *out)
{
    const char *name;
    json_t *inner;
    size_t index;

    if (json_is_array(value)) {
        out_array(out);
        json_array_foreach(value, index, inner) short_out(inner, false, out);
        out_array_end(out);
        return;
    }
    if (!json_is_object(value)) {
        out_json(out, value);
        return;
    }
    out_object(out);
    json_object_foreach(json_walk(value), name, inner)
    {
        if (!names_are_free && (is_for_mapping(name, inner) || is_unsaid_source(name, value)))
            continue;
        out_name(out, name);
        short_out(inner, has_free_names(name), out);
    }
    out_object_end(out);
}
/* NOLINTEND(misc-no-recursion) */

static void value_out(const struct writing *writing, const json_t *value)
{
    if (writing->how->for_form)
        short_out(value, false, writing->out);
    else
        out_json(writing->out, value);
}

/* ---- files ---- */

/* Files below one folder as members named after the file, without folder and ending. */
static void folder_out(const struct writing *writing, const char *folder)
{
    const char *path;
    json_t *value;

    json_object_foreach(json_walk(writing->files), path, value)
    {
        char name[160];
        size_t length = strlen(folder);

        if (strncmp(path, folder, length) != 0 || path[length] != '/')
            continue;
        (void)snprintf(name, sizeof(name), "%s", path + length + 1);
        name[strcspn(name, ".")] = '\0';
        out_name(writing->out, name);
        value_out(writing, value);
    }
}

static void file_out(const struct writing *writing, const char *path, const char *name)
{
    const json_t *value = json_object_get(writing->files, path);

    if (!value)
        return;
    out_name(writing->out, name);
    value_out(writing, value);
}

static void kinds_out(const struct kinds *kinds, const struct writing *writing)
{
    out_name(writing->out, "kinds");
    out_array(writing->out);
    for (size_t i = 0; i < kinds_count(kinds); i++) {
        char path[160];

        (void)snprintf(path, sizeof(path), "kinds/%s.json", kinds_at(kinds, i)->name);
        value_out(writing, json_object_get(writing->files, path));
    }
    out_array_end(writing->out);
}

/* ---- languages ---- */

static void languages_out(const struct kinds *kinds, const struct writing *writing)
{
    struct json_out *out = writing->out;
    const struct language *language = writing->how->language;

    out_name(out, "languages");
    out_object(out);
    out_member(out, KINDS_LANGUAGE, KINDS_LANGUAGE_NAME);
    for (size_t i = 0; i < kinds_language_count(kinds); i++)
        out_member(out, kinds_language_at(kinds, i)->code, kinds_language_at(kinds, i)->name);
    out_object_end(out);
    if (!language)
        return;
    out_member(out, "language", language->code);
    out_name(out, "texts");
    out_json(out, language->texts);
}

void view_kinds(const struct kinds *kinds, const struct kinds_view *how, struct json_out *out)
{
    const struct writing writing = {kinds_files(kinds), how, out};

    out_object(out);
    out_member(out, "version", kinds_version(kinds));
    out_member(out, "caution",
               "Limits and ranges are data that a clinician must sign off; local policy and "
               "licensed judgement come first.");
    languages_out(kinds, &writing);
    kinds_out(kinds, &writing);
    file_out(&writing, "units.json", "units");
    out_name(out, "codings");
    out_object(out);
    folder_out(&writing, "codings");
    out_object_end(out);
    file_out(&writing, "checks.json", "checks");
    file_out(&writing, "not-taken.json", "not-taken");
    file_out(&writing, "corrections.json", "corrections");
    file_out(&writing, "panel.json", "panel");
    out_name(out, "scores");
    out_object(out);
    folder_out(&writing, "scores");
    out_object_end(out);
    out_object_end(out);
}
