/* problem_json.h - RFC 9457 documents from lists of problems. Any thread; writes to the caller's json_out. */
#ifndef WARDPOST_PROBLEM_JSON_H
#define WARDPOST_PROBLEM_JSON_H

#include "wardpost/json_out.h"
#include "wardpost/problem.h"

/* `problems` may be NULL: no `errors` then. */
void problem_out(struct json_out *out, int http_status, const char *title, const char *detail,
                 const struct problems *problems);
/* Its members, for an object that has more. */
void problem_members_out(struct json_out *out, int http_status, const char *title, const char *detail,
                         const struct problems *problems);
/* The list of `errors`. */
void problems_out(struct json_out *out, const struct problems *problems);

#endif
