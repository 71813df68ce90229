/* readings_json.c - JSON to a set of readings; every fault is found in one go. See
 * wardpost/reading.h.
 *
 * A single reading is a set of one. What belongs to whom: reading_frame.c of whom and when,
 * reading_bedside.c how it was taken, reading_parts.c and reading_context.c what the kind decides
 * about. */
#include <stdlib.h>
#include <string.h>

#include "intake/parsing.h"

/* ---- one reading ---- */

static void read_kind(const struct parsing *parsing, const struct spot *spot, struct reading *out)
{
    const struct kinds *kinds = parsing->set->kinds;
    const char *name = spot_word(spot, "kind", true);
    const char *near;

    if (!name)
        return;
    out->kind = kinds_find(kinds, name);
    if (out->kind)
        return;
    near = kinds_nearest(kinds, name);
    spot_problem(spot, "kind", PROBLEM_UNKNOWN_KIND,
                 near ? "no such kind; was %s meant?" : "no such kind; GET /v1/kinds lists them%s",
                 near ? near : "");
}

static void read_when(struct parsing *parsing, const struct spot *spot, struct reading *out)
{
    struct set *set = parsing->set;

    if (parse_time_is_said(spot)) {
        if (parse_time(parsing, spot, &out->taken, &out->taken_text))
            parse_judge_time(parsing, spot, out->taken, out->confirmed);
    } else if (set->taken_text) {
        out->taken = set->taken;
        out->taken_text = set->taken_text;
    } else if (!parsing->set_time_said) {
        parsing->time_is_missing = true;
    }
}

/* Said once, for the body as a whole. */
static void missing_time(const struct parsing *parsing, const struct spot *spot)
{
    if (parsing->time_is_missing)
        spot_problem(spot, "taken", PROBLEM_MISSING_FIELD,
                     parsing->set->single ? "taken is missing: when was it measured?"
                                          : "taken is missing: here, or in each reading");
}

static void read_who(const struct parsing *parsing, const struct spot *spot, struct reading *out)
{
    const char *by = spot_line(spot, "by", 100, false);
    const char *device = spot_line(spot, "device", 100, false);
    const char *note = spot_text(spot, "note", 2000, false);

    out->by = by ? by : parsing->by;
    out->device = device ? device : parsing->device;
    out->note = note ? note : parsing->note;
}

static void read_reading(struct parsing *parsing, const struct spot *spot, struct reading *out)
{
    out->sent = spot->json;
    out->pointer = spot->pointer;
    out->confirmed = spot_bool(spot, "confirmed", false);
    parse_id(spot, &out->id, &out->id_given);
    if (!out->id_given)
        parse_make_id(parsing->frame, &out->id);
    read_kind(parsing, spot, out);
    read_when(parsing, spot, out);
    read_who(parsing, spot, out);
    parse_override(spot, &out->override);
    if (out->kind)
        parse_by_kind(parsing, spot, out);
}

/* ---- a set ---- */

static bool make_readings(struct parsing *parsing, size_t count)
{
    struct set *set = parsing->set;

    set->readings = calloc(count, sizeof(*set->readings));
    set->pointers = calloc(count, SPOT_POINTER);
    parsing->no_memory = parsing->no_memory || !set->readings || !set->pointers;
    set->count = set->readings && set->pointers ? count : 0;
    return set->count > 0;
}

static void read_items(struct parsing *parsing, const json_t *list)
{
    struct set *set = parsing->set;

    for (size_t i = 0; i < set->count; i++) {
        char *pointer = set->pointers + i * SPOT_POINTER;
        const struct spot spot = {json_array_get(list, i), pointer, parsing->problems};

        pointer_join_index(pointer, SPOT_POINTER, "/readings", i);
        if (!json_is_object(spot.json)) {
            spot_problem(&spot, NULL, PROBLEM_WRONG_TYPE, "an object is due here: one reading");
            continue;
        }
        if (spot_has(&spot, "patient"))
            spot_problem(&spot, "patient", PROBLEM_NOT_ALLOWED,
                         "the patient is the set's; readings of another one go by themselves");
        read_reading(parsing, &spot, &set->readings[i]);
    }
}

static bool is_repeated(const struct set *set, size_t index)
{
    for (size_t i = 0; i < index; i++)
        if (set->readings[i].id_given && uuid_equal(&set->readings[i].id, &set->readings[index].id))
            return true;
    return false;
}

static void no_id_twice(const struct parsing *parsing)
{
    const struct set *set = parsing->set;

    for (size_t i = 1; i < set->count; i++) {
        const struct spot spot = {NULL, set->readings[i].pointer, parsing->problems};

        if (set->readings[i].id_given && is_repeated(set, i))
            spot_problem(&spot, "id", PROBLEM_INCONSISTENT,
                         "another reading of this set has this id");
    }
}

