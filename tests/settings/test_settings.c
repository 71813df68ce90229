/* test_settings.c - what an administrator may set: each row's values and bounds, the file with its
 * faults told by line, the command line over it. */
#include <arpa/inet.h>
#include <dirent.h>
#include <fcntl.h>
#include <inttypes.h>
#include <limits.h>
#include <netinet/in.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <sysexits.h>
#include <unistd.h>

#include <cmocka.h>

#include "heap.h"
#include "wardpost/mappings_path.h"
#include "wardpost/settings.h"

#define COUNT(table) (sizeof(table) / sizeof((table)[0]))
#define SECRET       "open-sesame-4711" /* stands where a value is wrong: no fault may repeat it */

/* ---- a folder of its own for each test ---- */

struct given {
    char folder[128], path[200], said[200];
    struct settings settings;
    char faults[16][6000];
    unsigned count;
};

static int setup(void **state)
{
    struct given *given = calloc(1, sizeof(*given));
    const char *base = access("/dev/shm", W_OK) == 0 ? "/dev/shm" : "/tmp";

    assert_non_null(given);
    (void)snprintf(given->folder, sizeof(given->folder), "%s/wardpost-settings-XXXXXX", base);
    assert_non_null(mkdtemp(given->folder));
    (void)snprintf(given->path, sizeof(given->path), "%s/w.conf", given->folder);
    (void)snprintf(given->said, sizeof(given->said), "%s/said", given->folder);
    assert_int_equal(settings_initial(&given->settings), STATUS_OK);
    *state = given;
    return 0;
}

static int teardown(void **state)
{
    struct given *given = *state;
    DIR *folder = opendir(given->folder);
    const struct dirent *entry;
    char path[512];

    while (folder && (entry = readdir(folder))) {
        (void)snprintf(path, sizeof(path), "%s/%s", given->folder, entry->d_name);
        (void)unlink(path);
    }
    if (folder)
        (void)closedir(folder);
    (void)rmdir(given->folder);
    settings_clear(&given->settings);
    free(given);
    return 0;
}

static void write_bytes(const char *path, const char *bytes, size_t length)
{
    int fd = open(path, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0600);

    assert_true(fd >= 0);
    assert_int_equal(write(fd, bytes, length), length);
    assert_int_equal(close(fd), 0);
}

static void complain(void *context, const char *line)
{
    struct given *given = context;

    assert_in_range(given->count, 0, COUNT(given->faults) - 1);
    assert_in_range(strlen(line), 1, sizeof(given->faults[0]) - 1);
    memcpy(given->faults[given->count++], line, strlen(line) + 1);
}

static bool read_text(struct given *given, const char *text)
{
    bool good;

    write_bytes(given->path, text, strlen(text));
    given->count = 0;
    good = settings_read_file(given->path, &given->settings, complain, given);
    assert_int_equal(good, given->count == 0);
    return good;
}

/* The nth fault is "PATH" and then this. */
static void assert_fault(const struct given *given, unsigned nth, const char *expected)
{
    size_t length = strlen(given->path);

    assert_in_range(given->count, nth + 1, COUNT(given->faults));
    assert_memory_equal(given->faults[nth], given->path, length);
    assert_string_equal(given->faults[nth] + length, expected);
}

/* ---- a row's value ---- */

static bool is_text(const struct setting *row)
{
    return row->type == SET_TEXT || row->type == SET_CHOICE;
}

static const char *text_at(const struct settings *settings, const struct setting *row)
{
    char *text;

    assert_true(is_text(row));
    memcpy(&text, (const char *)settings + row->offset, sizeof(text));
    return text;
}

static int64_t number_at(const struct settings *settings, const struct setting *row)
{
    int64_t number;

    assert_false(is_text(row));
    memcpy(&number, (const char *)settings + row->offset, sizeof(number));
    return number;
}

static void assert_same(const struct settings *a, const struct settings *b,
                        const struct setting *row)
{
    if (is_text(row))
        assert_string_equal(text_at(a, row), text_at(b, row));
    else
        assert_int_equal(number_at(a, row), number_at(b, row));
}

static void assert_others_initial(const struct settings *settings, const struct setting *but)
{
    struct settings initial;

    assert_int_equal(settings_initial(&initial), STATUS_OK);
    for (size_t i = 0; i < setting_count; i++)
        if (&setting_table[i] != but)
            assert_same(settings, &initial, &setting_table[i]);
    settings_clear(&initial);
}

/* A number as it stands in a file, in the smallest unit. */
static const char *number_text(const struct setting *row, int64_t number)
{
    static char text[40];

    (void)snprintf(text, sizeof(text), "%" PRId64 "%s", number,
                   row->type == SET_DURATION ? " ms" : "");
    return text;
}

/* ---- the table ---- */

static void test_the_table_is_in_order(void **state)
{
    (void)state;
    for (size_t i = 0; i < setting_count; i++) {
        const struct setting *row = &setting_table[i];

        assert_ptr_equal(setting_find(row->section, row->name), row);
        assert_int_equal(row->type == SET_CHOICE, row->choices != NULL);
        assert_true(strlen(row->about) > 0);
        assert_true(is_text(row) || row->least < row->most);
        for (size_t other = 0; other < i; other++)
            assert_int_not_equal(row->offset, setting_table[other].offset);
        for (size_t other = i; other > 1; other--) /* a section stands in one piece */
            if (strcmp(setting_table[other - 1].section, row->section) != 0)
                assert_string_not_equal(setting_table[other - 2].section, row->section);
    }
    assert_null(setting_find("intake", "level"));
    assert_null(setting_find("intake", ""));
    assert_null(setting_find("", "listen"));
    assert_null(setting_find("Intake", "listen"));
}

