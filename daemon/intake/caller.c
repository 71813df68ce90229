/* caller.c - who is asking: a token, a session whose cookie a browser keeps, or in --demo nobody in
 * particular.
 *
 * A token stands over a cookie: no page elsewhere can make a browser send one. What a browser sends
 * by itself, the cookie, is taken for a POST only with the csrf token that a page of ours was given
 * (and with the Origin that exchange.c looks at). */
#include <sodium.h>
#include <stdio.h>
#include <string.h>

#include "intake/exchange.h"
#include "wardpost/metrics.h"
#include "wardpost/moment.h"

/* ---- denials ---- */

static const struct denial locked = {401, "locked", "locked",
                                     "Nothing was done for a while; give the PIN again."},
                           none = {401, "none", "nobody is signed in", "Sign in."},
                           no_csrf = {403, "csrf", "not from a page of ours",
                                      "Wardpost-Csrf is not the token of this session."},
                           must_change = {403, "must-change", "the PIN must be changed",
                                          "Somebody else chose it; choose one of your own first."},
                           no_right = {403, "right", "not allowed",
                                       "This role does not have that right."};

static bool refuse(struct exchange *exchange, const struct denial *denial)
{
    reply_denial(exchange, denial, denial == &locked ? &exchange->person : NULL);
    return false;
}

static bool refuse_token(struct exchange *exchange, bool known)
{
    metric_add(METRIC_REQUESTS_DENIED, 1);
    if (known) {
        reply_problem(exchange, 403, "not allowed", "This token was not given that right.", NULL);
        return false;
    }
    exchange->reply.authenticate = authenticate_text;
    reply_problem(exchange, 401, "who is asking",
                  "Send the token of an enrolled device: Authorization: Bearer ... (a person signs "
                  "in).",
                  NULL);
    return false;
}

void refuse_session(struct exchange *exchange)
{
    bool is_locked = exchange->session.state == SESSION_LOCKED;

    if (!is_locked && exchange->cookie[0])
        reply_cookie(exchange, "");
    (void)refuse(exchange, is_locked ? &locked : &none);
}

void refuse_right(struct exchange *exchange)
{
    (void)refuse(exchange, &no_right);
}

/* ---- the cookie ---- */

/* With the prefix a browser takes it only from an encrypted answer of this very host. */
static const char *cookie_name(const struct intake *intake)
{
    return intake->tls ? "__Host-wardpost" : "wardpost";
}

void reply_cookie(struct exchange *exchange, const char *id)
{
    (void)snprintf(exchange->reply.cookie, sizeof(exchange->reply.cookie),
                   "%s=%s; Path=/; HttpOnly; SameSite=Strict%s%s", cookie_name(exchange->intake),
                   id, exchange->intake->tls ? "; Secure" : "", id[0] ? "" : "; Max-Age=0");
}

static bool read_cookie(struct exchange *exchange)
{
    const char *sent = MHD_lookup_connection_value(exchange->connection, MHD_COOKIE_KIND,
                                                   cookie_name(exchange->intake));

    if (!sent)
        return false;
    (void)snprintf(exchange->cookie, sizeof(exchange->cookie), "%s",
                   strlen(sent) == SESSION_TEXT_ROOM - 1 ? sent : "?");
    return true;
}

/* ---- sessions ---- */

enum session_state caller_session(struct exchange *exchange, bool active)
{
    struct intake *intake = exchange->intake;

    if (!read_cookie(exchange))
        return SESSION_NONE;
    return sessions_judge(intake->sessions, intake->parts.users, exchange->cookie, active,
                          clock_monotonic_ms(), &exchange->session, &exchange->person);
}

static bool csrf_fits(struct exchange *exchange)
{
    const char *sent = exchange_header(exchange, "Wardpost-Csrf");

    return sent && strlen(sent) == SESSION_TEXT_ROOM - 1 &&
           sodium_memcmp(sent, exchange->session.csrf, SESSION_TEXT_ROOM - 1) == 0;
}

bool caller_is_present(struct exchange *exchange)
{
    if (exchange->session.state != SESSION_OPEN) {
        refuse_session(exchange);
        return false;
    }
    if (strcmp(exchange->route->method, "POST") == 0 && !csrf_fits(exchange))
        return refuse(exchange, &no_csrf);
    return true;
}

/* Somebody with a session is a client with the rights of their role, who speaks for themselves. */
static struct client client_of(const struct user *user, const struct session *session)
{
    struct client client = {.rights = role_rights(user->role),
                            .attended = true,
                            .signed_in = true,
                            .practitioners_count = 1};

    (void)snprintf(client.name, sizeof(client.name), CLIENT_OF_USER "%s", user->name);
    memcpy(client.practitioners[0], user->practitioner, sizeof(client.practitioners[0]));
    memcpy(client.second, session->second, sizeof(client.second));
    return client;
}

/* What a page asks by itself does not show that somebody is there. */
static bool is_activity(const struct route *route)
{
    return strcmp(route->path, "/v1/events") != 0 && strcmp(route->path, "/v1/presence") != 0;
}

static bool look_at_session(struct exchange *exchange)
{
    (void)caller_session(exchange, is_activity(exchange->route));
    if (!caller_is_present(exchange))
        return false;
    if (exchange->person.must_change)
        return refuse(exchange, &must_change);
    exchange->client = client_of(&exchange->person, &exchange->session);
    return client_may(&exchange->client, exchange->route->right) || refuse(exchange, &no_right);
}

bool look_at_caller(struct exchange *exchange)
{
    const char *authorization = exchange_header(exchange, "Authorization");
    bool known;

    if (exchange->route->right == RIGHT_NONE)
        return true;
    if (!authorization && read_cookie(exchange))
        return look_at_session(exchange);
    known = access_caller(exchange->intake->parts.access, authorization, &exchange->client);
    if (known && client_may(&exchange->client, exchange->route->right))
        return true;
    return refuse_token(exchange, known);
}

bool exchange_may_still(const struct exchange *exchange)
{
    struct intake *intake = exchange->intake;
    struct session session;
    struct client client;
    struct user person;

    if (exchange->cookie[0])
        return sessions_judge(intake->sessions, intake->parts.users, exchange->cookie, false,
                              clock_monotonic_ms(), &session, &person) == SESSION_OPEN &&
               !person.must_change && (role_rights(person.role) & (unsigned)exchange->route->right);
    return access_caller(intake->parts.access, exchange_header(exchange, "Authorization"),
                         &client) &&
           client_may(&client, exchange->route->right);
}
