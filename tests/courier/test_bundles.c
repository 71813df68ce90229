/* test_bundles.c - several Bundles of a wave are on their way at once: how many, how large, and
 * what becomes of the others when one of them is in trouble.
 *
 * The far end holds each Bundle for a while and keeps count. It creates whatever it is told to
 * create: only what we do keeps a reading from being there twice. Its notes are read when it has
 * been stopped. */
#include <setjmp.h>
#include <stdarg.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#include <cmocka.h>
#include <curl/curl.h>
#include <jansson.h>

#include "courier/courier_private.h"
#include "script_server.h"
#include "wardpost/log.h"
#include "wardpost/moment.h"

#define READINGS      ((size_t)60)
#define PATIENTS_MOST ((size_t)7)
#define BATCH_MOST    ((size_t)5)
#define AT_ONCE_MOST  ((size_t)4)    /* Bundles */
#define HOLD_MS       20             /* of each Bundle by the far end; some are held on */
#define HOLD_MOST_MS  2000           /* of those that are held on */
#define BUNDLES_SEEN  (READINGS * 3) /* remembered; more is a fault */
#define URN           "urn:uuid:"

struct trouble { /* with one Bundle, once */
    const char *name;
    int status;       /* of the Bundle as a whole; 0: hung up on */
    int of_each;      /* with 200: of each of its entries */
    bool kept;        /* it has been created all the same */
    bool unsure;      /* nobody can know: we must look before we send again */
    size_t most_then; /* entries with which it may go again; 1: alone */
};

struct reading {
    struct uuid id;
    char text[UUID_TEXT_ROOM]; /* of id */
    size_t patient;
    /* notes of the far end */
    size_t sent, created, looked_up;
    bool troubled; /* it was in the Bundle in trouble */
    bool unsure;   /* it may be there, and has not been looked up since */
    size_t with;   /* entries of the Bundle it came in last; 1: alone */
};

struct bundle {
    bool on_its_way;
    int64_t until_ms; /* it is held no longer; monotonic */
    size_t count;
    bool of[PATIENTS_MOST];
    bool troubled;
};

struct given {
    char folder[64], path[80], url[64];
    struct script_server *server;
    struct outbox *outbox;
    struct outbox_reader *reader;
    struct courier courier;
    struct courier_options patient; /* of the requests */
    struct reading readings[READINGS];
    size_t patients;
    const struct trouble *trouble; /* with the Bundle that has reading number `victim`; or NULL */
    size_t victim;
    size_t together; /* Bundles are held until so many have been on their way at once */
    bool says_where; /* answers to Bundles have a location */
    /* notes of the far end */
    struct bundle bundles[BUNDLES_SEEN];
    size_t count;
    size_t at_once;             /* most Bundles at one moment */
    size_t beside;              /* Bundles on their way together with the one in trouble */
    size_t last[PATIENTS_MOST]; /* 1 + number of the last reading that was created */
    bool trouble_came, gave_up;
    bool shared;         /* a patient was in two Bundles at one moment */
    bool out_of_order;   /* of a patient */
    bool sent_unsure;    /* again, without a look-up */
    bool not_understood; /* came, and is none of the above */
};

/* ---- the far end ---- */

static struct reading *reading_named(struct given *given, const char *text)
{
    for (size_t i = 0; text && i < READINGS; i++)
        if (strcmp(given->readings[i].text, text) == 0)
            return &given->readings[i];
    given->not_understood = true;
    return NULL;
}

static struct reading *reading_of(struct given *given, const json_t *observation)
{
    return reading_named(given, json_string_value(json_object_get(observation, "id")));
}

static void create(struct given *given, struct reading *reading)
{
    size_t number = (size_t)(reading - given->readings) + 1;

    reading->created++;
    given->out_of_order |= number <= given->last[reading->patient];
    given->last[reading->patient] = number;
}

static void note_sent(struct given *given, struct reading *reading, size_t with)
{
    reading->sent++;
    reading->with = with;
    given->sent_unsure |= reading->unsure;
}

