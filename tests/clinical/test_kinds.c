/* test_kinds.c - the kind table as it is loaded: the real one and a small one; found in, held, and
 * without memory. How a broken one is refused: test_kinds_refused.c. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cmocka.h>

#include "heap.h"
#include "table_edit.h"
#include "wardpost/kind.h"

#define REAL_TABLE WARDPOST_SOURCE_DIR "/mappings"

static struct kinds *loaded(const char *path)
{
    struct kinds *kinds = NULL;
    struct kinds_fault fault;
    enum status status = kinds_load(path, &kinds, &fault);

    if (status != STATUS_OK)
        fail_msg("%s: %s%s: %s", status_text(status), fault.file, fault.pointer, fault.reason);
    return kinds;
}

static struct kinds *built(const json_t *files)
{
    struct kinds *kinds = NULL;
    struct kinds_fault fault;

    if (kinds_from_json(files, &kinds, &fault) != STATUS_OK)
        fail_msg("%s%s: %s", fault.file, fault.pointer, fault.reason);
    return kinds;
}

static struct kinds *small(void)
{
    json_t *files = table_read(SMALL_TABLE);
    struct kinds *kinds = built(files);

    json_decref(files); /* the table holds it as long as it needs */
    return kinds;
}

/* ---- the real table ---- */

/* Design 5: kinds from the start. */
static void test_the_real_table_has_all_kinds(void **state)
{
    static const char *const names[] = {
        "pain",          "oxygen-saturation", "body-temperature",   "heart-rate",
        "consciousness", "respiratory-rate",  "glasgow-coma-scale", "blood-pressure",
        "body-weight",   "body-height",       "body-mass-index",    "head-circumference",
        "glucose",       "urine-output"};
    struct kinds *kinds = loaded(REAL_TABLE);

    (void)state;
    for (size_t i = 0; i < sizeof(names) / sizeof(names[0]); i++) {
        const struct kind *kind = kinds_find(kinds, names[i]);

        assert_non_null(kind);
        assert_string_equal(kind->name, names[i]);
        assert_ptr_equal(kinds_at(kinds, kind->index), kind);
    }
    for (size_t i = 1; i < kinds_count(kinds); i++)
        assert_true(kinds_at(kinds, i - 1)->order <= kinds_at(kinds, i)->order);
    assert_null(kinds_find(kinds, "heart"));
    assert_null(kinds_find(kinds, ""));
    kinds_free(kinds);
}

/* ---- the small table: each thing the format can say, where it belongs ---- */

static void test_parts_as_they_are_read(void **state)
{
    struct kinds *kinds = small();
    const struct kind *pulse = kinds_find(kinds, "heart-rate");
    const struct part *value = kind_part(pulse, "value");

    (void)state;
    assert_string_equal(pulse->title, "Heart rate");
    assert_string_equal(pulse->category.system,
                        "http://terminology.hl7.org/CodeSystem/observation-category");
    assert_string_equal(pulse->category.code, "vital-signs");
    assert_null(pulse->category.display);
    assert_int_equal(pulse->codes.count, 1);
    assert_string_equal(pulse->codes.items[0].system, "http://loinc.org");
    assert_string_equal(pulse->codes.items[0].display, "Heart rate");
    assert_true(value->required && value->whole && value->is_value);
    assert_false(value->unit_optional || value->may_be_not_taken);
    assert_string_equal(value->unit->code, "/min");
    assert_string_equal(value->text, "beats/minute");
    assert_int_equal(value->accepts_count, 2);
    assert_ptr_equal(value->accepts[0], value->unit);
    assert_int_equal(value->limits_count, 3);
    assert_int_equal(value->limits[0].grade, GRADE_REFUSE);
    assert_true(value->limits[0].bound.has_below && value->limits[0].bound.has_above);
    assert_int_equal(value->limits[0].bound.above.digits, 400);
    assert_int_equal(value->limits[1].grade, GRADE_OVERRIDE);
    assert_false(value->limits[1].bound.has_below);
    assert_true(value->limits[2].ages.given && value->limits[2].ages.unknown);
    assert_true(value->limits[2].ages.has_from && !value->limits[2].ages.has_to);
    assert_int_equal(value->limits[2].ages.from.count, 16);
    assert_int_equal(value->limits[2].unless_last_minutes, 1440);
    assert_int_equal(value->limits[1].unless_last_minutes, 0);
    assert_int_equal(value->limits[2].ages.from.unit, 'Y');
    assert_int_equal(value->ranges_count, 3);
    assert_true(value->ranges[2].has_low_critical && value->ranges[2].has_high_critical);
    assert_false(value->ranges[1].has_low_critical);
    assert_int_equal(value->ranges[2].high_critical.digits, 130);
    assert_string_equal(value->names[1].name, "tachycardia");
    assert_true(value->names[0].bound.has_at_least && !value->names[0].bound.has_above);
    kinds_free(kinds);
}

