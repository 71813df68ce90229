/* The Patient search on its own thread: what is asked, what an answer is worth, and that nobody
 * waits for a server that does not answer. */
#include <setjmp.h>
#include <stdarg.h>
#include <stdatomic.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>
#include <curl/curl.h>
#include <pthread.h>

#include "courier/lookup.h"
#include "script_server.h"
#include "wardpost/moment.h"

struct given {
    struct script_server *server;
    struct lookups *lookups;
    atomic_int requests;
    int status;
    unsigned wait_ms;
    const char *body;
    char request[2048];
    pthread_mutex_t lock;
    pthread_cond_t ended;
    unsigned done;
};

static void on_request(void *context, const char *request, struct script_answer *answer)
{
    struct given *given = context;

    snprintf(given->request, sizeof(given->request), "%s", request);
    atomic_fetch_add(&given->requests, 1);
    answer->status = given->status;
    answer->wait_ms = given->wait_ms;
    snprintf(answer->body, sizeof(answer->body), "%s", given->body);
}

static int setup(void **state)
{
    struct given *given = calloc(1, sizeof(*given));
    char base[64];
    uint16_t port;

    assert_non_null(given);
    given->status = 200;
    given->body =
        "{\"resourceType\":\"Patient\",\"identifier\":[{\"system\":\"u:x\",\"value\":\"1\"}]}";
    pthread_mutex_init(&given->lock, NULL);
    pthread_cond_init(&given->ended, NULL);
    given->server = script_server_start(on_request, given, &port);
    snprintf(base, sizeof(base), "http://127.0.0.1:%u/fhir", port);
    assert_int_equal(lookups_start(base, &given->lookups), STATUS_OK);
    *state = given;
    return 0;
}

static int teardown(void **state)
{
    struct given *given = *state;

    lookups_stop(given->lookups);
    script_server_stop(given->server);
    pthread_cond_destroy(&given->ended);
    pthread_mutex_destroy(&given->lock);
    free(given);
    return 0;
}

static void on_done(struct patient_lookup *lookup)
{
    struct given *given = lookup->context;

    pthread_mutex_lock(&given->lock);
    given->done++;
    pthread_cond_signal(&given->ended);
    pthread_mutex_unlock(&given->lock);
}

static const struct patient_question question = {.family = "Quill"};

static struct patient_lookup lookup_of(struct given *given)
{
    return (struct patient_lookup){.question = &question, .done = on_done, .context = given};
}

static void wait_done(struct given *given, unsigned count)
{
    pthread_mutex_lock(&given->lock);
    while (given->done < count)
        pthread_cond_wait(&given->ended, &given->lock);
    given->done = 0;
    pthread_mutex_unlock(&given->lock);
}

static enum lookup_end ask(struct given *given, size_t *found)
{
    struct patient_lookup lookup = lookup_of(given);

    lookups_ask(given->lookups, &lookup);
    wait_done(given, 1);
    *found = lookup.said.count;
    patients_said_clear(&lookup.said);
    return lookup.end;
}

static void test_an_answer(void **state)
{
    struct given *given = *state;
    size_t found;

    for (int i = 0; i < 2; i++) { /* on the connection that was kept, too */
        assert_int_equal(ask(given, &found), LOOKUP_ASKED);
        assert_int_equal(found, 1);
    }
    assert_non_null(strstr(given->request, "POST /fhir/Patient/_search HTTP/1.1\r\n"));
    assert_non_null(strstr(given->request, "Content-Type: application/x-www-form-urlencoded\r\n"));
    assert_non_null(strstr(given->request, "Accept: application/fhir+json\r\n"));
    assert_non_null(strstr(given->request, "\r\n\r\n_count=50&family=Quill"));
    assert_string_equal(lookup_end_text(LOOKUP_ASKED), "asked");
}

/* After it the server is left alone: nobody else waits, and it hears nothing. */
static void test_no_use(void **state)
{
    struct given *given = *state;
    size_t found;

    given->status = 500;
    assert_int_equal(ask(given, &found), LOOKUP_AWAY);
    assert_int_equal(ask(given, &found), LOOKUP_AWAY);
    assert_int_equal(atomic_load(&given->requests), 1);
}

static void test_no_fhir(void **state)
{
    struct given *given = *state;
    size_t found;

    given->body = "<html>";
    assert_int_equal(ask(given, &found), LOOKUP_AWAY);
    assert_int_equal(found, 0);
}

/* More at once than the queue holds: all are answered within the time, most of them at once. */
static void test_a_slow_server(void **state)
{
    enum { MANY = 60 };
    struct given *given = *state;
    struct patient_lookup lookups[MANY];
    const int64_t begun = clock_monotonic_ms();

    given->wait_ms = 5000;
    for (int i = 0; i < MANY; i++) {
        lookups[i] = lookup_of(given);
        lookups_ask(given->lookups, &lookups[i]);
    }
    assert_true(clock_monotonic_ms() - begun < 1000);
    wait_done(given, MANY);
    assert_in_range(clock_monotonic_ms() - begun, 2500, 4500);
    for (int i = 0; i < MANY; i++)
        assert_int_equal(lookups[i].end, LOOKUP_AWAY);
    assert_int_equal(atomic_load(&given->requests), 1);
}

static void test_the_end_waits_for_nobody(void **state)
{
    struct given *given = *state;
    struct patient_lookup lookups[3];
    int64_t begun;

    given->wait_ms = 2900;
    for (int i = 0; i < 3; i++) {
        lookups[i] = lookup_of(given);
        lookups_ask(given->lookups, &lookups[i]);
    }
    while (atomic_load(&given->requests) == 0)
        ;
    begun = clock_monotonic_ms();
    lookups_stop(given->lookups);
    given->lookups = NULL;
    assert_true(clock_monotonic_ms() - begun < 2500);
    wait_done(given, 3);
    for (int i = 0; i < 3; i++)
        assert_int_equal(lookups[i].end, LOOKUP_AWAY);
}

/* A courier without a server has nobody to ask. */
static void test_no_server(void **state)
{
    struct given *given = *state;
    struct courier *courier = NULL;
    struct patient_lookup lookup = lookup_of(given);

    assert_int_equal(courier_start(&(struct courier_options){.server = NULL}, NULL, &courier),
                     STATUS_OK);
    courier_lookup(courier, &lookup);
    assert_int_equal(lookup.end, LOOKUP_NONE);
    assert_int_equal(given->done, 1);
    assert_string_equal(lookup_end_text(LOOKUP_NONE), "none");
    courier_stop(courier, 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(test_an_answer, setup, teardown),
        cmocka_unit_test_setup_teardown(test_no_use, setup, teardown),
        cmocka_unit_test_setup_teardown(test_no_fhir, setup, teardown),
        cmocka_unit_test_setup_teardown(test_a_slow_server, setup, teardown),
        cmocka_unit_test_setup_teardown(test_the_end_waits_for_nobody, setup, teardown),
        cmocka_unit_test_setup_teardown(test_no_server, setup, teardown),
    };

    curl_global_init(CURL_GLOBAL_DEFAULT);
    return cmocka_run_group_tests(tests, NULL, NULL);
}
