/* probe_put.c - what the store does on this disk; figures, not a test. Not part of the test run:
 *
 *   cc -O2 -Iinclude -Itests/store tests/store/probe_put.c ... -o probe_put && ./probe_put FOLDER
 * [WAITING]
 *
 * Prints puts a second with 1 and with 64 outstanding, bytes of the log for one put, claims and
 * settlements a second, the time of a put (median, 99th) with an empty queue and with WAITING
 * (1,000,000) in it, memory, and how long a start takes. */
#include "given.h"

#include <semaphore.h>
#include <sys/resource.h>
#include <sys/stat.h>
#include <time.h>

#define OUTSTANDING 64

static int64_t now_us(void)
{
    struct timespec now;

    clock_gettime(CLOCK_MONOTONIC, &now);
    return (int64_t)now.tv_sec * 1000000 + now.tv_nsec / 1000;
}

/* Of all threads: on a machine that has other work as well, this tells more than the clock does. */
static int64_t cpu_us(void)
{
    struct rusage used;

    getrusage(RUSAGE_SELF, &used);
    return (int64_t)(used.ru_utime.tv_sec + used.ru_stime.tv_sec) * 1000000 +
           used.ru_utime.tv_usec + used.ru_stime.tv_usec;
}

struct slot {
    struct made made;
    char patient[32];
    int64_t begun_us;
};

static struct slot slots[OUTSTANDING];
static size_t unused[OUTSTANDING], unused_count;
static pthread_mutex_t lock = PTHREAD_MUTEX_INITIALIZER;
static pthread_cond_t cond = PTHREAD_COND_INITIALIZER;
static uint32_t times_us[2000000];
static size_t times_count;

static void slot_done(struct put *put)
{
    struct slot *slot = put->context;

    if (put->status != STATUS_OK)
        abort();
    pthread_mutex_lock(&lock);
    if (times_count < sizeof(times_us) / sizeof(times_us[0]))
        times_us[times_count++] = (uint32_t)(now_us() - slot->begun_us);
    unused[unused_count++] = (size_t)(slot - slots);
    pthread_cond_signal(&cond);
    pthread_mutex_unlock(&lock);
}

static unsigned next_number = 1;

static void put_next(struct outbox *outbox, struct slot *slot)
{
    unsigned number = next_number++;

    snprintf(slot->patient, sizeof(slot->patient), "https://clinic.example/mrn|WP-%04u",
             number % 1000);
    made_begin(&slot->made, number, slot->patient);
    made_main(&slot->made, number, "heart-rate", NOW + number);
    for (int i = 0; i < 4; i++) /* as from a client: in no order */
        slot->made.entries[0].id.bytes[i] = (uint8_t)(number * 2654435761U >> (8 * i));
    slot->made.put.set = slot->made.entries[0].id;
    slot->made.put.context = slot;
    slot->made.put.done = slot_done;
    slot->begun_us = now_us();
    outbox_put(outbox, &slot->made.put);
}

static double cpu_each_us;

static double put_many(struct outbox *outbox, size_t count, size_t outstanding)
{
    int64_t begun = now_us(), cpu_begun = cpu_us();

    unused_count = 0;
    times_count = 0;
    for (size_t i = 0; i < outstanding; i++)
        unused[unused_count++] = i;
    for (size_t i = 0; i < count; i++) {
        size_t which;

        pthread_mutex_lock(&lock);
        while (unused_count == 0)
            pthread_cond_wait(&cond, &lock);
        which = unused[--unused_count];
        pthread_mutex_unlock(&lock);
        put_next(outbox, &slots[which]);
    }
    pthread_mutex_lock(&lock);
    while (unused_count < outstanding)
        pthread_cond_wait(&cond, &lock);
    pthread_mutex_unlock(&lock);
    cpu_each_us = (double)(cpu_us() - cpu_begun) / (double)count;
    return (double)count * 1e6 / (double)(now_us() - begun);
}

static int by_time(const void *a, const void *b)
{
    uint32_t left = *(const uint32_t *)a, right = *(const uint32_t *)b;

    return (left > right) - (left < right);
}

