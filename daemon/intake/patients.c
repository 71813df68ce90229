/* patients.c - POST /v1/patients/_search: who may be meant. */
#include <stdlib.h>
#include <string.h>

#include "intake/answers.h"
#include "intake/parsing.h"
#include "wardpost/fold.h"
#include "wardpost/json_in.h"
#include "wardpost/known_patients.h"
#include "wardpost/moment.h"
#include "wardpost/patient_lookup.h"
#include "wardpost/view.h"

#define SYSTEMS_MOST 16

/* GS1's web address of application identifier 8018, the number of a care relation (GSRN). */
#define GSRN_SYSTEM "https://id.gs1.org/8018"
#define GSRN_DIGITS 18

struct search { /* what was asked, read from the body, and what came of it */
    struct errand errand;
    struct exchange *exchange;
    json_t *body;
    struct patient_question question;
    const char *systems[SYSTEMS_MOST];  /* that the identifier may have */
    const char *known_by[SYSTEMS_MOST]; /* whose identifier a patient of the server is known by */
    size_t known_by_count;
    char *listed; /* the settings' systems, parted */
    struct patient_lookup lookup;
    struct know know;
    struct known_patient *named; /* by the server */
};

static void search_free(struct errand *errand)
{
    struct search *search = (struct search *)(void *)errand;

    patients_said_clear(&search->lookup.said);
    json_decref(search->body);
    free(search->named);
    free(search->listed);
    free(search);
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

static void add(const char **list, size_t *count, const char *system)
{
    if (system[0] && *count < SYSTEMS_MOST)
        list[(*count)++] = system;
}

/* The systems of the settings, in their order. */
static enum status list_systems(struct search *search, const struct settings *settings)
{
    char *rest, *one;

    search->listed = rest = strdup(settings->patients_systems);
    if (!rest)
        return STATUS_NO_MEMORY;
    add(search->known_by, &search->known_by_count, settings->patients_system);
    while ((one = strsep(&rest, " ")))
        add(search->known_by, &search->known_by_count, one);
    return STATUS_OK;
}

/* The systems that a number without one may be of. None: any. */
static void try_systems(struct search *search)
{
    for (size_t i = 0; i < search->known_by_count; i++)
        add(search->systems, &search->question.systems_count, search->known_by[i]);
    if (search->known_by_count > 0 && is_gsrn(search->question.value))
        add(search->systems, &search->question.systems_count, GSRN_SYSTEM);
}

static void read_identifier(const struct spot *spot, struct search *search)
{
    struct patient patient = {.given = false};

    search->question.systems = search->systems;
    if (json_is_object(json_object_get(spot->json, "identifier"))) {
        parse_identifier(spot, &patient);
        search->question.value = patient.value;
        if (patient.system)
            add(search->systems, &search->question.systems_count, patient.system);
    } else {
        search->question.value = spot_line(spot, "identifier", PATIENT_TEXT_MOST, false);
        if (search->question.value)
            try_systems(search);
    }
}

/* A patient found by a number of another system than those of the settings is known by that. */
static void know_by_what_was_asked(struct search *search)
{
    if (search->known_by_count == 0)
        return;
    for (size_t i = 0; i < search->question.systems_count; i++)
        add(search->known_by, &search->known_by_count, search->systems[i]);
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
    int64_t count = PATIENTS_SHOWN_MOST;
    enum status status = list_systems(search, exchange->intake->parts.settings);

    if (status != STATUS_OK)
        return status;
    read_identifier(&spot, search);
    know_by_what_was_asked(search);
    SPOT_NO_STRANGERS(&spot, names);
    check_leads(&spot);
    search->question.birth_date = read_birth_date(&spot);
    search->question.family = spot_line(&spot, "family", PATIENT_TEXT_MOST, false);
    search->question.given = spot_line(&spot, "given", PATIENT_TEXT_MOST, false);
    search->question.ward = spot_line(&spot, "ward", PATIENT_TEXT_MOST, false);
    (void)spot_whole(&spot, "count", 1, PATIENTS_SHOWN_MOST, &count);
    search->question.most = (size_t)count;
    check_family(&spot, search->question.family);
    return STATUS_OK;
}

/* ---- the answer ---- */

static void answer_found(struct exchange *exchange)
{
    const struct search *search = (struct search *)(void *)exchange->errand;
    const struct patients_named named = {search->named,
                                         search->named ? search->lookup.said.count : 0,
                                         lookup_end_text(search->lookup.end)};
    struct json_out out = JSON_OUT_INIT;
    struct outbox_reader *reader;
    enum status status = intake_reader(exchange->intake, &reader);

    if (status == STATUS_OK) {
        status = view_known_patients(reader, &search->question, &named, &out);
        intake_reader_done(exchange->intake, reader);
    }
    if (status == STATUS_OK)
        reply_json(exchange, 200, &out);
    else
        reply_status(exchange, status);
    json_out_clear(&out);
}

/* On the writer's thread. What could not be kept is shown all the same. */
static void on_known(struct know *know)
{
    exchange_resume(know->context);
}

/* On the lookup's thread: what the server said is kept, then the answer is made. */
static void on_looked_up(struct patient_lookup *lookup)
{
    struct search *search = lookup->context;
    const size_t count = lookup->said.count;

    search->named = count > 0 ? calloc(count, sizeof(*search->named)) : NULL;
    for (size_t i = 0; i < count && search->named; i++) {
        const struct patient_said *said = &lookup->said.items[i];

        search->named[i] = (struct known_patient){.system = said->system,
                                                  .value = said->value,
                                                  .family = said->family,
                                                  .given = said->given,
                                                  .birth_date = said->birth_date,
                                                  .gender = said->gender,
                                                  .active = said->active,
                                                  .deceased = said->deceased,
                                                  .source = PATIENT_FROM_SERVER,
                                                  .seen_ms = clock_wall_ms()};
    }
    search->know = (struct know){.patients = search->named,
                                 .count = search->named ? count : 0,
                                 .done = on_known,
                                 .context = search->exchange};
    if (search->know.count > 0)
        outbox_know(search->exchange->intake->parts.outbox, &search->know);
    else
        exchange_resume(search->exchange);
}

/* A ward is our own affair. */
static void look_up(struct exchange *exchange, struct search *search)
{
    if (search->question.ward || !exchange->intake->parts.settings->server[0]) {
        answer_found(exchange);
        return;
    }
    search->lookup = (struct patient_lookup){.question = &search->question,
                                             .systems = search->known_by,
                                             .systems_count = search->known_by_count,
                                             .done = on_looked_up,
                                             .context = search};
    exchange_suspend(exchange);
    courier_lookup(exchange->intake->parts.courier, &search->lookup);
}

void answer_patients(struct exchange *exchange)
{
    struct search *search = calloc(1, sizeof(*search));
    struct problems problems = PROBLEMS_INIT;
    struct json_fault fault;
    enum status status = STATUS_NO_MEMORY;

    if (search) {
        search->errand = (struct errand){.then = answer_found, .free = search_free};
        search->exchange = exchange;
        exchange->errand = &search->errand;
        status = json_in(exchange->body.bytes, exchange->body.length, &search->body, &fault);
    }
    if (status == STATUS_INVALID)
        problem_add_fault(&problems, &fault);
    else if (status == STATUS_OK)
        status = read_search(exchange, search, &problems);
    if (problems.count > 0)
        reply_problem(exchange, search->body ? 422 : 400, "cannot be searched",
                      "See what is listed.", &problems);
    else if (status != STATUS_OK)
        reply_status(exchange, status);
    else
        look_up(exchange, search);
    problems_clear(&problems);
}
