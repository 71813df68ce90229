/* A real process that is really killed, at moments that only chance knows; and a real limit on the
 * size of its files. What it said was on disk is there afterwards, once. (A killed process loses
 * nothing that it had written; what a power cut loses is test_crash.c's.) */
#include "given.h"

#include <fcntl.h>
#include <semaphore.h>
#include <signal.h>
#include <sys/resource.h>
#include <sys/wait.h>
#include <time.h>

#define ROUNDS      20
#define OUTSTANDING 8
#define CHARTED     0x40000000U /* or else: accepted */

/* ---- the child ---- */

struct child {
    struct outbox *outbox;
    int pipe;
    struct made made[OUTSTANDING];
    sem_t free; /* puts that are not under way */
};

static void say(int pipe, unsigned what)
{
    if (write(pipe, &what, sizeof(what)) !=
        sizeof(what)) /* less than PIPE_BUF: whole or not at all */
        _exit(3);
}

static struct child child;

static void child_done(struct put *put)
{
    unsigned number;

    if (put->status != STATUS_OK)
        _exit(2);
    memcpy(&number, put->entries[0].content, sizeof(number));
    say(child.pipe, number);
    __atomic_store_n(&put->context, NULL, __ATOMIC_SEQ_CST);
    sem_post(&child.free);
}

static struct made *a_free_one(void)
{
    sem_wait(&child.free);
    for (;;)
        for (size_t i = 0; i < OUTSTANDING; i++)
            if (!__atomic_load_n(&child.made[i].put.context, __ATOMIC_SEQ_CST))
                return &child.made[i];
}

static void *child_puts(void *context)
{
    unsigned number = *(const unsigned *)context;

    for (;; number += 2) {
        struct made *made = a_free_one();

        made_begin(made, number, number % 3 ? "s|a" : "s|b");
        made_main(made, number, "heart-rate", NOW);
        made_other(made, number + 1, "companion", 0);
        made_need(made, 0, true);
        made->put.done = child_done;
        __atomic_store_n(&made->put.context, made, __ATOMIC_SEQ_CST);
        outbox_put(child.outbox, &made->put);
    }
    return NULL;
}

static unsigned number_of(const struct uuid *id)
{
    return (unsigned)id->bytes[12] << 24 | (unsigned)id->bytes[13] << 16 |
           (unsigned)id->bytes[14] << 8 | id->bytes[15];
}

static void child_delivers(void)
{
    for (;;) {
        struct settlement settlements[16] = {{0}};
        struct claim *claim = NULL;

        if (outbox_claim(child.outbox, 16, BYTES, NOW, &claim) != STATUS_OK)
            _exit(4);
        for (size_t i = 0; i < claim->count; i++)
            settlements[i] = (struct settlement){.seq = claim->entries[i].seq,
                                                 .as = SETTLE_CHARTED,
                                                 .remote = "Observation/1",
                                                 .http_status = 201};
        if (claim->count > 0 &&
            outbox_settle(child.outbox, settlements, claim->count, NOW) != STATUS_OK)
            _exit(5);
        for (size_t i = 0; i < claim->count; i++)
            say(child.pipe, number_of(&claim->entries[i].id) | CHARTED);
        claim_free(claim);
    }
}

static void run_child(const char *path, int pipe, unsigned first)
{
    pthread_t puts;

    child = (struct child){.pipe = pipe};
    sem_init(&child.free, 0, OUTSTANDING);
    alarm(60); /* whatever happens to its parent */
    if (outbox_start(&(struct outbox_options){.path = path}, &child.outbox) != STATUS_OK ||
        pthread_create(&puts, NULL, child_puts, &first) != 0)
        _exit(1);
    child_delivers();
}

/* ---- the parent ---- */

struct said {
    bool accepted[200000], charted[200000];
    unsigned highest;
};

static unsigned hear(int pipe, struct said *said, unsigned most)
{
    unsigned what, count = 0;

    while (count < most && read(pipe, &what, sizeof(what)) == sizeof(what)) {
        unsigned number = what & ~CHARTED;

        assert_true(number < 200000);
        *(what & CHARTED ? &said->charted[number] : &said->accepted[number]) = true;
        if (number > said->highest)
            said->highest = number;
        count++;
    }
    return count;
}

