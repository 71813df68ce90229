/* load_context.c - what is said about a reading: context fields, those of groups flattened; see
 * load.h. */
#include <stdio.h>
#include <string.h>

#include "clinical/load.h"
#include "wardpost/json_in.h"

/* ---- names ---- */

/* What a reading has anyway, and what begins a path of its own ("last.value"). */
bool name_is_free(const struct place *at, const char *name)
{
    static const char *const reserved[] = {
        "about", "age",  "by",        "confirmed", "context", "counted",  "device", "id",    "kind",
        "last",  "note", "not-taken", "override",  "patient", "readings", "set",    "taken", "unit",
    };

    if (!word_is_well(name))
        return place_fail(at, "a name is lower-case letters, digits and hyphens, a letter first");
    for (size_t i = 0; i < COUNT(reserved); i++)
        if (strcmp(reserved[i], name) == 0)
            return place_fail(at, "%s has a meaning of its own in a reading", name);
    return true;
}

/* ---- where a field goes ---- */

static const struct named goes[] = {
    {"nothing",   AS_NOTHING  },
    {"bodySite",  AS_BODY_SITE},
    {"method",    AS_METHOD   },
    {"code",      AS_CODE     },
    {"position",  AS_POSITION },
    {"note",      AS_NOTE     },
    {"component", AS_COMPONENT},
    {"companion", AS_COMPANION},
};
/* The table's rows are shared: what each sort of field may become is a piece of it. */
static const struct names word_goes_to = {goes, COUNT(goes)};
static const struct names said_goes_to = {goes + 5, 2};
static const struct names quantity_goes_to = {goes + 6, 2};
static const struct names count_goes_to = {goes + 2, 1};

static bool take_category(const struct place *at, const struct member *member, char *out)
{
    static const struct member here = MEMBER("", REQUIRED, take_coding, ITSELF);
    struct coding *coding = arena(at->loader, 1, sizeof(*coding));

    put_pointer(out + member->offset, coding);
    return coding && take_coding(at, &here, (char *)coding);
}

/* ---- sorts of fields ---- */

static bool read_seconds(const struct place *item, void *out)
{
    static const struct member here = MEMBER("", REQUIRED, take_whole, NOWHERE);

    if (!take_whole(item, &here, out))
        return false;
    return (*(int *)out > 0 && *(int *)out <= 3600) || place_fail(item, "from 1 to 3600 seconds");
}

static const struct rows seconds_rows = {sizeof(int), 1, 16, read_seconds};

static bool take_gives(const struct place *at, const struct member *member, char *out)
{
    const char *name = place_text(at);
    size_t index;

    if (!name || !part_index(at, at->loader->kind, name, &index))
        return false;
    memcpy(out + member->offset, &index, sizeof(index));
    return true;
}

static const struct member word_members[] = {
    MEMBER("title", REQUIRED, take_text, INTO(field, title)),
    MEMBER("ask", OPTIONAL, take_said, NOWHERE),
    MEMBER("type", REQUIRED, take_said, NOWHERE),
    MEMBER("list", REQUIRED, take_word_list, INTO(field, list)),
    MEMBER("often", OPTIONAL, take_often, ITSELF),
    MEMBER("apart", OPTIONAL, take_true, NOWHERE),
    MEMBER("as", REQUIRED, take_name, NAMED(field, as, word_goes_to)),
    MEMBER("code", OPTIONAL, take_codings, INTO(field, codes)),
    MEMBER("category", OPTIONAL, take_category, INTO(field, category)),
    MEMBER("profile", OPTIONAL, take_text, INTO(field, profile)),
};

static const struct member words_members[] = {
    MEMBER("title", REQUIRED, take_text, INTO(field, title)),
    MEMBER("ask", OPTIONAL, take_said, NOWHERE),
    MEMBER("type", REQUIRED, take_said, NOWHERE),
    MEMBER("list", REQUIRED, take_word_list, INTO(field, list)),
    MEMBER("often", OPTIONAL, take_often, ITSELF),
    MEMBER("as", REQUIRED, take_name, NAMED(field, as, said_goes_to)),
    MEMBER("code", OPTIONAL, take_codings, INTO(field, codes)),
};

