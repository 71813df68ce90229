/* A set is charted, corrected twice and retracted, against a far end that remembers: with the power
 * cut at every event in turn, each write or sync failing in turn, and a restart behind every step.
 * In the end the far end has each Observation once, with the text that counts. */
#include "correcting.h"

#include "vfs.h"

enum { NAMES = 4 };

struct far_end { /* what it has by the number of a line's first text */
    struct {
        char text[40];
        bool withdrawn;
        int version, creates;
    } has[NAMES + 1];
};

struct story {
    struct given given;
    struct far_end far_end;
    bool restarts; /* behind every step */
};

static void restart(struct story *story)
{
    if (!story->restarts)
        return;
    given_stop(&story->given);
    given_start(&story->given);
}

/* ---- delivering ---- */

static void receive(struct far_end *far_end, const struct claim_entry *entry)
{
    const unsigned name = entry->id.bytes[15];
    const size_t length = strcspn(entry->became, ",");

    assert_in_range(name, 1, NAMES);
    assert_int_equal(entry->remote != NULL, far_end->has[name].version > 0);
    far_end->has[name].creates += entry->remote == NULL;
    far_end->has[name].version++;
    far_end->has[name].withdrawn = entry->withdrawn;
    snprintf(far_end->has[name].text, sizeof(far_end->has[name].text), "%.*s", (int)length,
             entry->became);
}

/* It is there already, says a look: a create that got there, or our very text. */
static bool is_there(const struct far_end *far_end, const struct claim_entry *entry)
{
    const unsigned name = entry->id.bytes[15];
    const size_t length = strcspn(entry->became, ",");

    if (far_end->has[name].version == 0)
        return false;
    return !entry->remote || (far_end->has[name].withdrawn == entry->withdrawn &&
                              strncmp(far_end->has[name].text, entry->became, length) == 0);
}

/* False: nothing goes now, or the store is in trouble. */
static bool deliver_one_claim(struct story *story)
{
    struct settlement settlements[MOST] = {{0}};
    char remotes[MOST][24], versions[MOST][12];
    struct claim *claim = NULL;
    size_t count;

    if (outbox_claim(story->given.outbox, MOST, BYTES, NOW + 10000, &claim) != STATUS_OK)
        return false;
    count = claim->count;
    for (size_t i = 0; i < count; i++) {
        const struct claim_entry *entry = &claim->entries[i];
        const unsigned name = entry->id.bytes[15];

        if (!entry->ambiguous || !is_there(&story->far_end, entry))
            receive(&story->far_end, entry);
        snprintf(remotes[i], sizeof(remotes[i]), "Observation/%u", name);
        snprintf(versions[i], sizeof(versions[i]), "%d", story->far_end.has[name].version);
        settlements[i] = (struct settlement){.seq = entry->seq,
                                             .as = SETTLE_CHARTED,
                                             .remote = remotes[i],
                                             .version = versions[i],
                                             .http_status = 200};
    }
    claim_free(claim);
    if (count == 0 ||
        outbox_settle(story->given.outbox, settlements, count, NOW + 10000) != STATUS_OK)
        return false;
    restart(story);
    return true;
}

static void deliver(struct story *story)
{
    for (int i = 0; i < 12 && deliver_one_claim(story); i++)
        ;
}

/* A claim whose answer nobody hears: the daemon ends there. */
static void claim_and_forget(struct story *story)
{
    struct claim *claim = NULL;

    if (outbox_claim(story->given.outbox, 1, BYTES, NOW + 10000, &claim) != STATUS_OK)
        return;
    if (claim->count > 0)
        receive(&story->far_end, &claim->entries[0]);
    claim_free(claim);
    restart(story);
}

/* ---- the story; what was done is not done again ---- */

static bool is_known(struct story *story, unsigned number, enum entry_state *state)
{
    struct seen_row seen = {0};
    const struct uuid id = id_of(number);
    enum status status = outbox_find(story->given.reader, &id, row_seen, &seen);

    *state = seen.state;
    return status == STATUS_OK;
}

static void put_the_set(struct story *story)
{
    struct made *made;
    enum entry_state state;

    if (is_known(story, 1, &state))
        return;
    made = malloc(sizeof(*made));
    assert_non_null(made);
    make_set_of_four(made);
    (void)made_put(made, story->given.outbox);
    free(made);
    restart(story);
}

