/* fuzz_kind_table.c - any bytes as a kind table: an object of file name to file, as
 * kinds_from_json() takes it.
 *
 * A table that is refused says where and why, in UTF-8. One that is taken can be walked from end to
 * end, and is the same table when it is loaded once more. */
#include <sodium.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "must.h"
#include "wardpost/json_in.h"
#include "wardpost/kind.h"

static void check_text(const char *text, size_t room)
{
    json_t *string;

    must(memchr(text, '\0', room) != NULL);
    string = json_string(text); /* NULL: no UTF-8 */
    must(string != NULL);
    json_decref(string);
}

static void check_fault(const struct kinds_fault *fault)
{
    check_text(fault->file, sizeof(fault->file));
    check_text(fault->pointer, sizeof(fault->pointer));
    check_text(fault->reason, sizeof(fault->reason));
    must(fault->reason[0] != '\0');
    must(fault->pointer[0] == '\0' || fault->pointer[0] == '/');
}

/* ---- what the judge and the mapper count on ---- */

static void check_codings(const struct codings *codings)
{
    for (size_t i = 0; i < codings->count; i++)
        must(strchr(codings->items[i].system, ':') && codings->items[i].code[0]);
}

static void check_list(const struct word_list *list)
{
    must(list && list->count > 0);
    for (size_t i = 0; i < list->count; i++) {
        must(word_list_find(list, list->words[i].word) == &list->words[i]);
        must(list->words[i].text[0] != '\0');
        check_codings(&list->words[i].codings);
    }
}

static void check_units(const struct kinds *kinds, const struct part *part)
{
    struct exact exact;

    must(part->accepts_count > 0);
    must(part->unit ? part->accepts[0] == part->unit : part->code_by_unit_count > 0);
    for (size_t i = 0; i < part->accepts_count; i++) {
        const struct unit *unit = part->accepts[i];

        must(part_unit(kinds, part, unit->code) == unit);
        must(!part->unit || unit_exact(kinds, (struct decimal){0, 0}, unit, part->unit, &exact));
    }
    for (size_t i = 0; i < part->limits_count; i++)
        must(part->limits[i].source[0] && part->limits[i].grade >= GRADE_ASK);
    for (size_t i = 0; i < part->ranges_count; i++)
        must(part->ranges[i].source[0] && part->ranges[i].text[0]);
}

static void check_kind(const struct kinds *kinds, const struct kind *kind)
{
    size_t values = 0;

    must(kind->parts_count >= 1 && kind->parts_count <= PARTS_MOST);
    must(kind->fields_count <= FIELDS_MOST);
    for (size_t i = 0; i < kind->parts_count; i++) {
        const struct part *part = &kind->parts[i];

        values += part->is_value;
        must(kind_part(kind, part->name) == part);
        if (part->type == PART_WORD)
            check_list(part->list);
        else
            check_units(kinds, part);
        for (size_t j = 0; j < part->sum_count; j++)
            must(part->sum[j] < kind->parts_count);
    }
    must(values <= 1);
    for (size_t i = 0; i < kind->fields_count; i++) {
        const struct field *field = &kind->fields[i];

        must(kind_field(kind, field->path) == field);
        if (field->type == FIELD_WORD || field->type == FIELD_WORDS)
            check_list(field->list);
        if (field->type == FIELD_QUANTITY)
            check_units(kinds, &field->quantity);
        must(field->type != FIELD_COUNT || field->gives < kind->parts_count);
    }
}

static void check_kinds(const json_t *files, const struct kinds *kinds)
{
    struct kinds_fault fault;
    struct kinds *again = NULL;

    must(kinds_count(kinds) > 0);
    for (size_t i = 0; i < kinds_count(kinds); i++) {
        const struct kind *kind = kinds_at(kinds, i);

        must(kind->index == i && kinds_find(kinds, kind->name) == kind);
        check_kind(kinds, kind);
    }
    must(kinds_from_json(files, &again, &fault) == STATUS_OK);
    must(strcmp(kinds_version(again), kinds_version(kinds)) == 0);
    kinds_free(again);
}

/* NOLINTNEXTLINE(readability-identifier-naming): the name is libFuzzer's */
int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t length);

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t length)
{
    struct kinds_fault fault;
    struct json_fault json_fault;
    struct kinds *kinds = NULL;
    json_t *files = NULL;
    enum status status;

    if (sodium_init() < 0 || json_in((const char *)bytes, length, &files, &json_fault) != STATUS_OK)
        return 0;
    status = kinds_from_json(files, &kinds, &fault);
    must(status == STATUS_OK || status == STATUS_INVALID);
    if (status == STATUS_OK)
        check_kinds(files, kinds);
    else
        check_fault(&fault);
    kinds_free(kinds);
    json_decref(files);
    return 0;
}
