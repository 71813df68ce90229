/* test_kinds_refused.c - a broken kind table is refused, with file, pointer and reason. What is
 * broken stands in table_damages.json. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>

#include <cmocka.h>

#include "table_edit.h"
#include "wardpost/kind.h"

static const char *text_of(const json_t *row, const char *name)
{
    return json_string_value(json_object_get(row, name));
}

/* The small table with the row's edit. */
static json_t *edited(const json_t *row)
{
    json_t *files = table_read(SMALL_TABLE);

    table_edit(files, text_of(row, "file"), text_of(row, "at"), json_object_get(row, "put"));
    return files;
}

static void refuse(const json_t *row)
{
    const char *file = text_of(row, json_object_get(row, "in") ? "in" : "file");
    json_t *files = edited(row);
    struct kinds *kinds = NULL;
    struct kinds_fault fault;
    enum status status = kinds_from_json(files, &kinds, &fault);

    if (status != STATUS_INVALID || strcmp(fault.file, file) != 0 ||
        strcmp(fault.pointer, text_of(row, "fault")) != 0 ||
        !strstr(fault.reason, text_of(row, "says")))
        fail_msg("%s%s, not %s: %s; fault %s%s: %s", text_of(row, "file"), text_of(row, "at"),
                 text_of(row, "says"), status_text(status), fault.file, fault.pointer,
                 fault.reason);
    assert_null(kinds); /* untouched */
    json_decref(files);
}

static void take(const json_t *row)
{
    json_t *files = edited(row);
    struct kinds *kinds = NULL;
    struct kinds_fault fault;

    if (kinds_from_json(files, &kinds, &fault) != STATUS_OK)
        fail_msg("%s%s: fault %s%s: %s", text_of(row, "file"), text_of(row, "at"), fault.file,
                 fault.pointer, fault.reason);
    json_decref(files);
    kinds_free(kinds);
}

static size_t run(const char *group, void (*deed)(const json_t *row))
{
    json_t *all = table_read(WARDPOST_SOURCE_DIR "/tests/clinical/table_damages.json");
    const json_t *rows = json_object_get(all, group);
    size_t count = json_array_size(rows), index;
    json_t *row;

    json_array_foreach(rows, index, row) deed(row);
    json_decref(all);
    return count;
}

/* Without these the damages would prove nothing. */
static void test_the_undamaged_table_is_taken(void **state)
{
    json_t *files = table_read(SMALL_TABLE);
    struct kinds *kinds = NULL;
    struct kinds_fault fault;

    (void)state;
    if (kinds_from_json(files, &kinds, &fault) != STATUS_OK)
        fail_msg("%s%s: %s", fault.file, fault.pointer, fault.reason);
    assert_string_equal(fault.reason, "");
    json_decref(files);
    kinds_free(kinds);
    assert_in_range(run("taken", take), 10, 100);
}

static void test_damages(void **state)
{
    static const char *const groups[] = {"files", "units",    "codings", "parts",    "names",
                                         "rows",  "ages",     "context", "forms",    "checks",
                                         "says",  "computed", "scores",  "languages"};
    size_t count = 0;

    (void)state;
    for (size_t i = 0; i < sizeof(groups) / sizeof(groups[0]); i++) {
        size_t rows = run(groups[i], refuse);

        assert_in_range(rows, 3, 100); /* a group that is not there would pass, too */
        count += rows;
    }
    assert_in_range(count, 200, 1000);
}

/* ---- names and numbers, in loops ---- */

static void refuse_empty(const char *file, const char *folder, const char *name, const char *says)
{
    char pointer[80];
    json_t *row;

    (void)snprintf(pointer, sizeof(pointer), "%s/%s", folder, name);
    row = json_pack("{s:s, s:s, s:{}, s:s, s:s}", "file", file, "at", pointer, "put", "fault",
                    pointer, "says", says);
    assert_non_null(row);
    refuse(row);
    json_decref(row);
}

/* What a reading has anyway must not come to mean something else. */
static void test_reserved_names(void **state)
{
    static const char *const reserved[] = {
        "id",      "patient",  "taken",   "age",       "kind",     "unit",
        "by",      "device",   "note",    "confirmed", "override", "not-taken",
        "counted", "readings", "context", "set",       "last"};

    (void)state;
    for (size_t i = 0; i < sizeof(reserved) / sizeof(reserved[0]); i++) {
        refuse_empty("kinds/heart-rate.json", "/parts", reserved[i], "meaning of its own");
        refuse_empty("kinds/blood-pressure.json", "/context", reserved[i], "meaning of its own");
    }
}

/* Names stand in paths and pointers. */
static void test_ill_names(void **state)
{
    static const char *const ill[] = {"Pulse", "a.b", "a~1b", "a b", "1st", "-"};

    (void)state;
    for (size_t i = 0; i < sizeof(ill) / sizeof(ill[0]); i++) {
        refuse_empty("kinds/heart-rate.json", "/parts", ill[i], "lower-case");
        refuse_empty("kinds/oxygen-saturation.json", "/context/oxygen/fields", ill[i],
                     "lower-case");
    }
}

static json_t *many(const char *pattern, int count, const char *fault, const char *says)
{
    json_t *put = json_object();

    for (int i = 0; i < count; i++) {
        char name[16];

        (void)snprintf(name, sizeof(name), "n%d", i);
        assert_int_equal(json_object_set_new(put, name,
                                             json_pack("{s:s, s:s, s:s}", "title", "T", "type",
                                                       "text", "as", "note")),
                         0);
    }
    return json_pack("{s:s, s:s, s:o, s:s, s:s}", "file", "kinds/pain.json", "at", pattern, "put",
                     put, "fault", fault, "says", says);
}

static void test_too_many(void **state)
{
    json_t *rows[] = {
        many("/context", FIELDS_MOST + 1, "/context/n24", "more than 24"),
        many("/parts", PARTS_MOST + 1, "/parts", "1 to 8 parts"),
    };
    json_t *most = many("/context", FIELDS_MOST, "", "");

    (void)state;
    for (size_t i = 0; i < sizeof(rows) / sizeof(rows[0]); i++) {
        assert_non_null(rows[i]);
        refuse(rows[i]);
        json_decref(rows[i]);
    }
    take(most);
    json_decref(most);
}

/* ---- nesting and size ---- */

static void test_deep_and_long(void **state)
{
    json_t *files = table_read(SMALL_TABLE), *deep = json_object();
    struct kinds *kinds = NULL;
    struct kinds_fault fault;

    (void)state;
    for (int i = 0; i < 1000; i++)
        deep = json_pack("{s:o}", "fields", deep);
    assert_non_null(deep);
    table_edit(files, "kinds/pain.json", "/context/location", deep);
    assert_int_equal(kinds_from_json(files, &kinds, &fault), STATUS_INVALID);
    json_decref(deep);
    for (int i = 0; i < 600; i++) {
        char name[40];

        (void)snprintf(name, sizeof(name), "codings/list-%d.json", i);
        assert_int_equal(json_object_set_new(files, name, json_object()), 0);
    }
    assert_int_equal(kinds_from_json(files, &kinds, &fault), STATUS_INVALID);
    assert_non_null(strstr(fault.reason, "more than 512 files"));
    assert_null(kinds);
    json_decref(files);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_the_undamaged_table_is_taken),
        cmocka_unit_test(test_damages),
        cmocka_unit_test(test_reserved_names),
        cmocka_unit_test(test_ill_names),
        cmocka_unit_test(test_too_many),
        cmocka_unit_test(test_deep_and_long),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
