/* test_scenarios.c - the real courier and the real outbox against a scripted far end:
 * tests/scenarios/?.scn, which someone who knows FHIR and no C can read. */

/* clang-format off */
/* The words of a scenario:
 *
 *   with WORD...                      settings: no-bundles, bundles, tries=N,
 *                                     way=update-as-create|conditional-create|search-first
 *   reading NAME of PATIENT           put into the outbox, in this order
 *   METHOD PATH [has TEXT]... -> ANSWER   the far end expects this request next, and answers so;
 *                                     {NAME} stands for a reading's UUID
 *   NAME is STATE [because TEXT]      how it must end
 *   destination STATE                 up, away or paused, at the end
 *
 * ANSWER: statement WORD...  ·  NNN [retry-after N] [location NAME] [outcome CODE]  ·  found
 * NAME...  ·  entries NNN...  ·  hang up  ·  text ... */
/* clang-format on */
#include <dirent.h>
#include <pthread.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#include <cmocka.h>

#include "script_server.h"
#include "wardpost/courier.h"
#include "wardpost/log.h"
#include "wardpost/moment.h"

#define LINES_MOST 64
#define NAMES_MOST 16

struct expected { /* one request of the script */
    char method[8], path[400];
    char has[4][200];
    size_t has_count;
    char answer[400];
};

struct named {
    char name[16], patient[32];
    struct uuid id;
};

struct ending {
    char name[16], state[16], because[120];
};

struct scenario {
    char file[300];
    struct named names[NAMES_MOST];
    size_t names_count;
    struct expected script[LINES_MOST];
    size_t script_count, next;
    struct ending endings[NAMES_MOST];
    size_t endings_count;
    char destination[16];
    struct courier_options options;
    char fault[800]; /* what went otherwise than the script says; "" : nothing */
    pthread_mutex_t lock;
};

/* ---- reading a scenario ---- */

static const struct named *find_name(const struct scenario *scenario, const char *name)
{
    for (size_t i = 0; i < scenario->names_count; i++)
        if (strcmp(scenario->names[i].name, name) == 0)
            return &scenario->names[i];
    fail_msg("%s: nobody is called %s", scenario->file, name);
    return NULL;
}

/* {r1} becomes its UUID. */
static void expand(const struct scenario *scenario, const char *text, char *out, size_t room)
{
    size_t used = 0;

    while (*text && used + 40 < room) {
        char name[16];
        size_t length = *text == '{' ? strcspn(text + 1, "}") : 0;

        if (length == 0 || length >= sizeof(name) || text[1 + length] != '}' || text[1] != 'r') {
            out[used++] = *text++;
            continue;
        }
        memcpy(name, text + 1, length);
        name[length] = '\0';
        uuid_text(&find_name(scenario, name)->id, out + used);
        used += 36;
        text += length + 2;
    }
    out[used] = '\0';
}

static void take_settings(struct scenario *scenario, char *words)
{
    for (char *word = strtok_r(words, " ", &words); word; word = strtok_r(NULL, " ", &words)) {
        if (strcmp(word, "no-bundles") == 0)
            scenario->options.batch_most = 1;
        else if (strcmp(word, "way=update-as-create") == 0)
            scenario->options.way = WAY_UPDATE_AS_CREATE;
        else if (strcmp(word, "way=conditional-create") == 0)
            scenario->options.way = WAY_CONDITIONAL_CREATE;
        else if (strcmp(word, "way=search-first") == 0)
            scenario->options.way = WAY_SEARCH_FIRST;
        else if (strncmp(word, "tries=", 6) == 0)
            scenario->options.server_error_tries = (unsigned)strtoul(word + 6, NULL, 10);
        else
            fail_msg("%s: no such setting: %s", scenario->file, word);
    }
}

static void take_reading(struct scenario *scenario, const char *line)
{
    struct named *named = &scenario->names[scenario->names_count++];

    assert_int_equal(sscanf(line, "reading %15s of %31s", named->name, named->patient), 2);
    uuid_random(&named->id);
}

static void take_ending(struct scenario *scenario, const char *line)
{
    struct ending *ending = &scenario->endings[scenario->endings_count++];
    const char *because = strstr(line, " because ");

    assert_int_equal(sscanf(line, "%15s is %15s", ending->name, ending->state), 2);
    if (because)
        snprintf(ending->because, sizeof(ending->because), "%s", because + 9);
}

