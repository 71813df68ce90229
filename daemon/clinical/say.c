/* say.c - the text of a check with the values in it: {path}, {path/10}, {path*10}, {path~U:V}. The loader has checked the paths. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "clinical/judge.h"

struct text {
    char *out;
    size_t used, room;
};

static void add(struct text *text, const char *bytes, size_t length)
{
    if (length > text->room - 1 - text->used)
        length = text->room - 1 - text->used;
    memcpy(text->out + text->used, bytes, length);
    text->used += length;
    text->out[text->used] = '\0';
}

static void add_quantity(struct text *text, struct decimal value, const struct unit *unit)
{
    char digits[DECIMAL_TEXT_ROOM];
    size_t length = decimal_text(value, digits);

    add(text, digits, length);
    if (!unit)
        return;
    add(text, " ", 1);
    add(text, unit->text, strlen(unit->text));
}

static bool find_path(const struct scope *scope, const struct check *check, const char *name, size_t length, struct path *out)
{
    const struct kind *kind = check->kind;
    char room[120];
    const char *at = room, *dot;
    const struct part *part;
    const struct field *field;

    if (length >= sizeof(room))
        return false;
    memcpy(room, name, length);
    room[length] = '\0';
    *out = (struct path){.last = strncmp(at, "last.", 5) == 0};
    if (out->last)
        at += 5;
    if (!kind && (dot = strchr(at, '.'))) {
        char first[80];

        snprintf(first, sizeof(first), "%.*s", (int)(dot - at), at);
        kind = kinds_find(scope->judging->set->kinds, first);
        at = dot + 1;
    }
    out->kind = kind;
    part = kind ? kind_part(kind, at) : NULL;
    field = kind && !part ? kind_field(kind, at) : NULL;
    out->is_field = field != NULL;
    if (part)
        out->index = (size_t)(part - kind->parts);
    else if (field)
        out->index = (size_t)(field - kind->fields);
    return part || field;
}

/* {path/10}, {path*100}: the digits moved. */
static void add_moved(struct text *text, struct decimal value, const struct unit *unit, const char *how)
{
    struct exact exact = exact_of(value), factor = {strtol(how + 1, NULL, 10), 1};
    struct decimal moved;
    unsigned places = value.scale;
    bool good = *how == '*' ? exact_times(exact, factor, &exact) : exact_over(exact, factor, &exact);

    if (*how == '/')
        places += factor.over >= 100 ? 2 : 1;
    if (good && exact_round(exact, places > DECIMAL_PLACES_MOST ? DECIMAL_PLACES_MOST : places, ROUND_HALF_EVEN, &moved))
        add_quantity(text, moved, unit);
}

/* {path~U:V}: the digits as if entered in U, in V. */
static void add_as_if(struct text *text, const struct kinds *kinds, struct decimal value, const char *how, const char *end)
{
    char from[40], to[40];
    const char *colon = memchr(how, ':', (size_t)(end - how));
    const struct unit *u, *v;
    struct decimal converted;

    if (!colon)
        return;
    snprintf(from, sizeof(from), "%.*s", (int)(colon - how - 1), how + 1);
    snprintf(to, sizeof(to), "%.*s", (int)(end - colon - 1), colon + 1);
    u = kinds_unit(kinds, from);
    v = kinds_unit(kinds, to);
    if (u && v && unit_convert(kinds, value, u, v, &converted))
        add_quantity(text, converted, v);
}

static void add_hole(const struct scope *scope, const struct check *check, struct text *text, const char *hole, const char *end)
{
    size_t name = strcspn(hole, "/*~}");
    const struct unit *unit = NULL;
    const struct word *word;
    struct decimal value;
    struct path path;

    if (!find_path(scope, check, hole, name, &path))
        return;
    if (!scope_entered(scope, &path, &value, &unit)) {
        word = scope_word(scope, &path);
        if (word)
            add(text, word->text, strlen(word->text));
        return;
    }
    if (hole + name == end)
        add_quantity(text, value, unit);
    else if (hole[name] == '~')
        add_as_if(text, scope->judging->set->kinds, value, hole + name, end);
    else
        add_moved(text, value, unit, hole + name);
}

void say_text(const struct scope *scope, const struct check *check, char *out, size_t room)
{
    struct text text = {out, 0, room};
    const char *at = check->say;

    out[0] = '\0';
    while (*at) {
        size_t plain = strcspn(at, "{");
        const char *end;

        add(&text, at, plain);
        at += plain;
        if (!*at)
            break;
        end = strchr(at, '}');
        if (!end)
            break;
        add_hole(scope, check, &text, at + 1, end);
        at = end + 1;
    }
}
