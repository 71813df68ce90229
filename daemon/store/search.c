/* search.c - looking for entries: by patient along the chains, by state along their index, else
 * backwards from the newest. Whatever is asked, the rows looked at are bounded. */
#include <stdlib.h>
#include <string.h>

#include "store/store_private.h"

#define LOOKED_AT_MOST 100000 /* rows in one search */
#define CHAIN_MOST     4096   /* links in one look for the last reading */
#define KINDS_MOST     256    /* chains of one patient */

/* ---- chains: the entries of a patient and kind, newest first, each naming the one accepted before
 * it ---- */

struct link {
    int64_t seq, earlier, late_ms, taken_ms, changed_ms, reading;
    enum entry_state state;
    bool same_patient;  /* two patients may share a hash: the text decides */
    bool is_bound;      /* it has a patient at all */
    struct text values; /* borrowed until the next link */
};

static enum entry_state state_of_link(sqlite3_stmt *statement, int64_t seq)
{
    const int64_t line = sqlite3_column_int64(statement, 9);
    const struct delivery_row row = {.state = (enum entry_state)sqlite3_column_int(statement, 7),
                                     .body = sqlite3_column_int64(statement, 10),
                                     .next = sqlite3_column_int64(statement, 11)};

    return text_state(seq, line ? line : seq, &row);
}

static enum status read_link(struct outbox_reader *reader, int64_t seq, const char *patient,
                             struct link *out)
{
    sqlite3_stmt *statement = db_bind_numbers(&reader->db, SQL_CHAIN_STEP, NUMBERS(seq));
    bool row, lost = false;
    const char *text;
    int64_t settled_ms;
    enum status status = db_step(&reader->db, statement, &row);

    if (!row)
        return status == STATUS_OK ? STATUS_DAMAGED : status;
    *out = (struct link){.seq = seq,
                         .earlier = sqlite3_column_int64(statement, 0),
                         .late_ms = sqlite3_column_int64(statement, 1),
                         .taken_ms = sqlite3_column_int64(statement, 2),
                         .changed_ms = sqlite3_column_int64(statement, 3),
                         .reading = sqlite3_column_int64(statement, 4),
                         .values = column_bytes(statement, 5)};
    text = column_text(statement, 6, &lost);
    out->same_patient = text && (!patient || strcmp(text, patient) == 0);
    out->is_bound = text && text[0] != '\0';
    out->state = state_of_link(statement, seq);
    settled_ms = sqlite3_column_int64(statement, 8);
    if (settled_ms > out->changed_ms)
        out->changed_ms = settled_ms;
    return lost ? STATUS_NO_MEMORY : STATUS_OK;
}

/* After the last link: a statement that stands on a row keeps its view of the store, and the log
 * from starting again. */
static void let_go(struct outbox_reader *reader)
{
    sqlite3_reset(reader->db.statements[SQL_CHAIN_STEP]);
}

static bool is_main(const struct link *link)
{
    return link->reading == link->seq;
}

static enum status newest_of(struct outbox_reader *reader, int64_t patient, const char *kind,
                             int64_t *seq)
{
    sqlite3_stmt *statement;
    enum status status;
    bool row;

    if (heads_shown(reader->outbox->heads, patient, kind, seq))
        return STATUS_OK;
    statement = db_bind_numbers(&reader->db, SQL_NEWEST_FIND, NUMBERS(patient));
    if (statement)
        bind_text(statement, 2, kind);
    status = db_step(&reader->db, statement, &row);
    *seq = row ? sqlite3_column_int64(statement, 0) : 0;
    if (row)
        sqlite3_reset(statement);
    return status;
}

struct chains { /* of a patient: where each stands; walked newest first by taking the largest */
    int64_t seqs[KINDS_MOST + HEADS_OF_A_PATIENT];
    size_t count;
};

static bool is_ahead(const struct named_head *heads, size_t count, const char *kind)
{
    for (size_t i = 0; i < count; i++)
        if (strcmp(heads[i].kind, kind) == 0)
            return true;
    return false;
}