static void test_parts_that_speak_of_others(void **state)
{
    struct kinds *kinds = small();
    const struct kind *pressure = kinds_find(kinds, "blood-pressure");
    const struct kind *coma = kinds_find(kinds, "glasgow-coma-scale");
    const struct kind *glucose = kinds_find(kinds, "glucose");
    const struct part *total = kind_part(coma, "total"), *mean = kind_part(pressure, "mean");

    (void)state;
    assert_int_equal(pressure->parts_count, 3);
    assert_string_equal(pressure->parts[0].name, "systolic");
    assert_false(pressure->parts[0].is_value || pressure->parts[1].is_value);
    assert_true(pressure->parts[1].may_be_not_taken);
    assert_false(mean->required);
    assert_int_equal(mean->estimate.count, 2);
    assert_int_equal(mean->estimate.terms[1].part, 1);
    assert_int_equal(mean->estimate.terms[1].times.digits, 2);
    assert_int_equal(mean->estimate.over.digits, 3);
    assert_true(total->is_value && !coma->parts[0].is_value);
    assert_int_equal(total->sum_count, 2);
    assert_int_equal(total->sum[1], 1);
    assert_int_equal(coma->parts[0].type, PART_WORD);
    assert_true(word_list_find(coma->parts[0].list, "open")->has_points);
    assert_int_equal(word_list_find(coma->parts[0].list, "open")->points, 4);
    assert_false(word_list_find(coma->parts[0].list, "not-testable")->has_points);
    assert_null(glucose->parts[0].unit);
    assert_int_equal(glucose->codes.count, 0);
    assert_int_equal(glucose->parts[0].code_by_unit_count, 2);
    assert_string_equal(glucose->parts[0].code_by_unit[1].unit->code, "mmol/L");
    assert_string_equal(glucose->parts[0].code_by_unit[1].codes.items[0].code, "14743-9");
    kinds_free(kinds);
}

static void test_context_as_it_is_read(void **state)
{
    struct kinds *kinds = small();
    const struct kind *oxygen = kinds_find(kinds, "oxygen-saturation");
    const struct kind *pulse = kinds_find(kinds, "heart-rate");
    const struct field *flow = kind_field(oxygen, "oxygen.flow");
    const struct field *counted = kind_field(pulse, "counted");
    const struct field *rhythm = kind_field(pulse, "rhythm");
    const struct word *sitting;

    (void)state;
    assert_int_equal(oxygen->fields_count, 2); /* the group itself is none */
    assert_null(kind_field(oxygen, "oxygen"));
    assert_null(kind_field(oxygen, "flow"));
    assert_string_equal(flow->group, "oxygen");
    assert_string_equal(flow->name, "flow");
    assert_int_equal(flow->as, AS_COMPANION);
    assert_string_equal(flow->quantity.unit->code, "L/min");
    assert_string_equal(flow->quantity.name, "oxygen.flow");
    assert_int_equal(flow->quantity.limits_count, 1);
    assert_null(flow->category);
    assert_string_equal(rhythm->category->code, "exam");
    assert_null(rhythm->group);
    assert_int_equal(counted->type, FIELD_COUNT);
    assert_int_equal(counted->as, AS_METHOD);
    assert_int_equal(counted->gives, 0);
    assert_int_equal(counted->seconds_count, 3);
    assert_int_equal(counted->seconds[2], 60);
    sitting = word_list_find(kind_field(kinds_find(kinds, "blood-pressure"), "position")->list,
                             "sitting");
    assert_int_equal(sitting->part_codings_count, 2);
    assert_string_equal(sitting->part_codings[1].part, "diastolic");
    assert_string_equal(sitting->part_codings[1].codings.items[0].code, "8453-3");
    assert_false(sitting->has_as);
    kinds_free(kinds);
}

