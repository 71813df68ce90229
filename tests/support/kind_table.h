/* kind_table.h - a kind table loaded once for a group of tests. Include after cmocka.h. */
#ifndef WARDPOST_TESTS_KIND_TABLE_H
#define WARDPOST_TESTS_KIND_TABLE_H

#include "wardpost/kind.h"

/* For a group's setup: *state is the table in that folder. */
static inline int kind_table_load(const char *folder, void **state)
{
    struct kinds *table = NULL;
    struct kinds_fault fault;
    enum status status = kinds_load(folder, &table, &fault);

    if (status != STATUS_OK) {
        print_error("%s: %s%s: %s\n", status_text(status), fault.file, fault.pointer, fault.reason);
        return -1;
    }
    *state = table;
    return 0;
}

/* The table that ships. */
static inline int kind_table_shipped(void **state)
{
    return kind_table_load(WARDPOST_SOURCE_DIR "/mappings", state);
}

static inline int kind_table_free(void **state)
{
    kinds_free(*state);
    return 0;
}

#endif