static void test_initial_values(void **state)
{
    struct given *given = *state;
    const struct settings *settings = &given->settings;

    assert_string_equal(settings->listen, "127.0.0.1:8642");
    assert_string_equal(settings->server, "");
    assert_string_equal(settings->units, "canonical");
    assert_string_equal(settings->way, "auto");
    assert_string_equal(settings->log_level, "info");
    assert_int_equal(settings->threads, 2);
    assert_int_equal(settings->body_most, 1048576);
    assert_int_equal(settings->room_least, 67108864);
    assert_int_equal(settings->skew_ms, 120000);
    assert_int_equal(settings->age_ask_ms, 3600000);
    assert_int_equal(settings->retry_first_ms, 2000);
    assert_false(settings->demo || settings->check_only || settings->one_time_token);
    settings_clear(&given->settings);
    assert_null(settings->listen);
    settings_clear(&given->settings);
}

/* ---- forms of a value ---- */

#define ANY(type)                                                                       \
    {                                                                                   \
        "t", "n", type, "0", 0, INT64_MAX, NULL, offsetof(struct settings, threads), "" \
    }

static const struct setting any_number = ANY(SET_NUMBER);
static const struct setting any_duration = ANY(SET_DURATION);
static const struct setting any_bytes = ANY(SET_BYTES);

static const struct {
    const struct setting *row;
    const char *text;
    int64_t value;
} taken[] = {
    {&any_number,   "0",                      0                  },
    {&any_number,   "64",                     64                 },
    {&any_number,   "007",                    7                  },
    {&any_number,   "9223372036854775807",    INT64_MAX          },
    {&any_duration, "0",                      0                  },
    {&any_duration, "2",                      2000               },
    {&any_duration, "1500 ms",                1500               },
    {&any_duration, "1500ms",                 1500               },
    {&any_duration, "75 s",                   75000              },
    {&any_duration, "2  min",                 120000             },
    {&any_duration, "24 h",                   86400000           },
    {&any_duration, "9223372036854775807 ms", INT64_MAX          },
    {&any_duration, "9223372036854775 s",     9223372036854775000},
    {&any_duration, "2562047788015 h",        9223372036854000000},
    {&any_bytes,    "0",                      0                  },
    {&any_bytes,    "1000",                   1000               },
    {&any_bytes,    "1 Ki",                   1024               },
    {&any_bytes,    "16Mi",                   16777216           },
    {&any_bytes,    "3 Gi",                   3221225472         },
    {&any_bytes,    "8589934591 Gi",          9223372035781033984},
    {&any_bytes,    "9007199254740991 Ki",    9223372036854774784},
};

static const struct {
    const struct setting *row;
    const char *text;
} refused[] = {
    {&any_number,   ""                       },
    {&any_number,   " 1"                     },
    {&any_number,   "+1"                     },
    {&any_number,   "-1"                     },
    {&any_number,   "1.0"                    },
    {&any_number,   "1e3"                    },
    {&any_number,   "0x10"                   },
    {&any_number,   "1 2"                    },
    {&any_number,   "1,000"                  },
    {&any_number,   "1 s"                    },
    {&any_number,   "1 Ki"                   },
    {&any_number,   "two"                    },
    {&any_number,   "9223372036854775808"    },
    {&any_number,   "99999999999999999999999"},
    {&any_duration, ""                       },
    {&any_duration, "s"                      },
    {&any_duration, "-1 s"                   },
    {&any_duration, "1.5 s"                  },
    {&any_duration, "1 S"                    },
    {&any_duration, "1 sec"                  },
    {&any_duration, "1 m"                    },
    {&any_duration, "1 d"                    },
    {&any_duration, "1 s 5"                  },
    {&any_duration, "1 s "                   },
    {&any_duration, "1\tmin"                 },
    {&any_duration, "1 Ki"                   },
    {&any_duration, "9223372036854776 s"     },
    {&any_duration, "153722867280913 min"    },
    {&any_duration, "144115188075855872 h"   }, /* 0 in 64 bits */
    {&any_bytes,    "17179869184 Gi"         }, /* so too */
    {&any_duration, "2562047788016 h"        },
    {&any_bytes,    "Ki"                     },
    {&any_bytes,    "-1 Ki"                  },
    {&any_bytes,    "1 ki"                   },
    {&any_bytes,    "1 K"                    },
    {&any_bytes,    "1 kB"                   },
    {&any_bytes,    "1 KiB"                  },
    {&any_bytes,    "1 Ti"                   },
    {&any_bytes,    "1 s"                    },
    {&any_bytes,    "9007199254740992 Ki"    },
    {&any_bytes,    "8589934592 Gi"          },
};

static void test_numbers_durations_and_sizes(void **state)
{
    struct given *given = *state;
    char why[200];

    for (size_t i = 0; i < COUNT(taken); i++) {
        given->settings.threads = -1;
        if (!setting_set(&given->settings, taken[i].row, taken[i].text, why))
            fail_msg("\"%s\": %s", taken[i].text, why);
        assert_int_equal(given->settings.threads, taken[i].value);
    }
    for (size_t i = 0; i < COUNT(refused); i++) {
        given->settings.threads = -1;
        why[0] = '\0';
        if (setting_set(&given->settings, refused[i].row, refused[i].text, why))
            fail_msg("\"%s\" was taken", refused[i].text);
        assert_int_equal(given->settings.threads, -1);
        assert_memory_equal(why, "t.n is a whole number", 21);
    }
}

static void test_faults_say_what_is_wanted(void **state)
{
    static const struct {
        const char *section, *name, *value, *why;
    } rows[] = {
        {"intake",  "threads",   SECRET, "intake.threads is a whole number from 1 to 64"},
        {"intake",  "body_most", SECRET,
         "intake.body_most is a whole number (Ki, Mi or Gi) from 1024 to 67108864"      },
        {"intake",  "skew",      SECRET,
         "intake.skew is a whole number (ms, s, min or h) from 0 to 3600000 ms"         },
        {"mapping", "units",     SECRET, "mapping.units is one of: canonical as-entered"},
        {"log",     "level",     SECRET, "log.level is one of: error warning info debug"},
    };
    struct given *given = *state;

    for (size_t i = 0; i < COUNT(rows); i++) {
        char why[200];

        assert_false(setting_set(&given->settings, setting_find(rows[i].section, rows[i].name),
                                 rows[i].value, why));
        assert_string_equal(why, rows[i].why);
    }
    assert_others_initial(&given->settings, NULL);
}

