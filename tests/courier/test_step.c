/* test_step.c - the courier's mind: verdicts, waits and deeds as tables. Sources: design 3; RFC
 * 9110 15 and 10.2.3; FHIR R4 http.html. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "courier/decide.h"
#include "wardpost/moment.h"

static const struct courier_options options = {.request_timeout_ms = 30000,
                                               .retry_first_ms = 2000,
                                               .retry_most_ms = 300000,
                                               .server_error_tries = 5};

/* design 3, "What an answer means" */
static const struct {
    long status;
    enum verdict alone, in_bundle;
} verdicts[] = {
    {200, VERDICT_CHARTED,     VERDICT_CHARTED    },
    {201, VERDICT_CHARTED,     VERDICT_CHARTED    },
    {202, VERDICT_CHARTED,     VERDICT_CHARTED    },
    {400, VERDICT_NEXT_WAY,    VERDICT_NEXT_WAY   },
    {401, VERDICT_SIGN_IN,     VERDICT_SIGN_IN    },
    {403, VERDICT_PAUSE,       VERDICT_PAUSE      },
    {404, VERDICT_PAUSE,       VERDICT_HOLD       },
    {405, VERDICT_NEXT_WAY,    VERDICT_NEXT_WAY   },
    {406, VERDICT_PAUSE,       VERDICT_PAUSE      },
    {408, VERDICT_WAIT_UNSURE, VERDICT_WAIT_UNSURE},
    {409, VERDICT_WAIT_UNSURE, VERDICT_WAIT_UNSURE},
    {410, VERDICT_HOLD,        VERDICT_HOLD       },
    {412, VERDICT_LOOK_UP,     VERDICT_LOOK_UP    },
    {413, VERDICT_HOLD,        VERDICT_HOLD       },
    {415, VERDICT_PAUSE,       VERDICT_PAUSE      },
    {418, VERDICT_HOLD,        VERDICT_HOLD       },
    {422, VERDICT_HOLD,        VERDICT_HOLD       },
    {429, VERDICT_WAIT,        VERDICT_WAIT       },
    {500, VERDICT_WAIT_UNSURE, VERDICT_WAIT_UNSURE},
    {503, VERDICT_WAIT_UNSURE, VERDICT_WAIT_UNSURE},
    {599, VERDICT_WAIT_UNSURE, VERDICT_WAIT_UNSURE},
    {0,   VERDICT_WAIT_UNSURE, VERDICT_WAIT_UNSURE},
    {-1,  VERDICT_WAIT_UNSURE, VERDICT_WAIT_UNSURE},
    {999, VERDICT_WAIT_UNSURE, VERDICT_WAIT_UNSURE},
};

static void test_answers(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof(verdicts) / sizeof(verdicts[0]); i++) {
        assert_int_equal(answer_judge(verdicts[i].status)->alone, verdicts[i].alone);
        assert_int_equal(answer_judge(verdicts[i].status)->in_bundle, verdicts[i].in_bundle);
        assert_true(strlen(answer_judge(verdicts[i].status)->reason) > 0);
    }
}

static const struct {
    unsigned failures;
    uint32_t chance;
    int64_t after, least, most;
} waits[] = {
    {0,    0,              0,    0,      0     }, /* full jitter: down to nothing */
    {0,    UINT32_MAX,     0,    2000,   2000  },
    {1,    UINT32_MAX,     0,    4000,   4000  },
    {3,    UINT32_MAX,     0,    16000,  16000 },
    {3,    UINT32_MAX / 2, 0,    7990,   8010  },
    {20,   UINT32_MAX,     0,    300000, 300000}, /* never more than the longest */
    {4000, UINT32_MAX,     0,    300000, 300000},
    {0,    0,              9000, 9000,   9000  }, /* Retry-After is the least */
};

static void test_backoff(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof(waits) / sizeof(waits[0]); i++)
        assert_in_range(backoff_ms(&options, waits[i].failures, waits[i].chance, waits[i].after),
                        waits[i].least, waits[i].most);
}

#define NOV_6_1994                                                                         \
    784111777000 /* RFC 9110 5.6.7: Sun, 06 Nov 1994 08:49:37 GMT; checked with date -u -d \
                    @784111777 */

