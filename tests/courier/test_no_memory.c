/* test_no_memory.c - whichever allocation of the courier fails, ours, jansson's or libcurl's: each
 * Observation is created once, refers to what is on the server, and in the end all are charted.
 *
 * The far end keeps what it is sent and creates whatever it is told to create: only that we look
 * first, where it may be there, keeps one from being there twice. The courier's steps are called
 * here, on the thread whose allocations fail, and not by its own. */
#include <pthread.h>
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

#include "courier/courier_private.h"
#include "heap.h"
#include "script_server.h"
#include "wardpost/log.h"
#include "wardpost/moment.h"

#define KEPT_MOST 4000
#define URN       "urn:uuid:"

struct given {
    char folder[64], path[80], url[64];
    struct script_server *server;
    struct outbox *outbox;
    struct outbox_reader *reader;
    struct courier_options options;
    char kept[KEPT_MOST][UUID_TEXT_ROOM]; /* number 100 + index has this identifier */
    size_t count;
    bool refers_to_nowhere; /* one came whose references were not those of the server */
    pthread_mutex_t lock;
};

/* ---- the far end ---- */

static void answer_search(const struct given *given, const char *request,
                          struct script_answer *answer)
{
    size_t used = (size_t)sprintf(
        answer->body, "{\"resourceType\":\"Bundle\",\"type\":\"searchset\",\"entry\":[");
    bool first = true;

    for (size_t i = 0; i < given->count; i++) {
        if (!strstr(request, given->kept[i]))
            continue;
        used += (size_t)sprintf(answer->body + used,
                                "%s{\"resource\":{\"resourceType\":\"Observation\",\"id\":\"%zu\","
                                "\"identifier\":[{\"system\":\"urn:ietf:rfc:3986\",\"value\":"
                                "\"" URN "%s\"}]}}",
                                first ? "" : ",", 100 + i, given->kept[i]);
        first = false;
    }
    sprintf(answer->body + used, "]}");
}

static void answer_create(struct given *given, const char *request, struct script_answer *answer)
{
    const char *value = strstr(request, "\"value\":\"" URN);

    if (!value || given->count == KEPT_MOST)
        return;
    if (strstr(request, "\"reference\":\"" URN))
        given->refers_to_nowhere = true;
    snprintf(given->kept[given->count], UUID_TEXT_ROOM, "%.36s",
             value + strlen("\"value\":\"" URN));
    answer->status = 201;
    snprintf(answer->headers, sizeof(answer->headers),
             "Location: http://far.example/Observation/%zu/_history/1\r\n", 100 + given->count);
    given->count++;
}

static void on_request(void *context, const char *request, struct script_answer *answer)
{
    struct given *given = context;

    pthread_mutex_lock(&given->lock);
    answer->status = 200;
    if (strncmp(request, "GET /metadata", 13) == 0)
        sprintf(answer->body, "{\"resourceType\":\"CapabilityStatement\",\"fhirVersion\":\"4.0.1\","
                              "\"format\":[\"json\"]}");
    else if (strncmp(request, "GET", 3) == 0)
        answer_search(given, request, answer);
    else
        answer_create(given, request, answer);
    pthread_mutex_unlock(&given->lock);
}

static size_t times_kept(struct given *given, const struct uuid *id)
{
    char text[UUID_TEXT_ROOM];
    size_t times = 0;

    uuid_text(id, text);
    pthread_mutex_lock(&given->lock);
    for (size_t i = 0; i < given->count; i++)
        times += strcmp(given->kept[i], text) == 0;
    pthread_mutex_unlock(&given->lock);
    return times;
}

/* ---- what is to be delivered: a reading and a panel that refers to it ---- */

static void on_disk(struct put *put)
{
    atomic_store((atomic_int *)put->context, (int)put->status);
}