static void answer_search(struct given *given, const char *request, struct script_answer *answer)
{
    size_t used = (size_t)sprintf(
        answer->body, "{\"resourceType\":\"Bundle\",\"type\":\"searchset\",\"entry\":[");
    const char *comma = "";

    for (size_t i = 0; i < READINGS; i++) {
        struct reading *reading = &given->readings[i];

        if (!strstr(request, reading->text))
            continue;
        reading->looked_up++;
        reading->unsure = false;
        for (size_t j = 0; j < reading->created; j++, comma = ",")
            used += (size_t)sprintf(answer->body + used,
                                    "%s{\"resource\":{\"resourceType\":\"Observation\",\"id\":\""
                                    "%zu\",\"identifier\":[{\"system\":\"urn:ietf:rfc:3986\","
                                    "\"value\":\"" URN "%s\"}]}}",
                                    comma, 100 * (j + 1) + i, reading->text);
    }
    sprintf(answer->body + used, "]}");
}

static void answer_single(struct given *given, const json_t *observation,
                          struct script_answer *answer)
{
    struct reading *reading = reading_of(given, observation);

    if (!reading)
        return;
    note_sent(given, reading, 1);
    create(given, reading);
    answer->status = 201;
    snprintf(answer->headers, sizeof(answer->headers),
             "Location: http://far.example/Observation/%td\r\n", 100 + (reading - given->readings));
}

/* It is answered when as many have been on their way at once as there must be, and the one in
 * trouble has come: else a slow machine would see one after the other. When that does not come
 * about, it is given up for good. */
static bool is_held(void *context, size_t number)
{
    struct given *given = context;
    struct bundle *bundle = &given->bundles[number];
    bool met = given->at_once >= given->together && (!given->trouble || given->trouble_came);

    given->gave_up |= !met && clock_monotonic_ms() >= bundle->until_ms;
    bundle->on_its_way = !met && !given->gave_up;
    return bundle->on_its_way;
}

static void note_at_once(struct given *given, struct bundle *bundle)
{
    size_t at_once = 1;

    for (const struct bundle *other = given->bundles; other < bundle; other++) {
        if (!other->on_its_way)
            continue;
        at_once++;
        given->beside += other->troubled || bundle->troubled;
        for (size_t i = 0; i < given->patients; i++)
            given->shared |= other->of[i] && bundle->of[i];
    }
    if (at_once > given->at_once)
        given->at_once = at_once;
    given->trouble_came |= bundle->troubled;
    bundle->on_its_way = true;
    bundle->until_ms = clock_monotonic_ms() + HOLD_MOST_MS;
}

static void write_answers(const struct given *given, struct reading **readings, size_t count,
                          int status, struct script_answer *answer)
{
    size_t used = (size_t)sprintf(
        answer->body, "{\"resourceType\":\"Bundle\",\"type\":\"batch-response\",\"entry\":[");

    answer->status = 200;
    for (size_t i = 0; i < count; i++) {
        used += (size_t)sprintf(answer->body + used, "%s{\"response\":{\"status\":\"%d\"",
                                i ? "," : "", status);
        if (status == 201 && given->says_where)
            used += (size_t)sprintf(answer->body + used, ",\"location\":\"Observation/%td\"",
                                    100 + (readings[i] - given->readings));
        used += (size_t)sprintf(answer->body + used, "}}");
    }
    sprintf(answer->body + used, "]}");
}

static void answer_well(struct given *given, struct reading **readings, size_t count,
                        struct script_answer *answer)
{
    for (size_t i = 0; i < count; i++) {
        create(given, readings[i]);
        readings[i]->unsure = !given->says_where;
    }
    write_answers(given, readings, count, 201, answer);
}

static void answer_in_trouble(struct given *given, struct reading **readings, size_t count,
                              struct script_answer *answer)
{
    const struct trouble *trouble = given->trouble;

    for (size_t i = 0; i < count; i++) {
        readings[i]->troubled = true;
        readings[i]->unsure = trouble->unsure;
        if (trouble->kept)
            create(given, readings[i]);
    }
    answer->status = trouble->status;
    answer->hang_up = trouble->status == 0;
    if (trouble->status == 200)
        write_answers(given, readings, count, trouble->of_each, answer);
}

