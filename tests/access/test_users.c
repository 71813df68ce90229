/* test_users.c - the people who sign in: the file whole or not at all, PINs, lock-outs with made-up
 * times, the first administrator. Names, identifiers and PINs are invented. */
#include <ctype.h>
#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <pthread.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdatomic.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

#include <cmocka.h>
#include <sodium.h>

#include "access/access_private.h"
#include "heap.h"
#include "wardpost/users.h"

#define COUNT(table) (sizeof(table) / sizeof((table)[0]))

/* ---- a seam: libsodium's two calls, counted, and made at the least work ----
 * What is linked to the program comes before the library's own. */

static atomic_uint made, compared;
static atomic_bool no_memory; /* as when 64 MiB cannot be mapped */
static atomic_bool in_full;   /* no short cut */
static atomic_uint at_once, most_at_once;
static unsigned long long asked_operations;
static size_t asked_memory;
static bool was_of_full_work;
static atomic_bool wait_for_another; /* stay in the work for a while: does somebody come in? */
static void (*while_hashing)(void);  /* called once, in the middle of the work */

int crypto_pwhash_str(char out[crypto_pwhash_STRBYTES], const char *const passwd,
                      unsigned long long passwdlen, unsigned long long opslimit, size_t memlimit)
{
    atomic_fetch_add(&made, 1);
    asked_operations = opslimit;
    asked_memory = memlimit;
    if (atomic_load(&no_memory)) {
        errno = ENOMEM;
        return -1;
    }
    if (atomic_load(&in_full))
        return crypto_pwhash_argon2id_str(out, passwd, passwdlen, opslimit, memlimit);
    return crypto_pwhash_argon2id_str(out, passwd, passwdlen, crypto_pwhash_OPSLIMIT_MIN,
                                      crypto_pwhash_MEMLIMIT_MIN);
}

int crypto_pwhash(unsigned char *const out, unsigned long long outlen, const char *const passwd,
                  unsigned long long passwdlen, const unsigned char *const salt,
                  unsigned long long opslimit, size_t memlimit, int alg)
{
    void (*hook)(void) = while_hashing;
    int answer = 0;

    atomic_fetch_add(&at_once, 1);
    atomic_fetch_add(&compared, 1);
    was_of_full_work = opslimit == crypto_pwhash_OPSLIMIT_INTERACTIVE &&
                       memlimit == crypto_pwhash_MEMLIMIT_INTERACTIVE;
    while_hashing = NULL;
    if (hook)
        hook();
    for (int i = 0; atomic_load(&wait_for_another) && i < 100 && atomic_load(&at_once) < 2; i++)
        nanosleep(&(const struct timespec){.tv_nsec = 1000000}, NULL);
    if (atomic_load(&at_once) > atomic_load(&most_at_once))
        atomic_store(&most_at_once, atomic_load(&at_once));
    if (atomic_load(&no_memory)) {
        errno = ENOMEM;
        answer = -1;
    } else if (!atomic_load(&in_full) && was_of_full_work) {
        memset(out, 0xAA, (size_t)outlen); /* the dummy's 64 MiB: once in full is enough */
    } else {
        answer =
            crypto_pwhash_argon2id(out, outlen, passwd, passwdlen, salt, opslimit, memlimit, alg);
    }
    atomic_fetch_sub(&at_once, 1);
    return answer;
}

/* ---- a folder of its own for each test ---- */

struct given {
    char folder[128], log[160], path[200];
    int kept_error; /* standard error while it is a file */
};

static struct given *here;

static int setup(void **state)
{
    struct given *given = calloc(1, sizeof(*given));
    const char *base = access("/dev/shm", W_OK) == 0 ? "/dev/shm" : "/tmp";
    int fd;

    assert_non_null(given);
    (void)snprintf(given->folder, sizeof(given->folder), "%s/wardpost-users-XXXXXX", base);
    assert_non_null(mkdtemp(given->folder));
    (void)snprintf(given->path, sizeof(given->path), "%s/users.json", given->folder);
    (void)snprintf(given->log, sizeof(given->log), "%s/log", given->folder);
    fd = open(given->log, O_WRONLY | O_CREAT | O_APPEND | O_CLOEXEC, 0600);
    assert_true(fd >= 0);
    given->kept_error = fcntl(STDERR_FILENO, F_DUPFD_CLOEXEC, 3);
    assert_true(given->kept_error >= 0);
    assert_true(dup2(fd, STDERR_FILENO) >= 0);
    assert_int_equal(close(fd), 0);
    atomic_store(&made, 0);
    atomic_store(&compared, 0);
    atomic_store(&most_at_once, 0);
    here = given;
    *state = given;
    return 0;
}

static int teardown(void **state)
{
    struct given *given = *state;
    DIR *folder = opendir(given->folder);
    const struct dirent *entry;
    char path[512];

    (void)dup2(given->kept_error, STDERR_FILENO);
    (void)close(given->kept_error);
    while (folder && (entry = readdir(folder))) {
        (void)snprintf(path, sizeof(path), "%s/%s", given->folder, entry->d_name);
        (void)unlink(path);
    }
    if (folder)
        (void)closedir(folder);
    (void)rmdir(given->folder);
    atomic_store(&no_memory, false);
    atomic_store(&in_full, false);
    atomic_store(&wait_for_another, false);
    while_hashing = NULL;
    free(given);
    return 0;
}

static const char *read_file(const char *path)
{
    static char text[65536];
    int fd = open(path, O_RDONLY | O_CLOEXEC);
    ssize_t length;

    assert_true(fd >= 0);
    length = read(fd, text, sizeof(text) - 1);
    assert_in_range(length, 0, sizeof(text) - 2);
    text[length] = '\0';
    assert_int_equal(close(fd), 0);
    return text;
}

/* As a file that is written whole comes: another than the one before. */
static void swap_file(const struct given *given, const char *text)
{
    char other[220];
    int fd;

    (void)snprintf(other, sizeof(other), "%s.other", given->path);
    fd = open(other, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0600);
    assert_true(fd >= 0);
    assert_int_equal(write(fd, text, strlen(text)), strlen(text));
    assert_int_equal(close(fd), 0);
    assert_int_equal(rename(other, given->path), 0);
}

static unsigned logged(const struct given *given, const char *words)
{
    unsigned count = 0;

    for (const char *at = read_file(given->log); (at = strstr(at, words)); at++)
        count++;
    return count;
}

/* ---- people ---- */

#define ANA_PIN   "4826"
#define BEN_PIN   "907153"
#define WRONG_PIN "5209"

static struct user user_of(const char *name, const char *pin, enum role role)
{
    struct user user = {.role = role};

    (void)snprintf(user.name, sizeof(user.name), "%s", name);
    (void)snprintf(user.practitioner, sizeof(user.practitioner), "N-%s", name);
    (void)snprintf(user.display, sizeof(user.display), "Quill %s", name);
    assert_int_equal(pin_hash(pin, user.pin), STATUS_OK);
    return user;
}

/* ana, a nurse; ben, an administrator whose PIN somebody else chose; cleo, shut. */
static void write_people(const struct given *given)
{
    struct user items[] = {user_of("ana", ANA_PIN, ROLE_NURSE),
                           user_of("ben", BEN_PIN, ROLE_ADMINISTRATOR),
                           user_of("cleo", ANA_PIN, ROLE_ASSISTANT)};
    const struct user_list list = {items, COUNT(items)};

    items[1].must_change = true;
    items[2].disabled = true;
    assert_int_equal(user_list_write(given->path, &list), STATUS_OK);
}

static struct users *start(const struct given *given)
{
    struct users *users = NULL;

    assert_int_equal(users_start(&(struct users_options){.path = given->path}, 0, &users),
                     STATUS_OK);
    assert_non_null(users);
    return users;
}

static struct signed_in sign_in(struct users *users, const char *name, const char *pin, int64_t s)
{
    struct signed_in out;

    assert_int_equal(users_sign_in(users, name, pin, s * 1000, &out), STATUS_OK);
    if (out.result != SIGN_IN_OK) {
        assert_string_equal(out.user.name, ""); /* nothing of anybody */
        assert_string_equal(out.user.practitioner, "");
        assert_int_equal(out.user.role, ROLE_NONE);
    }
    assert_string_equal(out.user.pin, "");
    return out;
}

