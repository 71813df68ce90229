/* The local copy of who the patients are: who says what counts, how they are found, at what cost.
 */
#include "given.h"

#include "store/store_private.h"
#include "wardpost/known_patients.h"

#define SYSTEM "https://clinic.example/mrn"

struct knowing {
    struct know know;
    pthread_mutex_t lock;
    pthread_cond_t cond;
    bool is_done;
};

static void known(struct know *know)
{
    struct knowing *knowing = know->context;

    pthread_mutex_lock(&knowing->lock);
    knowing->is_done = true;
    pthread_cond_signal(&knowing->cond);
    pthread_mutex_unlock(&knowing->lock);
}

static void know(struct given *given, const struct known_patient *patients, size_t count)
{
    struct knowing knowing = {
        .know = {.patients = patients, .count = count, .done = known}
    };

    knowing.know.context = &knowing;
    pthread_mutex_init(&knowing.lock, NULL);
    pthread_cond_init(&knowing.cond, NULL);
    outbox_know(given->outbox, &knowing.know);
    pthread_mutex_lock(&knowing.lock);
    while (!knowing.is_done)
        pthread_cond_wait(&knowing.cond, &knowing.lock);
    pthread_mutex_unlock(&knowing.lock);
    assert_int_equal(knowing.know.status, STATUS_OK);
    assert_int_equal(knowing.know.kept, count);
}

static void know_one(struct given *given, struct known_patient patient)
{
    patient.system = patient.system ? patient.system : SYSTEM;
    patient.seen_ms = NOW;
    know(given, &patient, 1);
}

/* ---- what was found, one after another: "value family given born ward bed source [alike] ..."
 * ----
 */

struct found {
    char text[4096];
    size_t count;
};

static bool seen(void *context, const struct known_patient *patient)
{
    struct found *found = context;
    size_t length = strlen(found->text);

    snprintf(found->text + length, sizeof(found->text) - length, "%s %s %s %s %s/%s %s%s%s%s;",
             patient->value, patient->family ? patient->family : "-",
             patient->given ? patient->given : "-", patient->birth_date ? patient->birth_date : "-",
             patient->ward ? patient->ward : "-", patient->bed ? patient->bed : "-",
             patient_source_text(patient->source), patient->active ? "" : " inactive",
             patient->deceased ? " deceased" : "", patient->alike ? " alike" : "");
    found->count++;
    return true;
}

static struct found ask(struct given *given, struct patient_question question)
{
    struct found found = {0};

    question.most = question.most ? question.most : PATIENTS_SHOWN_MOST;
    assert_int_equal(outbox_known(given->reader, &question, seen, &found), STATUS_OK);
    return found;
}

#define ASSERT_FOUND(expected, ...) \
    assert_string_equal(ask(given, (struct patient_question){__VA_ARGS__}).text, expected)

