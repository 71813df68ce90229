/* load_units.c - units, their spellings and conversions; codings; word lists; reasons; the panel. */
#include <stdlib.h>
#include <string.h>

#include "clinical/load.h"
#include "wardpost/json_in.h"

/* ---- codings ---- */

static const char *system_of(const struct place *place, const char *name)
{
    const json_t *full = json_object_get(place->loader->systems, name);

    if (text_is(full))
        return json_string_value(full);
    return strchr(name, ':') ? name : NULL; /* a URI of its own */
}

/* LOINC's check digit: Luhn, modulus 10, over the digits before the hyphen (fhir-vitals 0). Answer codes (LA...) have another rule. */
static bool loinc_is_whole(const char *code)
{
    size_t length = strcspn(code, "-");
    int sum = 0;

    if (strncmp(code, "LA", 2) == 0 || strncmp(code, "LP", 2) == 0)
        return true;
    if (length == 0 || length > 7 || code[length] != '-' || strlen(code) != length + 2)
        return false;
    for (size_t i = 0; i < length; i++) {
        int digit = code[length - 1 - i] - '0';

        if (digit < 0 || digit > 9)
            return false;
        digit *= i % 2 == 0 ? 2 : 1;
        sum += digit > 9 ? digit - 9 : digit;
    }
    return (10 - sum % 10) % 10 == code[length + 1] - '0';
}

bool read_coding(const struct place *place, void *out)
{
    static const struct member members[] = {
        {"system",  MEMBER_TEXT, true,  offsetof(struct coding, system),  0},
        {"code",    MEMBER_TEXT, true,  offsetof(struct coding, code),    0},
        {"display", MEMBER_TEXT, false, offsetof(struct coding, display), 0},
        {"source",  MEMBER_ANY,  false, 0,                                0},
    };
    struct coding *coding = out;
    const char *system;

    if (!SHAPE(place, members, coding))
        return false;
    system = system_of(place, coding->system);
    if (!system)
        return place_fail(place, "system is neither a URI nor one of the short names in units.json");
    coding->system = system;
    if (strcmp(system, "http://loinc.org") == 0 && !loinc_is_whole(coding->code))
        return place_fail(place, "the check digit of this LOINC code is wrong");
    return true;
}

bool read_codings(const struct place *place, const char *name, struct codings *out)
{
    return read_list(place, name, sizeof(struct coding), read_coding, &out->items, &out->count);
}

/* ---- units.json ---- */

static const struct unit *find_unit(const struct kinds *kinds, const char *code)
{
    for (size_t i = 0; i < kinds->units_count; i++)
        if (strcmp(kinds->units[i].code, code) == 0)
            return &kinds->units[i];
    return NULL;
}

bool read_unit_name(const struct place *place, const char *name, bool required, const struct unit **out)
{
    struct place at;

    *out = NULL;
    if (!place_member(place, name, &at))
        return !required || place_fail(place, "%s is missing", name);
    if (text_is(at.json))
        *out = find_unit(place->loader->kinds, json_string_value(at.json));
    return *out || place_fail(&at, "no such unit in units.json");
}

static bool read_unit(const struct place *place, const char *code, struct unit *unit)
{
    static const struct member members[] = {
        {"text",   MEMBER_TEXT,  true,  offsetof(struct unit, text), 0},
        {"places", MEMBER_ANY,   true,  0,                           0},
        {"also",   MEMBER_ARRAY, false, 0,                           0},
        {"source", MEMBER_ANY,   false, 0,                           0},
    };
    struct decimal places;

    unit->code = code;
    if (!SHAPE(place, members, unit))
        return false;
    if (!digits_decimal(json_object_get(place->json, "places"), &places) || places.scale > 0 || places.digits < 0 || places.digits > 6)
        return place_fail(place, "places is a whole number from 0 to 6");
    unit->places = (unsigned)places.digits;
    return true;
}

static int by_spelling(const void *a, const void *b)
{
    return strcmp(((const struct spelling *)a)->text, ((const struct spelling *)b)->text);
}

static size_t count_spellings(const json_t *units)
{
    size_t count = 0;
    const char *code;
    json_t *unit;

    json_object_foreach(json_walk(units), code, unit) count += 1 + json_array_size(json_object_get(unit, "also"));
    return count;
}

static bool add_spellings(const struct place *place, const struct unit *unit, struct spelling *out, size_t *count)
{
    struct place also, item;

    out[(*count)++] = (struct spelling){unit->code, unit};
    if (!place_member(place, "also", &also))
        return true;
    for (size_t i = 0; i < json_array_size(also.json); i++) {
        place_item(&also, i, &item);
        if (!text_is(item.json))
            return place_fail(&item, "a text is due here");
        out[(*count)++] = (struct spelling){json_string_value(item.json), unit};
    }
    return true;
}

