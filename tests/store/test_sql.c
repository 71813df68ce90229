/* Every statement is one SQLite takes, and none walks a whole table: the cost of no call grows with
 * the queue unseen. */
#include "given.h"

#include "store/store_private.h"

struct plan {
    char text[1024];
};

static int plan_row(void *context, int count, char **values, char **names)
{
    struct plan *plan = context;
    size_t length = strlen(plan->text);

    (void)names;
    snprintf(plan->text + length, sizeof(plan->text) - length, "%s; ", values[count - 1]);
    return 0;
}

static void plan_of(struct given *given, enum sql sql, struct plan *out)
{
    char explain[4096];

    snprintf(explain, sizeof(explain), "EXPLAIN QUERY PLAN %s", db_sql_text(sql));
    out->text[0] = '\0';
    assert_int_equal(sqlite3_exec(given->reader->db.handle, explain, plan_row, out, NULL),
                     SQLITE_OK);
}

/* SCAN without an index walks a table. Walking a subquery's few rows, or the one row of nothing, is
 * none. */
static bool walks_a_table(const struct plan *plan)
{
    static const char *const tables[] = {
        "SCAN e;",          "SCAN d;",       "SCAN n;",      "SCAN m;",
        "SCAN entry",       "SCAN delivery", "SCAN need",    "SCAN newest",
        "SCAN set_first",   "SCAN late",     "SCAN attempt", "SCAN idempotency",
        "SCAN refusal",     "SCAN p;",       "SCAN o;",      "SCAN known_patient",
        "SCAN watch_order", "SCAN c;",       "SCAN s;",      "SCAN correction"};

    for (size_t i = 0; i < sizeof(tables) / sizeof(tables[0]); i++)
        if (strstr(plan->text, tables[i]))
            return true;
    if (strstr(plan->text, "PRIMARY KEY (destination=? AND seq<?)") ||
        strstr(plan->text, "PRIMARY KEY (destination=?)"))
        return true; /* all that was ever delivered */
    return strstr(plan->text, "USE TEMP B-TREE") !=
           NULL; /* a sort reads all before it gives the first */
}

static void test_no_statement_walks_a_table(void **state)
{
    struct given *given = *state;
    struct plan plan;

    for (int sql = SQL_ENTRY_INSERT; sql < SQL_COUNT; sql++) {
        plan_of(given, (enum sql)sql, &plan);
        if (walks_a_table(&plan))
            fail_msg("%s: %s", db_sql_text((enum sql)sql), plan.text);
    }
}

/* The ones whose index is easily missed: a partial index is used only when the statement repeats
 * its condition. */
static const struct {
    enum sql sql;
    const char *uses;
} indexes[] = {
    {SQL_ENTRY_KNOWN,        "entry_id"                          },
    {SQL_DUE,                "delivery_due"                      },
    {SQL_NEXT_DUE,           "delivery_due"                      },
    {SQL_LINE_BEFORE,        "delivery_line"                     },
    {SQL_LINE_RELEASE,       "delivery_behind"                   },
    {SQL_CLAIM_BACK,         "delivery_claimed"                  },
    {SQL_ROWS_IN_STATE,      "delivery_state"                    },
    {SQL_WAITING_OLDEST,     "delivery_state"                    },
    {SQL_NEEDED_BY,          "need_on"                           },
    {SQL_ATTEMPTS,           "attempt_seq"                       },
    {SQL_REFUSALS,           "refusal_open"                      },
    {SQL_KEY_PRUNE,          "idempotency_kept"                  },
    {SQL_PATIENTS_BY_VALUE,  "known_patient_identifier"          },
    {SQL_PATIENTS_BORN,      "known_patient_born"                },
    {SQL_PATIENTS_BY_FAMILY, "p USING INDEX known_patient_family"},
    {SQL_PATIENTS_IN_WARD,   "known_patient_ward"                },
};

static void test_each_uses_its_index(void **state)
{
    struct given *given = *state;
    struct plan plan;

    for (size_t i = 0; i < sizeof(indexes) / sizeof(indexes[0]); i++) {
        plan_of(given, indexes[i].sql, &plan);
        if (!strstr(plan.text, indexes[i].uses))
            fail_msg("%s does not use %s: %s", db_sql_text(indexes[i].sql), indexes[i].uses,
                     plan.text);
    }
}

static void test_all_can_be_prepared(void **state)
{
    struct given *given = *state;

    for (int sql = 0; sql < SQL_COUNT; sql++)
        if (!db_statement(&given->reader->db, (enum sql)sql))
            fail_msg("%s: %s", db_sql_text((enum sql)sql),
                     sqlite3_errmsg(given->reader->db.handle));
}

static void test_a_reader_cannot_write(void **state)
{
    struct given *given = *state;

    assert_int_not_equal(
        sqlite3_exec(given->reader->db.handle, "DELETE FROM entry", NULL, NULL, NULL), SQLITE_OK);
}

static const struct {
    int code;
    enum status status;
} codes[] = {
    {SQLITE_OK,            STATUS_OK       },
    {SQLITE_DONE,          STATUS_OK       },
    {SQLITE_NOMEM,         STATUS_NO_MEMORY},
    {SQLITE_IOERR_NOMEM,   STATUS_NO_MEMORY},
    {SQLITE_FULL,          STATUS_DISK_FULL},
    {SQLITE_BUSY,          STATUS_BUSY     },
    {SQLITE_BUSY_RECOVERY, STATUS_BUSY     },
    {SQLITE_CORRUPT,       STATUS_DAMAGED  },
    {SQLITE_NOTADB,        STATUS_DAMAGED  },
    {SQLITE_ERROR,         STATUS_DAMAGED  },
    {SQLITE_CONSTRAINT,    STATUS_INVALID  },
    {SQLITE_IOERR_FSYNC,   STATUS_IO       },
    {SQLITE_CANTOPEN,      STATUS_IO       },
};

static void test_codes(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof(codes) / sizeof(codes[0]); i++)
        assert_int_equal(status_of_sqlite(codes[i].code), codes[i].status);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(test_no_statement_walks_a_table, given_setup,
                                        given_teardown),
        cmocka_unit_test_setup_teardown(test_each_uses_its_index, given_setup, given_teardown),
        cmocka_unit_test_setup_teardown(test_all_can_be_prepared, given_setup, given_teardown),
        cmocka_unit_test_setup_teardown(test_a_reader_cannot_write, given_setup, given_teardown),
        cmocka_unit_test(test_codes),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