static void test_a_choice_is_a_whole_word(void **state)
{
    static const char *const none[] = {"",
                                       " ",
                                       "aut",
                                       "auto ",
                                       " auto",
                                       "Auto",
                                       "update",
                                       "-as-",
                                       "first",
                                       "auto update",
                                       "search-first auto",
                                       "auto update-as-create",
                                       "create"};
    struct given *given = *state;
    const struct setting *way = setting_find("courier", "way");
    char why[200];

    for (size_t i = 0; i < COUNT(none); i++) {
        if (setting_set(&given->settings, way, none[i], why))
            fail_msg("\"%s\" was taken", none[i]);
        assert_string_equal(given->settings.way, "auto");
    }
    assert_true(setting_set(&given->settings, way, "search-first", why));
    assert_string_equal(given->settings.way, "search-first");
    assert_true(setting_set(&given->settings, way, "update-as-create", why));
    assert_string_equal(given->settings.way, "update-as-create");
}

/* ---- the file ---- */

static bool read_value(struct given *given, const struct setting *row, const char *value)
{
    char text[400];

    (void)snprintf(text, sizeof(text), "# as sent\n%s {\n    %s = \"%s\"\n}\n", row->section,
                   row->name, value);
    return read_text(given, text);
}

static void back_to_initial(struct given *given)
{
    settings_clear(&given->settings);
    assert_int_equal(settings_initial(&given->settings), STATUS_OK);
}

static void assert_refused(struct given *given, const struct setting *row, const char *value)
{
    char why[200], expected[300];

    back_to_initial(given);
    assert_false(setting_set(&given->settings, row, value, why));
    assert_false(read_value(given, row, value));
    assert_int_equal(given->count, 1);
    (void)snprintf(expected, sizeof(expected), ":3: %s", why);
    assert_fault(given, 0, expected);
    assert_others_initial(&given->settings, NULL);
}

static void check_number_row(struct given *given, const struct setting *row)
{
    const int64_t values[] = {row->least, row->least + 1, row->most - 1, row->most};

    for (size_t i = 0; i < COUNT(values); i++) {
        assert_true(read_value(given, row, number_text(row, values[i])));
        assert_int_equal(number_at(&given->settings, row), values[i]);
        assert_others_initial(&given->settings, row);
    }
    assert_refused(given, row, number_text(row, row->most + 1));
    if (row->least > 0)
        assert_refused(given, row, number_text(row, row->least - 1));
    assert_refused(given, row, "-1");
    assert_refused(given, row, SECRET);
    assert_null(strstr(given->faults[0], SECRET));
}

static void check_choice_row(struct given *given, const struct setting *row)
{
    for (const char *word = row->choices; *word; word += strspn(word, " ")) {
        size_t length = strcspn(word, " ");
        char value[64];

        (void)snprintf(value, sizeof(value), "%.*s", (int)length, word);
        assert_true(read_value(given, row, value));
        assert_string_equal(text_at(&given->settings, row), value);
        assert_others_initial(&given->settings, row);
        word += length;
    }
    assert_refused(given, row, SECRET);
    assert_null(strstr(given->faults[0], SECRET));
}

static void check_text_row(struct given *given, const struct setting *row)
{
    static const char *const values[] = {"", "x", "http://[::1]:8080/fhir/", "h\xC3\xB6he {#} 'a'"};

    for (size_t i = 0; i < COUNT(values); i++) {
        assert_true(read_value(given, row, values[i]));
        assert_string_equal(text_at(&given->settings, row), values[i]);
        assert_others_initial(&given->settings, row);
    }
}

static void test_each_row_is_read_back(void **state)
{
    struct given *given = *state;

    for (size_t i = 0; i < setting_count; i++) {
        const struct setting *row = &setting_table[i];

        back_to_initial(given);
        if (row->type == SET_TEXT)
            check_text_row(given, row);
        else if (row->type == SET_CHOICE)
            check_choice_row(given, row);
        else
            check_number_row(given, row);
    }
}

static void test_the_sample_is_the_initial_values(void **state)
{
    struct given *given = *state;

    for (size_t i = 0; i < setting_count; i++)
        if (!is_text(&setting_table[i]))
            memset((char *)&given->settings + setting_table[i].offset, 0xFF, sizeof(int64_t));
    assert_true(settings_read_file(WARDPOST_SOURCE_DIR "/deploy/wardpost.conf", &given->settings,
                                   complain, given));
    assert_others_initial(&given->settings, NULL);
}

static void test_ways_to_write_a_file(void **state)
{
    struct given *given = *state;

    assert_true(read_text(given, ""));
    assert_true(read_text(given, "\n# nothing\n"));
    assert_true(read_text(given, "intake {\n}\n"));
    assert_others_initial(&given->settings, NULL);
    assert_true(read_text(given, "/* a { */ intake { # } {\n"
                                 "threads = 3 // {\n"
                                 "skew='5 s' }\n"
                                 "log{level=debug}\n"
                                 "intake { hosts = \"a \\\" { b\" idle = 9 }\n"
                                 "courier { way = search-first way = conditional-create\n"
                                 "server = http://127.0.0.1:8080/fhir}"));
    assert_int_equal(given->settings.threads, 3);
    assert_int_equal(given->settings.skew_ms, 5000);
    assert_int_equal(given->settings.idle_ms, 9000);
    assert_string_equal(given->settings.hosts, "a \" { b");
    assert_string_equal(given->settings.log_level, "debug");
    assert_string_equal(given->settings.server, "http://127.0.0.1:8080/fhir");
    assert_string_equal(given->settings.way, "conditional-create"); /* the last one counts */
}

#define INTAKE_KNOWS                                                                    \
    "intake knows: listen, hosts, certificate, key, proxy, threads, connections_most, " \
    "streams_most, body_most, ndjson_most, readings_most, "                             \
    "headers_deadline, body_deadline, idle, skew, age_ask"
#define SECTIONS "the sections are: intake, access, store, mapping, patients, round, courier, log"