static const struct {
    const char *value;
    int64_t now, ms;
} retry_afters[] = {
    {"120",                            0,                  120000  },
    {"0",                              0,                  0       },
    {"",                               0,                  0       },
    {"soon",                           0,                  0       },
    {"12x",                            0,                  0       },
    {"99999999999",                    0,                  86400000}, /* at most a day */
    {"Sun, 06 Nov 1994 08:49:37 GMT",  NOV_6_1994 - 37000, 37000   },
    {"Sun, 06 Nov 1994 08:49:37 GMT",  NOV_6_1994 + 1000,  0       }, /* past */
    {"Sunday, 06-Nov-94 08:49:37 GMT", 0,                  0       },
    {"Sun, 06 Nix 1994 08:49:37 GMT",  0,                  0       },
    {"Sun, 06 Nov 1994 28:49:37 GMT",  0,                  0       },
    {"Sun, 06 Nov 1994 08:49:37 CET",  0,                  0       },
    {"Sun, X6 Nov 1994 08:49:37 GMT",  0,                  0       },
    {"Sun, 06 Nov 1994 08:4X:37 GMT",  0,                  0       },
    {"Sun, 06 Nov 2094 08:49:37 GMT",  NOV_6_1994,         86400000}, /* a clock that is wrong */
};

static void test_retry_after(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof(retry_afters) / sizeof(retry_afters[0]); i++)
        assert_int_equal(retry_after_ms(retry_afters[i].value, retry_afters[i].now),
                         retry_afters[i].ms);
    assert_int_equal(retry_after_ms(NULL, 0), 0);
}

static void test_a_fresh_one_is_sent(void **state)
{
    struct delivery delivery = {.way = WAY_CONDITIONAL_CREATE};
    struct event event = {.type = EVENT_CLAIMED, .now_ms = 1000};

    (void)state;
    assert_int_equal(courier_step(&delivery, &options, &event).type, DEED_SEND);
    delivery.way = WAY_SEARCH_FIRST;
    assert_int_equal(courier_step(&delivery, &options, &event).type, DEED_LOOK_UP);
    delivery.update = true; /* a new version of what is there: there is nothing to look for */
    assert_int_equal(courier_step(&delivery, &options, &event).type, DEED_SEND);
}

static void test_an_ambiguous_one_waits_then_looks(void **state)
{
    static const enum courier_way ways[] = {WAY_UPDATE_AS_CREATE, WAY_CONDITIONAL_CREATE,
                                            WAY_SEARCH_FIRST};

    (void)state;
    for (size_t i = 0; i < 3; i++) {
        struct delivery delivery = {.ambiguous = true, .sent_ms = 100000, .way = ways[i]};
        struct event event = {.type = EVENT_CLAIMED, .now_ms = 129999};
        struct deed deed = courier_step(&delivery, &options, &event);

        assert_int_equal(deed.type, DEED_WAIT);
        assert_int_equal(deed.due_ms,
                         130000); /* at least the request's time-out after it was sent */
        assert_true(deed.ambiguous && deed.not_sent);
        event.now_ms = 130000;
        assert_int_equal(courier_step(&delivery, &options, &event).type, DEED_LOOK_UP);
    }
}

static void test_what_a_look_up_means(void **state)
{
    struct delivery delivery = {.ambiguous = true, .way = WAY_SEARCH_FIRST};
    struct delivery update = {.update = true, .way = WAY_UPDATE_AS_CREATE};
    struct event found = {.type = EVENT_FOUND}, none = {.type = EVENT_NOT_FOUND},
                 cannot = {.type = EVENT_CANNOT_LOOK};

    (void)state;
    assert_int_equal(courier_step(&delivery, &options, &found).type, DEED_CHARTED);
    assert_int_equal(courier_step(&delivery, &options, &none).type, DEED_SEND);
    assert_int_equal(courier_step(&delivery, &options, &cannot).type,
                     DEED_HOLD); /* never blindly */
    delivery.way = WAY_UPDATE_AS_CREATE;
    assert_int_equal(courier_step(&delivery, &options, &cannot).type,
                     DEED_SEND); /* PUT may be repeated */
    assert_int_equal(courier_step(&update, &options, &found).type, DEED_SEND);
    assert_int_equal(courier_step(&update, &options, &none).type,
                     DEED_HOLD); /* it was deleted there */
    delivery.accepted = true;
    assert_int_equal(courier_step(&delivery, &options, &none).type, DEED_CHARTED); /* 202 */
    assert_int_equal(courier_step(&delivery, &options, &cannot).type, DEED_CHARTED);
}

