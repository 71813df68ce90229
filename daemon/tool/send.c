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
    struct to_send body = {.type = ends_with(tool->argv[0], ".ndjson") ? "application/x-ndjson"
                                                                       : "application/json"};
    char *text = read_input(tool->argv[0], &body.length);
    int code;

    if (!text)
        return EX_NOINPUT;
    body.text = text;
    code = converse(tool, "POST", "/v1/readings", &body, NULL);
    free(text);
    return code;
}