static void read_list(struct parsing *parsing, const struct spot *spot)
{
    const json_t *list = json_object_get(spot->json, "readings");
    size_t most = parsing->frame->readings_most;

    if (!json_is_array(list))
        spot_problem(spot, "readings", PROBLEM_WRONG_TYPE, "a list of readings is due here");
    else if (json_array_size(list) == 0)
        spot_problem(spot, "readings", PROBLEM_MISSING_FIELD, "a set has at least one reading");
    else if (json_array_size(list) > most)
        spot_problem(spot, "readings", PROBLEM_TOO_MANY, "at most %zu readings in a set", most);
    else if (make_readings(parsing, json_array_size(list)))
        read_items(parsing, list);
    no_id_twice(parsing);
}

/* Are all readings that go by the set's time confirmed? */
static bool is_confirmed(const json_t *list)
{
    size_t index;
    json_t *reading;

    json_array_foreach(list, index, reading)
    {
        if (!json_is_true(json_object_get(reading, "confirmed")) &&
            !json_object_get(reading, "taken") && !json_object_get(reading, "age"))
            return false;
    }
    return true;
}

static void read_set_time(struct parsing *parsing, const struct spot *spot)
{
    struct set *set = parsing->set;

    parsing->set_time_said = parse_time_is_said(spot);
    if (parsing->set_time_said && parse_time(parsing, spot, &set->taken, &set->taken_text))
        parse_judge_time(parsing, spot, set->taken,
                         is_confirmed(json_object_get(spot->json, "readings")));
}

/* Its own time and performer: what it said, else its first reading's. */
static void take_from_first(struct set *set)
{
    if (set->count == 0)
        return;
    if (!set->taken_text) {
        set->taken = set->readings[0].taken;
        set->taken_text = set->readings[0].taken_text;
    }
    if (!set->by)
        set->by = set->readings[0].by;
}

static void read_set(struct parsing *parsing, const struct spot *spot)
{
    static const char *const names[] = {"id",     "patient", "taken",   "age",     "by",
                                        "device", "note",    "context", "bedside", "readings"};
    struct set *set = parsing->set;
    bool given = false;

    SPOT_NO_STRANGERS(spot, names);
    parse_id(spot, &set->id, &given);
    parse_patient(parsing);
    read_set_time(parsing, spot);
    parsing->by = set->by = spot_line(spot, "by", 100, false);
    parsing->device = spot_line(spot, "device", 100, false);
    parsing->note = spot_text(spot, "note", 2000, false);
    parse_set_context(parsing);
    parse_bedside(parsing);
    read_list(parsing, spot);
    missing_time(parsing, spot);
    take_from_first(set);
    if (!given && set->count > 0)
        uuid_named(&set->readings[0].id, "set", &set->id);
}

static void read_single(struct parsing *parsing, const struct spot *spot)
{
    struct set *set = parsing->set;

    set->single = true;
    parse_patient(parsing);
    parse_bedside(parsing); /* a member of sets: who must say it sends one */
    if (!make_readings(parsing, 1))
        return;
    read_reading(parsing, &(struct spot){spot->json, set->pointers, spot->problems},
                 &set->readings[0]);
    missing_time(parsing, spot);
    set->id = set->readings[0].id;
    take_from_first(set);
}

/* ---- the whole ---- */

/* What is only asked does not keep a set from being judged: whatever else there is to ask comes in
 * the same answer. */
static bool can_be_judged(const struct problems *problems)
{
    for (size_t i = 0; i < problems->count; i++)
        if (problems->items[i].code != PROBLEM_CONFIRM)
            return false;
    return problems->dropped == 0;
}

enum status set_parse(json_t *body, struct kinds *kinds, const struct reading_frame *frame,
                      struct set **out, struct problems *problems)
{
    struct parsing parsing = {.frame = frame, .problems = problems};
    const struct spot spot = {body, "", problems};
    bool no_memory;

    *out = NULL;
    parsing.set = calloc(1, sizeof(*parsing.set));
    if (!parsing.set)
        return STATUS_NO_MEMORY;
    parsing.set->kinds = kinds_hold(kinds);
    parsing.set->body = json_incref(body);
    if (!json_is_object(body))
        spot_problem(&spot, NULL, PROBLEM_WRONG_TYPE,
                     "an object is due here: one reading, or one set of them");
    else if (spot_has(&spot, "readings"))
        read_set(&parsing, &spot);
    else
        read_single(&parsing, &spot);
    no_memory = parsing.no_memory || problems->no_memory;
    if (!no_memory && can_be_judged(problems))
        *out = parsing.set;
    else
        set_free(parsing.set);
    return no_memory ? STATUS_NO_MEMORY : STATUS_OK;
}

void set_free(struct set *set)
{
    if (!set)
        return;
    for (size_t i = 0; i < set->count; i++)
        for (size_t f = 0; f < FIELDS_MOST; f++)
            free(set->readings[i].fields[f].words);
    free(set->readings);
    free(set->pointers);
    json_decref(set->kept);
    json_decref(set->body);
    kinds_free(set->kinds);
    free(set);
}