static void take_request(struct scenario *scenario, char *line)
{
    struct expected *expected = &scenario->script[scenario->script_count++];
    char *answer = strstr(line, " -> "), *has;

    assert_non_null(answer);
    *answer = '\0';
    expand(scenario, answer + 4, expected->answer, sizeof(expected->answer));
    for (has = strstr(line, " has "); has; has = strstr(has + 1, " has ")) {
        char text[200];
        const char *end = strstr(has + 5, " has ");

        snprintf(text, sizeof(text), "%.*s", (int)(end ? end - (has + 5) : (long)strlen(has + 5)),
                 has + 5);
        expand(scenario, text, expected->has[expected->has_count++], 200);
    }
    has = strstr(line, " has ");
    if (has)
        *has = '\0';
    assert_true(strlen(line) < 300);
    snprintf(expected->method, sizeof(expected->method), "%.*s", (int)strcspn(line, " "), line);
    expand(scenario, line + strcspn(line, " ") + 1, expected->path, sizeof(expected->path));
}

static void take_line(struct scenario *scenario, char *line)
{
    line[strcspn(line, "\n")] = '\0';
    if (line[0] == '\0' || line[0] == '#')
        return;
    if (strncmp(line, "with ", 5) == 0)
        take_settings(scenario, line + 5);
    else if (strncmp(line, "reading ", 8) == 0)
        take_reading(scenario, line);
    else if (strncmp(line, "destination ", 12) == 0)
        snprintf(scenario->destination, sizeof(scenario->destination), "%.15s", line + 12);
    else if (strstr(line, " -> "))
        take_request(scenario, line);
    else if (strstr(line, " is "))
        take_ending(scenario, line);
    else
        fail_msg("%s: what is '%s'?", scenario->file, line);
}

static void read_scenario(const char *path, struct scenario *scenario)
{
    FILE *file = fopen(path, "r");
    char line[1000];

    assert_non_null(file);
    snprintf(scenario->file, sizeof(scenario->file), "%s", strrchr(path, '/') + 1);
    /* one transfer at a time: a script has an order */
    scenario->options = (struct courier_options){.batch_most = 10,
                                                 .transfers_most = 1,
                                                 .request_timeout_ms = 150,
                                                 .connect_timeout_ms = 1000,
                                                 .retry_first_ms = 5,
                                                 .retry_most_ms = 40,
                                                 .server_error_tries = 3};
    while (fgets(line, sizeof(line), file))
        take_line(scenario, line);
    fclose(file);
}

/* ---- the far end ---- */

static void answer_statement(const char *words, struct script_answer *answer)
{
    bool batch = strstr(words, "batch"), update = strstr(words, "updateCreate"),
         conditional = strstr(words, "conditionalCreate");
    const char *version = strstr(words, "version=");

    answer->status = 200;
    snprintf(answer->body, sizeof(answer->body),
             "{\"resourceType\":\"CapabilityStatement\",\"fhirVersion\":\"%.5s\",\"format\":["
             "\"json\"],\"rest\":[{\"mode\":\"server\",\"interaction\":["
             "%s],\"resource\":[{\"type\":\"Observation\",\"interaction\":[{\"code\":\"create\"},{"
             "\"code\":\"update\"},{\"code\":\"search-type\"}],"
             "\"updateCreate\":%s,\"conditionalCreate\":%s,\"searchParam\":[{\"name\":"
             "\"identifier\"}]}]}]}",
             version ? version + 8 : "4.0.1", batch ? "{\"code\":\"batch\"}" : "",
             update ? "true" : "false", conditional ? "true" : "false");
}

static void answer_found(const char *words, struct script_answer *answer)
{
    size_t used = (size_t)sprintf(
        answer->body, "{\"resourceType\":\"Bundle\",\"type\":\"searchset\",\"entry\":[");
    bool first = true;
    int number = 100;

    answer->status = 200;
    char id[64];
    int length = 0;

    while (sscanf(words, " %63s%n", id, &length) == 1) {
        words += length;
        if (strcmp(id, "none") == 0)
            continue;
        used += (size_t)sprintf(answer->body + used,
                                "%s{\"resource\":{\"resourceType\":\"Observation\",\"id\":\"%d\","
                                "\"meta\":{\"versionId\":\"7\"},\"identifier\":[{\"system\":"
                                "\"urn:ietf:rfc:3986\",\"value\":\"urn:uuid:%s\"}]}}",
                                first ? "" : ",", number++, id);
        first = false;
    }
    sprintf(answer->body + used, "]}");
}

static void answer_entries(const char *words, struct script_answer *answer)
{
    size_t used = (size_t)sprintf(
        answer->body, "{\"resourceType\":\"Bundle\",\"type\":\"batch-response\",\"entry\":[");
    bool first = true;
    int status, length;

    answer->status = 200;
    while (sscanf(words, " %d%n", &status, &length) == 1) {
        words += length;
        used += (size_t)sprintf(answer->body + used, "%s{\"response\":{\"status\":\"%d Said\"%s}}",
                                first ? "" : ",", status,
                                status == 201 ? ",\"location\":\"Observation/9/_history/1\"" : "");
        first = false;
    }
    sprintf(answer->body + used, "]}");
}

