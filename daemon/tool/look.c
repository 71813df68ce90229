/* look.c - status, list, show. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

#include "tool/tool_private.h"
#include "wardpost/json_in.h"
#include "wardpost/json_out.h"

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
    struct answer answer;
    int code = ask(tool, "GET", "/v1/status", NULL, NULL, 0, &answer);

    if (code == EX_OK && (code = answer_code(tool, &answer)) == EX_OK) {
        if (tool->json || !answer.json)
            print_answer(&answer);
        else
            print_status(answer.json);
    }
    answer_clear(&answer);
    return code;
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

static int list_refusals(struct tool *tool)
{
    struct answer answer;
    size_t index;
    json_t *row;
    int code = ask(tool, "GET", "/v1/refusals", NULL, NULL, 0, &answer);

    if (code == EX_OK && (code = answer_code(tool, &answer)) == EX_OK) {
        if (tool->json || !answer.json)
            print_answer(&answer);
        else
            json_array_foreach(json_object_get(answer.json, "refusals"), index, row)
                printf("%6s  %s  from %s\n", text_of(row, "number"), text_of(row, "received"),
                       text_of(row, "client"));
    }
    answer_clear(&answer);
    return code;
}

int command_list(struct tool *tool)
{
    struct json_out body = JSON_OUT_INIT;
    struct answer answer;
    int code;

    if (tool->state && strcmp(tool->state, "refused") == 0)
        return list_refusals(tool);
    out_object(&body);
    out_member_if(&body, "state", tool->state);
    out_member_if(&body, "kind", tool->kind);
    out_object_end(&body);
    code = ask(tool, "POST", "/v1/readings/_search", "application/json", json_out_text(&body),
               body.length, &answer);
    json_out_clear(&body);
    if (code == EX_OK && (code = answer_code(tool, &answer)) == EX_OK) {
        if (tool->json || !answer.json)
            print_answer(&answer);
        else
            print_list(answer.json);
    }
    answer_clear(&answer);
    return code;
}

int command_show(struct tool *tool)
{
    struct answer answer;
    char path[128];
    int code;

    snprintf(path, sizeof(path), "/v1/readings/%.60s", tool->argv[0]);
    code = ask(tool, "GET", path, NULL, NULL, 0, &answer);
    if (code == EX_OK && (code = answer_code(tool, &answer)) == EX_OK)
        print_answer(&answer);
    answer_clear(&answer);
    return code;
}