static struct deed answer(struct delivery *delivery, long status)
{
    struct event event = {.type = EVENT_ANSWER,
                          .now_ms = 1000,
                          .http_status = status,
                          .chance = UINT32_MAX,
                          .has_location = true};

    return courier_step(delivery, &options, &event);
}

static void test_lost_and_not_sent(void **state)
{
    struct delivery delivery = {.way = WAY_UPDATE_AS_CREATE};
    struct event lost = {.type = EVENT_LOST, .now_ms = 5000},
                 not_sent = {.type = EVENT_NOT_SENT, .now_ms = 5000};
    struct deed deed = courier_step(&delivery, &options, &lost);

    (void)state;
    assert_int_equal(deed.type, DEED_WAIT);
    assert_true(deed.ambiguous && !deed.not_sent);
    assert_int_equal(deed.due_ms, 35000);
    deed = courier_step(&delivery, &options, &not_sent);
    assert_int_equal(deed.type, DEED_WAIT);
    assert_true(!deed.ambiguous && deed.not_sent);
    assert_int_equal(deed.due_ms, 5000); /* the destination waits, not the reading */
    delivery.ambiguous = true;           /* what was ambiguous before stays so */
    assert_true(courier_step(&delivery, &options, &not_sent).ambiguous);
}

static void test_server_errors_hold_one_alone(void **state)
{
    struct delivery delivery = {.way = WAY_UPDATE_AS_CREATE};

    (void)state;
    for (unsigned i = 0; i < 20; i++) {
        struct deed deed = answer(&delivery, 500);

        assert_int_equal(deed.type,
                         DEED_WAIT); /* as long as nothing else succeeds it is the server */
        assert_true(deed.ambiguous);
        assert_true(deed.due_ms >= 1000 + options.request_timeout_ms);
    }
    delivery =
        (struct delivery){.way = WAY_UPDATE_AS_CREATE, .others_succeed = true, .server_errors = 3};
    assert_int_equal(answer(&delivery, 500).type, DEED_WAIT);
    assert_int_equal(answer(&delivery, 503).type, DEED_HOLD); /* the fifth */
}

static void test_ways(void **state)
{
    struct abilities abilities = {.update_create = true, .conditional_create = true};
    struct delivery delivery = {.way = WAY_UPDATE_AS_CREATE};

    (void)state;
    assert_int_equal(way_choose(WAY_BY_ABILITY, &abilities), WAY_UPDATE_AS_CREATE);
    abilities.update_create = false;
    assert_int_equal(way_choose(WAY_BY_ABILITY, &abilities), WAY_CONDITIONAL_CREATE);
    abilities.conditional_create = false;
    assert_int_equal(way_choose(WAY_BY_ABILITY, &abilities), WAY_SEARCH_FIRST);
    assert_int_equal(way_choose(WAY_UPDATE_AS_CREATE, &abilities),
                     WAY_UPDATE_AS_CREATE); /* a setting forces it */
    assert_int_equal(answer(&delivery, 405).type, DEED_SEND_NEXT_WAY);
    assert_int_equal(delivery.way, WAY_CONDITIONAL_CREATE);
    assert_int_equal(answer(&delivery, 400).type, DEED_SEND_NEXT_WAY);
    assert_int_equal(delivery.way, WAY_SEARCH_FIRST);
    assert_int_equal(answer(&delivery, 400).type, DEED_HOLD);
    delivery = (struct delivery){.way = WAY_UPDATE_AS_CREATE, .update = true};
    assert_int_equal(answer(&delivery, 400).type, DEED_HOLD); /* an update has no other way */
    for (int way = WAY_BY_ABILITY; way <= WAY_SEARCH_FIRST; way++)
        assert_int_equal(strlen(way_text((enum courier_way)way)) > 0, way != WAY_BY_ABILITY);
}