static void print_puts(const char *name, double rate)
{
    qsort(times_us, times_count, sizeof(times_us[0]), by_time);
    fprintf(
        stdout,
        "%-44s %9.0f /s   median %u us, p99 %u us, cpu %.1f us each (the probe's own among it)\n",
        name, rate, times_us[times_count / 2], times_us[times_count * 99 / 100], cpu_each_us);
    fflush(stdout);
}

static long status_kib(const char *name)
{
    FILE *file = fopen("/proc/self/status", "r");
    char line[256];
    long kib = -1;

    while (file && fgets(line, sizeof(line), file))
        if (strncmp(line, name, strlen(name)) == 0)
            kib = strtol(line + strlen(name) + 1, NULL, 10);
    if (file)
        fclose(file);
    return kib;
}

static void print_memory(const char *name)
{
    fprintf(stdout,
            "%-44s %9.1f MiB RSS (anonymous %.1f; the probe's own slots and times among it)\n",
            name, (double)status_kib("VmRSS:") / 1024, (double)status_kib("RssAnon:") / 1024);
}

static void deliver(struct given *given, size_t count)
{
    int64_t begun = now_us(), cpu_begun = cpu_us();
    size_t done = 0;

    while (done < count) {
        struct settlement settlements[100] = {{0}};
        struct claim *claim = NULL;

        if (outbox_claim(given->outbox, 100, 1 << 20, NOW, &claim) != STATUS_OK ||
            claim->count == 0)
            abort();
        for (size_t i = 0; i < claim->count; i++)
            settlements[i] = (struct settlement){.seq = claim->entries[i].seq,
                                                 .as = SETTLE_CHARTED,
                                                 .remote = "Observation/1234567",
                                                 .version = "1",
                                                 .http_status = 201};
        if (outbox_settle(given->outbox, settlements, claim->count, NOW) != STATUS_OK)
            abort();
        done += claim->count;
        claim_free(claim);
    }
    fprintf(stdout, "%-44s %9.0f /s   cpu %.1f us each\n", "claim and settle, batches of 100",
            (double)done * 1e6 / (double)(now_us() - begun),
            (double)(cpu_us() - cpu_begun) / (double)done);
    fflush(stdout);
}

static int64_t log_bytes(const struct given *given)
{
    char path[200];
    struct stat about;

    snprintf(path, sizeof(path), "%s-wal", given->path);
    return stat(path, &about) == 0 ? about.st_size : 0;
}

static void start_and_time(struct given *given, const char *name)
{
    int64_t begun = now_us();

    given_open(given);
    fprintf(stdout, "%-44s %9.1f ms\n", name, (double)(now_us() - begun) / 1000);
}

int main(int count, char **arguments)
{
    size_t waiting = count > 2 ? strtoul(arguments[2], NULL, 10) : 1000000;
    struct given given = {0};
    int64_t before;

    if (count < 2)
        return 64;
    snprintf(given.folder, sizeof(given.folder), "%s", arguments[1]);
    snprintf(given.path, sizeof(given.path), "%.140s/probe.db", arguments[1]);
    start_and_time(&given, "start, a new file");
    print_memory("memory, nothing waiting");
    put_many(given.outbox, 200, 1);
    before = log_bytes(&given);
    put_many(given.outbox, 1000, 1);
    fprintf(stdout, "%-44s %9.0f bytes\n", "log written for one put",
            (double)(log_bytes(&given) - before) / 1000);
    print_puts("puts, 1 outstanding", put_many(given.outbox, 5000, 1));
    print_puts("puts, 64 outstanding", put_many(given.outbox, 60000, OUTSTANDING));
    put_many(given.outbox, 40000, OUTSTANDING);
    deliver(&given, 100000);
    print_puts("filling up, 64 outstanding", put_many(given.outbox, waiting, OUTSTANDING));
    print_memory("memory, so many waiting");
    print_puts("puts, 1 outstanding, so many waiting", put_many(given.outbox, 5000, 1));
    print_puts("puts, 64 outstanding, so many waiting", put_many(given.outbox, 60000, OUTSTANDING));
    deliver(&given, 100000);
    print_memory("memory, after that");
    given_stop(&given);
    start_and_time(&given, "start, so many waiting");
    given_stop(&given);
    return 0;
}
