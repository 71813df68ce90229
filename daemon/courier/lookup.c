/* lookup.c - see patient_lookup.h: a bounded queue, one thread, one connection that is kept. */
#include "courier/lookup.h"

#include <curl/curl.h>
#include <pthread.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "wardpost/log.h"
#include "wardpost/moment.h"

#define QUEUE_MOST    32
#define ANSWER_MS     3000 /* from the asking on */
#define CONNECT_MS    1500
#define LEFT_ALONE_MS 5000
#define ANSWER_MOST   ((size_t)4 << 20) /* bytes */

struct lookups {
    char *url;
    CURL *easy;
    pthread_t thread;
    pthread_mutex_t lock; /* guards queue, count, away_until_ms */
    pthread_cond_t queued;
    struct patient_lookup *first, *last;
    size_t count;
    int64_t away_until_ms; /* monotonic */
    atomic_bool stopping;
};

const char *lookup_end_text(enum lookup_end end)
{
    static const char *const texts[] = {"none", "away", "asked"};

    return texts[end];
}

/* ---- one request ---- */

struct heard {
    char *text;
    size_t length;
};

static size_t on_body(char *bytes, size_t one, size_t count, void *context)
{
    struct heard *heard = context;
    const size_t length = one * count;
    char *grown;

    if (length > ANSWER_MOST - heard->length)
        return 0;
    grown = realloc(heard->text, heard->length + length + 1);
    if (!grown)
        return 0;
    memcpy(grown + heard->length, bytes, length);
    *heard = (struct heard){grown, heard->length + length};
    return length;
}

/* Called some times a second: the end does not wait for the server. */
static int on_progress(void *context, curl_off_t a, curl_off_t b, curl_off_t c, curl_off_t d)
{
    struct lookups *lookups = context;

    (void)a;
    (void)b;
    (void)c;
    (void)d;
    return atomic_load(&lookups->stopping);
}

static void set_options(struct lookups *lookups, const char *form, int64_t most_ms,
                        struct heard *heard)
{
    CURL *easy = lookups->easy;

    curl_easy_reset(easy);
    curl_easy_setopt(easy, CURLOPT_URL, lookups->url);
    curl_easy_setopt(easy, CURLOPT_PROTOCOLS_STR, "http,https");
    curl_easy_setopt(easy, CURLOPT_NOSIGNAL, 1L);
    curl_easy_setopt(easy, CURLOPT_PROXY, "");        /* as in transfer.c */
    curl_easy_setopt(easy, CURLOPT_POSTFIELDS, form); /* libcurl says: form-encoded */
    curl_easy_setopt(easy, CURLOPT_WRITEFUNCTION, on_body);
    curl_easy_setopt(easy, CURLOPT_WRITEDATA, heard);
    curl_easy_setopt(easy, CURLOPT_TIMEOUT_MS, (long)most_ms);
    curl_easy_setopt(easy, CURLOPT_CONNECTTIMEOUT_MS, (long)CONNECT_MS);
    curl_easy_setopt(easy, CURLOPT_NOPROGRESS, 0L);
    curl_easy_setopt(easy, CURLOPT_XFERINFOFUNCTION, on_progress);
    curl_easy_setopt(easy, CURLOPT_XFERINFODATA, lookups);
}

/* True: it answered 200 with something. A search has no effect, so libcurl may send it again. */
static bool ask(struct lookups *lookups, const char *form, int64_t most_ms, struct heard *heard)
{
    struct curl_slist *headers = curl_slist_append(NULL, "Accept: application/fhir+json");
    CURLcode code = CURLE_OUT_OF_MEMORY;
    long status = 0;

    if (headers && most_ms > 0) {
        set_options(lookups, form, most_ms, heard);
        curl_easy_setopt(lookups->easy, CURLOPT_HTTPHEADER, headers);
        code = curl_easy_perform(lookups->easy);
        curl_easy_getinfo(lookups->easy, CURLINFO_RESPONSE_CODE, &status);
    }
    curl_slist_free_all(headers);
    if (code != CURLE_OK)
        log_line(LOG_LEVEL_WARNING, "patients: the server was not asked: %s",
                 most_ms > 0 ? curl_easy_strerror(code) : "others are being asked");
    else if (status != 200)
        log_line(LOG_LEVEL_WARNING, "patients: the server answers a search with %ld", status);
    return code == CURLE_OK && status == 200;
}

