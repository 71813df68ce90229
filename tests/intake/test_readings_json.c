/* What a sender may write and what he may not: set_parse() over bodies, against the small table in
 * tests/fhir/table. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "bad_bodies.h"
#include "heap.h"
#include "kind_table.h"
#include "wardpost/json_in.h"
#include "wardpost/problem_json.h"
#include "wardpost/reading.h"

#define TABLE  WARDPOST_SOURCE_DIR "/tests/fhir/table"
#define MINUTE ((int64_t)60000)

static struct reading_frame frame_at(const char *now)
{
    struct reading_frame frame = {
        .has_now = true, .skew_ms = 2 * MINUTE, .age_ask_ms = 60 * MINUTE, .readings_most = 5};

    assert_int_equal(moment_parse(now, strlen(now), &frame.now), MOMENT_FINE);
    return frame;
}

static struct reading_frame usual_frame(void)
{
    return frame_at("2026-11-25T09:31:00.250+01:00");
}

static json_t *body_of(const char *text)
{
    size_t length = strlen(text);
    char *copy = malloc(length + 1);
    struct json_fault fault;
    json_t *json = NULL;

    assert_non_null(copy);
    for (size_t i = 0; i <= length; i++)
        if ((copy[i] = text[i]) == '\'')
            copy[i] = '"';
    if (json_in(copy, length, &json, &fault) != STATUS_OK)
        fail_msg("%s: column %u: %s", copy, fault.column, fault.detail);
    free(copy);
    return json;
}

/* ---- bad ones ---- */

static bool is_expected(const struct problem *problem, const char *expected)
{
    char wanted[256];
    const char *at;
    size_t length;

    (void)snprintf(wanted, sizeof(wanted), "%s %s", problem_code_text(problem->code),
                   problem->pointer[0] ? problem->pointer : "''");
    length = strlen(wanted);
    for (at = expected; (at = strstr(at, wanted)); at++)
        if ((at == expected || at[-1] == ' ') && (at[length] == ' ' || at[length] == '\0'))
            return true;
    return false;
}

static size_t count_expected(const char *expected)
{
    size_t blanks = 0;

    for (; *expected; expected++)
        blanks += *expected == ' ';
    return (blanks + 1) / 2;
}

static void print_problems(const struct problems *problems)
{
    for (size_t i = 0; i < problems->count; i++)
        print_error("  %s %s: %s\n", problem_code_text(problems->items[i].code),
                    problems->items[i].pointer, problems->items[i].detail);
}

static bool is_only_asked(const struct problems *problems)
{
    for (size_t i = 0; i < problems->count; i++)
        if (problems->items[i].code != PROBLEM_CONFIRM)
            return false;
    return true;
}

static void check_bad(struct kinds *kinds, const struct bad_body *row)
{
    const struct reading_frame frame = usual_frame();
    struct problems problems = PROBLEMS_INIT;
    json_t *body = body_of(row->body);
    struct set *set = NULL;
    bool good;

    assert_int_equal(set_parse(body, kinds, &frame, &set, &problems), STATUS_OK);
    good = problems.count == count_expected(row->problems);
    for (size_t i = 0; i < problems.count; i++) {
        good = good && is_expected(&problems.items[i], row->problems);
        assert_true(strlen(problems.items[i].detail) > 5);
    }
    if (!good) {
        print_error("%s\n should be %s\n but is\n", row->body, row->problems);
        print_problems(&problems);
    }
    assert_true(good);
    assert_int_equal(set != NULL, is_only_asked(&problems));
    set_free(set);
    json_decref(body);
    problems_clear(&problems);
}

static void test_bad_bodies(void **state)
{
    for (size_t i = 0; i < sizeof(bad_bodies) / sizeof(bad_bodies[0]); i++)
        check_bad(*state, &bad_bodies[i]);
    assert_true(sizeof(bad_bodies) / sizeof(bad_bodies[0]) >= 80);
}

