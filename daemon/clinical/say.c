/* say.c - the text of a check or a limit with the values in it: {path}, {path/10}, {path*10},
 * {path~U:V} (mappings/README.md). The loader has seen to it that paths and units exist; a hole
 * whose value was not sent stays empty. Numbers, units and words of lists only: never what somebody
 * typed. */
#include <stdio.h>
#include <string.h>

#include "clinical/judge.h"

struct text {
    char *out;
    size_t used, room;
};

static bool is_inside_character(char byte)
{
    return ((unsigned char)byte & 0xC0) == 0x80; /* UTF-8: a byte that continues */
}

static void add(struct text *text, const char *bytes, size_t length)
{
    size_t left = text->room - 1 - text->used;

    if (length > left) {
        length = left;
        while (length > 0 && is_inside_character(bytes[length]))
            length--;
        text->room = text->used + length + 1; /* full: nothing shorter may follow */
    }
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

/* ---- what stands in a hole ---- */

struct hole {
    const char *path;
    size_t path_length;
    const char *how, *end; /* "/10", "*100", "~[degF]:Cel"; empty: as entered */
};

static bool copy(char *out, size_t room, const char *bytes, size_t length)
{
    if (length >= room)
        return false;
    memcpy(out, bytes, length);
    out[length] = '\0';
    return true;
}

/* Between kinds a path begins with its kind's name. */
static const struct kind *kind_named(const struct kinds *kinds, char *path, const char **rest)
{
    char *dot = strchr(path, '.');

    if (!dot)
        return NULL;
    *dot = '\0';
    *rest = dot + 1;
    return kinds_find(kinds, path);
}

static bool find_path(const struct scope *scope, const struct kind *kind, const struct hole *hole,
                      struct path *out)
{
    char room[120];
    const char *name = room;
    const struct part *part;
    const struct field *field;

    if (!copy(room, sizeof(room), hole->path, hole->path_length))
        return false;
    out->last = strncmp(room, "last.", 5) == 0;
    if (out->last)
        name += 5;
    out->kind = kind ? kind : kind_named(scope->judging->set->kinds, room + (name - room), &name);
    if (!out->kind)
        return false;
    part = kind_part(out->kind, name);
    field = part ? NULL : kind_field(out->kind, name);
    out->is_field = field != NULL;
    out->index = part    ? (size_t)(part - out->kind->parts)
                 : field ? (size_t)(field - out->kind->fields)
                         : 0;
    return part || field;
}

/* {path/10}, {path*100}: the point is moved, the digits stay. */
static void add_moved(struct text *text, struct decimal value, const struct unit *unit,
                      const struct hole *hole)
{
    size_t places = (size_t)(hole->end - hole->how) - 2; /* zeros behind the 1 */

    for (; places > 0; places--)
        if (*hole->how == '/')
            value.scale++;
        else if (value.scale > 0)
            value.scale--;
        else
            value.digits *= 10;
    if (value.scale <= DECIMAL_PLACES_MOST)
        add_quantity(text, value, unit);
}

/* {path~U:V}: the digits as if they had been entered in U, in V. */
static void add_as_if(struct text *text, const struct kinds *kinds, struct decimal value,
                      const struct hole *hole)
{
    const char *from_at = hole->how + 1;
    const char *colon = memchr(from_at, ':', (size_t)(hole->end - from_at));
    const struct unit *from, *to;
    struct decimal converted;
    char code[40];

    if (!colon || !copy(code, sizeof(code), from_at, (size_t)(colon - from_at)))
        return;
    from = kinds_unit(kinds, code);
    if (!copy(code, sizeof(code), colon + 1, (size_t)(hole->end - colon - 1)))
        return;
    to = kinds_unit(kinds, code);
    if (from && to && unit_convert(kinds, value, from, to, &converted))
        add_quantity(text, converted, to);
}

/* In a limit's text {value} is the value that the limit is about, also where that is a field's. */
static bool is_own(const struct say *say, const struct hole *hole)
{
    return say->own && hole->path_length == 5 && strncmp(hole->path, "value", 5) == 0;
}

static void add_number(struct text *text, const struct kinds *kinds, const struct own *number,
                       const struct hole *hole)
{
    if (hole->how == hole->end)
        add_quantity(text, number->value, number->unit);
    else if (*hole->how == '~')
        add_as_if(text, kinds, number->value, hole);
    else if (hole->end - hole->how == 3 || hole->end - hole->how == 4) /* 10 or 100 */
        add_moved(text, number->value, number->unit, hole);
}

static void add_hole(const struct say *say, struct text *text, const struct hole *hole)
{
    const struct kinds *kinds = say->scope->judging->set->kinds;
    const struct word *word;
    struct own number;
    struct path path;

    if (is_own(say, hole)) {
        add_number(text, kinds, say->own, hole);
        return;
    }
    if (!find_path(say->scope, say->kind, hole, &path))
        return;
    if (scope_entered(say->scope, &path, &number.value, &number.unit)) {
        add_number(text, kinds, &number, hole);
        return;
    }
    word = scope_word(say->scope, &path);
    if (word)
        add(text, word->text, strlen(word->text));
}

void say_text(const struct say *say, char *out, size_t room)
{
    struct text text = {out, 0, room};
    const char *at = say->text, *open;
    struct hole hole;

    out[0] = '\0';
    while ((open = strchr(at, '{'))) {
        hole.path = open + 1;
        hole.path_length = strcspn(hole.path, "/*~}");
        hole.how = hole.path + hole.path_length;
        hole.end = strchr(hole.how, '}');
        if (!hole.end)
            break;
        add(&text, at, (size_t)(open - at));
        add_hole(say, &text, &hole);
        at = hole.end + 1;
    }
    add(&text, at, strlen(at));
}
