/* The chains of a patient and kind, whose heads go to their table behind the entries: whatever is
 * put, refused within a round, swept, evicted or restarted, every reader finds what a plain list of
 * everything that was accepted says. */
#include "given.h"

#include <stdatomic.h>

#include "store/chain.h"

#define PATIENTS 700 /* more than the rows of heads, so that patients share them */
#define KINDS    23  /* more than the places of a row */
#define ENTRIES  16000
#define BATCH    40

struct model { /* what was accepted */
    int64_t newest[PATIENTS][KINDS];
    unsigned count[PATIENTS][KINDS];
    unsigned numbers;
};

static uint32_t random_next(uint32_t *seed)
{
    *seed = *seed * 1664525U + 1013904223U; /* common practice: an LCG */
    return *seed >> 8;
}

static void name(char *out, size_t room, const char *word, unsigned number)
{
    (void)snprintf(out, room, "%s%u", word, number);
}

/* Most are of a few patients, as on a ward; the rest of anybody. */
static unsigned any_patient(uint32_t *seed)
{
    return random_next(seed) % 3 ? random_next(seed) % 20 : random_next(seed) % PATIENTS;
}

struct small { /* a put of one */
    struct put put;
    struct put_entry entry;
    char patient[24], kind[64];
    unsigned p, k;
    int64_t taken_ms;
    pthread_mutex_t *lock;
    pthread_cond_t *cond;
    unsigned *left;
};

static void small_done(struct put *put)
{
    struct small *small = put->context;

    pthread_mutex_lock(small->lock);
    if (--*small->left == 0)
        pthread_cond_signal(small->cond);
    pthread_mutex_unlock(small->lock);
}

static void small_make(struct small *small, unsigned number, uint32_t *seed)
{
    small->p = any_patient(seed);
    small->k = random_next(seed) % KINDS;
    small->taken_ms = NOW + random_next(seed) % 1000;
    name(small->patient, sizeof(small->patient), "s|", small->p);
    /* one kind has no name, as the entries of a set; one is too long for a place */
    if (small->k == 1)
        name(small->kind, sizeof(small->kind), "a-kind-whose-name-is-longer-than-a-place-holds-",
             1);
    else if (small->k > 1)
        name(small->kind, sizeof(small->kind), "kind-", small->k);
    else
        small->kind[0] = '\0';
    small->entry = (struct put_entry){.id = id_of(number),
                                      .reading = 0,
                                      .role = "main",
                                      .kind = small->kind,
                                      .taken_ms = small->taken_ms,
                                      .sent = "{}",
                                      .sent_length = 2,
                                      .values = "{}",
                                      .values_length = 2,
                                      .became = "{}",
                                      .became_length = 2};
    memcpy(small->entry.content, &number, sizeof(number));
    small->put = (struct put){.set = small->entry.id,
                              .patient = small->patient,
                              .client = "c",
                              .table_version = "1",
                              .accepted_ms = NOW,
                              .entries = &small->entry,
                              .count = 1,
                              .done = small_done,
                              .context = small};
}

/* Many at once, so that they share rounds; now and then one whose id is taken, with other content:
 * its round is run again, guarded. */
static void put_batch(struct given *given, struct model *model, uint32_t *seed)
{
    static struct small smalls[BATCH];
    pthread_mutex_t lock = PTHREAD_MUTEX_INITIALIZER;
    pthread_cond_t cond = PTHREAD_COND_INITIALIZER;
    unsigned left = BATCH;

    for (unsigned i = 0; i < BATCH; i++) {
        const bool taken = model->numbers > 100 && random_next(seed) % 60 == 0;
        const unsigned number = taken ? 1 + random_next(seed) % 50 : ++model->numbers;

        small_make(&smalls[i], number, seed);
        if (taken)
            memset(smalls[i].entry.content, 0xEE, sizeof(smalls[i].entry.content));
        smalls[i].lock = &lock;
        smalls[i].cond = &cond;
        smalls[i].left = &left;
    }
    for (unsigned i = 0; i < BATCH; i++)
        outbox_put(given->outbox, &smalls[i].put);
    pthread_mutex_lock(&lock);
    while (left > 0)
        pthread_cond_wait(&cond, &lock);
    pthread_mutex_unlock(&lock);
    for (unsigned i = 0; i < BATCH; i++) {
        const struct small *small = &smalls[i];

        if (small->put.status != STATUS_OK) {
            assert_int_equal(small->put.status, STATUS_CONFLICT);
            continue;
        }
        model->count[small->p][small->k]++;
        if (small->taken_ms > model->newest[small->p][small->k])
            model->newest[small->p][small->k] = small->taken_ms;
    }
}