static void answer_bundle(struct given *given, const json_t *entries, struct script_answer *answer)
{
    struct bundle *bundle = &given->bundles[given->count];
    struct reading *readings[READINGS] = {0};

    bundle->count = json_array_size(entries);
    if (given->count == BUNDLES_SEEN - 1 || bundle->count == 0 || bundle->count > READINGS) {
        given->not_understood = true;
        return;
    }
    answer->wait_ms = HOLD_MS;
    answer->held = is_held;
    answer->number = given->count++;
    for (size_t i = 0; i < bundle->count; i++) {
        readings[i] = reading_of(given, json_object_get(json_array_get(entries, i), "resource"));
        if (!readings[i])
            return;
        note_sent(given, readings[i], bundle->count);
        bundle->of[readings[i]->patient] = true;
        bundle->troubled |= given->trouble && readings[i] == &given->readings[given->victim] &&
                            readings[i]->sent == 1;
    }
    note_at_once(given, bundle);
    if (bundle->troubled)
        answer_in_trouble(given, readings, bundle->count, answer);
    else
        answer_well(given, readings, bundle->count, answer);
}

static void on_request(void *context, const char *request, struct script_answer *answer)
{
    struct given *given = context;
    json_t *body = json_loads(strstr(request, "\r\n\r\n") + 4, 0, NULL);

    answer->status = 200;
    if (strncmp(request, "GET /metadata ", 14) == 0)
        sprintf(answer->body, "{\"resourceType\":\"CapabilityStatement\",\"fhirVersion\":\"4.0.1\","
                              "\"format\":[\"json\"],\"rest\":[{\"mode\":\"server\","
                              "\"interaction\":[{\"code\":\"batch\"}]}]}");
    else if (strncmp(request, "GET /Observation?", 17) == 0)
        answer_search(given, request, answer);
    else if (strncmp(request, "POST / ", 7) == 0)
        answer_bundle(given, json_object_get(body, "entry"), answer);
    else if (strncmp(request, "POST /Observation ", 18) == 0)
        answer_single(given, body, answer);
    else
        given->not_understood = true;
    json_decref(body);
}

/* ---- what is to be delivered: the patients in turn ---- */

static void on_disk(struct put *put)
{
    atomic_fetch_add((atomic_size_t *)put->context, put->status == STATUS_OK ? 1 : READINGS + 1);
}

static void put_all(struct given *given, size_t patients)
{
    static char became[READINGS][200], patient[READINGS][8];
    struct put_entry entries[READINGS];
    struct put puts[READINGS];
    atomic_size_t kept = 0;

    given->patients = patients;
    for (size_t i = 0; i < READINGS; i++) {
        struct reading *reading = &given->readings[i];

        uuid_random(&reading->id);
        uuid_text(&reading->id, reading->text);
        reading->patient = i % patients;
        snprintf(patient[i], sizeof(patient[i]), "p%zu", reading->patient);
        snprintf(became[i], sizeof(became[i]),
                 "{\"resourceType\":\"Observation\",\"id\":\"%s\",\"identifier\":[{\"system\":"
                 "\"urn:ietf:rfc:3986\",\"value\":\"" URN "%s\"}]}",
                 reading->text, reading->text);
        entries[i] = (struct put_entry){.id = reading->id,
                                        .role = "main",
                                        .kind = "invented",
                                        .taken_ms = clock_wall_ms(),
                                        .sent = "{}",
                                        .sent_length = 2,
                                        .values = "{}",
                                        .values_length = 2,
                                        .became = became[i],
                                        .became_length = strlen(became[i])};
        puts[i] = (struct put){.set = reading->id,
                               .patient = patient[i],
                               .client = "test",
                               .table_version = "0",
                               .accepted_ms = clock_wall_ms(),
                               .entries = &entries[i],
                               .count = 1,
                               .done = on_disk,
                               .context = &kept};
        outbox_put(given->outbox, &puts[i]);
    }
    while (atomic_load(&kept) < READINGS)
        nanosleep(&(struct timespec){.tv_nsec = 50000}, NULL);
    assert_int_equal(atomic_load(&kept), READINGS);
}

/* ---- delivering it ---- */

