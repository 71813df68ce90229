/* patients.c - POST /v1/patients/_search: who may be meant. */
#include <stdlib.h>
#include <string.h>

#include "intake/answers.h"
#include "intake/parsing.h"
#include "wardpost/fold.h"
#include "wardpost/json_in.h"
#include "wardpost/known_patients.h"
#include "wardpost/view.h"

#define SYSTEMS_MOST 16

/* GS1's web address of application identifier 8018, the number of a care relation (GSRN). */
#define GSRN_SYSTEM "https://id.gs1.org/8018"
#define GSRN_DIGITS 18

struct search { /* what was asked, read from the body */
    json_t *body;
    struct patient_question question;
    const char *systems[SYSTEMS_MOST];
    char *listed; /* the settings' systems, parted */
};

static void search_clear(struct search *search)
{
    json_decref(search->body);
    free(search->listed);
}

/* ---- the identifier ---- */

/* GS1 General Specifications 7.9: from the right, the digits before the last weigh 3, 1, 3, ... */
static bool is_gsrn(const char *value)
{
    unsigned sum = 0;

    if (strlen(value) != GSRN_DIGITS || strspn(value, "0123456789") != GSRN_DIGITS)
        return false;
    for (size_t i = 0; i < GSRN_DIGITS; i++)
        sum += (unsigned)(value[i] - '0') * (i % 2 == 0 ? 3 : 1);
    return sum % 10 == 0;
}

static void add_system(struct search *search, const char *system)
{
    if (system[0] && search->question.systems_count < SYSTEMS_MOST)
        search->systems[search->question.systems_count++] = system;
}

/* The systems that a number without one may be of. None: any. */
static enum status add_systems(struct search *search, const struct settings *settings)
{
    char *rest, *one;

    search->listed = rest = strdup(settings->patients_systems);
    if (!rest)
        return STATUS_NO_MEMORY;
    add_system(search, settings->patients_system);
    while ((one = strsep(&rest, " ")))
        add_system(search, one);
    if (search->question.systems_count > 0 && is_gsrn(search->question.value))
        add_system(search, GSRN_SYSTEM);
    return STATUS_OK;
}

static enum status read_identifier(const struct spot *spot, const struct settings *settings,
                                   struct search *search)
{
    struct patient patient = {.given = false};

    search->question.systems = search->systems;
    if (json_is_object(json_object_get(spot->json, "identifier"))) {
        parse_identifier(spot, &patient);
        search->question.value = patient.value;
        if (patient.system)
            add_system(search, patient.system);
        return STATUS_OK;
    }
    search->question.value = spot_line(spot, "identifier", PATIENT_TEXT_MOST, false);
    return search->question.value ? add_systems(search, settings) : STATUS_OK;
}

/* ---- the rest of it ---- */

static const char *read_birth_date(const struct spot *spot)
{
    struct date date;
    bool has = false;

    parse_date(spot, "birthDate", &date, &has);
    return has ? json_string_value(json_object_get(spot->json, "birthDate")) : NULL;
}

/* Two letters, or one of those that are a name by themselves: two bytes when folded. */
static void check_family(const struct spot *spot, const char *family)
{
    char folded[4 * PATIENT_TEXT_MOST + 1];

    if (family && name_fold(family, folded, sizeof(folded)) < 2)
        spot_problem(spot, "family", PROBLEM_MALFORMED, "at least two letters are due here");
}

static void check_leads(const struct spot *spot)
{
    static const char *const leads[] = {"identifier", "birthDate", "family", "ward"};
    size_t count = 0;

    for (size_t i = 0; i < sizeof(leads) / sizeof(leads[0]); i++)
        count += spot_has(spot, leads[i]);
    if (count == 0)
        spot_problem(spot, NULL, PROBLEM_MISSING_FIELD,
                     "say one of these: identifier, birthDate, family, ward");
    if (count > 1 && (spot_has(spot, "identifier") || spot_has(spot, "ward")))
        spot_problem(spot, NULL, PROBLEM_NOT_ALLOWED, "identifier and ward stand alone");
}

static enum status read_search(struct exchange *exchange, struct search *search,
                               struct problems *problems)
{
    static const char *const names[] = {"identifier", "birthDate", "family",
                                        "given",      "ward",      "count"};
    const struct spot spot = {search->body, "", problems};
    int64_t count = PATIENTS_MOST;
    enum status status = read_identifier(&spot, exchange->intake->parts.settings, search);

    SPOT_NO_STRANGERS(&spot, names);
    check_leads(&spot);
    search->question.birth_date = read_birth_date(&spot);
    search->question.family = spot_line(&spot, "family", PATIENT_TEXT_MOST, false);
    search->question.given = spot_line(&spot, "given", PATIENT_TEXT_MOST, false);
    search->question.ward = spot_line(&spot, "ward", PATIENT_TEXT_MOST, false);
    (void)spot_whole(&spot, "count", 1, PATIENTS_MOST, &count);
    search->question.most = (size_t)count;
    check_family(&spot, search->question.family);
    return status;
}

static void reply_found(struct exchange *exchange, const struct patient_question *question,
                        const char *server)
{
    struct json_out out = JSON_OUT_INIT;
    struct outbox_reader *reader;
    enum status status = intake_reader(exchange->intake, &reader);

    if (status == STATUS_OK) {
        status = view_known_patients(reader, question, server, &out);
        intake_reader_done(exchange->intake, reader);
    }
    if (status == STATUS_OK)
        reply_json(exchange, 200, &out);
    else
        reply_status(exchange, status);
    json_out_clear(&out);
}

void answer_patients(struct exchange *exchange)
{
    struct search search = {0};
    struct problems problems = PROBLEMS_INIT;
    struct json_fault fault;
    enum status status = json_in(exchange->body.bytes, exchange->body.length, &search.body, &fault);

    if (status == STATUS_INVALID)
        problem_add_fault(&problems, &fault);
    else if (status == STATUS_OK)
        status = read_search(exchange, &search, &problems);
    if (problems.count > 0)
        reply_problem(exchange, search.body ? 422 : 400, "cannot be searched",
                      "See what is listed.", &problems);
    else if (status != STATUS_OK)
        reply_status(exchange, status);
    else
        reply_found(exchange, &search.question, "none");
    problems_clear(&problems);
    search_clear(&search);
}