static bool count_row(void *context, const struct outbox_row *row)
{
    (void)row;
    ++*(unsigned *)context;
    return true;
}

static void last_taken(void *context, const char *values, size_t length, int64_t taken_ms)
{
    (void)values;
    (void)length;
    *(int64_t *)context = taken_ms;
}

static unsigned found(struct given *given, const char *patient, const char *kind)
{
    unsigned count = 0;

    assert_int_equal(outbox_search(given->reader,
                                   &(struct outbox_search){OUTBOX_SEARCH_OPEN, .patient = patient,
                                                           .kind = kind, .most = 100000},
                                   count_row, &count),
                     STATUS_OK);
    return count;
}

static void look(struct given *given, const struct model *model, unsigned p)
{
    char patient[24], kind[64];
    unsigned all = 0;

    name(patient, sizeof(patient), "s|", p);
    for (unsigned k = 0; k < KINDS; k++) {
        int64_t taken_ms = 0;
        enum status status;

        all += model->count[p][k];
        if (k < 2)
            continue;
        name(kind, sizeof(kind), "kind-", k);
        assert_int_equal(found(given, patient, kind), model->count[p][k]);
        status = outbox_last(given->reader, patient, kind, INT64_MAX, last_taken, &taken_ms);
        assert_int_equal(status, model->count[p][k] ? STATUS_OK : STATUS_NOT_FOUND);
        assert_int_equal(taken_ms, model->newest[p][k]);
    }
    assert_int_equal(found(given, patient, NULL), all);
}

static void test_readers_find_what_was_accepted(void **state)
{
    struct given *given = *state;
    static struct model model;
    uint32_t seed = 20261125;
    unsigned batches = 0, people = 0, seen = 0;

    for (; model.numbers < ENTRIES; batches++) {
        put_batch(given, &model, &seed);
        if (batches % 10 == 0)
            for (int i = 0; i < 3; i++)
                look(given, &model, any_patient(&seed));
        if (batches % 90 == 89) {
            given_stop(given);
            given_start(given);
        }
    }
    for (unsigned p = 0; p < PATIENTS; p++) {
        bool known = false;

        look(given, &model, p);
        for (unsigned k = 0; k < KINDS; k++)
            known = known || model.count[p][k];
        people += known;
    }
    assert_int_equal(outbox_patients(given->reader, "", PATIENTS, count_row, &seen), STATUS_OK);
    assert_int_equal(seen, people);
    assert_chains_whole(given, false);
}

/* ---- readers beside the writer: they hear of no entry before its COMMIT, and of each after ----
 */

#define WATCHED 20 /* patients, those that most are of */

struct watching {
    struct outbox_reader *reader;
    atomic_bool ended;
    unsigned looks;
    bool went_back, failed;
};

static enum status count_of(struct outbox_reader *reader, unsigned p, const char *kind,
                            unsigned *count)
{
    char patient[24];

    *count = 0;
    name(patient, sizeof(patient), "s|", p);
    return outbox_search(reader,
                         &(struct outbox_search){OUTBOX_SEARCH_OPEN, .patient = patient,
                                                 .kind = kind, .most = 100000},
                         count_row, count);
}

static void *watch(void *context)
{
    struct watching *watching = context;
    static unsigned before[WATCHED][2];

    while (!atomic_load(&watching->ended)) {
        const unsigned p = watching->looks++ % WATCHED;
        unsigned now[2];

        for (int i = 0; i < 2; i++) {
            watching->failed =
                watching->failed ||
                count_of(watching->reader, p, i ? "kind-2" : NULL, &now[i]) != STATUS_OK;
            watching->went_back = watching->went_back || now[i] < before[p][i];
            before[p][i] = now[i];
        }
    }
    return NULL;
}

static void test_readers_beside_the_writer(void **state)
{
    struct given *given = *state;
    static struct model model;
    struct watching watching = {.looks = 0};
    uint32_t seed = 11;
    pthread_t thread;

    assert_int_equal(outbox_reader_open(given->outbox, &watching.reader), STATUS_OK);
    assert_int_equal(pthread_create(&thread, NULL, watch, &watching), 0);
    while (model.numbers < ENTRIES / 2) {
        put_batch(given, &model, &seed);
        look(given, &model, random_next(&seed) % WATCHED);
    }
    atomic_store(&watching.ended, true);
    pthread_join(thread, NULL);
    outbox_reader_close(watching.reader);
    assert_false(watching.failed);
    assert_false(watching.went_back);
    assert_in_range(watching.looks, 100, UINT32_MAX);
}

