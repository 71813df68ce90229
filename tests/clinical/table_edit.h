/* table_edit.h - the small kind table (one of each thing the format can say; it is the seed of the
 * fuzz corpus, too), and edits of it by RFC 6901 pointer. Include after cmocka.h. */
#ifndef WARDPOST_TESTS_TABLE_EDIT_H
#define WARDPOST_TESTS_TABLE_EDIT_H

#include <stdlib.h>
#include <string.h>

#include "wardpost/json_in.h"

#define SMALL_TABLE WARDPOST_SOURCE_DIR "/tests/fuzz/fuzz_kind_table_corpus/small"

static inline json_t *table_read(const char *path)
{
    struct json_fault fault;
    json_t *json = NULL;

    if (json_in_file(path, &json, &fault) != STATUS_OK)
        fail_msg("%s: line %u: %s", path, fault.line, fault.detail);
    return json;
}

/* The next step of a pointer, ~1 and ~0 undone; *pointer moves behind it. */
static inline void table_step(const char **pointer, char out[128])
{
    size_t used = 0;

    for (++*pointer; **pointer && **pointer != '/'; ++*pointer) {
        char c = **pointer;

        if (c == '~')
            c = *++*pointer == '1' ? '/' : '~';
        assert_true(used < 127);
        out[used++] = c;
    }
    out[used] = '\0';
}

static inline void table_put(json_t *at, const char *step, json_t *value)
{
    size_t index = strcmp(step, "-") == 0 ? json_array_size(at) : strtoul(step, NULL, 10);

    if (json_is_object(at) && value)
        assert_int_equal(json_object_set_new(at, step, value), 0);
    else if (json_is_object(at))
        assert_int_equal(json_object_del(at, step), 0);
    else if (value && index == json_array_size(at))
        assert_int_equal(json_array_append_new(at, value), 0);
    else if (value)
        assert_int_equal(json_array_set_new(at, index, value), 0);
    else
        assert_int_equal(json_array_remove(at, index), 0);
}

/* At `pointer` of `file` a copy of `put` is put; NULL takes away what is there; a last step of "-"
 * appends to a list; the empty pointer means the whole file. */
static inline void table_edit(json_t *files, const char *file, const char *pointer,
                              const json_t *put)
{
    json_t *value = put ? json_deep_copy(put) : NULL, *at = files;
    char step[128];

    (void)snprintf(step, sizeof(step), "%s", file);
    while (*pointer) {
        at = json_is_array(at) ? json_array_get(at, strtoul(step, NULL, 10))
                               : json_object_get(at, step);
        if (!at)
            fail_msg("%s: no %s to edit", file, step);
        table_step(&pointer, step);
    }
    table_put(at, step, value);
}

/* The same, with the text of what is put. */
static inline void table_edit_text(json_t *files, const char *file, const char *pointer,
                                   const char *text)
{
    struct json_fault fault;
    json_t *put = NULL;
    size_t room = strlen(text) + 3;
    char *list = malloc(room); /* a value alone is no text for json_in() */

    assert_non_null(list);
    (void)snprintf(list, room, "[%s]", text);
    assert_int_equal(json_in(list, strlen(list), &put, &fault), STATUS_OK);
    table_edit(files, file, pointer, json_array_get(put, 0));
    json_decref(put);
    free(list);
}

#endif