static void test_what_is_wrong_is_told_with_its_line(void **state)
{
    static const struct {
        const char *text, *fault;
    } rows[] = {
        {"intake {\n\n  treads = 2\n}\n",                                                ":3: no such option 'treads'; " INTAKE_KNOWS        },
        {"\nlog { listen = x }\n",                                                       ":2: no such option 'listen'; log knows: level"     },
        {"log {\n}\n\nintak {\n}\n",                                                     ":4: no such option 'intak'; " SECTIONS             },
        {"threads = 2\n",                                                                ":1: no such option 'threads'; " SECTIONS           },
        {"include(\"" SECRET "\")\n",                                                    ":1: no such option 'include'; " SECTIONS           },
        {"intake {\n threads 2\n}\n",                                                    ":2: missing equal sign after option 'threads'"     },
        {"courier {\n server \"" SECRET "\"\n}\n",                                       ":2: missing equal sign after option 'server'"      },
        {"intake {\n threads += 2\n}\n",                                                 ":2: attempt to append to non-list option 'threads'"},
        {"intake {\n threads = {2}\n}\n",                                                ":2: unexpected token '{'"                          },
        {"intake {\n threads = \n}\n",                                                   ":3: unexpected token '}'"                          },
        {"intake = 2\n",                                                                 ":1: missing opening brace for section 'intake'"    },
        {"intake {\n}\n}\n",                                                             ":3: unexpected closing brace"                      },
        {"log {\n}\nintake {\n threads = 3\n",                                           ":3: the section that begins here is not closed"    },
        {"intake { # }\n /* } */ hosts = '}'\n",                                         ":1: the section that begins here is not closed"    },
        {"# a\n# b\n\nlog { // c {\n} /*\n d */\n# e\nintake {\n threads = 65 # f\n}\n",
         ":9: intake.threads is a whole number from 1 to 64"                                                                                 },
        {"log { }\n\n/* a\n b }\n",                                                      ":3: the comment that begins here does not end"     },
        {"log { }\n/*/ log { level = debug }",                                           ":2: the comment that begins here does not end"     },
        {"intake {\n hosts = \"a\nb\"\n threads = 65\n}\n",
         ":4: intake.threads is a whole number from 1 to 64"                                                                                 },
        {"intake {\n threads = 65\n}\n",                                                 ":2: intake.threads is a whole number from 1 to 64" },
        {"intake {\n threads = 2 }\nlog { level =\n" SECRET "\n}\n",
         ":4: log.level is one of: error warning info debug"                                                                                 },
    };
    struct given *given = *state;

    for (size_t i = 0; i < COUNT(rows); i++) {
        if (read_text(given, rows[i].text))
            fail_msg("taken: %s", rows[i].text);
        assert_fault(given, 0, rows[i].fault);
        assert_int_equal(given->count, 1);
        assert_null(strstr(given->faults[0], SECRET));
    }
}

static void test_all_faults_in_one_reading(void **state)
{
    struct given *given = *state;

    assert_false(read_text(given,
                           "intake {\n threads = 0 # none\n idle = 9\n body_most = \"1 Ti\" }\n"
                           "/*\n\n*/ log { level = loud }\ncourier { // open\n way = 1\n"));
    assert_int_equal(given->count, 5);
    assert_fault(given, 0, ":8: the section that begins here is not closed");
    assert_fault(given, 1, ":2: intake.threads is a whole number from 1 to 64");
    assert_fault(given, 2,
                 ":4: intake.body_most is a whole number (Ki, Mi or Gi) from 1024 to 67108864");
    assert_fault(given, 3, ":7: log.level is one of: error warning info debug");
    assert_fault(
        given, 4,
        ":9: courier.way is one of: auto update-as-create conditional-create search-first");
    assert_int_equal(given->settings.idle_ms, 9000);
}

/* A text that ends within a string is no setting, whatever it looks like. */
static void test_a_string_that_does_not_end(void **state)
{
    struct given *given = *state;

    assert_false(read_text(given, "courier {\n server = \"" SECRET "\n}\n"));
    assert_in_range(given->count, 1, 2);
    for (unsigned i = 0; i < given->count; i++)
        assert_null(strstr(given->faults[i], SECRET));
    assert_others_initial(&given->settings, NULL);
}

static void assert_unreadable(struct given *given, const char *fault)
{
    given->count = 0;
    assert_false(settings_read_file(given->path, &given->settings, complain, given));
    assert_int_equal(given->count, 1);
    assert_fault(given, 0, fault);
    assert_others_initial(&given->settings, NULL);
}

static void test_files_that_cannot_be_read(void **state)
{
    static const char wrong[] = "intake{threads=65}", right[] = "intake{threads=63}";
    static char large[(1 << 20) + 1]; /* one more than 1 MiB */
    struct given *given = *state;

    assert_unreadable(given, ": cannot be read"); /* there is none */
    assert_int_equal(mkdir(given->path, 0700), 0);
    assert_unreadable(given, ": cannot be read");
    assert_int_equal(rmdir(given->path), 0);
    memset(large, '\n', sizeof(large));
    memcpy(large, wrong, sizeof(wrong) - 1);
    write_bytes(given->path, large, sizeof(large));
    assert_unreadable(given, ": is larger than 1 MiB");
    memcpy(large, right, sizeof(right) - 1);
    write_bytes(given->path, large, sizeof(large) - 1);
    assert_true(settings_read_file(given->path, &given->settings, complain, given));
    assert_int_equal(given->settings.threads, 63);
    back_to_initial(given);
    write_bytes(given->path, "log{}\n\nlog{}\0intake{threads=3}\n", 32);
    assert_unreadable(given, ":3: a NUL byte, which is no text");
}

/* However long its path is, a fault is told whole. */
static void test_a_long_path(void **state)
{
    struct given *given = *state;
    static char path[PATH_MAX];
    size_t folder = strlen(given->folder);

    write_bytes(given->path, "intake { treads = 2 }", 21);
    memset(path, '/', sizeof(path));
    memcpy(path, given->folder, folder);
    memcpy(path + sizeof(path) - 7, "w.conf", 7);
    given->count = 0;
    assert_false(settings_read_file(path, &given->settings, complain, given));
    assert_int_equal(given->count, 1);
    assert_memory_equal(given->faults[0], path, strlen(path));
    assert_string_equal(given->faults[0] + strlen(path),
                        ":1: no such option 'treads'; " INTAKE_KNOWS);
}

