/* ask.c - one HTTP request to the daemon, and its answer for people or scripts. */
#include <curl/curl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

#include "tool/tool_private.h"
#include "wardpost/json_in.h"

char *read_input(const char *path, size_t *length)
{
    FILE *file = strcmp(path, "-") == 0 ? stdin : fopen(path, "r");
    size_t room = 0, used = 0, got = 0;
    char *bytes = NULL;
    bool whole = false;

    if (!file) {
        (void)fprintf(stderr, "wardpost: %s cannot be read\n", path);
        return NULL;
    }
    do {
        char *more = used + 65536 > room ? realloc(bytes, room = (room + 65536) * 2) : bytes;

        if (!more)
            break;
        bytes = more;
        got = fread(bytes + used, 1, room - used - 1, file);
        used += got;
        whole = got == 0 && !ferror(file);
    } while (got > 0);
    if (file != stdin)
        (void)fclose(file);
    if (!whole) { /* half of it is worse than nothing */
        (void)fprintf(stderr, "wardpost: %s cannot be read\n", path);
        free(bytes);
        return NULL;
    }
    *length = used;
    return bytes;
}

struct answer {
    long status;
    char *text;
    size_t length;
    json_t *json; /* parsed, NULL when it is none */
};

static size_t on_body(char *bytes, size_t one, size_t count, void *context)
{
    struct answer *answer = context;
    char *more = realloc(answer->text, answer->length + one * count + 1);

    if (!more)
        return 0;
    answer->text = more;
    memcpy(answer->text + answer->length, bytes, one * count);
    answer->length += one * count;
    answer->text[answer->length] = '\0';
    return one * count;
}

static struct curl_slist *headers_of(const struct tool *tool, const char *type)
{
    struct curl_slist *headers = NULL, *more;
    char line[400];

    if (type) {
        (void)snprintf(line, sizeof(line), "Content-Type: %s", type);
        headers = curl_slist_append(headers, line);
    }
    if (tool->token) {
        (void)snprintf(line, sizeof(line), "Authorization: Bearer %s", tool->token);
        more = curl_slist_append(headers, line);
        headers = more ? more : headers;
    }
    return headers;
}

static void read_json(struct answer *answer)
{
    struct json_fault fault;

    if (answer->text && json_in(answer->text, answer->length, &answer->json, &fault) != STATUS_OK)
        answer->json = NULL;
}

static int ask(const struct tool *tool, const char *method, const char *path,
               const struct to_send *body, struct answer *out)
{
    CURL *easy = curl_easy_init();
    struct curl_slist *headers = headers_of(tool, body ? body->type : NULL);
    char url[1024];
    CURLcode code;

    *out = (struct answer){0};
    if (!easy)
        return EX_OSERR;
    (void)snprintf(url, sizeof(url), "%s%s", tool->server, path);
    curl_easy_setopt(easy, CURLOPT_URL, url);
    curl_easy_setopt(easy, CURLOPT_PROTOCOLS_STR, "http,https");
    curl_easy_setopt(easy, CURLOPT_HTTPHEADER, headers);
    curl_easy_setopt(easy, CURLOPT_WRITEFUNCTION, on_body);
    curl_easy_setopt(easy, CURLOPT_WRITEDATA, out);
    curl_easy_setopt(easy, CURLOPT_TIMEOUT, 120L);
    if (body) {
        curl_easy_setopt(easy, CURLOPT_POSTFIELDSIZE_LARGE, (curl_off_t)body->length);
        curl_easy_setopt(easy, CURLOPT_POSTFIELDS, body->text);
    }
    curl_easy_setopt(easy, CURLOPT_CUSTOMREQUEST, method);
    code = curl_easy_perform(easy);
    curl_easy_getinfo(easy, CURLINFO_RESPONSE_CODE, &out->status);
    curl_slist_free_all(headers);
    curl_easy_cleanup(easy);
    if (code != CURLE_OK) {
        (void)fprintf(stderr, "wardpost: the daemon cannot be reached: %s\n",
                      curl_easy_strerror(code));
        return EX_UNAVAILABLE;
    }
    read_json(out);
    return EX_OK;
}

static void answer_clear(struct answer *answer)
{
    free(answer->text);
    json_decref(answer->json);
    *answer = (struct answer){0};
}

static void print_answer(const struct answer *answer)
{
    if (answer->length == 0)
        return;
    (void)fwrite(answer->text, 1, answer->length, stdout);
    if (answer->text[answer->length - 1] != '\n')
        putchar('\n');
}

/* What a status means to a script (sysexits.h). */
static const struct {
    long from, to;
    int code;
} codes[] = {
    {200, 299, EX_OK         },
    {400, 400, EX_DATAERR    },
    {401, 403, EX_NOPERM     },
    {404, 404, EX_NOINPUT    },
    {409, 409, EX_DATAERR    },
    {413, 422, EX_DATAERR    },
    {503, 507, EX_TEMPFAIL   },
    {0,   999, EX_UNAVAILABLE},
};

static int answer_code(const struct answer *answer)
{
    size_t i = 0;

    while (i + 1 < sizeof(codes) / sizeof(codes[0]) &&
           (answer->status < codes[i].from || answer->status > codes[i].to))
        i++;
    if (codes[i].code != EX_OK && answer->length > 0) {
        (void)fwrite(answer->text, 1, answer->length, stderr);
        (void)fputc('\n', stderr);
    }
    return codes[i].code;
}

int converse(const struct tool *tool, const char *method, const char *path,
             const struct to_send *body, print_json *print)
{
    struct answer answer;
    int code = ask(tool, method, path, body, &answer);

    if (code == EX_OK)
        code = answer_code(&answer);
    if (code == EX_OK && print && !tool->json && answer.json)
        print(answer.json);
    else if (code == EX_OK)
        print_answer(&answer);
    answer_clear(&answer);
    return code;
}

int post_json(const struct tool *tool, const char *path, struct json_out *body, print_json *print)
{
    struct to_send send = {"application/json", json_out_text(body), body->length};
    int code = EX_OSERR;

    if (send.text)
        code = converse(tool, "POST", path, &send, print);
    else
        (void)fprintf(stderr, "wardpost: out of memory\n");
    json_out_clear(body);
    return code;
}