static const struct member text_members[] = {
    MEMBER("title", REQUIRED, take_text, INTO(field, title)),
    MEMBER("ask", OPTIONAL, take_said, NOWHERE),
    MEMBER("type", REQUIRED, take_said, NOWHERE),
    MEMBER("as", REQUIRED, take_name, NAMED(field, as, said_goes_to)),
    MEMBER("code", OPTIONAL, take_codings, INTO(field, codes)),
};

static const struct member quantity_members[] = {
    MEMBER("title", REQUIRED, take_text, INTO(field, title)),
    MEMBER("ask", OPTIONAL, take_said, NOWHERE),
    MEMBER("type", REQUIRED, take_said, NOWHERE),
    MEMBER("unit", REQUIRED, take_unit, INTO(field, quantity.unit)),
    MEMBER("text", OPTIONAL, take_text, INTO(field, quantity.text)),
    MEMBER("accepts", REQUIRED, take_accepts, INTO(field, quantity)),
    MEMBER("limits", OPTIONAL, take_limits, INTO(field, quantity)),
    MEMBER("as", REQUIRED, take_name, NAMED(field, as, quantity_goes_to)),
    MEMBER("code", OPTIONAL, take_codings, INTO(field, codes)),
    MEMBER("category", OPTIONAL, take_category, INTO(field, category)),
    MEMBER("profile", OPTIONAL, take_text, INTO(field, profile)),
};

static const struct member count_members[] = {
    MEMBER("title", REQUIRED, take_text, INTO(field, title)),
    MEMBER("ask", OPTIONAL, take_said, NOWHERE),
    MEMBER("type", REQUIRED, take_said, NOWHERE),
    MEMBER("gives", REQUIRED, take_gives, INTO(field, gives)),
    MEMBER("seconds", REQUIRED, take_list, LIST(field, seconds, seconds_rows)),
    MEMBER("longest-if", OPTIONAL, take_rows, NOWHERE),
    MEMBER("as", OPTIONAL, take_name, NAMED(field, as, count_goes_to)),
};

static const struct sort {
    const struct member *members;
    size_t count;
} sorts[] = {
    [FIELD_WORD] = {word_members,     COUNT(word_members)    },
    [FIELD_WORDS] = {words_members,    COUNT(words_members)   },
    [FIELD_TEXT] = {text_members,     COUNT(text_members)    },
    [FIELD_QUANTITY] = {quantity_members, COUNT(quantity_members)},
    [FIELD_COUNT] = {count_members,    COUNT(count_members)   },
};

static const struct named types[] = {
    {"word",     FIELD_WORD    },
    {"words",    FIELD_WORDS   },
    {"text",     FIELD_TEXT    },
    {"quantity", FIELD_QUANTITY},
    {"count",    FIELD_COUNT   },
};
static const struct names field_types = {types, COUNT(types)};

/* ---- one field ---- */

static bool words_go_along(const struct place *place, const struct field *field)
{
    for (size_t i = 0; field->type == FIELD_WORDS && i < field->list->count; i++)
        if (field->list->words[i].has_as)
            return place_fail(place, "several words go one way: %s of %s says its own",
                              field->list->words[i].word, field->list->name);
    return true;
}

static bool goes_somewhere(const struct place *place, const struct field *field)
{
    bool companion = field->as == AS_COMPANION;
    bool coded = companion || field->as == AS_COMPONENT;

    if (coded && field->codes.count == 0)
        return place_fail(place, "code is missing: a component or a companion has one");
    if (!coded && field->codes.count > 0)
        return place_fail(place, "code is for a component or a companion");
    if (!companion && (field->category || field->profile))
        return place_fail(place, "category and profile are for a companion");
    return words_go_along(place, field);
}

/* Of the patient's last reading only the parts are known. */
static bool asks_each_time(const struct place *place, const struct field *field)
{
    for (size_t i = 0; i < field->quantity.limits_count; i++)
        if (field->quantity.limits[i].unless_last_minutes != 0)
            return place_fail(place, "limits: unless-last-minutes is for the limits of a part");
    return true;
}

static const char *join_path(struct loader *loader, const char *group, const char *name)
{
    size_t room = (group ? strlen(group) + 1 : 0) + strlen(name) + 1;
    char *path = arena(loader, room, 1);

    if (path)
        (void)snprintf(path, room, "%s%s%s", group ? group : "", group ? "." : "", name);
    return path;
}

