/* test_extremes.c - what the tables of mappings/ do not hold: rows and numbers of our own making,
 * memory that runs out, and whatever else may be sent. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "bedside.h"
#include "clinical/clinical_private.h"
#include "heap.h"

#define ADULT "1950-03-14"

/* ---- a table of our own ---- */

#define N INTERPRETATION_NORMAL
#define L INTERPRETATION_LOW
#define H INTERPRETATION_HIGH

static const struct unit drops = {"{drops}", "drops", 0}, buckets = {"{buckets}", "buckets", 1},
                         oceans = {"{oceans}", "oceans", 0};
static const struct conversion ways[] = {
    {&drops,  &buckets, {0, 0}, {1, 0},               {1000, 0}           },
    {&oceans, &buckets, {0, 0}, {999999999999999, 0}, {999999999999999, 9}}, /* too much for us */
};
static const struct unit *const units[] = {&buckets, &drops, &oceans};
static const struct limit rain_limits[] = {
    {.grade = GRADE_ASK,                            .bound = {.has_above = true, .above = {5, 0}}, .source = "invented"},
    { .grade = GRADE_REFUSE,
     .in = &drops,
     .bound = {.has_above = true, .above = {9000, 0}},
     .source = "invented"},
    {                                                                                               .grade = GRADE_OVERRIDE,
     .bound = {.has_above = true, .above = {8, 0}},
     .source = "invented",
     .say = "{value} is a lot, {value/10} is not; {nothing}and {value*100}"},
};
static const struct range rain_ranges[] = {
    {.in = &drops,           .has_high = true, .high = {100, 0}, .text = "in drops"},
    { .has_low = true,
     .low = {2, 0},
     .has_high = true,
     .high = {4, 0},
     .has_low_critical = true,
     .low_critical = {1, 0},
     .has_high_critical = true,
     .high_critical = {5, 0},
     .text = "in buckets"},
};
static struct kind rain;
static const struct path amount = {.kind = &rain, .index = 0};
static const struct term huge_terms[] = {
    {{999999999999999, 0}, {.kind = &rain, .index = 0}},
    {{999999999999999, 9}, {.kind = &rain, .index = 0}},
};
static const struct condition too_much = {
    .type = CONDITION_SUM, .terms = huge_terms, .terms_count = 2, .bound = {.has_above = true}};
static const struct check rain_checks[] = {
    {.name = "too-much",
     .grade = GRADE_ASK,
     .code = PROBLEM_CONFIRM,
     .conditions = &too_much,
     .conditions_count = 1,
     .at = &amount,
     .at_count = 1,
     .say = "much",
     .source = "invented"},
};
static const struct path amount_twice[] = {{.kind = &rain}, {.kind = &rain}};
static const struct condition is_sent = {.type = CONDITION_PRESENT, .a = {.kind = &rain}};
static const struct check rain_remark = {.name = "wet",
                                         .grade = GRADE_NOTE,
                                         .conditions = &is_sent,
                                         .conditions_count = 1,
                                         .at = amount_twice,
                                         .at_count = 2,
                                         .say = "wet",
                                         .source = "invented"};
static const struct part rain_parts[] = {
    {.name = "amount",
     .title = "Rain",
     .unit = &buckets,
     .accepts = units,
     .accepts_count = 3,
     .as_entered = &units[1],
     .as_entered_count = 1,
     .limits = rain_limits,
     .limits_count = 3,
     .ranges = rain_ranges,
     .ranges_count = 2},
};
static struct kind rain = {.name = "rain", .title = "Rain", .parts = rain_parts, .parts_count = 1};
static struct kinds weather = {.conversions = ways, .conversions_count = 2};

static void measure(struct bedside *bedside, struct decimal value, const struct unit *unit)
{
    bedside_begin(bedside, &weather, ADULT);
    bedside->set.count = 1;
    bedside->readings[0].kind = &rain;
    bedside->readings[0].pointer = "";
    bedside->readings[0].parts[0] =
        (struct measured){.type = MEASURED_NUMBER, .value = value, .unit = unit};
    bedside_judge(bedside);
}

static void test_critical_bounds(void **state)
{
    static const struct {
        struct decimal buckets;
        enum interpretation seen;
    } rows[] = {
        {{9, 1},  INTERPRETATION_LOW_CRITICAL },
        {{10, 1}, L                           },
        {{19, 1}, L                           },
        {{20, 1}, N                           },
        {{40, 1}, N                           },
        {{41, 1}, H                           },
        {{50, 1}, H                           },
        {{51, 1}, INTERPRETATION_HIGH_CRITICAL},
    };

    (void)state;
    rain.checks_count = 0;
    for (size_t i = 0; i < sizeof(rows) / sizeof(rows[0]); i++) {
        struct bedside bedside;

        measure(&bedside, rows[i].buckets, &buckets);
        assert_int_equal(bedside.judgements[0].parts[0].interpretation, rows[i].seen);
        assert_string_equal(bedside.judgements[0].parts[0].range->text, "in buckets");
        bedside_end(&bedside);
    }
}