/* of the setting courier.way, deploy/wardpost.conf */
static const struct {
    const char *word;
    enum courier_way way;
} named[] = {
    {"update-as-create",   WAY_UPDATE_AS_CREATE  },
    {"conditional-create", WAY_CONDITIONAL_CREATE},
    {"search-first",       WAY_SEARCH_FIRST      },
    {"auto",               WAY_BY_ABILITY        },
    {"",                   WAY_BY_ABILITY        },
};

static void test_ways_have_names(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof(named) / sizeof(named[0]); i++)
        assert_int_equal(way_named(named[i].word), named[i].way);
}

static void test_there_already(void **state)
{
    struct delivery delivery = {.way = WAY_CONDITIONAL_CREATE};
    struct event duplicate = {.type = EVENT_ANSWER, .http_status = 422, .duplicate = true};

    (void)state;
    assert_int_equal(courier_step(&delivery, &options, &duplicate).type, DEED_LOOK_UP);
    assert_int_equal(answer(&delivery, 412).type, DEED_LOOK_UP);
    assert_int_equal(answer(&delivery, 412).type,
                     DEED_HOLD); /* it says so, and it is never found */
    delivery = (struct delivery){.way = WAY_CONDITIONAL_CREATE};
    duplicate = (struct event){.type = EVENT_ANSWER, .http_status = 200};
    assert_int_equal(courier_step(&delivery, &options, &duplicate).type,
                     DEED_LOOK_UP); /* 200 without a Location */
    assert_int_equal(answer(&delivery, 201).type, DEED_CHARTED);
}

/* A correction of what is charted, read back: after a lost answer, or a version that does not fit.
 */
static const struct {
    struct delivery delivery;
    struct event event;
    enum deed_type type;
} read_backs[] = {
    {{.update = true, .corrected = true},
     {.type = EVENT_FOUND, .same = true, .changed = true},
     DEED_CHARTED                                                                                                    },
    {{.update = true, .corrected = true},                    {.type = EVENT_FOUND},                      DEED_SEND   },
    {{.update = true, .corrected = true},                    {.type = EVENT_FOUND, .changed = true},     DEED_HOLD   },
    {{.update = true, .corrected = true, .released = true},
     {.type = EVENT_FOUND, .changed = true},
     DEED_SEND                                                                                                       },
    {{.update = true, .corrected = true, .accepted = true},
     {.type = EVENT_FOUND, .changed = true},
     DEED_CHARTED                                                                                                    },
    {{.update = true, .corrected = true},                    {.type = EVENT_NOT_FOUND},                  DEED_HOLD   },
    {{.update = true},                                       {.type = EVENT_FOUND, .changed = true},     DEED_SEND   }, /* a panel */
    {{.corrected = true},                                    {.type = EVENT_FOUND, .changed = true},     DEED_LOOK_UP}, /* a create */
    {{.update = true, .corrected = true},                    {.type = EVENT_ANSWER, .http_status = 404}, DEED_LOOK_UP},
    {{.update = true, .corrected = true},                    {.type = EVENT_ANSWER, .http_status = 412}, DEED_LOOK_UP},
    {{.update = true, .corrected = true, .ambiguous = true},
     {.type = EVENT_CLAIMED, .now_ms = 1000000},
     DEED_LOOK_UP                                                                                                    },
};

static void test_what_reading_back_means(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof(read_backs) / sizeof(read_backs[0]); i++) {
        struct delivery delivery = read_backs[i].delivery;

        delivery.way = WAY_CONDITIONAL_CREATE;
        assert_int_equal(courier_step(&delivery, &options, &read_backs[i].event).type,
                         read_backs[i].type);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_answers),
        cmocka_unit_test(test_backoff),
        cmocka_unit_test(test_retry_after),
        cmocka_unit_test(test_a_fresh_one_is_sent),
        cmocka_unit_test(test_an_ambiguous_one_waits_then_looks),
        cmocka_unit_test(test_what_a_look_up_means),
        cmocka_unit_test(test_lost_and_not_sent),
        cmocka_unit_test(test_server_errors_hold_one_alone),
        cmocka_unit_test(test_ways),
        cmocka_unit_test(test_ways_have_names),
        cmocka_unit_test(test_there_already),
        cmocka_unit_test(test_what_reading_back_means),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