static bool read_field(const struct place *place, const char *group, const char *name)
{
    static const struct member type =
        MEMBER("type", REQUIRED, take_name, NAMED(field, type, field_types));
    struct kind *kind = place->loader->kind;
    struct field *field = &place->loader->fields[kind->fields_count];
    struct place at;

    if (kind->fields_count == FIELDS_MOST)
        return place_fail(place, "more than %d context fields", FIELDS_MOST);
    *field = (struct field){.group = group, .name = name, .as = AS_METHOD};
    field->path = join_path(place->loader, group, name);
    if (!field->path || !place_member(place, "type", &at))
        return field->path && place_fail(place, "type is missing");
    if (!take_name(&at, &type, (char *)field))
        return false;
    if (!place_shape(place, sorts[field->type].members, sorts[field->type].count, field))
        return false;
    field->quantity.name = field->path;
    field->quantity.title = field->title;
    kind->fields_count++;
    return goes_somewhere(place, field) && asks_each_time(place, field);
}

/* ---- groups ---- */

struct group {
    const char *name;
};

static bool has_type(const struct place *at, const char *type)
{
    const json_t *json = json_object_get(at->json, "type");

    return text_is(json) && strcmp(json_string_value(json), type) == 0;
}

static bool read_group_field(const struct place *at, const char *name, void *to)
{
    const struct group *group = to;

    if (!word_is_well(name))
        return place_fail(at, "a name is lower-case letters, digits and hyphens, a letter first");
    if (has_type(at, "count"))
        return place_fail(at, "a count stands in no group");
    return read_field(at, group->name, name);
}

static bool read_group(const struct place *place, const char *name)
{
    static const struct member members[] = {
        MEMBER("title", REQUIRED, take_said, NOWHERE),
        MEMBER("type", REQUIRED, take_said, NOWHERE),
        MEMBER("fields", REQUIRED, take_object, NOWHERE),
    };
    struct group group = {name};
    struct place fields;

    return SHAPE(place, members, NULL) && place_member(place, "fields", &fields) &&
           place_each(&fields, read_group_field, &group);
}

/* ---- all of them ---- */

static bool read_context_member(const struct place *at, const char *name, void *to)
{
    bool is_count = strcmp(name, "counted") == 0 && has_type(at, "count");

    (void)to;
    if (!is_count && !name_is_free(at, name))
        return false;
    if (strcmp(name, "value") == 0 || kind_part(at->loader->kind, name))
        return place_fail(at, "a part has this name already");
    return has_type(at, "group") ? read_group(at, name) : read_field(at, NULL, name);
}

bool load_context(const struct place *context)
{
    return place_each(context, read_context_member, NULL);
}

/* ---- what fields say about each other and about parts ---- */

/* Observation.bodySite is there once (FHIR R4 observation.html), and so is the position. */
static const struct field *second_at(const struct kind *kind, enum field_as as)
{
    const struct field *first = NULL;

    for (size_t i = 0; i < kind->fields_count; i++) {
        if (kind->fields[i].as != as)
            continue;
        if (first)
            return &kind->fields[i];
        first = &kind->fields[i];
    }
    return NULL;
}

/* What is counted stands for one number, in a unit that is there without being said. */
static bool counts_hold(const struct place *context, const struct kind *kind)
{
    const struct field *first = NULL;

    for (size_t i = 0; i < kind->fields_count; i++) {
        const struct field *field = &kind->fields[i];

        if (field->type != FIELD_COUNT)
            continue;
        if (first)
            return place_fail(context, "%s and %s both count", first->path, field->path);
        if (!kind->parts[field->gives].unit)
            return place_fail(context, "%s gives a part without a canonical unit", field->path);
        first = field;
    }
    return true;
}

bool context_holds(const struct place *context)
{
    const struct kind *kind = context->loader->kind;
    const struct field *second = second_at(kind, AS_BODY_SITE);

    if (!second)
        second = second_at(kind, AS_POSITION);
    if (second)
        return place_fail(context, "%s goes where another field goes, and there is room for one",
                          second->path);
    return counts_hold(context, kind);
}