/* A route without a code of its own says in bodySite where it was (mappings/README.md, codings). */
static void test_a_word_may_go_elsewhere(void **state)
{
    struct kinds *kinds = small();
    const struct field *route = kind_field(kinds_find(kinds, "body-temperature"), "route");

    (void)state;
    assert_int_equal(route->as, AS_CODE);
    assert_false(word_list_find(route->list, "oral")->has_as);
    assert_true(word_list_find(route->list, "behind-ear")->has_as);
    assert_int_equal(word_list_find(route->list, "behind-ear")->as, AS_BODY_SITE);
    kinds_free(kinds);
}

static void test_the_rest_as_it_is_read(void **state)
{
    struct kinds *kinds = small();
    const struct kind *index = kinds_find(kinds, "body-mass-index");
    const struct panel *panel = kinds_panel(kinds);

    (void)state;
    assert_true(index->computed.given);
    assert_ptr_equal(index->computed.over[0].kind, kinds_find(kinds, "body-weight"));
    assert_int_equal(index->computed.over[0].power, 1);
    assert_int_equal(index->computed.under[0].power, 2);
    assert_string_equal(index->computed.under[0].in->code, "m");
    assert_false(kinds_find(kinds, "pain")->computed.given);
    assert_int_equal(kinds_reason_count(kinds), 2);
    assert_string_equal(kinds_reason(kinds, "unable")->coding.code, "not-performed");
    assert_ptr_equal(kinds_reason(kinds, "refused"), kinds_reason_at(kinds, 0));
    assert_null(kinds_reason(kinds, "lost"));
    assert_string_equal(panel->title, "Vital signs");
    assert_null(panel->profile);
    assert_string_equal(panel->members_category, "vital-signs");
    assert_string_equal(panel->codes.items[0].code, "85353-1");
    assert_non_null(json_object_get(kinds_files(kinds), "kinds/pain.json"));
    kinds_free(kinds);
}

/* ---- whose last reading is asked for ---- */

static void test_looks_at_last(void **state)
{
    static const struct {
        const char *kind;
        bool looks;
    } rows[] = {
        {"heart-rate",       true }, /* by its own checks */
        {"blood-pressure",   true },
        {"body-weight",      true }, /* by checks.json */
        {"body-temperature", false},
        {"body-height",      false},
        {"pain",             false},
    };
    json_t *files = table_read(SMALL_TABLE);
    struct kinds *kinds = built(files), *all;

    (void)state;
    for (size_t i = 0; i < sizeof(rows) / sizeof(rows[0]); i++)
        assert_int_equal(kinds_find(kinds, rows[i].kind)->looks_at_last, rows[i].looks);
    kinds_free(kinds);
    table_edit_text(
        files, "checks.json", "/checks/-",
        "{\"check\": \"copied\", \"grade\": \"ask\", \"if\": [{\"same-as-last\": true}],"
        " \"at\": [\"pain.value\"], \"say\": \"copied?\", \"source\": \"proposal\"}");
    all = built(files);
    for (size_t i = 0; i < kinds_count(all); i++)
        assert_true(kinds_at(all, i)->looks_at_last);
    json_decref(files);
    kinds_free(all);
}

/* ---- near names: a third of the letters may be wrong, so of "pain" one ---- */

