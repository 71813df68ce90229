/* send.c - post a file: a reading, a set, or (by its name's ending) NDJSON; patients. */
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

static int post_file(struct tool *tool, const char *path, const char *type, print_json *print)
{
    struct to_send body = {.type = type};
    char *text = read_input(tool->argv[0], &body.length);
    int code;

    if (!text)
        return EX_NOINPUT;
    body.text = text;
    code = converse(tool, "POST", path, &body, print);
    free(text);
    return code;
}

int command_send(struct tool *tool)
{
    return post_file(
        tool, "/v1/readings",
        ends_with(tool->argv[0], ".ndjson") ? "application/x-ndjson" : "application/json", NULL);
}

int command_patients(struct tool *tool)
{
    return post_file(tool, "/v1/patients",
                     ends_with(tool->argv[0], ".csv") ? "text/csv" : "application/x-ndjson", NULL);
}
