/* load_codings.c - codings, word lists, reasons, the panel; see load.h. */
#include <stdio.h>
#include <string.h>

#include "clinical/load.h"
#include "wardpost/json_in.h"

/* ---- codings ---- */

/* Scheme and colon (RFC 3986 3.1), and no blank: enough to tell it from a misspelt short name. */
bool uri_is_whole(const char *text)
{
    size_t scheme = strspn(text, "abcdefghijklmnopqrstuvwxyz0123456789+.-");

    return scheme > 0 && text[scheme] == ':' && text[scheme + 1] && !strpbrk(text, " {}<>\"");
}

static const char *system_of(const struct place *place, const char *name)
{
    const json_t *full = json_object_get(place->loader->systems, name);

    if (text_is(full))
        return json_string_value(full);
    return uri_is_whole(name) ? name : NULL;
}

/* Luhn, modulus 10, over the digits before the hyphen, the last of them doubled first (LOINC Users'
 * Guide, check digits; tried in fhir-vitals 0). */
static int check_digit(const char *digits, size_t length)
{
    int sum = 0;

    for (size_t i = 0; i < length; i++) {
        int digit = digits[length - 1 - i] - '0';

        digit *= i % 2 == 0 ? 2 : 1;
        sum += digit > 9 ? digit - 9 : digit;
    }
    return (10 - sum % 10) % 10;
}

/* Answer codes (LA...) look the same and are numbered by another rule. */
static bool loinc_is_whole(const char *code)
{
    bool is_answer = strncmp(code, "LA", 2) == 0;
    const char *digits = is_answer ? code + 2 : code;
    size_t length = strspn(digits, "0123456789");

    if (length == 0 || length > 7 || digits[length] != '-' || digits[length + 1] < '0' ||
        digits[length + 1] > '9' || digits[length + 2] != '\0')
        return false;
    return is_answer || check_digit(digits, length) == digits[length + 1] - '0';
}

static bool read_coding(const struct place *place, void *out)
{
    static const struct member members[] = {
        MEMBER("system", REQUIRED, take_text, INTO(coding, system)),
        MEMBER("code", REQUIRED, take_text, INTO(coding, code)),
        MEMBER("display", OPTIONAL, take_text, INTO(coding, display)),
    };
    struct coding *coding = out;
    struct place at;

    if (!SHAPE(place, members, coding))
        return false;
    coding->system = system_of(place, coding->system);
    if (!coding->system)
        return place_fail(place_member(place, "system", &at) ? &at : place,
                          "neither a URI nor one of the short names in units.json");
    if (strcmp(coding->system, "http://loinc.org") == 0 && !loinc_is_whole(coding->code) &&
        place_member(place, "code", &at))
        return place_fail(&at, "no LOINC code: the check digit is wrong");
    return true;
}

bool take_coding(const struct place *at, const struct member *member, char *out)
{
    return read_coding(at, out + member->offset);
}

static const struct rows coding_rows = {sizeof(struct coding), 0, 8, read_coding};

static bool same_coding(const struct coding *a, const struct coding *b)
{
    return strcmp(a->system, b->system) == 0 && strcmp(a->code, b->code) == 0;
}

bool take_maybe_codings(const struct place *at, const struct member *member, char *out)
{
    static const struct member here =
        MEMBER("", REQUIRED, take_list, LISTED(codings, items, count, coding_rows));
    struct codings *codings = (struct codings *)(void *)(out + member->offset);
    struct place item;

    if (!take_list(at, &here, (char *)codings))
        return false;
    for (size_t i = 0; i < codings->count; i++)
        for (size_t j = 0; j < i; j++)
            if (same_coding(&codings->items[i], &codings->items[j])) {
                place_item(at, i, &item);
                return place_fail(&item, "this coding stands here twice");
            }
    return true;
}

bool take_codings(const struct place *at, const struct member *member, char *out)
{
    return take_maybe_codings(at, member, out) &&
           (json_array_size(at->json) > 0 || place_fail(at, "a coding is missing"));
}

/* ---- codings/<list>.json ---- */

struct filling { /* a word's codes for parts, while they are read */
    struct word *word;
    struct part_codings *list;
};

