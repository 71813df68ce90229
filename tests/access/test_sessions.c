/* test_sessions.c - who is signed in: states moved by made-up times, the bounds of the table, and
 * what a change of the account does to its sessions. Names are invented. */
#include <pthread.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <cmocka.h>
#include <sodium.h>

#include "access/access_private.h"
#include "heap.h"
#include "wardpost/sessions.h"

#define COUNT(table) (sizeof(table) / sizeof((table)[0]))
#define IDLE         300000   /* ms */
#define LONGEST      43200000 /* ms */
#define VOUCHED      600000   /* ms */
#define MOST         6
#define USER_MOST    3

static struct sessions *new_table(void)
{
    const struct sessions_options options = {IDLE, LONGEST, VOUCHED, MOST, USER_MOST};
    struct sessions *sessions;

    assert_int_equal(sessions_new(&options, &sessions), STATUS_OK);
    return sessions;
}

static struct user somebody(const char *name)
{
    struct user user = {.role = ROLE_NURSE, .stamp = 7};

    (void)snprintf(user.name, sizeof(user.name), "%s", name);
    (void)snprintf(user.practitioner, sizeof(user.practitioner), "N-%s", name);
    (void)snprintf(user.display, sizeof(user.display), "Nurse %s", name);
    return user;
}

static enum session_state look(struct sessions *sessions, const char *id, int64_t now_ms)
{
    struct session session;

    return sessions_look(sessions, id, false, now_ms, &session);
}

/* ---- one session, moved by steps ---- */

enum deed { END_OF_STEPS, WAIT, ACT, LOCK, UNLOCK, UNLOCK_BY_ANOTHER, END };

struct step {
    enum deed deed;
    int64_t ms; /* WAIT */
};

static const struct {
    const char *what;
    struct step steps[8];
    enum session_state then;
} ways[] = {
    {"just opened",                     {{0}},                                          SESSION_OPEN  },
    {"a moment before the idle lock",   {{WAIT, IDLE - 1}},                             SESSION_OPEN  },
    {"idle so long",                    {{WAIT, IDLE}},                                 SESSION_LOCKED},
    {"what is done puts it off",        {{WAIT, IDLE - 1}, {ACT, 0}, {WAIT, IDLE - 1}}, SESSION_OPEN  },
    {"and only so far",                 {{WAIT, IDLE - 1}, {ACT, 0}, {WAIT, IDLE}},     SESSION_LOCKED},
    {"too late to put it off",          {{WAIT, IDLE}, {ACT, 0}},                       SESSION_LOCKED},
    {"locked by hand",                  {{LOCK, 0}},                                    SESSION_LOCKED},
    {"nothing done opens it",           {{LOCK, 0}, {ACT, 0}, {WAIT, 1}},               SESSION_LOCKED},
    {"the PIN opens it",                {{LOCK, 0}, {UNLOCK, 0}},                       SESSION_OPEN  },
    {"the PIN opens it after hours",    {{WAIT, LONGEST - 1}, {UNLOCK, 0}},             SESSION_OPEN  },
    {"idleness begins anew with it",    {{WAIT, IDLE}, {UNLOCK, 0}, {WAIT, IDLE - 1}},  SESSION_OPEN  },
    {"another's PIN does not",          {{LOCK, 0}, {UNLOCK_BY_ANOTHER, 0}},            SESSION_LOCKED},
    {"the end",                         {{END, 0}},                                     SESSION_NONE  },
    {"nothing comes back",              {{END, 0}, {UNLOCK, 0}, {ACT, 0}},              SESSION_NONE  },
    {"it lasts so long",                {{WAIT, LONGEST - 1}},                          SESSION_LOCKED},
    {"and no longer",                   {{WAIT, LONGEST}},                              SESSION_NONE  },
    {"the PIN does not make it longer",
     {{WAIT, LONGEST - 1}, {UNLOCK, 0}, {ACT, 0}, {WAIT, 1}},
     SESSION_NONE                                                                                     },
};

static int64_t take_step(struct sessions *sessions, const char *id, const struct step *step,
                         int64_t now_ms)
{
    const struct user ana = somebody("ana"), bea = somebody("bea");
    struct session session;

    switch (step->deed) {
    case WAIT:
        return now_ms + step->ms;
    case ACT:
        (void)sessions_look(sessions, id, true, now_ms, &session);
        break;
    case LOCK:
        sessions_lock(sessions, id);
        break;
    case UNLOCK:
        (void)sessions_unlock(sessions, id, &ana, now_ms);
        break;
    case UNLOCK_BY_ANOTHER:
        assert_false(sessions_unlock(sessions, id, &bea, now_ms));
        break;
    case END:
        sessions_end(sessions, id);
        break;
    case END_OF_STEPS:
        break;
    }
    return now_ms;
}