#define assert_answer(answer, expected, wait)     \
    do {                                          \
        struct signed_in seen_ = (answer);        \
        assert_int_equal(seen_.result, expected); \
        assert_int_equal(seen_.wait_s, wait);     \
    } while (0)

/* ---- roles and PINs ---- */

static void test_roles(void **state)
{
    static const struct {
        const char *word;
        enum role role;
        unsigned rights;
    } rows[] = {
        {"assistant",     ROLE_ASSISTANT,     RIGHT_SEND | RIGHT_READ                             },
        {"nurse",         ROLE_NURSE,         RIGHT_SEND | RIGHT_READ | RIGHT_DECIDE              },
        {"lead",          ROLE_LEAD,          RIGHT_SEND | RIGHT_READ | RIGHT_DECIDE | RIGHT_RESET},
        {"administrator", ROLE_ADMINISTRATOR,
         RIGHT_READ | RIGHT_DECIDE | RIGHT_RESET | RIGHT_ACCOUNTS                                 },
    };

    (void)state;
    for (size_t i = 0; i < COUNT(rows); i++) {
        assert_int_equal(role_named(rows[i].word), rows[i].role);
        assert_string_equal(role_word(rows[i].role), rows[i].word);
        assert_int_equal(role_rights(rows[i].role), rows[i].rights);
    }
    assert_int_equal(role_named("Nurse"), ROLE_NONE);
    assert_int_equal(role_named("nurses"), ROLE_NONE);
    assert_int_equal(role_named("none"), ROLE_NONE);
    assert_int_equal(role_named(""), ROLE_NONE);
    assert_int_equal(role_rights(ROLE_NONE), RIGHT_NONE);
    assert_int_equal(right_named("reset", 5), RIGHT_NONE); /* no token has them */
    assert_int_equal(right_named("accounts", 8), RIGHT_NONE);
}

static void test_which_pins_are_taken(void **state)
{
    static const struct {
        const char *pin;
        size_t least;
        const char *why; /* NULL: taken */
    } rows[] = {
        {"4826",                             0, NULL            },
        {"0042",                             0, NULL            },
        {"1235",                             0, NULL            },
        {"1951",                             0, NULL            },
        {"482648",                           0, NULL            },
        {"482613907521",                     0, NULL            },
        {"482613",                           6, NULL            },
        {"48261",                            6, "6 to 12 digits"},
        {"482",                              0, "4 to 12 digits"},
        {"482",                              1, "4 to 12 digits"},
        {"",                                 0, "4 to 12 digits"},
        {"4826139075214",                    0, "4 to 12 digits"},
        {"48a6",                             0, "nothing else"  },
        {" 4826",                            0, "nothing else"  },
        {"48 26",                            0, "nothing else"  },
        {"-4826",                            0, "nothing else"  },
        {"\xD9\xA4\xD9\xA8\xD9\xA2\xD9\xA6", 0, "nothing else"  },
        {"1111",                             0, "even steps"    },
        {"000000",                           0, "even steps"    },
        {"1234",                             0, "even steps"    },
        {"012345",                           0, "even steps"    },
        {"4321",                             0, "even steps"    },
        {"7890",                             0, "even steps"    },
        {"2468",                             0, "even steps"    },
        {"1212",                             0, "digits again"  },
        {"48484",                            0, "digits again"  },
        {"482482",                           0, "digits again"  },
        {"48264826",                         0, "digits again"  },
    };

    (void)state;
    for (size_t i = 0; i < COUNT(rows); i++) {
        char why[200] = "";

        assert_int_equal(pin_is_good(rows[i].pin, rows[i].least, why), rows[i].why == NULL);
        if (rows[i].why)
            assert_non_null(strstr(why, rows[i].why));
        if (rows[i].why && rows[i].pin[0] != '\0' && strcmp(rows[i].pin, "1111") != 0 &&
            strcmp(rows[i].pin, "1234") != 0 && strcmp(rows[i].pin, "4321") != 0 &&
            strcmp(rows[i].pin, "1212") != 0)
            assert_null(strstr(why, rows[i].pin)); /* it is not said again */
    }
}

static void test_a_made_pin(void **state)
{
    char pins[200][PIN_MADE_ROOM], why[200];
    unsigned same = 0;

    (void)state;
    for (size_t i = 0; i < COUNT(pins); i++) {
        pin_make(pins[i]);
        assert_int_equal(strlen(pins[i]), 6);
        assert_true(pin_is_good(pins[i], 6, why));
        for (size_t other = 0; other < i; other++)
            same += strcmp(pins[i], pins[other]) == 0;
    }
    assert_in_range(same, 0, 3); /* of a million: four pairs and more are one in 10^8 */
}

static void test_the_work_of_a_pin(void **state)
{
    char hash[PIN_HASH_ROOM], again[PIN_HASH_ROOM], dummy[PIN_HASH_ROOM];

    (void)state;
    atomic_store(&in_full, true);
    assert_int_equal(pin_hash(ANA_PIN, hash), STATUS_OK);
    assert_int_equal(asked_operations, 2); /* the interactive limits */
    assert_int_equal(asked_memory, 64 << 20);
    assert_memory_equal(hash, "$argon2id$v=19$m=65536,t=2,p=1$", 31);
    assert_int_equal(pin_hash(ANA_PIN, again), STATUS_OK);
    assert_string_not_equal(hash, again); /* its own salt */
    assert_int_equal(pin_compare(ANA_PIN, hash), PIN_RIGHT);
    assert_int_equal(pin_compare(WRONG_PIN, hash), PIN_WRONG);
    assert_int_equal(crypto_pwhash_str_verify(hash, ANA_PIN, strlen(ANA_PIN)), 0);
    pin_dummy(dummy);
    assert_int_equal(crypto_pwhash_str_needs_rehash(dummy, asked_operations, asked_memory), 0);
    assert_int_equal(strlen(dummy), strlen(hash));
    assert_int_equal(pin_compare(ANA_PIN, dummy), PIN_WRONG);
    atomic_store(&in_full, false);
    atomic_store(&no_memory, true);
    assert_int_equal(pin_compare(ANA_PIN, hash), PIN_UNKNOWN);
    assert_int_equal(pin_hash(ANA_PIN, hash), STATUS_NO_MEMORY);
    atomic_store(&no_memory, false);
}

/* ---- the file ---- */

static void test_a_file_is_as_it_is_documented(void **state)
{
    struct given *given = *state;
    struct user user = user_of("ana", ANA_PIN, ROLE_LEAD);
    const struct user_list list = {&user, 1};
    char expected[600];
    struct stat about;

    user.must_change = true;
    assert_int_equal(user_list_write(given->path, &list), STATUS_OK);
    (void)snprintf(expected, sizeof(expected),
                   "{\"users\":[{\"name\":\"ana\",\"practitioner\":\"N-ana\",\"display\":\"Quill "
                   "ana\",\"role\":\"lead\",\"disabled\":false,\"must-change\":true,\"pin\":\"%s\"}"
                   "]}",
                   user.pin);
    assert_string_equal(read_file(given->path), expected);
    assert_int_equal(stat(given->path, &about), 0);
    assert_int_equal(about.st_mode & 07777, 0600);
}

static void test_what_is_written_is_read(void **state)
{
    struct given *given = *state;
    struct user items[17];
    struct user_list list = {items, 0}, seen;
    char name[16], why[200];

    for (unsigned i = 0; i < 16; i++) { /* each role, each flag */
        (void)snprintf(name, sizeof(name), "u%u", i);
        items[i] = user_of(name, ANA_PIN, (enum role)(ROLE_ASSISTANT + i % 4));
        items[i].disabled = i & 4;
        items[i].must_change = i & 8;
    }
    items[16] = user_of("x", BEN_PIN, ROLE_NURSE); /* all at its most */
    memset(items[16].name, 'n', USER_NAME_ROOM - 1);
    memset(items[16].practitioner, '"', PRACTITIONER_ROOM - 1);
    memset(items[16].display, 'd', USER_DISPLAY_ROOM - 1);
    memcpy(items[16].display + USER_DISPLAY_ROOM - 3, "\xC3\xA9", 2);
    list.count = COUNT(items);
    assert_int_equal(user_list_write(given->path, &list), STATUS_OK);
    assert_int_equal(user_list_read(given->path, &seen, why), STATUS_OK);
    assert_string_equal(why, "");
    assert_int_equal(seen.count, COUNT(items));
    for (size_t i = 0; i < COUNT(items); i++) {
        const struct user *a = &seen.items[i], *b = &items[i];

        assert_string_equal(a->name, b->name);
        assert_string_equal(a->practitioner, b->practitioner);
        assert_string_equal(a->display, b->display);
        assert_int_equal(a->role, b->role);
        assert_int_equal(a->disabled, b->disabled);
        assert_int_equal(a->must_change, b->must_change);
        assert_string_equal(a->pin, b->pin);
        assert_ptr_equal(user_list_find(&seen, b->name), a);
    }
    assert_ptr_equal(user_list_find(&seen, "U3"), &seen.items[3]);
    assert_null(user_list_find(&seen, "u"));
    user_list_clear(&seen);
    assert_null(seen.items);
    user_list_clear(&seen);
}