/* The same with the words that a person needs; nothing of what was sent in them. */
static const struct {
    const char *body, *code, *detail;
} words[] = {
    {"{" BOTH ",'kind':'hart-rate','value':72,'unit':'/min'}",            "unknown-kind",  "heart-rate"       },
    {"{" BOTH "," PULSE ",'sit':'x'}",                                    "unknown-field", "was site meant"   },
    {"{" BOTH "," PULSE ",'site':'radial-artry'}",                        "unknown-word",
     "was radial-artery meant? Taken are: radial-artery, carotid-artery"                                      },
    {"{" BOTH ",'kind':'heart-rate','value':72,'unit':'Hz'}",             "unknown-unit",  "/min, {beats}/min"},
    {"{" BOTH ",'kind':'heart-rate','not-taken':'asleap'}",               "unknown-word",
     "was asleep meant? Taken are: refused, unable, asleep"                                                   },
    {"{" PATIENT ",'taken':'2026-11-25T09:30:00'," PULSE "}",             "bad-time",      "zone"             },
    {"{" PATIENT ",'taken':'2026-02-30T09:30:00Z'," PULSE "}",            "bad-time",      "no such day"      },
    {"{" BOTH ",'kind':'heart-rate','value':'72','unit':'/min'}",         "wrong-type",    "without quotes"   },
    {"{" BOTH ",'kind':'heart-rate','counted':{'beats':9,'seconds':10}}", "implausible",
     "15, 30, 60"                                                                                             },
    {"{" PATIENT ",'age':7200," PULSE "}",                                "confirm",       "60 minutes"       },
    {"{" PATIENT ",'takn':1," TAKEN ",'readings':[" OTHER "]}",           "unknown-field", "was taken meant"  },
};

static void test_details_help(void **state)
{
    for (size_t i = 0; i < sizeof(words) / sizeof(words[0]); i++) {
        const struct reading_frame frame = usual_frame();
        struct problems problems = PROBLEMS_INIT;
        json_t *body = body_of(words[i].body);
        struct set *set = NULL;

        assert_int_equal(set_parse(body, *state, &frame, &set, &problems), STATUS_OK);
        assert_int_equal(problems.count, 1);
        assert_string_equal(problem_code_text(problems.items[0].code), words[i].code);
        if (!strstr(problems.items[0].detail, words[i].detail))
            fail_msg("%s does not say %s", problems.items[0].detail, words[i].detail);
        set_free(set);
        json_decref(body);
        problems_clear(&problems);
    }
}

/* Whatever is wrong with them, no text that was sent comes back in a detail (style B4). */
static void test_details_keep_secrets(void **state)
{
    const struct reading_frame frame = usual_frame();
    struct problems problems = PROBLEMS_INIT;
    json_t *body = body_of(
        "{'patient':{'identifier':{'system':'SECRET','value':'SECRET|'},'birthDate':'SECRET','"
        "family':7},'by':' SECRET','device':'SECRET '"
        ",'id':'SECRET','taken':'SECRET','kind':'heart-rate','value':'SECRET','unit':'SECRET','"
        "site':'SECRET','note':'SECRET',"
        "'override':{'by':'SECRET','second':'SECRET','reason':'SECRET'},'confirmed':'SECRET'}");
    struct set *set = NULL;

    assert_int_equal(set_parse(body, *state, &frame, &set, &problems), STATUS_OK);
    assert_null(set);
    assert_int_equal(problems.count, 13);
    for (size_t i = 0; i < problems.count; i++) {
        assert_null(strstr(problems.items[i].detail, "SECRET"));
        assert_null(strstr(problems.items[i].pointer, "SECRET"));
    }
    json_decref(body);
    problems_clear(&problems);
}