/* A row `in` a unit speaks for values sent in that unit, and a range only where they go out in it.
 */
static void test_rows_in_a_unit(void **state)
{
    struct bedside bedside;

    (void)state;
    rain.checks_count = 0;
    measure(&bedside, (struct decimal){3000, 0}, &drops);
    assert_string_equal(bedside.judgements[0].parts[0].range->text, "in buckets");
    assert_int_equal(bedside.judgements[0].parts[0].interpretation, N);
    bedside_end(&bedside);

    bedside_begin(&bedside, &weather, ADULT);
    bedside.frame.as_entered = true;
    bedside.set.count = 1;
    bedside.readings[0] = (struct reading){.kind = &rain, .pointer = ""};
    bedside.readings[0].parts[0] = (struct measured){
        .type = MEASURED_NUMBER, .value = {3000, 0},
             .unit = &drops
    };
    bedside_judge(&bedside);
    assert_string_equal(bedside.judgements[0].parts[0].range->text, "in drops");
    assert_int_equal(bedside.judgements[0].parts[0].interpretation, H);
    bedside_end(&bedside);

    measure(&bedside, (struct decimal){9001, 0}, &drops);
    assert_int_equal(bedside.judgements[0].grade, GRADE_REFUSE); /* the worst of three */
    assert_string_equal(bedside.problems.items[0].detail,
                        "Rain 9001 drops is above 9000 drops, which cannot be");
    bedside_end(&bedside);

    measure(&bedside, (struct decimal){91, 1}, &buckets);
    assert_int_equal(bedside.judgements[0].grade, GRADE_OVERRIDE);
    assert_non_null(strstr(bedside.problems.items[0].detail,
                           "; 9.1 buckets is a lot, 0.91 buckets is not; and 910 buckets"));
    bedside_end(&bedside);
}

/* Charted in buckets, but sent in drops: the row for what was sent in buckets is silent. */
static void test_a_row_for_another_unit(void **state)
{
    static const struct range sent_in_buckets = {
        .in = &buckets, .has_high = true, .text = "sent so"};
    struct part part = rain_parts[0];
    struct bedside bedside;

    (void)state;
    part.ranges = &sent_in_buckets;
    part.ranges_count = 1;
    rain.checks_count = 0;
    rain.parts = &part;
    measure(&bedside, (struct decimal){3000, 0}, &drops);
    assert_null(bedside.judgements[0].parts[0].range);
    bedside_end(&bedside);
    measure(&bedside, (struct decimal){3, 0}, &buckets);
    assert_ptr_equal(bedside.judgements[0].parts[0].range, &sent_in_buckets);
    bedside_end(&bedside);
    rain.parts = rain_parts;
}

static void test_a_remark_is_made_once(void **state)
{
    struct bedside bedside;

    (void)state;
    rain.checks = &rain_remark;
    rain.checks_count = 1;
    measure(&bedside, (struct decimal){3, 0}, &buckets);
    assert_int_equal(bedside.judgements[0].notes_count, 1);
    assert_string_equal(bedside.judgements[0].notes[0], "wet");
    bedside_end(&bedside);
}

/* Numbers beyond our arithmetic are refused in words; never charted, never wrapped. */
static void test_arithmetic_that_does_not_fit(void **state)
{
    struct bedside bedside;

    (void)state;
    rain.checks_count = 0;
    measure(&bedside, (struct decimal){999999999999999, 0}, &oceans);
    assert_non_null(bedside_problem(&bedside, "/amount", PROBLEM_IMPLAUSIBLE,
                                    "999999999999999 oceans is a number that cannot be converted"));
    assert_int_equal(bedside.judgements[0].grade, GRADE_REFUSE);
    assert_false(bedside.judgements[0].parts[0].has_charted);
    bedside_end(&bedside);

    measure(&bedside, (struct decimal){1, 0}, &oceans); /* the bound, in oceans, would be 0 */
    assert_non_null(strstr(bedside.problems.items[0].detail, "Rain 1 oceans is above 8 buckets"));
    bedside_end(&bedside);

    rain.checks = rain_checks;
    rain.checks_count = 1;
    measure(&bedside, (struct decimal){999999999999999, 9}, &buckets);
    assert_non_null(
        bedside_problem(&bedside, "/amount", PROBLEM_IMPLAUSIBLE, "too large to be compared"));
    bedside_end(&bedside);
    measure(&bedside, (struct decimal){1, 0}, &buckets);
    assert_non_null(bedside_problem(&bedside, "/amount", PROBLEM_CONFIRM, "much"));
    bedside_end(&bedside);
}

