/* accounts.c - /v1/users: who has an account; a new one, a new PIN, another role, shut and open. */
#include <sodium.h>
#include <stdio.h>
#include <string.h>

#include "intake/intake_private.h"
#include "wardpost/log.h"
#include "wardpost/moment.h"

static void account_out(const struct user *user, struct json_out *out)
{
    out_object(out);
    out_member(out, "name", user->name);
    out_member(out, "display", user->display);
    out_member(out, "practitioner", user->practitioner);
    out_member(out, "role", role_word(user->role));
    out_member_bool(out, "disabled", user->disabled);
    out_member_bool(out, "must-change", user->must_change);
    out_object_end(out);
}

void answer_users(struct exchange *exchange)
{
    struct json_out out = JSON_OUT_INIT;
    struct user_list list;
    enum status status = users_all(exchange->intake->parts.users, clock_monotonic_ms(), &list);

    if (status != STATUS_OK) {
        reply_status(exchange, status);
        return;
    }
    out_object(&out);
    out_name(&out, "users");
    out_array(&out);
    for (size_t i = 0; i < list.count; i++)
        account_out(&list.items[i], &out);
    out_array_end(&out);
    out_object_end(&out);
    user_list_clear(&list);
    reply_json(exchange, 200, &out);
}

static void reply_pin(struct exchange *exchange, unsigned status, const char *pin)
{
    struct json_out out = JSON_OUT_INIT;

    out_object(&out);
    out_member(&out, "pin", pin);
    out_object_end(&out);
    reply_json(exchange, status, &out);
}

/* True: a role, or none was sent. Otherwise the reply is there. */
static bool read_role(struct exchange *exchange, enum role *role)
{
    const char *word = exchange->form->role;

    *role = word ? role_named(word) : ROLE_NONE;
    if (!word || *role != ROLE_NONE)
        return true;
    form_refuse(exchange, "role", PROBLEM_UNKNOWN_WORD,
                "one of assistant, nurse, lead, administrator");
    return false;
}

/* ---- a new account ---- */

static void add(struct exchange *exchange)
{
    const struct form *form = exchange->form;
    struct user user = {.role = role_named(form->role), .must_change = true};
    char pin[PIN_MADE_ROOM];
    enum status status;

    form_person(form, &user);
    status = users_add(exchange->intake->parts.users, &user, clock_monotonic_ms(), pin);
    if (status == STATUS_CONFLICT) {
        reply_problem(exchange, 409, "conflict", "There is an account of that name.", NULL);
    } else if (status != STATUS_OK) {
        reply_status(exchange, status);
    } else {
        log_line(LOG_LEVEL_INFO, "an account was added");
        reply_pin(exchange, 201, pin);
    }
    sodium_memzero(pin, sizeof(pin));
}

void take_users(struct exchange *exchange)
{
    struct user user = {0};
    const char *fault;

    if (!client_may(&exchange->client, RIGHT_ACCOUNTS)) {
        refuse_right(exchange);
        return;
    }
    if (!form_read(exchange, FORM_NAME | FORM_DISPLAY | FORM_PRACTITIONER | FORM_ROLE, 0) ||
        !read_role(exchange, &user.role))
        return;
    form_person(exchange->form, &user);
    if ((fault = user_fault(&user)))
        form_refuse(exchange, fault, PROBLEM_MALFORMED, "it has characters it cannot have");
    else
        desk_take(exchange, add);
}

/* ---- one that is there ---- */

static bool change_account(struct exchange *exchange, struct account_change *change,
                           struct account_changed *out)
{
    char why[200];
    enum status status;

    change->by = exchange->person.name;
    change->name = exchange->form->name;
    status = users_change(exchange->intake->parts.users, change, clock_monotonic_ms(), out, why);
    if (status == STATUS_INVALID)
        form_refuse(exchange, "name", PROBLEM_NOT_ALLOWED, why);
    else if (status != STATUS_OK)
        reply_status(exchange, status);
    return status == STATUS_OK;
}

static void reset(struct exchange *exchange)
{
    struct account_change change = {.new_pin = true};
    struct account_changed changed;

    if (change_account(exchange, &change, &changed)) {
        log_line(LOG_LEVEL_INFO, "somebody was given a new PIN");
        reply_pin(exchange, 200, changed.pin);
    }
    sodium_memzero(&changed, sizeof(changed));
}

void take_users_reset(struct exchange *exchange)
{
    if (form_read(exchange, FORM_NAME, 0))
        desk_take(exchange, reset);
}

static void change(struct exchange *exchange)
{
    const struct form *form = exchange->form;
    struct account_change change = {.role = form->role ? role_named(form->role) : ROLE_NONE,
                                    .shut = form->has_disabled && form->disabled,
                                    .open = form->has_disabled && !form->disabled};
    struct account_changed changed;
    struct json_out out = JSON_OUT_INIT;

    if (!change_account(exchange, &change, &changed))
        return;
    log_line(LOG_LEVEL_INFO, "an account was changed");
    account_out(&changed.user, &out);
    reply_json(exchange, 200, &out);
}

void take_users_change(struct exchange *exchange)
{
    enum role role;

    if (!client_may(&exchange->client, RIGHT_ACCOUNTS))
        refuse_right(exchange);
    else if (form_read(exchange, FORM_NAME, FORM_ROLE | FORM_DISABLED) &&
             read_role(exchange, &role))
        desk_take(exchange, change);
}