/* A text as long as may be, and one character more; two bytes each, for they count as one. */
static void check_length(struct kinds *kinds, const char *before, const char *after, size_t most)
{
    const struct reading_frame frame = usual_frame();
    char *text = malloc(2 * most + 5), *body_text = malloc(2 * most + 600);

    assert_true(text && body_text);
    for (size_t extra = 0; extra < 2; extra++) {
        struct problems problems = PROBLEMS_INIT;
        struct set *set = NULL;
        json_t *body;

        text[0] = '\0';
        for (size_t i = 0; i < most + extra; i++)
            memcpy(text + 2 * i, "\xC3\xA9", 3);
        (void)snprintf(body_text, 2 * most + 600, "%s%s%s", before, text, after);
        body = body_of(body_text);
        assert_int_equal(set_parse(body, kinds, &frame, &set, &problems), STATUS_OK);
        if (problems.count != extra)
            print_error("%s...%s, %zu characters\n", before, after, most + extra);
        print_problems(extra ? &(struct problems)PROBLEMS_INIT : &problems);
        assert_int_equal(problems.count, extra);
        assert_int_equal(extra ? problems.items[0].code : PROBLEM_TOO_LONG, PROBLEM_TOO_LONG);
        set_free(set);
        json_decref(body);
        problems_clear(&problems);
    }
    free(text);
    free(body_text);
}

static void test_longest_texts(void **state)
{
    static const struct {
        const char *before, *after;
        size_t most;
    } rows[] = {
        {"{'patient':{'identifier':{'system':'a:b','value':'",               "'}}," TAKEN "," PULSE "}",  100 },
        {"{" BOTH "," PULSE ",'by':'",                                       "'}",                        100 },
        {"{" BOTH "," PULSE ",'device':'",                                   "'}",                        100 },
        {"{" BOTH "," PULSE ",'note':'",                                     "'}",                        2000},
        {"{" BOTH ",'kind':'pain','value':3,'location':'",                   "'}",                        500 },
        {"{" BOTH "," PULSE ",'override':{'by':'a','second':'b','reason':'", "'}}",                       500 },
        {"{" BOTH ",'note':'",                                               "','readings':[" OTHER "]}", 2000},
    };

    for (size_t i = 0; i < sizeof(rows) / sizeof(rows[0]); i++)
        check_length(*state, rows[i].before, rows[i].after, rows[i].most);
}

/* ---- good ones ---- */

static struct set *good_in(struct kinds *kinds, const char *text, const struct reading_frame *frame)
{
    struct problems problems = PROBLEMS_INIT;
    json_t *body = body_of(text);
    struct set *set = NULL;

    assert_int_equal(set_parse(body, kinds, frame, &set, &problems), STATUS_OK);
    print_problems(&problems);
    assert_int_equal(problems.count, 0);
    assert_non_null(set);
    json_decref(body); /* the set has its own */
    problems_clear(&problems);
    return set;
}

static struct set *good(struct kinds *kinds, const char *text)
{
    const struct reading_frame frame = usual_frame();

    return good_in(kinds, text, &frame);
}

static const struct said *said_of(const struct reading *reading, const char *path)
{
    const struct field *field = kind_field(reading->kind, path);

    assert_non_null(field);
    return &reading->fields[field - reading->kind->fields];
}

static void assert_number(const struct measured *measured, const char *digits, const char *unit)
{
    char text[DECIMAL_TEXT_ROOM];

    assert_int_equal(measured->type, MEASURED_NUMBER);
    decimal_text(measured->value, text);
    assert_string_equal(text, digits);
    assert_string_equal(measured->unit->code, unit);
}

