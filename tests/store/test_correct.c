/* Corrections: a line that gets another text, whatever has become of the one before. */
#include "correcting.h"

/* ---- what a claim holds ---- */

static void assert_goes(const struct claim *claim, size_t at, unsigned name, unsigned text,
                        const char *remote, bool withdrawn)
{
    const struct claim_entry *entry = &claim->entries[at];
    const struct uuid id = id_of(name);
    char begins[64];

    assert_true(at < claim->count);
    assert_memory_equal(&entry->id, &id, sizeof(id));
    snprintf(begins, sizeof(begins), "{\"observation\": %u,", text);
    assert_memory_equal(entry->became, begins, strlen(begins));
    assert_int_equal(entry->withdrawn, withdrawn);
    assert_int_equal(entry->remote != NULL, remote != NULL);
    if (remote)
        assert_string_equal(entry->remote, remote);
}

/* Just one goes now. */
static struct claim *goes(struct given *given, int64_t now_ms, unsigned name, unsigned text,
                          const char *remote, bool withdrawn)
{
    struct claim *claim = claim_at(given, MOST, now_ms);

    assert_int_equal(claim->count, 1);
    assert_goes(claim, 0, name, text, remote, withdrawn);
    return claim;
}

static void nothing_goes(struct given *given)
{
    struct claim *claim = claim_at(given, MOST, NOW + 1000000);

    assert_int_equal(claim->count, 0);
    claim_free(claim);
}

static void end(struct given *given, struct claim *claim, struct settlement how)
{
    how.seq = claim->entries[0].seq;
    assert_int_equal(outbox_settle(given->outbox, &how, 1, NOW + 2000), STATUS_OK);
    claim_free(claim);
}

#define CHARTED(n, v)                                                                        \
    (struct settlement)                                                                      \
    {                                                                                        \
        .as = SETTLE_CHARTED, .remote = "Observation/" n, .version = (v), .http_status = 200 \
    }

static void assert_is(struct given *given, unsigned number, enum entry_state state)
{
    assert_int_equal(row_of(given, number).state, state);
}

/* ---- one reading ---- */

static void test_before_any_attempt(void **state)
{
    struct given *given = *state;

    put_single(given->outbox, 1, PATIENT, "heart-rate", NOW);
    assert_int_equal(amend(given, 1, 1, 2), STATUS_OK);
    assert_is(given, 1, ENTRY_SUPERSEDED);
    assert_is(given, 2, ENTRY_WAITING);
    assert_counts(given, 1, 0, 0, 0);
    end(given, goes(given, NOW, 1, 2, NULL, false), CHARTED("9", "1"));
    assert_is(given, 1, ENTRY_SUPERSEDED);
    assert_is(given, 2, ENTRY_CHARTED);
    assert_counts(given, 0, 0, 1, 0);
    nothing_goes(given);
}

static void test_after_charted(void **state)
{
    struct given *given = *state;
    struct claim *claim;

    put_single(given->outbox, 1, PATIENT, "heart-rate", NOW);
    end(given, goes(given, NOW, 1, 1, NULL, false), CHARTED("9", "1"));
    assert_int_equal(amend(given, 1, 1, 2), STATUS_OK);
    assert_is(given, 1, ENTRY_SUPERSEDED);
    assert_is(given, 2, ENTRY_WAITING);
    assert_counts(given, 1, 0, 0, 0);
    claim = goes(given, NOW, 1, 2, "Observation/9", false);
    assert_string_equal(claim->entries[0].remote_version, "1");
    assert_true(claim->entries[0].corrected);
    assert_false(claim->entries[0].ambiguous);
    end(given, claim, CHARTED("9", "2"));
    assert_is(given, 2, ENTRY_CHARTED);
    assert_counts(given, 0, 0, 1, 0);
}

