/* test_scenarios.c - the real courier and the real outbox against a scripted far end:
 * tests/scenarios/?.scn, which someone who knows FHIR and no C can read. */

/* clang-format off */
/* The words of a scenario:
 *
 *   with WORD...                      settings: no-bundles, bundles, tries=N,
 *                                     way=update-as-create|conditional-create|search-first
 *                                     retry=MS (first and longest wait)
 *   reading NAME of PATIENT [held]    put into the outbox, in this order
 *   panel NAME lists NAME... [spoilt] goes into it together with the readings that it lists;
 *                                     spoilt: not in the form in which we write Observations
 *   score NAME of NAME...             the same, but it goes only with all of them
 *   correction NAME of NAME [at once] the second one becomes the first; at once: before anything goes
 *   METHOD PATH [has TEXT]... [lacks TEXT]... -> ANSWER   the far end expects this request next,
 *                                     and answers so; {NAME} stands for a reading's UUID
 *   once WHO is STATE: DEED           after the requests above; WHO: a NAME or destination
 *   once disk refused N times: DEED   DEED: release NAME  ·  nudge  ·  restart  ·  make room
 *                                     correct NAME  ·  retract NAME... (with what is not true without it)
 *   NAME is STATE [because TEXT]      how it must end
 *   destination STATE                 up, away or paused, at the end
 *
 * ANSWER: [disk fails, | disk full, | late | meanwhile DEED,] and one of
 *   statement WORD...  ·  NNN [retry-after N] [location N] [place N] [etag N] [outcome CODE]  ·
 *   found NAME[=N]... [more]  ·  resource NAME N vN [STATUS]  ·  entries NNN...  ·  hang up  ·  text ...
 * meanwhile: before the answer is given. disk fails: the next write of the store; disk full: all from now on. place is a location that
 * tells no version; found NAME=N tells its id there, more that the answer has more pages.
 * resource: this text of an Observation, with id N there, in that version. */
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
#include "vfs.h"
#include "wardpost/courier.h"
#include "wardpost/log.h"
#include "wardpost/moment.h"

#define LINES_MOST 64
#define NAMES_MOST 16

struct expected { /* one request of the script */
    char method[8], path[400];
    char has[4][200], lacks[2][200];
    size_t has_count, lacks_count;
    char answer[400];
};

struct named {
    char name[16], patient[32];
    struct uuid id;
    bool held, spoilt, with_panel; /* with_panel: not by itself, its panel takes it along */
    bool is_score;
    size_t corrects; /* 0: nothing; else index + 1 of the text before this one */
    bool at_once;
    size_t members[NAMES_MOST], members_count; /* of a panel */
};

struct meanwhile { /* of a scenario: what somebody does then */
    size_t after;  /* so many requests */
    char who[16], state[16];
    unsigned refused; /* who is disk */
    char deed[40];
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
    struct meanwhile moments[NAMES_MOST];
    size_t moments_count, moments_done;
    unsigned full_since; /* events of the disk before it was full */
    char destination[16], url[64];
    struct courier_options options;
    struct outbox *outbox;
    struct outbox_reader *reader;
    struct courier *courier;
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
        else if (strncmp(word, "retry=", 6) == 0)
            scenario->options.retry_first_ms = scenario->options.retry_most_ms =
                strtol(word + 6, NULL, 10);
        else
            fail_msg("%s: no such setting: %s", scenario->file, word);
    }
}

static struct named *new_name(struct scenario *scenario)
{
    struct named *named = &scenario->names[scenario->names_count++];

    assert_true(scenario->names_count <= NAMES_MOST);
    uuid_random(&named->id);
    return named;
}

static void take_reading(struct scenario *scenario, const char *line)
{
    struct named *named = new_name(scenario);

    assert_int_equal(sscanf(line, "reading %15s of %31s", named->name, named->patient), 2);
    named->held = strstr(line, " held") != NULL;
}

static void take_panel(struct scenario *scenario, char *words)
{
    struct named *panel = new_name(scenario);
    const char *word = strtok_r(words, " ", &words);

    snprintf(panel->name, sizeof(panel->name), "%s", word);
    word = strtok_r(NULL, " ", &words);
    panel->is_score = strcmp(word, "of") == 0;
    assert_true(panel->is_score || strcmp(word, "lists") == 0);
    while ((word = strtok_r(NULL, " ", &words))) {
        struct named *member;

        if (strcmp(word, "spoilt") == 0) {
            panel->spoilt = true;
            continue;
        }
        member = &scenario->names[find_name(scenario, word) - scenario->names];
        member->with_panel = true;
        panel->members[panel->members_count++] = (size_t)(member - scenario->names);
        memcpy(panel->patient, member->patient, sizeof(panel->patient));
    }
}