static void test_a_single_reading(void **state)
{
    struct set *set = good(
        *state,
        "{'id':'0B0E6F0E-7A0E-4A52-9A3C-8C1F0D7C2B11','patient':{'identifier':{'system':'https://"
        "clinic.example/mrn','value':'WP-10234'},"
        "'birthDate':'1951-03-14','family':'Example'}," TAKEN
        ",'kind':'heart-rate','value':72.50,'unit':'bpm','site':'radial-artery',"
        "'method':'palpation','by':'rn-7','device':'dev-1','note':'two\\nlines','confirmed':true,"
        "'override':{'by':'rn-7','second':'rn-8','reason':'seen'}}");
    const struct reading *reading = &set->readings[0];

    assert_true(set->single);
    assert_int_equal(set->count, 1);
    assert_true(uuid_equal(&set->id, &reading->id));
    assert_true(reading->id_given);
    assert_string_equal(reading->pointer, "");
    assert_string_equal(reading->kind->name, "heart-rate");
    assert_number(&reading->parts[0], "72.50", "/min"); /* digits stay; bpm is another spelling */
    assert_false(reading->parts[0].worked_out);
    assert_string_equal(said_of(reading, "site")->words[0]->text, "Radial artery");
    assert_false(said_of(reading, "rhythm")->given);
    assert_string_equal(set->patient.system, "https://clinic.example/mrn");
    assert_string_equal(set->patient.value, "WP-10234");
    assert_string_equal(set->patient.family, "Example");
    assert_true(set->patient.given && set->patient.has_birth_date);
    assert_int_equal(set->patient.birth_date.year, 1951);
    assert_string_equal(reading->taken_text, "2026-11-25T09:30:00+01:00");
    assert_int_equal(reading->taken.offset_minutes, 60);
    assert_string_equal(reading->by, "rn-7");
    assert_string_equal(set->by, "rn-7");
    assert_string_equal(reading->device, "dev-1");
    assert_string_equal(reading->note, "two\nlines");
    assert_true(reading->confirmed && reading->override.given);
    assert_string_equal(reading->override.second, "rn-8");
    assert_ptr_equal(reading->sent, set->body);
    set_free(set);
}

static void test_a_set_is_inherited(void **state)
{
    struct set *set = good(*state, "{" BOTH ",'by':'rn-7','device':'dev-1','note':'after "
                                   "lunch','context':{'pregnant':'unknown','saturation-"
                                   "scale':{'scale':2,'by':'dr-1','date':'2026-11-20'}},"
                                   "'readings':[{" PULSE
                                   "},{'kind':'pain','value':3,'by':'rn-9','device':'dev-2','note':"
                                   "'own','taken':'2026-11-25T08:29:00Z','confirmed':true,"
                                   "'id':'0b0e6f0e-7a0e-4a52-9a3c-8c1f0d7c2b11'}]}");

    assert_false(set->single);
    assert_int_equal(set->count, 2);
    assert_string_equal(set->readings[0].pointer, "/readings/0");
    assert_string_equal(set->readings[0].taken_text, "2026-11-25T09:30:00+01:00");
    assert_string_equal(set->readings[0].by, "rn-7");
    assert_string_equal(set->readings[0].device, "dev-1");
    assert_string_equal(set->readings[0].note, "after lunch");
    assert_false(set->readings[0].id_given);
    assert_string_equal(set->readings[1].taken_text, "2026-11-25T08:29:00Z");
    assert_string_equal(set->readings[1].by, "rn-9");
    assert_string_equal(set->readings[1].device, "dev-2");
    assert_string_equal(set->readings[1].note, "own");
    assert_string_equal(set->by, "rn-7");
    assert_int_equal(set->pregnant, ANSWER_UNKNOWN);
    assert_int_equal(set->scale, 2);
    assert_string_equal(set->scale_by, "dr-1");
    assert_string_equal(set->scale_date, "2026-11-20");
    set_free(set);
}

