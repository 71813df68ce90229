/* patients.c - the local copy of who the patients are: written a few at a time by the writer, found
 * along the index of what is asked. */
#include <assert.h>
#include <stdio.h>
#include <string.h>

#include "store/store_private.h"
#include "wardpost/fold.h"

#define STEP        128U /* patients in one job: others get their turn in between */
#define LOOKED_MOST 500  /* rows in one look */
#define FOLDED_ROOM (4 * PATIENT_TEXT_MOST + 1)

const char *patient_source_text(enum patient_source source)
{
    static const char *const words[] = {"reading", "import", "server"};

    return words[source];
}

/* ---- writing ---- */

/* NULL when nothing is left of it: then it is not found by name. */
static const char *folded(const char *name, char room[FOLDED_ROOM])
{
    return name && name_fold(name, room, FOLDED_ROOM) > 0 ? room : NULL;
}

enum status patient_note(struct outbox *outbox, const struct known_patient *patient)
{
    sqlite3_stmt *statement = db_statement(&outbox->db, SQL_PATIENT_KNOW);
    char family[FOLDED_ROOM], given[FOLDED_ROOM];

    if (statement) {
        bind_text(statement, 1, patient->system);
        bind_text(statement, 2, patient->value);
        bind_text(statement, 3, patient->family);
        bind_text(statement, 4, patient->given);
        bind_text(statement, 5, folded(patient->family, family));
        bind_text(statement, 6, folded(patient->given, given));
        bind_text(statement, 7, patient->birth_date);
        bind_text(statement, 8, patient->gender);
        bind_text(statement, 9, patient->ward);
        bind_text(statement, 10, patient->bed);
        sqlite3_bind_int(statement, 11, patient->active);
        sqlite3_bind_int(statement, 12, patient->deceased);
        sqlite3_bind_int(statement, 13, (int)patient->source);
        sqlite3_bind_int64(statement, 14, patient->seen_ms);
    }
    return db_run(&outbox->db, statement);
}

struct know_room { /* what lives in struct know's own room */
    struct job job;
    struct know *know;
};

static struct know *know_of(struct job *job)
{
    return ((struct know_room *)(void *)job)->know;
}

static size_t step_end(const struct know *know)
{
    return know->count - know->kept > STEP ? know->kept + STEP : know->count;
}

static enum status know_run(struct outbox *outbox, struct job *job)
{
    const struct know *know = know_of(job);
    enum status status = STATUS_OK;

    for (size_t i = know->kept; i < step_end(know) && status == STATUS_OK; i++)
        status = patient_note(outbox, &know->patients[i]);
    return status;
}

static void know_done(struct outbox *outbox, struct job *job)
{
    struct know *know = know_of(job);

    know->status = job->status;
    if (know->status == STATUS_OK)
        know->kept = step_end(know);
    if (know->status == STATUS_OK && know->kept < know->count)
        queue_job(outbox, job); /* behind what has come meanwhile */
    else
        know->done(know);
}

/* is_put: with little room on the disk it is refused as a reading is. */
void outbox_know(struct outbox *outbox, struct know *know)
{
    struct know_room *room = (struct know_room *)(void *)&know->own;

    _Static_assert(sizeof(struct know_room) <= sizeof(know->own), "struct know has no room");
    *room = (struct know_room){
        .job = {.run = know_run, .done = know_done, .is_put = true},
          .know = know
    };
    know->kept = 0;
    queue_job(outbox, &room->job);
}

/* ---- looking ---- */

struct look {
    const struct patient_question *question;
    char family[FOLDED_ROOM], given[FOLDED_ROOM]; /* what theirs begin with */
};

static bool begins(const char *text, const char *with)
{
    return with[0] == '\0' || (text && strncmp(text, with, strlen(with)) == 0);
}

static bool is_listed(const struct patient_question *question, const char *system)
{
    for (size_t i = 0; i < question->systems_count; i++)
        if (strcmp(question->systems[i], system) == 0)
            return true;
    return question->systems_count == 0;
}