static void test_nearest(void **state)
{
    static const struct {
        const char *sent, *kind; /* NULL: none is near */
    } names[] = {
        {"heart-rate",                                             "heart-rate" },
        {"heartrate",                                              "heart-rate" },
        {"hart-rat",                                               "heart-rate" },
        {"body-wieght",                                            "body-weight"},
        {"pian",                                                   NULL         },
        {"pan",                                                    "pain"       },
        {"pulse",                                                  NULL         },
        {"",                                                       NULL         },
        {"heart-rate-heart-rate-heart-rate-heart-rate-heart-rate", NULL         },
    };
    struct kinds *kinds = small();
    const struct kind *oxygen = kinds_find(kinds, "oxygen-saturation");
    const struct word_list *rhythms = kind_field(kinds_find(kinds, "heart-rate"), "rhythm")->list;

    (void)state;
    for (size_t i = 0; i < sizeof(names) / sizeof(names[0]); i++) {
        const char *near = kinds_nearest(kinds, names[i].sent);

        assert_int_equal(near != NULL, names[i].kind != NULL);
        if (near)
            assert_string_equal(near, names[i].kind);
    }
    assert_string_equal(kind_nearest_field(oxygen, "oxigen"), "oxygen");
    assert_string_equal(kind_nearest_field(oxygen, "valu"), "value");
    assert_string_equal(kind_nearest_field(oxygen, "confirmd"), "confirmed");
    assert_null(kind_nearest_field(oxygen, "colour"));
    assert_string_equal(word_list_nearest(rhythms, "irregulr"), "irregular");
    assert_string_equal(word_list_nearest(rhythms, "reglar"), "regular");
    assert_null(word_list_nearest(rhythms, "fast"));
    kinds_free(kinds);
}

/* ---- the version ---- */

static void version_after(const char *file, const char *pointer, const char *text, char out[17])
{
    json_t *files = table_read(SMALL_TABLE);
    struct kinds *kinds;

    if (file)
        table_edit_text(files, file, pointer, text);
    kinds = built(files);
    (void)snprintf(out, 17, "%s", kinds_version(kinds));
    json_decref(files);
    kinds_free(kinds);
}

static void test_version(void **state)
{
    char plain[17], again[17], other[17], more[17];

    (void)state;
    version_after(NULL, NULL, NULL, plain);
    assert_int_equal(strlen(plain), 16);
    assert_int_equal(strspn(plain, "0123456789abcdef"), 16);
    /* the same content, its members in another order */
    version_after("panel.json", "",
                  "{\"members-category\": \"vital-signs\", \"code\": [{\"code\": \"85353-1\","
                  " \"system\": \"loinc\"}], \"category\": {\"system\": \"category\", \"code\":"
                  " \"vital-signs\"}, \"title\": \"Vital signs\"}",
                  again);
    assert_string_equal(again, plain);
    version_after("panel.json", "/title", "\"Vital Signs\"", other);
    assert_string_not_equal(other, plain);
    version_after("codings/more.json", "",
                  "{\"list\": \"more\", \"words\": [{\"word\": \"w\", \"text\": \"W\"}]}", more);
    assert_string_not_equal(more, plain);
}

/* ---- a new kind is a change of data ---- */

static const char new_kind[] =
    "{\"kind\": \"girth\", \"title\": \"Girth\", \"order\": 1,"
    " \"category\": {\"system\": \"category\", \"code\": \"exam\"},"
    " \"code\": [{\"system\": \"loinc\", \"code\": \"8280-0\"}],"
    " \"parts\": {\"value\": {\"title\": \"Girth\", \"type\": \"quantity\", \"unit\": \"cm\","
    " \"accepts\": [\"cm\"], \"limits\": [{\"grade\": \"refuse\", \"below\": 10, \"above\": 300,"
    " \"source\": \"made up for this test\"}]}}}";

static void join(char *out, const char *folder, const char *name)
{
    assert_in_range(snprintf(out, 512, "%s/%s", folder, name), 1, 511);
}

static void write_file(const char *path, const char *bytes, size_t length)
{
    FILE *file = fopen(path, "wb");

    assert_non_null(file);
    assert_int_equal(fwrite(bytes, 1, length, file), length);
    assert_int_equal(fclose(file), 0);
}

static void copy_file(const char *from, const char *to)
{
    char *bytes = malloc(1 << 20);
    FILE *file = fopen(from, "rb");
    size_t length;

    assert_non_null(bytes);
    assert_non_null(file);
    length = fread(bytes, 1, 1 << 20, file);
    assert_in_range(length, 1, (1 << 20) - 1);
    assert_int_equal(fclose(file), 0);
    write_file(to, bytes, length);
    free(bytes);
}