static void test_ids(void **state)
{
    /* by Python: uuid.uuid5(uuid.UUID("0b0e6f0e-7a0e-4a52-9a3c-8c1f0d7c2b11"), "set") */
    static const char named[] = "00f613a2-6443-55e7-b2f1-4d8acb48ae2f";
    struct set *set =
        good(*state, "{" BOTH ",'readings':[{" PULSE
                     ",'id':'0b0e6f0e-7a0e-4a52-9a3c-8c1f0d7c2b11'}," OTHER "," OTHER "]}");
    struct reading_frame timeless = {.readings_most = 5};
    char text[UUID_TEXT_ROOM];

    uuid_text(&set->id, text);
    assert_string_equal(text, named);
    uuid_text(&set->readings[1].id, text);
    assert_int_equal(text[14], '7'); /* of a moment */
    assert_false(uuid_equal(&set->readings[1].id, &set->readings[2].id));
    set_free(set);

    set = good_in(*state, "{" BOTH "," PULSE "}", &timeless);
    uuid_text(&set->id, text);
    assert_int_equal(text[14], '4'); /* random */
    set_free(set);

    set = good(*state,
               "{" BOTH ",'id':'5d3f1f6a-3c0b-4a2e-8a9d-2f1f9f1a0c01','readings':[" OTHER "]}");
    uuid_text(&set->id, text);
    assert_string_equal(text, "5d3f1f6a-3c0b-4a2e-8a9d-2f1f9f1a0c01");
    set_free(set);
}

static void test_counted_beats(void **state)
{
    static const struct {
        const char *members, *rate; /* N x 60 / S, half to even */
    } rows[] = {
        {"'counted':{'beats':18,'seconds':15}",                                 "72"}, /* times four: common practice */
        {"'counted':{'beats':37,'seconds':30}",                                 "74"},
        {"'counted':{'beats':71,'seconds':60},'unit':'/min'",                   "71"},
        {"'counted':{'beats':18,'seconds':15},'value':72,'unit':'/min'",        "72"},
        {"'counted':{'beats':18,'seconds':15},'value':72,'unit':'{beats}/min'", "72"},
    };
    char body[400];

    for (size_t i = 0; i < sizeof(rows) / sizeof(rows[0]); i++) {
        struct set *set;

        (void)snprintf(body, sizeof(body), "{" BOTH ",'kind':'heart-rate',%s}", rows[i].members);
        set = good(*state, body);
        assert_true(said_of(&set->readings[0], "counted")->given);
        assert_number(&set->readings[0].parts[0], rows[i].rate,
                      set->readings[0].parts[0].unit->code);
        assert_int_equal(set->readings[0].parts[0].worked_out,
                         strstr(rows[i].members, "'value'") == NULL);
        set_free(set);
    }
}

static void test_words_points_groups(void **state)
{
    struct set *set = good(
        *state,
        "{" BOTH ",'readings':[{'kind':'glasgow-coma-scale','eye':'spontaneous','verbal':'confused'"
        ",'motor':'obeys'},"
        "{'kind':'glasgow-coma-scale','eye':'spontaneous','verbal':'oriented','motor':'obeys','"
        "value':15},"
        "{'kind':'glasgow-coma-scale','eye':'closed','verbal':'oriented','motor':'obeys'},"
        "{'kind':'oxygen-saturation','value':97,'unit':'%','oxygen':{'device':'nasal-cannula','"
        "flow':{'value':2.0,'unit':'L/min'}}},"
        "{'kind':'pain','value':3,'quality':['stabbing','burning'],'location':'left flank'}]}");
    const struct reading *reading = set->readings;

    assert_number(&reading[0].parts[3], "14", "{score}"); /* 4 + 4 + 6, the scale */
    assert_true(reading[0].parts[3].worked_out);
    assert_number(&reading[1].parts[3], "15", "{score}");
    assert_false(reading[1].parts[3].worked_out);
    assert_int_equal(reading[2].parts[3].type,
                     MEASURED_NONE); /* an eye that cannot open has no points: no total */
    assert_string_equal(said_of(&reading[3], "oxygen.device")->words[0]->word, "nasal-cannula");
    assert_int_equal(said_of(&reading[3], "oxygen.flow")->value.digits, 20);
    assert_false(said_of(&reading[3], "oxygen.concentration")->given);
    assert_int_equal(said_of(&reading[4], "quality")->words_count, 2);
    assert_string_equal(said_of(&reading[4], "quality")->words[0]->word, "stabbing");
    assert_string_equal(said_of(&reading[4], "location")->text, "left flank");
    set_free(set);
}

