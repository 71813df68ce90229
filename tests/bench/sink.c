/* sink.c - a FHIR sink for measuring delivery: it parses every entry, checks that each identifier
 * is new, and answers each with a Location. No validation: tests/far_end does that. One thread a
 * connection. On SIGTERM it prints what it has seen as JSON.
 *
 *   sink PORT */
#include <arpa/inet.h>
#include <errno.h>
#include <jansson.h>
#include <pthread.h>
#include <signal.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

#define SLOTS (1U << 22)

struct key {
    uint64_t high, low;
};

static struct {
    pthread_mutex_t lock;
    struct key *seen; /* open addressing; all zero is free */
    long observations, duplicates, broken, bundles;
    int64_t first_us, last_us;
} sink = {.lock = PTHREAD_MUTEX_INITIALIZER};

static int64_t now_us(void)
{
    struct timespec now;

    clock_gettime(CLOCK_MONOTONIC, &now);
    return (int64_t)now.tv_sec * 1000000 + now.tv_nsec / 1000;
}

static bool key_of(const char *value, struct key *key)
{
    unsigned nibbles = 0;

    *key = (struct key){0, 0};
    if (!value || strncmp(value, "urn:uuid:", 9) != 0)
        return false;
    for (value += 9; *value; value++) {
        int digit = *value >= '0' && *value <= '9'   ? *value - '0'
                    : *value >= 'a' && *value <= 'f' ? *value - 'a' + 10
                                                     : -1;

        if (digit < 0)
            continue;
        key->high = key->high << 4 | key->low >> 60;
        key->low = key->low << 4 | (unsigned)digit;
        nibbles++;
    }
    return nibbles == 32;
}

static bool is_new(struct key key)
{
    uint64_t slot = (key.high * 0x9E3779B97F4A7C15U ^ key.low) % SLOTS;

    while (sink.seen[slot].high || sink.seen[slot].low) {
        if (sink.seen[slot].high == key.high && sink.seen[slot].low == key.low)
            return false;
        slot = (slot + 1) % SLOTS;
    }
    sink.seen[slot] = key;
    return true;
}

static bool take(const json_t *resource)
{
    const json_t *identifier = json_array_get(json_object_get(resource, "identifier"), 0);
    const char *type = json_string_value(json_object_get(resource, "resourceType"));
    struct key key;

    if (!type || strcmp(type, "Observation") != 0 || !json_object_get(resource, "code") ||
        !json_object_get(resource, "subject") ||
        !key_of(json_string_value(json_object_get(identifier, "value")), &key)) {
        sink.broken++;
        return false;
    }
    if (!is_new(key))
        sink.duplicates++;
    sink.observations++;
    return true;
}

static char *answer_bundle(const json_t *bundle)
{
    const json_t *entries = json_object_get(bundle, "entry");
    size_t count = json_array_size(entries), used = 0, room = count * 160 + 128;
    char *text = malloc(room);

    pthread_mutex_lock(&sink.lock);
    sink.bundles++;
    if (!sink.first_us)
        sink.first_us = now_us();
    used += (size_t)sprintf(text + used,
                            "{\"resourceType\":\"Bundle\",\"type\":\"batch-response\",\"entry\":[");
    for (size_t i = 0; i < count; i++) {
        bool good = take(json_object_get(json_array_get(entries, i), "resource"));

        used += (size_t)sprintf(text + used,
                                "%s{\"response\":{\"status\":\"%s\",\"location\":\"Observation/%ld/"
                                "_history/1\",\"etag\":\"W/\\\"1\\\"\"}}",
                                i ? "," : "", good ? "201 Created" : "422 Unprocessable Entity",
                                sink.observations);
    }
    sprintf(text + used, "]}");
    sink.last_us = now_us();
    pthread_mutex_unlock(&sink.lock);
    return text;
}