/* ---- the command line ---- */

struct loaded {
    int code;
    struct settings settings;
    char out[4096], error[4096]; /* standard output and error */
};

static int divert(int fd, const char *path)
{
    int kept = fcntl(fd, F_DUPFD_CLOEXEC, 3);
    int other = open(path, O_RDWR | O_CREAT | O_TRUNC | O_CLOEXEC, 0600);

    assert_true(kept >= 0 && other >= 0);
    (void)fflush(NULL);
    assert_true(dup2(other, fd) >= 0);
    assert_int_equal(close(other), 0);
    return kept;
}

static void restore(int fd, int kept, char *text, size_t room)
{
    ssize_t length;

    (void)fflush(NULL);
    length = pread(fd, text, room - 1, 0);
    (void)dup2(kept, fd);
    (void)close(kept);
    assert_in_range(length, 0, room - 2);
    text[length] = '\0';
}

static void load(struct given *given, struct loaded *loaded, const char *const *arguments)
{
    char *words[16] = {0};
    char error[220];
    int count = 0, out_kept, error_kept;

    for (; arguments[count]; count++) {
        assert_in_range(count, 0, COUNT(words) - 2);
        words[count] = strdup(arguments[count]);
    }
    (void)snprintf(error, sizeof(error), "%s.error", given->said);
    error_kept = divert(STDERR_FILENO, error);
    out_kept = divert(STDOUT_FILENO, given->said);
    loaded->code = settings_load(count, words, &loaded->settings);
    restore(STDOUT_FILENO, out_kept, loaded->out, sizeof(loaded->out));
    restore(STDERR_FILENO, error_kept, loaded->error, sizeof(loaded->error));
    for (int i = 0; i < count; i++)
        free(words[i]);
    assert_null(strstr(loaded->out, SECRET));
    assert_null(strstr(loaded->error, SECRET));
}

/* All of these with "wardpostd" before them; clear what is loaded. */
#define LOAD(given, loaded, ...) \
    load(given, loaded, (const char *const[]){"wardpostd", __VA_ARGS__, NULL})

static void test_the_command_line_alone(void **state)
{
    struct given *given = *state;
    struct loaded loaded;

    LOAD(given, &loaded, "--listen", "127.0.0.2:0", "--store=/tmp/s.db", "--server",
         "http://[::1]:8080", "--mappings", "/tmp/m");
    assert_int_equal(loaded.code, 0);
    assert_string_equal(loaded.error, "");
    assert_string_equal(loaded.settings.listen, "127.0.0.2:0");
    assert_string_equal(loaded.settings.store, "/tmp/s.db");
    assert_string_equal(loaded.settings.server, "http://[::1]:8080");
    assert_string_equal(loaded.settings.mappings, "/tmp/m");
    assert_true(loaded.settings.one_time_token);
    assert_false(loaded.settings.demo || loaded.settings.check_only);
    settings_clear(&loaded.settings);

    LOAD(given, &loaded, "--demo");
    assert_int_equal(loaded.code, 0);
    assert_true(loaded.settings.demo);
    assert_false(loaded.settings.one_time_token); /* nobody needs one */
    assert_string_equal(loaded.settings.users, "/var/lib/wardpost/wardpost.db-users.json");
    assert_others_initial(&loaded.settings, setting_find("access", "users"));
    settings_clear(&loaded.settings);

    /* people are those of a ward only where it is said */
    assert_true(read_text(given, "access { users = \"/tmp/u.json\" }"));
    LOAD(given, &loaded, "--demo", "--config", given->path, "--store", "/tmp/s.db");
    assert_int_equal(loaded.code, 0);
    assert_string_equal(loaded.settings.users, "/tmp/u.json");
    settings_clear(&loaded.settings);
}

static void test_the_command_line_stands_over_the_file(void **state)
{
    struct given *given = *state;
    struct loaded loaded;

    assert_true(read_text(given, "intake { listen = \"[::1]:1\" threads = 5 } store { path = f }"));
    for (int first = 0; first < 2; first++) {
        if (first)
            LOAD(given, &loaded, "--config", given->path, "--listen", "localhost:7");
        else
            LOAD(given, &loaded, "--listen", "localhost:7", "--config", given->path);
        assert_int_equal(loaded.code, 0);
        assert_string_equal(loaded.settings.listen, "localhost:7");
        assert_string_equal(loaded.settings.store, "f");
        assert_int_equal(loaded.settings.threads, 5);
        assert_false(loaded.settings.one_time_token);
        settings_clear(&loaded.settings);
    }
}

static void test_check_says_all_that_is_wrong(void **state)
{
    struct given *given = *state;
    char expected[900];
    struct loaded loaded;

    assert_true(read_text(given, "log { level = debug }\n"));
    LOAD(given, &loaded, "--check", "--config", given->path);
    assert_int_equal(loaded.code, 0); /* the rest of the check is the daemon's */
    assert_true(loaded.settings.check_only);
    assert_string_equal(loaded.settings.log_level, "debug");
    assert_string_equal(loaded.out, "");
    assert_string_equal(loaded.error, "");
    settings_clear(&loaded.settings);

    assert_false(read_text(given, "log { level = " SECRET " }\nintake {\n threads = 0\n}\n"));
    LOAD(given, &loaded, "--config", given->path, "--check");
    assert_int_equal(loaded.code, EX_CONFIG + 1);
    (void)snprintf(expected, sizeof(expected),
                   "%.200s:1: log.level is one of: error warning info debug\n"
                   "%.200s:3: intake.threads is a whole number from 1 to 64\n",
                   given->path, given->path);
    assert_string_equal(loaded.error, expected);
    assert_string_equal(loaded.out, "");
    settings_clear(&loaded.settings);

    assert_int_equal(unlink(given->path), 0);
    LOAD(given, &loaded, "--check", "--config", given->path);
    assert_int_equal(loaded.code, EX_CONFIG + 1);
    (void)snprintf(expected, sizeof(expected), "%.200s: cannot be read\n", given->path);
    assert_string_equal(loaded.error, expected);
    settings_clear(&loaded.settings);
}

