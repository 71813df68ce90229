/* reply.c - what goes back: JSON, text, or an RFC 9457 problem. */
#include <stdlib.h>
#include <string.h>

#include "intake/exchange.h"
#include "wardpost/metrics.h"
#include "wardpost/problem_json.h"

const char authenticate_text[] = "Bearer realm=\"wardpost\"";

/* When not even an error can be written any more: no allocation. */
static char no_memory_text[] = "{\"title\":\"out of memory\",\"status\":503}";

void reply_text(struct exchange *exchange, unsigned status, const char *type, char *text,
                size_t length)
{
    struct reply *reply = &exchange->reply;

    if (!text) {
        text = no_memory_text;
        length = sizeof(no_memory_text) - 1;
        status = MHD_HTTP_SERVICE_UNAVAILABLE;
        type = "application/problem+json";
        reply->retry_after = 1;
    }
    reply_clear(reply);
    reply->status = status;
    reply->type = type;
    reply->text = text;
    reply->length = length;
    exchange->answered = true;
}

void reply_answer(struct exchange *exchange, unsigned status)
{
    struct json_out *answer = &exchange->submission->answer;

    reply_text(exchange, status, "application/json", answer->text, answer->length);
    exchange->reply.borrowed = answer->text != NULL;
}

void reply_borrowed(struct exchange *exchange, unsigned status, const char *type, const void *bytes,
                    size_t length)
{
    union {
        const void *lasting;
        char *text;
    } read_only = {.lasting = bytes}; /* libmicrohttpd's buffers are not const; it only reads */

    reply_text(exchange, status, type, read_only.text, length);
    exchange->reply.borrowed = true;
}

void reply_json(struct exchange *exchange, unsigned status, struct json_out *out)
{
    size_t length = 0;
    char *text = json_out_take(out, &length);

    reply_text(exchange, status, "application/json", text, length);
}

void reply_problem(struct exchange *exchange, unsigned status, const char *title,
                   const char *detail, const struct problems *problems)
{
    struct json_out out = JSON_OUT_INIT;
    size_t length = 0;
    char *text;

    problem_out(&out, (int)status, title, detail, problems);
    text = json_out_take(&out, &length);
    reply_text(exchange, status, "application/problem+json", text, length);
}

static void person_out(const struct user *person, struct json_out *out)
{
    out_name(out, "person");
    out_object(out);
    out_member(out, "name", person->name);
    out_member(out, "display", person->display);
    out_object_end(out);
}

void reply_denial(struct exchange *exchange, const struct denial *denial, const struct user *person)
{
    struct json_out out = JSON_OUT_INIT;

    if (denial->status == MHD_HTTP_UNAUTHORIZED) /* it has to be there (RFC 9110 11.6.1) */
        exchange->reply.authenticate = authenticate_text;
    metric_add(METRIC_REQUESTS_DENIED, 1);
    out_object(&out);
    problem_members_out(&out, (int)denial->status, denial->title, denial->detail, NULL);
    out_member(&out, "reason", denial->reason);
    if (person)
        person_out(person, &out);
    out_object_end(&out);
    reply_json(exchange, denial->status, &out);
    exchange->reply.type = "application/problem+json";
}

void reply_empty(struct exchange *exchange)
{
    static char nothing[1];

    reply_text(exchange, MHD_HTTP_NO_CONTENT, NULL, nothing, 0);
    exchange->reply.borrowed = true;
}

void reply_made(struct exchange *exchange, unsigned status, const char *type,
                struct MHD_Response *made)
{
    struct reply *reply = &exchange->reply;

    reply_clear(reply);
    reply->status = status;
    reply->type = type;
    reply->made = made;
    exchange->answered = true;
}

void reply_clear(struct reply *reply)
{
    if (reply->made)
        MHD_destroy_response(reply->made);
    reply->made = NULL;
    if (reply->text != no_memory_text && !reply->borrowed)
        free(reply->text);
    reply->text = NULL;
    reply->borrowed = false;
}

struct MHD_Response *reply_response(struct reply *reply)
{
    bool owned = reply->text != no_memory_text && !reply->borrowed;
    struct MHD_Response *response = reply->made;

    if (response) {
        reply->made = NULL;
        return response;
    }
    response = MHD_create_response_from_buffer(
        reply->length, reply->text, owned ? MHD_RESPMEM_MUST_FREE : MHD_RESPMEM_PERSISTENT);

    if (response && owned)
        reply->text = NULL;
    return response;
}

static const struct {
    enum status status;
    unsigned http;
    unsigned retry_after;
    const char *title, *detail;
} troubles[] = {
    {STATUS_NO_MEMORY, 503, 1,  "out of memory",    "Nothing was kept; send it again."},
    {STATUS_DISK_FULL, 507, 30, "the disk is full",
     "Nothing was kept. Tell IT; chart on paper meanwhile."                           },
    {STATUS_BUSY,      503, 1,  "busy",             "Nothing was kept; send it again."},
    {STATUS_NOT_FOUND, 404, 0,  "not found",        "There is no such thing here."    },
    {STATUS_CONFLICT,  409, 0,  "conflict",         "Its state does not allow that."  },
    {STATUS_OK,        500, 0,  "trouble of ours",
     "Nothing was kept; the log says more."                                           }, /* last: all others */
};

void reply_status(struct exchange *exchange, enum status status)
{
    size_t i = 0;

    while (troubles[i].status != status && troubles[i].status != STATUS_OK)
        i++;
    exchange->reply.retry_after = troubles[i].retry_after;
    reply_problem(exchange, troubles[i].http, troubles[i].title, troubles[i].detail, NULL);
}
