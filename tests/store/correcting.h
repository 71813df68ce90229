/* correcting.h - corrections from numbers, for the store's tests. */
#ifndef WARDPOST_TESTS_STORE_CORRECTING_H
#define WARDPOST_TESTS_STORE_CORRECTING_H

#include "given.h"

#define PATIENT "s|p"

/* ---- corrections from numbers ---- */

struct seen_text {
    int64_t seq, line, first;
    struct uuid id;
};

static inline bool text_seen(void *context, const struct outbox_row *row)
{
    struct seen_text *seen = context;

    seen->seq = row->seq;
    seen->line = row->line;
    seen->id = row->id;
    return false;
}

static inline struct seen_text text_of(struct given *given, unsigned number)
{
    struct seen_text seen = {0};
    const struct uuid id = id_of(number);

    assert_int_equal(outbox_find(given->reader, &id, text_seen, &seen), STATUS_OK);
    return seen;
}

struct correcting {
    struct made made;
    struct put_correction correction;
    struct put_line lines[8];
};

static inline struct put_line *add_line(struct given *given, struct correcting *correcting,
                                        unsigned number, bool withdraw)
{
    const struct seen_text text = text_of(given, number);
    struct put_line *line = &correcting->lines[correcting->correction.lines_count++];

    *line = (struct put_line){text.line, text.seq, withdraw};
    return line;
}

/* `number` is the text that is corrected, of set `set`. */
static inline struct correcting *correct(struct given *given, unsigned set, unsigned number)
{
    struct correcting *correcting = calloc(1, sizeof(*correcting));
    const struct seen_text text = text_of(given, number);

    assert_non_null(correcting);
    made_begin(&correcting->made, set, PATIENT);
    correcting->made.put.correction = &correcting->correction;
    correcting->made.put.accepted_ms = NOW + 5000;
    correcting->correction = (struct put_correction){.first = text_of(given, set).line,
                                                     .replaces = text.seq,
                                                     .replaces_id = text.id,
                                                     .entry = SIZE_MAX,
                                                     .reason = "wrong-number",
                                                     .by = "n-1",
                                                     .lines = correcting->lines};
    return correcting;
}

static inline enum status finish(struct given *given, struct correcting *correcting)
{
    enum status status = made_put(&correcting->made, given->outbox);

    assert_true(!correcting->made.put.stale || status == STATUS_CONFLICT);
    free(correcting);
    return status;
}

/* The single reading `number`, or the correction of it with that number, becomes `fresh`. */
static inline enum status amend(struct given *given, unsigned set, unsigned number, unsigned fresh)
{
    struct correcting *correcting = correct(given, set, number);
    struct put_entry *entry = made_main(&correcting->made, fresh, "heart-rate", NOW);

    entry->line = add_line(given, correcting, number, false)->line;
    correcting->correction.entry = 0;
    return finish(given, correcting);
}

static inline enum status retract(struct given *given, unsigned set, unsigned number)
{
    struct correcting *correcting = correct(given, set, number);

    add_line(given, correcting, number, true);
    return finish(given, correcting);
}

/* ---- a set of four ---- */

/* 1, 2 readings; 3 a score of both; 4 a panel. */
static inline void make_set_of_four(struct made *made)
{
    made_begin(made, 100, PATIENT);
    made_main(made, 1, "heart-rate", NOW);
    made_main(made, 2, "respiratory-rate", NOW);
    made_other(made, 3, "score:s", SIZE_MAX);
    made_need(made, 0, true);
    made_need(made, 1, true);
    made_other(made, 4, "panel", SIZE_MAX);
    made_need(made, 0, false);
    made_need(made, 1, false);
}

static inline void put_set_of_four(struct given *given)
{
    struct made *made = malloc(sizeof(*made));

    assert_non_null(made);
    make_set_of_four(made);
    assert_int_equal(made_put(made, given->outbox), STATUS_OK);
    free(made);
}

/* `now`: the texts that count of the first reading, the score and the panel. fresh 0: it is
 * retracted. */
struct of_four {
    unsigned first, score, panel;
};

static inline struct correcting *correct_of_four(struct given *given, struct of_four now,
                                                 unsigned fresh)
{
    struct correcting *correcting = correct(given, 1, now.first);
    struct put_entry *entry;
    int64_t one, two;

    correcting->made.put.set = id_of(100);
    one = add_line(given, correcting, now.first, fresh == 0)->line;
    two = add_line(given, correcting, 2, false)->line;
    add_line(given, correcting, now.panel, false);
    if (fresh == 0)
        return correcting;
    made_main(&correcting->made, fresh, "heart-rate", NOW)->line = one;
    correcting->correction.entry = 0;
    entry = made_other(&correcting->made, fresh + 1, "score:s", SIZE_MAX);
    entry->line = add_line(given, correcting, now.score, false)->line;
    made_need(&correcting->made, 0, true);
    made_need(&correcting->made, 1, true);
    correcting->made.needs[0].there = one;
    correcting->made.needs[1].there = two;
    return correcting;
}

static inline struct correcting *correct_first_of_four(struct given *given, unsigned fresh)
{
    return correct_of_four(given, (struct of_four){1, 3, 4}, fresh);
}

/* The score cannot be worked out any more; the panel lists one less. */
static inline struct correcting *retract_of_four(struct given *given, struct of_four now,
                                                 unsigned fresh)
{
    struct correcting *correcting = correct_of_four(given, now, 0);
    struct put_entry *panel;

    add_line(given, correcting, now.score, true);
    panel = made_other(&correcting->made, fresh, "panel", SIZE_MAX);
    panel->line = text_of(given, now.panel).line;
    made_need(&correcting->made, 0, false);
    correcting->made.needs[0].there = text_of(given, 2).line;
    return correcting;
}

static inline void retract_first_of_four(struct given *given)
{
    assert_int_equal(finish(given, retract_of_four(given, (struct of_four){1, 3, 4}, 8)),
                     STATUS_OK);
}

#endif