/* What converts but has no room when rounded: 10^14 and three more digits. */
static void test_no_room_for_what_is_charted(void **state)
{
    static const struct conversion way = {
        &drops, &buckets, {0,    0},
          {1000, 0},
          {1,    0}
    };
    static const struct part parts[] = {
        {.name = "amount",
         .title = "Rain",
         .unit = &buckets,
         .accepts = units,
         .accepts_count = 3}
    };
    static const struct kind flood = {
        .name = "flood", .title = "Flood", .parts = parts, .parts_count = 1};
    struct kinds table = {.conversions = &way, .conversions_count = 1};
    struct bedside bedside;

    (void)state;
    bedside_begin(&bedside, &table, NULL);
    bedside.set.count = 1;
    bedside.readings[0] = (struct reading){.kind = &flood, .pointer = ""};
    bedside.readings[0].parts[0] = (struct measured){
        .type = MEASURED_NUMBER, .value = {100000000000000, 0},
             .unit = &drops
    };
    bedside_judge(&bedside);
    assert_non_null(
        bedside_problem(&bedside, "/amount", PROBLEM_IMPLAUSIBLE, "cannot be converted"));
    assert_false(bedside.judgements[0].parts[0].has_charted);
    bedside_end(&bedside);
}

/* ---- memory ---- */

static void test_nothing_is_allocated_for_a_plain_reading(void **state)
{
    struct bedside bedside;
    enum status status;

    (void)state;
    bedside_begin(&bedside, kinds, ADULT);
    bedside_tell(&bedside, "heart-rate value=72:/min site=radial-artery rhythm=regular"
                           " | blood-pressure systolic=120:mm[Hg] diastolic=80:mm[Hg]"
                           " | last heart-rate value=70:/min");
    heap_fail_at(1);
    status = set_judge(&bedside.set, &bedside.frame, bedside.judgements, &bedside.problems);
    heap_fail_at(0);
    assert_false(heap_did_fail());
    assert_int_equal(status, STATUS_OK);
    bedside_end(&bedside);
}

static void test_each_failed_allocation(void **state)
{
    enum status status = STATUS_NO_MEMORY;
    unsigned nth = 0;

    (void)state;
    while (status != STATUS_OK) {
        struct bedside bedside;

        bedside_begin(&bedside, kinds, ADULT);
        bedside_tell(
            &bedside,
            "pain value=3:{score} | heart-rate value=420:/min | heart-rate value=170:/min"
            " | heart-rate value=310:/min | body-temperature value=98.6:Cel"
            " | blood-pressure systolic=121:mm[Hg] diastolic=81:mm[Hg] method=auscultation");
        heap_fail_at(++nth);
        status = set_judge(&bedside.set, &bedside.frame, bedside.judgements, &bedside.problems);
        heap_fail_at(0);
        assert_int_equal(status, heap_did_fail() ? STATUS_NO_MEMORY : STATUS_OK);
        bedside_end(&bedside);
    }
    assert_in_range(nth, 5, 100);
}

/* ---- whatever is sent ---- */

static uint64_t random_next(
    uint64_t *seed) /* xorshift64 (Marsaglia 2003); the same numbers on every run */
{
    *seed ^= *seed << 13;
    *seed ^= *seed >> 7;
    *seed ^= *seed << 17;
    return *seed;
}

static struct decimal random_decimal(uint64_t *seed)
{
    static const int64_t sizes[] = {10, 100, 1000, 100000, 1000000000000000};
    int64_t size = sizes[random_next(seed) % 5];
    int64_t digits = (int64_t)(random_next(seed) % (uint64_t)size);

    return (struct decimal){random_next(seed) % 8 ? digits : -digits,
                            (unsigned)(random_next(seed) % 10)};
}

static const struct unit *random_unit(const struct part *part, uint64_t *seed)
{
    return part->accepts[random_next(seed) % part->accepts_count];
}

static struct measured random_measured(const struct part *part, uint64_t *seed)
{
    struct measured measured = {.type = MEASURED_NONE};

    if (random_next(seed) % 8 == 0)
        return measured;
    if (part->type == PART_WORD) {
        measured.type = MEASURED_WORD;
        measured.word = &part->list->words[random_next(seed) % part->list->count];
        return measured;
    }
    measured.type = MEASURED_NUMBER;
    measured.value = random_decimal(seed);
    measured.unit = random_unit(part, seed);
    return measured;
}

