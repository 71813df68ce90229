/* reading_bedside.c - how a set was taken at the bed: who was looked at and by what, hygiene, and
 * whether the daemon was out of reach. Kept as sent and never charted; see parsing.h. */
#include "intake/parsing.h"

#define WORDS(array)                                    \
    {                                                   \
        "", (array), sizeof(array) / sizeof((array)[0]) \
    }
#define IDENTIFIERS_LEAST 2 /* clinical 7: two of them, and neither bed nor room is one */

/* Each stands for one identifier: a family name and a given name are the same one. */
static const struct word checked_words[] = {
    {.word = "identifier"}, {.word = "birth-date"}, {.word = "family"}};
static const struct word how_words[] = {
    {.word = "band-scanned"}, {.word = "band-read"}, {.word = "spoken"}, {.word = "second-person"}};

static const struct word_list checked_list = WORDS(checked_words);
static const struct word_list how_list = WORDS(how_words);

bool set_taken_offline(const json_t *body)
{
    return json_is_true(json_object_get(json_object_get(body, "bedside"), "offline"));
}

static bool is_repeated(const json_t *words, size_t index)
{
    const json_t *word = json_array_get(words, index);

    for (size_t i = 0; i < index; i++)
        if (json_equal(json_array_get(words, i), word))
            return true;
    return false;
}

static bool word_is_taken(const struct spot *list, size_t index, const struct word_list *words)
{
    const json_t *word = json_array_get(list->json, index);
    char pointer[SPOT_POINTER];
    struct spot spot = {word, pointer, list->problems};

    pointer_join_index(pointer, sizeof(pointer), list->pointer, index);
    if (!text_is(word)) {
        spot_problem(&spot, NULL, PROBLEM_WRONG_TYPE, "a word is due here");
        return false;
    }
    if (!word_list_find(words, json_string_value(word))) {
        spot_unknown_word(&spot, NULL, words, json_string_value(word));
        return false;
    }
    if (is_repeated(list->json, index)) {
        spot_problem(&spot, NULL, PROBLEM_INCONSISTENT, "this word stands here twice");
        return false;
    }
    return true;
}

/* How many words of the list are there; a wrong one is a problem and counts for nothing. */
static size_t read_words(const struct spot *object, const char *name, const struct word_list *words)
{
    char pointer[SPOT_POINTER];
    struct spot list = {json_object_get(object->json, name), pointer, object->problems};
    size_t count = 0;

    if (!list.json)
        return 0;
    if (!json_is_array(list.json)) {
        spot_problem(object, name, PROBLEM_WRONG_TYPE, "a list of words is due here");
        return 0;
    }
    pointer_join(pointer, sizeof(pointer), object->pointer, name);
    if (json_array_size(list.json) > words->count) {
        spot_problem(&list, NULL, PROBLEM_TOO_MANY, "at most %zu words", words->count);
        return 0;
    }
    for (size_t i = 0; i < json_array_size(list.json); i++)
        count += word_is_taken(&list, i, words);
    return count;
}

/* How many identifiers were checked. */
static size_t read_identity(const struct spot *bedside)
{
    static const char *const names[] = {"checked", "how", "at"};
    char pointer[SPOT_POINTER];
    struct spot identity;
    struct moment at;
    size_t checked;

    if (!spot_inner(bedside, "identity", "checked, how, at", pointer, &identity))
        return 0;
    SPOT_NO_STRANGERS(&identity, names);
    checked = read_words(&identity, "checked", &checked_list);
    (void)read_words(&identity, "how", &how_list);
    (void)parse_moment(&identity, "at", &at);
    return checked;
}

static void read_hygiene(const struct spot *bedside)
{
    static const char *const names[] = {"hands", "equipment"};
    char pointer[SPOT_POINTER];
    struct spot hygiene;

    if (!spot_inner(bedside, "hygiene", "hands, equipment", pointer, &hygiene))
        return;
    SPOT_NO_STRANGERS(&hygiene, names);
    for (size_t i = 0; i < sizeof(names) / sizeof(names[0]); i++)
        (void)spot_bool(&hygiene, names[i], false);
}

void parse_bedside(struct parsing *parsing)
{
    static const char *const names[] = {"identity", "hygiene", "offline"};
    const struct spot body = {parsing->set->body, "", parsing->problems};
    char pointer[SPOT_POINTER];
    struct spot bedside;
    size_t checked = 0;

    if (spot_inner(&body, "bedside", "identity, hygiene, offline", pointer, &bedside)) {
        SPOT_NO_STRANGERS(&bedside, names);
        checked = read_identity(&bedside);
        read_hygiene(&bedside);
        (void)spot_bool(&bedside, "offline", false);
    }
    if (parsing->frame->identity_required && checked < IDENTIFIERS_LEAST)
        problem_add(parsing->problems, PROBLEM_MISSING_FIELD, "/bedside/identity",
                    "who is it? Two identifiers are checked at the bed before a set is taken; a "
                    "bed or a room is none");
}
