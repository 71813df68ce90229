/* session.c - /v1/session: signing in and out, the lock, a PIN of one's own, the first
 * administrator. What takes a PIN is done at the desk. */
#include <string.h>

#include "intake/intake_private.h"
#include "wardpost/log.h"
#include "wardpost/moment.h"

static const struct denial wrong = {401, "wrong", "name or PIN is wrong", "Nothing was opened."},
                           must_wait = {429, "wait", "too many wrong PINs",
                                        "Wait as long as Retry-After says."},
                           disabled = {403, "disabled", "this account is shut",
                                       "An administrator has shut it."},
                           no_code = {401, "wrong", "not the code",
                                      "The code is the one printed at the last start."},
                           others_pin = {403, "must-change", "the PIN must be changed",
                                         "Somebody else chose it; sign in and choose another."};

/* ---- the document of a session ---- */

static void person_out(const struct user *user, struct json_out *out)
{
    const char *word;
    enum right right;

    out_object(out);
    out_member(out, "name", user->name);
    out_member(out, "display", user->display);
    out_member(out, "practitioner", user->practitioner);
    out_member(out, "role", role_word(user->role));
    out_name(out, "may");
    out_array(out);
    for (size_t i = 0; (word = right_word(i, &right)); i++)
        if (role_rights(user->role) & (unsigned)right)
            out_text(out, word);
    out_array_end(out);
    out_object_end(out);
}

static void reply_session(struct exchange *exchange)
{
    const struct settings *settings = exchange->intake->parts.settings;
    struct moment ends = {clock_wall_ms() + exchange->session.ends_in_ms, 0};
    struct json_out out = JSON_OUT_INIT;
    char text[MOMENT_TEXT_ROOM];

    ends.offset_minutes = clock_offset_minutes(ends.ms);
    moment_text(ends, text);
    out_object(&out);
    out_name(&out, "person");
    person_out(&exchange->person, &out);
    out_member(&out, "csrf", exchange->session.csrf);
    out_member_integer(&out, "idle-seconds", settings->idle_lock_ms / 1000);
    out_member(&out, "ends", text);
    out_member_bool(&out, "must-change", exchange->person.must_change);
    out_object_end(&out);
    reply_json(exchange, 200, &out);
}

/* The session as it is after what was done with it. */
static void reply_as_it_is(struct exchange *exchange, const char *id)
{
    struct intake *intake = exchange->intake;

    if (sessions_judge(intake->sessions, intake->parts.users, id, true, clock_monotonic_ms(),
                       &exchange->session, &exchange->person) == SESSION_OPEN)
        reply_session(exchange);
    else
        refuse_session(exchange);
}

/* ---- at the desk ---- */

/* True: the right PIN of an open account. Otherwise the reply is there. */
static bool is_let_in(struct exchange *exchange, enum status status, const struct signed_in *answer)
{
    static const struct denial *const denials[] = {
        [SIGN_IN_WRONG] = &wrong, [SIGN_IN_LOCKED] = &must_wait, [SIGN_IN_DISABLED] = &disabled};

    if (status != STATUS_OK) {
        reply_status(exchange, status);
        return false;
    }
    if (answer->result == SIGN_IN_OK)
        return true;
    reply_denial(exchange, denials[answer->result], NULL);
    exchange->reply.retry_after = answer->wait_s;
    return false;
}

/* Whoever sat at this browser before is signed out by it: a shared tablet changes hands. */
static void open_session(struct exchange *exchange, const struct user *user)
{
    struct sessions *sessions = exchange->intake->sessions;
    char id[SESSION_TEXT_ROOM];

    if (exchange->cookie[0])
        sessions_end(sessions, exchange->cookie);
    sessions_open(sessions, user, clock_monotonic_ms(), id);
    reply_as_it_is(exchange, id);
    if (exchange->reply.status == 200)
        reply_cookie(exchange, id);
}

static void sign_in(struct exchange *exchange)
{
    const struct form *form = exchange->form;
    struct signed_in answer;
    enum status status = users_sign_in(exchange->intake->parts.users, form->name, form->pin,
                                       clock_monotonic_ms(), &answer);

    if (is_let_in(exchange, status, &answer))
        open_session(exchange, &answer.user);
}

static void unlock(struct exchange *exchange)
{
    struct intake *intake = exchange->intake;
    struct signed_in answer;
    enum status status = users_sign_in(intake->parts.users, exchange->person.name,
                                       exchange->form->pin, clock_monotonic_ms(), &answer);

    if (!is_let_in(exchange, status, &answer))
        return;
    (void)sessions_unlock(intake->sessions, exchange->cookie, &answer.user, clock_monotonic_ms());
    reply_as_it_is(exchange, exchange->cookie);
}