static void test_wrong_use(void **state)
{
    static const struct {
        const char *arguments[4];
        int code;
        const char *error; /* its beginning */
    } rows[] = {
        {{"wardpostd", "--lisen", "x"},                  EX_USAGE, "wardpostd: unrecognized option"                                  },
        {{"wardpostd", "--config"},                      EX_USAGE, "wardpostd: option '--config' requires an argument"               },
        {{"wardpostd", "--check=1"},
         EX_USAGE,                                                 "wardpostd: option '--check' doesn't allow an argument"           },
        {{"wardpostd", SECRET},
         EX_USAGE,                                                 "wardpostd: no arguments are taken; see wardpostd --help\n"       },
        {{"wardpostd", "--listen", SECRET},
         EX_USAGE,                                                 "wardpostd: intake.listen is ADDRESS:PORT; see wardpostd --help\n"},
        {{"wardpostd", "--listen", "127.0.0.1:" SECRET},
         EX_USAGE,                                                 "wardpostd: intake.listen is ADDRESS:PORT; see wardpostd --help\n"},
        {{"wardpostd", "--listen", "::1:8642"},
         EX_USAGE,                                                 "wardpostd: intake.listen is ADDRESS:PORT; see wardpostd --help\n"},
        {{"wardpostd", "--listen", "0.0.0.0:8642"},
         EX_CONFIG,                                                "wardpostd: anything but loopback needs TLS: "                    },
        {{"wardpostd", "--listen", SECRET ":8642"},
         EX_CONFIG,                                                "wardpostd: anything but loopback needs TLS: "                    },
    };
    struct given *given = *state;

    for (size_t i = 0; i < COUNT(rows); i++) {
        struct loaded loaded;

        load(given, &loaded, rows[i].arguments);
        assert_int_equal(loaded.code, rows[i].code + 1);
        assert_string_equal(loaded.out, "");
        assert_memory_equal(loaded.error, rows[i].error, strlen(rows[i].error));
        settings_clear(&loaded.settings);
    }
}

static void test_help_and_version(void **state)
{
    static const char *const options[] = {"--config", "--listen",   "--server",
                                          "--store",  "--mappings", "--demo",
                                          "--check",  "--version",  "--help"};
    struct given *given = *state;
    struct loaded loaded;

    LOAD(given, &loaded, "--help");
    assert_int_equal(loaded.code, EX_OK + 1);
    assert_string_equal(loaded.error, "");
    for (size_t i = 0; i < COUNT(options); i++)
        assert_non_null(strstr(loaded.out, options[i]));
    assert_non_null(strstr(loaded.out, "A record-keeping aid, not a monitor, not an alarm"));
    settings_clear(&loaded.settings);
    LOAD(given, &loaded, "--version", "--config", "/nowhere");
    assert_int_equal(loaded.code, EX_OK + 1);
    assert_string_equal(loaded.out, "wardpostd " WARDPOST_VERSION "\n");
    settings_clear(&loaded.settings);
}

/* ---- addresses ---- */

static void test_addresses_and_ports(void **state)
{
    static char longest[140];
    const struct {
        const char *address, *host;
        uint16_t port;
    } rows[] = {
        {"127.0.0.1:8642",       "127.0.0.1",       8642 },
        {"127.0.0.1:0",          "127.0.0.1",       0    },
        {"0.0.0.0:65535",        "0.0.0.0",         65535},
        {"localhost:1",          "localhost",       1    },
        {"ward.example:443",     "ward.example",    443  },
        {"[::1]:8642",           "::1",             8642 },
        {"[2001:db8::7]:80",     "2001:db8::7",     80   },
        {"[::ffff:10.0.0.1]:80", "::ffff:10.0.0.1", 80   },
        {"h:0080",               "h",               80   },
        {longest,                NULL,              7    },
    };

    (void)state;
    memset(longest, 'h', 127);
    memcpy(longest + 127, ":7", 3);
    for (size_t i = 0; i < COUNT(rows); i++) {
        char host[128];
        uint16_t port = 1;

        if (!address_split(rows[i].address, host, &port))
            fail_msg("\"%s\" was refused", rows[i].address);
        if (rows[i].host)
            assert_string_equal(host, rows[i].host);
        else
            assert_int_equal(strlen(host), 127);
        assert_int_equal(port, rows[i].port);
    }
}

static void test_what_is_no_address_and_port(void **state)
{
    static char too_long[140];
    const char *const rows[] = {
        "",
        ":",
        ":8642",
        "127.0.0.1",
        "127.0.0.1:",
        "8642",
        "[::1]",
        "[::1]:",
        "::1",
        "::1:8642",
        "[]:8642",
        "[::1:8642",
        "::1]:8642",
        "127.0.0.1:65536",
        "127.0.0.1:-1",
        "h:+1",
        "h: 1",
        "h:1 ",
        "h:0x10",
        "h:80a",
        "h:http",
        "h:8:0",
        "h:4294967297",
        "h:18446744073709551617",
        "h:99999999999999999999999",
        too_long,
    };

    (void)state;
    memset(too_long, 'h', 128);
    memcpy(too_long + 128, ":7", 3);
    for (size_t i = 0; i < COUNT(rows); i++) {
        char host[128] = "untouched";
        uint16_t port = 4711;

        if (address_split(rows[i], host, &port))
            fail_msg("\"%s\" was taken", rows[i]);
        assert_string_equal(host, "untouched");
        assert_int_equal(port, 4711);
    }
}