/* Heads first: what goes to the table meanwhile stands in both then, and not in neither. */
static enum status all_chains_of(struct outbox_reader *reader, int64_t patient, struct chains *out)
{
    struct named_head heads[HEADS_OF_A_PATIENT];
    const size_t count = heads_of(reader->outbox->heads, patient, heads);
    sqlite3_stmt *statement =
        db_bind_numbers(&reader->db, SQL_NEWEST_OF, NUMBERS(patient, KINDS_MOST));
    bool row, lost = false;
    enum status status;

    for (size_t i = 0; i < count; i++)
        out->seqs[out->count++] = heads[i].head.seq;
    while ((status = db_step(&reader->db, statement, &row)) == STATUS_OK && row) {
        const char *kind = column_text(statement, 1, &lost);

        if (kind && !is_ahead(heads, count, kind))
            out->seqs[out->count++] = sqlite3_column_int64(statement, 0);
    }
    return status == STATUS_OK && lost ? STATUS_NO_MEMORY : status;
}

static enum status chains_of(struct outbox_reader *reader, int64_t patient, const char *kind,
                             struct chains *out)
{
    out->count = 0;
    if (!kind)
        return all_chains_of(reader, patient, out);
    out->count = 1;
    return newest_of(reader, patient, kind, &out->seqs[0]);
}

/* The newest link of all chains, and past it. link->seq 0: they are at their end. */
static enum status next_link(struct outbox_reader *reader, struct chains *chains,
                             const char *patient, struct link *link)
{
    size_t newest = 0;
    enum status status;

    link->seq = 0;
    for (size_t i = 1; i < chains->count; i++)
        if (chains->seqs[i] > chains->seqs[newest])
            newest = i;
    if (chains->count == 0 || chains->seqs[newest] == 0)
        return STATUS_OK;
    status = read_link(reader, chains->seqs[newest], patient, link);
    chains->seqs[newest] = link->earlier;
    return status;
}

/* ---- searching ---- */

static bool in_range(const struct outbox_search *search, int64_t taken_ms, int64_t changed_ms)
{
    return taken_ms >= search->taken_from_ms && taken_ms < search->taken_to_ms &&
           changed_ms >= search->changed_from_ms;
}

static bool row_fits(const struct row_walk *walked, const struct outbox_row *row)
{
    const struct outbox_search *search = walked->search;
    int64_t changed_ms = row->settled_ms > row->accepted_ms ? row->settled_ms : row->accepted_ms;

    return (!search->mains_only || row->reading == row->seq) &&
           (!search->patient || strcmp(search->patient, row->patient) == 0) &&
           (!search->kind || strcmp(search->kind, row->kind) == 0) &&
           (!search->has_state || row->state == search->state) &&
           in_range(search, row->taken_ms, changed_ms);
}

static bool link_fits(const struct outbox_search *search, const struct link *link)
{
    return link->seq < search->after_seq && link->same_patient &&
           (!search->mains_only || is_main(link)) &&
           (!search->has_state || link->state == search->state) &&
           in_range(search, link->taken_ms, link->changed_ms);
}

static enum status search_patient(struct outbox_reader *reader, struct row_walk *walked)
{
    const struct outbox_search *search = walked->search;
    struct chains chains;
    struct link link = {0};
    enum status status = chains_of(reader, patient_hash(search->patient), search->kind, &chains);

    for (int i = 0; i < LOOKED_AT_MOST && status == STATUS_OK && !walked->stopped; i++) {
        status = next_link(reader, &chains, search->patient, &link);
        if (status == STATUS_OK && link.seq == 0)
            break;
        if (status == STATUS_OK && link_fits(search, &link))
            status = row_at(reader, link.seq, walked);
    }
    let_go(reader);
    return status;
}

static int64_t least(int64_t a, int64_t b)
{
    return a < b ? a : b;
}

static enum status search_backwards(struct outbox_reader *reader, struct row_walk *walked,
                                    int64_t before, int64_t down_to)
{
    return rows_walk(
        reader,
        db_bind_numbers(&reader->db, SQL_ROWS_BACKWARDS, NUMBERS(before, down_to, LOOKED_AT_MOST)),
        walked);
}

