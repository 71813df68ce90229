/* import.c - POST /v1/patients: who the patients are, as NDJSON or CSV. All lines are read, then
 * the good ones go to the local copy together, and each line is answered. */
#include <stdlib.h>
#include <string.h>

#include "intake/exchange.h"
#include "intake/patient_parts.h"
#include "wardpost/json_in.h"
#include "wardpost/log.h"
#include "wardpost/moment.h"
#include "wardpost/problem_json.h"

#define PATIENTS_IMPORT_MOST 50000 /* in one request */

struct line {
    size_t number;
    char *texts;    /* of its patient, when it is fine */
    size_t patient; /* its index, then */
    char *errors;   /* JSON, when it is not */
    size_t errors_length;
};

struct import {
    struct errand errand;
    struct know know;
    struct line *lines;
    struct known_patient *patients;
    size_t lines_count, patients_count, room;
    const char *system; /* for lines that name none; "": none */
    int64_t now_ms;
    bool no_memory, too_many;
};

static void import_free(struct errand *errand)
{
    struct import *import = (struct import *)(void *)errand;

    for (size_t i = 0; i < import->lines_count; i++) {
        free(import->lines[i].texts);
        free(import->lines[i].errors);
    }
    free(import->lines);
    free(import->patients);
    free(import);
}

/* ---- lines ---- */

static bool has_room(struct import *import)
{
    const size_t room = import->room ? import->room * 2 : 64;
    struct line *lines;
    struct known_patient *patients;

    import->too_many = import->lines_count == PATIENTS_IMPORT_MOST;
    if (import->too_many || import->lines_count < import->room)
        return !import->too_many;
    lines = realloc(import->lines, room * sizeof(*lines));
    import->lines = lines ? lines : import->lines;
    patients = realloc(import->patients, room * sizeof(*patients));
    import->patients = patients ? patients : import->patients;
    import->no_memory = !lines || !patients;
    import->room = import->no_memory ? import->room : room;
    return !import->no_memory;
}

static void keep_problems(struct import *import, struct line *line, const struct problems *problems)
{
    struct json_out out = JSON_OUT_INIT;

    problems_out(&out, problems);
    line->errors = json_out_take(&out, &line->errors_length);
    import->no_memory = import->no_memory || !line->errors;
}

static void name_system(const struct import *import, const json_t *body)
{
    json_t *identifier = json_object_get(body, "identifier");

    if (import->system[0] && json_is_object(identifier) && !json_object_get(identifier, "system"))
        (void)json_object_set_new(identifier, "system", json_string(import->system));
}

/* `body` is this call's; NULL: the problems say why. */
static void add_line(struct import *import, size_t number, json_t *body, struct problems *problems)
{
    struct known_patient patient = {0};
    struct line *line;

    if (has_room(import)) {
        line = &import->lines[import->lines_count++];
        *line = (struct line){.number = number, .patient = import->patients_count};
        if (body && problems->count == 0) {
            name_system(import, body);
            patient_parse(body, &patient, problems);
        }
        patient.seen_ms = import->now_ms;
        if (problems->count > 0)
            keep_problems(import, line, problems);
        else if ((line->texts = patient_keep(&patient)))
            import->patients[import->patients_count++] = patient;
        import->no_memory =
            import->no_memory || problems->no_memory || (problems->count == 0 && !line->texts);
    }
    json_decref(body);
}

static bool goes_on(const struct import *import)
{
    return !import->no_memory && !import->too_many;
}

static void read_ndjson(struct import *import, const char *bytes, size_t length)
{
    size_t at = length > 0 ? after_mark(bytes, length) : 0;

    for (size_t number = 1; at < length && goes_on(import); number++) {
        const char *end = memchr(bytes + at, '\n', length - at);
        const size_t step = end ? (size_t)(end - bytes) - at : length - at;
        struct problems problems = PROBLEMS_INIT;
        struct json_fault fault;
        json_t *body = NULL;
        enum status status;

        if (step > 0 && strspn(bytes + at, " \t\r") < step) {
            status = json_in(bytes + at, step, &body, &fault);
            if (status == STATUS_INVALID)
                problem_add_fault(&problems, &fault);
            import->no_memory = status != STATUS_OK && status != STATUS_INVALID;
            if (!import->no_memory)
                add_line(import, number, body, &problems);
            problems_clear(&problems);
        }
        at += step + 1;
    }
}