static void test_each_way_of_looking(void **state)
{
    static const char *const systems[] = {"https://other.example/id", SYSTEM};
    struct given *given = *state;

    know_one(given, (struct known_patient){.value = "1",
                                           .family = "S\u00f8rensen",
                                           .given = "Ada",
                                           .birth_date = "1951-03-14",
                                           .ward = "W1",
                                           .bed = "4",
                                           .active = true,
                                           .source = PATIENT_FROM_IMPORT});
    know_one(given, (struct known_patient){.value = "2",
                                           .family = "Sorel",
                                           .given = "Bo",
                                           .birth_date = "1951-03-14",
                                           .ward = "W1",
                                           .active = true,
                                           .source = PATIENT_FROM_IMPORT});
    know_one(given, (struct known_patient){.system = "https://third.example/id",
                                           .value = "1",
                                           .family = "Quill",
                                           .active = true,
                                           .source = PATIENT_FROM_SERVER});
    ASSERT_FOUND("1 S\u00f8rensen Ada 1951-03-14 W1/4 import;1 Quill - - -/- server;",
                 .value = "1");
    ASSERT_FOUND("1 S\u00f8rensen Ada 1951-03-14 W1/4 import;", .value = "1", .systems = systems,
                 .systems_count = 2);
    ASSERT_FOUND("", .value = "3");
    ASSERT_FOUND("2 Sorel Bo 1951-03-14 W1/- import;1 S\u00f8rensen Ada 1951-03-14 W1/4 import;",
                 .family = "SO");
    ASSERT_FOUND("1 S\u00f8rensen Ada 1951-03-14 W1/4 import;", .family = "soren");
    ASSERT_FOUND("1 S\u00f8rensen Ada 1951-03-14 W1/4 import;", .family = "so", .given = "\u00e0d");
    ASSERT_FOUND("2 Sorel Bo 1951-03-14 W1/- import;1 S\u00f8rensen Ada 1951-03-14 W1/4 import;",
                 .birth_date = "1951-03-14");
    ASSERT_FOUND("2 Sorel Bo 1951-03-14 W1/- import;", .birth_date = "1951-03-14",
                 .family = "sorel");
    ASSERT_FOUND("2 Sorel Bo 1951-03-14 W1/- import;1 S\u00f8rensen Ada 1951-03-14 W1/4 import;",
                 .ward = "W1");
    ASSERT_FOUND("2 Sorel Bo 1951-03-14 W1/- import;", .ward = "W1", .most = 1);
    ASSERT_FOUND("", .most = 1);
    ASSERT_FOUND("", .family = "-");
}

/* Letters that folding leaves as they are, up to the last code point, are found by what they begin
 * with. */
static void test_other_scripts(void **state)
{
    struct given *given = *state;

    know_one(given, (struct known_patient){.value = "1", .family = "\u738b\u5c0f", .active = true});
    know_one(given,
             (struct known_patient){.value = "2", .family = "\u738b\U0010fffd", .active = true});
    assert_int_equal(ask(given, (struct patient_question){.family = "\u738b"}).count, 2);
    ASSERT_FOUND("1 \u738b\u5c0f - - -/- reading;", .family = "\u738b\u5c0f");
}

static void test_the_better_source_counts(void **state)
{
    struct given *given = *state;

    know_one(given,
             (struct known_patient){
                 .value = "1", .family = "Quil", .active = true, .source = PATIENT_FROM_READING});
    ASSERT_FOUND("1 Quil - - -/- reading;", .value = "1");
    know_one(given, (struct known_patient){.value = "1",
                                           .family = "Quill",
                                           .given = "Ada",
                                           .birth_date = "1951-03-14",
                                           .ward = "W1",
                                           .bed = "4",
                                           .active = true,
                                           .source = PATIENT_FROM_IMPORT});
    ASSERT_FOUND("1 Quill Ada 1951-03-14 W1/4 import;", .value = "1");
    know_one(given, (struct known_patient){.value = "1",
                                           .family = "Other",
                                           .birth_date = "1999-01-01",
                                           .source = PATIENT_FROM_READING});
    ASSERT_FOUND("1 Quill Ada 1951-03-14 W1/4 import;", .value = "1");
    know_one(given, (struct known_patient){.value = "1",
                                           .family = "Quillfeather",
                                           .active = true,
                                           .source = PATIENT_FROM_SERVER});
    ASSERT_FOUND("1 Quillfeather Ada 1951-03-14 W1/4 server;", .value = "1");
    know_one(given, (struct known_patient){.value = "1",
                                           .family = "Quill",
                                           .ward = "W2",
                                           .active = false,
                                           .source = PATIENT_FROM_IMPORT});
    ASSERT_FOUND("1 Quillfeather Ada 1951-03-14 W2/- server inactive;", .value = "1");
    ASSERT_FOUND("", .ward = "W2"); /* not there any more */
    know_one(given,
             (struct known_patient){
                 .value = "1", .deceased = true, .active = true, .source = PATIENT_FROM_SERVER});
    ASSERT_FOUND("1 Quillfeather Ada 1951-03-14 W2/- server deceased;", .family = "quillf");
    ASSERT_FOUND("", .family = "quil", .given = "b"); /* it is found by the new name alone */
    assert_int_equal(ask(given, (struct patient_question){.value = "1"}).count, 1);
}