/* The original is on its way: it settles first. */
static void test_while_in_flight(void **state)
{
    struct given *given = *state;
    struct claim *claim;

    put_single(given->outbox, 1, PATIENT, "heart-rate", NOW);
    claim = goes(given, NOW, 1, 1, NULL, false);
    assert_int_equal(amend(given, 1, 1, 2), STATUS_OK);
    assert_is(given, 1, ENTRY_SUPERSEDED);
    assert_is(given, 2, ENTRY_WAITING);
    end(given, claim,
        (struct settlement){.as = SETTLE_WAIT, .ambiguous = true, .reason = "no answer"});
    claim = goes(given, NOW, 1, 1, NULL, false);
    assert_true(claim->entries[0].ambiguous);
    end(given, claim, CHARTED("9", "1"));
    end(given, goes(given, NOW, 1, 2, "Observation/9", false), CHARTED("9", "2"));
    assert_is(given, 2, ENTRY_CHARTED);
    assert_counts(given, 0, 0, 1, 0);
}

/* It was surely not kept, or was refused: then only the corrected one goes. */
static void test_not_kept(void **state)
{
    static const struct settlement hows[] = {
        {.as = SETTLE_WAIT, .reason = "slow down", .http_status = 429, .due_ms = NOW + 500},
        {.as = SETTLE_HELD,                 .reason = "refused",                      .http_status = 422    },
    };
    struct given *given = *state;

    for (unsigned i = 0; i < 2; i++) {
        const unsigned name = 10 * i + 1;
        struct claim *claim;

        put_single(given->outbox, name, PATIENT, "heart-rate", NOW);
        claim = goes(given, NOW, name, name, NULL, false);
        assert_int_equal(amend(given, name, name, name + 1), STATUS_OK);
        end(given, claim, hows[i]);
        if (hows[i].due_ms) {
            claim = claim_at(given, MOST, NOW);
            assert_int_equal(claim->count, 0); /* as long as it said */
            claim_free(claim);
        }
        end(given, goes(given, NOW + 1000, name, name + 1, NULL, false), CHARTED("9", "1"));
        assert_is(given, name + 1, ENTRY_CHARTED);
    }
    assert_counts(given, 0, 0, 2, 0);
}

static void test_held(void **state)
{
    struct given *given = *state;

    put_single(given->outbox, 1, PATIENT, "heart-rate", NOW);
    end(given, goes(given, NOW, 1, 1, NULL, false),
        (struct settlement){.as = SETTLE_HELD, .reason = "refused", .http_status = 422});
    assert_counts(given, 0, 1, 0, 0);
    assert_int_equal(amend(given, 1, 1, 2), STATUS_OK);
    assert_counts(given, 1, 0, 0, 0);
    end(given, goes(given, NOW, 1, 2, NULL, false), CHARTED("9", "1"));
}

/* Held, and it may be there: it is looked for before anything else goes. */
static void test_held_in_doubt(void **state)
{
    struct given *given = *state;
    struct claim *claim;

    put_single(given->outbox, 1, PATIENT, "heart-rate", NOW);
    end(given, goes(given, NOW, 1, 1, NULL, false),
        (struct settlement){.as = SETTLE_HELD, .reason = "cannot look", .ambiguous = true});
    assert_int_equal(amend(given, 1, 1, 2), STATUS_OK);
    assert_counts(given, 1, 0, 0, 0);
    claim = goes(given, NOW, 1, 1, NULL, false);
    assert_true(claim->entries[0].ambiguous);
    end(given, claim, CHARTED("9", "4"));
    end(given, goes(given, NOW, 1, 2, "Observation/9", false), CHARTED("9", "5"));
    assert_counts(given, 0, 0, 1, 0);
}

static void test_a_correction_is_corrected(void **state)
{
    struct given *given = *state;
    struct claim *claim;

    put_single(given->outbox, 1, PATIENT, "heart-rate", NOW);
    end(given, goes(given, NOW, 1, 1, NULL, false), CHARTED("9", "1"));
    assert_int_equal(amend(given, 1, 1, 2), STATUS_OK);
    assert_int_equal(amend(given, 1, 2, 3), STATUS_OK); /* the second never went */
    assert_is(given, 2, ENTRY_SUPERSEDED);
    claim = goes(given, NOW, 1, 3, "Observation/9", false);
    assert_int_equal(amend(given, 1, 3, 4), STATUS_OK); /* the third is on its way */
    end(given, claim, CHARTED("9", "2"));
    claim = goes(given, NOW, 1, 4, "Observation/9", false);
    assert_string_equal(claim->entries[0].remote_version, "2");
    end(given, claim, CHARTED("9", "3"));
    assert_is(given, 3, ENTRY_SUPERSEDED);
    assert_is(given, 4, ENTRY_CHARTED);
}