static void answer_status(const char *words, struct script_answer *answer)
{
    const char *retry = strstr(words, "retry-after "), *location = strstr(words, "location "),
               *outcome = strstr(words, "outcome ");

    answer->status = (int)strtol(words, NULL, 10);
    if (retry)
        sprintf(answer->headers, "Retry-After: %ld\r\n", strtol(retry + 12, NULL, 10));
    if (location)
        sprintf(answer->headers + strlen(answer->headers),
                "Location: http://far.example/r4/Observation/%ld/_history/1\r\n",
                strtol(location + 9, NULL, 10));
    if (outcome)
        sprintf(answer->body,
                "{\"resourceType\":\"OperationOutcome\",\"issue\":[{\"severity\":\"error\","
                "\"code\":\"%.30s\",\"diagnostics\":\"said so\"}]}",
                outcome + 8);
}

static void give_answer(const char *words, struct script_answer *answer)
{
    if (strcmp(words, "hang up") == 0)
        answer->hang_up = true;
    else if (strncmp(words, "statement", 9) == 0)
        answer_statement(words + 9, answer);
    else if (strncmp(words, "found", 5) == 0)
        answer_found(words + 5, answer);
    else if (strncmp(words, "entries", 7) == 0)
        answer_entries(words + 7, answer);
    else if (strncmp(words, "text ", 5) == 0) {
        answer->status = 200;
        sprintf(answer->body, "%s", words + 5);
    } else if (strncmp(words, "late ", 5) == 0) {
        answer->wait_ms = 400;
        answer_status(words + 5, answer);
    } else {
        answer_status(words, answer);
    }
}

static bool fits(const struct expected *expected, const char *request)
{
    size_t method = strlen(expected->method), path = strlen(expected->path);

    if (strncmp(request, expected->method, method) != 0 ||
        strncmp(request + method + 1, expected->path, path) != 0)
        return false;
    for (size_t i = 0; i < expected->has_count; i++)
        if (!strstr(request, expected->has[i]))
            return false;
    return true;
}

static void on_request(void *context, const char *request, struct script_answer *answer)
{
    struct scenario *scenario = context;
    const struct expected *expected;

    pthread_mutex_lock(&scenario->lock);
    expected = scenario->next < scenario->script_count ? &scenario->script[scenario->next] : NULL;
    if (expected && fits(expected, request)) {
        scenario->next++;
        give_answer(expected->answer, answer);
    } else {
        answer->status = 503;
        if (!scenario->fault[0])
            snprintf(scenario->fault, sizeof(scenario->fault), "expected %s %s, got %.300s",
                     expected ? expected->method : "nothing", expected ? expected->path : "more",
                     request);
    }
    pthread_mutex_unlock(&scenario->lock);
}

/* ---- running it ---- */

static void on_disk(struct put *put)
{
    atomic_store((atomic_int *)put->context, (int)put->status);
}

static void put_reading(struct outbox *outbox, const struct named *named)
{
    atomic_int status = (int)STATUS_BUSY;
    char became[400], id[UUID_TEXT_ROOM];
    struct put_entry entry = {.id = named->id,
                              .reading = 0,
                              .role = "main",
                              .kind = "invented",
                              .taken_ms = clock_wall_ms(),
                              .sent = "{}",
                              .sent_length = 2,
                              .values = "{}",
                              .values_length = 2};
    struct put put = {.set = named->id,
                      .patient = named->patient,
                      .client = "scenario",
                      .table_version = "0",
                      .accepted_ms = clock_wall_ms(),
                      .entries = &entry,
                      .count = 1,
                      .done = on_disk,
                      .context = &status};

    uuid_text(&named->id, id);
    snprintf(became, sizeof(became),
             "{\"resourceType\":\"Observation\",\"id\":\"%s\",\"identifier\":[{\"system\":\"urn:"
             "ietf:rfc:3986\",\"value\":\"urn:uuid:%s\"}]}",
             id, id);
    entry.became = became;
    entry.became_length = strlen(became);
    outbox_put(outbox, &put);
    while (atomic_load(&status) == (int)STATUS_BUSY)
        nanosleep(&(struct timespec){.tv_nsec = 100000}, NULL);
    assert_int_equal(atomic_load(&status), STATUS_OK);
}

struct state {
    char state[16], reason[160];
};

static bool state_seen(void *context, const struct outbox_row *row)
{
    struct state *state = context;

    snprintf(state->state, sizeof(state->state), "%s", entry_state_text(row->state));
    snprintf(state->reason, sizeof(state->reason), "%s", row->reason ? row->reason : "");
    return false;
}