static int setup(void **state)
{
    struct given *given = calloc(1, sizeof(*given));
    uint16_t port;

    assert_non_null(given);
    snprintf(given->folder, sizeof(given->folder), "%s/wardpost-courier-XXXXXX",
             access("/dev/shm", W_OK) == 0 ? "/dev/shm" : "/tmp");
    assert_non_null(mkdtemp(given->folder));
    snprintf(given->path, sizeof(given->path), "%s/o.db", given->folder);
    given->says_where = true;
    given->together = 2;
    given->server = script_server_start(on_request, given, &port);
    snprintf(given->url, sizeof(given->url), "http://127.0.0.1:%u", port);
    assert_int_equal(outbox_start(&(struct outbox_options){.path = given->path}, &given->outbox),
                     STATUS_OK);
    assert_int_equal(outbox_reader_open(given->outbox, &given->reader), STATUS_OK);
    given->courier = (struct courier){
        .options = {.server = given->url,
                    .way = WAY_CONDITIONAL_CREATE,
                    .batch_most = BATCH_MOST,
                    .transfers_most = 8,
                    .request_timeout_ms = 50,
                    .connect_timeout_ms = 1000,
                    .retry_first_ms = 1,
                    .retry_most_ms = 2,
                    .server_error_tries = 3},
        .server = given->url,
        .outbox = given->outbox,
        .reader = given->reader
    };
    /* no answer comes too late: what is lost is so at once, and our short wait is long enough */
    given->patient = given->courier.options;
    given->patient.request_timeout_ms = 10000;
    pthread_mutex_init(&given->courier.lock, NULL);
    assert_int_equal(transfers_open(&given->patient, &given->courier.pool), STATUS_OK);
    *state = given;
    return 0;
}

/* From here on its notes may be read. */
static void stop_far_end(struct given *given)
{
    if (given->server)
        script_server_stop(given->server);
    given->server = NULL;
}

static int teardown(void **state)
{
    static const char *const ends[] = {"", "-wal", "-shm"};
    struct given *given = *state;

    wave_drop(&given->courier);
    transfers_close(given->courier.pool);
    stop_far_end(given);
    pthread_mutex_destroy(&given->courier.lock);
    outbox_reader_close(given->reader);
    outbox_stop(given->outbox);
    for (size_t i = 0; i < sizeof(ends) / sizeof(ends[0]); i++) {
        char path[100];

        snprintf(path, sizeof(path), "%s%s", given->path, ends[i]);
        unlink(path);
    }
    rmdir(given->folder);
    free(given);
    return 0;
}

static void step(struct given *given)
{
    int64_t due_ms;

    assert_true(given->courier.destination.known || destination_meet(&given->courier));
    assert_true(wave_run(&given->courier, &due_ms));
}

static size_t charted(struct given *given)
{
    struct outbox_counts counts;

    assert_int_equal(outbox_count(given->reader, &counts), STATUS_OK);
    assert_int_equal(counts.held + counts.discarded, 0);
    return (size_t)counts.charted;
}

static void deliver_all(struct given *given)
{
    int64_t until = clock_monotonic_ms() + 20000;

    while (charted(given) < READINGS) {
        assert_true(clock_monotonic_ms() < until);
        step(given);
        nanosleep(&(struct timespec){.tv_nsec = 500000}, NULL);
    }
    stop_far_end(given);
}

/* What holds whatever happens. */
static void check_promises(const struct given *given)
{
    assert_false(given->not_understood);
    assert_false(given->shared);
    assert_false(given->out_of_order);
    assert_false(given->sent_unsure);
    assert_true(given->at_once <= AT_ONCE_MOST);
    for (size_t i = 0; i < given->count; i++)
        assert_in_range(given->bundles[i].count, 1, BATCH_MOST);
    for (size_t i = 0; i < READINGS; i++)
        assert_int_equal(given->readings[i].created, 1);
}

static void check_all_went_well(const struct given *given)
{
    check_promises(given);
    for (size_t i = 0; i < READINGS; i++) {
        assert_int_equal(given->readings[i].sent, 1);
        assert_int_equal(given->readings[i].looked_up, 0);
    }
}

/* ---- all goes well ---- */

static void test_several_at_once(void **state)
{
    struct given *given = *state;

    put_all(given, 7);
    deliver_all(given);
    check_all_went_well(given);
    assert_true(given->at_once > 1);
}

