/* load_kind.c - one kind of reading: its parts, its context fields, what it is computed from. */
#include <stdio.h>
#include <string.h>

#include "clinical/load.h"
#include "clinical/load_rows.h"
#include "wardpost/json_in.h"

/* ---- units of a part ---- */

static bool read_accepted(const struct place *place, void *out)
{
    const struct unit *unit = text_is(place->json) ? kinds_unit(place->loader->kinds, json_string_value(place->json)) : NULL;

    memcpy(out, &unit, sizeof(unit));
    return unit || place_fail(place, "no such unit in units.json");
}

static bool conversions_exist(const struct place *place, const struct part *part)
{
    struct exact exact;

    for (size_t i = 0; part->unit && i < part->accepts_count; i++)
        if (!unit_exact(place->loader->kinds, (struct decimal){1, 0}, part->accepts[i], part->unit, &exact))
            return place_fail(place, "no conversion from %s to %s in units.json", part->accepts[i]->code, part->unit->code);
    return true;
}

static bool read_codes_by_unit(const struct place *place, struct part *part)
{
    struct place all;
    struct code_by_unit *list;
    const char *code;
    json_t *value;

    if (!place_member(place, "code-by-unit", &all))
        return true;
    list = arena(place->loader, json_object_size(all.json), sizeof(*list));
    if (!list)
        return false;
    part->code_by_unit = list;
    json_object_foreach(json_walk(all.json), code, value)
    {
        list[part->code_by_unit_count].unit = kinds_unit(place->loader->kinds, code);
        if (!list[part->code_by_unit_count].unit)
            return place_fail(&all, "%s: no such unit in units.json", code);
        if (!read_codings(&all, code, &list[part->code_by_unit_count].codes))
            return false;
        part->code_by_unit_count++;
    }
    return true;
}

static bool accepts_all(const struct place *place, const struct part *part)
{
    if (part->accepts_count == 0)
        return place_fail(place, "accepts is missing");
    if (part->unit && part->accepts[0] != part->unit)
        return place_fail(place, "accepts begins with the canonical unit");
    if (!part->unit && part->code_by_unit_count == 0)
        return place_fail(place, "unit is missing");
    return true;
}

static bool read_units_of(const struct place *place, struct part *part)
{
    return read_unit_name(place, "unit", false, &part->unit) &&
           read_list(place, "accepts", sizeof(struct unit *), read_accepted, &part->accepts, &part->accepts_count) &&
           read_list(place, "as-entered", sizeof(struct unit *), read_accepted, &part->as_entered, &part->as_entered_count) &&
           read_codes_by_unit(place, part) && accepts_all(place, part) && conversions_exist(place, part);
}

/* ---- numbers of a part ---- */

static bool has_refuse_for_all(const struct place *place, const struct part *part)
{
    for (size_t i = 0; i < part->limits_count; i++)
        if (part->limits[i].grade == GRADE_REFUSE && !part->limits[i].ages.given && part->limits[i].whens.count == 0)
            return true;
    return place_fail(place, "limits: a refuse row that holds at every age is missing");
}

static bool read_numbers_of(const struct place *place, struct part *part)
{
    return read_list(place, "limits", sizeof(struct limit), read_limit, &part->limits, &part->limits_count) &&
           read_list(place, "ranges", sizeof(struct range), read_range, &part->ranges, &part->ranges_count) &&
           read_list(place, "names", sizeof(struct state_name), read_state_name, &part->names, &part->names_count) &&
           ranges_are_apart(place, part->ranges, part->ranges_count) && has_refuse_for_all(place, part);
}

/* ---- a part ---- */

static bool read_list_name(const struct place *place, const struct word_list **out)
{
    struct place at;

    if (!place_member(place, "list", &at))
        return place_fail(place, "list is missing");
    *out = text_is(at.json) ? find_list(place->loader->kinds, json_string_value(at.json)) : NULL;
    return *out || place_fail(&at, "no such list in codings/");
}

