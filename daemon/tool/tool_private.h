/* tool_private.h - wardpost, the operator's tool: what its subcommands share. They use the HTTP
 * interface as anyone would. */
#ifndef WARDPOST_TOOL_PRIVATE_H
#define WARDPOST_TOOL_PRIVATE_H

#include <jansson.h>
#include <stdbool.h>
#include <stddef.h>

struct tool {             /* what stands before the subcommand, and its arguments */
    const char *server;   /* base URL of the daemon */
    const char *token;    /* from WARDPOST_TOKEN or --token-file */
    const char *mappings; /* --mappings */
    const char *clients;  /* --clients */
    bool json;            /* --json: for scripts */
    bool all;             /* --all */
    const char *reason, *by, *state, *kind, *may;
    const char *practitioners[16];
    int practitioners_count;
    bool attended;
    int argc; /* of the subcommand, without its name */
    char **argv;
    char token_room[256];
};

struct command {
    const char *name, *arguments, *about;
    int least, most;               /* arguments */
    int (*run)(struct tool *tool); /* exit code */
};

extern const struct command command_table[];
extern const int command_count;

struct answer {
    long status; /* 0: the daemon cannot be reached */
    char *text;
    size_t length;
    json_t *json; /* parsed, NULL when it is none */
};

/* One request. Says on standard error what is wrong; returns an exit code (EX_OK with an answer of
 * any status). */
int ask(struct tool *tool, const char *method, const char *path, const char *type, const char *body,
        size_t length, struct answer *out);
void answer_clear(struct answer *answer);
/* EX_OK for 2xx; otherwise prints the problem document and says the exit code. */
int answer_code(const struct tool *tool, const struct answer *answer);
void print_answer(const struct answer *answer); /* as it came, with a line end */

/* A file, or standard input for "-"; malloc'd. NULL: said on standard error. */
char *read_input(const char *path, size_t *length);

int command_check(struct tool *tool);
int command_device(struct tool *tool);
int command_discard(struct tool *tool);
int command_list(struct tool *tool);
int command_map(struct tool *tool);
int command_release(struct tool *tool);
int command_send(struct tool *tool);
int command_show(struct tool *tool);
int command_status(struct tool *tool);

#endif