static bool read_units(const struct place *units)
{
    struct kinds *kinds = units->loader->kinds;
    struct unit *list = arena(units->loader, json_object_size(units->json), sizeof(*list));
    struct spelling *spellings = arena(units->loader, count_spellings(units->json), sizeof(*spellings));
    struct place at;
    const char *code;
    json_t *value;

    if (!list || !spellings)
        return false;
    kinds->units = list;
    kinds->spellings = spellings;
    json_object_foreach(json_walk(units->json), code, value)
    {
        place_member(units, code, &at);
        if (!read_unit(&at, code, &list[kinds->units_count]) ||
            !add_spellings(&at, &list[kinds->units_count], spellings, &kinds->spellings_count))
            return false;
        kinds->units_count++;
    }
    qsort(spellings, kinds->spellings_count, sizeof(*spellings), by_spelling);
    for (size_t i = 1; i < kinds->spellings_count; i++)
        if (strcmp(spellings[i - 1].text, spellings[i].text) == 0)
            return place_fail(units, "the spelling %s stands for two units", spellings[i].text);
    return true;
}

static bool read_conversion(const struct place *place, void *out)
{
    static const struct member members[] = {
        {"from",   MEMBER_WORD,    true,  0,                                0},
        {"to",     MEMBER_WORD,    true,  0,                                0},
        {"add",    MEMBER_DECIMAL, false, offsetof(struct conversion, add),   0},
        {"times",  MEMBER_DECIMAL, false, offsetof(struct conversion, times), 0},
        {"over",   MEMBER_DECIMAL, false, offsetof(struct conversion, over),  0},
        {"source", MEMBER_ANY,     true,  0,                                0},
    };
    struct conversion *conversion = out;

    conversion->times = conversion->over = (struct decimal){1, 0};
    if (!SHAPE(place, members, conversion) || !read_unit_name(place, "from", true, &conversion->from) ||
        !read_unit_name(place, "to", true, &conversion->to))
        return false;
    return conversion->over.digits > 0 || place_fail(place, "over is more than 0");
}

bool load_units(const struct place *file)
{
    static const struct member members[] = {
        {"systems",     MEMBER_OBJECT, true, 0, 0},
        {"units",       MEMBER_OBJECT, true, 0, 0},
        {"conversions", MEMBER_ARRAY,  true, 0, 0},
    };
    struct kinds *kinds = file->loader->kinds;
    struct place units;

    if (!SHAPE(file, members, NULL))
        return false;
    file->loader->systems = json_object_get(file->json, "systems");
    place_member(file, "units", &units);
    return read_units(&units) && read_list(file, "conversions", sizeof(struct conversion), read_conversion, &kinds->conversions,
                                           &kinds->conversions_count);
}

/* ---- codings/<list>.json ---- */

static bool is_word(const char *word)
{
    if (*word < 'a' || *word > 'z')
        return false;
    return word[strspn(word, "abcdefghijklmnopqrstuvwxyz0123456789-")] == '\0';
}

static bool read_part_codings(const struct place *place, struct word *word)
{
    struct place all;
    struct part_codings *list;
    const char *part;
    json_t *value;

    if (!place_member(place, "part-codings", &all))
        return true;
    list = arena(place->loader, json_object_size(all.json), sizeof(*list));
    if (!list)
        return false;
    word->part_codings = list;
    json_object_foreach(json_walk(all.json), part, value)
    {
        list[word->part_codings_count].part = part;
        if (!read_codings(&all, part, &list[word->part_codings_count].codings))
            return false;
        word->part_codings_count++;
    }
    return true;
}

static bool read_word_as(const struct place *place, struct word *word)
{
    static const struct {
        const char *name;
        enum field_as as;
    } names[] = {{"bodySite", AS_BODY_SITE}, {"method", AS_METHOD}, {"note", AS_NOTE}, {"code", AS_CODE}};
    struct place at;

    if (!place_member(place, "as", &at))
        return true;
    for (size_t i = 0; i < sizeof(names) / sizeof(names[0]); i++)
        if (text_is(at.json) && strcmp(names[i].name, json_string_value(at.json)) == 0) {
            word->has_as = true;
            word->as = names[i].as;
            return true;
        }
    return place_fail(&at, "a word may go to bodySite, method, note or code");
}