static const struct member part_members[] = {
    {"title",         MEMBER_TEXT,   true,  offsetof(struct part, title),            0},
    {"type",          MEMBER_WORD,   true,  0,                                       0},
    {"required",      MEMBER_BOOL,   false, offsetof(struct part, required),         0},
    {"as",            MEMBER_WORD,   false, 0,                                       0},
    {"code",          MEMBER_ARRAY,  false, 0,                                       0},
    {"list",          MEMBER_WORD,   false, 0,                                       0},
    {"unit",          MEMBER_WORD,   false, 0,                                       0},
    {"text",          MEMBER_TEXT,   false, offsetof(struct part, text),             0},
    {"accepts",       MEMBER_ARRAY,  false, 0,                                       0},
    {"as-entered",    MEMBER_ARRAY,  false, 0,                                       0},
    {"code-by-unit",  MEMBER_OBJECT, false, 0,                                       0},
    {"unit-optional", MEMBER_BOOL,   false, offsetof(struct part, unit_optional),    0},
    {"whole",         MEMBER_BOOL,   false, offsetof(struct part, whole),            0},
    {"not-taken",     MEMBER_BOOL,   false, offsetof(struct part, may_be_not_taken), 0},
    {"sum",           MEMBER_ARRAY,  false, 0,                                       0},
    {"estimate",      MEMBER_OBJECT, false, 0,                                       0},
    {"limits",        MEMBER_ARRAY,  false, 0,                                       0},
    {"ranges",        MEMBER_ARRAY,  false, 0,                                       0},
    {"names",         MEMBER_ARRAY,  false, 0,                                       0},
    {"source",        MEMBER_ANY,    false, 0,                                       0},
};

static bool read_part(const struct place *place, struct part *part)
{
    const char *type;

    part->required = true;
    if (!SHAPE(place, part_members, part) || !read_codings(place, "code", &part->codes))
        return false;
    type = json_string_value(json_object_get(place->json, "type"));
    if (strcmp(type, "word") == 0) {
        part->type = PART_WORD;
        return read_list_name(place, &part->list);
    }
    if (strcmp(type, "quantity") != 0)
        return place_fail(place, "type is quantity or word");
    return read_units_of(place, part) && read_numbers_of(place, part);
}

static bool is_reserved(const char *name)
{
    static const char *const reserved[] = {"id", "patient", "taken", "age", "kind", "unit", "by", "device", "note", "confirmed",
                                           "override", "not-taken", "readings", "context", "set"};

    for (size_t i = 0; i < sizeof(reserved) / sizeof(reserved[0]); i++)
        if (strcmp(reserved[i], name) == 0)
            return true;
    return false;
}

static bool read_part_names(const struct place *file, struct kind *kind)
{
    struct place parts, at;
    struct part *list;
    const char *name;
    json_t *value;

    place_member(file, "parts", &parts);
    if (json_object_size(parts.json) == 0 || json_object_size(parts.json) > PARTS_MOST)
        return place_fail(&parts, "from 1 to %d parts", PARTS_MOST);
    list = arena(file->loader, json_object_size(parts.json), sizeof(*list));
    if (!list)
        return false;
    kind->parts = list;
    json_object_foreach(json_walk(parts.json), name, value)
    {
        place_member(&parts, name, &at);
        if (is_reserved(name))
            return place_fail(&at, "a reading has a member of this name already");
        list[kind->parts_count++].name = name;
    }
    return true;
}

static bool read_parts(const struct place *file, struct kind *kind)
{
    struct place parts, at;

    place_member(file, "parts", &parts);
    for (size_t i = 0; i < kind->parts_count; i++) {
        struct part *part = (struct part *)(uintptr_t)&kind->parts[i]; /* ours until the table is loaded */

        place_member(&parts, part->name, &at);
        if (!read_part(&at, part))
            return false;
        part->is_value = kind->parts_count == 1 || json_object_get(at.json, "as") != NULL; /* the only one, or the one that says so */
    }
    return true;
}

/* ---- sums and estimates name other parts ---- */

static bool part_index(const struct place *place, const struct kind *kind, const char *name, size_t *out)
{
    for (size_t i = 0; name && i < kind->parts_count; i++)
        if (strcmp(kind->parts[i].name, name) == 0) {
            *out = i;
            return true;
        }
    return place_fail(place, "no such part of this kind");
}

static bool read_sum_part(const struct place *place, void *out)
{
    return part_index(place, place->loader->kind, text_is(place->json) ? json_string_value(place->json) : NULL, out);
}

static bool read_term(const struct place *place, void *out)
{
    static const struct member members[] = {
        {"part",  MEMBER_WORD,    true, 0,                                    0},
        {"times", MEMBER_DECIMAL, true, offsetof(struct estimate_term, times), 0},
    };
    struct estimate_term *term = out;

    return SHAPE(place, members, term) &&
           part_index(place, place->loader->kind, json_string_value(json_object_get(place->json, "part")), &term->part);
}