static void kill_one(const struct given *given, struct said *said, unsigned round)
{
    unsigned first = (said->highest + 1000) / 1000 * 1000 + 1;
    int ends[2], result;
    pid_t pid;

    assert_int_equal(pipe(ends), 0);
    pid = fork();
    assert_true(pid >= 0);
    if (pid == 0) {
        close(ends[0]);
        run_child(given->path, ends[1], first);
    }
    close(ends[1]);
    assert_true(hear(ends[0], said, 20 + round * 37 % 300) > 0); /* it is at work */
    nanosleep(&(struct timespec){.tv_nsec = (long)(round * 7919 % 3000) * 1000}, NULL);
    assert_int_equal(kill(pid, SIGKILL), 0);
    assert_int_equal(waitpid(pid, &result, 0), pid);
    assert_true(WIFSIGNALED(result) && WTERMSIG(result) == SIGKILL); /* and did not end by itself */
    hear(ends[0], said, UINT32_MAX);
    close(ends[0]);
}

struct found_tally {
    const struct said *said;
    unsigned char seen[200000];
};

static bool tally_row(void *context, const struct outbox_row *row)
{
    struct found_tally *tally = context;
    unsigned number = number_of(&row->id);

    tally->seen[number]++;
    if (tally->said->charted[number])
        assert_int_equal(row->state, ENTRY_CHARTED);
    return true;
}

static void assert_all_there(struct given *given, const struct said *said)
{
    static struct found_tally tally;
    const struct outbox_search all = {OUTBOX_SEARCH_OPEN, .most = SIZE_MAX};

    tally = (struct found_tally){.said = said};
    assert_int_equal(outbox_search(given->reader, &all, tally_row, &tally), STATUS_OK);
    for (unsigned number = 0; number < 200000 - 1; number++) {
        assert_true(tally.seen[number] <= 1);
        if (said->accepted[number] || said->charted[number])
            assert_int_equal(tally.seen[number], 1);
        if (number % 2)
            assert_int_equal(tally.seen[number],
                             tally.seen[number + 1]); /* a put is in wholly or not at all */
    }
}

static void test_killed_again_and_again(void **state)
{
    static struct said said;
    struct given given;

    (void)state;
    given_folder(&given);
    for (unsigned round = 0; round < ROUNDS; round++) {
        kill_one(&given, &said, round);
        given_start(&given);
        assert_all_there(&given, &said);
        given_stop(&given);
    }
    given_empty(&given);
}

/* ---- a limit on the size of files is a full disk, too ---- */

#define LIMIT 400000

static int fill_up(const char *path)
{
    const struct rlimit limit = {LIMIT, LIMIT};
    struct outbox *outbox;
    unsigned number = 1;
    enum status status = STATUS_OK;

    signal(SIGXFSZ, SIG_IGN);
    if (setrlimit(RLIMIT_FSIZE, &limit) != 0 ||
        outbox_start(&(struct outbox_options){.path = path}, &outbox) != STATUS_OK)
        return 1;
    while (status == STATUS_OK && number < 1000)
        status = put_single(outbox, number++, "s|p", "heart-rate", NOW);
    if (status != STATUS_DISK_FULL ||
        put_single(outbox, number, "s|p", "heart-rate", NOW) != STATUS_DISK_FULL)
        return 2;
    outbox_stop(outbox);
    return number - 2 < 100 ? (int)(number - 2) + 100 : 3; /* kept: as many as were said */
}

static void test_a_limit_on_files(void **state)
{
    struct given given;
    struct outbox_counts counts;
    int result;
    pid_t pid;

    (void)state;
    given_folder(&given);
    pid = fork();
    assert_true(pid >= 0);
    if (pid == 0)
        _exit(fill_up(given.path));
    assert_int_equal(waitpid(pid, &result, 0), pid);
    assert_true(WIFEXITED(result));
    assert_in_range(WEXITSTATUS(result), 102, 199);
    given_start(&given);
    assert_int_equal(outbox_count(given.reader, &counts), STATUS_OK);
    assert_int_equal(counts.waiting, WEXITSTATUS(result) - 100);
    given_stop(&given);
    given_empty(&given);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_a_limit_on_files),
        cmocka_unit_test(test_killed_again_and_again),
    };

    setenv("TMPDIR", "/tmp", 0); /* a disk, not memory */
    return cmocka_run_group_tests(tests, NULL, NULL);
}