static void test_each_way(void **state)
{
    const struct user ana = somebody("ana");

    (void)state;
    for (size_t i = 0; i < COUNT(ways); i++) {
        struct sessions *sessions = new_table();
        char id[SESSION_TEXT_ROOM], other[SESSION_TEXT_ROOM];
        int64_t now_ms = 1000;

        sessions_open(sessions, &ana, now_ms, id);
        sessions_open(sessions, &ana, now_ms, other);
        for (const struct step *step = ways[i].steps; step->deed != END_OF_STEPS; step++)
            now_ms = take_step(sessions, id, step, now_ms);
        if (look(sessions, id, now_ms) != ways[i].then)
            fail_msg("%s: %d", ways[i].what, (int)look(sessions, id, now_ms));
        /* of the same person, and left alone: time alone has moved it */
        assert_int_equal(look(sessions, other, now_ms), now_ms - 1000 >= LONGEST ? SESSION_NONE
                                                        : now_ms - 1000 >= IDLE  ? SESSION_LOCKED
                                                                                 : SESSION_OPEN);
        sessions_free(sessions);
    }
}

static void test_what_is_told_of_one(void **state)
{
    struct sessions *sessions = new_table();
    const struct user ana = somebody("Ana");
    char id[SESSION_TEXT_ROOM], second[SESSION_TEXT_ROOM];
    struct session session, other;

    (void)state;
    sessions_open(sessions, &ana, 5000, id);
    sessions_open(sessions, &ana, 5000, second);
    assert_int_equal(sessions_look(sessions, id, false, 5001, &session), SESSION_OPEN);
    assert_int_equal(sessions_look(sessions, second, false, 5001, &other), SESSION_OPEN);
    assert_string_equal(session.name, "Ana");
    assert_int_equal(session.stamp, 7);
    assert_int_equal(session.ends_in_ms, LONGEST - 1);
    assert_int_equal(strlen(id), SESSION_TEXT_ROOM - 1);
    assert_int_equal(strlen(session.csrf), SESSION_TEXT_ROOM - 1);
    assert_string_not_equal(id, second);
    assert_string_not_equal(session.csrf, other.csrf);
    assert_string_not_equal(session.csrf, id);
    sessions_lock(sessions, id);
    (void)sessions_look(sessions, id, false, 5002, &other);
    assert_string_equal(session.csrf, other.csrf);
    sessions_free(sessions);
}

static void test_a_second_person_for_a_while(void **state)
{
    struct sessions *sessions = new_table();
    const struct user ana = somebody("ana"), bea = somebody("bea"), cleo = somebody("cleo");
    char id[SESSION_TEXT_ROOM], other[SESSION_TEXT_ROOM];
    struct session session;

    (void)state;
    sessions_open(sessions, &ana, 0, id);
    sessions_open(sessions, &ana, 0, other);
    (void)sessions_look(sessions, id, true, 1, &session);
    assert_string_equal(session.second, "");
    sessions_vouch(sessions, id, &bea, 1000);
    sessions_vouch(sessions, id, &cleo, 1001);
    (void)sessions_look(sessions, id, false, 1000 + VOUCHED, &session);
    assert_string_equal(session.second, "N-cleo");
    (void)sessions_look(sessions, id, false, 1001 + VOUCHED, &session);
    assert_string_equal(session.second, "");
    (void)sessions_look(sessions, other, false, 1002, &session);
    assert_string_equal(session.second, "");
    sessions_free(sessions);
}

static void test_ids_that_nobody_has(void **state)
{
    static const char *const ids[] = {"", "?", "AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA"};
    struct sessions *sessions = new_table();
    const struct user ana = somebody("ana");
    struct session session;

    (void)state;
    for (int round = 0; round < 2; round++) {
        char id[SESSION_TEXT_ROOM];

        for (size_t i = 0; i < COUNT(ids); i++) {
            assert_int_equal(sessions_look(sessions, ids[i], true, 1, &session), SESSION_NONE);
            assert_string_equal(session.csrf, "");
            assert_false(sessions_unlock(sessions, ids[i], &ana, 1));
            sessions_lock(sessions, ids[i]);
            sessions_end(sessions, ids[i]);
        }
        sessions_open(sessions, &ana, 1, id); /* the second round is with somebody there */
        assert_int_equal(look(sessions, id, 1), SESSION_OPEN);
    }
    sessions_free(sessions);
}

/* ---- bounds ---- */