static bool read_estimate(const struct place *part_place, struct part *part)
{
    static const struct member members[] = {
        {"terms",  MEMBER_ARRAY,   true,  0,                               0},
        {"over",   MEMBER_DECIMAL, true,  offsetof(struct estimate, over),  0},
        {"places", MEMBER_INT,     true,  offsetof(struct estimate, places), 0},
        {"source", MEMBER_ANY,     false, 0,                               0},
    };
    struct estimate *estimate = &part->estimate;
    struct place at;

    if (!place_member(part_place, "estimate", &at))
        return true;
    if (!SHAPE(&at, members, estimate) ||
        !read_list(&at, "terms", sizeof(struct estimate_term), read_term, &estimate->terms, &estimate->count))
        return false;
    return (estimate->over.digits > 0 && estimate->places <= DECIMAL_PLACES_MOST) || place_fail(&at, "over or places is out of bounds");
}

static bool link_parts(const struct place *file, struct kind *kind)
{
    struct place parts, at;

    place_member(file, "parts", &parts);
    for (size_t i = 0; i < kind->parts_count; i++) {
        struct part *part = (struct part *)(uintptr_t)&kind->parts[i];

        place_member(&parts, part->name, &at);
        if (!read_list(&at, "sum", sizeof(size_t), read_sum_part, &part->sum, &part->sum_count) || !read_estimate(&at, part))
            return false;
    }
    return true;
}

/* ---- context ---- */

static const struct member field_members[] = {
    {"title",    MEMBER_TEXT,   true,  offsetof(struct field, title),   0},
    {"type",     MEMBER_WORD,   true,  0,                               0},
    {"as",       MEMBER_WORD,   false, 0,                               0},
    {"list",     MEMBER_WORD,   false, 0,                               0},
    {"code",     MEMBER_ARRAY,  false, 0,                               0},
    {"category", MEMBER_OBJECT, false, 0,                               0},
    {"profile",  MEMBER_TEXT,   false, offsetof(struct field, profile), 0},
    {"unit",     MEMBER_WORD,   false, 0,                               0},
    {"text",     MEMBER_TEXT,   false, offsetof(struct field, quantity.text), 0},
    {"accepts",  MEMBER_ARRAY,  false, 0,                               0},
    {"limits",   MEMBER_ARRAY,  false, 0,                               0},
    {"gives",    MEMBER_WORD,   false, 0,                               0},
    {"seconds",  MEMBER_ARRAY,  false, 0,                               0},
    {"fields",   MEMBER_OBJECT, false, 0,                               0},
    {"source",   MEMBER_ANY,    false, 0,                               0},
};

static bool read_as(const struct place *place, struct field *field)
{
    static const struct {
        const char *name;
        enum field_as as;
    } names[] = {
        {"nothing", AS_NOTHING}, {"bodySite", AS_BODY_SITE}, {"method", AS_METHOD},     {"code", AS_CODE},
        {"component", AS_COMPONENT}, {"companion", AS_COMPANION}, {"position", AS_POSITION}, {"note", AS_NOTE},
    };
    const char *name = json_string_value(json_object_get(place->json, "as"));

    for (size_t i = 0; name && i < sizeof(names) / sizeof(names[0]); i++)
        if (strcmp(names[i].name, name) == 0) {
            field->as = names[i].as;
            return true;
        }
    return place_fail(place, "as is bodySite, method, code, component, companion, position, note or nothing");
}

static bool read_category(const struct place *place, struct field *field)
{
    struct coding *coding;
    struct place at;

    if (!place_member(place, "category", &at))
        return true;
    coding = arena(place->loader, 1, sizeof(*coding));
    field->category = coding;
    return coding && read_coding(&at, coding);
}

static bool read_seconds(const struct place *place, void *out)
{
    struct decimal value;

    if (!digits_decimal(place->json, &value) || value.scale > 0 || value.digits < 1 || value.digits > 3600)
        return place_fail(place, "a whole number of seconds is due here");
    *(int *)out = (int)value.digits;
    return true;
}

static bool read_count(const struct place *place, struct field *field)
{
    struct place at;

    if (!place_member(place, "gives", &at))
        return place_fail(place, "gives is missing");
    return part_index(&at, place->loader->kind, text_is(at.json) ? json_string_value(at.json) : NULL, &field->gives) &&
           read_list(place, "seconds", sizeof(int), read_seconds, &field->seconds, &field->seconds_count) &&
           (field->seconds_count > 0 || place_fail(place, "seconds is missing"));
}

