/* load.c - a load generator for one machine: N keep-alive clients, each with one request in flight,
 * over HTTP to wardpostd or over RESP to Redis (XADD) with the same bytes of payload. One thread,
 * epoll; bounded in count and time. Prints one line of JSON.
 *
 *   load http|redis PORT CLIENTS REQUESTS SECONDS_MOST [TOKEN] */
#include <arpa/inet.h>
#include <errno.h>
#include <netinet/tcp.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/epoll.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

#define REQUEST_ROOM 2048
#define ANSWER_ROOM  16384
#define CLIENTS_MOST 256

struct client {
    int fd;
    char request[REQUEST_ROOM], answer[ANSWER_ROOM];
    size_t length, sent, got;
    int64_t begun_us;
};

struct load {
    bool redis;
    const char *token;
    long requests, begun, ended, failed;
    uint32_t *latencies_us;
    struct client clients[CLIENTS_MOST];
    int epoll;
};

static struct load load;

static int64_t now_us(void)
{
    struct timespec now;

    clock_gettime(CLOCK_MONOTONIC, &now);
    return (int64_t)now.tv_sec * 1000000 + now.tv_nsec / 1000;
}

/* One reading, as a device would post it; a thousand invented patients. */
static size_t payload(long number, char *out, size_t room)
{
    char taken[32];
    time_t now = time(NULL) - 5;
    struct tm utc;

    gmtime_r(&now, &utc);
    strftime(taken, sizeof(taken), "%Y-%m-%dT%H:%M:%SZ", &utc);
    return (size_t)snprintf(
        out, room,
        "{\"patient\":{\"identifier\":{\"system\":\"https://clinic.example/"
        "mrn\",\"value\":\"WP-%05ld\"},"
        "\"birthDate\":\"1951-03-14\",\"family\":\"Invented\"},\"taken\":\"%s\",\"kind\":\"heart-"
        "rate\","
        "\"value\":%ld,\"unit\":\"/"
        "min\",\"site\":\"radial-artery\",\"method\":\"palpation\",\"by\":\"N-17\"}",
        number % 1000 + 10000, taken, 62 + number % 30);
}

static void begin(struct client *client)
{
    char body[1024];
    size_t length = payload(load.begun++, body, sizeof(body));

    if (load.redis)
        client->length = (size_t)snprintf(
            client->request, REQUEST_ROOM,
            "*5\r\n$4\r\nXADD\r\n$8\r\nreadings\r\n$1\r\n*\r\n$1\r\nd\r\n$%zu\r\n%s\r\n", length,
            body);
    else
        client->length = (size_t)snprintf(
            client->request, REQUEST_ROOM,
            "POST /v1/readings HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: application/json\r\n"
            "%s%s%sContent-Length: %zu\r\n\r\n%s",
            load.token ? "Authorization: Bearer " : "", load.token ? load.token : "",
            load.token ? "\r\n" : "", length, body);
    client->sent = client->got = 0;
    client->begun_us = now_us();
}

static bool flush(struct client *client)
{
    ssize_t sent = send(client->fd, client->request + client->sent, client->length - client->sent,
                        MSG_NOSIGNAL);

    if (sent > 0)
        client->sent += (size_t)sent;
    return sent > 0 || errno == EAGAIN;
}

/* 1: whole and good; 0: more to come; -1: refused or broken. */
static int judge(struct client *client)
{
    const char *end, *declared;

    client->answer[client->got] = '\0';
    if (load.redis) {
        if (client->answer[0] != '$')
            return client->got > 0 ? -1 : 0;
        end = strstr(client->answer, "\r\n");
        return end && strstr(end + 2, "\r\n") ? 1 : 0;
    }
    end = strstr(client->answer, "\r\n\r\n");
    declared = end ? strcasestr(client->answer, "\r\nContent-Length:") : NULL;
    if (!declared ||
        client->got < (size_t)(end + 4 - client->answer) + strtoul(declared + 17, NULL, 10))
        return 0;
    return strncmp(client->answer + 9, "201", 3) == 0 ? 1 : -1;
}

