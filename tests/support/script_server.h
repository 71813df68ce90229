/* script_server.h - the far end as a script: a tiny HTTP server on loopback that hands each request
 * to a function of the test's, in order. */
#ifndef WARDPOST_TESTS_SCRIPT_SERVER_H
#define WARDPOST_TESTS_SCRIPT_SERVER_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct script_server;

struct script_answer {
    bool hang_up;     /* no answer: the connection is closed */
    unsigned wait_ms; /* before answering */
    /* Then asked every millisecond, with `number`, until it says no; NULL: not asked. Never at the
     * same time as the handler. */
    bool (*held)(void *context, size_t number);
    size_t number;
    int status;
    char headers[512]; /* each with CRLF */
    char body[65536];
};

/* `request` is the whole request, NUL-terminated. On the server's thread. */
typedef void script_handler(void *context, const char *request, struct script_answer *answer);

struct script_server *script_server_start(script_handler *handler, void *context, uint16_t *port);
void script_server_stop(struct script_server *server);

#endif