/* Two people correct one reading: the second is told. */
static void test_only_what_counts_is_corrected(void **state)
{
    const struct uuid old = id_of(1), now = id_of(2);
    struct given *given = *state;
    struct correcting *second;

    put_single(given->outbox, 1, PATIENT, "heart-rate", NOW);
    second = correct(given, 1, 1);
    made_main(&second->made, 3, "heart-rate", NOW)->line = add_line(given, second, 1, false)->line;
    second->correction.entry = 0;
    assert_int_equal(amend(given, 1, 1, 2), STATUS_OK);
    assert_int_equal(finish(given, second), STATUS_CONFLICT);
    assert_is(given, 2, ENTRY_WAITING);
    assert_int_equal(outbox_discard(given->outbox, &old, "r", "b", NOW), STATUS_CONFLICT);
    assert_int_equal(outbox_discard(given->outbox, &now, "r", "b", NOW), STATUS_OK);
    assert_is(given, 2, ENTRY_DISCARDED);
    assert_int_equal(amend(given, 1, 2, 4), STATUS_CONFLICT);
    nothing_goes(given);
    assert_counts(given, 0, 0, 0, 1);
}

/* ---- retracted ---- */

static void test_retracted_before_any_attempt(void **state)
{
    struct given *given = *state;

    put_single(given->outbox, 1, PATIENT, "heart-rate", NOW);
    assert_int_equal(retract(given, 1, 1), STATUS_OK);
    assert_is(given, 1, ENTRY_RETRACTED);
    nothing_goes(given);
    assert_int_equal(amend(given, 1, 1, 2), STATUS_CONFLICT);
    assert_counts(given, 0, 0, 0, 1);
}

static void test_retracted_after_charted(void **state)
{
    struct given *given = *state;

    put_single(given->outbox, 1, PATIENT, "heart-rate", NOW);
    end(given, goes(given, NOW, 1, 1, NULL, false), CHARTED("9", "1"));
    assert_int_equal(retract(given, 1, 1), STATUS_OK);
    assert_is(given, 1, ENTRY_RETRACTED);
    end(given, goes(given, NOW, 1, 1, "Observation/9", true), CHARTED("9", "2"));
    assert_is(given, 1, ENTRY_RETRACTED);
    assert_counts(given, 0, 0, 1, 0);
    nothing_goes(given);
}

static void test_retracted_while_in_flight(void **state)
{
    struct given *given = *state;
    struct claim *claim;

    put_single(given->outbox, 1, PATIENT, "heart-rate", NOW);
    claim = goes(given, NOW, 1, 1, NULL, false);
    assert_int_equal(retract(given, 1, 1), STATUS_OK);
    end(given, claim, CHARTED("9", "1"));
    end(given, goes(given, NOW, 1, 1, "Observation/9", true), CHARTED("9", "2"));
    put_single(given->outbox, 2, PATIENT, "heart-rate", NOW);
    claim = goes(given, NOW, 2, 2, NULL, false);
    assert_int_equal(retract(given, 2, 2), STATUS_OK);
    end(given, claim, (struct settlement){.as = SETTLE_HELD, .reason = "refused"});
    assert_is(given, 2, ENTRY_RETRACTED); /* it never got there, and need not */
    nothing_goes(given);
    assert_counts(given, 0, 0, 1, 1);
}

/* ---- a set ---- */

static void chart_in_two(struct given *given)
{
    chart(given, NUMBERED(1, 2));
    chart(given, NUMBERED(3, 4));
}