/* The lines in this state, each with the text that it has now, up to that entry. */
static enum status search_index(struct outbox_reader *reader, struct row_walk *walked,
                                int64_t before, int64_t upto)
{
    walked->by_line = true;
    return rows_walk(
        reader,
        db_bind_numbers(&reader->db, SQL_ROWS_IN_STATE,
                        NUMBERS((int64_t)walked->search->state, before, LOOKED_AT_MOST, upto)),
        walked);
}

/* Over the watermark nothing is charted and nearly all is waiting; up to it the waiting ones stand
 * in the index. */
static enum status search_state(struct outbox_reader *reader, struct row_walk *walked)
{
    const int64_t watermark = counters_shown(reader->outbox).counters[COUNTER_WATERMARK];
    const int64_t after = walked->search->after_seq;
    enum status status = STATUS_OK;

    switch (walked->search->state) {
    case ENTRY_WAITING:
        status = search_backwards(reader, walked, after, watermark);
        if (status == STATUS_OK && !walked->stopped)
            status = search_index(reader, walked, least(after, watermark + 1), watermark);
        break;
    case ENTRY_CHARTED:
        status = search_backwards(reader, walked, least(after, watermark + 1), 0);
        break;
    case ENTRY_SUPERSEDED:
    case ENTRY_RETRACTED:
        status = search_backwards(reader, walked, after, 0);
        break;
    case ENTRY_HELD:
    case ENTRY_DISCARDED:
        status = search_index(reader, walked, after, INT64_MAX);
        break;
    }
    return status;
}

enum status outbox_search(struct outbox_reader *reader, const struct outbox_search *search,
                          outbox_row_seen *seen, void *context)
{
    struct row_walk walked = {
        .fits = row_fits, .seen = seen, .context = context, .search = search, .most = search->most};

    if (search->most == 0)
        return STATUS_OK;
    if (search->patient)
        return search_patient(reader, &walked);
    if (search->has_state)
        return search_state(reader, &walked);
    return search_backwards(reader, &walked, search->after_seq, 0);
}

/* ---- the last of a kind ---- */

struct last_look {
    int64_t before_ms;
    bool found;
    bool has_newest,
        newest_fits; /* the latest of those looked at; short enough to be kept in memory */
    bool complete;   /* there can be none later further down */
    struct newest_values newest;
    struct text best; /* malloc'd */
    int64_t best_ms;
};

static enum status keep_best(struct last_look *look, const struct link *link)
{
    char *copy = realloc((char *)(uintptr_t)look->best.bytes, link->values.length + 1);

    if (!copy)
        return STATUS_NO_MEMORY;
    memcpy(copy, link->values.bytes, link->values.length);
    look->best = (struct text){copy, link->values.length};
    look->best_ms = link->taken_ms;
    look->found = true;
    return STATUS_OK;
}

static void keep_newest(struct last_look *look, const struct link *link)
{
    look->newest_fits = link->values.length <= NEWEST_VALUES_MOST;
    look->has_newest = true;
    look->newest =
        (struct newest_values){.taken_ms = link->taken_ms, .length = link->values.length};
    if (look->newest_fits)
        memcpy(look->newest.bytes, link->values.bytes, link->values.length);
}

static enum status look_at_link(struct last_look *look, const struct link *link)
{
    if (!is_main(link) || !link->same_patient || !link->values.bytes ||
        (link->state != ENTRY_WAITING && link->state != ENTRY_CHARTED))
        return STATUS_OK;
    if (!look->has_newest || link->taken_ms > look->newest.taken_ms)
        keep_newest(look, link);
    if (link->taken_ms < look->before_ms && (!look->found || link->taken_ms > look->best_ms))
        return keep_best(look, link);
    return STATUS_OK;
}

/* The chain is in the order of acceptance, mostly that of taking, too. Nothing further down was
 * taken after `taken_ms + late_ms` of this link (schema.c): then there is nothing better. */