static bool read_word(const struct place *place, void *out)
{
    static const struct member members[] = {
        {"word",         MEMBER_TEXT,   true,  offsetof(struct word, word), 0},
        {"text",         MEMBER_TEXT,   true,  offsetof(struct word, text), 0},
        {"codings",      MEMBER_ARRAY,  false, 0,                           0},
        {"part-codings", MEMBER_OBJECT, false, 0,                           0},
        {"points",       MEMBER_INT,    false, offsetof(struct word, points), 0},
        {"as",           MEMBER_WORD,   false, 0,                           0},
        {"source",       MEMBER_ANY,    false, 0,                           0},
    };
    struct word *word = out;

    word->text = NULL;
    if (!SHAPE(place, members, word))
        return false;
    word->has_points = json_object_get(place->json, "points") != NULL;
    if (!is_word(word->word))
        return place_fail(place, "a word is lower case letters, digits and hyphens");
    return read_codings(place, "codings", &word->codings) && read_part_codings(place, word) && read_word_as(place, word);
}

static bool load_list(const struct place *file, struct word_list *out)
{
    static const struct member members[] = {
        {"list",   MEMBER_TEXT,  true,  offsetof(struct word_list, name), 0},
        {"words",  MEMBER_ARRAY, true,  0,                                0},
        {"source", MEMBER_ANY,   false, 0,                                0},
    };

    if (!SHAPE(file, members, out) || !read_list(file, "words", sizeof(struct word), read_word, &out->words, &out->count))
        return false;
    for (size_t i = 0; i < out->count; i++)
        for (size_t j = 0; j < i; j++)
            if (strcmp(out->words[i].word, out->words[j].word) == 0)
                return place_fail(file, "the word %s stands twice", out->words[i].word);
    return true;
}

const struct word_list *find_list(const struct kinds *kinds, const char *name)
{
    for (size_t i = 0; i < kinds->lists_count; i++)
        if (strcmp(kinds->lists[i].name, name) == 0)
            return &kinds->lists[i];
    return NULL;
}

/* The file name is the list's name. */
static bool name_fits(const char *path, const char *folder, const char *name)
{
    size_t before = strlen(folder), length = strlen(name);

    return strncmp(path, folder, before) == 0 && strncmp(path + before, name, length) == 0 && strcmp(path + before + length, ".json") == 0;
}

bool load_lists(struct loader *loader)
{
    struct kinds *kinds = loader->kinds;
    struct word_list *lists = arena(loader, json_object_size(kinds->files), sizeof(*lists));
    const char *path;
    json_t *json;

    if (!lists)
        return false;
    kinds->lists = lists;
    json_object_foreach(json_walk(kinds->files), path, json)
    {
        struct place file = {loader, json, ""};

        if (strncmp(path, "codings/", 8) != 0)
            continue;
        loader->file = path;
        if (!load_list(&file, &lists[kinds->lists_count]))
            return false;
        if (!name_fits(path, "codings/", lists[kinds->lists_count].name))
            return place_fail(&file, "list is not the file's name");
        kinds->lists_count++;
    }
    return true;
}

/* ---- not-taken.json, panel.json ---- */

static bool read_reason(const struct place *place, void *out)
{
    static const struct member members[] = {
        {"word",   MEMBER_TEXT,   true,  offsetof(struct reason, word), 0},
        {"text",   MEMBER_TEXT,   true,  offsetof(struct reason, text), 0},
        {"coding", MEMBER_OBJECT, true,  0,                             0},
        {"source", MEMBER_ANY,    false, 0,                             0},
    };
    struct reason *reason = out;
    struct place coding;

    return SHAPE(place, members, reason) && place_member(place, "coding", &coding) && read_coding(&coding, &reason->coding);
}

bool load_not_taken(const struct place *file)
{
    static const struct member members[] = {
        {"reasons", MEMBER_ARRAY, true, 0, 0}
    };

    return SHAPE(file, members, NULL) && read_list(file, "reasons", sizeof(struct reason), read_reason, &file->loader->kinds->reasons,
                                                   &file->loader->kinds->reasons_count);
}

bool load_panel(const struct place *file)
{
    static const struct member members[] = {
        {"title",            MEMBER_TEXT,   true,  offsetof(struct panel, title),            0},
        {"profile",          MEMBER_TEXT,   false, offsetof(struct panel, profile),          0},
        {"members-category", MEMBER_TEXT,   true,  offsetof(struct panel, members_category), 0},
        {"category",         MEMBER_OBJECT, true,  0,                                        0},
        {"code",             MEMBER_ARRAY,  true,  0,                                        0},
        {"source",           MEMBER_ANY,    false, 0,                                        0},
    };
    struct panel *panel = &file->loader->kinds->panel;
    struct place category;

    return SHAPE(file, members, panel) && place_member(file, "category", &category) && read_coding(&category, &panel->category) &&
           read_codings(file, "code", &panel->codes);
}
