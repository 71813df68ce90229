/* given_intake.h - an intake on a port of its own over an outbox whose disk is as slow as the test
 * wants (gate.h), and a sender that keeps its connection. */
#ifndef WARDPOST_TESTS_GIVEN_INTAKE_H
#define WARDPOST_TESTS_GIVEN_INTAKE_H

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <arpa/inet.h>
#include <cmocka.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/time.h>
#include <unistd.h>

#include "../store/gate.h"
#include "wardpost/intake.h"

struct given {
    char folder[64], path[96];
    struct settings settings;
    struct kinds *kinds;
    struct access *access;
    struct outbox *outbox;
    struct intake *intake;
    struct gate gate;
};

static inline void set(struct given *given, const char *section, const char *name,
                       const char *value)
{
    char why[200];

    assert_true(setting_set(&given->settings, setting_find(section, name), value, why));
}

static inline int given_setup(void **state)
{
    struct given *given = calloc(1, sizeof(*given));
    struct kinds_fault fault;

    assert_non_null(given);
    (void)snprintf(given->folder, sizeof(given->folder), "/tmp/wardpost-stop-XXXXXX");
    assert_non_null(mkdtemp(given->folder));
    (void)snprintf(given->path, sizeof(given->path), "%s/o.db", given->folder);
    assert_int_equal(settings_initial(&given->settings), STATUS_OK);
    set(given, "intake", "listen", "127.0.0.1:0");
    given->settings.demo = true;
    assert_int_equal(kinds_load(WARDPOST_SOURCE_DIR "/mappings", &given->kinds, &fault), STATUS_OK);
    assert_int_equal(
        access_start(&(struct access_options){.path = "", .demo = true}, &given->access),
        STATUS_OK);
    assert_int_equal(outbox_start(&(struct outbox_options){.path = given->path}, &given->outbox),
                     STATUS_OK);
    *state = given;
    return 0;
}

static inline int given_teardown(void **state)
{
    static const char *const endings[] = {"", "-wal", "-shm", "-lock"};
    struct given *given = *state;
    char path[128];

    outbox_stop(given->outbox);
    access_stop(given->access);
    kinds_free(given->kinds);
    settings_clear(&given->settings);
    for (size_t i = 0; i < sizeof(endings) / sizeof(endings[0]); i++) {
        (void)snprintf(path, sizeof(path), "%s%s", given->path, endings[i]);
        unlink(path);
    }
    rmdir(given->folder);
    free(given);
    return 0;
}

static inline void start(struct given *given)
{
    const struct intake_parts parts = {
        .settings = &given->settings, .outbox = given->outbox, .access = given->access};

    assert_int_equal(intake_start(&parts, given->kinds, &given->intake), STATUS_OK);
}

static inline long kept(struct given *given)
{
    struct outbox_reader *reader;
    struct outbox_counts counts;

    assert_int_equal(outbox_reader_open(given->outbox, &reader), STATUS_OK);
    assert_int_equal(outbox_count(reader, &counts), STATUS_OK);
    outbox_reader_close(reader);
    return (long)counts.waiting;
}

/* ---- a sender whose connection is kept ---- */

static inline int dial(struct given *given)
{
    const struct timeval patience = {.tv_sec = 20};
    struct sockaddr_in to = {.sin_family = AF_INET, .sin_port = htons(intake_port(given->intake))};
    int wire = socket(AF_INET, SOCK_STREAM, 0);

    to.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
    assert_int_equal(connect(wire, (struct sockaddr *)&to, sizeof(to)), 0);
    assert_int_equal(setsockopt(wire, SOL_SOCKET, SO_RCVTIMEO, &patience, sizeof(patience)), 0);
    return wire;
}

static inline void say(int wire, const char *text)
{
    (void)send(wire, text, strlen(text), MSG_NOSIGNAL);
}

/* The status of the answer; 0: the connection ended without one. */
static inline int heard(int wire)
{
    char answer[8192];
    ssize_t length = recv(wire, answer, sizeof(answer) - 1, 0);

    if (length <= 0)
        return 0;
    answer[length] = '\0';
    return atoi(answer + strlen("HTTP/1.1 "));
}

#define READING                                                                \
    "{\"patient\":{\"identifier\":{\"system\":\"https://clinic.example/mrn\"," \
    "\"value\":\"K-1\"}},\"age\":1,\"kind\":\"heart-rate\",\"value\":72,\"unit\":\"/min\"}"

static inline void send_reading(int wire)
{
    static const char body[] = READING;
    char text[1024];

    (void)snprintf(text, sizeof(text),
                   "POST /v1/readings HTTP/1.1\r\nHost: localhost\r\nContent-Type: "
                   "application/json\r\nContent-Length: %zu\r\n\r\n%s",
                   sizeof(body) - 1, body);
    say(wire, text);
}

#endif