#define BEGIN    "$argon2id$v=19$"
#define SALT     "AAAAAAAAAAAAAAAAAAAAAA"
#define REST     "AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA"
#define OF(work) BEGIN work "$" SALT "$" REST
#define HASH     OF("m=8,t=1,p=1")
#define F(x)     "\"" x "\":"
#define NAME     F("name") "\"ana\","
#define WHO      F("practitioner") "\"N-1\","
#define SHOWN    F("display") "\"Quill\","
#define ROLE     F("role") "\"nurse\","
#define PIN      F("pin") "\"" HASH "\""
#define GOOD     "{" NAME WHO SHOWN ROLE PIN "}"
#define ONE(x)   "{\"users\":[" x "]}"
#define TEN      "0123456789"
#define TOO_LONG TEN TEN TEN TEN TEN TEN "01234"
#define HUNDRED  TEN TEN TEN TEN TEN TEN TEN TEN TEN TEN

static const struct {
    const char *text, *why; /* NULL: nothing is wrong */
} damage[] = {
    {ONE(GOOD),                                                                                   NULL                             },
    {ONE(""),                                                                                     NULL                             },
    {"",                                                                                          "line 1: nothing was sent"       },
    {"{\"users\":[",                                                                              "line 1: the text ends too early"},
    {"{\"users\":[\n" GOOD "\n",                                                                  "line 3: the text ends too early"},
    {"[]",                                                                                        "/users is not a list"           },
    {"{}",                                                                                        "/users is not a list"           },
    {"{\"users\":{}}",                                                                            "/users is not a list"           },
    {ONE("7"),                                                                                    "/users/0/name"                  },
    {ONE("{" WHO SHOWN ROLE PIN "}"),                                                             "/users/0/name"                  },
    {ONE("{" F("name") "7," WHO SHOWN ROLE PIN "}"),                                              "/users/0/name"                  },
    {ONE("{" F("name") "\"\"," WHO SHOWN ROLE PIN "}"),                                           "/users/0/name"                  },
    {ONE("{" F("name") "\"a na\"," WHO SHOWN ROLE PIN "}"),                                       "/users/0/name"                  },
    {ONE("{" F("name") "\"" TOO_LONG "\"," WHO SHOWN ROLE PIN "}"),                               "/users/0/name"                  },
    {ONE("{" NAME SHOWN ROLE PIN "}"),                                                            "/users/0/practitioner"          },
    {ONE("{" NAME F("practitioner") "12," SHOWN ROLE PIN "}"),                                    "/users/0/practitioner"          },
    {ONE("{" NAME F("practitioner") "\"N\\t1\"," SHOWN ROLE PIN "}"),                             "/users/0/practitioner"          },
    {ONE("{" NAME F("practitioner") "\"" HUNDRED "1\"," SHOWN ROLE PIN "}"),
     "/users/0/practitioner"                                                                                                       },
    {ONE("{" NAME WHO ROLE PIN "}"),                                                              "/users/0/display"               },
    {ONE("{" NAME WHO F("display") "\"a\\nb\"," ROLE PIN "}"),                                    "/users/0/display"               },
    {ONE("{" NAME WHO F("display") "\"" HUNDRED "1\"," ROLE PIN "}"),                             "/users/0/display"               },
    {ONE("{" NAME WHO SHOWN PIN "}"),                                                             "/users/0/role"                  },
    {ONE("{" NAME WHO SHOWN F("role") "\"boss\"," PIN "}"),                                       "/users/0/role"                  },
    {ONE("{" NAME WHO SHOWN F("role") "[\"nurse\"]," PIN "}"),                                    "/users/0/role"                  },
    {ONE("{" NAME WHO SHOWN ROLE F("disabled") "\"no\"," PIN "}"),                                "/users/0/disabled"              },
    {ONE("{" NAME WHO SHOWN ROLE F("disabled") "0," PIN "}"),                                     "/users/0/disabled"              },
    {ONE("{" NAME WHO SHOWN ROLE F("must-change") "null," PIN "}"),                               "/users/0/must-change"           },
    {ONE("{" NAME WHO SHOWN ROLE F("x") "1}"),                                                    "/users/0/pin"                   },
    {ONE("{" NAME WHO SHOWN ROLE F("pin") "4826}"),                                               "/users/0/pin"                   },
    {ONE("{" NAME WHO SHOWN ROLE F("pin") "\"4826\"}"),                                           "/users/0/pin"                   },
    {ONE("{" NAME WHO SHOWN ROLE F("pin") "\"$argon2id$\"}"),                                     "/users/0/pin"                   },
    {ONE("{" NAME WHO SHOWN ROLE F("pin") "\"$argon2i"
                                          "$v=19$m=8,t=3,p=1$AAAAAAAAAAAAAAAAAAAAAA$"
                                          "AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA\"}"),
     "/users/0/pin"                                                                                                                },
    {ONE("{" NAME WHO SHOWN ROLE F("pin") "\"" HASH "!\"}"),                                      "/users/0/pin"                   },
    {ONE("{" NAME WHO SHOWN ROLE F("pin") "\"" HUNDRED HUNDRED "\"}"),                            "/users/0/pin"                   },
    {ONE("{" NAME WHO SHOWN ROLE F("pin") "\"" OF("m=8,t=16,p=1") "\"}"),                         NULL                             },
    {ONE("{" NAME WHO SHOWN ROLE F("pin") "\"" OF("m=8,t=17,p=1") "\"}"),                         "/users/0/pin"                   },
    {ONE("{" NAME WHO SHOWN ROLE F("pin") "\"" OF("m=8,t=0,p=1") "\"}"),                          "/users/0/pin"                   },
    {ONE("{" NAME WHO SHOWN ROLE F("pin") "\"" OF("m=7,t=1,p=1") "\"}"),                          "/users/0/pin"                   },
    {ONE("{" NAME WHO SHOWN ROLE F("pin") "\"" OF("m=1048577,t=1,p=1") "\"}"),                    "/users/0/pin"                   },
    {ONE("{" NAME WHO SHOWN ROLE F("pin") "\"" OF("m=99999999999999999999,t=1,p=1") "\"}"),
     "/users/0/pin"                                                                                                                },
    {ONE("{" NAME WHO SHOWN ROLE F("pin") "\"" OF("m=-8,t=1,p=1") "\"}"),                         "/users/0/pin"                   },
    {ONE("{" NAME WHO SHOWN ROLE F("pin") "\"" OF("m= 8,t=1,p=1") "\"}"),                         "/users/0/pin"                   },
    {ONE("{" NAME WHO SHOWN ROLE F("pin") "\"" OF("m=8,t=1,p=2") "\"}"),                          "/users/0/pin"                   },
    {ONE("{" NAME WHO SHOWN ROLE F("pin") "\"" BEGIN "m=8,t=1,p=1"
                                          "$AAAA$" REST "\"}"),
     "/users/0/pin"                                                                                                                },
    {ONE("{" NAME WHO SHOWN ROLE F("pin") "\"" BEGIN "m=8,t=1,p=1"
                                          "$" SALT "$"
                                          "AAAA\"}"),
     "/users/0/pin"                                                                                                                },
    {ONE(GOOD ",{}"),                                                                             "/users/1/name"                  },
    {ONE(GOOD "," GOOD),                                                                          "/users/1/name stands twice"     },
    {ONE(GOOD ",{" F("name") "\"ANA\"," WHO SHOWN ROLE PIN "}"),                                  "/users/1/name stands twice"     },
};