/* Each file of the table, as its own list of files names them; kinds_load() is asked for the list.
 */
static void each_file(const char *folder, const struct kinds *kinds,
                      void (*deed)(const char *from, const char *to))
{
    char from[512], to[512];
    const char *path;
    json_t *json;

    json_object_foreach(json_walk(kinds_files(kinds)), path, json)
    {
        join(from, REAL_TABLE, path);
        join(to, folder, path);
        deed(from, to);
    }
}

static void remove_file(const char *from, const char *to)
{
    (void)from;
    assert_int_equal(unlink(to), 0);
}

static const char *const folders[] = {"kinds", "codings", "scores", "languages"};

static void copy_table(char folder[512], const struct kinds *kinds)
{
    char path[512];

    join(folder, "/tmp", "wardpost-table-XXXXXX");
    assert_non_null(mkdtemp(folder));
    for (size_t i = 0; i < sizeof(folders) / sizeof(folders[0]); i++) {
        join(path, folder, folders[i]);
        assert_int_equal(mkdir(path, 0700), 0);
    }
    each_file(folder, kinds, copy_file);
}

static void remove_table(const char *folder, const struct kinds *kinds)
{
    char path[512];

    each_file(folder, kinds, remove_file);
    for (size_t i = 0; i < sizeof(folders) / sizeof(folders[0]); i++) {
        join(path, folder, folders[i]);
        assert_int_equal(rmdir(path), 0);
    }
    assert_int_equal(rmdir(folder), 0);
}

static void test_a_new_kind_is_data(void **state)
{
    struct kinds *real = loaded(REAL_TABLE), *more;
    char folder[512], path[512];
    const struct kind *girth;

    (void)state;
    assert_null(kinds_find(real, "girth"));
    copy_table(folder, real);
    join(path, folder, "kinds/girth.json");
    write_file(path, new_kind, strlen(new_kind));
    more = loaded(folder);
    girth = kinds_find(more, "girth");
    assert_non_null(girth);
    assert_int_equal(kinds_count(more), kinds_count(real) + 1);
    assert_ptr_equal(kinds_at(more, 0), girth); /* its order is the least */
    assert_string_not_equal(kinds_version(more), kinds_version(real));
    assert_string_equal(part_unit(more, &girth->parts[0], "centimetre")->code, "cm");
    assert_int_equal(unlink(path), 0);
    remove_table(folder, real);
    kinds_free(more);
    kinds_free(real);
}

/* ---- folders that are none ---- */

static void test_a_folder_that_is_not_there(void **state)
{
    struct kinds *kinds = NULL;
    struct kinds_fault fault;

    (void)state;
    assert_int_equal(kinds_load("/nowhere/at/all", &kinds, &fault), STATUS_NOT_FOUND);
    assert_string_equal(fault.reason, "there is no such folder");
    assert_null(kinds);
}

static void test_a_file_that_is_no_json(void **state)
{
    static const struct {
        const char *text, *reason;
    } rows[] = {
        {"{\"kind\": \"girth\",\n \"order\": 1e5}",   "line 2"},
        {"{\"kind\": \"girth\", \"kind\": \"pain\"}", "line 1"},
        {"",                                          "line 1"},
    };
    struct kinds *real = loaded(REAL_TABLE), *kinds = NULL;
    char folder[512], path[512];
    struct kinds_fault fault;

    (void)state;
    copy_table(folder, real);
    join(path, folder, "kinds/girth.json");
    for (size_t i = 0; i < sizeof(rows) / sizeof(rows[0]); i++) {
        write_file(path, rows[i].text, strlen(rows[i].text));
        assert_int_equal(kinds_load(folder, &kinds, &fault), STATUS_INVALID);
        assert_string_equal(fault.file, "kinds/girth.json");
        assert_string_equal(fault.pointer, "");
        assert_non_null(strstr(fault.reason, rows[i].reason));
        assert_null(kinds);
    }
    assert_int_equal(unlink(path), 0);
    remove_table(folder, real);
    kinds_free(real);
}

