/* test_transfer.c - HTTP as the courier needs it: what an answer may be at most, what becomes of
 * requests when we stop, and that "not sent" is only said of what cannot have arrived. */
#include <setjmp.h>
#include <stdarg.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>
#include <curl/curl.h>

#include "courier/transfer.h"
#include "heap.h"
#include "script_server.h"
#include "wardpost/moment.h"

#define LONG_ANSWER ((size_t)60000)

struct given {
    struct script_server *server;
    struct client_pool *pool;
    struct courier_options options;
    atomic_int posts;
    int64_t grace_ms; /* with which /stop stops us */
    char base[64], url[100];
};

/* The path says what is wanted. */
static void on_request(void *context, const char *request, struct script_answer *answer)
{
    struct given *given = context;

    if (strncmp(request, "POST", 4) == 0)
        atomic_fetch_add(&given->posts, 1);
    answer->status = 201;
    snprintf(answer->headers, sizeof(answer->headers),
             "Location: %s/Observation/5/_history/1\r\nETag: W/\"1\"\r\nRetry-After: 2\r\n",
             given->base);
    if (strstr(request, "/long "))
        memset(answer->body, 'x', LONG_ANSWER);
    else if (strstr(request, "/etag "))
        snprintf(answer->headers, sizeof(answer->headers), "ETag: W/\"%0100d\"\r\n", 1);
    else if (strstr(request, "/hang_up "))
        answer->hang_up = true;
    else if (strstr(request, "/stop ")) {
        transfers_stop(given->pool, given->grace_ms);
        answer->wait_ms = 100;
    }
}

static int setup(void **state)
{
    struct given *given = calloc(1, sizeof(*given));
    uint16_t port;

    assert_non_null(given);
    given->options =
        (struct courier_options){.request_timeout_ms = 5000, .connect_timeout_ms = 1000};
    given->server = script_server_start(on_request, given, &port);
    snprintf(given->base, sizeof(given->base), "http://127.0.0.1:%u", port);
    assert_int_equal(transfers_open(&given->options, &given->pool), STATUS_OK);
    *state = given;
    return 0;
}

static int teardown(void **state)
{
    struct given *given = *state;

    transfers_close(given->pool);
    script_server_stop(given->server);
    free(given);
    return 0;
}

static struct transfer get(struct given *given, const char *path)
{
    snprintf(given->url, sizeof(given->url), "%s%s", given->base, path);
    return (struct transfer){.method = "GET", .url = given->url, .answer_most = LONG_ANSWER};
}

static struct transfer post(struct given *given, const char *path)
{
    struct transfer transfer = get(given, path);

    transfer.method = "POST";
    transfer.body = "{}";
    transfer.body_length = 2;
    return transfer;
}

static void run_one(struct given *given, struct transfer *transfer)
{
    assert_int_equal(transfers_run(given->pool, transfer, 1, 1), STATUS_OK);
}

static void test_what_an_answer_says(void **state)
{
    struct given *given = *state;
    struct transfer transfer = post(given, "/");
    char location[100];

    run_one(given, &transfer);
    snprintf(location, sizeof(location), "%s/Observation/5/_history/1", given->base);
    assert_int_equal(transfer.end, TRANSFER_ANSWERED);
    assert_int_equal(transfer.status, 201);
    assert_string_equal(transfer.location, location);
    assert_string_equal(transfer.version, "W/\"1\"");
    assert_int_equal(transfer.retry_after_ms, 2000);
    transfer_clear(&transfer);
}

static void test_a_long_answer(void **state)
{
    struct given *given = *state;
    struct transfer transfer = get(given, "/long");

    run_one(given, &transfer);
    assert_int_equal(transfer.end, TRANSFER_ANSWERED);
    assert_int_equal(transfer.answer_length, LONG_ANSWER);
    assert_int_equal(strspn(transfer.answer, "x"), LONG_ANSWER);
    transfer_clear(&transfer);
    transfer = get(given, "/long");
    transfer.answer_most = LONG_ANSWER - 1;
    run_one(given, &transfer);
    assert_int_equal(transfer.end, TRANSFER_TOO_LARGE);
    assert_true(transfer.answer_length < LONG_ANSWER);
    transfer_clear(&transfer);
}

/* Half an ETag would be another version. */
static void test_a_header_too_long_is_not_there(void **state)
{
    struct given *given = *state;
    struct transfer transfer = get(given, "/etag");

    run_one(given, &transfer);
    assert_int_equal(transfer.end, TRANSFER_ANSWERED);
    assert_string_equal(transfer.version, "");
    transfer_clear(&transfer);
}

static void test_many_at_once(void **state)
{
    struct given *given = *state;
    struct transfer transfers[12];

    for (int round = 0; round < 2; round++) {
        for (size_t i = 0; i < 12; i++)
            transfers[i] = post(given, "/");
        assert_int_equal(transfers_run(given->pool, transfers, 12, 12), STATUS_OK);
        for (size_t i = 0; i < 12; i++) {
            assert_int_equal(transfers[i].end, TRANSFER_ANSWERED);
            transfer_clear(&transfers[i]);
        }
    }
    assert_int_equal(atomic_load(&given->posts), 24);
}