static void ended(struct client *client, int verdict)
{
    if (verdict < 0 && load.failed++ == 0)
        fprintf(stderr, "refused: %.300s\n", client->answer);
    load.latencies_us[load.ended++] = (uint32_t)(now_us() - client->begun_us);
    if (load.begun >= load.requests)
        return;
    begin(client);
    flush(client);
}

static bool on_event(struct client *client)
{
    ssize_t got;
    int verdict;

    if (client->sent < client->length && !flush(client))
        return false;
    got = recv(client->fd, client->answer + client->got, ANSWER_ROOM - 1 - client->got, 0);
    if (got == 0 || (got < 0 && errno != EAGAIN))
        return false;
    if (got < 0)
        return true;
    client->got += (size_t)got;
    verdict = judge(client);
    if (verdict != 0)
        ended(client, verdict);
    return true;
}

static bool connect_all(long clients, uint16_t port)
{
    struct sockaddr_in address = {
        .sin_family = AF_INET, .sin_port = htons(port), .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
    int on = 1;

    for (long i = 0; i < clients; i++) {
        struct client *client = &load.clients[i];
        struct epoll_event event = {.events = EPOLLIN, .data.ptr = client};

        client->fd = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
        if (client->fd < 0 ||
            connect(client->fd, (struct sockaddr *)&address, sizeof(address)) != 0)
            return false;
        setsockopt(client->fd, IPPROTO_TCP, TCP_NODELAY, &on, sizeof(on));
        epoll_ctl(load.epoll, EPOLL_CTL_ADD, client->fd, &event);
    }
    return true;
}

static int by_size(const void *a, const void *b)
{
    uint32_t left = *(const uint32_t *)a, right = *(const uint32_t *)b;

    return (left > right) - (left < right);
}

static void run(long clients, int64_t until_us)
{
    struct epoll_event events[CLIENTS_MOST];

    for (long i = 0; i < clients && load.begun < load.requests; i++) {
        begin(&load.clients[i]);
        flush(&load.clients[i]);
    }
    while (load.ended < load.requests && now_us() < until_us) {
        int count = epoll_wait(load.epoll, events, CLIENTS_MOST, 1000);

        for (int i = 0; i < count; i++)
            if (!on_event(events[i].data.ptr)) {
                fprintf(stderr, "a connection broke after %ld answers\n", load.ended);
                return;
            }
    }
}

int main(int argc, char **argv)
{
    long clients = argc > 3 ? strtol(argv[3], NULL, 10) : 0;
    int64_t begun_us;
    double seconds;

    load.requests = argc > 4 ? strtol(argv[4], NULL, 10) : 0;
    if (argc < 6 || clients < 1 || clients > CLIENTS_MOST || load.requests < 1 ||
        load.requests > 10000000) {
        fprintf(stderr, "usage: load http|redis PORT CLIENTS REQUESTS SECONDS_MOST [TOKEN]\n");
        return 64;
    }
    load.redis = strcmp(argv[1], "redis") == 0;
    load.token = argc > 6 ? argv[6] : NULL;
    load.latencies_us = calloc((size_t)load.requests, sizeof(*load.latencies_us));
    load.epoll = epoll_create1(EPOLL_CLOEXEC);
    if (!load.latencies_us || !connect_all(clients, (uint16_t)strtol(argv[2], NULL, 10))) {
        perror("load");
        return 69;
    }
    begun_us = now_us();
    run(clients, begun_us + strtol(argv[5], NULL, 10) * 1000000);
    seconds = (double)(now_us() - begun_us) / 1e6;
    qsort(load.latencies_us, (size_t)load.ended, sizeof(*load.latencies_us), by_size);
    printf("{\"answers\": %ld, \"failed\": %ld, \"seconds\": %.3f, \"per-second\": %.0f, "
           "\"p50-us\": %u, \"p99-us\": %u}\n",
           load.ended, load.failed, seconds, (double)load.ended / seconds,
           load.ended ? load.latencies_us[load.ended / 2] : 0,
           load.ended ? load.latencies_us[load.ended * 99 / 100] : 0);
    return load.failed == 0 && load.ended == load.requests ? 0 : 1;
}