static void test_what_is_loopback(void **state)
{
    static const struct {
        const char *host;
        bool is_loopback;
    } rows[] = {
        {"127.0.0.1",         true },
        {"127.0.0.0",         true },
        {"127.255.255.255",   true },
        {"::1",               true },
        {"0:0:0:0:0:0:0:1",   true },
        {"localhost",         true },
        {"126.255.255.255",   false},
        {"128.0.0.1",         false},
        {"0.0.0.0",           false},
        {"10.0.0.1",          false},
        {"::",                false},
        {"::2",               false},
        {"fe80::1",           false},
        {"127.0.0.1.example", false},
        {"localhost.example", false},
        {"LOCALHOST.",        false},
        {"127.1",             false},
        {"0x7f.0.0.1",        false},
        {"",                  false},
        {"[::1]",             false},
    };

    (void)state;
    for (size_t i = 0; i < COUNT(rows); i++)
        if (address_is_loopback(rows[i].host) != rows[i].is_loopback)
            fail_msg("%s", rows[i].host);
}

static void test_a_list_of_addresses(void **state)
{
    static const struct {
        const char *list;
        bool fine, has_four, has_six; /* 10.0.0.7, fd00::7 */
    } rows[] = {
        {"",                          true,  false, false},
        {"  ",                        true,  false, false},
        {"10.0.0.7",                  true,  true,  false},
        {"::ffff:10.0.0.7",           true,  true,  false},
        {" 10.0.0.1  10.0.0.7 ",      true,  true,  false},
        {"10.0.0.1 fd00::7 10.0.0.7", true,  true,  true },
        {"fd00:0::0007",              true,  false, true },
        {"10.0.0.70 10.0.0",          false, false, false},
        {"proxy.example",             false, false, false},
        {"10.0.0.7:80",               false, false, false},
        {"[fd00::7]",                 false, false, false},
        {"10.0.0.7,fd00::7",          false, false, false},
        {"10.0.0.0/24",               false, false, false},
    };
    struct sockaddr_in four = {.sin_family = AF_INET};
    struct sockaddr_in6 six = {.sin6_family = AF_INET6}, four_as_six = {.sin6_family = AF_INET6};
    const struct sockaddr local = {.sa_family = AF_UNIX};

    (void)state;
    assert_int_equal(inet_pton(AF_INET, "10.0.0.7", &four.sin_addr), 1);
    assert_int_equal(inet_pton(AF_INET6, "fd00::7", &six.sin6_addr), 1);
    assert_int_equal(inet_pton(AF_INET6, "::ffff:10.0.0.7", &four_as_six.sin6_addr), 1);
    for (size_t i = 0; i < COUNT(rows); i++) {
        const char *list = rows[i].list;

        if (addresses_are_fine(list) != rows[i].fine ||
            address_is_listed(list, (struct sockaddr *)&four) != rows[i].has_four ||
            address_is_listed(list, (struct sockaddr *)&four_as_six) != rows[i].has_four ||
            address_is_listed(list, (struct sockaddr *)&six) != rows[i].has_six ||
            address_is_listed(list, &local))
            fail_msg("\"%s\"", list);
    }
}

#define TLS " certificate = c key = k "

static void test_who_may_come_in_and_how(void **state)
{
    static const struct {
        const char *file, *fault; /* NULL: none */
        bool demo;
    } rows[] = {
        {"listen = \"0.0.0.0:1\"",                             "anything but loopback needs TLS",               false},
        {"listen = \"[::]:1\"",                                "anything but loopback needs TLS",               false},
        {"listen = \"0.0.0.0:1\"" TLS,                         NULL,                                            false},
        {"listen = \"0.0.0.0:1\" proxy = \"10.0.0.7\"",        NULL,                                            false},
        {"listen = \"0.0.0.0:1\" proxy = \"10.0.0.7\"" TLS,    NULL,                                            false},
        {"listen = \"127.0.0.1:1\"" TLS,                       NULL,                                            false},
        {"listen = \"127.0.0.1:1\" proxy = \"127.0.0.1 ::1\"", NULL,                                            false},
        {"proxy = \"proxy.example\"",                          "intake.proxy is a list of addresses",           false},
        {"certificate = c",                                    "intake.certificate and intake.key go together", false},
        {"key = k",                                            "intake.certificate and intake.key go together", false},
        {"listen = \"127.0.0.1:1\"" TLS,                       NULL,                                            true },
        {"listen = \"0.0.0.0:1\"" TLS,                         "--demo is for loopback only",                   true },
        {"listen = \"127.0.0.1:1\" proxy = \"127.0.0.1\"",     "--demo is for loopback only",                   true },
    };
    struct given *given = *state;

    for (size_t i = 0; i < COUNT(rows); i++) {
        struct loaded loaded;
        char text[200];

        (void)snprintf(text, sizeof(text), "intake { %s }\n", rows[i].file);
        write_bytes(given->path, text, strlen(text));
        if (rows[i].demo)
            LOAD(given, &loaded, "--config", given->path, "--demo");
        else
            LOAD(given, &loaded, "--config", given->path);
        if (loaded.code != (rows[i].fault ? EX_CONFIG + 1 : 0) ||
            (rows[i].fault && !strstr(loaded.error, rows[i].fault)))
            fail_msg("%s: %d %s", rows[i].file, loaded.code, loaded.error);
        settings_clear(&loaded.settings);
    }
}

/* ---- the folder of the kind table ---- */

static void test_the_folder_that_was_set_is_used(void **state)
{
    char out[16];

    (void)state;
    assert_true(mappings_path("/nowhere", out, sizeof(out))); /* there or not */
    assert_string_equal(out, "/nowhere");
    assert_true(mappings_path("56789abcdef.../", out, sizeof(out)));
    assert_string_equal(out, "56789abcdef.../");
    assert_false(mappings_path("/56789abcdef.../", out, sizeof(out)));
}

/* ---- failing allocations ---- */

/* Under a sanitizer strdup() is its own and does not fail (heap.h). */
static unsigned strdups(unsigned count)
{
    char *volatile copy;

    heap_fail_at(1);
    copy = strdup("x");
    heap_fail_at(0);
    free(copy);
    return heap_did_fail() ? count : 0;
}