static enum status look_on_disk(struct outbox_reader *reader, const char *patient, const char *kind,
                                struct last_look *look)
{
    struct link link = {0};
    int64_t seq = 0;
    enum status status = newest_of(reader, patient_hash(patient), kind, &seq);

    for (int i = 0; i < CHAIN_MOST && seq != 0 && status == STATUS_OK; i++) {
        status = read_link(reader, seq, patient, &link);
        if (status == STATUS_OK)
            status = look_at_link(look, &link);
        look->complete = look->found && look->best_ms >= link.taken_ms + link.late_ms;
        seq = look->complete ? 0 : link.earlier;
    }
    look->complete = seq == 0;
    look->newest.none = !look->has_newest;
    let_go(reader);
    return status;
}

enum status outbox_last(struct outbox_reader *reader, const char *patient, const char *kind,
                        int64_t before_ms, outbox_last_seen *seen, void *context)
{
    struct newest *newest = reader->outbox->newest;
    const int64_t hash = patient_hash(patient);
    struct last_look look = {.before_ms = before_ms};
    struct newest_values values;
    uint32_t generation;
    enum status status;

    if (newest_find(newest, hash, kind, &values, &generation) &&
        (values.none || values.taken_ms < before_ms)) {
        if (!values.none)
            seen(context, values.bytes, values.length, values.taken_ms);
        return values.none ? STATUS_NOT_FOUND : STATUS_OK;
    }
    status = look_on_disk(reader, patient, kind, &look);
    if (status == STATUS_OK && look.complete && (look.newest.none || look.newest_fits))
        newest_learn(newest, hash, kind, generation, &look.newest);
    if (status == STATUS_OK && look.found)
        seen(context, look.best.bytes, look.best.length, look.best_ms);
    free((char *)(uintptr_t)look.best.bytes);
    return status == STATUS_OK && !look.found ? STATUS_NOT_FOUND : status;
}

/* ---- patients ---- */

static enum status next_patient(struct outbox_reader *reader, int64_t *hash, bool *found)
{
    int64_t ahead = 0;
    const bool is_ahead = heads_next_patient(reader->outbox->heads, *hash, &ahead);
    sqlite3_stmt *statement = db_bind_numbers(&reader->db, SQL_NEXT_PATIENT, NUMBERS(*hash));
    bool row;
    enum status status = db_step(&reader->db, statement, &row);

    *found = row && sqlite3_column_type(statement, 0) != SQLITE_NULL;
    if (*found)
        *hash = sqlite3_column_int64(statement, 0);
    if (row)
        sqlite3_reset(statement);
    if (status == STATUS_OK && is_ahead && (!*found || ahead < *hash)) {
        *hash = ahead;
        *found = true;
    }
    return status;
}

/* The newest main of a patient; those that are bound to nobody are no patients. */
static enum status show_patient(struct outbox_reader *reader, int64_t hash, struct row_walk *walked)
{
    struct chains chains;
    struct link link = {0};
    enum status status = chains_of(reader, hash, NULL, &chains);

    do {
        if (status == STATUS_OK)
            status = next_link(reader, &chains, NULL, &link);
    } while (status == STATUS_OK && link.seq != 0 && !is_main(&link));
    let_go(reader);
    if (status != STATUS_OK || link.seq == 0 || !link.is_bound)
        return status;
    return row_at(reader, link.seq, walked);
}

enum status outbox_patients(struct outbox_reader *reader, const char *after, size_t most,
                            outbox_row_seen *seen, void *context)
{
    struct row_walk walked = {.seen = seen, .context = context, .most = most, .stopped = most == 0};
    int64_t hash = after[0] ? patient_hash(after) : INT64_MIN;
    bool found = true;
    enum status status = STATUS_OK;

    while (status == STATUS_OK && !walked.stopped) {
        status = next_patient(reader, &hash, &found);
        if (status != STATUS_OK || !found)
            break;
        status = show_patient(reader, hash, &walked);
    }
    return status;
}