static void test_nobody_there(void **state)
{
    struct given *given = *state;
    struct transfer transfer = post(given, "/");

    transfer.url = "http://127.0.0.1:1/";
    run_one(given, &transfer);
    assert_int_equal(transfer.end, TRANSFER_NOT_SENT);
    assert_true(transfer.why[0]);
    transfer.url = "gopher://127.0.0.1:1/";
    run_one(given, &transfer);
    assert_int_equal(transfer.end, TRANSFER_NOT_SENT);
}

/* A kept-alive connection dies: libcurl must not send a create again by itself. */
static void test_a_create_is_not_repeated(void **state)
{
    struct given *given = *state;
    struct transfer transfer = post(given, "/");

    run_one(given, &transfer);
    transfer_clear(&transfer);
    transfer = post(given, "/hang_up");
    run_one(given, &transfer);
    assert_int_equal(transfer.end, TRANSFER_LOST);
    assert_int_equal(atomic_load(&given->posts), 2);
    transfer_clear(&transfer);
}

static const struct {
    int64_t grace_ms;
    enum transfer_end under_way;
} stops[] = {
    {0,    TRANSFER_LOST    },
    {4000, TRANSFER_ANSWERED}
};

static void test_stopped(void **state)
{
    struct given *given = *state;

    for (size_t i = 0; i < sizeof(stops) / sizeof(stops[0]); i++) {
        struct transfer transfers[3];
        int before = atomic_load(&given->posts);

        transfers_close(given->pool);
        assert_int_equal(transfers_open(&given->options, &given->pool), STATUS_OK);
        given->grace_ms = stops[i].grace_ms;
        for (size_t j = 0; j < 3; j++)
            transfers[j] = post(given, "/stop");
        assert_int_equal(transfers_run(given->pool, transfers, 3, 1), STATUS_OK);
        assert_int_equal(transfers[0].end, stops[i].under_way);
        assert_int_equal(transfers[1].end, TRANSFER_NOT_SENT);
        assert_int_equal(transfers[2].end, TRANSFER_NOT_SENT);
        assert_int_equal(atomic_load(&given->posts), before + 1);
        for (size_t j = 0; j < 3; j++)
            transfer_clear(&transfers[j]);
    }
}

/* Whichever allocation fails, ours or libcurl's: what ends as answered says all that was said, and
 * what ends as not sent never arrived. Returns how often it may have arrived. */
static int run_without_memory(struct given *given, unsigned nth)
{
    struct transfer transfer = post(given, "/");
    enum status status;

    heap_fail_at(nth);
    transfer.if_none_exist = "identifier=5";
    transfer.if_match = "W/\"1\"";
    status = transfers_open(&given->options, &given->pool);
    if (status == STATUS_OK) {
        status = transfers_run(given->pool, &transfer, 1, 1);
        transfers_close(given->pool);
        given->pool = NULL;
    }
    heap_fail_at(0);
    assert_true(status == STATUS_OK || (status == STATUS_NO_MEMORY && heap_did_fail()));
    transfer_clear(&transfer);
    if (status == STATUS_NO_MEMORY || transfer.end == TRANSFER_NOT_SENT) {
        assert_true(heap_did_fail());
        return 0;
    }
    if (transfer.end == TRANSFER_ANSWERED)
        assert_int_equal(transfer.status, 201);
    else
        assert_true(heap_did_fail());
    return 1;
}

static void test_no_memory(void **state)
{
    struct given *given = *state;
    unsigned nth = 0;
    int arrived = 0;

    transfers_close(given->pool);
    given->pool = NULL;
    do {
        arrived += run_without_memory(given, ++nth);
        assert_true(atomic_load(&given->posts) <= arrived);
    } while (heap_did_fail());
    assert_in_range(nth, 20, 5000);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(test_what_an_answer_says, setup, teardown),
        cmocka_unit_test_setup_teardown(test_a_long_answer, setup, teardown),
        cmocka_unit_test_setup_teardown(test_a_header_too_long_is_not_there, setup, teardown),
        cmocka_unit_test_setup_teardown(test_many_at_once, setup, teardown),
        cmocka_unit_test_setup_teardown(test_nobody_there, setup, teardown),
        cmocka_unit_test_setup_teardown(test_a_create_is_not_repeated, setup, teardown),
        cmocka_unit_test_setup_teardown(test_stopped, setup, teardown),
        cmocka_unit_test_setup_teardown(test_no_memory, setup, teardown),
    };

    if (curl_global_init(CURL_GLOBAL_DEFAULT) != 0)
        return 1;
    return cmocka_run_group_tests(tests, NULL, NULL);
}
