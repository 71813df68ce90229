/* load_kind.c - one kind of reading: kinds/<kind>.json; see load.h. */
#include <string.h>

#include "clinical/load.h"
#include "wardpost/json_in.h"

/* ---- parts: first their names, which fields and rows speak of, then the rest ---- */

static bool read_part_name(const struct place *at, const char *name, void *to)
{
    struct kind *kind = to;

    if (!name_is_free(at, name))
        return false;
    at->loader->parts[kind->parts_count++].name = name;
    return true;
}

static bool take_part_names(const struct place *at, const struct member *member, char *out)
{
    struct kind *kind = (struct kind *)(void *)out;
    size_t count = place_count(at);

    (void)member;
    if (!json_is_object(at->json) || count < 1 || count > PARTS_MOST)
        return place_fail(at, "an object of 1 to %d parts is due here", PARTS_MOST);
    at->loader->parts = arena(at->loader, count, sizeof(struct part));
    kind->parts = at->loader->parts;
    return kind->parts && place_each(at, read_part_name, kind);
}

static bool take_context(const struct place *at, const struct member *member, char *out)
{
    (void)member;
    (void)out;
    return load_context(at);
}

static bool read_part(const struct place *at, const char *name, void *to)
{
    const struct kind *kind = to;
    size_t index;

    return part_index(at, kind, name, &index) && load_part(at, &at->loader->parts[index]);
}

static bool check_part(const struct place *at, const char *name, void *to)
{
    const struct kind *kind = to;
    const struct part *part = kind_part(kind, name);

    if (!part->is_value && part->codes.count == 0 && part->code_by_unit_count == 0)
        return place_fail(at, "code is missing: this part becomes a component");
    return part_links_hold(at, kind, part);
}

/* `value` alone, or several of which at most one says that it is the value. */
static bool one_is_value(const struct place *parts, struct kind *kind)
{
    size_t values = 0;

    for (size_t i = 0; i < kind->parts_count; i++)
        values += kind->parts[i].is_value;
    if (values > 1)
        return place_fail(parts, "only one part can become the value");
    if (kind->parts_count > 1)
        return true;
    parts->loader->parts[0].is_value = true;
    return strcmp(kind->parts[0].name, "value") == 0 ||
           place_fail(parts, "the only part of a kind is called value");
}

static bool load_parts(const struct place *file, struct kind *kind)
{
    struct place parts;

    return place_member(file, "parts", &parts) && place_each(&parts, read_part, kind) &&
           one_is_value(&parts, kind) && place_each(&parts, check_part, kind);
}

/* ---- the file ---- */

static bool take_own_name(const struct place *at, const struct member *member, char *out)
{
    return take_file_name(at, member, out) && name_is_free(at, json_string_value(at->json));
}

static const struct member kind_members[] = {
    MEMBER("kind", REQUIRED, take_own_name, INTO(kind, name)),
    MEMBER("title", REQUIRED, take_text, INTO(kind, title)),
    MEMBER("order", REQUIRED, take_whole, INTO(kind, order)),
    MEMBER("routine", OPTIONAL, take_true, NOWHERE),
    MEMBER("category", REQUIRED, take_coding, INTO(kind, category)),
    MEMBER("profile", OPTIONAL, take_text, INTO(kind, profile)),
    MEMBER("code", OPTIONAL, take_maybe_codings, INTO(kind, codes)),
    MEMBER("parts", REQUIRED, take_part_names, NOWHERE),
    MEMBER("context", OPTIONAL, take_context, NOWHERE),
    MEMBER("checks", OPTIONAL, take_rows, NOWHERE),
    MEMBER("computed", OPTIONAL, take_object, NOWHERE),
    MEMBER("asks", OPTIONAL, take_rows, NOWHERE),
    MEMBER("hints", OPTIONAL, take_rows, NOWHERE),
    MEMBER("again", OPTIONAL, take_again, NOWHERE),
};

static bool is_coded(const struct place *file, const struct kind *kind)
{
    bool by_unit = false;

    for (size_t i = 0; i < kind->parts_count; i++)
        by_unit = by_unit || (kind->parts[i].is_value && kind->parts[i].code_by_unit_count > 0);
    if (by_unit)
        return kind->codes.count == 0 ||
               place_fail(file, "code: the unit decides, none stands here");
    return kind->codes.count > 0 || place_fail(file, "code is missing");
}

bool load_kind(const struct place *file, struct kind *out)
{
    struct loader *loader = file->loader;
    struct place context;
    bool good;

    loader->kind = out;
    loader->fields = arena(loader, FIELDS_MOST, sizeof(struct field));
    out->fields = loader->fields;
    good = out->fields && SHAPE(file, kind_members, out) && load_parts(file, out) &&
           is_coded(file, out) &&
           (!place_member(file, "context", &context) || context_holds(&context));
    loader->kind = NULL;
    return good;
}

/* ---- what names other kinds, when all are read ---- */

static bool load_own_checks(const struct place *at, struct kind *kind)
{
    static const struct member checks =
        MEMBER("", OPTIONAL, take_list, LIST(kind, checks, check_rows));

    return take_list(at, &checks, (char *)kind) &&
           checks_are_apart(at, kind->checks, kind->checks_count);
}

bool load_kind_links(const struct place *file, struct kind *kind)
{
    struct place at;
    bool good;

    file->loader->kind = kind;
    good = (!place_member(file, "checks", &at) || load_own_checks(&at, kind)) &&
           (!place_member(file, "computed", &at) || load_computed(&at, kind)) && form_holds(file);
    file->loader->kind = NULL;
    return good;
}
