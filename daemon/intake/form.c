/* form.c - the few fields that the routes of sessions and accounts take: one table for all. */
#include <sodium.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "intake/intake_private.h"
#include "intake/shape.h"
#include "wardpost/problem.h"

#define PIN_SENT_MOST 64 /* what is longer is no PIN; a shorter wrong one is only wrong */

static const struct form_row {
    const char *name;
    enum form_field field;
    size_t most; /* characters */
    size_t offset;
} rows[] = {
    {"name",         FORM_NAME,         USER_NAME_ROOM - 1,    offsetof(struct form, name)        },
    {"pin",          FORM_PIN,          PIN_SENT_MOST,         offsetof(struct form, pin)         },
    {"fresh",        FORM_FRESH,        PIN_SENT_MOST,         offsetof(struct form, fresh)       },
    {"code",         FORM_CODE,         PIN_SENT_MOST,         offsetof(struct form, code)        },
    {"practitioner", FORM_PRACTITIONER, PRACTITIONER_ROOM - 1, offsetof(struct form, practitioner)},
    {"display",      FORM_DISPLAY,      USER_DISPLAY_ROOM - 1, offsetof(struct form, display)     },
    {"role",         FORM_ROLE,         USER_NAME_ROOM - 1,    offsetof(struct form, role)        },
};

#define ROWS     (sizeof(rows) / sizeof(rows[0]))
#define DISABLED "disabled"

static const char **place_of(struct form *form, const struct form_row *row)
{
    return (const char **)(void *)((char *)form + row->offset);
}

/* In bytes, for that is what an account has room for. */
static const char *text_of(const struct spot *spot, const struct form_row *row, bool required)
{
    const char *text = spot_line(spot, row->name, row->most, required);

    if (!text || strlen(text) <= row->most)
        return text;
    spot_problem(spot, row->name, PROBLEM_TOO_LONG, "at most %zu bytes", row->most);
    return NULL;
}

static void read_fields(struct form *form, unsigned required, unsigned optional,
                        struct problems *problems)
{
    const struct spot spot = {form->json, "", problems};
    const char *names[ROWS + 1];
    size_t count = 0;

    for (size_t i = 0; i < ROWS; i++) {
        if (!((required | optional) & rows[i].field))
            continue;
        names[count++] = rows[i].name;
        *place_of(form, &rows[i]) = text_of(&spot, &rows[i], required & rows[i].field);
    }
    if ((required | optional) & FORM_DISABLED) {
        names[count++] = DISABLED;
        form->has_disabled = spot_has(&spot, DISABLED);
        form->disabled = spot_bool(&spot, DISABLED, false);
    }
    spot_no_strangers(&spot, names, count);
}

bool form_read(struct exchange *exchange, unsigned required, unsigned optional)
{
    struct problems problems = PROBLEMS_INIT;
    struct json_fault fault = {0};
    struct form *form = exchange->form = calloc(1, sizeof(*form));
    enum status status =
        form ? json_in(exchange->body.bytes, exchange->body.length, &form->json, &fault)
             : STATUS_NO_MEMORY;

    if (status == STATUS_INVALID)
        problem_add_fault(&problems, &fault);
    else if (status == STATUS_OK)
        read_fields(form, required, optional, &problems);
    if (exchange->body.length > 0)
        sodium_memzero(exchange->body.bytes, exchange->body.length);
    if (problems.no_memory)
        status = STATUS_NO_MEMORY;
    if (problems.count > 0)
        reply_problem(exchange, status == STATUS_INVALID ? 400 : 422, "cannot be taken",
                      "Nothing was changed.", &problems);
    else if (status != STATUS_OK)
        reply_status(exchange, status);
    problems_clear(&problems);
    return !exchange->answered;
}

void form_refuse(struct exchange *exchange, const char *field, enum problem_code code,
                 const char *detail)
{
    struct problems problems = PROBLEMS_INIT;
    char pointer[40];

    pointer_join(pointer, sizeof(pointer), "", field);
    problem_add(&problems, code, pointer, "%s", detail);
    reply_problem(exchange, 422, "cannot be taken", "Nothing was changed.", &problems);
    problems_clear(&problems);
}

static void put(const char *text, char *out, size_t room)
{
    if (text)
        (void)snprintf(out, room, "%s", text); /* it fits: form_read() */
}

void form_person(const struct form *form, struct user *user)
{
    put(form->name, user->name, sizeof(user->name));
    put(form->practitioner, user->practitioner, sizeof(user->practitioner));
    put(form->display, user->display, sizeof(user->display));
}

/* jansson gives the bytes back as they are, so what is secret is wiped before. */
static void wipe(const char *text)
{
    union {
        const char *in;
        char *out;
    } both = {text};

    if (text)
        sodium_memzero(both.out, strlen(text));
}

void form_free(struct form *form)
{
    if (!form)
        return;
    wipe(form->pin);
    wipe(form->fresh);
    wipe(form->code);
    json_decref(form->json);
    free(form);
}