static const char statement[] =
    "{\"resourceType\":\"CapabilityStatement\",\"status\":\"active\",\"kind\":\"instance\","
    "\"fhirVersion\":\"4.0.1\","
    "\"format\":[\"application/"
    "fhir+json\"],\"rest\":[{\"mode\":\"server\",\"interaction\":[{\"code\":\"batch\"}],"
    "\"resource\":"
    "[{\"type\":\"Observation\",\"interaction\":[{\"code\":\"create\"},{\"code\":\"search-type\"}],"
    "\"conditionalCreate\":true,"
    "\"searchParam\":[{\"name\":\"identifier\",\"type\":\"token\"}]}]}]}";

static void reply(int fd, const char *status, const char *body)
{
    size_t length = strlen(body), room = length + 256;
    char *text = malloc(room);
    size_t total = (size_t)snprintf(
        text, room,
        "HTTP/1.1 %s\r\nContent-Type: application/fhir+json\r\nContent-Length: %zu\r\n\r\n%s",
        status, length, body);

    for (size_t sent = 0; sent < total;) {
        ssize_t one = send(fd, text + sent, total - sent, MSG_NOSIGNAL);

        if (one <= 0)
            break;
        sent += (size_t)one;
    }
    free(text);
}

static void answer(int fd, const char *head, const char *body, size_t length)
{
    json_t *bundle;
    char *text;

    if (strncmp(head, "GET", 3) == 0) {
        reply(fd, "200 OK",
              strstr(head, "/metadata")
                  ? statement
                  : "{\"resourceType\":\"Bundle\",\"type\":\"searchset\",\"total\":0}");
        return;
    }
    bundle = json_loadb(body, length, 0, NULL);
    text = answer_bundle(bundle);
    json_decref(bundle);
    reply(fd, "200 OK", text);
    free(text);
}

static void *serve(void *context)
{
    int fd = (int)(intptr_t)context;
    size_t room = 1 << 16, got = 0;
    char *buffer = malloc(room + 1);

    for (;;) {
        char *end, *declared;
        size_t head, length;
        ssize_t one = recv(fd, buffer + got, room - got, 0);

        if (one <= 0)
            break;
        got += (size_t)one;
        buffer[got] = '\0';
        end = strstr(buffer, "\r\n\r\n");
        if (!end)
            continue;
        head = (size_t)(end + 4 - buffer);
        declared = strcasestr(buffer, "\r\nContent-Length:");
        length = declared && declared < end ? strtoul(declared + 17, NULL, 10) : 0;
        if (head + length > room) {
            room = head + length;
            buffer = realloc(buffer, room + 1);
        }
        if (got < head + length)
            continue;
        answer(fd, buffer, buffer + head, length);
        got = 0;
    }
    close(fd);
    free(buffer);
    return NULL;
}

static void report(int signal_number)
{
    (void)signal_number;
    printf("{\"observations\": %ld, \"duplicates\": %ld, \"broken\": %ld, \"bundles\": %ld, "
           "\"seconds\": %.3f}\n",
           sink.observations, sink.duplicates, sink.broken, sink.bundles,
           (double)(sink.last_us - sink.first_us) / 1e6);
    fflush(stdout);
    _exit(0);
}

int main(int argc, char **argv)
{
    struct sockaddr_in address = {.sin_family = AF_INET, .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
    int listening = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0), on = 1;

    if (argc < 2)
        return 64;
    address.sin_port = htons((uint16_t)strtol(argv[1], NULL, 10));
    sink.seen = calloc(SLOTS, sizeof(*sink.seen));
    signal(SIGTERM, report);
    setsockopt(listening, SOL_SOCKET, SO_REUSEADDR, &on, sizeof(on));
    if (!sink.seen || bind(listening, (struct sockaddr *)&address, sizeof(address)) != 0 ||
        listen(listening, 16) != 0) {
        perror("sink");
        return 69;
    }
    puts("ready");
    fflush(stdout);
    for (;;) {
        int fd = accept(listening, NULL, NULL);
        pthread_t thread;

        if (fd >= 0 && pthread_create(&thread, NULL, serve, (void *)(intptr_t)fd) == 0)
            pthread_detach(thread);
    }
}