static bool read_part_codings(const struct place *at, const char *name, void *to)
{
    static const struct member codings =
        MEMBER("", REQUIRED, take_codings, INTO(part_codings, codings));
    struct filling *filling = to;
    struct part_codings *one = &filling->list[filling->word->part_codings_count++];

    one->part = name;
    return take_codings(at, &codings, (char *)one);
}

static bool take_part_codings(const struct place *at, const struct member *member, char *out)
{
    struct filling filling = {.word = (struct word *)(void *)out};

    (void)member;
    if (place_count(at) > PARTS_MOST)
        return place_fail(at, "no kind has more than %d parts", PARTS_MOST);
    filling.list = arena(at->loader, place_count(at), sizeof(*filling.list));
    filling.word->part_codings = filling.list;
    return filling.list && place_each(at, read_part_codings, &filling);
}

static const struct named word_goes[] = {
    {"bodySite", AS_BODY_SITE},
    {"code",     AS_CODE     },
    {"method",   AS_METHOD   },
    {"note",     AS_NOTE     },
};
static const struct names word_goes_to = {word_goes, COUNT(word_goes)};

static bool read_list_word(const struct place *place, void *out)
{
    static const struct member members[] = {
        MEMBER("word", REQUIRED, take_word, INTO(word, word)),
        MEMBER("text", REQUIRED, take_text, INTO(word, text)),
        MEMBER("codings", OPTIONAL, take_maybe_codings, INTO(word, codings)),
        MEMBER("part-codings", OPTIONAL, take_part_codings, NOWHERE),
        MEMBER("points", OPTIONAL, take_points, FLAG(word, points)),
        MEMBER("as", OPTIONAL, take_name, NAMED_FLAG(word, as, word_goes_to)),
        MEMBER("source", OPTIONAL, take_said, NOWHERE),
    };

    return SHAPE(place, members, out);
}

static const struct rows list_words = {sizeof(struct word), 1, WORDS_MOST, read_list_word};

static bool words_are_apart(const struct place *file, const struct word_list *list)
{
    struct place words, at;

    if (!place_member(file, "words", &words))
        return false;
    for (size_t i = 0; i < list->count; i++)
        if (word_list_find(list, list->words[i].word) != &list->words[i]) {
            place_item(&words, i, &at);
            return place_fail(&at, "the word %s stands here twice", list->words[i].word);
        }
    return true;
}

bool load_list(const struct place *file, struct word_list *out)
{
    static const struct member members[] = {
        MEMBER("list", REQUIRED, take_file_name, INTO(word_list, name)),
        MEMBER("words", REQUIRED, take_list, LISTED(word_list, words, count, list_words)),
        MEMBER("source", OPTIONAL, take_said, NOWHERE),
    };

    return SHAPE(file, members, out) && words_are_apart(file, out);
}

bool take_word_list(const struct place *at, const struct member *member, char *out)
{
    const struct kinds *kinds = at->loader->kinds;
    const char *name = place_text(at);

    for (size_t i = 0; name && i < kinds->lists_count; i++)
        if (strcmp(kinds->lists[i].name, name) == 0) {
            put_pointer(out + member->offset, &kinds->lists[i]);
            return true;
        }
    return name && place_fail(at, "no such list in codings/");
}

/* ---- parts that lists have codes for ---- */

static bool uses_list(const struct kind *kind, const struct word_list *list)
{
    for (size_t i = 0; i < kind->fields_count; i++)
        if (kind->fields[i].list == list)
            return true;
    return false;
}

static bool part_is_known(const struct kind *const *users, size_t count, const char *part)
{
    for (size_t i = 0; i < count; i++)
        if (kind_part(users[i], part))
            return true;
    return false;
}

static const char *unknown_part(const struct word_list *list, const struct kind *const *users,
                                size_t count)
{
    for (size_t i = 0; i < list->count; i++)
        for (size_t j = 0; j < list->words[i].part_codings_count; j++)
            if (!part_is_known(users, count, list->words[i].part_codings[j].part))
                return list->words[i].part_codings[j].part;
    return NULL;
}

