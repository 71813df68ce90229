/* Any bytes as what a FHIR server answers: bodies of each sort, a Location, an ETag; and as an
 * Observation from the store.
 *
 * Held: nothing crashes or reads past the end; what comes out is of the promised form; what was
 * copied is ours still. */
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "must.h"
#include "wardpost/bundle.h"
#include "wardpost/json_in.h"
#include "wardpost/outcome.h"

/* NOLINTNEXTLINE(readability-identifier-naming): libFuzzer's name */
/* Against itself it is the same; against another one only the calls must come back. */
static void try_read_back(const char *text, size_t length)
{
    static const char sent[] =
        "{\"resourceType\":\"Observation\",\"status\":\"corrected\","
        "\"effectiveDateTime\":\"2026-11-25T08:30:00Z\",\"valueQuantity\":"
        "{\"value\":72},\"derivedFrom\":[{\"reference\":\"Observation/1\"}]}";
    struct read_back there;

    if (read_back_answer_read(text, length, sent, sizeof(sent) - 1, &there) == STATUS_OK)
        must_hold(memchr(there.version, '\0', sizeof(there.version)) != NULL, "a version ends");
}

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t length);

static void must_be_id(const char *text)
{
    size_t length = strlen(text);

    must_hold(
        length > 0 && length <= 64 &&
            strspn(text, "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-.") ==
                length,
        "an id is one");
}

static void must_be_place(const char *location, const char *version)
{
    if (*location) {
        must_hold(strncmp(location, "Observation/", 12) == 0, "a place is an Observation's");
        must_be_id(location + 12);
    }
    if (*version)
        must_be_id(version);
}

static void try_batch(const char *text, size_t length, size_t expected)
{
    struct entry_answer *answers = malloc((expected + 1) * sizeof(*answers));

    must_hold(answers != NULL, "there is memory");
    if (batch_answer_read(text, length, expected, answers) == STATUS_OK)
        for (size_t i = 0; i < expected; i++) {
            must_be_place(answers[i].location, answers[i].version);
            must_hold(answers[i].status == 0 ||
                          (answers[i].status >= 100 && answers[i].status <= 999),
                      "a status has three digits");
            must_hold(!answers[i].outcome || answers[i].outcome_length <= 8192,
                      "an outcome is short");
            if (answers[i].outcome)
                (void)outcome_is_duplicate(answers[i].outcome, answers[i].outcome_length);
            entry_answer_clear(&answers[i]);
        }
    free(answers);
}

static void try_search(const char *text, size_t length)
{
    struct found found[3];
    size_t count = 0;
    bool more;

    if (search_answer_read(text, length, found, 3, &count, &more) != STATUS_OK)
        return;
    must_hold(count <= 3, "no more than there is room for");
    for (size_t i = 0; i < count; i++) {
        must_hold(*found[i].location != '\0', "what was found is somewhere");
        must_be_place(found[i].location, found[i].version);
    }
}

static void try_outcome(const char *text, size_t length)
{
    char line[40];

    (void)outcome_is_duplicate(text, length);
    for (size_t room = 1; room <= sizeof(line); room += 13)
        if (outcome_line(text, length, line, room))
            must_hold(strlen(line) < room && !strchr(line, '\n'), "a line is one");
}

static void try_headers(const char *text, size_t length)
{
    char *copy = malloc(length + 1), location[256] = "", version[80] = "";

    must_hold(copy != NULL, "there is memory");
    memcpy(copy, text, length);
    copy[length] = '\0';
    if (location_read(copy, location, version))
        must_be_place(location, version);
    etag_read(copy, version);
    if (*version)
        must_be_id(version);
    free(copy);
}

static const char *reference_of(void *context, const struct uuid *id)
{
    (void)context;
    return id->bytes[15] % 2 ? "Observation/1" : NULL;
}

static void try_observation(const char *text, size_t length)
{
    struct json_out out = JSON_OUT_INIT;

    if (observation_refer(text, length, reference_of, NULL, &out) == STATUS_OK) {
        must_hold(json_out_text(&out) != NULL, "it is whole");
        if (observation_rename(&out, "abc-1") == STATUS_OK)
            must_hold(strstr(json_out_text(&out),
                             "{\"resourceType\":\"Observation\",\"id\":\"abc-1\",") == out.text,
                      "it has the other id");
    } else {
        must_hold(out.length == 0 && out.depth == 0, "nothing is left behind");
    }
    json_out_clear(&out);
}

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t length)
{
    const char *text = (const char *)bytes;
    struct abilities abilities;

    for (size_t expected = 0; expected < 3; expected++)
        try_batch(text, length, expected);
    try_search(text, length);
    try_outcome(text, length);
    try_headers(text, length);
    try_observation(text, length);
    try_read_back(text, length);
    if (abilities_read(text, length, &abilities) == STATUS_OK)
        must_hold(memchr(abilities.fhir_version, '\0', sizeof(abilities.fhir_version)) != NULL,
                  "a version ends");
    return 0;
}