static void test_each_kind_of_damage(void **state)
{
    struct given *given = *state;

    for (size_t i = 0; i < COUNT(damage); i++) {
        struct user_list seen;
        char why[200];

        swap_file(given, damage[i].text);
        assert_int_equal(user_list_read(given->path, &seen, why),
                         damage[i].why ? STATUS_INVALID : STATUS_OK);
        if (damage[i].why) {
            assert_memory_equal(why, damage[i].why, strlen(damage[i].why));
            assert_null(seen.items);
            assert_null(strstr(why, "4826"));
        }
        user_list_clear(&seen);
    }
}

static void test_a_file_that_was_cut(void **state)
{
    struct given *given = *state;
    char whole[4096];
    size_t length;

    write_people(given);
    length = (size_t)snprintf(whole, sizeof(whole), "%s", read_file(given->path));
    assert_in_range(length, 500, sizeof(whole) - 1);
    while (length-- > 0) {
        struct user_list seen;
        char why[200];

        whole[length] = '\0';
        swap_file(given, whole);
        assert_int_equal(user_list_read(given->path, &seen, why), STATUS_INVALID);
        assert_memory_equal(why, "line 1: ", 8);
    }
}

static void test_no_file_and_no_access(void **state)
{
    struct given *given = *state;
    struct user_list seen = {.count = 7};
    char why[200], below[300];

    assert_int_equal(user_list_read(given->path, &seen, why), STATUS_NOT_FOUND);
    assert_int_equal(seen.count, 0);
    assert_int_equal(user_list_read(given->folder, &seen, why), STATUS_IO);
    assert_int_equal(user_list_write(given->folder, &seen), STATUS_IO);
    (void)snprintf(below, sizeof(below), "%s/no/users.json", given->folder);
    assert_int_equal(user_list_write(below, &seen), STATUS_IO);
    assert_int_equal(user_list_lock(below), -1);
}

static void test_each_failed_allocation_of_the_file(void **state)
{
    struct given *given = *state;
    struct user ana = user_of("dora", ANA_PIN, ROLE_NURSE);
    unsigned nth = 0, last;
    enum status status;

    write_people(given);
    do {
        struct user_list list = {0};
        char why[200];

        heap_fail_at(++nth);
        status = user_list_read(given->path, &list, why);
        if (status == STATUS_OK)
            status = user_list_add(&list, &ana);
        if (status == STATUS_OK)
            status = user_list_write(given->path, &list);
        heap_fail_at(0);
        assert_int_equal(status, heap_did_fail() ? STATUS_NO_MEMORY : STATUS_OK);
        user_list_clear(&list);
    } while (status != STATUS_OK);
    assert_in_range(nth, 10, 1000);
    last = nth;
    do { /* dora is there now: a copy is refused, and nothing lost */
        struct user_list list = {0};
        char why[200];

        heap_fail_at(--nth);
        status = user_list_read(given->path, &list, why);
        heap_fail_at(0);
        if (status == STATUS_OK) {
            assert_int_equal(list.count, 4);
            assert_int_equal(user_list_add(&list, &ana), STATUS_CONFLICT);
        }
        user_list_clear(&list);
    } while (nth > 1);
    assert_in_range(last, 10, 1000);
}

/* ---- the gate ---- */

static void test_the_delay_grows(void **state)
{
    static const unsigned waits[] = {0, 0, 0, 0, 30, 60, 120, 240, 480, 900, 900, 900};
    struct gate gate = {0};
    int64_t now = 1000000;

    (void)state;
    for (size_t i = 0; i < COUNT(waits); i++) {
        assert_int_equal(gate_wait_s(&gate, now), 0);
        gate_charge(&gate, now);
        assert_int_equal(gate_wait_s(&gate, now), waits[i]);
        if (waits[i] > 0) {
            assert_int_equal(gate_wait_s(&gate, now + 1), waits[i]);
            assert_int_equal(gate_wait_s(&gate, now + 1000), waits[i] - 1);
            assert_int_equal(gate_wait_s(&gate, now + 1000 * (int64_t)waits[i] - 1), 1);
        }
        now += 1000 * (int64_t)waits[i];
    }
}

/* ---- signing in ---- */

static void test_the_right_pin(void **state)
{
    struct given *given = *state;
    struct users *users;
    struct signed_in in;

    write_people(given);
    users = start(given);
    in = sign_in(users, "ana", ANA_PIN, 0);
    assert_answer(in, SIGN_IN_OK, 0);
    assert_string_equal(in.user.name, "ana");
    assert_string_equal(in.user.practitioner, "N-ana");
    assert_string_equal(in.user.display, "Quill ana");
    assert_int_equal(in.user.role, ROLE_NURSE);
    assert_false(in.user.must_change);
    in = sign_in(users, "Ben", BEN_PIN, 0); /* a tablet writes the first letter large */
    assert_answer(in, SIGN_IN_OK, 0);
    assert_string_equal(in.user.name, "ben");
    assert_true(in.user.must_change);
    users_stop(users);
    users_stop(NULL);
}

static void test_what_is_wrong_is_not_said(void **state)
{
    static const struct {
        const char *name, *pin;
    } rows[] = {
        {"ana",    WRONG_PIN  },
        {"ana",    BEN_PIN    },
        {"ana",    ""         },
        {"ana",    ANA_PIN "0"},
        {"nobody", ANA_PIN    },
        {"",       ANA_PIN    },
        {"an",     ANA_PIN    },
        {"anaa",   ANA_PIN    },
        {"cleo",   WRONG_PIN  }, /* shut: only the right PIN is told so */
        {HUNDRED,  ANA_PIN    },
    };
    struct given *given = *state;

    write_people(given);
    for (size_t i = 0; i < COUNT(rows); i++) {
        struct users *users = start(given);
        struct signed_in in;

        atomic_store(&compared, 0);
        in = sign_in(users, rows[i].name, rows[i].pin, 0);
        assert_answer(in, SIGN_IN_WRONG, 0);
        assert_int_equal(atomic_load(&compared), 1); /* the same work for each */
        users_stop(users);
    }
}

static void test_a_name_that_nobody_has_is_the_same(void **state)
{
    struct given *given = *state;
    struct users *users;
    int64_t now = 7;

    write_people(given);
    users = start(given);
    for (unsigned i = 0; i < 40; i++, now += i % 4 ? 1 : 31) {
        struct signed_in known, stranger;
        unsigned before = atomic_load(&compared), between;

        known = sign_in(users, i % 2 ? "ana" : "ANA", WRONG_PIN, now);
        between = atomic_load(&compared);
        stranger = sign_in(users, i % 2 ? "zoe" : "Zoe", WRONG_PIN, now);
        assert_int_equal(known.result, stranger.result);
        assert_int_equal(known.wait_s, stranger.wait_s);
        assert_int_equal(atomic_load(&compared) - between, between - before);
        if (stranger.result == SIGN_IN_WRONG)
            assert_true(was_of_full_work);
    }
    assert_answer(sign_in(users, "yan", WRONG_PIN, now), SIGN_IN_WRONG, 0);
    users_stop(users);
}

static void test_locked_and_open_again(void **state)
{
    struct given *given = *state;
    struct users *users;

    write_people(given);
    users = start(given);
    for (int i = 0; i < 4; i++)
        assert_answer(sign_in(users, "ana", WRONG_PIN, 100), SIGN_IN_WRONG, 0);
    assert_answer(sign_in(users, "ana", WRONG_PIN, 100), SIGN_IN_WRONG, 30);
    atomic_store(&compared, 0);
    assert_answer(sign_in(users, "ana", ANA_PIN, 100), SIGN_IN_LOCKED, 30);
    assert_answer(sign_in(users, "ANA", ANA_PIN, 129), SIGN_IN_LOCKED, 1);
    assert_int_equal(atomic_load(&compared), 0); /* and not looked at */
    assert_answer(sign_in(users, "ben", BEN_PIN, 100), SIGN_IN_OK, 0);
    assert_answer(sign_in(users, "ana", WRONG_PIN, 130), SIGN_IN_WRONG, 60);
    assert_answer(sign_in(users, "ana", ANA_PIN, 189), SIGN_IN_LOCKED, 1);
    assert_answer(sign_in(users, "ana", ANA_PIN, 190), SIGN_IN_OK, 0);
    for (int i = 0; i < 4; i++) /* the right one gave them back */
        assert_answer(sign_in(users, "ana", WRONG_PIN, 190), SIGN_IN_WRONG, 0);
    assert_answer(sign_in(users, "ana", ANA_PIN, 190), SIGN_IN_OK, 0);
    users_stop(users);
}