static bool list_is_used_well(struct loader *loader, const struct word_list *list)
{
    const struct kinds *kinds = loader->kinds;
    const struct place words = {loader, NULL, "/words"};
    const struct kind *users[FILES_MOST];
    const char *part;
    char file[160];
    size_t count = 0;

    for (size_t i = 0; i < kinds->count; i++)
        if (uses_list(kinds->by_name[i], list))
            users[count++] = kinds->by_name[i];
    part = unknown_part(list, users, count);
    if (!part)
        return true;
    (void)snprintf(file, sizeof(file), "codings/%s.json", list->name);
    loader->file = file;
    place_fail(&words, "part-codings: no kind that uses this list has a part %s", part);
    loader->file = "";
    return false;
}

bool part_codings_are_used(struct loader *loader)
{
    for (size_t i = 0; i < loader->kinds->lists_count; i++)
        if (!list_is_used_well(loader, &loader->kinds->lists[i]))
            return false;
    return true;
}

/* ---- not-taken.json, corrections.json, panel.json ---- */

static bool read_reason(const struct place *place, void *out)
{
    static const struct member members[] = {
        MEMBER("word", REQUIRED, take_word, INTO(reason, word)),
        MEMBER("text", REQUIRED, take_text, INTO(reason, text)),
        MEMBER("coding", REQUIRED, take_coding, INTO(reason, coding)),
        MEMBER("note", OPTIONAL, take_true, NOWHERE),
        MEMBER("source", OPTIONAL, take_said, NOWHERE),
    };

    return SHAPE(place, members, out);
}

static const struct rows reason_rows = {sizeof(struct reason), 1, ROWS_MOST, read_reason};

bool load_not_taken(const struct place *file)
{
    static const struct member members[] = {
        MEMBER("reasons", REQUIRED, take_list, LIST(kinds, reasons, reason_rows)),
    };
    struct kinds *kinds = file->loader->kinds;
    struct place reasons, at;

    if (!SHAPE(file, members, kinds) || !place_member(file, "reasons", &reasons))
        return false;
    for (size_t i = 0; i < kinds->reasons_count; i++)
        if (kinds_reason(kinds, kinds->reasons[i].word) != &kinds->reasons[i]) {
            place_item(&reasons, i, &at);
            return place_fail(&at, "the reason %s stands here twice", kinds->reasons[i].word);
        }
    return true;
}

static bool read_correction_reason(const struct place *place, void *out)
{
    static const struct member members[] = {
        MEMBER("word", REQUIRED, take_word, INTO(correction_reason, word)),
        MEMBER("text", REQUIRED, take_text, INTO(correction_reason, text)),
        MEMBER("says-why", OPTIONAL, take_bool, INTO(correction_reason, says_why)),
        MEMBER("source", REQUIRED, take_said, NOWHERE),
    };

    return SHAPE(place, members, out);
}

static const struct rows correction_rows = {sizeof(struct correction_reason), 1, ROWS_MOST,
                                            read_correction_reason};

bool load_corrections(const struct place *file)
{
    static const struct member members[] = {
        MEMBER("reasons", REQUIRED, take_list, LIST(kinds, corrections, correction_rows)),
    };
    struct kinds *kinds = file->loader->kinds;
    struct place reasons, at;

    if (!SHAPE(file, members, kinds) || !place_member(file, "reasons", &reasons))
        return false;
    for (size_t i = 0; i < kinds->corrections_count; i++)
        if (kinds_correction_reason(kinds, kinds->corrections[i].word) != &kinds->corrections[i]) {
            place_item(&reasons, i, &at);
            return place_fail(&at, "the reason %s stands here twice", kinds->corrections[i].word);
        }
    return true;
}

bool load_panel(const struct place *file)
{
    static const struct member members[] = {
        MEMBER("title", REQUIRED, take_text, INTO(kinds, panel.title)),
        MEMBER("profile", OPTIONAL, take_text, INTO(kinds, panel.profile)),
        MEMBER("category", REQUIRED, take_coding, INTO(kinds, panel.category)),
        MEMBER("code", REQUIRED, take_codings, INTO(kinds, panel.codes)),
        MEMBER("members-category", REQUIRED, take_text, INTO(kinds, panel.members_category)),
    };

    return SHAPE(file, members, file->loader->kinds);
}