/* What a file says may be cut in the fault's room, never in the middle of a character. */
static void test_a_long_fault_is_whole(void **state)
{
    char text[700] = "\"";
    struct kinds *kinds = NULL;
    struct kinds_fault fault;
    json_t *files, *check;

    (void)state;
    for (size_t pad = 0; pad < 4; pad++) {
        size_t used = 1;

        files = table_read(SMALL_TABLE);
        for (size_t i = 0; i < pad; i++)
            text[used++] = 'x';
        for (size_t i = 0; i < 150; i++)
            used += (size_t)snprintf(text + used, sizeof(text) - used, "\xF0\x9F\x8C\xA1");
        (void)snprintf(text + used, sizeof(text) - used, "\"");
        table_edit_text(files, "kinds/heart-rate.json", "/checks/0/at/0", text);
        assert_int_equal(kinds_from_json(files, &kinds, &fault), STATUS_INVALID);
        assert_in_range(strlen(fault.reason), 240, 255);
        check = json_string(fault.reason); /* NULL: no UTF-8 */
        assert_non_null(check);
        json_decref(check);
        json_decref(files);
    }
}

/* ---- held by many ---- */

static void test_held_and_freed(void **state)
{
    struct kinds *kinds = small();
    struct kinds *held = kinds_hold(kinds);

    (void)state;
    assert_ptr_equal(held, kinds);
    kinds_free(kinds);
    assert_string_equal(kinds_at(held, 0)->name, "pain"); /* a sanitizer would see it gone */
    kinds_free(held);
    kinds_free(NULL);
}

/* ---- without memory ---- */

static void test_survives_each_failed_allocation(void **state)
{
    json_t *files = table_read(SMALL_TABLE);
    struct kinds *kinds = NULL;
    struct kinds_fault fault;
    enum status status;
    unsigned nth = 0;

    (void)state;
    do {
        heap_fail_at(++nth);
        status = kinds_from_json(files, &kinds, &fault);
        heap_fail_at(0);
        assert_true(status == STATUS_OK || status == STATUS_NO_MEMORY);
        assert_int_equal(status == STATUS_OK, kinds != NULL); /* out is set on success only */
    } while (status != STATUS_OK);
    assert_in_range(nth, 3, 1000); /* it did allocate, and it did get through */
    kinds_free(kinds);
    json_decref(files);
}

static void test_loading_survives_each_failed_allocation(void **state)
{
    struct kinds *kinds = NULL;
    struct kinds_fault fault;
    enum status status;
    unsigned nth = 0, step = 1;

    (void)state;
    do {
        heap_fail_at(nth += step);
        status = kinds_load(REAL_TABLE, &kinds, &fault);
        heap_fail_at(0);
        step = nth < 200 ? 1 : nth / 10; /* thousands of the same sort: some of them will do */
        assert_true(status == STATUS_OK || status == STATUS_NO_MEMORY || status == STATUS_IO);
        assert_int_equal(status == STATUS_OK, kinds != NULL);
    } while (status != STATUS_OK);
    assert_in_range(nth, 200, 1000000);
    kinds_free(kinds);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_the_real_table_has_all_kinds),
        cmocka_unit_test(test_parts_as_they_are_read),
        cmocka_unit_test(test_parts_that_speak_of_others),
        cmocka_unit_test(test_context_as_it_is_read),
        cmocka_unit_test(test_a_word_may_go_elsewhere),
        cmocka_unit_test(test_the_rest_as_it_is_read),
        cmocka_unit_test(test_looks_at_last),
        cmocka_unit_test(test_nearest),
        cmocka_unit_test(test_version),
        cmocka_unit_test(test_a_new_kind_is_data),
        cmocka_unit_test(test_a_folder_that_is_not_there),
        cmocka_unit_test(test_a_file_that_is_no_json),
        cmocka_unit_test(test_a_long_fault_is_whole),
        cmocka_unit_test(test_held_and_freed),
        cmocka_unit_test(test_survives_each_failed_allocation),
        cmocka_unit_test(test_loading_survives_each_failed_allocation),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