/* All other sessions of the account end with the PIN they were opened with. */
static void change_pin(struct exchange *exchange)
{
    struct intake *intake = exchange->intake;
    struct signed_in answer;
    char why[200];
    enum status status =
        users_change_pin(intake->parts.users, exchange->person.name, exchange->form->pin,
                         exchange->form->fresh, clock_monotonic_ms(), &answer, why);

    if (status == STATUS_INVALID) {
        form_refuse(exchange, "fresh", PROBLEM_NOT_ALLOWED, why);
        return;
    }
    if (!is_let_in(exchange, status, &answer))
        return;
    (void)sessions_unlock(intake->sessions, exchange->cookie, &answer.user, clock_monotonic_ms());
    log_line(LOG_LEVEL_INFO, "somebody changed their PIN");
    reply_as_it_is(exchange, exchange->cookie);
}

static void vouch(struct exchange *exchange)
{
    const struct form *form = exchange->form;
    struct signed_in answer;
    struct json_out out = JSON_OUT_INIT;
    enum status status = users_sign_in(exchange->intake->parts.users, form->name, form->pin,
                                       clock_monotonic_ms(), &answer);

    if (!is_let_in(exchange, status, &answer))
        return;
    if (strcmp(answer.user.practitioner, exchange->person.practitioner) == 0) {
        form_refuse(exchange, "name", PROBLEM_NOT_ALLOWED, "the second person is another one");
        return;
    }
    if (answer.user.must_change) {
        reply_denial(exchange, &others_pin, NULL);
        return;
    }
    sessions_vouch(exchange->intake->sessions, exchange->cookie, &answer.user,
                   clock_monotonic_ms());
    out_object(&out);
    out_member(&out, "practitioner", answer.user.practitioner);
    out_member(&out, "display", answer.user.display);
    out_object_end(&out);
    reply_json(exchange, 200, &out);
}

static void enrol(struct exchange *exchange)
{
    struct users *users = exchange->intake->parts.users;
    const struct form *form = exchange->form;
    struct user first = {.role = ROLE_ADMINISTRATOR};
    char why[200];
    enum status status;

    form_person(form, &first);
    status = users_enrol(users, form->code, &first, form->pin, clock_monotonic_ms(), why);
    if (status == STATUS_NOT_FOUND)
        reply_denial(exchange, &no_code, NULL);
    else if (status == STATUS_INVALID)
        form_refuse(exchange, user_fault(&first) ? user_fault(&first) : "pin", PROBLEM_NOT_ALLOWED,
                    why);
    else if (status != STATUS_OK)
        reply_status(exchange, status);
    else if (users_find(users, first.name, clock_monotonic_ms(), &first)) {
        log_line(LOG_LEVEL_INFO, "the first administrator is enrolled");
        open_session(exchange, &first);
    }
}

/* ---- the routes ---- */

void answer_session(struct exchange *exchange)
{
    if (caller_session(exchange, false) == SESSION_OPEN)
        reply_session(exchange);
    else
        refuse_session(exchange);
}

/* No csrf token: the page may have been loaded with the cookie of somebody else, or of a session
 * that is gone. That it is a page of ours, Origin and Content-Type say. */
void take_sign_in(struct exchange *exchange)
{
    (void)caller_session(exchange, false);
    if (form_read(exchange, FORM_NAME | FORM_PIN, 0))
        desk_take(exchange, sign_in);
}

void take_enrol(struct exchange *exchange)
{
    (void)caller_session(exchange, false);
    if (form_read(exchange, FORM_CODE | FORM_NAME | FORM_PRACTITIONER | FORM_DISPLAY | FORM_PIN, 0))
        desk_take(exchange, enrol);
}

/* No csrf token, as above: a page that was loaded anew while locked has none. */
void take_session_unlock(struct exchange *exchange)
{
    if (caller_session(exchange, false) == SESSION_NONE)
        refuse_session(exchange);
    else if (form_read(exchange, FORM_PIN, 0))
        desk_take(exchange, unlock);
}

/* Nor here: whoever leaves may always leave. */
void take_session_end(struct exchange *exchange)
{
    if (caller_session(exchange, false) != SESSION_NONE)
        sessions_end(exchange->intake->sessions, exchange->cookie);
    reply_cookie(exchange, "");
    reply_empty(exchange);
}

void take_session_lock(struct exchange *exchange)
{
    if (caller_session(exchange, false) == SESSION_LOCKED) {
        reply_empty(exchange);
    } else if (caller_is_present(exchange)) {
        sessions_lock(exchange->intake->sessions, exchange->cookie);
        reply_empty(exchange);
    }
}

void take_session_pin(struct exchange *exchange)
{
    (void)caller_session(exchange, true);
    if (caller_is_present(exchange) && form_read(exchange, FORM_PIN | FORM_FRESH, 0))
        desk_take(exchange, change_pin);
}

/* Of people only: a token has nobody beside it to be seconded. */
void take_session_second(struct exchange *exchange)
{
    if (exchange->session.state != SESSION_OPEN)
        refuse_session(exchange);
    else if (form_read(exchange, FORM_NAME | FORM_PIN, 0))
        desk_take(exchange, vouch);
}