static void test_score_goes_behind_what_it_is_made_of(void **state)
{
    struct given *given = *state;
    struct claim *claim;

    put_set_of_four(given);
    chart_in_two(given);
    assert_int_equal(finish(given, correct_first_of_four(given, 5)), STATUS_OK);
    assert_is(given, 1, ENTRY_SUPERSEDED);
    assert_is(given, 3, ENTRY_SUPERSEDED);
    assert_is(given, 4, ENTRY_CHARTED); /* it lists the same */
    end(given, goes(given, NOW, 1, 5, "Observation/1", false), CHARTED("1", "2"));
    claim = goes(given, NOW, 3, 6, "Observation/3", false);
    assert_int_equal(claim->entries[0].needs_count, 2);
    end(given, claim, CHARTED("3", "2"));
    nothing_goes(given);
    assert_counts(given, 0, 0, 4, 0);
}

static void test_score_of_what_never_went(void **state)
{
    struct given *given = *state;

    put_set_of_four(given);
    assert_int_equal(finish(given, correct_first_of_four(given, 5)), STATUS_OK);
    chart(given, NUMBERED(1, 2));
    chart(given, NUMBERED(3, 4));
    assert_is(given, 5, ENTRY_CHARTED);
    assert_is(given, 6, ENTRY_CHARTED);
    assert_counts(given, 0, 0, 4, 0);
}

static void test_retracted_with_its_score(void **state)
{
    struct given *given = *state;
    struct claim *claim;

    put_set_of_four(given);
    chart_in_two(given);
    retract_first_of_four(given);
    assert_is(given, 1, ENTRY_RETRACTED);
    assert_is(given, 3, ENTRY_RETRACTED);
    claim = claim_at(given, MOST, NOW);
    assert_int_equal(claim->count, 3);
    assert_goes(claim, 0, 1, 1, "Observation/1", true);
    assert_goes(claim, 1, 3, 3, "Observation/3", true);
    assert_int_equal(claim->entries[1].needs_count, 2);
    assert_goes(claim, 2, 4, 8, "Observation/4", false);
    assert_int_equal(claim->entries[2].needs_count, 1);
    settle_claim(given, claim, SETTLE_CHARTED, NOW);
    claim_free(claim);
    nothing_goes(given);
    assert_counts(given, 0, 0, 4, 0);
}

static void test_retracted_before_anything_went(void **state)
{
    struct given *given = *state;

    put_set_of_four(given);
    retract_first_of_four(given);
    chart(given, NUMBERED(2));
    chart(given, NUMBERED(4));
    nothing_goes(given);
    assert_counts(given, 0, 0, 2, 2);
}

/* ---- all or nothing, and afterwards ---- */

static void test_with_another_put_or_not_at_all(void **state)
{
    struct given *given = *state;
    struct made *other = malloc(sizeof(*other));

    assert_non_null(other);
    put_single(given->outbox, 1, PATIENT, "heart-rate", NOW);
    put_single(given->outbox, 2, "s|q", "heart-rate", NOW);
    for (unsigned taken = 2; taken <= 3; taken++) { /* 2 is there already */
        struct correcting *correcting = correct(given, 1, 1);
        const struct uuid instead = id_of(taken);

        made_begin(other, taken, "s|q");
        made_main(other, taken, "heart-rate", NOW + 1);
        add_line(given, correcting, 1, true);
        correcting->correction.instead = &instead;
        correcting->made.put.also = &other->put;
        assert_int_equal(made_put(&correcting->made, given->outbox),
                         taken == 2 ? STATUS_CONFLICT : STATUS_OK);
        assert_false(correcting->made.put.stale);
        assert_is(given, 1, taken == 2 ? ENTRY_WAITING : ENTRY_RETRACTED);
        free(correcting);
    }
    free(other);
    chart(given, NUMBERED(2, 3));
    assert_counts(given, 0, 0, 2, 1);
}

struct last {
    bool found;
    char text[64];
};

static void last_seen(void *context, const char *values, size_t length, int64_t taken_ms)
{
    struct last *last = context;

    (void)taken_ms;
    last->found = true;
    snprintf(last->text, sizeof(last->text), "%.*s", (int)length, values);
}

static void assert_last(struct given *given, const char *values)
{
    struct last last = {false, ""};
    enum status status =
        outbox_last(given->reader, PATIENT, "heart-rate", NOW + 1000, last_seen, &last);

    assert_int_equal(status, values ? STATUS_OK : STATUS_NOT_FOUND);
    if (values)
        assert_string_equal(last.text, values);
}

