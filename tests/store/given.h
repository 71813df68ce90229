/* given.h - what the store's tests begin with: a folder of their own, an outbox in it, and entries
 * made from a number. All of it is invented. */
#ifndef WARDPOST_TESTS_STORE_GIVEN_H
#define WARDPOST_TESTS_STORE_GIVEN_H

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>
#include <dirent.h>
#include <pthread.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "store/store_private.h"
#include "wardpost/outbox.h"

#define NOW   INT64_C(1795600000000) /* some day in November 2026, ms */
#define MOST  100
#define BYTES ((size_t)1 << 20)

struct given {
    char folder[128], path[160];
    struct outbox *outbox;
    struct outbox_reader *reader;
};

/* ---- folder and outbox ---- */

/* In memory where that can be had: what is tested is what we ask of a disk, not how slow one is. */
static inline void given_folder(struct given *given)
{
    const char *base = getenv("TMPDIR");

    *given = (struct given){0};
    if (!base || strlen(base) >= 80)
        base = access("/dev/shm", W_OK) == 0 ? "/dev/shm" : "/tmp";
    snprintf(given->folder, sizeof(given->folder), "%.80s/wardpost-store-XXXXXX", base);
    assert_non_null(mkdtemp(given->folder));
    snprintf(given->path, sizeof(given->path), "%s/o.db", given->folder);
}

static inline int given_number(void *context, int count, char **values, char **names)
{
    (void)count;
    (void)names;
    *(long *)context = values[0] ? atol(values[0]) : -1;
    return 0;
}

static inline long given_count(const struct given *given, const char *sql)
{
    long number = -1;

    assert_int_equal(sqlite3_exec(given->reader->db.handle, sql, given_number, &number, NULL),
                     SQLITE_OK);
    return number;
}

/* Every entry names the one before it of its patient and kind; and after a start, whatever it came
 * after, the table has the newest of each. */
static inline void assert_chains_whole(const struct given *given, bool at_start)
{
    assert_int_equal(
        given_count(given,
                    "SELECT count(*) FROM (SELECT earlier, coalesce(lag(seq) OVER (PARTITION BY "
                    "patient_hash, kind ORDER BY seq), 0) AS before FROM entry) WHERE earlier IS "
                    "NOT before"),
        0);
    if (at_start)
        assert_int_equal(
            given_count(given,
                        "SELECT count(*) FROM (SELECT patient_hash, kind, max(seq) AS s, "
                        "max(taken_ms) AS t FROM entry GROUP BY 1, 2) AS e LEFT JOIN newest AS n "
                        "USING (patient_hash, kind) WHERE n.seq IS NOT e.s OR n.latest_ms IS NOT "
                        "e.t"),
            0);
}

static inline void given_open(struct given *given)
{
    assert_int_equal(outbox_start(&(struct outbox_options){.path = given->path}, &given->outbox),
                     STATUS_OK);
    assert_int_equal(outbox_reader_open(given->outbox, &given->reader), STATUS_OK);
}

static inline void given_start(struct given *given)
{
    given_open(given);
    assert_chains_whole(given, true);
}

static inline void given_stop(struct given *given)
{
    outbox_reader_close(given->reader);
    outbox_stop(given->outbox);
    given->reader = NULL;
    given->outbox = NULL;
}

static inline void given_empty(const struct given *given)
{
    DIR *folder = opendir(given->folder);
    const struct dirent *entry;
    char path[512];

    while (folder && (entry = readdir(folder))) {
        snprintf(path, sizeof(path), "%s/%s", given->folder, entry->d_name);
        unlink(path);
    }
    if (folder)
        closedir(folder);
    rmdir(given->folder);
}

static inline int given_setup(void **state)
{
    struct given *given = calloc(1, sizeof(*given));

    assert_non_null(given);
    given_folder(given);
    given_start(given);
    *state = given;
    return 0;
}

static inline int given_teardown(void **state)
{
    struct given *given = *state;

    given_stop(given);
    given_empty(given);
    free(given);
    return 0;
}

/* ---- entries from a number ---- */

static inline struct uuid id_of(unsigned number)
{
    struct uuid id = {
        {0x5e, 0, 0, 0, 0, 0, 0x40, 0, 0x80}
    };

    for (int i = 0; i < 4; i++)
        id.bytes[15 - i] = (uint8_t)(number >> (8 * i));
    return id;
}

#define ENTRIES_MOST 24
#define NEEDS_MOST   64

struct made {
    struct put put;
    struct put_entry entries[ENTRIES_MOST];
    struct put_need needs[NEEDS_MOST];
    size_t needs_count;
    char sent[ENTRIES_MOST][512], became[ENTRIES_MOST][1600], values[ENTRIES_MOST][64];
    pthread_mutex_t lock;
    pthread_cond_t cond;
    bool is_done;
};