static void test_the_same_family_name_is_alike(void **state)
{
    struct given *given = *state;

    know_one(given, (struct known_patient){.value = "1", .family = "Lopez", .active = true});
    ASSERT_FOUND("1 Lopez - - -/- reading;", .value = "1");
    know_one(given, (struct known_patient){.value = "2", .family = "L\u00d3PEZ", .active = true});
    ASSERT_FOUND("1 Lopez - - -/- reading alike;", .value = "1");
    know_one(given, (struct known_patient){.value = "2", .source = PATIENT_FROM_IMPORT});
    ASSERT_FOUND("1 Lopez - - -/- reading;", .value = "1"); /* the other has gone */
    know_one(given, (struct known_patient){.value = "3", .active = true});
    know_one(given, (struct known_patient){.value = "4", .active = true});
    ASSERT_FOUND("3 - - - -/- reading;", .value = "3"); /* no name is like none */
}

/* A reading of somebody who is not known yet makes him known, in the same COMMIT; one of somebody
 * who is changes nothing. */
static void test_readings_make_known(void **state)
{
    struct given *given = *state;
    static struct made made;
    struct known_patient who = {.system = SYSTEM,
                                .value = "7",
                                .family = "Quill",
                                .birth_date = "1951-03-14",
                                .active = true,
                                .seen_ms = NOW};

    made_begin(&made, 1, SYSTEM "|7");
    made_main(&made, 1, "heart-rate", NOW);
    made.put.who = &who;
    assert_int_equal(made_put(&made, given->outbox), STATUS_OK);
    ASSERT_FOUND("7 Quill - 1951-03-14 -/- reading;", .value = "7");
    who.family = "Other"; /* the same kind again: not looked at */
    made_begin(&made, 2, SYSTEM "|7");
    made_main(&made, 2, "heart-rate", NOW);
    made_main(&made, 3, "temperature", NOW); /* another kind: what is known stays */
    made.put.who = &who;
    assert_int_equal(made_put(&made, given->outbox), STATUS_OK);
    ASSERT_FOUND("7 Quill - 1951-03-14 -/- reading;", .value = "7");
    assert_int_equal(given_count(given, "SELECT count(*) FROM known_patient"), 1);
}

/* Many are written in several COMMITs, all of them; and no look reads all of them. */
static void test_many(void **state)
{
    enum { MANY = 3000 };
    struct given *given = *state;
    struct known_patient *patients = calloc(MANY, sizeof(*patients));
    char(*values)[16] = calloc(MANY, sizeof(*values));

    assert_non_null(patients);
    assert_non_null(values);
    for (int i = 0; i < MANY; i++) {
        snprintf(values[i], sizeof(values[i]), "%04d", i);
        patients[i] = (struct known_patient){.system = SYSTEM,
                                             .value = values[i],
                                             .family = "Lopez",
                                             .given = values[i],
                                             .ward = "W1",
                                             .active = true,
                                             .source = PATIENT_FROM_IMPORT,
                                             .seen_ms = NOW};
    }
    know(given, patients, MANY);
    assert_int_equal(given_count(given, "SELECT count(*) FROM known_patient"), MANY);
    assert_int_equal(ask(given, (struct patient_question){.family = "lo"}).count,
                     PATIENTS_SHOWN_MOST);
    ASSERT_FOUND("0007 Lopez 0007 - W1/- import alike;", .family = "lo", .given = "0007");
    ASSERT_FOUND("", .family = "lo", .given = "2999"); /* beyond what is looked at */
    free(patients);
    free(values);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(test_each_way_of_looking, given_setup, given_teardown),
        cmocka_unit_test_setup_teardown(test_other_scripts, given_setup, given_teardown),
        cmocka_unit_test_setup_teardown(test_the_better_source_counts, given_setup, given_teardown),
        cmocka_unit_test_setup_teardown(test_the_same_family_name_is_alike, given_setup,
                                        given_teardown),
        cmocka_unit_test_setup_teardown(test_readings_make_known, given_setup, given_teardown),
        cmocka_unit_test_setup_teardown(test_many, given_setup, given_teardown),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