static void test_one_too_many_of_a_person(void **state)
{
    struct sessions *sessions = new_table();
    const struct user ana = somebody("ana"), again = somebody("ANA"), bea = somebody("bea");
    char ids[USER_MOST][SESSION_TEXT_ROOM], more[SESSION_TEXT_ROOM], beas[SESSION_TEXT_ROOM];
    struct session session;

    (void)state;
    sessions_open(sessions, &bea, 0, beas);
    for (int i = 0; i < USER_MOST; i++)
        sessions_open(sessions, &ana, 10 + i, ids[i]);
    (void)sessions_look(sessions, ids[0], true, 20,
                        &session); /* now the second is left alone longest */
    sessions_open(sessions, &again, 30, more);
    assert_int_equal(look(sessions, ids[0], 30), SESSION_OPEN);
    assert_int_equal(look(sessions, ids[1], 30), SESSION_NONE);
    assert_int_equal(look(sessions, ids[2], 30), SESSION_OPEN);
    assert_int_equal(look(sessions, more, 30), SESSION_OPEN);
    assert_int_equal(look(sessions, beas, 30), SESSION_OPEN);
    sessions_free(sessions);
}

static void test_a_full_table(void **state)
{
    struct sessions *sessions = new_table();
    char ids[MOST + 1][SESSION_TEXT_ROOM], name[8];

    (void)state;
    for (int i = 0; i <= MOST; i++) {
        (void)snprintf(name, sizeof(name), "u%d", i);
        sessions_open(sessions,
                      &(const struct user){
                          .name = {name[0], name[1]}
        },
                      i, ids[i]);
    }
    for (int i = 0; i <= MOST; i++)
        assert_int_equal(look(sessions, ids[i], MOST), i == 0 ? SESSION_NONE : SESSION_OPEN);
    sessions_free(sessions);
}

static void test_no_memory(void **state)
{
    const struct sessions_options options = {IDLE, LONGEST, VOUCHED, MOST, USER_MOST};
    struct sessions *sessions = NULL;

    (void)state;
    heap_fail_at(1);
    assert_int_equal(sessions_new(&options, &sessions), STATUS_NO_MEMORY);
    heap_fail_at(0);
    assert_null(sessions);
    sessions_free(sessions);
}

/* ---- the account behind it ---- */

struct given {
    char folder[64], path[80];
    struct users *users;
    struct sessions *sessions;
    struct user_list list;
    char id[SESSION_TEXT_ROOM];
};

static void write_list(struct given *given)
{
    assert_int_equal(user_list_write(given->path, &given->list), STATUS_OK);
}

/* Of the form of a hash; no PIN leads to it. */
static void put_hash(struct user *user, char letter)
{
    pin_dummy(user->pin);
    user->pin[strlen(user->pin) - 2] = letter;
}

static int setup(void **state)
{
    struct given *given = calloc(1, sizeof(*given));
    struct user ana = somebody("ana"), bea = somebody("bea"), found;

    assert_non_null(given);
    (void)snprintf(given->folder, sizeof(given->folder), "/tmp/wardpost-sessions-XXXXXX");
    assert_non_null(mkdtemp(given->folder));
    (void)snprintf(given->path, sizeof(given->path), "%s/users.json", given->folder);
    put_hash(&ana, 'A');
    put_hash(&bea, 'B');
    assert_int_equal(user_list_add(&given->list, &ana), STATUS_OK);
    assert_int_equal(user_list_add(&given->list, &bea), STATUS_OK);
    write_list(given);
    assert_int_equal(users_start(&(struct users_options){.path = given->path}, 0, &given->users),
                     STATUS_OK);
    given->sessions = new_table();
    assert_true(users_find(given->users, "ana", 0, &found));
    sessions_open(given->sessions, &found, 0, given->id);
    *state = given;
    return 0;
}

static int teardown(void **state)
{
    struct given *given = *state;

    sessions_free(given->sessions);
    users_stop(given->users);
    user_list_clear(&given->list);
    (void)unlink(given->path);
    (void)rmdir(given->folder);
    free(given);
    return 0;
}

static void disable(struct given *given)
{
    given->list.items[0].disabled = true;
}

static void remove_ana(struct given *given)
{
    given->list.items[0] = given->list.items[1];
    given->list.count = 1;
}

static void reset_pin(struct given *given)
{
    put_hash(&given->list.items[0], 'C');
    given->list.items[0].must_change = true;
}

static void another_role(struct given *given)
{
    given->list.items[0].role = ROLE_LEAD;
}

static void reset_another(struct given *given)
{
    put_hash(&given->list.items[1], 'C');
}