static void test_each_failed_allocation_of_the_initial_values(void **state)
{
    unsigned nth = 0, texts = 0;
    enum status status;

    (void)state;
    do {
        struct settings settings;

        heap_fail_at(++nth);
        status = settings_initial(&settings);
        heap_fail_at(0);
        assert_int_equal(status, heap_did_fail() ? STATUS_NO_MEMORY : STATUS_OK);
        assert_int_equal(settings.listen != NULL, status == STATUS_OK);
        assert_int_equal(settings.log_level != NULL, status == STATUS_OK);
        settings_clear(&settings);
    } while (status != STATUS_OK);
    for (size_t i = 0; i < setting_count; i++)
        texts += is_text(&setting_table[i]);
    assert_int_equal(nth, strdups(texts) + 1);
}

static void test_a_failed_allocation_keeps_the_old_value(void **state)
{
    struct given *given = *state;
    char why[200] = "";
    bool good;

    heap_fail_at(1);
    good = setting_set(&given->settings, setting_find("store", "path"), "/elsewhere", why);
    heap_fail_at(0);
    assert_int_equal(good, strdups(1) == 0);
    assert_string_equal(why, good ? "" : "out of memory");
    assert_others_initial(&given->settings, good ? setting_find("store", "path") : NULL);
}

/* What libConfuse makes of a heap that fails is its own affair, and its scanner then ends the
 * program (2): in a process of its own. But never is a file taken of which something was not read.
 */
static int read_in_a_process(struct given *given, unsigned nth)
{
    int status = 0;
    pid_t child;
    bool good;

    (void)fflush(NULL);
    child = fork();
    assert_true(child >= 0);
    if (child == 0) {
        if (freopen("/dev/null", "w", stderr) == NULL)
            _exit(9);
        heap_fail_at(nth);
        good = settings_read_file(given->path, &given->settings, complain, given);
        heap_fail_at(0);
        if (good != (given->count == 0))
            _exit(8);
        if (good && (given->settings.threads != 3 || given->settings.idle_ms != 9000 ||
                     strcmp(given->settings.store, "/elsewhere") != 0))
            _exit(7);
        _exit(good ? 0 : heap_did_fail() ? 3 : 6);
    }
    assert_int_equal(waitpid(child, &status, 0), child);
    assert_true(WIFEXITED(status));
    return WEXITSTATUS(status);
}

static void test_each_failed_allocation_of_reading(void **state)
{
    static const char text[] =
        "intake { threads = 3 idle = \"9 s\" }\nstore { path = /elsewhere }\n";
    struct given *given = *state;
    unsigned nth = 0, said = 0;
    int code;

    write_bytes(given->path, text, sizeof(text) - 1);
    do {
        code = read_in_a_process(given, ++nth);
        said += code == 3;
        if (code != 0 && code != 2 && code != 3)
            fail_msg("allocation %u: %d", nth, code);
    } while (code != 0);
    assert_in_range(said, 5, 1000);
}

static void test_each_failed_allocation_of_loading(void **state)
{
    char *words[] = {strdup("wardpostd"), strdup("--store"), strdup("/elsewhere"), NULL};
    unsigned nth = 0;
    int code;

    (void)state;
    do {
        struct settings settings;
        int kept = divert(STDERR_FILENO, "/dev/null");

        heap_fail_at(++nth);
        code = settings_load(3, words, &settings);
        heap_fail_at(0);
        (void)dup2(kept, STDERR_FILENO);
        (void)close(kept);
        assert_int_equal(code != 0, heap_did_fail());
        if (code == 0)
            assert_string_equal(settings.store, "/elsewhere");
        settings_clear(&settings);
    } while (code != 0);
    assert_in_range(nth, 1 + strdups(1), 1000);
    for (size_t i = 0; words[i]; i++)
        free(words[i]);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_the_table_is_in_order),
        cmocka_unit_test_setup_teardown(test_initial_values, setup, teardown),
        cmocka_unit_test_setup_teardown(test_numbers_durations_and_sizes, setup, teardown),
        cmocka_unit_test_setup_teardown(test_faults_say_what_is_wanted, setup, teardown),
        cmocka_unit_test_setup_teardown(test_a_choice_is_a_whole_word, setup, teardown),
        cmocka_unit_test_setup_teardown(test_each_row_is_read_back, setup, teardown),
        cmocka_unit_test_setup_teardown(test_the_sample_is_the_initial_values, setup, teardown),
        cmocka_unit_test_setup_teardown(test_ways_to_write_a_file, setup, teardown),
        cmocka_unit_test_setup_teardown(test_what_is_wrong_is_told_with_its_line, setup, teardown),
        cmocka_unit_test_setup_teardown(test_all_faults_in_one_reading, setup, teardown),
        cmocka_unit_test_setup_teardown(test_a_string_that_does_not_end, setup, teardown),
        cmocka_unit_test_setup_teardown(test_files_that_cannot_be_read, setup, teardown),
        cmocka_unit_test_setup_teardown(test_a_long_path, setup, teardown),
        cmocka_unit_test_setup_teardown(test_the_command_line_alone, setup, teardown),
        cmocka_unit_test_setup_teardown(test_the_command_line_stands_over_the_file, setup,
                                        teardown),
        cmocka_unit_test_setup_teardown(test_check_says_all_that_is_wrong, setup, teardown),
        cmocka_unit_test_setup_teardown(test_wrong_use, setup, teardown),
        cmocka_unit_test_setup_teardown(test_help_and_version, setup, teardown),
        cmocka_unit_test(test_addresses_and_ports),
        cmocka_unit_test(test_what_is_no_address_and_port),
        cmocka_unit_test(test_what_is_loopback),
        cmocka_unit_test(test_a_list_of_addresses),
        cmocka_unit_test_setup_teardown(test_who_may_come_in_and_how, setup, teardown),
        cmocka_unit_test(test_the_folder_that_was_set_is_used),
        cmocka_unit_test(test_each_failed_allocation_of_the_initial_values),
        cmocka_unit_test_setup_teardown(test_a_failed_allocation_keeps_the_old_value, setup,
                                        teardown),
        cmocka_unit_test_setup_teardown(test_each_failed_allocation_of_reading, setup, teardown),
        cmocka_unit_test(test_each_failed_allocation_of_loading),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
