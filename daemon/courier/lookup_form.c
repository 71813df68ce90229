/* lookup_form.c - a question as a form of FHIR search parameters (R4 search.html). */
#include <stdlib.h>
#include <string.h>

#include "courier/lookup.h"

struct form {
    char *text;
    size_t used, room;
};

/* Room for the worst case is made beforehand: a byte becomes at most %5C and itself, as %XX. */
static void add_plain(struct form *form, const char *text)
{
    const size_t length = strlen(text);

    memcpy(form->text + form->used, text, length);
    form->used += length;
}

static void add_byte(struct form *form, unsigned char byte)
{
    static const char plain[] =
        "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-._~";
    static const char digits[] = "0123456789ABCDEF";

    if (byte && strchr(plain, byte)) {
        form->text[form->used++] = (char)byte;
        return;
    }
    form->text[form->used++] = '%';
    form->text[form->used++] = digits[byte >> 4];
    form->text[form->used++] = digits[byte & 15];
}

/* search.html#escaping: these part values, and a backslash takes that from them. */
static void add_value(struct form *form, const char *text)
{
    for (; *text; text++) {
        if (strchr(",|$\\", *text))
            add_byte(form, '\\');
        add_byte(form, (unsigned char)*text);
    }
}

static size_t room_of(const char *text)
{
    return text ? 6 * strlen(text) + 32 : 0;
}

static void add_identifier(struct form *form, const struct patient_question *question)
{
    add_plain(form, "&identifier=");
    for (size_t i = 0; i < question->systems_count; i++) {
        if (i > 0)
            add_plain(form, "%2C");
        add_value(form, question->systems[i]);
        add_plain(form, "%7C");
        add_value(form, question->value);
    }
    if (question->systems_count == 0)
        add_value(form, question->value);
}

static void add_term(struct form *form, const char *name, const char *value)
{
    if (!value)
        return;
    add_plain(form, name);
    add_value(form, value);
}

char *lookup_form(const struct patient_question *question)
{
    struct form form = {.room = 64 + room_of(question->birth_date) + room_of(question->family) +
                                room_of(question->given) +
                                room_of(question->value) * (question->systems_count + 1)};

    for (size_t i = 0; i < question->systems_count; i++)
        form.room += room_of(question->systems[i]);
    form.text = malloc(form.room);
    if (!form.text)
        return NULL;
    add_plain(&form, "_count=50");
    if (question->value)
        add_identifier(&form, question);
    add_term(&form, "&birthdate=", question->birth_date);
    add_term(&form, "&family=", question->family);
    add_term(&form, "&given=", question->given);
    form.text[form.used] = '\0';
    return form.text;
}
