/* send.c - post a file: a reading, a set, or (by its name's ending) NDJSON. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

#include "tool/tool_private.h"

static bool ends_with(const char *text, const char *end)
{
    size_t length = strlen(text), tail = strlen(end);

    return length >= tail && strcmp(text + length - tail, end) == 0;
}

int command_send(struct tool *tool)
{
    const char *type =
        ends_with(tool->argv[0], ".ndjson") ? "application/x-ndjson" : "application/json";
    struct answer answer;
    size_t length = 0;
    char *body = read_input(tool->argv[0], &length);
    int code;

    if (!body)
        return EX_NOINPUT;
    code = ask(tool, "POST", "/v1/readings", type, body, length, &answer);
    free(body);
    if (code == EX_OK && (code = answer_code(tool, &answer)) == EX_OK)
        print_answer(&answer);
    answer_clear(&answer);
    return code;
}