static void test_not_taken(void **state)
{
    struct set *set = good(*state, "{" BOTH ",'readings':[{'kind':'heart-rate','not-taken':'"
                                   "refused','site':'carotid-artery','unit':'/min'},"
                                   "{'kind':'blood-pressure','systolic':107,'diastolic':{'not-"
                                   "taken':'unable'},'unit':'mmHg'}]}");

    assert_string_equal(set->readings[0].not_taken->word, "refused");
    assert_int_equal(set->readings[0].parts[0].type, MEASURED_NONE);
    assert_true(said_of(&set->readings[0], "site")->given);
    assert_null(set->readings[1].not_taken);
    assert_number(&set->readings[1].parts[0], "107", "mm[Hg]");
    assert_int_equal(set->readings[1].parts[1].type, MEASURED_NOT_TAKEN);
    assert_string_equal(set->readings[1].parts[1].reason->word, "unable");
    assert_int_equal(set->readings[1].parts[2].type, MEASURED_NONE);
    set_free(set);
}

/* ---- time ---- */

static void test_age(void **state)
{
    struct reading_frame timeless = {.readings_most = 5}, frame = usual_frame();
    struct problems problems = PROBLEMS_INIT;
    json_t *body = body_of("{" PATIENT ",'age':90," PULSE "}");
    struct set *set =
        good(*state, "{" PATIENT ",'age':90,'readings':[" OTHER ",{" PULSE ",'age':0}]}");

    assert_string_equal(set->readings[0].taken_text,
                        "2026-11-25T09:29:30+01:00"); /* with now's offset, whole seconds */
    assert_string_equal(set->readings[1].taken_text, "2026-11-25T09:31:00+01:00");
    assert_int_equal(set->readings[0].taken.ms, set->readings[1].taken.ms - 90000);
    assert_true(set->taken.ms == set->readings[0].taken.ms);
    set_free(set);

    assert_int_equal(set_parse(body, *state, &timeless, &set, &problems), STATUS_OK);
    assert_null(set);
    assert_int_equal(problems.count, 1);
    assert_string_equal(problems.items[0].pointer, "/age");
    assert_int_equal(problems.items[0].code, PROBLEM_BAD_TIME);
    problems_clear(&problems);
    json_decref(body);

    frame.nobody_there = true; /* what was taken offline is never refused for its age */
    set_free(good_in(*state, "{" PATIENT ",'age':864000," PULSE "}", &frame));
}

static void test_bounds_of_time(void **state)
{
    struct reading_frame frame = usual_frame();

    set_free(good(*state, "{" PATIENT ",'taken':'2026-11-25T09:33:00+01:00'," PULSE
                          "}")); /* within the skew */
    set_free(good(*state, "{" PATIENT ",'taken':'2026-11-25T08:31:00.250+01:00'," PULSE "}"));
    set_free(good(*state,
                  "{" PATIENT ",'taken':'2026-11-25T02:00:00-06:00','confirmed':true," PULSE "}"));
    set_free(
        good(*state,
             "{" PATIENT ",'taken':'2026-11-25T08:00:00+01:00','readings':[{" PULSE
             ",'confirmed':true},{'kind':'pain','value':1,'taken':'2026-11-25T09:31:00+01:00'}]}"));
    set_free(good(*state, "{" BORN ",'taken':'2026-11-25T00:00:00+01:00','confirmed':true," PULSE
                          "}")); /* born today, locally */
    frame.age_ask_ms = 0;
    set_free(good_in(*state, "{" PATIENT ",'taken':'2020-01-01T00:00:00Z'," PULSE "}", &frame));
}

