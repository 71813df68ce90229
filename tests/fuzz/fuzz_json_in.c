/* fuzz_json_in.c - any bytes to json_in(), with jansson's decoder as the outside opinion.
 *
 * What we take without numbers, jansson must take and mean the same by. What we refuse and jansson
 * takes must be one of the things that json_in.h says are refused. What we take, written out and
 * read again, is the same content. */
#include <sodium.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "must.h"
#include "wardpost/json_in.h"
#include "wardpost/json_out.h"

static bool has_number(const json_t *value) /* NOLINT(misc-no-recursion) */
{
    const char *name;
    json_t *inner;
    size_t index;

    json_object_foreach(json_walk(value), name, inner) if (has_number(inner)) return true;
    json_array_foreach(value, index, inner) if (has_number(inner)) return true;
    return json_is_number(value) || digits_is(value);
}

static void check_fault(const struct json_fault *fault, size_t length)
{
    const char *end = memchr(fault->detail, '\0', sizeof(fault->detail));

    must(end && end > fault->detail);
    must(fault->offset <= length && fault->line >= 1 && fault->column >= 1);
    must(fault->line > 1 || fault->column <= fault->offset + 1);
}

/* Reasons of ours that jansson does not have (json_in.h). */
static bool refused_by_rule(const char *detail)
{
    static const char *const rules[] = {"a control character", "a number of more than",
                                        "a number with an exponent", "nested more than"};

    for (size_t i = 0; i < sizeof(rules) / sizeof(rules[0]); i++)
        if (strncmp(detail, rules[i], strlen(rules[i])) == 0)
            return true;
    return false;
}

/* jansson 2.14 takes a NUL byte right behind a number or a word for nothing; RFC 8259 2 has no such
 * blank. */
static bool has_nul(const char *text, size_t length)
{
    return length > 0 && memchr(text, '\0', length);
}

static void check_again(const json_t *value)
{
    struct json_out out = JSON_OUT_INIT;
    struct json_fault fault;
    uint8_t before[32], after[32];
    json_t *again = NULL;

    out_json(&out, value);
    must(json_out_text(&out) != NULL);
    must(json_in(out.text, out.length, &again, &fault) == STATUS_OK);
    json_in_hash(value, NULL, before);
    json_in_hash(again, NULL, after);
    must(memcmp(before, after, sizeof(before)) == 0);
    must(json_equal(value, again));
    json_decref(again);
    json_out_clear(&out);
}

/* NOLINTNEXTLINE(readability-identifier-naming): the name is libFuzzer's */
int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t length);

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t length)
{
    const char *text = (const char *)bytes;
    struct json_fault fault;
    json_error_t error;
    json_t *ours = NULL, *theirs;
    enum status status;

    if (sodium_init() < 0)
        return 0;
    status = json_in(text, length, &ours, &fault);
    theirs = json_loadb(text, length, JSON_REJECT_DUPLICATES, &error);
    must(status == STATUS_OK || status == STATUS_INVALID);
    must((status == STATUS_OK) == (ours != NULL));
    if (ours) {
        must(theirs != NULL);
        must(has_number(ours) == has_number(theirs));
        must(has_number(ours) || json_equal(ours, theirs));
        check_again(ours);
    } else {
        check_fault(&fault, length);
        must(!theirs || refused_by_rule(fault.detail) || has_nul(text, length));
    }
    json_decref(ours);
    json_decref(theirs);
    return 0;
}