static void take_correction(struct scenario *scenario, const char *line)
{
    struct named *named = new_name(scenario);
    const struct named *before;
    char of[16];

    assert_int_equal(sscanf(line, "correction %15s of %15s", named->name, of), 2);
    before = find_name(scenario, of);
    named->corrects = (size_t)(before - scenario->names) + 1;
    named->at_once = strstr(line, " at once") != NULL;
    memcpy(named->patient, before->patient, sizeof(named->patient));
}

static void take_moment(struct scenario *scenario, const char *line)
{
    struct meanwhile *moment = &scenario->moments[scenario->moments_count++];

    assert_true(scenario->moments_count <= NAMES_MOST);
    moment->after = scenario->script_count;
    if (sscanf(line, "once disk refused %u times: %39[^\n]", &moment->refused, moment->deed) == 2)
        return;
    assert_int_equal(
        sscanf(line, "once %15s is %15[a-z]: %39[^\n]", moment->who, moment->state, moment->deed),
        3);
}

static void take_ending(struct scenario *scenario, const char *line)
{
    struct ending *ending = &scenario->endings[scenario->endings_count++];
    const char *because = strstr(line, " because ");

    assert_int_equal(sscanf(line, "%15s is %15s", ending->name, ending->state), 2);
    if (because)
        snprintf(ending->because, sizeof(ending->because), "%s", because + 9);
}

/* " lacks TEXT" and " has TEXT" are cut off the line's end, the last first. */
static bool take_text(const struct scenario *scenario, char *line, const char *word,
                      char texts[][200], size_t *count, size_t most)
{
    char *found = NULL;

    for (char *next = strstr(line, word); next; next = strstr(next + 1, word))
        found = next;
    if (!found)
        return false;
    assert_true(*count < most);
    expand(scenario, found + strlen(word), texts[(*count)++], 200);
    *found = '\0';
    return true;
}

static void take_request(struct scenario *scenario, char *line)
{
    struct expected *expected = &scenario->script[scenario->script_count++];
    char *answer = strstr(line, " -> ");

    assert_true(scenario->script_count <= LINES_MOST);
    assert_non_null(answer);
    *answer = '\0';
    expand(scenario, answer + 4, expected->answer, sizeof(expected->answer));
    while (take_text(scenario, line, " lacks ", expected->lacks, &expected->lacks_count, 2))
        ;
    while (take_text(scenario, line, " has ", expected->has, &expected->has_count, 4))
        ;
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
    else if (strncmp(line, "panel ", 6) == 0)
        take_panel(scenario, line + 6);
    else if (strncmp(line, "score ", 6) == 0)
        take_panel(scenario, line + 6);
    else if (strncmp(line, "correction ", 11) == 0)
        take_correction(scenario, line);
    else if (strncmp(line, "once ", 5) == 0)
        take_moment(scenario, line);
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
    scenario->options = (struct courier_options){
        .batch_most = 10,
        .transfers_most = 1,
        .request_timeout_ms = 400, /* far more than a busy machine needs to answer */
        .connect_timeout_ms = 1000,
        .retry_first_ms = 5,
        .retry_most_ms = 40,
        .server_error_tries = 3};
    while (fgets(line, sizeof(line), file))
        take_line(scenario, line);
    fclose(file);
}

/* ---- texts ---- */

/* A newer text has the UUID of the first one. */
static const struct named *first_text(const struct scenario *scenario, const struct named *named)
{
    while (named->corrects)
        named = &scenario->names[named->corrects - 1];
    return named;
}