static void look_up(struct lookups *lookups, struct patient_lookup *lookup)
{
    char *form = lookup_form(lookup->question);
    struct heard heard = {NULL, 0};

    lookup->end = LOOKUP_AWAY;
    if (form && ask(lookups, form, lookup->until_ms - clock_monotonic_ms(), &heard) &&
        patients_said_read(heard.text ? heard.text : "", heard.length, lookup->systems,
                           lookup->systems_count, &lookup->said) == STATUS_OK)
        lookup->end = LOOKUP_ASKED;
    free(heard.text);
    free(form);
}

/* ---- the queue ---- */

/* NULL: the end. */
static struct patient_lookup *next_lookup(struct lookups *lookups)
{
    struct patient_lookup *lookup;

    pthread_mutex_lock(&lookups->lock);
    while (!lookups->first && !atomic_load(&lookups->stopping))
        pthread_cond_wait(&lookups->queued, &lookups->lock);
    lookup = lookups->first;
    if (lookup) {
        lookups->first = lookup->next;
        lookups->count--;
    }
    if (!lookups->first)
        lookups->last = NULL;
    pthread_mutex_unlock(&lookups->lock);
    return lookup;
}

static bool is_left_alone(struct lookups *lookups)
{
    bool alone;

    pthread_mutex_lock(&lookups->lock);
    alone = clock_monotonic_ms() < lookups->away_until_ms;
    pthread_mutex_unlock(&lookups->lock);
    return alone || atomic_load(&lookups->stopping);
}

static void note_end(struct lookups *lookups, enum lookup_end end)
{
    pthread_mutex_lock(&lookups->lock);
    lookups->away_until_ms = end == LOOKUP_AWAY ? clock_monotonic_ms() + LEFT_ALONE_MS : 0;
    pthread_mutex_unlock(&lookups->lock);
}

static void *run(void *context)
{
    struct lookups *lookups = context;
    struct patient_lookup *lookup;

    while ((lookup = next_lookup(lookups))) {
        lookup->end = LOOKUP_AWAY;
        if (!is_left_alone(lookups)) {
            look_up(lookups, lookup);
            note_end(lookups, lookup->end);
        }
        lookup->done(lookup);
    }
    return NULL;
}

void lookups_ask(struct lookups *lookups, struct patient_lookup *lookup)
{
    bool taken;

    lookup->next = NULL;
    lookup->end = LOOKUP_AWAY;
    lookup->until_ms = clock_monotonic_ms() + ANSWER_MS;
    pthread_mutex_lock(&lookups->lock);
    taken = lookups->count < QUEUE_MOST && clock_monotonic_ms() >= lookups->away_until_ms;
    if (taken) {
        if (lookups->last)
            lookups->last->next = lookup;
        else
            lookups->first = lookup;
        lookups->last = lookup;
        lookups->count++;
        pthread_cond_signal(&lookups->queued);
    }
    pthread_mutex_unlock(&lookups->lock);
    if (!taken)
        lookup->done(lookup);
}

/* ---- start and end ---- */

static void lookups_free(struct lookups *lookups)
{
    curl_easy_cleanup(lookups->easy);
    pthread_cond_destroy(&lookups->queued);
    pthread_mutex_destroy(&lookups->lock);
    free(lookups->url);
    free(lookups);
}

enum status lookups_start(const char *base, struct lookups **out)
{
    static const char path[] = "/Patient/_search";
    const size_t room = strlen(base) + sizeof(path);
    struct lookups *lookups = calloc(1, sizeof(*lookups));

    if (!lookups)
        return STATUS_NO_MEMORY;
    pthread_mutex_init(&lookups->lock, NULL);
    pthread_cond_init(&lookups->queued, NULL);
    lookups->easy = curl_easy_init();
    lookups->url = malloc(room);
    if (lookups->url)
        (void)snprintf(lookups->url, room, "%s%s", base, path);
    if (!lookups->url || !lookups->easy ||
        pthread_create(&lookups->thread, NULL, run, lookups) != 0) {
        lookups_free(lookups);
        return STATUS_NO_MEMORY;
    }
    *out = lookups;
    return STATUS_OK;
}

void lookups_stop(struct lookups *lookups)
{
    if (!lookups)
        return;
    pthread_mutex_lock(&lookups->lock);
    atomic_store(&lookups->stopping, true);
    pthread_cond_signal(&lookups->queued);
    pthread_mutex_unlock(&lookups->lock);
    pthread_join(lookups->thread, NULL);
    lookups_free(lookups);
}