/* As long as a real one: some 400 bytes sent, 1.4 kB after mapping. */
static inline void made_texts(struct made *made, size_t at, unsigned number)
{
    int length =
        snprintf(made->sent[at], sizeof(made->sent[at]), "{\"number\": %u, \"note\": \"", number);

    for (int i = 0; i < 36; i++)
        length += snprintf(made->sent[at] + length, sizeof(made->sent[at]) - (size_t)length,
                           "%08x ", number * 2654435761u + (unsigned)i);
    snprintf(made->sent[at] + length, sizeof(made->sent[at]) - (size_t)length, "\"}");
    length = snprintf(made->became[at], sizeof(made->became[at]),
                      "{\"observation\": %u, \"text\": \"", number);
    for (int i = 0; i < 96; i++)
        length += snprintf(made->became[at] + length, sizeof(made->became[at]) - (size_t)length,
                           "field %05d, ", i * 37);
    snprintf(made->became[at] + length, sizeof(made->became[at]) - (size_t)length, "\"}");
    snprintf(made->values[at], sizeof(made->values[at]), "{\"value\": %u}", number);
}

static inline void made_begin(struct made *made, unsigned set, const char *patient)
{
    *made = (struct made){0};
    made->put = (struct put){.set = id_of(set),
                             .patient = patient,
                             .client = "ward tablet",
                             .table_version = "1",
                             .accepted_ms = NOW,
                             .entries = made->entries};
    pthread_mutex_init(&made->lock, NULL);
    pthread_cond_init(&made->cond, NULL);
}

static inline struct put_entry *made_main(struct made *made, unsigned number, const char *kind,
                                          int64_t taken_ms)
{
    size_t at = made->put.count++;
    struct put_entry *entry = &made->entries[at];

    assert_true(at < ENTRIES_MOST);
    made_texts(made, at, number);
    *entry = (struct put_entry){
        .id = id_of(number), .reading = at, .role = "main", .kind = kind, .taken_ms = taken_ms};
    entry->sent = made->sent[at];
    entry->sent_length = strlen(made->sent[at]);
    entry->values = made->values[at];
    entry->values_length = strlen(made->values[at]);
    entry->became = made->became[at];
    entry->became_length = strlen(made->became[at]);
    memcpy(entry->content, &number, sizeof(number));
    return entry;
}

/* A companion of the main `reading`, or (SIZE_MAX) an entry of the set. */
static inline struct put_entry *made_other(struct made *made, unsigned number, const char *role,
                                           size_t reading)
{
    size_t at = made->put.count++;
    struct put_entry *entry = &made->entries[at];

    assert_true(at < ENTRIES_MOST);
    made_texts(made, at, number);
    *entry = (struct put_entry){.id = id_of(number),
                                .reading = reading,
                                .role = role,
                                .taken_ms = NOW,
                                .kind = reading == SIZE_MAX ? "" : made->entries[reading].kind};
    entry->became = made->became[at];
    entry->became_length = strlen(made->became[at]);
    return entry;
}

/* Of the entry that was made last. */
static inline void made_need(struct made *made, size_t on, bool strict)
{
    struct put_entry *entry = &made->entries[made->put.count - 1];

    assert_true(made->needs_count < NEEDS_MOST);
    if (entry->needs_count == 0)
        entry->needs = &made->needs[made->needs_count];
    made->needs[made->needs_count++] = (struct put_need){.on = on, .strict = strict};
    entry->needs_count++;
}

static inline void made_done(struct put *put)
{
    struct made *made = put->context;

    pthread_mutex_lock(&made->lock);
    made->is_done = true;
    pthread_cond_signal(&made->cond);
    pthread_mutex_unlock(&made->lock);
}

static inline void made_queue(struct made *made, struct outbox *outbox)
{
    made->is_done = false;
    made->put.context = made;
    made->put.done = made_done;
    outbox_put(outbox, &made->put);
}

static inline enum status made_wait(struct made *made)
{
    pthread_mutex_lock(&made->lock);
    while (!made->is_done)
        pthread_cond_wait(&made->cond, &made->lock);
    pthread_mutex_unlock(&made->lock);
    return made->put.status;
}

static inline enum status made_put(struct made *made, struct outbox *outbox)
{
    made_queue(made, outbox);
    return made_wait(made);
}

