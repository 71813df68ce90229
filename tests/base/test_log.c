/* test_log.c - one line a call, whatever the words hold. Standard error is a pipe meanwhile. */
#include <pthread.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cmocka.h>

#include "wardpost/log.h"

static int read_end, kept_error;

static int divert(void **state)
{
    int ends[2];

    (void)state;
    kept_error = dup(STDERR_FILENO);
    if (kept_error < 0 || pipe(ends) != 0 || dup2(ends[1], STDERR_FILENO) < 0)
        return -1;
    read_end = ends[0];
    return close(ends[1]);
}

static int restore(void **state)
{
    (void)state;
    log_threshold(LOG_LEVEL_INFO);
    unsetenv("JOURNAL_STREAM");
    if (dup2(kept_error, STDERR_FILENO) < 0)
        return -1;
    close(read_end);
    return close(kept_error);
}

/* What was written since; a mark of our own shows the end, so that an empty log does not hang. */
static const char *written(void)
{
    static char text[65536];
    size_t used = 0;

    assert_int_equal(write(STDERR_FILENO, "\x04", 1), 1);
    do {
        ssize_t got = read(read_end, text + used, sizeof(text) - used);

        assert_true(got > 0);
        used += (size_t)got;
    } while (text[used - 1] != '\x04');
    text[used - 1] = '\0';
    return text;
}

static void test_a_line_is_written_as_it_is(void **state)
{
    (void)state;
    log_line(LOG_LEVEL_INFO, "reading=%s state=waiting attempt=%u", "0b0e6f0e", 3U);
    assert_string_equal(written(), "reading=0b0e6f0e state=waiting attempt=3\n");
    log_line(LOG_LEVEL_ERROR, "%s", "");
    assert_string_equal(written(), "\n");
}

static void test_what_is_less_urgent_than_the_threshold_is_left_out(void **state)
{
    (void)state;
    log_line(LOG_LEVEL_DEBUG, "no");
    log_threshold(LOG_LEVEL_WARNING);
    log_line(LOG_LEVEL_INFO, "no");
    log_line(LOG_LEVEL_WARNING, "yes");
    log_line(LOG_LEVEL_ERROR, "yes");
    log_threshold(LOG_LEVEL_DEBUG);
    log_line(LOG_LEVEL_DEBUG, "yes");
    assert_string_equal(written(), "yes\nyes\nyes\n");
}

static void test_nobody_elses_words_make_a_line_of_ours(void **state)
{
    (void)state;
    log_line(LOG_LEVEL_INFO, "why=\"%s\"", "a\nb\rc\td\x1b[2Je\x7F");
    assert_string_equal(written(), "why=\"a b c d [2Je \"\n");
}

static void test_a_long_line_is_cut_and_stays_one(void **state)
{
    char words[5000];
    const char *seen;

    (void)state;
    memset(words, 'x', sizeof(words));
    words[sizeof(words) - 1] = '\0';
    log_line(LOG_LEVEL_INFO, "%s", words);
    seen = written();
    assert_in_range(strlen(seen), 500, 1024);
    assert_int_equal(strspn(seen, "x"), strlen(seen) - 1);
    assert_int_equal(seen[strlen(seen) - 1], '\n');
}

static void test_the_journal_is_told_the_level(void **state)
{
    struct stat about;
    char stream[64];

    (void)state;
    assert_int_equal(fstat(STDERR_FILENO, &about), 0);
    assert_true(snprintf(stream, sizeof(stream), "%ju:%ju", (uintmax_t)about.st_dev,
                         (uintmax_t)about.st_ino) > 0);
    assert_int_equal(setenv("JOURNAL_STREAM", stream, 1), 0);
    log_line(LOG_LEVEL_WARNING, "to the journal");
    assert_string_equal(written(), "<4>to the journal\n");
    assert_int_equal(setenv("JOURNAL_STREAM", "1:1", 1),
                     0); /* the journal's, but of another stream */
    log_line(LOG_LEVEL_WARNING, "to a person");
    assert_string_equal(written(), "to a person\n");
}

#define THREADS 4
#define LINES   50

static void *say_much(void *who)
{
    char word[200];

    memset(word, *(const char *)who, sizeof(word));
    word[sizeof(word) - 1] = '\0';
    for (int i = 0; i < LINES; i++)
        log_line(LOG_LEVEL_INFO, "%s", word);
    return NULL;
}

static void test_lines_of_threads_do_not_mix(void **state)
{
    pthread_t threads[THREADS];
    char names[THREADS] = "abcd";
    unsigned lines = 0;

    (void)state;
    for (size_t i = 0; i < THREADS; i++)
        assert_int_equal(pthread_create(&threads[i], NULL, say_much, &names[i]), 0);
    for (size_t i = 0; i < THREADS; i++)
        assert_int_equal(pthread_join(threads[i], NULL), 0);
    for (const char *at = written(); *at; at += 200, lines++) {
        char one[2] = {*at, '\0'};

        assert_int_equal(strspn(at, one), 199);
        assert_int_equal(at[199], '\n');
    }
    assert_int_equal(lines, THREADS * LINES);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(test_a_line_is_written_as_it_is, divert, restore),
        cmocka_unit_test_setup_teardown(test_what_is_less_urgent_than_the_threshold_is_left_out,
                                        divert, restore),
        cmocka_unit_test_setup_teardown(test_nobody_elses_words_make_a_line_of_ours, divert,
                                        restore),
        cmocka_unit_test_setup_teardown(test_a_long_line_is_cut_and_stays_one, divert, restore),
        cmocka_unit_test_setup_teardown(test_the_journal_is_told_the_level, divert, restore),
        cmocka_unit_test_setup_teardown(test_lines_of_threads_do_not_mix, divert, restore),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