static void put_pair(struct outbox *outbox, struct uuid ids[2])
{
    atomic_int status = (int)STATUS_BUSY;
    char became[2][400], texts[2][UUID_TEXT_ROOM], member[100] = "";
    struct put_need need = {.on = 0};
    struct put_entry entries[2];
    struct put put = {.patient = "p1",
                      .client = "test",
                      .table_version = "0",
                      .accepted_ms = clock_wall_ms(),
                      .entries = entries,
                      .count = 2,
                      .done = on_disk,
                      .context = &status};

    for (size_t i = 0; i < 2; i++) {
        uuid_random(&ids[i]);
        uuid_text(&ids[i], texts[i]);
        snprintf(became[i], sizeof(became[i]),
                 "{\"resourceType\":\"Observation\",\"id\":\"%s\",\"identifier\":[{\"system\":"
                 "\"urn:ietf:rfc:3986\",\"value\":\"" URN "%s\"}]%s}",
                 texts[i], texts[i], member);
        snprintf(member, sizeof(member), ",\"hasMember\":[{\"reference\":\"" URN "%s\"}]",
                 texts[0]);
        entries[i] = (struct put_entry){.id = ids[i],
                                        .reading = i == 0 ? 0 : SIZE_MAX,
                                        .role = i == 0 ? "main" : "panel",
                                        .kind = i == 0 ? "invented" : "",
                                        .taken_ms = clock_wall_ms(),
                                        .became = became[i],
                                        .became_length = strlen(became[i]),
                                        .needs = &need,
                                        .needs_count = i};
    }
    entries[0].sent = entries[0].values = "{}";
    entries[0].sent_length = entries[0].values_length = 2;
    put.set = ids[0];
    outbox_put(outbox, &put);
    while (atomic_load(&status) == (int)STATUS_BUSY)
        nanosleep(&(struct timespec){.tv_nsec = 50000}, NULL);
    assert_int_equal(atomic_load(&status), STATUS_OK);
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
    pthread_mutex_init(&given->lock, NULL);
    given->server = script_server_start(on_request, given, &port);
    snprintf(given->url, sizeof(given->url), "http://127.0.0.1:%u", port);
    given->options = (struct courier_options){.server = given->url,
                                              .batch_most = 1,
                                              .transfers_most = 4,
                                              .request_timeout_ms = 20,
                                              .connect_timeout_ms = 1000,
                                              .retry_first_ms = 1,
                                              .retry_most_ms = 2,
                                              .server_error_tries = 3};
    assert_int_equal(outbox_start(&(struct outbox_options){.path = given->path}, &given->outbox),
                     STATUS_OK);
    assert_int_equal(outbox_reader_open(given->outbox, &given->reader), STATUS_OK);
    *state = given;
    return 0;
}

static int teardown(void **state)
{
    static const char *const ends[] = {"", "-wal", "-shm"};
    struct given *given = *state;

    outbox_reader_close(given->reader);
    outbox_stop(given->outbox);
    script_server_stop(given->server);
    for (size_t i = 0; i < sizeof(ends) / sizeof(ends[0]); i++) {
        char path[100];

        snprintf(path, sizeof(path), "%s%s", given->path, ends[i]);
        unlink(path);
    }
    rmdir(given->folder);
    free(given);
    return 0;
}

static void step(struct courier *courier)
{
    int64_t due_ms;

    if (courier->destination.known || destination_meet(courier))
        (void)!wave_run(courier, &due_ms);
}

static bool state_seen(void *context, const struct outbox_row *row)
{
    *(enum entry_state *)context = row->state;
    return false;
}

static bool is_charted(struct given *given, const struct uuid *id)
{
    enum entry_state state = ENTRY_WAITING;

    assert_int_equal(outbox_find(given->reader, id, state_seen, &state), STATUS_OK);
    assert_int_not_equal(state, ENTRY_HELD);
    return state == ENTRY_CHARTED;
}