/* One reading by itself: its set has its id. */
static inline enum status put_single(struct outbox *outbox, unsigned number, const char *patient,
                                     const char *kind, int64_t taken_ms)
{
    struct made *made = malloc(sizeof(*made));
    enum status status;

    assert_non_null(made);
    made_begin(made, number, patient);
    made_main(made, number, kind, taken_ms);
    status = made_put(made, outbox);
    free(made);
    return status;
}

/* ---- claims ---- */

static inline struct claim *claim_at(struct given *given, size_t most, int64_t now_ms)
{
    struct claim *claim = NULL;

    assert_int_equal(outbox_claim(given->outbox, most, BYTES, now_ms, &claim), STATUS_OK);
    assert_non_null(claim);
    return claim;
}

/* The claim holds just these entries, in this order. The list ends with 0. */
static inline void assert_claimed(const struct claim *claim, const unsigned *numbers)
{
    size_t count = 0;

    for (; numbers[count]; count++) {
        const struct uuid id = id_of(numbers[count]);

        assert_true(count < claim->count);
        assert_memory_equal(&claim->entries[count].id, &id, sizeof(id));
    }
    assert_int_equal(claim->count, count);
}

#define NUMBERED(...) ((const unsigned[]){__VA_ARGS__, 0})
#define NONE          ((const unsigned[]){0})

static inline void settle_claim(struct given *given, const struct claim *claim, enum settle_as as,
                                int64_t now_ms)
{
    struct settlement settlements[MOST] = {{0}};
    char remotes[MOST][32];

    assert_true(claim->count <= MOST);
    for (size_t i = 0; i < claim->count; i++) {
        snprintf(remotes[i], sizeof(remotes[i]), "Observation/%lld",
                 (long long)claim->entries[i].seq);
        settlements[i] =
            (struct settlement){.seq = claim->entries[i].seq, .as = as, .http_status = 201};
        if (as == SETTLE_CHARTED) {
            settlements[i].remote = remotes[i];
            settlements[i].version = "1";
        } else {
            settlements[i].http_status = 422;
            settlements[i].reason = "refused by the server";
        }
    }
    assert_int_equal(outbox_settle(given->outbox, settlements, claim->count, now_ms), STATUS_OK);
}

/* Claims what may go now, expects just these, charts them. */
static inline void chart(struct given *given, const unsigned *numbers)
{
    struct claim *claim = claim_at(given, MOST, NOW);

    assert_claimed(claim, numbers);
    if (claim->count > 0)
        settle_claim(given, claim, SETTLE_CHARTED, NOW + 1000);
    claim_free(claim);
}

/* ---- rows ---- */

struct seen_row { /* the numbers of a row; texts are gone when the callback returns */
    int64_t seq, reading, due_ms, settled_ms;
    struct uuid id;
    enum entry_state state;
    unsigned attempts;
    char reason[64], by[32], remote[32], kind[32], role[16], patient[64];
    bool has_became, has_sent;
};

static inline bool row_seen(void *context, const struct outbox_row *row)
{
    struct seen_row *seen = context;

    *seen = (struct seen_row){.seq = row->seq,
                              .reading = row->reading,
                              .id = row->id,
                              .state = row->state,
                              .due_ms = row->due_ms,
                              .settled_ms = row->settled_ms,
                              .attempts = row->attempts,
                              .has_became = row->became != NULL,
                              .has_sent = row->sent != NULL};
    snprintf(seen->reason, sizeof(seen->reason), "%s", row->reason ? row->reason : "");
    snprintf(seen->by, sizeof(seen->by), "%s", row->by ? row->by : "");
    snprintf(seen->remote, sizeof(seen->remote), "%s", row->remote ? row->remote : "");
    snprintf(seen->kind, sizeof(seen->kind), "%s", row->kind);
    snprintf(seen->role, sizeof(seen->role), "%s", row->role);
    snprintf(seen->patient, sizeof(seen->patient), "%s", row->patient);
    return true;
}

static inline struct seen_row row_of(struct given *given, unsigned number)
{
    struct seen_row seen = {0};
    const struct uuid id = id_of(number);

    assert_int_equal(outbox_find(given->reader, &id, row_seen, &seen), STATUS_OK);
    return seen;
}

static inline void assert_state(struct given *given, unsigned number, enum entry_state state)
{
    assert_int_equal(row_of(given, number).state, state);
}

static inline void assert_counts(struct given *given, int64_t waiting, int64_t held,
                                 int64_t charted, int64_t discarded)
{
    struct outbox_counts counts;

    assert_int_equal(outbox_count(given->reader, &counts), STATUS_OK);
    assert_int_equal(counts.waiting, waiting);
    assert_int_equal(counts.held, held);
    assert_int_equal(counts.charted, charted);
    assert_int_equal(counts.discarded, discarded);
}

#endif