static void test_the_account_changes(void **state)
{
    static const struct {
        void (*change)(struct given *given);
        enum session_state then;
        enum role role;
    } rows[] = {
        {disable,       SESSION_NONE, ROLE_NONE },
        {remove_ana,    SESSION_NONE, ROLE_NONE },
        {reset_pin,     SESSION_NONE, ROLE_NONE },
        {another_role,  SESSION_OPEN, ROLE_LEAD },
        {reset_another, SESSION_OPEN, ROLE_NURSE},
    };

    (void)state;
    for (size_t i = 0; i < COUNT(rows); i++) {
        struct given *given;
        struct session session;
        struct user user;

        assert_int_equal(setup((void **)&given), 0);
        assert_int_equal(
            sessions_judge(given->sessions, given->users, given->id, true, 1, &session, &user),
            SESSION_OPEN);
        assert_string_equal(user.practitioner, "N-ana");
        assert_string_equal(user.pin, "");
        rows[i].change(given);
        write_list(given);
        assert_int_equal(
            sessions_judge(given->sessions, given->users, given->id, true, 1001, &session, &user),
            rows[i].then);
        assert_int_equal(session.state, rows[i].then);
        assert_int_equal(user.role, rows[i].role);
        assert_int_equal(look(given->sessions, given->id, 1001), rows[i].then);
        teardown((void **)&given);
    }
}

static void test_locked_is_still_theirs(void **state)
{
    struct given *given = *state;
    struct session session;
    struct user user;

    sessions_lock(given->sessions, given->id);
    assert_int_equal(
        sessions_judge(given->sessions, given->users, given->id, true, 1, &session, &user),
        SESSION_LOCKED);
    assert_string_equal(user.display, "Nurse ana");
}

/* The new PIN's stamp goes to the session it was changed in; the others of the account end. */
static void test_a_pin_of_ones_own(void **state)
{
    struct given *given = *state;
    char other[SESSION_TEXT_ROOM];
    struct session session;
    struct user user;

    assert_true(users_find(given->users, "ana", 1, &user));
    sessions_open(given->sessions, &user, 1, other);
    put_hash(&given->list.items[0], 'C');
    write_list(given);
    assert_true(users_find(given->users, "ana", 2000, &user));
    assert_true(sessions_unlock(given->sessions, given->id, &user, 2000));
    assert_int_equal(
        sessions_judge(given->sessions, given->users, given->id, true, 2001, &session, &user),
        SESSION_OPEN);
    assert_int_equal(
        sessions_judge(given->sessions, given->users, other, true, 2001, &session, &user),
        SESSION_NONE);
}

/* ---- several threads ---- */

static void *come_and_go(void *context)
{
    struct given *given = context;
    struct session session;
    struct user user;

    for (int64_t i = 0; i < 200; i++) {
        char id[SESSION_TEXT_ROOM];

        assert_true(users_find(given->users, "bea", i, &user));
        sessions_open(given->sessions, &user, i, id);
        (void)sessions_judge(given->sessions, given->users, id, true, i, &session, &user);
        sessions_lock(given->sessions, id);
        (void)sessions_unlock(given->sessions, id, &user, i);
        (void)sessions_judge(given->sessions, given->users, given->id, true, i, &session, &user);
        sessions_end(given->sessions, id);
    }
    return NULL;
}

static void test_several_threads(void **state)
{
    struct given *given = *state;
    pthread_t threads[4];

    for (size_t i = 0; i < COUNT(threads); i++)
        assert_int_equal(pthread_create(&threads[i], NULL, come_and_go, given), 0);
    for (size_t i = 0; i < COUNT(threads); i++)
        assert_int_equal(pthread_join(threads[i], NULL), 0);
    assert_int_equal(look(given->sessions, given->id, 200), SESSION_OPEN);
}

#define WITH_PEOPLE(test) cmocka_unit_test_setup_teardown(test, setup, teardown)

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_each_way),
        cmocka_unit_test(test_what_is_told_of_one),
        cmocka_unit_test(test_a_second_person_for_a_while),
        cmocka_unit_test(test_ids_that_nobody_has),
        cmocka_unit_test(test_one_too_many_of_a_person),
        cmocka_unit_test(test_a_full_table),
        cmocka_unit_test(test_no_memory),
        cmocka_unit_test(test_the_account_changes),
        WITH_PEOPLE(test_locked_is_still_theirs),
        WITH_PEOPLE(test_a_pin_of_ones_own),
        WITH_PEOPLE(test_several_threads),
    };

    if (sodium_init() < 0)
        return 1;
    return cmocka_run_group_tests(tests, NULL, NULL);
}
