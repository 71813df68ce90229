/* kinds.c - the kind table as the daemon uses it, for forms and device authors: kinds in bedside
 * order, the rest by name. */
#include <string.h>

#include "view/view_private.h"
#include "wardpost/json_in.h"

/* Files below one folder as members named after the file, without folder and ending. */
static void folder_out(const json_t *files, const char *folder, struct json_out *out)
{
    const char *path;
    json_t *value;

    json_object_foreach(json_walk(files), path, value)
    {
        char name[160];
        size_t length = strlen(folder);

        if (strncmp(path, folder, length) != 0 || path[length] != '/')
            continue;
        (void)snprintf(name, sizeof(name), "%s", path + length + 1);
        name[strcspn(name, ".")] = '\0';
        out_name(out, name);
        out_json(out, value);
    }
}

static void file_out(const json_t *files, const char *path, const char *name, struct json_out *out)
{
    const json_t *value = json_object_get(files, path);

    if (!value)
        return;
    out_name(out, name);
    out_json(out, value);
}

void view_kinds(const struct kinds *kinds, struct json_out *out)
{
    const json_t *files = kinds_files(kinds);

    out_object(out);
    out_member(out, "version", kinds_version(kinds));
    out_member(out, "caution",
               "Limits and ranges are data that a clinician must sign off; local policy and "
               "licensed judgement come first.");
    out_name(out, "kinds");
    out_array(out);
    for (size_t i = 0; i < kinds_count(kinds); i++) {
        char path[160];

        (void)snprintf(path, sizeof(path), "kinds/%s.json", kinds_at(kinds, i)->name);
        out_json(out, json_object_get(files, path));
    }
    out_array_end(out);
    file_out(files, "units.json", "units", out);
    out_name(out, "codings");
    out_object(out);
    folder_out(files, "codings", out);
    out_object_end(out);
    file_out(files, "checks.json", "checks", out);
    file_out(files, "not-taken.json", "not-taken", out);
    file_out(files, "corrections.json", "corrections", out);
    file_out(files, "panel.json", "panel", out);
    out_name(out, "scores");
    out_object(out);
    folder_out(files, "scores", out);
    out_object_end(out);
    out_object_end(out);
}