static void deliver_all(struct given *given, struct courier *courier, const struct uuid ids[2])
{
    int64_t until = clock_monotonic_ms() + 10000;

    while (!is_charted(given, &ids[0]) || !is_charted(given, &ids[1])) {
        assert_true(clock_monotonic_ms() < until);
        step(courier);
        nanosleep(&(struct timespec){.tv_nsec = 500000}, NULL);
    }
}

static bool deliver_without_memory(struct given *given, struct courier *courier, unsigned nth)
{
    struct uuid ids[2];
    bool failed;

    put_pair(given->outbox, ids);
    heap_fail_at(nth);
    for (int i = 0; i < 3; i++) /* the reading, the panel, what is settled */
        step(courier);
    failed = heap_did_fail();
    heap_fail_at(0);
    deliver_all(given, courier, ids);
    assert_int_equal(times_kept(given, &ids[0]), 1);
    assert_int_equal(times_kept(given, &ids[1]), 1);
    assert_false(given->refers_to_nowhere);
    return failed;
}

static void deliver_all_ways(struct given *given, enum courier_way way, bool meet)
{
    struct courier_options patient = given->options;
    struct courier courier = {.options = given->options,
                              .server = given->url,
                              .outbox = given->outbox,
                              .reader = given->reader};
    unsigned nth = 1;

    /* no answer comes too late: what is lost is so at once, and our short wait is long enough */
    patient.request_timeout_ms = 1000;
    courier.options.way = way;
    pthread_mutex_init(&courier.lock, NULL);
    assert_int_equal(transfers_open(&patient, &courier.pool), STATUS_OK);
    while (deliver_without_memory(given, &courier, nth)) {
        nth++;
        courier.destination.known = courier.destination.known && !meet;
    }
    assert_in_range(nth, 50, KEPT_MOST / 4);
    assert_true(wave_settle(&courier));
    transfers_close(courier.pool);
    pthread_mutex_destroy(&courier.lock);
}

static void test_each_is_created_once(void **state)
{
    deliver_all_ways(*state, WAY_CONDITIONAL_CREATE, false);
}

/* The server is met anew each time. */
static void test_each_is_created_once_by_search(void **state)
{
    deliver_all_ways(*state, WAY_SEARCH_FIRST, true);
}

/* It starts, or it does not and leaves nothing behind. */
static void test_start(void **state)
{
    struct given *given = *state;
    struct courier *courier = NULL;
    unsigned nth = 0;
    enum status status;

    do {
        heap_fail_at(++nth);
        status = courier_start(&given->options, given->outbox, &courier);
        heap_fail_at(0);
        if (status != STATUS_OK)
            assert_null(courier);
    } while (status != STATUS_OK && nth < 1000);
    assert_int_equal(status, STATUS_OK);
    assert_in_range(nth, 3, 999);
    courier_stop(courier, 1000);
}

/* Without a server there is nobody to deliver to, and nothing to nudge. */
static void test_no_server(void **state)
{
    struct given *given = *state;
    struct courier_options options = given->options;
    struct courier *courier = NULL;
    struct courier_status status;
    struct uuid ids[2];

    options.server = NULL;
    assert_int_equal(courier_start(&options, given->outbox, &courier), STATUS_OK);
    put_pair(given->outbox, ids);
    courier_nudge(courier);
    courier_nudge(NULL);
    courier_status_get(courier, &status);
    assert_string_equal(destination_state_text(status.state), "none");
    assert_false(is_charted(given, &ids[0]));
    courier_stop(courier, 1000);
    courier_stop(NULL, 1000);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(test_each_is_created_once, setup, teardown),
        cmocka_unit_test_setup_teardown(test_each_is_created_once_by_search, setup, teardown),
        cmocka_unit_test_setup_teardown(test_start, setup, teardown),
        cmocka_unit_test_setup_teardown(test_no_server, setup, teardown),
    };

    if (curl_global_init(CURL_GLOBAL_DEFAULT) != 0)
        return 1;
    log_threshold(LOG_LEVEL_ERROR);
    return cmocka_run_group_tests(tests, NULL, NULL);
}