/* False: the heading is of no use, and the problems say why. */
static bool read_csv(struct import *import, char *bytes, size_t length, struct problems *problems)
{
    struct csv csv = csv_begin(bytes, length);
    struct patient_columns heading;
    struct record record;

    if (!csv_next(&csv, &record)) {
        problem_add(problems, PROBLEM_MISSING_FIELD, "", "there is no heading");
        return false;
    }
    if (!patient_heading(&record, &heading, problems))
        return false;
    while (goes_on(import) && csv_next(&csv, &record)) {
        struct problems wrong = PROBLEMS_INIT;
        json_t *body = patient_of_record(&record, &heading, &wrong);

        add_line(import, record.line, body, &wrong);
        problems_clear(&wrong);
    }
    return true;
}

/* ---- the answer ---- */

static void line_out(const struct import *import, const struct line *line, struct json_out *out)
{
    const bool kept = !line->errors && line->patient < import->know.kept;

    json_out_break(out);
    out_object(out);
    out_member_integer(out, "line", (int64_t)line->number);
    out_member_integer(out, "status", line->errors ? 422 : kept ? 200 : 503);
    if (line->errors) {
        out_name(out, "errors");
        out_raw(out, line->errors, line->errors_length);
    } else if (!kept) {
        out_member(out, "title", status_text(import->know.status));
    }
    out_object_end(out);
}

/* "{...}{...}" with a line break behind each. */
static void answer_import(struct exchange *exchange)
{
    const struct import *import = (struct import *)(void *)exchange->errand;
    struct json_out one = JSON_OUT_INIT;
    struct body text = {.most = SIZE_MAX / 2};
    char *bytes = NULL;

    for (size_t i = 0; i < import->lines_count && !one.failed; i++) {
        json_out_reset(&one);
        line_out(import, &import->lines[i], &one);
        body_take(&text, one.text, one.length);
        body_take(&text, "\n", 1);
    }
    if (one.failed || text.no_memory)
        body_clear(&text);
    else
        bytes = text.bytes ? text.bytes : strdup("");
    log_line(LOG_LEVEL_INFO, "patients: %zu of %zu lines were imported", import->know.kept,
             import->lines_count);
    reply_text(exchange, 200, "application/x-ndjson", bytes, bytes ? text.length : 0);
    json_out_clear(&one);
}

static void on_known(struct know *know)
{
    exchange_resume(know->context);
}

/* ---- the route ---- */

/* True: go on. Otherwise the reply is there. */
static bool read_lines(struct exchange *exchange, struct import *import)
{
    struct problems problems = PROBLEMS_INIT;
    struct body *body = &exchange->body;

    if (exchange_type_is(exchange, "text/csv")) {
        if (!read_csv(import, body->bytes, body->length, &problems))
            reply_problem(exchange, 422, "cannot be imported", "Nothing was changed.", &problems);
    } else {
        read_ndjson(import, body->bytes, body->length);
    }
    problems_clear(&problems);
    if (import->no_memory)
        reply_status(exchange, STATUS_NO_MEMORY);
    else if (import->too_many)
        reply_problem(exchange, 413, "too many", "At most 50000 lines in one request.", NULL);
    return !exchange->answered;
}

void take_patients(struct exchange *exchange)
{
    struct import *import = calloc(1, sizeof(*import));

    if (!import) {
        reply_status(exchange, STATUS_NO_MEMORY);
        return;
    }
    import->errand = (struct errand){.then = answer_import, .free = import_free};
    import->system = exchange->intake->parts.settings->patients_system;
    import->now_ms = clock_wall_ms();
    exchange->errand = &import->errand;
    if (!read_lines(exchange, import))
        return;
    if (import->patients_count == 0) {
        answer_import(exchange);
        return;
    }
    import->know = (struct know){.patients = import->patients,
                                 .count = import->patients_count,
                                 .done = on_known,
                                 .context = exchange};
    exchange_suspend(exchange);
    outbox_know(exchange->intake->parts.outbox, &import->know);
}
