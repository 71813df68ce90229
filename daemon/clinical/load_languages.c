/* load_languages.c - the table's texts for people in other languages; see load.h.
 *
 * Which texts those are is decided by the names of the members they stand under, wherever in the
 * table that is: whatever the format learns to say is a text to be translated without a row here.
 */
#include <string.h>

#include "clinical/load.h"
#include "wardpost/json_in.h"

static const struct {
    const char *name;
    bool each; /* the texts in a list or an object under that name */
} shown[] = {
    {"ask",      false},
    {"cautions", true },
    {"credit",   false},
    {"name",     false},
    {"risk",     false},
    {"say",      false},
    {"scales",   true },
    {"text",     false},
    {"title",    false},
};

/* ---- the texts of the table ---- */

static bool append(struct loader *loader, json_t *list, const json_t *value)
{
    if (json_array_append(list, json_walk(value)) == 0)
        return true;
    loader->no_memory = true;
    return false;
}

static bool add_text(struct loader *loader, const json_t *value)
{
    if (!text_is(value) ||
        json_object_set_new(loader->texts, json_string_value(value), json_true()) == 0)
        return true;
    loader->no_memory = true;
    return false;
}

static bool add_each(struct loader *loader, const json_t *value)
{
    const char *name;
    json_t *inner;
    size_t index;

    json_array_foreach(value, index, inner)
    {
        if (!add_text(loader, inner))
            return false;
    }
    json_object_foreach(json_walk(value), name, inner)
    {
        if (!add_text(loader, inner))
            return false;
    }
    return true;
}

static bool add_member(struct loader *loader, const char *name, const json_t *value)
{
    for (size_t i = 0; i < COUNT(shown); i++)
        if (strcmp(shown[i].name, name) == 0)
            return shown[i].each ? add_each(loader, value) : add_text(loader, value);
    return true;
}

/* What stands in it is put behind it in the list `todo`, in place of going down. */
static bool look_into(struct loader *loader, const json_t *value, json_t *todo)
{
    const char *name;
    json_t *inner;
    size_t index;

    json_array_foreach(value, index, inner)
    {
        if (!append(loader, todo, inner))
            return false;
    }
    json_object_foreach(json_walk(value), name, inner)
    {
        if (!place_is_remark(name) &&
            (!add_member(loader, name, inner) || !append(loader, todo, inner)))
            return false;
    }
    return true;
}

static bool is_language(const char *path)
{
    return strncmp(path, "languages/", strlen("languages/")) == 0;
}

static bool collect_from(struct loader *loader, json_t *todo)
{
    const char *path;
    json_t *file;

    json_object_foreach(loader->kinds->files, path, file)
    {
        if (!is_language(path) && !append(loader, todo, file))
            return false;
    }
    for (size_t i = 0; i < json_array_size(todo); i++)
        if (!look_into(loader, json_array_get(todo, i), todo))
            return false;
    return true;
}

bool collect_texts(struct loader *loader)
{
    json_t *todo = json_array();
    bool done;

    loader->texts = json_object();
    loader->no_memory = loader->no_memory || !todo || !loader->texts;
    done = !loader->no_memory && collect_from(loader, todo);
    json_decref(todo);
    return done;
}

/* ---- holes ---- */

/* The next {hole} with its braces; one that is not closed goes to the end. */
static const char *next_hole(const char *text, size_t *length)
{
    const char *open = strchr(text, '{');
    size_t inside = open ? strcspn(open, "}") : 0;

    *length = open && open[inside] ? inside + 1 : inside;
    return open;
}

static size_t count_hole(const char *text, const char *hole, size_t length)
{
    size_t count = 0, found;

    while ((text = next_hole(text, &found))) {
        count += found == length && memcmp(text, hole, length) == 0;
        text += found;
    }
    return count;
}

/* A hole that is in `text` and not as often in the other one; NULL: none. */
static const char *hole_amiss(const char *text, const char *other, size_t *length)
{
    const char *whole = text;

    while ((text = next_hole(text, length))) {
        if (count_hole(whole, text, *length) != count_hole(other, text, *length))
            return text;
        text += *length;
    }
    return NULL;
}

/* ---- one language ---- */

static bool read_translation(const struct place *at, const char *original, void *to)
{
    const char *text = place_text(at), *hole;
    size_t length;

    (void)to;
    if (!text)
        return false;
    if (!json_object_get(at->loader->texts, original))
        return place_fail(at, "no text of this table reads so");
    if ((hole = hole_amiss(original, text, &length)))
        return place_fail(at, "%.*s is missing, or not there as often as in the original",
                          (int)length, hole);
    if ((hole = hole_amiss(text, original, &length)))
        return place_fail(at, "%.*s is not in the original", (int)length, hole);
    return true;
}

static bool take_translations(const struct place *at, const struct member *member, char *out)
{
    put_pointer(out + member->offset, at->json);
    return place_each(at, read_translation, NULL);
}

static bool take_code(const struct place *at, const struct member *member, char *out)
{
    return take_file_name(at, member, out) &&
           (strcmp(json_string_value(at->json), KINDS_LANGUAGE) != 0 ||
            place_fail(at, "the table itself is written in that language"));
}

bool load_language(const struct place *file, struct language *out)
{
    static const struct member members[] = {
        MEMBER("language", REQUIRED, take_code, INTO(language, code)),
        MEMBER("name", REQUIRED, take_text, INTO(language, name)),
        MEMBER("texts", REQUIRED, take_translations, INTO(language, texts)),
    };

    return SHAPE(file, members, out);
}
