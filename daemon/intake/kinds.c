/* kinds.c - GET /v1/kinds: written and packed once for each table, language and purpose, and kept:
 * the form asks for it at each start, and nearly always has it already. */
#include <sodium.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <zlib.h>

#include "intake/answers.h"
#include "wardpost/metrics.h"
#include "wardpost/view.h"

struct packed_kinds {
    struct packed_kinds *next;
    struct kinds_view how; /* its language is the kept table's */
    char hash[17];         /* of the document as it is before it is packed */
    unsigned char *bytes;  /* gzip */
    size_t length;
};

/* ---- what is kept ---- */

static void drop_all(struct kept_kinds *kept)
{
    struct packed_kinds *next;

    for (struct packed_kinds *one = kept->first; one; one = next) {
        next = one->next;
        metric_add(METRIC_KINDS_KEPT_BYTES, -(int64_t)one->length);
        free(one->bytes);
        free(one);
    }
    kept->first = NULL;
    kinds_free(kept->table);
    kept->table = NULL;
}

void kept_kinds_clear(struct kept_kinds *kept)
{
    drop_all(kept);
    pthread_mutex_destroy(&kept->lock);
}

static bool pack(char *text, size_t length, struct packed_kinds *out)
{
    z_stream stream = {0};
    uLong most;
    bool done;

    if (deflateInit2(&stream, Z_BEST_COMPRESSION, Z_DEFLATED, 15 + 16, 9, Z_DEFAULT_STRATEGY) !=
        Z_OK)
        return false;
    most = deflateBound(&stream, (uLong)length);
    out->bytes = malloc(most);
    stream.next_in = (Bytef *)text;
    stream.avail_in = (uInt)length;
    stream.next_out = out->bytes;
    stream.avail_out = (uInt)most;
    done = out->bytes && deflate(&stream, Z_FINISH) == Z_STREAM_END;
    out->length = stream.total_out;
    deflateEnd(&stream);
    return done;
}

static void hash_text(const char *text, size_t length, char out[17])
{
    uint8_t hash[16];

    crypto_generichash(hash, sizeof(hash), (const unsigned char *)text, length, NULL, 0);
    sodium_bin2hex(out, 17, hash, 8);
}

/* NULL: out of memory. */
static struct packed_kinds *make(const struct kinds *table, const struct kinds_view *how)
{
    struct packed_kinds *one = calloc(1, sizeof(*one));
    struct json_out out = JSON_OUT_INIT;
    bool made = false;

    view_kinds(table, how, &out);
    if (one && json_out_ok(&out)) {
        one->how = *how;
        hash_text(out.text, out.length, one->hash);
        made = pack(out.text, out.length, one);
    }
    json_out_clear(&out);
    if (made)
        return one;
    if (one)
        free(one->bytes);
    free(one);
    return NULL;
}

/* With the lock held. A table is left behind at the first question about another one. */
static const struct packed_kinds *find(struct kept_kinds *kept, struct kinds *table,
                                       const struct kinds_view *how)
{
    struct packed_kinds *one;

    if (kept->table != table) {
        drop_all(kept);
        kept->table = kinds_hold(table);
    }
    for (one = kept->first; one; one = one->next)
        if (one->how.language == how->language && one->how.for_form == how->for_form)
            return one;
    one = make(table, how);
    if (!one)
        return NULL;
    metric_add(METRIC_KINDS_KEPT_BYTES, (int64_t)one->length);
    one->next = kept->first;
    kept->first = one;
    return one;
}

/* ---- the answer ---- */

/* A tag for each of the two forms that one document has (RFC 9110, 8.8.3.3). */
static bool is_known(struct exchange *exchange, const char *hash, bool packed)
{
    const char *known = exchange_header(exchange, "If-None-Match");
    struct reply *reply = &exchange->reply;

    (void)snprintf(reply->own_tag, sizeof(reply->own_tag), "\"%s%s\"", hash, packed ? "-gzip" : "");
    return known && strstr(known, reply->own_tag);
}

/* With the lock held, for the bytes are copied: another table may come while they are sent. */
static void reply_packed(struct exchange *exchange, const struct packed_kinds *one)
{
    char *copy = malloc(one->length);

    if (copy)
        memcpy(copy, one->bytes, one->length);
    reply_text(exchange, 200, "application/json", copy, one->length);
    exchange->reply.coding = copy ? "gzip" : NULL;
}

static void reply_plain(struct exchange *exchange, const struct kinds *table,
                        const struct kinds_view *how)
{
    struct json_out out = JSON_OUT_INIT;

    view_kinds(table, how, &out);
    reply_json(exchange, 200, &out);
}

static void reply_kinds(struct exchange *exchange, struct kinds *table,
                        const struct kinds_view *how)
{
    struct kept_kinds *kept = &exchange->intake->kept_kinds;
    bool packed = exchange_takes_gzip(exchange);
    const struct packed_kinds *one;

    pthread_mutex_lock(&kept->lock);
    one = find(kept, table, how);
    if (!one)
        reply_status(exchange, STATUS_NO_MEMORY);
    else if (is_known(exchange, one->hash, packed))
        reply_borrowed(exchange, 304, "application/json", "", 0);
    else if (packed)
        reply_packed(exchange, one);
    pthread_mutex_unlock(&kept->lock);
    if (!exchange->answered)
        reply_plain(exchange, table, how);
    if (exchange->reply.status < 400)
        exchange->reply.tag = exchange->reply.own_tag;
}

/* ---- what is asked for ---- */

static const char *argument(struct exchange *exchange, const char *name)
{
    return MHD_lookup_connection_value(exchange->connection, MHD_GET_ARGUMENT_KIND, name);
}

static bool take_language(struct exchange *exchange, const struct kinds *table,
                          struct kinds_view *how)
{
    const char *code = argument(exchange, "language");

    if (!code || strcmp(code, KINDS_LANGUAGE) == 0)
        return true;
    how->language = kinds_language(table, code);
    if (!how->language)
        reply_problem(exchange, 404, "no such language",
                      "The table has no texts in it; the member languages lists those it has.",
                      NULL);
    return how->language != NULL;
}

static bool take_purpose(struct exchange *exchange, struct kinds_view *how)
{
    const char *purpose = argument(exchange, "for");

    how->for_form = purpose && strcmp(purpose, "form") == 0;
    if (purpose && !how->for_form)
        reply_problem(exchange, 400, "for what", "Only for=form is known here.", NULL);
    return !purpose || how->for_form;
}

void answer_kinds(struct exchange *exchange)
{
    struct kinds *table = intake_kinds(exchange->intake);
    struct kinds_view how = {0};

    if (take_language(exchange, table, &how) && take_purpose(exchange, &how))
        reply_kinds(exchange, table, &how);
    kinds_free(table);
}