/* The sweep is what keeps a start short: between two lie some thousand entries, whatever waits. */
static void test_the_table_is_never_far_behind(void **state)
{
    struct given *given = *state;
    static struct model model;
    uint32_t seed = 7;
    long most = 0, behind;

    while (model.numbers < ENTRIES) {
        put_batch(given, &model, &seed);
        behind = given_count(given, "SELECT max(seq) - coalesce((SELECT value FROM counter WHERE "
                                    "counter = 7), 0) FROM entry");
        most = behind > most ? behind : most;
    }
    assert_int_equal(COUNTER_NEWEST_UPTO, 7);
    assert_in_range(most, 4096, 13000);
}

/* ---- the heads by themselves, against a list ---- */

#define LIST 3000

struct listed {
    int64_t patient;
    char kind[8];
    struct head now, shown;
    bool in_table;
};

static struct listed *listed_find(struct listed *list, size_t count, int64_t patient,
                                  const char *kind)
{
    for (size_t i = 0; i < count; i++)
        if (list[i].patient == patient && strcmp(list[i].kind, kind) == 0)
            return &list[i];
    return NULL;
}

static void assert_shown(struct heads *heads, const struct listed *one)
{
    int64_t seq = 0;

    if (heads_shown(heads, one->patient, one->kind, &seq))
        assert_int_equal(seq, one->shown.seq);
    else
        assert_true(one->shown.seq == 0 || one->in_table); /* the table knows, or nobody yet */
}

static void test_heads_keep_their_two_values(void **state)
{
    static struct listed list[LIST];
    struct heads *heads;
    uint32_t seed = 3;
    size_t count = 0, cursor = 0;
    int64_t seq = 0;

    (void)state;
    assert_int_equal(heads_new(&heads), STATUS_OK);
    for (int round = 0; round < 400; round++) {
        const bool commits = random_next(&seed) % 4 != 0;
        struct named_head some[64];
        size_t swept = 0;

        for (int i = 0; i < 30; i++) {
            const int64_t patient = random_next(&seed) % 40 * 256 + random_next(&seed) % 3;
            char kind[8];
            struct listed *one;
            const struct head head = {seq + 1, (seq + 1) * 10};

            seq++;
            name(kind, sizeof(kind), "k", random_next(&seed) % 9);
            one = listed_find(list, count, patient, kind);
            if (!one) {
                assert_true(count < LIST);
                one = &list[count++];
                *one = (struct listed){.patient = patient};
                memcpy(one->kind, kind, sizeof(kind));
            }
            if (heads_find(heads, patient, kind))
                assert_int_equal(heads_find(heads, patient, kind)->seq, one->now.seq);
            if (random_next(&seed) % 5 == 0) { /* within a savepoint that fails */
                heads_savepoint(heads);
                (void)heads_set(heads, patient, kind, (struct head){-1, -1});
                (void)heads_set(heads, patient + 1, "lost", (struct head){-2, -2});
                heads_savepoint_back(heads);
                assert_null(heads_find(heads, patient + 1, "lost"));
            }
            heads_savepoint(heads);
            if (heads_set(heads, patient, kind, head)) {
                one->now = head;
            } else if (commits) {
                one->now = one->shown = head; /* written through */
                one->in_table = true;
            }
            heads_savepoint_done(heads);
        }
        if (round % 3 == 0) {
            cursor = cursor >= 4096 ? 0 : cursor;
            swept = heads_unwritten(heads, &cursor, some, 64);
        }
        if (commits) {
            heads_commit(heads);
            for (size_t i = 0; i < count; i++)
                list[i].shown = list[i].now;
            for (size_t i = 0; i < swept; i++) {
                struct listed *one = listed_find(list, count, some[i].patient, some[i].kind);

                assert_int_equal(some[i].head.seq, one->now.seq);
                one->in_table = true;
            }
        } else {
            heads_roll_back(heads);
            for (size_t i = 0; i < count; i++)
                list[i].now = list[i].shown;
        }
        for (size_t i = 0; i < count; i++)
            assert_shown(heads, &list[i]);
    }
    heads_free(heads);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(test_readers_find_what_was_accepted, given_setup,
                                        given_teardown),
        cmocka_unit_test_setup_teardown(test_readers_beside_the_writer, given_setup,
                                        given_teardown),
        cmocka_unit_test_setup_teardown(test_the_table_is_never_far_behind, given_setup,
                                        given_teardown),
        cmocka_unit_test(test_heads_keep_their_two_values),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