static void amend_the_set(struct story *story, struct of_four now, unsigned fresh)
{
    enum entry_state state;

    if (!is_known(story, now.first, &state) || is_known(story, fresh, &state))
        return;
    (void)finish(&story->given, correct_of_four(&story->given, now, fresh));
    restart(story);
}

static void retract_the_first(struct story *story)
{
    enum entry_state state;

    if (!is_known(story, 7, &state) || state == ENTRY_RETRACTED)
        return;
    (void)finish(&story->given, retract_of_four(&story->given, (struct of_four){7, 8, 4}, 9));
    restart(story);
}

enum { STEPS = 8 };

static void take_step(struct story *story, unsigned step)
{
    switch (step) {
    case 0:
        put_the_set(story);
        break;
    case 2:
        amend_the_set(story, (struct of_four){1, 3, 4}, 5);
        break;
    case 3:
        claim_and_forget(story);
        break;
    case 4:
        amend_the_set(story, (struct of_four){5, 6, 4}, 7);
        break;
    case 6:
        retract_the_first(story);
        break;
    default:
        deliver(story);
    }
}

static void tell(struct story *story)
{
    for (unsigned step = 0; step < STEPS; step++)
        take_step(story, step);
}

static void assert_has(const struct story *story, unsigned name, unsigned text, bool withdrawn)
{
    char expected[40];

    snprintf(expected, sizeof(expected), "{\"observation\": %u", text);
    assert_string_equal(story->far_end.has[name].text, expected);
    assert_int_equal(story->far_end.has[name].withdrawn, withdrawn);
    assert_int_equal(story->far_end.has[name].creates, 1);
}

static void assert_told(struct story *story)
{
    static const struct {
        unsigned number;
        enum entry_state state;
    } ends[] = {
        {1, ENTRY_SUPERSEDED},
        {2, ENTRY_CHARTED   },
        {3, ENTRY_SUPERSEDED},
        {4, ENTRY_SUPERSEDED},
        {5, ENTRY_SUPERSEDED},
        {6, ENTRY_SUPERSEDED},
        {7, ENTRY_RETRACTED },
        {8, ENTRY_RETRACTED },
        {9, ENTRY_CHARTED   },
    };
    enum entry_state state;

    for (size_t i = 0; i < sizeof(ends) / sizeof(ends[0]); i++) {
        assert_true(is_known(story, ends[i].number, &state));
        assert_int_equal(state, ends[i].state);
    }
    assert_has(story, 1, 7, true);
    assert_has(story, 2, 2, false);
    assert_has(story, 3, 8, true);
    assert_has(story, 4, 9, false);
    assert_counts(&story->given, 0, 0, 4, 0);
}

/* ---- trouble ---- */

static void begin(struct story *story)
{
    *story = (struct story){.restarts = false};
    given_folder(&story->given);
    given_start(&story->given);
}

static void end(struct story *story)
{
    given_stop(&story->given);
    given_empty(&story->given);
}

static void test_with_a_restart_behind_every_step(void **state)
{
    struct story story;

    (void)state;
    begin(&story);
    story.restarts = true;
    tell(&story);
    assert_told(&story);
    end(&story);
}

static bool cut_at(unsigned event, uint32_t seed)
{
    struct story story;
    bool went_off;

    begin(&story);
    vfs_cut_power_at(event, seed);
    tell(&story);
    given_stop(&story.given);
    went_off = vfs_power_is_off();
    vfs_power_on();
    given_start(&story.given);
    tell(&story);
    assert_told(&story);
    end(&story);
    return went_off;
}

static void test_power_cut_at_each_event(void **state)
{
    unsigned event = 1;

    (void)state;
    vfs_install();
    while (cut_at(event, event) && event < 1000)
        event++;
    vfs_remove();
    assert_in_range(event, 30, 999);
}

/* This step finds that the next write, or sync, fails; what failed is done again. */
static void fail_at(unsigned failing, enum vfs_event what)
{
    struct story story;

    vfs_install();
    begin(&story);
    for (unsigned step = 0; step < STEPS; step++) {
        if (step == failing)
            vfs_fail_next(what);
        take_step(&story, step);
    }
    tell(&story);
    assert_told(&story);
    end(&story);
    vfs_remove();
}

static void test_failing_disk_at_each_step(void **state)
{
    (void)state;
    for (unsigned step = 0; step < STEPS; step++) {
        fail_at(step, VFS_WRITE);
        fail_at(step, VFS_SYNC);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_with_a_restart_behind_every_step),
        cmocka_unit_test(test_power_cut_at_each_event),
        cmocka_unit_test(test_failing_disk_at_each_step),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
