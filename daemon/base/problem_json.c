/* problem_json.c - RFC 9457 problem details; `errors` is our extension, with RFC 6901 pointers into
 * what was sent. */
#include "wardpost/problem_json.h"

static void problem_one_out(struct json_out *out, const struct problem *problem)
{
    out_object(out);
    out_member(out, "pointer", problem->pointer);
    out_member(out, "code", problem_code_text(problem->code));
    out_member(out, "detail", problem->detail);
    if (problem->may_override)
        out_member_bool(out, "override", true);
    out_object_end(out);
}

void problems_out(struct json_out *out, const struct problems *problems)
{
    out_array(out);
    for (size_t i = 0; i < problems->count; i++)
        problem_one_out(out, &problems->items[i]);
    out_array_end(out);
}

void problem_members_out(struct json_out *out, int http_status, const char *title,
                         const char *detail, const struct problems *problems)
{
    out_member(out, "type", "about:blank");
    out_member(out, "title", title);
    out_member_integer(out, "status", http_status);
    out_member_if(out, "detail", detail);
    if (problems && problems->count > 0) {
        out_name(out, "errors");
        problems_out(out, problems);
        if (problems->dropped > 0)
            out_member_integer(out, "dropped", (int64_t)problems->dropped);
    }
}

void problem_out(struct json_out *out, int http_status, const char *title, const char *detail,
                 const struct problems *problems)
{
    out_object(out);
    problem_members_out(out, http_status, title, detail, problems);
    out_object_end(out);
}
