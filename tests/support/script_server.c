/* script_server.c - see script_server.h. One connection after the other or several at once, a
 * thread each. */
#include <arpa/inet.h>
#include <netinet/tcp.h>
#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

#include "script_server.h"

#define CONNECTIONS_MOST 64
#define REQUEST_MOST     ((size_t)1 << 20)

struct script_server {
    int listening;
    pthread_t accepting, serving[CONNECTIONS_MOST];
    int fds[CONNECTIONS_MOST];
    size_t count;
    script_handler *handler;
    void *context;
    pthread_mutex_t lock;
    pthread_mutex_t one_by_one; /* the script sees one request at a time */
    bool stopping;
};

struct connection {
    struct script_server *server;
    int fd;
};

static void send_all(int fd, const char *bytes, size_t length)
{
    while (length > 0) {
        ssize_t sent = send(fd, bytes, length, MSG_NOSIGNAL);

        if (sent <= 0)
            return;
        bytes += sent;
        length -= (size_t)sent;
    }
}

static void wait_ms(unsigned ms)
{
    nanosleep(&(struct timespec){ms / 1000, (long)(ms % 1000) * 1000000}, NULL);
}

static bool is_held(struct script_server *server, const struct script_answer *given)
{
    bool held;

    if (!given->held)
        return false;
    pthread_mutex_lock(&server->one_by_one);
    held = given->held(server->context, given->number);
    pthread_mutex_unlock(&server->one_by_one);
    return held;
}

static bool answer(struct connection *connection, const char *request)
{
    struct script_answer *given = calloc(1, sizeof(*given));
    char head[1024];
    bool goes_on;

    given->status = 500;
    pthread_mutex_lock(&connection->server->one_by_one);
    connection->server->handler(connection->server->context, request, given);
    pthread_mutex_unlock(&connection->server->one_by_one);
    if (given->wait_ms > 0)
        wait_ms(given->wait_ms);
    while (is_held(connection->server, given))
        wait_ms(1);
    goes_on = !given->hang_up;
    if (goes_on) {
        snprintf(head, sizeof(head),
                 "HTTP/1.1 %d Scripted\r\nContent-Type: application/fhir+json\r\n%sContent-Length: "
                 "%zu\r\n\r\n",
                 given->status, given->headers, strlen(given->body));
        send_all(connection->fd, head, strlen(head));
        send_all(connection->fd, given->body, strlen(given->body));
    }
    free(given);
    return goes_on;
}

static size_t whole_length(const char *request)
{
    const char *end = strstr(request, "\r\n\r\n");
    const char *line = request;
    size_t body = 0;

    if (!end)
        return 0;
    while (line < end) {
        if (strncasecmp(line, "Content-Length:", 15) == 0)
            body = strtoul(line + 15, NULL, 10);
        line = strstr(line, "\r\n") + 2;
    }
    return (size_t)(end + 4 - request) + body;
}

static void *serve(void *context)
{
    struct connection *connection = context;
    char *request = calloc(1, REQUEST_MOST + 1);
    size_t got = 0, whole;

    for (;;) {
        ssize_t one = recv(connection->fd, request + got, REQUEST_MOST - got, 0);

        if (one <= 0)
            break;
        got += (size_t)one;
        request[got] = '\0';
        whole = whole_length(request);
        if (whole == 0 || got < whole)
            continue;
        if (!answer(connection, request))
            break;
        got = 0;
        request[0] = '\0';
    }
    shutdown(connection->fd, SHUT_RDWR);
    free(request);
    free(connection);
    return NULL;
}

static void *accept_all(void *context)
{
    struct script_server *server = context;
    int fd;

    while ((fd = accept(server->listening, NULL, NULL)) >= 0) {
        struct connection *connection = calloc(1, sizeof(*connection));

        /* head and body are two writes: the second would wait for the first to be acknowledged */
        setsockopt(fd, IPPROTO_TCP, TCP_NODELAY, &(int){1}, sizeof(int));
        *connection = (struct connection){server, fd};
        pthread_mutex_lock(&server->lock);
        if (server->stopping || server->count == CONNECTIONS_MOST ||
            pthread_create(&server->serving[server->count], NULL, serve, connection) != 0) {
            close(fd);
            free(connection);
        } else {
            server->fds[server->count++] = fd;
        }
        pthread_mutex_unlock(&server->lock);
    }
    return NULL;
}

struct script_server *script_server_start(script_handler *handler, void *context, uint16_t *port)
{
    struct script_server *server = calloc(1, sizeof(*server));
    struct sockaddr_in address = {.sin_family = AF_INET, .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
    socklen_t length = sizeof(address);

    server->handler = handler;
    server->context = context;
    pthread_mutex_init(&server->lock, NULL);
    pthread_mutex_init(&server->one_by_one, NULL);
    server->listening = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
    if (bind(server->listening, (struct sockaddr *)&address, length) != 0 ||
        listen(server->listening, 16) != 0 ||
        getsockname(server->listening, (struct sockaddr *)&address, &length) != 0)
        abort();
    *port = ntohs(address.sin_port);
    if (pthread_create(&server->accepting, NULL, accept_all, server) != 0)
        abort();
    return server;
}

void script_server_stop(struct script_server *server)
{
    pthread_mutex_lock(&server->lock);
    server->stopping = true;
    shutdown(server->listening, SHUT_RDWR);
    for (size_t i = 0; i < server->count; i++)
        shutdown(server->fds[i], SHUT_RDWR);
    pthread_mutex_unlock(&server->lock);
    pthread_join(server->accepting, NULL);
    for (size_t i = 0; i < server->count; i++) {
        pthread_join(server->serving[i], NULL);
        close(server->fds[i]);
    }
    close(server->listening);
    free(server);
}