static void write_became(const struct scenario *scenario, const struct named *named, char *out)
{
    char id[UUID_TEXT_ROOM];
    int used;

    uuid_text(&first_text(scenario, named)->id, id);
    used = sprintf(out,
                   "{%s\"resourceType\":\"Observation\",\"id\":\"%s\",\"identifier\":[{\"system\":"
                   "\"urn:ietf:rfc:3986\",\"value\":\"urn:uuid:%s\"}],\"status\":\"%s\",\"note\":[{"
                   "\"text\":\"%s\"}]",
                   named->spoilt ? " " : "", id, id, named->corrects ? "corrected" : "final",
                   named->name);
    for (size_t i = 0; i < named->members_count; i++) {
        uuid_text(&scenario->names[named->members[i]].id, id);
        used += sprintf(out + used, "%s{\"reference\":\"urn:uuid:%s\"}",
                        i                 ? ","
                        : named->is_score ? ",\"derivedFrom\":["
                                          : ",\"hasMember\":[",
                        id);
    }
    sprintf(out + used, named->members_count > 0 ? "]}" : "}");
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
        answer->body, "{\"resourceType\":\"Bundle\",\"type\":\"searchset\",%s\"entry\":[",
        strstr(words, " more") ? "\"link\":[{\"relation\":\"next\",\"url\":\"http://"
                                 "far.example/r4?page=2\"}],"
                               : "");
    bool first = true;
    int number = 100;

    answer->status = 200;
    char id[64];
    int length = 0;

    while (sscanf(words, " %63s%n", id, &length) == 1) {
        const char *there = strchr(id, '=');

        words += length;
        if (strcmp(id, "none") == 0 || strcmp(id, "more") == 0)
            continue;
        used += (size_t)sprintf(answer->body + used,
                                "%s{\"resource\":{\"resourceType\":\"Observation\",\"id\":\"%ld\","
                                "\"meta\":{\"versionId\":\"7\"},\"identifier\":[{\"system\":"
                                "\"urn:ietf:rfc:3986\",\"value\":\"urn:uuid:%.*s\"}]}}",
                                first ? "" : ",", there ? strtol(there + 1, NULL, 10) : number++,
                                (int)strcspn(id, "="), id);
        first = false;
    }
    sprintf(answer->body + used, "]}");
}

/* The text of the Observation by which a line is known, with the id it has there. */
static void answer_resource(const struct scenario *scenario, const char *words,
                            struct script_answer *answer)
{
    char name[16], status[24] = "", became[1200];
    const char *tail, *state;
    int id = 0, version = 0;

    assert_true(sscanf(words, " %15s %d v%d %23s", name, &id, &version, status) >= 3);
    write_became(scenario, find_name(scenario, name), became);
    tail = strstr(became, ",\"identifier\"");
    state = strstr(tail, "\"status\":\"") + 10;
    answer->status = 200;
    sprintf(
        answer->body,
        "{\"resourceType\":\"Observation\",\"id\":\"%d\",\"meta\":{\"versionId\":\"%d\"}%.*s%s%s",
        id, version, (int)(state - tail), tail, status[0] ? status : "",
        status[0] ? strchr(state, '"') : state);
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
               *place = strstr(words, "place "), *etag = strstr(words, "etag "),
               *outcome = strstr(words, "outcome ");

    answer->status = (int)strtol(words, NULL, 10);
    if (retry)
        sprintf(answer->headers, "Retry-After: %ld\r\n", strtol(retry + 12, NULL, 10));
    if (location)
        sprintf(answer->headers + strlen(answer->headers),
                "Location: http://far.example/r4/Observation/%ld/_history/1\r\n",
                strtol(location + 9, NULL, 10));
    if (place)
        sprintf(answer->headers + strlen(answer->headers),
                "Location: http://far.example/r4/Observation/%ld\r\n", strtol(place + 6, NULL, 10));
    if (etag)
        sprintf(answer->headers + strlen(answer->headers), "ETag: W/\"%ld\"\r\n",
                strtol(etag + 5, NULL, 10));
    if (outcome)
        sprintf(answer->body,
                "{\"resourceType\":\"OperationOutcome\",\"issue\":[{\"severity\":\"error\","
                "\"code\":\"%.30s\",\"diagnostics\":\"said so\"}]}",
                outcome + 8);
}

/* What befalls the disk first: the answer finds it so. */
static const char *trouble_disk(struct scenario *scenario, const char *words)
{
    static const char fails[] = "disk fails, ", full[] = "disk full, ";

    if (strncmp(words, fails, sizeof(fails) - 1) == 0) {
        vfs_fail_next(VFS_WRITE);
        return words + sizeof(fails) - 1;
    }
    if (strncmp(words, full, sizeof(full) - 1) != 0)
        return words;
    vfs_room(0);
    scenario->full_since = vfs_counts().events;
    return words + sizeof(full) - 1;
}

static void do_deed(struct scenario *scenario, const char *deed);