static bool read_quantity(const struct place *place, struct field *field)
{
    field->quantity.name = field->path;
    field->quantity.title = field->title;
    return read_units_of(place, &field->quantity) &&
           read_list(place, "limits", sizeof(struct limit), read_limit, &field->quantity.limits, &field->quantity.limits_count);
}

static bool read_typed(const struct place *place, struct field *field)
{
    static const struct {
        const char *name;
        enum field_type type;
    } types[] = {{"word", FIELD_WORD}, {"words", FIELD_WORDS}, {"text", FIELD_TEXT}, {"quantity", FIELD_QUANTITY}, {"count", FIELD_COUNT}};
    const char *name = json_string_value(json_object_get(place->json, "type"));
    size_t i = 0;

    while (i < 5 && strcmp(types[i].name, name) != 0)
        i++;
    if (i == 5)
        return place_fail(place, "type is word, words, text, quantity, count or group");
    field->type = types[i].type;
    switch (field->type) {
    case FIELD_WORD:
    case FIELD_WORDS:
        return read_list_name(place, &field->list);
    case FIELD_QUANTITY:
        return read_quantity(place, field);
    case FIELD_COUNT:
        return read_count(place, field);
    case FIELD_TEXT:
        return true;
    }
    return false;
}

static bool goes_somewhere(const struct place *place, const struct field *field)
{
    bool coded = field->as == AS_COMPONENT || field->as == AS_COMPANION;

    if (coded && field->codes.count == 0)
        return place_fail(place, "a component or companion needs a code");
    if (field->type == FIELD_QUANTITY && !coded)
        return place_fail(place, "a quantity becomes a component or a companion");
    if (field->type == FIELD_TEXT && field->as != AS_COMPONENT && field->as != AS_NOTE && field->as != AS_NOTHING)
        return place_fail(place, "a text becomes a component or a note");
    return true;
}

static bool add_field(const struct place *place, struct kind *kind, const char *group, const char *name)
{
    struct field *field = (struct field *)(uintptr_t)&kind->fields[kind->fields_count];
    char *path;

    if (kind->fields_count == FIELDS_MOST)
        return place_fail(place, "more than %d context fields", FIELDS_MOST);
    path = arena(place->loader, strlen(name) + (group ? strlen(group) + 2 : 1), 1);
    if (!path)
        return false;
    memcpy(path, group ? group : "", group ? strlen(group) : 0);
    if (group)
        path[strlen(group)] = '.';
    memcpy(path + (group ? strlen(group) + 1 : 0), name, strlen(name));
    field->path = path;
    field->group = group;
    field->name = name;
    if (!SHAPE(place, field_members, field) || !read_typed(place, field))
        return false;
    if (field->type == FIELD_COUNT)
        field->as = AS_METHOD; /* "Counted N in S s" */
    else if (!read_as(place, field))
        return false;
    kind->fields_count++;
    return read_codings(place, "code", &field->codes) && read_category(place, field) && goes_somewhere(place, field);
}

static bool add_group(const struct place *place, struct kind *kind, const char *group)
{
    static const struct member members[] = {
        {"title",  MEMBER_ANY,    true,  0, 0},
        {"type",   MEMBER_ANY,    true,  0, 0},
        {"fields", MEMBER_OBJECT, true,  0, 0},
        {"source", MEMBER_ANY,    false, 0, 0},
    };
    struct place fields, at;
    const char *name;
    json_t *value;

    if (!SHAPE(place, members, NULL))
        return false;
    place_member(place, "fields", &fields);
    json_object_foreach(json_walk(fields.json), name, value)
    {
        place_member(&fields, name, &at);
        if (!add_field(&at, kind, group, name))
            return false;
    }
    return true;
}

static bool read_context(const struct place *file, struct kind *kind)
{
    struct place context, at;
    const char *name;
    json_t *value;

    kind->fields = arena(file->loader, FIELDS_MOST, sizeof(struct field));
    if (!kind->fields)
        return false;
    if (!place_member(file, "context", &context))
        return true;
    json_object_foreach(json_walk(context.json), name, value)
    {
        const char *type = json_string_value(json_object_get(value, "type"));

        place_member(&context, name, &at);
        if (is_reserved(name) || kind_part(kind, name))
            return place_fail(&at, "a reading of this kind has a member of this name already");
        if (!(type && strcmp(type, "group") == 0 ? add_group(&at, kind, name) : add_field(&at, kind, NULL, name)))
            return false;
    }
    return true;
}

/* ---- the file ---- */