static void test_shut_is_said_after_the_right_pin(void **state)
{
    struct given *given = *state;
    struct users *users;
    struct user user;

    write_people(given);
    users = start(given);
    assert_answer(sign_in(users, "cleo", ANA_PIN, 0), SIGN_IN_DISABLED, 0);
    for (int i = 0; i < 4; i++)
        assert_answer(sign_in(users, "cleo", WRONG_PIN, 0), SIGN_IN_WRONG, 0);
    assert_answer(sign_in(users, "cleo", WRONG_PIN, 0), SIGN_IN_WRONG, 30);
    assert_answer(sign_in(users, "cleo", ANA_PIN, 0), SIGN_IN_LOCKED, 30);
    assert_false(users_find(users, "cleo", 0, &user));
    assert_false(users_find(users, "zoe", 0, &user));
    assert_true(users_find(users, "ana", 0, &user));
    assert_string_equal(user.practitioner, "N-ana");
    assert_string_equal(user.pin, "");
    users_stop(users);
}

static void test_no_memory_is_no_wrong_pin(void **state)
{
    struct given *given = *state;
    struct users *users;
    struct signed_in out;

    write_people(given);
    users = start(given);
    for (int i = 0; i < 4; i++)
        assert_answer(sign_in(users, "ana", WRONG_PIN, 0), SIGN_IN_WRONG, 0);
    atomic_store(&no_memory, true);
    for (int i = 0; i < 10; i++) {
        assert_int_equal(users_sign_in(users, "ana", ANA_PIN, 0, &out), STATUS_NO_MEMORY);
        assert_int_not_equal(out.result, SIGN_IN_OK);
        assert_int_equal(users_sign_in(users, "zoe", ANA_PIN, 0, &out), STATUS_NO_MEMORY);
    }
    atomic_store(&no_memory, false);
    assert_answer(sign_in(users, "ana", WRONG_PIN, 0), SIGN_IN_WRONG, 30);
    users_stop(users);
}

/* ---- the file changes while the daemon runs ---- */

static void change(const struct given *given, const char *name, const char *pin, bool disabled)
{
    struct user_list list;
    struct user *user;
    char why[200];

    assert_int_equal(user_list_read(given->path, &list, why), STATUS_OK);
    user = user_list_find(&list, name);
    assert_non_null(user);
    if (pin) {
        assert_int_equal(pin_hash(pin, user->pin), STATUS_OK);
        user->must_change = true;
    }
    user->disabled = disabled;
    assert_int_equal(user_list_write(given->path, &list), STATUS_OK);
    user_list_clear(&list);
}

static void test_a_lock_outlives_the_file_and_a_new_pin_lifts_it(void **state)
{
    struct given *given = *state;
    struct users *users;
    struct signed_in in;

    write_people(given);
    users = start(given);
    for (int i = 0; i < 5; i++)
        (void)sign_in(users, "ana", WRONG_PIN, 0);
    change(given, "ana", NULL, true);
    assert_answer(sign_in(users, "ana", ANA_PIN, 1), SIGN_IN_LOCKED, 29);
    change(given, "ana", NULL, false);
    assert_answer(sign_in(users, "ana", ANA_PIN, 2), SIGN_IN_LOCKED, 28);
    change(given, "ana", "730915", false);
    assert_answer(sign_in(users, "ana", ANA_PIN, 3), SIGN_IN_WRONG, 0);
    in = sign_in(users, "ana", "730915", 3);
    assert_answer(in, SIGN_IN_OK, 0);
    assert_true(in.user.must_change);
    users_stop(users);
}

static void test_a_session_sees_a_shut_account_within_a_second(void **state)
{
    struct given *given = *state;
    struct users *users;
    struct user user;

    write_people(given);
    users = start(given);
    change(given, "ana", NULL, true);
    assert_true(users_find(users, "ana", 999, &user));
    assert_false(users_find(users, "ana", 1000, &user));
    users_stop(users);
}

static void test_a_broken_file_keeps_the_people(void **state)
{
    struct given *given = *state;
    struct users *users;
    char code[ENROLMENT_CODE_ROOM];

    write_people(given);
    users = start(given);
    swap_file(given, ONE("{" F("name") "\"ana\"," F("practitioner") "4711}"));
    for (int i = 0; i < 3; i++)
        assert_answer(sign_in(users, "ana", ANA_PIN, i), SIGN_IN_OK, 0);
    assert_int_equal(logged(given, "users file is broken, the old one stays in force"), 1);
    assert_int_equal(logged(given, "/users/0/practitioner is missing or wrong"), 1);
    users_stop(users);
    users = start(given); /* nobody is let in, and nobody may make themselves the first */
    assert_answer(sign_in(users, "ana", ANA_PIN, 0), SIGN_IN_WRONG, 0);
    assert_false(users_enrolment_code(users, code));
    write_people(given);
    assert_answer(sign_in(users, "ana", ANA_PIN, 0), SIGN_IN_OK, 0);
    assert_int_equal(unlink(given->path), 0);
    assert_answer(sign_in(users, "ana", ANA_PIN, 0), SIGN_IN_WRONG, 0);
    assert_true(users_enrolment_code(users, code));
    users_stop(users);
}

static void test_a_file_that_cannot_be_read(void **state)
{
    struct given *given = *state;
    struct users *users;
    char code[ENROLMENT_CODE_ROOM];

    assert_int_equal(mkdir(given->path, 0700), 0);
    users = start(given);
    assert_answer(sign_in(users, "ana", ANA_PIN, 0), SIGN_IN_WRONG, 0);
    assert_int_equal(logged(given, "users file cannot be read"), 1);
    assert_false(users_enrolment_code(users, code));
    assert_int_equal(rmdir(given->path), 0);
    assert_answer(sign_in(users, "ana", ANA_PIN, 0), SIGN_IN_WRONG, 0);
    assert_true(users_enrolment_code(users, code));
    users_stop(users);
}

/* ---- a PIN of one's own ---- */

static void test_a_first_pin_is_changed(void **state)
{
    static const struct {
        const char *fresh, *why;
    } refused[] = {
        {BEN_PIN, "PIN there was"},
        {"1234",  "even steps"   },
        {"12",    "4 to 12"      },
    };
    struct given *given = *state;
    struct signed_in in;
    struct users *users;
    char why[200];

    write_people(given);
    users = start(given);
    atomic_store(&compared, 0);
    for (size_t i = 0; i < COUNT(refused); i++) {
        assert_int_equal(users_change_pin(users, "ben", BEN_PIN, refused[i].fresh, 0, &in, why),
                         STATUS_INVALID);
        assert_non_null(strstr(why, refused[i].why));
    }
    assert_int_equal(atomic_load(&compared), 0);
    assert_int_equal(users_change_pin(users, "ben", WRONG_PIN, "60417", 0, &in, why), STATUS_OK);
    assert_answer(in, SIGN_IN_WRONG, 0);
    assert_true(sign_in(users, "ben", BEN_PIN, 0).user.must_change);
    assert_int_equal(users_change_pin(users, "ben", BEN_PIN, "60417", 0, &in, why), STATUS_OK);
    assert_answer(in, SIGN_IN_OK, 0);
    assert_false(in.user.must_change);
    assert_string_equal(in.user.pin, "");
    assert_answer(sign_in(users, "ben", BEN_PIN, 0), SIGN_IN_WRONG, 0);
    in = sign_in(users, "ben", "60417", 0);
    assert_answer(in, SIGN_IN_OK, 0);
    assert_false(in.user.must_change);
    assert_int_equal(users_change_pin(users, "cleo", ANA_PIN, "60417", 0, &in, why), STATUS_OK);
    assert_answer(in, SIGN_IN_DISABLED, 0);
    assert_answer(sign_in(users, "cleo", ANA_PIN, 0), SIGN_IN_DISABLED, 0);
    users_stop(users);
}