static bool has_ended(struct scenario *scenario, struct outbox_reader *reader,
                      struct courier *courier, char why[600])
{
    static const char *const destinations[] = {"none", "starting", "up", "away", "paused"};
    struct courier_status status;

    for (size_t i = 0; i < scenario->endings_count; i++) {
        const struct ending *ending = &scenario->endings[i];
        struct state state = {"", ""};

        assert_int_equal(
            outbox_find(reader, &find_name(scenario, ending->name)->id, state_seen, &state),
            STATUS_OK);
        snprintf(why, 600, "%s is %s (%s), not %s", ending->name, state.state, state.reason,
                 ending->state);
        if (strcmp(state.state, ending->state) != 0 || !strstr(state.reason, ending->because))
            return false;
    }
    courier_status_get(courier, &status);
    snprintf(why, 600, "the destination is %s (%s)", destinations[status.state], status.why);
    if (scenario->destination[0] && strcmp(destinations[status.state], scenario->destination) != 0)
        return false;
    pthread_mutex_lock(&scenario->lock);
    snprintf(why, 600, "the script stands at line %zu of %zu: %s %s", scenario->next,
             scenario->script_count, scenario->script[scenario->next].method,
             scenario->script[scenario->next].path);
    bool whole = scenario->next == scenario->script_count;
    pthread_mutex_unlock(&scenario->lock);
    return whole;
}

static void run_scenario(struct scenario *scenario, const char *folder)
{
    struct outbox_options options = {.path = NULL};
    struct outbox *outbox = NULL;
    struct outbox_reader *reader = NULL;
    struct courier *courier = NULL;
    struct script_server *server;
    char path[400], url[64], why[600] = "";
    int64_t until = clock_monotonic_ms() + 10000;
    uint16_t port;

    snprintf(path, sizeof(path), "%s/%s.db", folder, scenario->file);
    options.path = path;
    pthread_mutex_init(&scenario->lock, NULL);
    server = script_server_start(on_request, scenario, &port);
    snprintf(url, sizeof(url), "http://127.0.0.1:%u/r4/", port);
    scenario->options.server = url;
    assert_int_equal(outbox_start(&options, &outbox), STATUS_OK);
    assert_int_equal(outbox_reader_open(outbox, &reader), STATUS_OK);
    for (size_t i = 0; i < scenario->names_count; i++)
        put_reading(outbox, &scenario->names[i]);
    assert_int_equal(courier_start(&scenario->options, outbox, &courier), STATUS_OK);
    while (!has_ended(scenario, reader, courier, why) && clock_monotonic_ms() < until)
        nanosleep(&(struct timespec){.tv_nsec = 2000000}, NULL);
    courier_stop(courier, 1000);
    outbox_reader_close(reader);
    outbox_stop(outbox);
    script_server_stop(server);
    if (scenario->fault[0])
        fail_msg("%s: %s", scenario->file, scenario->fault);
    if (clock_monotonic_ms() >= until)
        fail_msg("%s: in ten seconds it has not ended: %s", scenario->file, why);
}

static int by_name(const void *a, const void *b)
{
    return strcmp(*(char *const *)a, *(char *const *)b);
}

static void test_every_scenario(void **state)
{
    char folder[] = "/tmp/scenarios.XXXXXX", command[300];
    char *names[100];
    size_t count = 0;
    struct dirent *entry;
    DIR *dir = opendir(WARDPOST_SOURCE_DIR "/tests/scenarios");

    (void)state;
    assert_non_null(dir);
    assert_non_null(mkdtemp(folder));
    while ((entry = readdir(dir)) && count < 100)
        if (strstr(entry->d_name, ".scn"))
            names[count++] = strdup(entry->d_name);
    closedir(dir);
    qsort(names, count, sizeof(*names), by_name);
    assert_true(count >= 15);
    for (size_t i = 0; i < count; i++) {
        struct scenario *scenario = calloc(1, sizeof(*scenario));
        char path[600];

        snprintf(path, sizeof(path), WARDPOST_SOURCE_DIR "/tests/scenarios/%s", names[i]);
        print_message("  %s\n", names[i]);
        read_scenario(path, scenario);
        run_scenario(scenario, folder);
        free(scenario);
        free(names[i]);
    }
    snprintf(command, sizeof(command), "%s", folder);
    dir = opendir(command);
    while ((entry = readdir(dir))) {
        char path[600];

        snprintf(path, sizeof(path), "%s/%s", folder, entry->d_name);
        unlink(path);
    }
    closedir(dir);
    rmdir(folder);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(test_every_scenario)};

    log_threshold(LOG_LEVEL_ERROR);
    return cmocka_run_group_tests(tests, NULL, NULL);
}