static void test_first_reading_speaks_for_a_silent_set(void **state)
{
    struct set *set =
        good(*state, "{" PATIENT ",'readings':[{" PULSE "," TAKEN ",'by':'rn-7'},{" PULSE
                     ",'taken':'2026-11-25T09:31:00+01:00','by':'rn-9'}]}");

    assert_string_equal(set->taken_text, "2026-11-25T09:30:00+01:00");
    assert_string_equal(set->by, "rn-7");
    assert_string_equal(set->readings[1].by, "rn-9");
    set_free(set);
}

static void test_patient_of_a_device(void **state)
{
    struct reading_frame frame = usual_frame();
    struct set *set;

    frame.patient_optional = true;
    set = good_in(*state, "{" TAKEN "," PULSE "}", &frame);
    assert_false(set->patient.given);
    set_free(set);
}

/* ---- trouble of ours ---- */

static void check_failing_heap(struct kinds *kinds, const char *text, unsigned least)
{
    const struct reading_frame frame = usual_frame();
    json_t *body = body_of(text);
    enum status status;
    unsigned nth = 0;

    do {
        struct problems problems = PROBLEMS_INIT;
        struct set *set = NULL;

        heap_fail_at(++nth);
        status = set_parse(body, kinds, &frame, &set, &problems);
        heap_fail_at(0);
        assert_true(status == STATUS_OK || (status == STATUS_NO_MEMORY && heap_did_fail()));
        assert_true(status == STATUS_OK || set == NULL);
        set_free(set);
        problems_clear(&problems);
    } while (status != STATUS_OK || heap_did_fail());
    assert_in_range(nth, least, 200);
    assert_int_equal(body->refcount, 1);
    json_decref(body);
}

static void test_survives_each_failed_allocation(void **state)
{
    check_failing_heap(
        *state,
        "{" PATIENT ",'age':5,'readings':[{" PULSE
        ",'site':'radial-artery'},{'kind':'pain','value':3,'quality':['burning','stabbing']}]}",
        6);
    check_failing_heap(*state,
                       "{" BOTH "," PULSE ",'sit':1,'sat':2,'sot':3,'sut':4,'set':5,'syt':6}", 3);
}

static void test_too_many_problems_are_counted(void **state)
{
    struct reading_frame frame = {.readings_most = 300};
    char *text = malloc(20000);
    struct problems problems = PROBLEMS_INIT;
    struct json_out out = JSON_OUT_INIT;
    struct set *set = NULL;
    size_t length;
    json_t *body;

    assert_non_null(text);
    length = (size_t)snprintf(text, 20000, "{" BOTH ",'readings':[7");
    for (int i = 1; i < 300; i++)
        length += (size_t)snprintf(text + length, 20000 - length, ",7");
    (void)snprintf(text + length, 20000 - length, "]}");
    body = body_of(text);
    assert_int_equal(set_parse(body, *state, &frame, &set, &problems), STATUS_OK);
    assert_null(set);
    assert_int_equal(problems.count, PROBLEMS_MOST);
    assert_int_equal(problems.count + problems.dropped, 300);
    problem_out(&out, 422, "cannot be taken", NULL, &problems);
    assert_non_null(strstr(json_out_text(&out), "\"dropped\":44"));
    json_out_clear(&out);
    problems_clear(&problems);
    json_decref(body);
    free(text);
}

/* ---- RFC 9457 ---- */