static void test_the_last_one_is_the_corrected_one(void **state)
{
    struct given *given = *state;

    put_single(given->outbox, 1, PATIENT, "heart-rate", NOW - 5);
    put_single(given->outbox, 2, PATIENT, "heart-rate", NOW);
    assert_last(given, "{\"value\": 2}");
    assert_int_equal(amend(given, 2, 2, 7), STATUS_OK);
    assert_last(given, "{\"value\": 7}");
    assert_int_equal(retract(given, 2, 7), STATUS_OK);
    assert_last(given, "{\"value\": 1}");
    assert_int_equal(retract(given, 1, 1), STATUS_OK);
    assert_last(given, NULL);
}

struct listed {
    struct given *given;
    char text[200];
    int64_t page;
};

static bool listed(void *context, const struct outbox_row *row)
{
    struct listed *list = context;
    size_t used = strlen(list->text);

    snprintf(list->text + used, sizeof(list->text) - used, "%u:%s%s%s ", row->id.bytes[15],
             entry_state_text(row->state), row->corrects.given ? "<" : "",
             row->corrected_by.given ? ">" : "");
    list->page = row->page;
    return true;
}

static void assert_search(struct given *given, int state, size_t most, const char *expected)
{
    struct outbox_search search = {OUTBOX_SEARCH_OPEN, .mains_only = true, .most = most};
    struct listed list = {.given = given};

    search.has_state = state >= 0;
    if (search.has_state)
        search.state = (enum entry_state)state;
    for (int page = 0; page < 10; page++) { /* page by page it is the same list */
        size_t before = strlen(list.text);

        assert_int_equal(outbox_search(given->reader, &search, listed, &list), STATUS_OK);
        if (strlen(list.text) == before)
            break;
        search.after_seq = list.page;
    }
    assert_string_equal(list.text, expected);
}

static void test_searches(void **state)
{
    struct given *given = *state;

    for (unsigned i = 1; i <= 4; i++)
        put_single(given->outbox, i, PATIENT, "heart-rate", NOW);
    chart(given, NUMBERED(1, 2, 3, 4));
    assert_int_equal(amend(given, 1, 1, 11), STATUS_OK);
    assert_int_equal(amend(given, 2, 2, 12), STATUS_OK);
    assert_int_equal(retract(given, 3, 3), STATUS_OK);
    for (size_t most = 1; most <= 10; most += 9) {
        assert_search(
            given, -1, most,
            "12:waiting< 11:waiting< 4:charted 3:retracted> 2:superseded> 1:superseded> ");
        assert_search(given, ENTRY_WAITING, most, "12:waiting< 11:waiting< ");
        assert_search(given, ENTRY_CHARTED, most, "4:charted ");
        assert_search(given, ENTRY_SUPERSEDED, most, "2:superseded> 1:superseded> ");
        assert_search(given, ENTRY_RETRACTED, most, "3:retracted> ");
    }
    chart(given, NUMBERED(1, 2, 3));
    nothing_goes(given); /* now the watermark is over the new texts */
    for (size_t most = 1; most <= 10; most += 9)
        assert_search(given, ENTRY_CHARTED, most, "12:charted< 11:charted< 4:charted ");
}

int main(void)
{
#define WITH(test) cmocka_unit_test_setup_teardown(test, given_setup, given_teardown)
    const struct CMUnitTest tests[] = {
        WITH(test_before_any_attempt),
        WITH(test_after_charted),
        WITH(test_while_in_flight),
        WITH(test_not_kept),
        WITH(test_held),
        WITH(test_held_in_doubt),
        WITH(test_a_correction_is_corrected),
        WITH(test_only_what_counts_is_corrected),
        WITH(test_retracted_before_any_attempt),
        WITH(test_retracted_after_charted),
        WITH(test_retracted_while_in_flight),
        WITH(test_score_goes_behind_what_it_is_made_of),
        WITH(test_score_of_what_never_went),
        WITH(test_retracted_with_its_score),
        WITH(test_retracted_before_anything_went),
        WITH(test_with_another_put_or_not_at_all),
        WITH(test_the_last_one_is_the_corrected_one),
        WITH(test_searches),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