static bool fits(const struct look *look, const struct known_patient *patient,
                 sqlite3_stmt *statement)
{
    const struct patient_question *question = look->question;

    return (!question->value || is_listed(question, patient->system)) &&
           (!question->birth_date ||
            (patient->birth_date && strcmp(patient->birth_date, question->birth_date) == 0)) &&
           begins((const char *)sqlite3_column_text(statement, 13), look->family) &&
           begins((const char *)sqlite3_column_text(statement, 14), look->given);
}

static sqlite3_stmt *ask(struct db *db, const struct look *look)
{
    const struct patient_question *question = look->question;
    const struct {
        const char *text;
        enum sql sql;
    } ways[] = {
        {question->value,                       SQL_PATIENTS_BY_VALUE                       },
        {question->birth_date,                  SQL_PATIENTS_BORN                           },
        {look->family[0] ? look->family : NULL, SQL_PATIENTS_BY_FAMILY                      },
        {question->ward,
         question->ward && !question->ward[0] ? SQL_PATIENTS_IN_WARDS : SQL_PATIENTS_IN_WARD},
    };
    const size_t count = sizeof(ways) / sizeof(ways[0]);
    sqlite3_stmt *statement;
    size_t i = 0;

    while (i < count && !ways[i].text)
        i++;
    assert(i < count); /* something is asked: outbox_known() */
    statement = db_statement(db, ways[i].sql);
    if (statement) {
        bind_text(statement, 1, ways[i].text);
        sqlite3_bind_int(statement, 2, LOOKED_MOST);
    }
    return statement;
}

static bool read_patient(sqlite3_stmt *statement, struct known_patient *out)
{
    bool lost = false;

    *out = (struct known_patient){.system = column_text(statement, 0, &lost),
                                  .value = column_text(statement, 1, &lost),
                                  .family = column_text(statement, 2, &lost),
                                  .given = column_text(statement, 3, &lost),
                                  .birth_date = column_text(statement, 4, &lost),
                                  .gender = column_text(statement, 5, &lost),
                                  .ward = column_text(statement, 6, &lost),
                                  .bed = column_text(statement, 7, &lost),
                                  .active = sqlite3_column_int(statement, 8) != 0,
                                  .deceased = sqlite3_column_int(statement, 9) != 0,
                                  .source = (enum patient_source)sqlite3_column_int(statement, 10),
                                  .seen_ms = sqlite3_column_int64(statement, 11),
                                  .alike = sqlite3_column_int(statement, 12) != 0};
    return !lost;
}

enum status outbox_known(struct outbox_reader *reader, const struct patient_question *question,
                         known_patient_seen *seen, void *context)
{
    struct look look = {.question = question};
    struct known_patient patient;
    sqlite3_stmt *statement;
    size_t shown = 0;
    enum status status;
    bool row, good = true;

    (void)folded(question->family, look.family);
    (void)folded(question->given, look.given);
    if (!question->value && !question->birth_date && !look.family[0] && !question->ward)
        return STATUS_OK;
    statement = ask(&reader->db, &look);
    while ((status = db_step(&reader->db, statement, &row)) == STATUS_OK && row && good) {
        if (!read_patient(statement, &patient)) {
            sqlite3_reset(statement);
            return STATUS_NO_MEMORY;
        }
        if (!fits(&look, &patient, statement))
            continue;
        shown++;
        good = seen(context, &patient) && shown < question->most;
    }
    if (row)
        sqlite3_reset(statement);
    return status;
}

enum status outbox_wards(struct outbox_reader *reader, size_t most, ward_seen *seen, void *context)
{
    char last[FOLDED_ROOM] = "";
    bool row = true, lost = false;
    enum status status = STATUS_OK;

    for (size_t i = 0; i < most && status == STATUS_OK && row; i++) {
        sqlite3_stmt *statement = db_statement(&reader->db, SQL_NEXT_WARD);
        const char *ward = NULL;

        if (statement)
            bind_text(statement, 1, last);
        status = db_step(&reader->db, statement, &row);
        if (row)
            ward = column_text(statement, 0, &lost);
        if (lost)
            status = STATUS_NO_MEMORY;
        if (!ward)
            row = false;
        else
            seen(context, ward);
        (void)snprintf(last, sizeof(last), "%s", ward ? ward : "");
        if (statement)
            sqlite3_reset(statement);
    }
    return status;
}