static void reset_ana(void)
{
    change(here, "ana", "730915", false);
}

static void take_file_away(void)
{
    assert_int_equal(unlink(here->path), 0);
}

/* What an administrator did meanwhile is not written over. */
static void test_two_changes_of_one_pin(void **state)
{
    struct given *given = *state;
    struct signed_in in;
    struct users *users;
    char why[200];

    write_people(given);
    users = start(given);
    while_hashing = reset_ana;
    assert_int_equal(users_change_pin(users, "ana", ANA_PIN, "60417", 0, &in, why),
                     STATUS_CONFLICT);
    assert_answer(sign_in(users, "ana", "730915", 0), SIGN_IN_OK, 0);
    while_hashing = take_file_away;
    assert_int_equal(users_change_pin(users, "ana", "730915", "60417", 0, &in, why),
                     STATUS_CONFLICT);
    users_stop(users);
}

struct changing {
    struct users *users;
    const char *name, *pins[2];
};

#define CHANGES 10

static void *change_to_and_fro(void *context)
{
    struct changing *changing = context;
    struct signed_in in;
    char why[200];

    for (int i = 0; i < CHANGES; i++)
        if (users_change_pin(changing->users, changing->name, changing->pins[i % 2],
                             changing->pins[(i + 1) % 2], 0, &in, why) != STATUS_OK ||
            in.result != SIGN_IN_OK)
            return NULL;
    return changing;
}

/* Two in one daemon and one beside it, as `wardpost user`: nothing is lost. */
static void test_several_changers_at_once(void **state)
{
    struct given *given = *state;
    struct users *users;
    struct changing changing[] = {
        {NULL, "ana", {ANA_PIN, "60417"}},
        {NULL, "ben", {BEN_PIN, "39406"}}
    };
    pthread_t threads[COUNT(changing)];
    struct user_list list;
    char why[200];

    write_people(given);
    users = start(given);
    for (size_t i = 0; i < COUNT(changing); i++) {
        changing[i].users = users;
        assert_int_equal(pthread_create(&threads[i], NULL, change_to_and_fro, &changing[i]), 0);
    }
    for (int i = 0; i < CHANGES; i++) {
        int lock = user_list_lock(given->path);

        assert_true(lock >= 0);
        change(given, "cleo", NULL, i % 2);
        assert_int_equal(close(lock), 0);
    }
    for (size_t i = 0; i < COUNT(changing); i++) {
        void *good = NULL;

        assert_int_equal(pthread_join(threads[i], &good), 0);
        assert_ptr_equal(good, &changing[i]);
    }
    assert_int_equal(user_list_read(given->path, &list, why), STATUS_OK);
    assert_int_equal(list.count, 3);
    assert_true(user_list_find(&list, "cleo")->disabled);
    assert_false(user_list_find(&list, "ben")->must_change);
    user_list_clear(&list);
    assert_answer(sign_in(users, "ana", changing[0].pins[CHANGES % 2], 0), SIGN_IN_OK, 0);
    assert_answer(sign_in(users, "ben", changing[1].pins[CHANGES % 2], 0), SIGN_IN_OK, 0);
    users_stop(users);
}

/* ---- guesses at once ---- */

struct guessing {
    struct users *users;
    atomic_uint looked_at;
};

static void *guess(void *context)
{
    struct guessing *guessing = context;
    struct signed_in in;

    for (int i = 0; i < 10; i++)
        if (users_sign_in(guessing->users, "ana", WRONG_PIN, 0, &in) == STATUS_OK &&
            in.result == SIGN_IN_WRONG)
            atomic_fetch_add(&guessing->looked_at, 1);
    return guessing;
}

static void test_guesses_at_once_gain_nothing(void **state)
{
    struct given *given = *state;
    struct guessing guessing = {0};
    pthread_t threads[4];

    write_people(given);
    guessing.users = start(given);
    for (size_t i = 0; i < COUNT(threads); i++)
        assert_int_equal(pthread_create(&threads[i], NULL, guess, &guessing), 0);
    for (size_t i = 0; i < COUNT(threads); i++)
        assert_int_equal(pthread_join(threads[i], NULL), 0);
    assert_int_equal(atomic_load(&guessing.looked_at), 5);
    users_stop(guessing.users);
}

static void *sign_in_stranger(void *context)
{
    struct signed_in in;

    return users_sign_in(context, "zoe", WRONG_PIN, 0, &in) == STATUS_OK ? context : NULL;
}

/* So that the 64 MiB are there once. */
static void test_one_pin_is_looked_at_at_a_time(void **state)
{
    struct users *users = start(*state);
    pthread_t threads[3];

    atomic_store(&wait_for_another, true);
    for (size_t i = 0; i < COUNT(threads); i++)
        assert_int_equal(pthread_create(&threads[i], NULL, sign_in_stranger, users), 0);
    for (size_t i = 0; i < COUNT(threads); i++) {
        void *good = NULL;

        assert_int_equal(pthread_join(threads[i], &good), 0);
        assert_ptr_equal(good, users);
    }
    atomic_store(&wait_for_another, false);
    assert_int_equal(atomic_load(&compared), 3);
    assert_int_equal(atomic_load(&most_at_once), 1);
    users_stop(users);
}

/* ---- the first administrator ---- */

static const struct user first = {.name = "ida",
                                  .practitioner = "N-9",
                                  .display = "Quill Ida",
                                  .role = ROLE_NURSE,
                                  .disabled = true};

static void test_the_first_administrator(void **state)
{
    struct given *given = *state;
    struct users *users = start(given);
    char code[ENROLMENT_CODE_ROOM], old[ENROLMENT_CODE_ROOM], typed[2 * ENROLMENT_CODE_ROOM];
    char why[200];
    struct user nameless = first;
    struct signed_in in;
    size_t length = 0;

    assert_string_equal(read_file(given->log), ""); /* no file is no news */
    assert_int_equal(users_enrol(users, "", &first, ANA_PIN, 0, why), STATUS_NOT_FOUND);
    assert_true(users_enrolment_code(users, old));
    assert_true(users_enrolment_code(users, code));
    assert_string_not_equal(old, code);
    assert_int_equal(strlen(code), 19);
    assert_int_equal(users_enrol(users, old, &first, ANA_PIN, 0, why), STATUS_NOT_FOUND);
    assert_int_equal(users_enrol(users, code, &first, "1234", 0, why), STATUS_INVALID);
    assert_non_null(strstr(why, "even steps"));
    nameless.name[0] = '\0';
    assert_int_equal(users_enrol(users, code, &nameless, ANA_PIN, 0, why), STATUS_INVALID);
    assert_memory_equal(why, "name ", 5);
    for (const char *c = code; *c; c++) { /* small letters, blanks for dashes */
        typed[length++] = (char)(*c == '-' ? ' ' : tolower((unsigned char)*c));
        if (*c == '-')
            typed[length++] = ' ';
    }
    typed[length] = '\0';
    typed[0] = typed[0] == '7' ? '8' : '7';
    assert_int_equal(users_enrol(users, typed, &first, ANA_PIN, 0, why), STATUS_NOT_FOUND);
    typed[0] = (char)tolower((unsigned char)code[0]);
    assert_int_equal(users_enrol(users, typed, &first, ANA_PIN, 0, why), STATUS_OK);
    in = sign_in(users, "ida", ANA_PIN, 0);
    assert_answer(in, SIGN_IN_OK, 0);
    assert_int_equal(in.user.role, ROLE_ADMINISTRATOR);
    assert_false(in.user.must_change); /* it is their own */
    assert_int_equal(users_enrol(users, code, &first, ANA_PIN, 0, why), STATUS_NOT_FOUND);
    assert_false(users_enrolment_code(users, code)); /* there is somebody */
    assert_string_equal(code, "");
    assert_null(strstr(read_file(given->path), old));
    users_stop(users);
}