/* Each patient fills a Bundle of its own; what has no room goes in the next round of the wave. */
static void test_two_patients(void **state)
{
    struct given *given = *state;

    put_all(given, 2);
    step(given);
    assert_true(wave_settle(&given->courier));
    assert_int_equal(charted(given), BATCH_MOST * AT_ONCE_MOST);
    deliver_all(given);
    check_all_went_well(given);
    assert_int_equal(given->at_once, 2);
    assert_int_equal(given->count, READINGS / BATCH_MOST);
}

static void test_one_transfer_is_one_bundle(void **state)
{
    struct given *given = *state;

    given->courier.options.transfers_most = 1;
    given->together = 1;
    put_all(given, 7);
    deliver_all(given);
    check_all_went_well(given);
    assert_int_equal(given->at_once, 1);
    assert_int_equal(given->count, READINGS / BATCH_MOST);
}

/* ---- one is in trouble ---- */

static struct trouble troubles[] = {
    {"hung up on, and kept",  0,   0,   true,  true,  BATCH_MOST    },
    {"hung up on, and lost",  0,   0,   false, true,  BATCH_MOST    },
    {"503, and kept",         503, 0,   true,  true,  BATCH_MOST    },
    {"503",                   503, 0,   false, true,  BATCH_MOST    },
    {"413",                   413, 0,   false, false, BATCH_MOST / 2},
    {"400",                   400, 0,   false, false, 1             },
    {"500 to each, and kept", 200, 500, true,  true,  BATCH_MOST    },
    {"429 to each",           200, 429, false, false, BATCH_MOST    },
};

static void check_trouble(const struct given *given, const struct trouble *trouble)
{
    size_t troubled = 0;

    check_promises(given);
    assert_in_range(given->beside, 1, AT_ONCE_MOST - 1);
    for (size_t i = 0; i < READINGS; i++) {
        const struct reading *reading = &given->readings[i];
        size_t times = reading->troubled && !trouble->kept ? 2 : 1;

        troubled += reading->troubled;
        assert_int_equal(reading->sent, times);
        assert_int_equal(reading->looked_up, reading->troubled && trouble->unsure);
        if (times == 2)
            assert_in_range(reading->with, 1, trouble->most_then);
    }
    assert_in_range(troubled, 2, BATCH_MOST);
}

/* Which one it is makes a difference to the others: they are judged one after the other. */
static const struct {
    size_t patients, victim;
} victims[] = {
    {7, 0},
    {7, 3},
    {2, 0},
    {2, 1},
};

static void test_one_in_trouble(void **state)
{
    const struct trouble *trouble = *state;

    for (size_t i = 0; i < sizeof(victims) / sizeof(victims[0]); i++) {
        struct given *given;
        void *fresh;

        setup(&fresh);
        given = fresh;
        given->trouble = trouble;
        given->victim = victims[i].victim;
        put_all(given, victims[i].patients);
        deliver_all(given);
        check_trouble(given, trouble);
        teardown(&fresh);
    }
}

/* Created, and where is not said: that is looked up, also when another Bundle ends the wave. */
static void test_in_trouble_and_nobody_says_where(void **state)
{
    struct given *given = *state;

    given->says_where = false;
    given->trouble = &troubles[3];
    put_all(given, 7);
    deliver_all(given);
    check_promises(given);
    assert_in_range(given->beside, 1, AT_ONCE_MOST - 1);
}

int main(void)
{
    enum { TROUBLES = sizeof(troubles) / sizeof(troubles[0]) };
    struct CMUnitTest tests[TROUBLES + 4] = {
        cmocka_unit_test_setup_teardown(test_several_at_once, setup, teardown),
        cmocka_unit_test_setup_teardown(test_two_patients, setup, teardown),
        cmocka_unit_test_setup_teardown(test_one_transfer_is_one_bundle, setup, teardown),
        cmocka_unit_test_setup_teardown(test_in_trouble_and_nobody_says_where, setup, teardown),
    };

    for (size_t i = 0; i < TROUBLES; i++)
        tests[4 + i] = (struct CMUnitTest){.name = troubles[i].name,
                                           .test_func = test_one_in_trouble,
                                           .initial_state = &troubles[i]};
    if (curl_global_init(CURL_GLOBAL_DEFAULT) != 0)
        return 1;
    log_threshold(LOG_LEVEL_ERROR);
    return cmocka_run_group_tests(tests, NULL, NULL);
}
