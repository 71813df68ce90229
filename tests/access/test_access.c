/* test_access.c - who may speak: tokens, the clients file whole or not at all, and the daemon's
 * live view of it. Names and tokens are invented. */
#include <dirent.h>
#include <fcntl.h>
#include <poll.h>
#include <pthread.h>
#include <setjmp.h>
#include <signal.h>
#include <stdarg.h>
#include <stdatomic.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

#include <cmocka.h>
#include <sodium.h>

#include "heap.h"
#include "wardpost/access.h"
#include "wardpost/moment.h"

#define COUNT(table) (sizeof(table) / sizeof((table)[0]))
#define HASH_TEXT    (2 * TOKEN_HASH_BYTES + 1)

#define EIGHT   "01234567"
#define SIXTY_4 EIGHT EIGHT EIGHT EIGHT EIGHT EIGHT EIGHT EIGHT

/* ---- a folder of its own for each test ---- */

struct given {
    char folder[128], log[160], path[200];
    int kept_error; /* standard error while it is a file; else -1 */
};

static int setup(void **state)
{
    struct given *given = calloc(1, sizeof(*given));
    const char *base = access("/dev/shm", W_OK) == 0 ? "/dev/shm" : "/tmp";

    assert_non_null(given);
    given->kept_error = -1;
    (void)snprintf(given->folder, sizeof(given->folder), "%s/wardpost-access-XXXXXX", base);
    assert_non_null(mkdtemp(given->folder));
    (void)snprintf(given->path, sizeof(given->path), "%s/clients.json", given->folder);
    (void)snprintf(given->log, sizeof(given->log), "%s/log", given->folder);
    *state = given;
    return 0;
}

static int teardown(void **state)
{
    struct given *given = *state;
    DIR *folder = opendir(given->folder);
    const struct dirent *entry;
    char path[512];

    if (given->kept_error >= 0) {
        (void)dup2(given->kept_error, STDERR_FILENO);
        (void)close(given->kept_error);
    }
    while (folder && (entry = readdir(folder))) {
        (void)snprintf(path, sizeof(path), "%s/%s", given->folder, entry->d_name);
        (void)unlink(path);
    }
    if (folder)
        (void)closedir(folder);
    (void)rmdir(given->folder);
    free(given);
    return 0;
}