static void test_somebody_came_first(void **state)
{
    struct given *given = *state;
    struct users *users = start(given);
    char code[ENROLMENT_CODE_ROOM], why[200];

    assert_true(users_enrolment_code(users, code));
    write_people(given); /* as by `wardpost user add` */
    assert_int_equal(users_enrol(users, code, &first, ANA_PIN, 0, why), STATUS_CONFLICT);
    assert_int_equal(unlink(given->path), 0);
    assert_int_equal(users_enrol(users, code, &first, ANA_PIN, 0, why), STATUS_NOT_FOUND);
    users_stop(users);
}

struct enrolling {
    struct users *users;
    const char *code;
    atomic_uint in, out;
};

static void *enrol(void *context)
{
    struct enrolling *enrolling = context;
    char why[200];
    enum status status = users_enrol(enrolling->users, enrolling->code, &first, ANA_PIN, 0, why);

    if (status == STATUS_OK)
        atomic_fetch_add(&enrolling->in, 1);
    else if (status == STATUS_CONFLICT || status == STATUS_NOT_FOUND)
        atomic_fetch_add(&enrolling->out, 1);
    return NULL;
}

static void test_a_code_is_taken_once(void **state)
{
    struct given *given = *state;
    char code[ENROLMENT_CODE_ROOM];
    struct enrolling enrolling = {.users = start(given), .code = code};
    pthread_t threads[4];

    assert_true(users_enrolment_code(enrolling.users, code));
    for (size_t i = 0; i < COUNT(threads); i++)
        assert_int_equal(pthread_create(&threads[i], NULL, enrol, &enrolling), 0);
    for (size_t i = 0; i < COUNT(threads); i++)
        assert_int_equal(pthread_join(threads[i], NULL), 0);
    assert_int_equal(atomic_load(&enrolling.in), 1);
    assert_int_equal(atomic_load(&enrolling.out), 3);
    users_stop(enrolling.users);
}

/* ---- allocations that fail ---- */

static void test_each_failed_allocation_of_starting(void **state)
{
    struct given *given = *state;
    unsigned nth = 0;
    enum status status;

    write_people(given);
    do {
        struct users *users = NULL;

        heap_fail_at(++nth);
        status = users_start(&(struct users_options){.path = given->path}, 0, &users);
        heap_fail_at(0);
        assert_true(status == STATUS_OK || status == STATUS_NO_MEMORY);
        assert_int_equal(users != NULL, status == STATUS_OK);
        if (users) /* whether the file could be read then or not */
            assert_answer(sign_in(users, "ana", ANA_PIN, 0), SIGN_IN_OK, 0);
        users_stop(users);
    } while (heap_did_fail());
    assert_in_range(nth, 10, 1000);
}

static void test_each_failed_allocation_of_changing(void **state)
{
    struct given *given = *state;
    const char *pins[] = {ANA_PIN, "60417"};
    unsigned nth = 0, changes = 0;
    struct users *users;
    bool failed;

    write_people(given);
    users = start(given);
    do {
        struct signed_in in;
        char why[200];
        enum status status;

        heap_fail_at(++nth);
        status =
            users_change_pin(users, "ana", pins[changes % 2], pins[(changes + 1) % 2], 0, &in, why);
        heap_fail_at(0);
        failed = heap_did_fail();
        assert_true(status == STATUS_OK || status == STATUS_NO_MEMORY);
        assert_true(status != STATUS_OK || in.result == SIGN_IN_OK);
        changes += status == STATUS_OK; /* the last reading of the file may have failed alone */
        assert_answer(sign_in(users, "ana", pins[changes % 2], 0), SIGN_IN_OK, 0);
    } while (failed);
    assert_in_range(nth, 20, 1000);
    assert_in_range(changes, 1, nth);
    users_stop(users);
}

static void test_each_failed_allocation_of_enrolling(void **state)
{
    struct given *given = *state;
    struct users *users = start(given);
    char code[ENROLMENT_CODE_ROOM], why[200];
    unsigned nth = 0;
    enum status status;

    assert_true(users_enrolment_code(users, code));
    do { /* a code that came to nothing is good still */
        heap_fail_at(++nth);
        status = users_enrol(users, code, &first, ANA_PIN, 0, why);
        heap_fail_at(0);
        assert_true(status == STATUS_OK || status == STATUS_NO_MEMORY);
    } while (status != STATUS_OK);
    assert_in_range(nth, 3, 1000);
    assert_answer(sign_in(users, "ida", ANA_PIN, 0), SIGN_IN_OK, 0);
    users_stop(users);
}

/* ---- what is logged ---- */

/* ---- accounts, changed by others ---- */

static const struct {
    struct account_change change;
    enum status expected;
    enum role role; /* as it is then, with the rest */
    bool disabled, must_change, other_pin;
} account_rows[] = {
  /* dora, a lead; ben, an administrator; ana, a nurse; cleo, an assistant who is shut */
    {{.by = "ben", .name = "ana", .new_pin = true},     STATUS_OK,      ROLE_NURSE,         false, true,  true },
    {{.by = "dora", .name = "ana", .new_pin = true},    STATUS_OK,      ROLE_NURSE,         false, true,  true },
    {{.by = "dora", .name = "cleo", .new_pin = true},   STATUS_OK,      ROLE_ASSISTANT,     true,  true,  true },
    {{.by = "BEN", .name = "ANA", .role = ROLE_LEAD},   STATUS_OK,      ROLE_LEAD,          false, false, false},
    {{.by = "ben", .name = "ana", .shut = true},        STATUS_OK,      ROLE_NURSE,         true,  false, false},
    {{.by = "ben", .name = "cleo", .open = true},       STATUS_OK,      ROLE_ASSISTANT,     false, false, false},
    {{.by = "ben", .name = "cleo", .role = ROLE_NURSE}, STATUS_OK,      ROLE_NURSE,         true,  false, false},
    {{.by = "ben", .name = "ben", .new_pin = true},
     STATUS_INVALID,                                                    ROLE_ADMINISTRATOR,
     false,                                                                                        true,
     false                                                                                                     },
    {{.by = "ben", .name = "Ben", .shut = true},
     STATUS_INVALID,                                                    ROLE_ADMINISTRATOR,
     false,                                                                                        true,
     false                                                                                                     },
    {{.by = "dora", .name = "ben", .new_pin = true},
     STATUS_INVALID,                                                    ROLE_ADMINISTRATOR,
     false,                                                                                        true,
     false                                                                                                     },
    {{.by = "dora", .name = "ana", .role = ROLE_LEAD},
     STATUS_INVALID,                                                    ROLE_NURSE,
     false,                                                                                        false,
     false                                                                                                     },
    {{.by = "dora", .name = "ana", .shut = true},       STATUS_INVALID, ROLE_NURSE,         false, false, false},
    {{.by = "dora", .name = "cleo", .open = true},
     STATUS_INVALID,                                                    ROLE_ASSISTANT,
     true,                                                                                         false,
     false                                                                                                     },
    {{.by = "ana", .name = "cleo", .new_pin = true},
     STATUS_INVALID,                                                    ROLE_ASSISTANT,
     true,                                                                                         false,
     false                                                                                                     },
    {{.by = "cleo", .name = "ana", .new_pin = true},
     STATUS_INVALID,                                                    ROLE_NURSE,
     false,                                                                                        false,
     false                                                                                                     },
    {{.by = "nobody", .name = "ana", .new_pin = true},
     STATUS_INVALID,                                                    ROLE_NURSE,
     false,                                                                                        false,
     false                                                                                                     },
    {{.by = "ben", .name = "nobody", .new_pin = true},
     STATUS_NOT_FOUND,                                                  ROLE_NONE,
     false,                                                                                        false,
     false                                                                                                     },
};

static void write_people_and_a_lead(const struct given *given)
{
    struct user_list list;
    struct user dora = user_of("dora", ANA_PIN, ROLE_LEAD);
    char why[200];

    write_people(given);
    assert_int_equal(user_list_read(given->path, &list, why), STATUS_OK);
    assert_int_equal(user_list_add(&list, &dora), STATUS_OK);
    assert_int_equal(user_list_write(given->path, &list), STATUS_OK);
    user_list_clear(&list);
}

