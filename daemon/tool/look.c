/* look.c - status, list, show. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

#include "tool/tool_private.h"
#include "wardpost/json_in.h"

static const char *text_of(const json_t *object, const char *name)
{
    const json_t *value = json_object_get(object, name);

    if (digits_is(value))
        return digits_text(value);
    return text_is(value) ? json_string_value(value) : "";
}

static void print_status(const json_t *json)
{
    static const struct {
        const char *name, *says;
    } rows[] = {
        {"waiting",   "on disk, not in the chart yet"   },
        {"held",      "stopped, a person must decide"   },
        {"refusals",  "could not be taken, kept as sent"},
        {"charted",   "the server has it"               },
        {"discarded", "a person said so"                },
    };
    const json_t *destination = json_object_get(json, "destination");

    for (size_t i = 0; i < sizeof(rows) / sizeof(rows[0]); i++)
        printf("%-10s %10s   %s\n", rows[i].name, text_of(json, rows[i].name), rows[i].says);
    if (*text_of(json, "oldest-waiting"))
        printf("oldest waiting since %s\n", text_of(json, "oldest-waiting"));
    printf("server     %10s   %s%s%s\n", text_of(destination, "state"), text_of(destination, "way"),
           *text_of(destination, "why") ? ": " : "", text_of(destination, "why"));
}

int command_status(struct tool *tool)
{
    return converse(tool, "GET", "/v1/status", NULL, print_status);
}

/* Values stay on the screen of whoever asks for one reading; a list names none. */
static void print_list(const json_t *json)
{
    size_t index;
    json_t *row;

    json_array_foreach(json_object_get(json, "readings"), index, row)
        printf("%s  %-9s  %s  %-20s %s\n", text_of(row, "id"), text_of(row, "state"),
               text_of(row, "taken"), text_of(row, "kind"), text_of(row, "reason"));
    if (*text_of(json, "after"))
        printf("there are more; --json says how to go on\n");
}

static void print_refusals(const json_t *json)
{
    size_t index;
    json_t *row;

    json_array_foreach(json_object_get(json, "refusals"), index, row)
        printf("%6s  %s  from %s\n", text_of(row, "number"), text_of(row, "received"),
               text_of(row, "client"));
}

int command_list(struct tool *tool)
{
    struct json_out body = JSON_OUT_INIT;

    if (tool->state && strcmp(tool->state, "refused") == 0)
        return converse(tool, "GET", "/v1/refusals", NULL, print_refusals);
    out_object(&body);
    out_member_if(&body, "state", tool->state);
    out_member_if(&body, "kind", tool->kind);
    out_object_end(&body);
    return post_json(tool, "/v1/readings/_search", &body, print_list);
}

int command_show(struct tool *tool)
{
    char path[128];

    (void)snprintf(path, sizeof(path), "/v1/readings/%.60s", tool->argv[0]);
    return converse(tool, "GET", path, NULL, NULL);
}