static void random_field(struct bedside *bedside, size_t reading, size_t index, uint64_t *seed)
{
    const struct field *field = &bedside->readings[reading].kind->fields[index];
    struct said *said = &bedside->readings[reading].fields[index];

    said->given = random_next(seed) % 2;
    if (field->type == FIELD_QUANTITY) {
        said->value = random_decimal(seed);
        said->unit = random_unit(&field->quantity, seed);
    } else if (field->list && said->given) {
        said->words = bedside->words[reading][index];
        said->words[0] = &field->list->words[random_next(seed) % field->list->count];
        said->words_count = 1;
    }
}

static void random_set(struct bedside *bedside, uint64_t *seed)
{
    size_t count = 1 + random_next(seed) % 8;

    bedside->frame.nobody_there = random_next(seed) % 2;
    bedside->frame.as_entered = random_next(seed) % 2;
    for (size_t i = 0; i < count; i++) {
        const struct kind *kind = kinds_at(kinds, random_next(seed) % kinds_count(kinds));
        struct reading *reading = bedside_reading(bedside, kind->name);
        struct last *last = bedside_last(bedside, kind->name);

        reading->confirmed = random_next(seed) % 2;
        if (random_next(seed) % 10 == 0)
            reading->not_taken = kinds_reason_at(kinds, 0);
        for (size_t j = 0; j < kind->parts_count; j++) {
            reading->parts[j] = random_measured(&kind->parts[j], seed);
            last->parts[j] = random_measured(&kind->parts[j], seed);
        }
        for (size_t j = 0; j < kind->fields_count; j++)
            random_field(bedside, i, j, seed);
    }
}

/* Each problem has a place and words; what is refused has a problem; what is charted was not
 * refused. */
static void check_whole(const struct bedside *bedside)
{
    size_t refused = 0;

    for (size_t i = 0; i < bedside->set.count; i++)
        refused += bedside->judgements[i].grade >= GRADE_OVERRIDE;
    assert_true(refused == 0 || bedside->problems.count > 0);
    for (size_t i = 0; i < bedside->problems.count; i++) {
        assert_int_equal(bedside->problems.items[i].pointer[0], '/');
        assert_int_not_equal(bedside->problems.items[i].detail[0], '\0');
        assert_null(strchr(bedside->problems.items[i].detail, '{'));
    }
    for (size_t i = 0; i < bedside->set.count; i++)
        for (size_t j = 0; j < bedside->readings[i].kind->parts_count; j++)
            if (bedside->judgements[i].grade < GRADE_REFUSE &&
                bedside->readings[i].parts[j].type == MEASURED_NUMBER &&
                !bedside->readings[i].not_taken)
                assert_true(bedside->judgements[i].parts[j].has_charted);
}

static void test_whatever_is_sent(void **state)
{
    static const char *const births[] = {NULL, ADULT, "2020-05-05", "2026-11-20", "2027-01-01"};
    uint64_t seed = 20261125;

    (void)state;
    for (int round = 0; round < 20000; round++) {
        struct bedside bedside;
        struct worked_out worked_out[WORKED_OUT_MOST];
        struct score_answer answer;
        struct decimal estimate;
        bool asked;

        bedside_begin(&bedside, kinds, births[random_next(&seed) % 5]);
        random_set(&bedside, &seed);
        bedside_judge(&bedside);
        check_whole(&bedside);
        assert_true(set_work_out(&bedside.set, bedside.judgements, worked_out) <= WORKED_OUT_MOST);
        set_score(&bedside.set, bedside.judgements, 0, &asked, &answer);
        for (size_t i = 0; i < bedside.set.count; i++)
            for (size_t j = 0; j < bedside.readings[i].kind->parts_count; j++)
                (void)part_estimate(&bedside.set, i, j, &estimate);
        bedside_end(&bedside);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_critical_bounds),
        cmocka_unit_test(test_rows_in_a_unit),
        cmocka_unit_test(test_a_row_for_another_unit),
        cmocka_unit_test(test_a_remark_is_made_once),
        cmocka_unit_test(test_arithmetic_that_does_not_fit),
        cmocka_unit_test(test_no_room_for_what_is_charted),
        cmocka_unit_test(test_nothing_is_allocated_for_a_plain_reading),
        cmocka_unit_test(test_each_failed_allocation),
        cmocka_unit_test(test_whatever_is_sent),
    };

    return cmocka_run_group_tests(tests, bedside_load, kind_table_free);
}