static void write_file(const char *path, const char *text)
{
    int fd = open(path, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0600);

    assert_true(fd >= 0);
    assert_int_equal(write(fd, text, strlen(text)), strlen(text));
    assert_int_equal(close(fd), 0);
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

static bool is_there(const char *path, const char *ending)
{
    char name[300];
    struct stat about;

    (void)snprintf(name, sizeof(name), "%s%s", path, ending);
    return lstat(name, &about) == 0;
}

/* As a file that is written whole comes: under its name at once, and another than the one before.
 */
static void swap_file(const struct given *given, const char *text)
{
    char other[220];

    (void)snprintf(other, sizeof(other), "%s.other", given->path);
    write_file(other, text);
    assert_int_equal(rename(other, given->path), 0);
}

/* From here to the end of the test what is logged goes into a file. */
static void log_to_file(struct given *given)
{
    int fd = open(given->log, O_WRONLY | O_CREAT | O_APPEND | O_CLOEXEC, 0600);

    assert_true(fd >= 0);
    given->kept_error = fcntl(STDERR_FILENO, F_DUPFD_CLOEXEC, 3);
    assert_true(given->kept_error >= 0);
    assert_true(dup2(fd, STDERR_FILENO) >= 0);
    assert_int_equal(close(fd), 0);
}

static unsigned logged(const struct given *given, const char *words)
{
    unsigned count = 0;

    for (const char *at = read_file(given->log); (at = strstr(at, words)); at++)
        count++;
    return count;
}

/* ---- clients ---- */

static struct client client_of(const char *name, unsigned rights)
{
    struct client client = {.rights = rights};

    assert_in_range(strlen(name), 1, CLIENT_NAME_ROOM - 1);
    memcpy(client.name, name, strlen(name) + 1);
    token_hash(name, strlen(name), client.hash); /* in these tests a token is its client's name */
    return client;
}

static void name_practitioner(struct client *client, const char *who)
{
    assert_in_range(strlen(who), 1, PRACTITIONER_ROOM - 1);
    memcpy(client->practitioners[client->practitioners_count++], who, strlen(who) + 1);
}

static void assert_client(const struct client *seen, const struct client *expected)
{
    assert_string_equal(seen->name, expected->name);
    assert_memory_equal(seen->hash, expected->hash, TOKEN_HASH_BYTES);
    assert_int_equal(seen->rights, expected->rights);
    assert_int_equal(seen->attended, expected->attended);
    assert_int_equal(seen->any_practitioner, expected->any_practitioner);
    assert_int_equal(seen->practitioners_count, expected->practitioners_count);
    for (size_t i = 0; i < expected->practitioners_count; i++)
        assert_string_equal(seen->practitioners[i], expected->practitioners[i]);
}

/* The file then holds these, in this order. */
static void enrol(const struct given *given, const char *const *names, size_t count)
{
    struct client items[8];
    struct clients clients = {items, count};

    assert_in_range(count, 0, COUNT(items));
    for (size_t i = 0; i < count; i++)
        items[i] = client_of(names[i], RIGHT_SEND);
    assert_int_equal(clients_write(given->path, &clients), STATUS_OK);
}

static void assert_holds(const struct given *given, const char *const *names, size_t count)
{
    struct clients seen;
    char why[200];

    assert_int_equal(clients_read(given->path, &seen, why), STATUS_OK);
    assert_int_equal(seen.count, count);
    for (size_t i = 0; i < count; i++)
        assert_string_equal(seen.items[i].name, names[i]);
    clients_clear(&seen);
}

/* ---- tokens ---- */

static void test_a_hash_is_blake2b_of_256_bits(void **state)
{
    static const struct {
        const char *text, *hash;
    } rows[] = {
  /* python3 -c 'import hashlib; print(hashlib.blake2b(b"abc", digest_size=32).hexdigest())'
  */
        {"abc", "bddd813c634239723171ef3fee98579b94964e3bb1cb3e427262c8c068d52319"},
        {"",    "0e5751c026e543b2e8ab2eb06099daa1d1e5df47778f7787faab45cdf12fe3a8"},
    };

    (void)state;
    for (size_t i = 0; i < COUNT(rows); i++) {
        uint8_t hash[TOKEN_HASH_BYTES];
        char text[HASH_TEXT];

        token_hash(rows[i].text, strlen(rows[i].text), hash);
        assert_string_equal(sodium_bin2hex(text, sizeof(text), hash, sizeof(hash)), rows[i].hash);
    }
}

static void test_a_token_is_new_each_time(void **state)
{
    static const char letters[] =
        "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_";
    char tokens[64][TOKEN_TEXT_ROOM];

    (void)state;
    for (size_t i = 0; i < COUNT(tokens); i++) {
        uint8_t hash[TOKEN_HASH_BYTES], again[TOKEN_HASH_BYTES];

        token_make(tokens[i], hash);
        assert_memory_equal(tokens[i], "wp_", 3);
        assert_int_equal(strlen(tokens[i]), 3 + 43); /* 256 bits, 6 a character */
        assert_int_equal(strspn(tokens[i] + 3, letters), 43);
        token_hash(tokens[i], strlen(tokens[i]), again);
        assert_memory_equal(hash, again, TOKEN_HASH_BYTES);
        for (size_t other = 0; other < i; other++)
            assert_string_not_equal(tokens[i], tokens[other]);
    }
}

/* ---- rights ---- */

static void test_words_of_rights(void **state)
{
    static const struct {
        const char *word;
        size_t length;
        enum right right;
    } rows[] = {
        {"send",   4, RIGHT_SEND  },
        {"read",   4, RIGHT_READ  },
        {"decide", 6, RIGHT_DECIDE},
        {"sends",  4, RIGHT_SEND  },
        {"sends",  5, RIGHT_NONE  },
        {"send",   3, RIGHT_NONE  },
        {"Send",   4, RIGHT_NONE  },
        {" send",  5, RIGHT_NONE  },
        {"write",  5, RIGHT_NONE  },
        {"",       0, RIGHT_NONE  },
    };

    (void)state;
    for (size_t i = 0; i < COUNT(rows); i++)
        assert_int_equal(right_named(rows[i].word, rows[i].length), rows[i].right);
}

static void test_what_a_client_may(void **state)
{
    static const enum right each[] = {RIGHT_SEND, RIGHT_READ, RIGHT_DECIDE};

    (void)state;
    for (unsigned rights = 0; rights < 8; rights++) {
        struct client client = client_of("pump", rights);

        assert_true(client_may(&client, RIGHT_NONE));
        for (size_t i = 0; i < COUNT(each); i++)
            assert_int_equal(client_may(&client, each[i]), (rights >> i) & 1);
    }
}

static void test_whom_a_client_may_name(void **state)
{
    struct client client = client_of("station", RIGHT_SEND);

    (void)state;
    assert_false(client_may_name(&client, "N-1"));
    assert_false(client_may_name(&client, ""));
    name_practitioner(&client, "N-1");
    name_practitioner(&client, "N-22");
    assert_true(client_may_name(&client, "N-1"));
    assert_true(client_may_name(&client, "N-22"));
    assert_false(client_may_name(&client, "N-2"));
    assert_false(client_may_name(&client, "n-1"));
    assert_false(client_may_name(&client, "*"));
    client.any_practitioner = true;
    assert_true(client_may_name(&client, "N-2"));
}

/* ---- the file, there and back ---- */

static void test_a_file_is_as_it_is_documented(void **state)
{
    struct given *given = *state;
    struct client pump = client_of("pump \"3\"", RIGHT_READ | RIGHT_SEND);
    struct clients clients = {&pump, 1};
    char hash[HASH_TEXT], expected[400];

    pump.attended = true;
    pump.any_practitioner = true;
    name_practitioner(&pump, "N-1");
    assert_int_equal(clients_write(given->path, &clients), STATUS_OK);
    (void)snprintf(expected, sizeof(expected),
                   "{\"clients\":[{\"name\":\"pump \\\"3\\\"\",\"token-hash\":\"%s\","
                   "\"may\":[\"read\",\"send\"],\"attended\":true,\"practitioners\":[\"*\","
                   "\"N-1\"]}]}",
                   sodium_bin2hex(hash, sizeof(hash), pump.hash, TOKEN_HASH_BYTES));
    assert_string_equal(read_file(given->path), expected);
}

static void test_what_is_written_is_read(void **state)
{
    struct given *given = *state;
    struct client items[8];
    struct clients clients = {items, 0}, seen;
    char name[PRACTITIONER_ROOM], why[200];

    for (unsigned rights = 1; rights < 8; rights++) {
        (void)snprintf(name, sizeof(name), "client %u", rights);
        items[clients.count] = client_of(name, rights);
        items[clients.count++].attended = rights & 1;
    }
    items[7] = client_of(SIXTY_4, RIGHT_DECIDE); /* all at its most */
    for (unsigned i = 0; i < PRACTITIONERS_MOST; i++) {
        (void)snprintf(name, sizeof(name),
                       "%02u" SIXTY_4 "01234567890123456789012345678901\xC3\xA9", i);
        assert_int_equal(strlen(name), PRACTITIONER_ROOM - 1);
        name_practitioner(&items[7], name);
    }
    items[6].any_practitioner = true;
    clients.count = 8;
    assert_int_equal(clients_write(given->path, &clients), STATUS_OK);
    assert_int_equal(clients_read(given->path, &seen, why), STATUS_OK);
    assert_string_equal(why, "");
    assert_int_equal(seen.count, 8);
    for (size_t i = 0; i < 8; i++) {
        assert_client(&seen.items[i], &items[i]);
        assert_ptr_equal(clients_find(&seen, items[i].name), &seen.items[i]);
    }
    assert_null(clients_find(&seen, "client"));
    assert_null(clients_find(&seen, ""));
    clients_clear(&seen);
    assert_null(seen.items);
    assert_int_equal(seen.count, 0);
    clients_clear(&seen);
}

static void test_enrol_and_remove(void **state)
{
    struct given *given = *state;
    const struct clients nobody = {0};

    assert_int_equal(clients_write(given->path, &nobody), STATUS_OK);
    assert_holds(given, NULL, 0);
    enrol(given, (const char *const[]){"cuff"}, 1);
    assert_holds(given, (const char *const[]){"cuff"}, 1);
    enrol(given, (const char *const[]){"cuff", "scale", "board"}, 3);
    assert_holds(given, (const char *const[]){"cuff", "scale", "board"}, 3);
    enrol(given, (const char *const[]){"cuff", "board"}, 2);
    assert_holds(given, (const char *const[]){"cuff", "board"}, 2);
    assert_int_equal(clients_write(given->path, &nobody), STATUS_OK);
    assert_holds(given, NULL, 0);
}

static void test_the_file_is_its_owners_alone(void **state)
{
    struct given *given = *state;
    char left[220], elsewhere[200];
    mode_t before = umask(0);
    struct stat about;

    (void)snprintf(left, sizeof(left), "%s.new", given->path);
    (void)snprintf(elsewhere, sizeof(elsewhere), "%s/elsewhere", given->folder);
    write_file(left, "left behind by somebody, longer than what comes now ......................");
    assert_int_equal(chmod(left, 0666), 0);
    enrol(given, NULL, 0);
    assert_int_equal(stat(given->path, &about), 0);
    assert_int_equal(about.st_mode & 0777, 0600);
    assert_false(is_there(given->path, ".new"));
    assert_int_equal(chmod(given->path, 0644), 0); /* by hand: the next writing mends it */
    write_file(elsewhere, "not to be touched");
    assert_int_equal(symlink(elsewhere, left), 0);
    enrol(given, (const char *const[]){"cuff"}, 1);
    assert_int_equal(lstat(given->path, &about), 0);
    assert_int_equal(about.st_mode, S_IFREG | 0600);
    assert_string_equal(read_file(elsewhere), "not to be touched");
    assert_holds(given, (const char *const[]){"cuff"}, 1);
    (void)umask(before);
}

/* ---- writing that fails ---- */

static void test_what_cannot_be_written_changes_nothing(void **state)
{
    struct given *given = *state;
    struct client pump = client_of("pump", RIGHT_SEND);
    const struct clients clients = {&pump, 1};
    struct rlimit kept, small;
    char path[220];

    enrol(given, (const char *const[]){"cuff", "scale"}, 2);
    (void)snprintf(path, sizeof(path), "%s/nowhere/clients.json", given->folder);
    assert_int_equal(clients_write(path, &clients), STATUS_IO);
    (void)snprintf(path, sizeof(path), "%s/clients.json", given->path);
    assert_int_equal(clients_write(path, &clients), STATUS_IO);
    assert_int_equal(clients_write(given->folder, &clients), STATUS_IO); /* a folder is there */
    assert_false(is_there(given->folder, ".new"));

    assert_int_equal(getrlimit(RLIMIT_FSIZE, &kept), 0);
    small = (struct rlimit){20, kept.rlim_max};
    assert_ptr_not_equal(signal(SIGXFSZ, SIG_IGN), SIG_ERR);
    assert_int_equal(setrlimit(RLIMIT_FSIZE, &small), 0);
    assert_int_equal(clients_write(given->path, &clients), STATUS_IO);
    assert_int_equal(setrlimit(RLIMIT_FSIZE, &kept), 0);
    assert_false(is_there(given->path, ".new"));
    assert_holds(given, (const char *const[]){"cuff", "scale"}, 2);
}

/* Up to PATH_MAX a path is good; where ".new" has no room behind it, nothing may be written over.
 */
static void test_a_path_with_no_room_for_a_new_file(void **state)
{
    struct given *given = *state;
    struct client pump = client_of("pump", RIGHT_SEND);
    const struct clients clients = {&pump, 1};

    enrol(given, (const char *const[]){"cuff", "scale"}, 2);
    for (size_t length = 4088; length <= 4100; length++) {
        static char path[4200], before[4096];
        size_t folder = strlen(given->folder), name = strlen("clients.json");

        memset(path, '/', sizeof(path));
        memcpy(path, given->folder, folder);
        memcpy(path + length - name, "clients.json", name + 1);
        (void)snprintf(before, sizeof(before), "%s", read_file(given->path));
        if (length + strlen(".new") < 4096) {
            assert_int_equal(clients_write(path, &clients), STATUS_OK);
            assert_holds(given, (const char *const[]){"pump"}, 1);
        } else {
            assert_int_equal(clients_write(path, &clients), STATUS_IO);
            assert_string_equal(read_file(given->path), before);
        }
    }
}

static void test_each_failed_allocation_of_writing(void **state)
{
    struct given *given = *state;
    struct client items[4];
    const struct clients clients = {items, COUNT(items)};
    unsigned nth = 0;
    enum status status;

    for (size_t i = 0; i < COUNT(items); i++)
        items[i] = client_of((const char[]){(char)('a' + (int)i), '\0'}, RIGHT_SEND);
    enrol(given, (const char *const[]){"cuff"}, 1);
    do {
        assert_holds(given, (const char *const[]){"cuff"}, 1);
        heap_fail_at(++nth);
        status = clients_write(given->path, &clients);
        heap_fail_at(0);
        assert_int_equal(status, heap_did_fail() ? STATUS_NO_MEMORY : STATUS_OK);
        assert_false(is_there(given->path, ".new"));
    } while (status != STATUS_OK);
    assert_in_range(nth, 2, 1000);
    assert_holds(given, (const char *const[]){"a", "b", "c", "d"}, 4);
}

static void test_the_owner_stays(void **state)
{
    struct given *given = *state;
    struct clients clients = {NULL, 0};
    struct stat about;
    uid_t other = geteuid() == 0 ? 4242 : geteuid(); /* only root can give a file away */

    assert_int_equal(clients_write(given->path, &clients), STATUS_OK);
    assert_int_equal(chown(given->path, other, getegid()), 0);
    assert_int_equal(clients_write(given->path, &clients), STATUS_OK);
    assert_int_equal(stat(given->path, &about), 0);
    assert_int_equal(about.st_uid, other);
    assert_int_equal(about.st_mode & 07777, 0600);
}

/* A service's own folder: what root puts there is for the service to read. */
static void test_a_new_file_goes_to_the_owner_of_its_folder(void **state)
{
    struct given *given = *state;
    struct clients clients = {NULL, 0};
    struct stat about;
    uid_t other = geteuid() == 0 ? 4242 : geteuid();

    (void)unlink(given->path);
    assert_int_equal(chown(given->folder, other, getegid()), 0);
    assert_int_equal(clients_write(given->path, &clients), STATUS_OK);
    assert_int_equal(stat(given->path, &about), 0);
    assert_int_equal(about.st_uid, other);
    assert_int_equal(about.st_mode & 07777, 0600);
}

struct waiting {
    const char *path;
    atomic_bool through;
};

static void *wait_for_lock(void *context)
{
    struct waiting *waiting = context;
    int fd = clients_lock(waiting->path);

    atomic_store(&waiting->through, true);
    return fd >= 0 && close(fd) == 0 ? waiting : NULL;
}

static void test_one_at_a_time(void **state)
{
    struct given *given = *state;
    struct waiting waiting = {.path = given->path};
    const struct timespec moment = {.tv_nsec = 50000000};
    int fd = clients_lock(given->path);
    pthread_t thread;
    void *good = NULL;

    assert_true(fd >= 0);
    assert_int_equal(pthread_create(&thread, NULL, wait_for_lock, &waiting), 0);
    nanosleep(&moment, NULL);
    assert_false(atomic_load(&waiting.through));
    assert_int_equal(close(fd), 0);
    assert_int_equal(pthread_join(thread, &good), 0);
    assert_ptr_equal(good, &waiting);
    assert_int_equal(clients_lock("/no/such/folder/clients.json"), -1);
}

/* ---- reading that fails ---- */

#define HASH     "bddd813c634239723171ef3fee98579b94964e3bb1cb3e427262c8c068d52319"
#define FIELD(x) "\"" x "\":"
#define NAME     FIELD("name") "\"pump\","
#define TOKEN    FIELD("token-hash") "\"" HASH "\","
#define MAY      FIELD("may") "[\"send\"]"
#define GOOD     "{" NAME TOKEN MAY "}"
#define OTHER    "{" FIELD("name") "\"cuff\"," TOKEN MAY "}"
#define ONE(x)   "{\"clients\":[" x "]}"

static void test_what_may_be_left_out(void **state)
{
    struct given *given = *state;
    struct clients seen;
    char why[200];

    write_file(given->path, ONE(GOOD));
    assert_int_equal(clients_read(given->path, &seen, why), STATUS_OK);
    assert_int_equal(seen.count, 1);
    assert_int_equal(seen.items[0].rights, RIGHT_SEND);
    assert_false(seen.items[0].attended);
    assert_false(seen.items[0].any_practitioner);
    assert_int_equal(seen.items[0].practitioners_count, 0);
    clients_clear(&seen);
}

static const struct {
    const char *text, *why;
} damage[] = {
    {"",                                                                              "line 1: nothing was sent"                 },
    {"{\"clients\":[",                                                                "line 1: the text ends too early"          },
    {"{\"clients\":[\n" GOOD "\n",                                                    "line 3: the text ends too early"          },
    {"[]",                                                                            "/clients is not a list"                   },
    {"{}",                                                                            "/clients is not a list"                   },
    {"{\"clients\":null}",                                                            "/clients is not a list"                   },
    {"{\"clients\":{}}",                                                              "/clients is not a list"                   },
    {"{\"clients\":\"" HASH "\"}",                                                    "/clients is not a list"                   },
    {ONE("null"),                                                                     "/clients/0/name is missing or wrong"      },
    {ONE("[]"),                                                                       "/clients/0/name is missing or wrong"      },
    {ONE("{" TOKEN MAY "}"),                                                          "/clients/0/name is missing or wrong"      },
    {ONE("{" FIELD("name") "\"\"," TOKEN MAY "}"),                                    "/clients/0/name is missing or wrong"      },
    {ONE("{" FIELD("name") "7," TOKEN MAY "}"),                                       "/clients/0/name is missing or wrong"      },
    {ONE("{" FIELD("name") "\"" SIXTY_4 "5\"," TOKEN MAY "}"),
     "/clients/0/name is missing or wrong"                                                                                       },
    {ONE(GOOD "," OTHER ",{" NAME MAY "}"),                                           "/clients/2/token-hash is missing or wrong"},
    {ONE(GOOD "," OTHER "," GOOD),                                                    "/clients/2/name stands twice"             },
    {ONE("{" NAME FIELD("token-hash") "7," MAY "}"),                                  "/clients/0/token-hash is missing or wrong"},
    {ONE("{" NAME FIELD("token-hash") "\"\"," MAY "}"),
     "/clients/0/token-hash is missing or wrong"                                                                                 },
    {ONE("{" NAME FIELD("token-hash") "\"" SIXTY_4 "0\"," MAY "}"),
     "/clients/0/token-hash is missing or wrong"                                                                                 },
    {ONE("{" NAME FIELD("token-hash") "\"" SIXTY_4 "01\"," MAY "}"),
     "/clients/0/token-hash is missing or wrong"                                                                                 },
    {ONE("{" NAME FIELD("token-hash") "\"" EIGHT "\"," MAY "}"),
     "/clients/0/token-hash is missing or wrong"                                                                                 },
    {ONE("{" NAME FIELD("token-hash") "\"x" HASH "\"," MAY "}"),
     "/clients/0/token-hash is missing or wrong"                                                                                 },
    {ONE("{" NAME TOKEN FIELD("attended") "true}"),                                   "/clients/0/may is missing or wrong"       },
    {ONE("{" NAME TOKEN FIELD("may") "[]}"),                                          "/clients/0/may is missing or wrong"       },
    {ONE("{" NAME TOKEN FIELD("may") "\"send\"}"),                                    "/clients/0/may is missing or wrong"       },
    {ONE("{" NAME TOKEN FIELD("may") "[\"send\",\"rule\"]}"),                         "/clients/0/may is missing or wrong"       },
    {ONE("{" NAME TOKEN FIELD("may") "[\"send\",4]}"),                                "/clients/0/may is missing or wrong"       },
    {ONE("{" NAME TOKEN MAY "," FIELD("attended") "\"true\"}"),
     "/clients/0/attended is missing or wrong"                                                                                   },
    {ONE("{" NAME TOKEN MAY "," FIELD("attended") "1}"),                              "/clients/0/attended is missing or wrong"  },
    {ONE("{" NAME TOKEN MAY "," FIELD("practitioners") "\"*\"}"),
     "/clients/0/practitioners is missing or wrong"                                                                              },
    {ONE("{" NAME TOKEN MAY "," FIELD("practitioners") "[1]}"),
     "/clients/0/practitioners is missing or wrong"                                                                              },
    {ONE("{" NAME TOKEN MAY "," FIELD("practitioners") "[\"\"]}"),
     "/clients/0/practitioners is missing or wrong"                                                                              },
    {ONE("{" NAME TOKEN MAY "," FIELD("practitioners") "[\"" SIXTY_4 SIXTY_4 "\"]}"),
     "/clients/0/practitioners is missing or wrong"                                                                              },
    {ONE("{" NAME TOKEN MAY
         "," FIELD("practitioners") "[\"1\",\"2\",\"3\",\"4\",\"5\",\"6\",\"7\",\"8\",\"9\",\"10\","
                                    "\"11\",\"12\",\"13\",\"14\","
                                    "\"15\",\"16\",\"17\"]}"),
     "/clients/0/practitioners is missing or wrong"                                                                              },
};

static void test_each_kind_of_damage(void **state)
{
    struct given *given = *state;

    for (size_t i = 0; i < COUNT(damage); i++) {
        struct client decoy = client_of("decoy", RIGHT_SEND);
        struct clients seen = {&decoy, 1};
        char why[200] = "?";

        write_file(given->path, damage[i].text);
        if (clients_read(given->path, &seen, why) != STATUS_INVALID)
            fail_msg("taken: %s", damage[i].text);
        assert_string_equal(why, damage[i].why);
        assert_null(seen.items);
        assert_int_equal(seen.count, 0);
        assert_string_equal(read_file(given->path), damage[i].text);
    }
}

/* Cut anywhere it is no longer a list of clients; and no words of ours give a hash away. */
static void test_a_file_that_was_cut(void **state)
{
    static const char whole[] = ONE(GOOD "," OTHER);
    struct given *given = *state;
    char cut[sizeof(whole)];
    struct clients seen;
    char why[200];

    for (size_t length = 0; length < sizeof(whole) - 1; length++) {
        memcpy(cut, whole, length);
        cut[length] = '\0';
        write_file(given->path, cut);
        assert_int_equal(clients_read(given->path, &seen, why), STATUS_INVALID);
        assert_non_null(strstr(why, "line 1: "));
        assert_null(strstr(why, "bddd"));
        assert_null(seen.items);
    }
    write_file(given->path, whole);
    assert_int_equal(clients_read(given->path, &seen, why), STATUS_OK);
    assert_int_equal(seen.count, 2);
    clients_clear(&seen);
}

static void test_no_file_is_not_a_broken_one(void **state)
{
    struct given *given = *state;
    struct clients seen;
    char why[200], path[220];

    assert_int_equal(clients_read(given->path, &seen, why), STATUS_NOT_FOUND);
    assert_null(seen.items);
    assert_string_equal(why, "");
    assert_int_equal(clients_read(given->folder, &seen, why), STATUS_IO);
    write_file(given->path, ONE(GOOD));
    (void)snprintf(path, sizeof(path), "%s/below", given->path);
    assert_int_equal(clients_read(path, &seen, why), STATUS_IO);
    assert_null(seen.items);
}

static void test_each_failed_allocation_of_reading(void **state)
{
    struct given *given = *state;
    unsigned nth = 0;
    enum status status;

    enrol(given, (const char *const[]){"cuff", "scale"}, 2);
    do {
        struct clients seen;
        char why[200];

        heap_fail_at(++nth);
        status = clients_read(given->path, &seen, why);
        heap_fail_at(0);
        assert_int_equal(status, heap_did_fail() ? STATUS_NO_MEMORY : STATUS_OK);
        assert_string_equal(why, "");
        assert_int_equal(seen.count, status == STATUS_OK ? 2 : 0);
        assert_int_equal(seen.items != NULL, status == STATUS_OK);
        clients_clear(&seen);
    } while (status != STATUS_OK);
    assert_in_range(nth, 5, 1000);
}

/* ---- the live view ---- */

static struct access *start(const struct given *given)
{
    struct access *access = NULL;

    assert_int_equal(access_start(&(struct access_options){.path = given->path}, &access),
                     STATUS_OK);
    assert_non_null(access);
    return access;
}

static bool knows(struct access *access, const char *name)
{
    char header[100];
    struct client client = {.name = "untouched"};
    bool known;

    (void)snprintf(header, sizeof(header), "Bearer %s", name);
    known = access_caller(access, header, &client);
    assert_string_equal(client.name, known ? name : "untouched");
    return known;
}

/* Somebody unknown makes it look at the file at once. */
static void look(struct access *access)
{
    assert_false(knows(access, "a stranger"));
}

static void test_a_header_names_its_client(void **state)
{
    static const struct {
        const char *before, *after;
        int cut; /* of the token's end */
        bool known;
    } rows[] = {
        {"Bearer ",   "",  0,  true }, /* RFC 6750 2.1 */
        {"bearer ",   "",  0,  true }, /* RFC 9110 11.1: a scheme's case does not count */
        {"BEARER   ", "",  0,  true },
        {"Bearer ",   "",  1,  false},
        {"Bearer ",   "",  40, false},
        {"Bearer ",   "",  46, false},
        {"Bearer ",   "A", 0,  false},
        {"Bearer ",   " ", 0,  false},
        {"Bearer x",  "",  0,  false},
        {"Bearer\t",  "",  0,  false},
        {"Bearer",    "",  0,  false},
        {"Bearer",    "",  46, false},
        {"Basic ",    "",  0,  false},
        {" Bearer ",  "",  0,  false},
        {"",          "",  0,  false},
        {"",          "",  46, false},
    };
    struct given *given = *state;
    struct client items[2] = {client_of("other", RIGHT_READ), client_of("pump", RIGHT_SEND)};
    struct clients clients = {items, 2};
    char token[TOKEN_TEXT_ROOM];
    struct access *access;

    log_to_file(given);
    token_make(token, items[1].hash);
    name_practitioner(&items[1], "N-1");
    assert_int_equal(clients_write(given->path, &clients), STATUS_OK);
    assert_null(strstr(read_file(given->path), token));
    access = start(given);
    for (size_t i = 0; i < COUNT(rows); i++) {
        struct client seen = {.name = "untouched"};
        char header[100];

        (void)snprintf(header, sizeof(header), "%s%.*s%s", rows[i].before, 46 - rows[i].cut, token,
                       rows[i].after);
        assert_int_equal(access_caller(access, header, &seen), rows[i].known);
        if (rows[i].known)
            assert_client(&seen, &items[1]);
        else
            assert_string_equal(seen.name, "untouched");
    }
    assert_false(access_caller(access, NULL, &items[0]));
    access_stop(access);
}

static void test_each_wrong_character_of_a_token(void **state)
{
    struct given *given = *state;
    struct client pump = client_of("pump", RIGHT_SEND);
    struct clients clients = {&pump, 1};
    char header[7 + TOKEN_TEXT_ROOM] = "Bearer ";
    struct access *access;

    log_to_file(given);
    token_make(header + 7, pump.hash);
    assert_int_equal(clients_write(given->path, &clients), STATUS_OK);
    access = start(given);
    for (size_t i = 7; header[i]; i++) {
        header[i] ^= 1;
        assert_false(access_caller(access, header, &pump));
        header[i] ^= 1;
    }
    assert_true(access_caller(access, header, &pump));
    access_stop(access);
}

static void test_a_hash_that_is_nearly_right(void **state)
{
    struct given *given = *state;
    struct client items[TOKEN_HASH_BYTES];
    struct clients clients = {items, TOKEN_HASH_BYTES};
    struct access *access;

    log_to_file(given);
    for (size_t i = 0; i < TOKEN_HASH_BYTES; i++) {
        items[i] = client_of("pump", RIGHT_SEND);
        items[i].hash[i] ^= 1;
        snprintf(items[i].name, sizeof(items[i].name), "pump %zu", i);
    }
    assert_int_equal(clients_write(given->path, &clients), STATUS_OK);
    access = start(given);
    assert_false(knows(access, "pump"));
    items[TOKEN_HASH_BYTES - 1] = client_of("pump", RIGHT_SEND);
    assert_int_equal(clients_write(given->path, &clients), STATUS_OK);
    assert_true(knows(access, "pump"));
    access_stop(access);
}

static void test_the_first_token_and_the_demo(void **state)
{
    struct given *given = *state;
    struct access_options options = {.path = given->path, .first = "wp_first"};
    struct access *access = NULL;
    struct client seen;

    log_to_file(given);
    enrol(given, (const char *const[]){"cuff"}, 1);
    assert_int_equal(access_start(&options, &access), STATUS_OK);
    assert_true(access_caller(access, "Bearer wp_first", &seen));
    assert_string_equal(seen.name, "first");
    assert_int_equal(seen.rights, RIGHT_SEND | RIGHT_READ | RIGHT_DECIDE);
    assert_true(seen.attended && seen.any_practitioner);
    assert_true(knows(access, "cuff"));
    assert_false(access_caller(access, "Bearer wp_firs", &seen));
    assert_false(access_caller(access, NULL, &seen));
    access_stop(access);

    options = (struct access_options){.path = given->path, .demo = true};
    assert_int_equal(access_start(&options, &access), STATUS_OK);
    assert_true(access_caller(access, NULL, &seen));
    assert_string_equal(seen.name, "demo");
    assert_int_equal(seen.rights, RIGHT_SEND | RIGHT_READ | RIGHT_DECIDE);
    assert_true(knows(access, "cuff"));
    assert_false(access_caller(access, "Bearer wp_first", &seen)); /* a wrong one is wrong */
    access_stop(access);
    access_stop(NULL);
}

static void test_a_change_of_the_file_is_seen(void **state)
{
    struct given *given = *state;
    struct access *access;

    log_to_file(given);
    access = start(given);
    assert_false(knows(access, "cuff"));
    enrol(given, (const char *const[]){"cuff", "scale"}, 2);
    assert_true(knows(access, "cuff")); /* at once */
    assert_true(knows(access, "scale"));
    enrol(given, (const char *const[]){"scale"}, 1);
    look(access);
    assert_false(knows(access, "cuff"));
    assert_true(knows(access, "scale"));
    assert_int_equal(unlink(given->path), 0);
    look(access);
    assert_false(knows(access, "scale"));
    assert_int_equal(logged(given, "clients=2 file read"), 1);
    assert_int_equal(logged(given, "clients=1 file read"), 1);
    assert_int_equal(logged(given, "clients=0 file read"), 1);
    access_stop(access);
}

/* By its inode, too: where a clock is coarse two files may be of the same time. */
static void test_another_file_of_the_same_size_and_time(void **state)
{
    struct given *given = *state;
    const struct timespec times[2] = {{.tv_sec = 1795600000}, {.tv_sec = 1795600000}};
    struct access *access;

    log_to_file(given);
    enrol(given, (const char *const[]){"cuff1"}, 1);
    assert_int_equal(utimensat(AT_FDCWD, given->path, times, 0), 0);
    access = start(given);
    enrol(given, (const char *const[]){"cuff2"}, 1);
    assert_int_equal(utimensat(AT_FDCWD, given->path, times, 0), 0);
    look(access);
    assert_true(knows(access, "cuff2"));
    assert_false(knows(access, "cuff1"));
    access_stop(access);
}

static void test_a_token_taken_away_is_gone_within_a_second(void **state)
{
    struct given *given = *state;
    int64_t begun;
    struct access *access;

    log_to_file(given);
    enrol(given, (const char *const[]){"cuff"}, 1);
    access = start(given);
    assert_true(knows(access, "cuff"));
    enrol(given, NULL, 0);
    begun = clock_monotonic_ms();
    while (knows(access, "cuff") && clock_monotonic_ms() - begun < 5000)
        (void)poll(NULL, 0, 5);
    assert_false(knows(access, "cuff"));
    assert_in_range(clock_monotonic_ms() - begun, 0, 1500); /* and half a one for a slow machine */
    access_stop(access);
}

static void test_a_broken_file_keeps_the_clients(void **state)
{
    struct given *given = *state;
    struct access *access;

    log_to_file(given);
    enrol(given, (const char *const[]){"cuff"}, 1);
    access = start(given);
    for (unsigned i = 0; i < COUNT(damage); i++) {
        swap_file(given, damage[i].text);
        for (int again = 0; again < 3; again++)
            look(access);
        heap_fail_at(1); /* nor is it read again, */
        look(access);
        heap_fail_at(0);
        assert_false(heap_did_fail());
        assert_true(knows(access, "cuff"));
        assert_int_equal(logged(given, "clients file is broken"), i + 1); /* and said once */
    }
    assert_int_equal(logged(given, "/clients/2/token-hash is missing or wrong"), 1);
    assert_int_equal(logged(given, "bddd"), 0);
    enrol(given, (const char *const[]){"scale"}, 1);
    assert_true(knows(access, "scale"));
    assert_false(knows(access, "cuff"));
    access_stop(access);
}

static void test_starting_with_a_broken_file(void **state)
{
    struct given *given = *state;
    struct access *access;

    log_to_file(given);
    write_file(given->path, ONE("{" NAME TOKEN "}"));
    access = start(given);
    assert_false(knows(access, "abc")); /* whose hash it is */
    assert_int_equal(logged(given, "clients file is broken"), 1);
    enrol(given, (const char *const[]){"cuff"}, 1);
    assert_true(knows(access, "cuff"));
    access_stop(access);
}

/* A trouble of ours is not one of the file: it is looked at again though it has not changed. */
static void test_a_reading_that_failed_is_tried_again(void **state)
{
    struct given *given = *state;
    struct access *access;
    struct client seen;
    unsigned nth = 0;
    bool failed;

    log_to_file(given);
    enrol(given, (const char *const[]){"lost", "kept"}, 2);
    access = start(given);
    do {
        enrol(given, (const char *const[]){"lost", "kept"}, 2);
        look(access);
        assert_true(knows(access, "lost"));
        enrol(given, (const char *const[]){"kept"}, 1);
        heap_fail_at(++nth);
        assert_false(access_caller(access, "Bearer a stranger", &seen));
        heap_fail_at(0);
        failed = heap_did_fail();
        assert_true(knows(access, "kept"));
        look(access);
        assert_false(knows(access, "lost"));
    } while (failed);
    assert_in_range(nth, 5, 1000);
    access_stop(access);
}

/* What cannot be read for long is said once, not with each stranger. */
static void test_a_file_that_cannot_be_read_is_said_once(void **state)
{
    struct given *given = *state;
    struct access *access;
    char aside[220];

    log_to_file(given);
    enrol(given, (const char *const[]){"cuff"}, 1);
    access = start(given);
    assert_int_equal(unlink(given->path), 0);
    assert_int_equal(mkdir(given->path, 0700), 0);
    for (int i = 0; i < 5; i++)
        look(access);
    assert_true(knows(access, "cuff"));
    assert_int_equal(logged(given, "clients file cannot be read"), 1);
    (void)snprintf(aside, sizeof(aside), "%s.aside", given->path);
    assert_int_equal(rename(given->path, aside), 0);
    enrol(given, (const char *const[]){"scale"}, 1);
    assert_true(knows(access, "scale"));
    assert_int_equal(unlink(given->path), 0);
    assert_int_equal(rename(aside, given->path), 0); /* the same again, and news again */
    look(access);
    assert_int_equal(logged(given, "clients file cannot be read"), 2);
    assert_int_equal(rmdir(given->path), 0);
    access_stop(access);

    (void)snprintf(given->path, sizeof(given->path), "%s/clients.json", given->log);
    access = start(given); /* nor is what lies below a file no file */
    look(access);
    assert_int_equal(logged(given, "clients file cannot be read"), 3);
    access_stop(access);
}

static void test_each_failed_allocation_of_starting(void **state)
{
    struct given *given = *state;
    unsigned nth = 0;
    enum status status;

    log_to_file(given);
    enrol(given, (const char *const[]){"cuff"}, 1);
    do {
        struct access *access = NULL;

        heap_fail_at(++nth);
        status = access_start(&(struct access_options){.path = given->path}, &access);
        heap_fail_at(0);
        assert_true(status == STATUS_OK || status == STATUS_NO_MEMORY);
        assert_int_equal(access != NULL, status == STATUS_OK);
        if (access)
            assert_true(knows(access, "cuff")); /* whether the file could be read then or not */
        access_stop(access);
    } while (heap_did_fail());
    assert_int_equal(status, STATUS_OK);
    assert_in_range(nth, 2, 1000);
}

/* ---- several threads ---- */

#define REWRITES 50

struct asking {
    struct access *access;
    atomic_bool done;
    atomic_uint known, unknown;
};

static void *ask(void *context)
{
    struct asking *asking = context;
    struct client client;

    while (!atomic_load(&asking->done)) {
        bool known = access_caller(asking->access, "Bearer steady", &client);

        known = known && strcmp(client.name, "steady") == 0;
        atomic_fetch_add(known ? &asking->known : &asking->unknown, 1);
        (void)access_caller(asking->access, "Bearer a stranger", &client);
    }
    return NULL;
}

static void test_who_stays_in_the_file_is_always_known(void **state)
{
    struct given *given = *state;
    struct asking asking = {0};
    pthread_t threads[3];

    log_to_file(given);
    enrol(given, (const char *const[]){"steady"}, 1);
    asking.access = start(given);
    for (size_t i = 0; i < COUNT(threads); i++)
        assert_int_equal(pthread_create(&threads[i], NULL, ask, &asking), 0);
    for (int i = 0; i < REWRITES || atomic_load(&asking.known) == 0; i++)
        enrol(given, (const char *const[]){"now and then", "steady"} + i % 2, i % 2 ? 1 : 2);
    atomic_store(&asking.done, true);
    for (size_t i = 0; i < COUNT(threads); i++)
        assert_int_equal(pthread_join(threads[i], NULL), 0);
    assert_int_equal(atomic_load(&asking.unknown), 0);
    access_stop(asking.access);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_a_hash_is_blake2b_of_256_bits),
        cmocka_unit_test(test_a_token_is_new_each_time),
        cmocka_unit_test(test_words_of_rights),
        cmocka_unit_test(test_what_a_client_may),
        cmocka_unit_test(test_whom_a_client_may_name),
        cmocka_unit_test_setup_teardown(test_a_file_is_as_it_is_documented, setup, teardown),
        cmocka_unit_test_setup_teardown(test_what_is_written_is_read, setup, teardown),
        cmocka_unit_test_setup_teardown(test_enrol_and_remove, setup, teardown),
        cmocka_unit_test_setup_teardown(test_the_file_is_its_owners_alone, setup, teardown),
        cmocka_unit_test_setup_teardown(test_what_cannot_be_written_changes_nothing, setup,
                                        teardown),
        cmocka_unit_test_setup_teardown(test_a_path_with_no_room_for_a_new_file, setup, teardown),
        cmocka_unit_test_setup_teardown(test_each_failed_allocation_of_writing, setup, teardown),
        cmocka_unit_test_setup_teardown(test_the_owner_stays, setup, teardown),
        cmocka_unit_test_setup_teardown(test_a_new_file_goes_to_the_owner_of_its_folder, setup,
                                        teardown),
        cmocka_unit_test_setup_teardown(test_one_at_a_time, setup, teardown),
        cmocka_unit_test_setup_teardown(test_what_may_be_left_out, setup, teardown),
        cmocka_unit_test_setup_teardown(test_each_kind_of_damage, setup, teardown),
        cmocka_unit_test_setup_teardown(test_a_file_that_was_cut, setup, teardown),
        cmocka_unit_test_setup_teardown(test_no_file_is_not_a_broken_one, setup, teardown),
        cmocka_unit_test_setup_teardown(test_each_failed_allocation_of_reading, setup, teardown),
        cmocka_unit_test_setup_teardown(test_a_header_names_its_client, setup, teardown),
        cmocka_unit_test_setup_teardown(test_each_wrong_character_of_a_token, setup, teardown),
        cmocka_unit_test_setup_teardown(test_a_hash_that_is_nearly_right, setup, teardown),
        cmocka_unit_test_setup_teardown(test_the_first_token_and_the_demo, setup, teardown),
        cmocka_unit_test_setup_teardown(test_a_change_of_the_file_is_seen, setup, teardown),
        cmocka_unit_test_setup_teardown(test_another_file_of_the_same_size_and_time, setup,
                                        teardown),
        cmocka_unit_test_setup_teardown(test_a_token_taken_away_is_gone_within_a_second, setup,
                                        teardown),
        cmocka_unit_test_setup_teardown(test_a_broken_file_keeps_the_clients, setup, teardown),
        cmocka_unit_test_setup_teardown(test_starting_with_a_broken_file, setup, teardown),
        cmocka_unit_test_setup_teardown(test_a_reading_that_failed_is_tried_again, setup, teardown),
        cmocka_unit_test_setup_teardown(test_a_file_that_cannot_be_read_is_said_once, setup,
                                        teardown),
        cmocka_unit_test_setup_teardown(test_each_failed_allocation_of_starting, setup, teardown),
        cmocka_unit_test_setup_teardown(test_who_stays_in_the_file_is_always_known, setup,
                                        teardown),
    };

    if (sodium_init() < 0)
        return 1;
    return cmocka_run_group_tests(tests, NULL, NULL);
}