static const struct member kind_members[] = {
    {"kind",     MEMBER_TEXT,   true,  offsetof(struct kind, name),    0},
    {"title",    MEMBER_TEXT,   true,  offsetof(struct kind, title),   0},
    {"order",    MEMBER_INT,    true,  offsetof(struct kind, order),   0},
    {"category", MEMBER_OBJECT, true,  0,                              0},
    {"profile",  MEMBER_TEXT,   false, offsetof(struct kind, profile), 0},
    {"code",     MEMBER_ARRAY,  false, 0,                              0},
    {"parts",    MEMBER_OBJECT, true,  0,                              0},
    {"context",  MEMBER_OBJECT, false, 0,                              0},
    {"checks",   MEMBER_ARRAY,  false, 0,                              0},
    {"computed", MEMBER_OBJECT, false, 0,                              0},
    {"hints",    MEMBER_ARRAY,  false, 0,                              0},
    {"source",   MEMBER_ANY,    false, 0,                              0},
};

/* The rows' conditions name context fields, so these are read first; the parts' names must be known before the fields (gives). */
static bool read_body(const struct place *file, struct kind *kind)
{
    struct place category;

    place_member(file, "category", &category);
    if (!read_coding(&category, &kind->category) || !read_codings(file, "code", &kind->codes))
        return false;
    return read_part_names(file, kind) && read_context(file, kind) && read_parts(file, kind) && link_parts(file, kind);
}

static bool is_coded(const struct place *file, const struct kind *kind)
{
    for (size_t i = 0; i < kind->parts_count; i++)
        if (kind->parts[i].code_by_unit_count > 0)
            return true;
    return kind->codes.count > 0 || place_fail(file, "code is missing");
}

bool load_kind(const struct place *file, struct kind *out)
{
    struct kind *before = file->loader->kind;
    bool good;

    file->loader->kind = out;
    good = SHAPE(file, kind_members, out) && read_body(file, out) && is_coded(file, out);
    file->loader->kind = before;
    return good;
}

/* ---- computed ---- */

static bool read_factor(const struct place *place, void *out)
{
    static const struct member members[] = {
        {"kind",  MEMBER_WORD, true,  0,                             0},
        {"part",  MEMBER_WORD, true,  0,                             0},
        {"in",    MEMBER_WORD, true,  0,                             0},
        {"power", MEMBER_INT,  false, offsetof(struct factor, power), 0},
    };
    struct factor *factor = out;

    factor->power = 1;
    if (!SHAPE(place, members, factor))
        return false;
    factor->kind = kinds_find(place->loader->kinds, json_string_value(json_object_get(place->json, "kind")));
    if (!factor->kind)
        return place_fail(place, "no such kind");
    if (factor->power < 1 || factor->power > 3)
        return place_fail(place, "power is 1, 2 or 3");
    return part_index(place, factor->kind, json_string_value(json_object_get(place->json, "part")), &factor->part) &&
           read_unit_name(place, "in", true, &factor->in);
}

static bool read_computed(const struct place *file, struct kind *kind)
{
    static const struct member members[] = {
        {"numerator",   MEMBER_ARRAY, true,  0,                                0},
        {"denominator", MEMBER_ARRAY, true,  0,                                0},
        {"unit",        MEMBER_WORD,  true,  0,                                0},
        {"places",      MEMBER_INT,   true,  offsetof(struct computed, places), 0},
        {"source",      MEMBER_ANY,   false, 0,                                0},
    };
    struct computed *computed = &kind->computed;
    struct place at;

    if (!place_member(file, "computed", &at))
        return true;
    computed->given = true;
    return SHAPE(&at, members, computed) && read_unit_name(&at, "unit", true, &computed->unit) &&
           read_list(&at, "numerator", sizeof(struct factor), read_factor, &computed->over, &computed->over_count) &&
           read_list(&at, "denominator", sizeof(struct factor), read_factor, &computed->under, &computed->under_count) &&
           ((computed->over_count > 0 && computed->over_count + computed->under_count <= 8 && computed->places <= DECIMAL_PLACES_MOST) ||
            place_fail(&at, "from 1 to 8 factors, at most %u places", DECIMAL_PLACES_MOST));
}

bool load_kind_links(const struct place *file, struct kind *kind)
{
    struct kind *before = file->loader->kind;
    bool good;

    file->loader->kind = kind;
    good = read_computed(file, kind) && load_checks(file, "checks", kind, &kind->checks, &kind->checks_count);
    file->loader->kind = before;
    return good;
}
