/* outcome.c - OperationOutcome and batch-response; see wardpost/outcome.h. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "fhir/answer.h"
#include "wardpost/json_in.h"
#include "wardpost/json_out.h"

#define OUTCOME_MOST 8192

/* ---- one line for people ---- */

struct line {
    char *out;
    size_t length, room;
};

static bool is_inside(char byte) /* of a character of several bytes */
{
    return ((unsigned char)byte & 0xC0U) == 0x80U;
}

/* Line breaks become blanks; what does not fit is cut between two characters. */
static void add(struct line *line, const char *text)
{
    for (; *text && line->length + 1 < line->room; text++) {
        const unsigned char byte = (unsigned char)*text;

        line->out[line->length++] = *text;
        if (byte < 0x20 || byte == 0x7F)
            line->out[line->length - 1] = ' ';
    }
    while (is_inside(*text) && line->length > 0 && is_inside(line->out[line->length - 1]))
        line->length--;
    if (is_inside(*text) && line->length > 0)
        line->length--; /* its first byte */
    line->out[line->length] = '\0';
}

static const char *issue_words(const json_t *issue)
{
    const json_t *details = json_object_get(issue, "details");
    const json_t *coding = json_array_get(json_object_get(details, "coding"), 0);
    const char *words = answer_text(issue, "diagnostics");

    if (!*words)
        words = answer_text(details, "text");
    if (!*words)
        words = answer_text(coding, "display");
    return *words ? words : answer_text(coding, "code");
}

static void add_issue(struct line *line, const json_t *issue)
{
    const char *words = issue_words(issue);
    const json_t *place = json_array_get(json_object_get(issue, "expression"), 0);

    if (line->length > 0)
        add(line, "; ");
    add(line, answer_text(issue, "severity"));
    add(line, " ");
    add(line, answer_text(issue, "code"));
    if (*words)
        add(line, ": ");
    add(line, words);
    if (!text_is(place))
        return;
    add(line, " (");
    add(line, json_string_value(place));
    add(line, ")");
}

static bool is_grave(const json_t *issue)
{
    return answer_is(issue, "severity", "fatal") || answer_is(issue, "severity", "error");
}

static void add_issues(struct line *line, const json_t *issues, bool grave)
{
    size_t index;
    json_t *issue;

    json_array_foreach(issues, index, issue)
    {
        if (json_is_object(issue) && is_grave(issue) == grave)
            add_issue(line, issue);
    }
}

/* What stopped it; warnings only when there is nothing else. */
bool outcome_line(const char *text, size_t length, char *out, size_t room)
{
    json_t *outcome = NULL;
    bool good = answer_load(text, length, "OperationOutcome", &outcome) == STATUS_OK;
    const json_t *issues = json_object_get(outcome, "issue");
    struct line line = {out, 0, room};

    if (good && room > 0) {
        out[0] = '\0';
        add_issues(&line, issues, true);
        if (line.length == 0)
            add_issues(&line, issues, false);
    }
    json_decref(outcome);
    return good;
}

bool outcome_is_duplicate(const char *text, size_t length)
{
    json_t *outcome = NULL;
    bool duplicate = answer_load(text, length, "OperationOutcome", &outcome) == STATUS_OK &&
                     answer_find(json_object_get(outcome, "issue"), "code", "duplicate");

    json_decref(outcome);
    return duplicate;
}

/* ---- batch-response ---- */

/* "201", "201 Created" */
static int status_of(const char *text)
{
    if (strspn(text, "0123456789") != 3 || text[0] == '0')
        return 0;
    return (text[0] - '0') * 100 + (text[1] - '0') * 10 + (text[2] - '0');
}

/* A text of the server's, cut between two characters. */
static void cut_member_out(struct json_out *out, const char *name, const char *text)
{
    size_t length = strlen(text);

    if (length == 0)
        return;
    if (length > 400)
        length = 400;
    while (length > 0 && is_inside(text[length]))
        length--;
    out_name(out, name);
    out_text_n(out, text, length);
}

/* Too long a one is told again in short, so that what is kept stays an OperationOutcome: its first
 * issues, their texts cut. */
static char *short_outcome(const json_t *outcome, size_t *length)
{
    struct json_out out = JSON_OUT_INIT;
    size_t index;
    json_t *issue;

    out_object(&out);
    out_member(&out, "resourceType", "OperationOutcome");
    out_name(&out, "issue");
    out_array(&out);
    json_array_foreach(json_object_get(outcome, "issue"), index, issue)
    {
        if (out.length > OUTCOME_MOST / 2)
            break;
        out_object(&out);
        cut_member_out(&out, "severity", answer_text(issue, "severity"));
        cut_member_out(&out, "code", answer_text(issue, "code"));
        cut_member_out(&out, "diagnostics", issue_words(issue));
        out_object_end(&out);
    }
    out_array_end(&out);
    out_object_end(&out);
    return json_out_take(&out, length);
}

static bool keep_outcome(const json_t *outcome, struct entry_answer *out)
{
    struct json_out whole = JSON_OUT_INIT;

    out_json(&whole, outcome);
    out->outcome = json_out_take(&whole, &out->outcome_length);
    if (out->outcome && out->outcome_length > OUTCOME_MOST) {
        free(out->outcome);
        out->outcome = short_outcome(outcome, &out->outcome_length);
    }
    return out->outcome != NULL;
}

static void read_place(const json_t *response, const json_t *resource, struct entry_answer *out)
{
    const char *id = answer_text(resource, "id");
    const char *version = answer_text(json_object_get(resource, "meta"), "versionId");

    if (!location_read(answer_text(response, "location"), out->location, out->version) &&
        answer_is(resource, "resourceType", "Observation") && answer_id(id, strlen(id))) {
        (void)snprintf(out->location, sizeof(out->location), "Observation/%s", id);
        if (answer_id(version, strlen(version)))
            (void)snprintf(out->version, sizeof(out->version), "%s", version);
    }
    if (!out->version[0])
        etag_read(answer_text(response, "etag"), out->version);
}

static bool read_entry(const json_t *entry, struct entry_answer *out)
{
    const json_t *response = json_object_get(entry, "response");
    const json_t *resource = json_object_get(entry, "resource");
    const json_t *outcome = json_object_get(response, "outcome");

    out->status = status_of(answer_text(response, "status"));
    read_place(response, resource, out);
    if (!json_is_object(outcome) && answer_is(resource, "resourceType", "OperationOutcome"))
        outcome = resource;
    if (!json_is_object(outcome) || (out->status >= 200 && out->status < 300))
        return true;
    return keep_outcome(outcome, out);
}

enum status batch_answer_read(const char *text, size_t length, size_t expected,
                              struct entry_answer *out)
{
    json_t *bundle = NULL;
    enum status status = answer_load(text, length, "Bundle", &bundle);
    const json_t *entries = json_object_get(bundle, "entry");
    size_t read = 0;

    if (status == STATUS_OK &&
        (!answer_is(bundle, "type", "batch-response") || json_array_size(entries) != expected))
        status = STATUS_INVALID;
    for (; status == STATUS_OK && read < expected; read++) {
        out[read] = (struct entry_answer){0};
        if (!read_entry(json_array_get(entries, read), &out[read]))
            status = STATUS_NO_MEMORY;
    }
    while (status != STATUS_OK && read > 0)
        entry_answer_clear(&out[--read]);
    json_decref(bundle);
    return status;
}

void entry_answer_clear(struct entry_answer *answer)
{
    free(answer->outcome);
    answer->outcome = NULL;
    answer->outcome_length = 0;
}
