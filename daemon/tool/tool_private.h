/* tool_private.h - wardpost, the operator's tool: what its subcommands share. They use the HTTP
 * interface as anyone would. */
#ifndef WARDPOST_TOOL_PRIVATE_H
#define WARDPOST_TOOL_PRIVATE_H

#include <jansson.h>
#include <stdbool.h>
#include <stddef.h>

#include "wardpost/json_out.h"

struct tool {             /* what stands before the subcommand, and its arguments */
    const char *server;   /* base URL of the daemon */
    const char *token;    /* from WARDPOST_TOKEN or --token-file */
    const char *mappings; /* --mappings */
    const char *clients;  /* --clients */
    const char *users;    /* --users */
    bool json;            /* --json: for scripts */
    bool all;             /* --all */
    const char *reason, *by, *state, *kind, *may, *role, *display;
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

struct to_send { /* a request's body */
    const char *type, *text;
    size_t length;
};

typedef void print_json(const json_t *json);

/* One request (without a body: NULL) and its answer on standard output: by `print`, or as it came
 * where there is none and with --json. What is wrong, the problem document too, goes to standard
 * error. Returns the exit code. */
int converse(const struct tool *tool, const char *method, const char *path,
             const struct to_send *body, print_json *print);
/* The same for a POST of JSON; clears `body`. */
int post_json(const struct tool *tool, const char *path, struct json_out *body, print_json *print);

/* A file, or standard input for "-"; malloc'd. NULL: said on standard error. */
char *read_input(const char *path, size_t *length);

/* 0, or an exit code with what is wrong with the users file on standard error. */
int check_users(const char *path);

int command_check(struct tool *tool);
int command_device(struct tool *tool);
int command_discard(struct tool *tool);
int command_list(struct tool *tool);
int command_map(struct tool *tool);
int command_patients(struct tool *tool);
int command_release(struct tool *tool);
int command_send(struct tool *tool);
int command_show(struct tool *tool);
int command_status(struct tool *tool);
int command_user(struct tool *tool);

#endif