/* What somebody does before the far end answers. */
static const char *do_meanwhile(struct scenario *scenario, const char *words)
{
    char deed[40];

    if (sscanf(words, "meanwhile %39[^,],", deed) != 1)
        return words;
    do_deed(scenario, deed);
    return strchr(words, ',') + 2;
}

static void give_answer(struct scenario *scenario, const char *words, struct script_answer *answer)
{
    words = trouble_disk(scenario, do_meanwhile(scenario, words));
    if (strcmp(words, "hang up") == 0)
        answer->hang_up = true;
    else if (strncmp(words, "statement", 9) == 0)
        answer_statement(words + 9, answer);
    else if (strncmp(words, "found", 5) == 0)
        answer_found(words + 5, answer);
    else if (strncmp(words, "resource", 8) == 0)
        answer_resource(scenario, words + 8, answer);
    else if (strncmp(words, "entries", 7) == 0)
        answer_entries(words + 7, answer);
    else if (strncmp(words, "text ", 5) == 0) {
        answer->status = 200;
        sprintf(answer->body, "%s", words + 5);
    } else if (strncmp(words, "late ", 5) == 0) {
        answer->wait_ms = 900;
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
    for (size_t i = 0; i < expected->lacks_count; i++)
        if (strstr(request, expected->lacks[i]))
            return false;
    return true;
}

/* What stands behind a moment must not come before it. */
static bool is_too_early(const struct scenario *scenario)
{
    return scenario->moments_done < scenario->moments_count &&
           scenario->moments[scenario->moments_done].after <= scenario->next;
}

static void on_request(void *context, const char *request, struct script_answer *answer)
{
    struct scenario *scenario = context;
    const struct expected *expected;

    pthread_mutex_lock(&scenario->lock);
    expected = scenario->next < scenario->script_count ? &scenario->script[scenario->next] : NULL;
    if (expected && fits(expected, request) && !is_too_early(scenario)) {
        scenario->next++;
        give_answer(scenario, expected->answer, answer);
    } else {
        answer->status = 503;
        if (!scenario->fault[0])
            snprintf(scenario->fault, sizeof(scenario->fault), "%sexpected %s %s, got %.300s",
                     is_too_early(scenario) ? "too early: " : "",
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

struct putting { /* a reading, or a panel behind its members */
    char became[NAMES_MOST][1200];
    struct put_entry entries[NAMES_MOST];
    struct put_need needs[NAMES_MOST];
    size_t count;
};

static struct put_entry *add_entry(const struct scenario *scenario, const struct named *named,
                                   struct putting *putting)
{
    size_t at = putting->count++;
    struct put_entry *entry = &putting->entries[at];

    write_became(scenario, named, putting->became[at]);
    *entry = (struct put_entry){.id = named->id,
                                .reading = at,
                                .role = "main",
                                .kind = "invented",
                                .taken_ms = clock_wall_ms(),
                                .sent = "{}",
                                .sent_length = 2,
                                .values = "{}",
                                .values_length = 2,
                                .became = putting->became[at],
                                .became_length = strlen(putting->became[at]),
                                .hold = named->held,
                                .hold_reason = named->held ? "to be confirmed" : NULL};
    return entry;
}

static void add_panel(const struct scenario *scenario, const struct named *panel,
                      struct putting *putting)
{
    struct put_entry *entry;

    for (size_t i = 0; i < panel->members_count; i++) {
        add_entry(scenario, &scenario->names[panel->members[i]], putting);
        putting->needs[i] = (struct put_need){.on = i, .strict = panel->is_score};
    }
    entry = add_entry(scenario, panel, putting);
    entry->reading = SIZE_MAX;
    entry->role = "panel";
    entry->kind = "";
    entry->sent = entry->values = NULL;
    entry->sent_length = entry->values_length = 0;
    entry->needs = putting->needs;
    entry->needs_count = panel->members_count;
}

static void put_and_wait(const struct scenario *scenario, struct put *put)
{
    atomic_int status = (int)STATUS_BUSY;

    put->client = "scenario";
    put->table_version = "0";
    put->accepted_ms = clock_wall_ms();
    put->done = on_disk;
    put->context = &status;
    outbox_put(scenario->outbox, put);
    while (atomic_load(&status) == (int)STATUS_BUSY)
        nanosleep(&(struct timespec){.tv_nsec = 100000}, NULL);
    assert_int_equal(atomic_load(&status), STATUS_OK);
}

static void put_named(const struct scenario *scenario, const struct named *named)
{
    struct putting *putting = calloc(1, sizeof(*putting));
    struct put put = {.set = named->id, .patient = named->patient, .entries = putting->entries};

    if (named->members_count > 0)
        add_panel(scenario, named, putting);
    else
        add_entry(scenario, named, putting);
    put.count = putting->count;
    put_and_wait(scenario, &put);
    free(putting);
}

struct place { /* of a text */
    int64_t seq, line;
};

static bool place_seen(void *context, const struct outbox_row *row)
{
    *(struct place *)context = (struct place){row->seq, row->line};
    return false;
}

/* With a reader of its own: it may be the far end's thread that asks. */
static struct place place_of(const struct scenario *scenario, const struct named *named)
{
    struct place place = {0, 0};
    struct outbox_reader *reader;

    assert_int_equal(outbox_reader_open(scenario->outbox, &reader), STATUS_OK);
    assert_int_equal(outbox_find(reader, &named->id, place_seen, &place), STATUS_OK);
    outbox_reader_close(reader);
    return place;
}

/* `fresh` NULL: what is named is retracted. */
static void correct(const struct scenario *scenario, const struct named *fresh, char *names)
{
    struct putting *putting = calloc(1, sizeof(*putting));
    struct put_line lines[NAMES_MOST];
    struct put_correction correction = {
        .entry = fresh ? 0 : SIZE_MAX, .reason = "other", .by = "a nurse", .lines = lines};
    const struct named *first = NULL;
    struct put put = {.entries = putting->entries, .correction = &correction};

    for (const char *name = strtok_r(names, " ", &names); name;
         name = strtok_r(NULL, " ", &names)) {
        const struct named *named = find_name(scenario, name);
        const struct place place = place_of(scenario, named);

        first = first ? first : named;
        lines[correction.lines_count++] = (struct put_line){place.line, place.seq, !fresh};
    }
    assert_non_null(first);
    put.set = first_text(scenario, first)->id;
    put.patient = first->patient;
    correction.first = lines[0].line;
    correction.replaces = lines[0].text;
    correction.replaces_id = first->id;
    if (fresh)
        add_entry(scenario, fresh, putting)->line = lines[0].line;
    put.count = putting->count;
    put_and_wait(scenario, &put);
    free(putting);
}

static void correct_by(const struct scenario *scenario, const struct named *fresh)
{
    char name[16];

    snprintf(name, sizeof(name), "%s", scenario->names[fresh->corrects - 1].name);
    correct(scenario, fresh, name);
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

static void look_at(const struct scenario *scenario, const char *name, struct state *state)
{
    enum status status;

    *state = (struct state){"", ""};
    status = outbox_find(scenario->reader, &find_name(scenario, name)->id, state_seen, state);
    assert_true(status == STATUS_OK || status == STATUS_NOT_FOUND); /* a correction to come */
}

static bool destination_is(const struct scenario *scenario, const char *state, char why[600])
{
    struct courier_status status;

    courier_status_get(scenario->courier, &status);
    snprintf(why, 600, "the destination is %s (%s)", destination_state_text(status.state),
             status.why);
    return strcmp(destination_state_text(status.state), state) == 0;
}

static size_t answered(struct scenario *scenario)
{
    size_t next;

    pthread_mutex_lock(&scenario->lock);
    next = scenario->next;
    pthread_mutex_unlock(&scenario->lock);
    return next;
}

/* ---- what somebody does meanwhile ---- */

static bool has_come(struct scenario *scenario, const struct meanwhile *moment)
{
    struct state state;
    char why[600];

    if (answered(scenario) < moment->after)
        return false;
    if (moment->refused > 0)
        return vfs_counts().events - scenario->full_since >= moment->refused;
    if (strcmp(moment->who, "destination") == 0)
        return destination_is(scenario, moment->state, why);
    look_at(scenario, moment->who, &state);
    return strcmp(state.state, moment->state) == 0;
}

static void start_courier(struct scenario *scenario)
{
    assert_int_equal(courier_start(&scenario->options, scenario->outbox, &scenario->courier),
                     STATUS_OK);
}

static void do_deed(struct scenario *scenario, const char *deed)
{
    if (strncmp(deed, "release ", 8) == 0) {
        assert_int_equal(outbox_release(scenario->outbox, &find_name(scenario, deed + 8)->id,
                                        "seen", "a nurse", clock_wall_ms()),
                         STATUS_OK);
    } else if (strncmp(deed, "correct ", 8) == 0) {
        correct_by(scenario, find_name(scenario, deed + 8));
    } else if (strncmp(deed, "retract ", 8) == 0) {
        char names[40];

        snprintf(names, sizeof(names), "%s", deed + 8);
        correct(scenario, NULL, names);
    } else if (strcmp(deed, "nudge") == 0) {
        courier_nudge(scenario->courier);
    } else if (strcmp(deed, "make room") == 0) {
        vfs_room(-1);
    } else if (strcmp(deed, "restart") == 0) {
        courier_stop(scenario->courier, 1000);
        vfs_room(-1);
        start_courier(scenario);
    } else {
        fail_msg("%s: what is '%s'?", scenario->file, deed);
    }
}

static bool all_moments_over(struct scenario *scenario, char why[600])
{
    const struct meanwhile *moment = &scenario->moments[scenario->moments_done];

    if (scenario->moments_done == scenario->moments_count)
        return true;
    snprintf(why, 600, "it is not yet the moment to %s", moment->deed);
    if (!has_come(scenario, moment))
        return false;
    pthread_mutex_lock(&scenario->lock);
    scenario->moments_done++;
    pthread_mutex_unlock(&scenario->lock);
    do_deed(scenario, moment->deed);
    return false; /* the next one, and the end, at the next look */
}

static bool has_ended(struct scenario *scenario, char why[600])
{
    for (size_t i = 0; i < scenario->endings_count; i++) {
        const struct ending *ending = &scenario->endings[i];
        struct state state;

        look_at(scenario, ending->name, &state);
        snprintf(why, 600, "%s is %s (%s), not %s", ending->name, state.state, state.reason,
                 ending->state);
        if (strcmp(state.state, ending->state) != 0 || !strstr(state.reason, ending->because))
            return false;
    }
    if (scenario->destination[0] && !destination_is(scenario, scenario->destination, why))
        return false;
    size_t next = answered(scenario);

    snprintf(why, 600, "the script stands at line %zu of %zu: %s %s", next, scenario->script_count,
             scenario->script[next].method, scenario->script[next].path);
    return next == scenario->script_count;
}

static void run_scenario(struct scenario *scenario, const char *folder)
{
    struct outbox_options options = {.path = NULL};
    struct script_server *server;
    char path[400], why[600] = "";
    int64_t until = clock_monotonic_ms() + 10000;
    uint16_t port;

    snprintf(path, sizeof(path), "%s/%s.db", folder, scenario->file);
    options.path = path;
    pthread_mutex_init(&scenario->lock, NULL);
    server = script_server_start(on_request, scenario, &port);
    snprintf(scenario->url, sizeof(scenario->url), "http://127.0.0.1:%u/r4/", port);
    scenario->options.server = scenario->url;
    vfs_install();
    assert_int_equal(outbox_start(&options, &scenario->outbox), STATUS_OK);
    assert_int_equal(outbox_reader_open(scenario->outbox, &scenario->reader), STATUS_OK);
    for (size_t i = 0; i < scenario->names_count; i++)
        if (scenario->names[i].at_once)
            correct_by(scenario, &scenario->names[i]);
        else if (!scenario->names[i].with_panel && !scenario->names[i].corrects)
            put_named(scenario, &scenario->names[i]);
    start_courier(scenario);
    while (!(all_moments_over(scenario, why) && has_ended(scenario, why)) &&
           clock_monotonic_ms() < until)
        nanosleep(&(struct timespec){.tv_nsec = 2000000}, NULL);
    courier_stop(scenario->courier, 1000);
    outbox_reader_close(scenario->reader);
    outbox_stop(scenario->outbox);
    vfs_remove();
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

static const char *only = ""; /* scenarios with this in their name */

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
        if (strstr(entry->d_name, ".scn") && strstr(entry->d_name, only))
            names[count++] = strdup(entry->d_name);
    closedir(dir);
    qsort(names, count, sizeof(*names), by_name);
    assert_true(count >= (only[0] ? 1 : 15));
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

int main(int count, char **words)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(test_every_scenario)};

    if (count > 1)
        only = words[1];
    log_threshold(LOG_LEVEL_ERROR);
    return cmocka_run_group_tests(tests, NULL, NULL);
}
