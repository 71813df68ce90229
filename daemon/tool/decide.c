/* decide.c - release and discard: a person decides, with a reason and a name. */
#include <stdio.h>
#include <sysexits.h>

#include "tool/tool_private.h"

static int decide(struct tool *tool, const char *what)
{
    struct json_out body = JSON_OUT_INIT;
    char path[160];

    if (!tool->reason || !tool->by) {
        (void)fprintf(stderr, "wardpost: say --reason TEXT and --by WHO\n");
        return EX_USAGE;
    }
    out_object(&body);
    out_member(&body, "reason", tool->reason);
    out_member(&body, "by", tool->by);
    out_object_end(&body);
    (void)snprintf(path, sizeof(path), "/v1/readings/%.60s/%s", tool->argv[0], what);
    return post_json(tool, path, &body, NULL);
}

int command_release(struct tool *tool)
{
    return decide(tool, "release");
}

int command_discard(struct tool *tool)
{
    return decide(tool, "discard");
}
