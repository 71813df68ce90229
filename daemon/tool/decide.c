/* decide.c - release and discard: a person decides, with a reason and a name. */
#include <stdio.h>
#include <sysexits.h>

#include "tool/tool_private.h"
#include "wardpost/json_out.h"

static int decide(struct tool *tool, const char *what)
{
    struct json_out body = JSON_OUT_INIT;
    struct answer answer;
    char path[160];
    int code;

    if (!tool->reason || !tool->by) {
        fprintf(stderr, "wardpost: say --reason TEXT and --by WHO\n");
        return EX_USAGE;
    }
    out_object(&body);
    out_member(&body, "reason", tool->reason);
    out_member(&body, "by", tool->by);
    out_object_end(&body);
    snprintf(path, sizeof(path), "/v1/readings/%.60s/%s", tool->argv[0], what);
    code = ask(tool, "POST", path, "application/json", json_out_text(&body), body.length, &answer);
    json_out_clear(&body);
    if (code == EX_OK && (code = answer_code(tool, &answer)) == EX_OK)
        print_answer(&answer);
    answer_clear(&answer);
    return code;
}

int command_release(struct tool *tool)
{
    return decide(tool, "release");
}

int command_discard(struct tool *tool)
{
    return decide(tool, "discard");
}