static void test_who_may_change_whose_account(void **state)
{
    struct given *given = *state;

    for (size_t i = 0; i < COUNT(account_rows); i++) {
        const struct account_change *change = &account_rows[i].change;
        struct users *users;
        struct user_list before, after;
        const struct user *was, *is;
        struct account_changed changed;
        char why[200];

        write_people_and_a_lead(given);
        users = start(given);
        assert_int_equal(user_list_read(given->path, &before, why), STATUS_OK);
        if (users_change(users, change, 0, &changed, why) != account_rows[i].expected)
            fail_msg("row %zu: %s", i, why);
        assert_int_equal(strlen(why) > 0, account_rows[i].expected == STATUS_INVALID);
        assert_int_equal(changed.pin[0] != '\0',
                         change->new_pin && account_rows[i].expected == STATUS_OK);
        assert_string_equal(changed.user.pin, "");
        assert_int_equal(user_list_read(given->path, &after, why), STATUS_OK);
        is = user_list_find(&after, change->name);
        was = user_list_find(&before, change->name);
        if (is) {
            assert_int_equal(is->role, account_rows[i].role);
            assert_int_equal(is->disabled, account_rows[i].disabled);
            assert_int_equal(is->must_change, account_rows[i].must_change);
            assert_int_equal(strcmp(is->pin, was->pin) != 0, account_rows[i].other_pin);
        }
        assert_int_equal(after.count, before.count);
        user_list_clear(&before);
        user_list_clear(&after);
        users_stop(users);
    }
}

/* Each was an administrator when they asked; the second is none any more when it is done. */
static void test_two_who_shut_each_other(void **state)
{
    struct given *given = *state;
    struct user items[] = {user_of("ben", BEN_PIN, ROLE_ADMINISTRATOR),
                           user_of("eve", ANA_PIN, ROLE_ADMINISTRATOR)};
    const struct user_list list = {items, COUNT(items)};
    struct account_changed changed;
    struct users *users;
    struct user user;
    char why[200];

    assert_int_equal(user_list_write(given->path, &list), STATUS_OK);
    users = start(given);
    assert_int_equal(
        users_change(users, &(struct account_change){.by = "ben", .name = "eve", .shut = true}, 0,
                     &changed, why),
        STATUS_OK);
    assert_true(changed.user.disabled);
    assert_int_equal(
        users_change(users, &(struct account_change){.by = "eve", .name = "ben", .shut = true}, 0,
                     &changed, why),
        STATUS_INVALID);
    assert_true(users_find(users, "ben", 0, &user));
    users_stop(users);
}

static void test_a_new_account_and_all_of_them(void **state)
{
    struct given *given = *state;
    struct user fay = {.role = ROLE_LEAD, .must_change = true};
    struct users *users;
    struct user_list all;
    char pin[PIN_MADE_ROOM];

    memcpy(fay.name, "fay", 4);
    memcpy(fay.practitioner, "N-fay", 6);
    memcpy(fay.display, "Fay", 4);
    write_people(given);
    users = start(given);
    assert_false(users_has_practitioner(users, "N-fay"));
    assert_int_equal(users_add(users, &fay, 0, pin), STATUS_OK);
    assert_true(users_has_practitioner(users, "N-fay"));
    assert_true(users_has_practitioner(users, "n-FAY"));
    assert_answer(sign_in(users, "Fay", pin, 0), SIGN_IN_OK, 0);
    assert_int_equal(users_add(users, &fay, 0, pin), STATUS_CONFLICT);
    assert_int_equal(users_all(users, 0, &all), STATUS_OK);
    assert_int_equal(all.count, 4);
    for (size_t i = 0; i < all.count; i++)
        assert_string_equal(all.items[i].pin, "");
    assert_true(all.items[2].disabled && all.items[3].must_change);
    user_list_clear(&all);
    users_stop(users);
}

static void test_each_failed_allocation_of_accounts(void **state)
{
    struct given *given = *state;
    struct users *users;
    unsigned nth = 0;
    enum status status;

    write_people(given);
    users = start(given);
    do {
        struct account_changed changed;
        struct user_list all = {0};
        char why[200];

        heap_fail_at(++nth);
        status = users_change(users,
                              &(struct account_change){.by = "ben", .name = "ana", .new_pin = true},
                              0, &changed, why);
        if (status == STATUS_OK)
            status = users_all(users, 0, &all);
        heap_fail_at(0);
        assert_true(status == STATUS_OK || status == STATUS_NO_MEMORY);
        assert_int_equal(all.count, status == STATUS_OK ? 3 : 0);
        user_list_clear(&all);
    } while (heap_did_fail());
    assert_in_range(nth, 20, 1000);
    users_stop(users);
}

static void test_nobody_stands_in_the_log(void **state)
{
    static const char *const secrets[] = {"ana",   "ben",     "cleo",   "Quill", "N-", ANA_PIN,
                                          BEN_PIN, WRONG_PIN, "argon2", "60417", "zoe"};
    struct given *given = *state;
    struct users *users;
    struct signed_in in;
    char why[200];

    write_people(given);
    users = start(given);
    for (int i = 0; i < 7; i++) {
        (void)sign_in(users, "ana", WRONG_PIN, 0);
        (void)sign_in(users, "zoe", WRONG_PIN, 0);
    }
    assert_int_equal(users_change_pin(users, "ben", BEN_PIN, "60417", 0, &in, why), STATUS_OK);
    swap_file(given, ONE("{" F("name") "\"ana\"," F("practitioner") "4826}"));
    (void)sign_in(users, "cleo", ANA_PIN, 0);
    users_stop(users);
    assert_int_equal(logged(given, "users=3 file read"), 2); /* the log is where we look */
    for (size_t i = 0; i < COUNT(secrets); i++)
        assert_int_equal(logged(given, secrets[i]), 0);
}

#define IN_A_FOLDER(test) cmocka_unit_test_setup_teardown(test, setup, teardown)

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_roles),
        cmocka_unit_test(test_which_pins_are_taken),
        cmocka_unit_test(test_a_made_pin),
        cmocka_unit_test(test_the_work_of_a_pin),
        IN_A_FOLDER(test_a_file_is_as_it_is_documented),
        IN_A_FOLDER(test_what_is_written_is_read),
        IN_A_FOLDER(test_each_kind_of_damage),
        IN_A_FOLDER(test_a_file_that_was_cut),
        IN_A_FOLDER(test_no_file_and_no_access),
        IN_A_FOLDER(test_each_failed_allocation_of_the_file),
        cmocka_unit_test(test_the_delay_grows),
        IN_A_FOLDER(test_the_right_pin),
        IN_A_FOLDER(test_what_is_wrong_is_not_said),
        IN_A_FOLDER(test_a_name_that_nobody_has_is_the_same),
        IN_A_FOLDER(test_locked_and_open_again),
        IN_A_FOLDER(test_shut_is_said_after_the_right_pin),
        IN_A_FOLDER(test_no_memory_is_no_wrong_pin),
        IN_A_FOLDER(test_a_lock_outlives_the_file_and_a_new_pin_lifts_it),
        IN_A_FOLDER(test_a_session_sees_a_shut_account_within_a_second),
        IN_A_FOLDER(test_a_broken_file_keeps_the_people),
        IN_A_FOLDER(test_a_file_that_cannot_be_read),
        IN_A_FOLDER(test_a_first_pin_is_changed),
        IN_A_FOLDER(test_two_changes_of_one_pin),
        IN_A_FOLDER(test_several_changers_at_once),
        IN_A_FOLDER(test_guesses_at_once_gain_nothing),
        IN_A_FOLDER(test_one_pin_is_looked_at_at_a_time),
        IN_A_FOLDER(test_the_first_administrator),
        IN_A_FOLDER(test_somebody_came_first),
        IN_A_FOLDER(test_a_code_is_taken_once),
        IN_A_FOLDER(test_each_failed_allocation_of_starting),
        IN_A_FOLDER(test_each_failed_allocation_of_changing),
        IN_A_FOLDER(test_each_failed_allocation_of_enrolling),
        IN_A_FOLDER(test_who_may_change_whose_account),
        IN_A_FOLDER(test_two_who_shut_each_other),
        IN_A_FOLDER(test_a_new_account_and_all_of_them),
        IN_A_FOLDER(test_each_failed_allocation_of_accounts),
        IN_A_FOLDER(test_nobody_stands_in_the_log),
    };

    if (sodium_init() < 0)
        return 1;
    return cmocka_run_group_tests(tests, NULL, NULL);
}