static void test_problem_document(void **state)
{
    static const char expected[] =
        "{\"type\":\"about:blank\",\"title\":\"cannot be taken\",\"status\":422,\"detail\":\"two "
        "things\",\"errors\":["
        "{\"pointer\":\"/readings/2/unit\",\"code\":\"unknown-unit\",\"detail\":\"say "
        "\\\"kg\\\"\"},"
        "{\"pointer\":\"\",\"code\":\"implausible\",\"detail\":\"high\",\"override\":true}]}";
    struct problems problems = PROBLEMS_INIT;
    struct json_out out = JSON_OUT_INIT;

    (void)state;
    problem_add(&problems, PROBLEM_UNKNOWN_UNIT, "/readings/2/unit", "say \"kg\"");
    problem_add_override(&problems, "", "high");
    problem_out(&out, 422, "cannot be taken", "two things", &problems);
    assert_string_equal(json_out_text(&out), expected);
    json_out_reset(&out);
    problem_out(&out, 404, "not found", NULL, NULL);
    assert_string_equal(json_out_text(&out),
                        "{\"type\":\"about:blank\",\"title\":\"not found\",\"status\":404}");
    json_out_clear(&out);
    problems_clear(&problems);
}

/* ---- the table ---- */

static int load_table(void **state)
{
    return kind_table_load(TABLE, state);
}

/* ---- a person at the bed ---- */

/* True: it was taken; false: only because of whom it was about. */
static bool identity_is_known(struct kinds *kinds, const char *members)
{
    struct reading_frame frame = usual_frame();
    struct problems problems = PROBLEMS_INIT;
    struct set *set = NULL;
    char text[600];
    json_t *body;
    bool known;

    (void)snprintf(text, sizeof(text), "{" BOTH "%s}", members);
    body = body_of(text);
    frame.identity_required = true;
    assert_int_equal(set_parse(body, kinds, &frame, &set, &problems), STATUS_OK);
    known = problems.count == 0;
    assert_true(known == (set != NULL));
    if (!known) {
        assert_int_equal(problems.count, 1);
        assert_int_equal(problems.items[0].code, PROBLEM_MISSING_FIELD);
        assert_string_equal(problems.items[0].pointer, "/bedside/identity");
    }
    problems_clear(&problems);
    set_free(set);
    json_decref(body);
    return known;
}

static void test_identity_required(void **state)
{
    static const struct {
        const char *members;
        bool known;
    } rows[] = {
        {",'readings':[" OTHER "]",                                                            false},
        {"," PULSE,                                                                            false},
        {",'bedside':{},'readings':[" OTHER "]",                                               false},
        {",'bedside':{'identity':{'checked':[]}},'readings':[" OTHER "]",                      false},
        {",'bedside':{'identity':{'checked':['family']}},'readings':[" OTHER "]",              false},
        {",'bedside':{'identity':{'how':['spoken','band-read']}},'readings':[" OTHER "]",      false},
        {",'bedside':{'identity':{'checked':['family','birth-date']}},'readings':[" OTHER "]",
         true                                                                                       },
        {",'bedside':{'identity':{'checked':['identifier','birth-date','family']}},'readings':"
         "[" OTHER "]",
         true                                                                                       },
    };

    for (size_t i = 0; i < sizeof(rows) / sizeof(rows[0]); i++)
        assert_true(identity_is_known(*state, rows[i].members) == rows[i].known);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_bad_bodies),
        cmocka_unit_test(test_details_help),
        cmocka_unit_test(test_details_keep_secrets),
        cmocka_unit_test(test_longest_texts),
        cmocka_unit_test(test_identity_required),
        cmocka_unit_test(test_a_single_reading),
        cmocka_unit_test(test_a_set_is_inherited),
        cmocka_unit_test(test_ids),
        cmocka_unit_test(test_counted_beats),
        cmocka_unit_test(test_words_points_groups),
        cmocka_unit_test(test_not_taken),
        cmocka_unit_test(test_age),
        cmocka_unit_test(test_bounds_of_time),
        cmocka_unit_test(test_first_reading_speaks_for_a_silent_set),
        cmocka_unit_test(test_patient_of_a_device),
        cmocka_unit_test(test_survives_each_failed_allocation),
        cmocka_unit_test(test_too_many_problems_are_counted),
        cmocka_unit_test(test_problem_document),
    };

    return cmocka_run_group_tests(tests, load_table, kind_table_free);
}
