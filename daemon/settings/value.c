/* value.c - one setting's value from its text: numbers by whole string, range and unit; nothing is
 * cut or guessed. */
#include <errno.h>
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "wardpost/settings.h"

struct suffix {
    const char *text;
    int64_t times;
};

static const struct suffix no_suffixes[] = {
    {"",   1},
    {NULL, 0}
};
static const struct suffix duration_suffixes[] = {
    {"ms",  1      },
    {"s",   1000   },
    {"min", 60000  },
    {"h",   3600000},
    {"",    1000   },
    {NULL,  0      }
};
static const struct suffix byte_suffixes[] = {
    {"Ki", 1024      },
    {"Mi", 1048576   },
    {"Gi", 1073741824},
    {"",   1         },
    {NULL, 0         }
};

static const struct suffix *suffixes_of(enum setting_type type)
{
    switch (type) {
    case SET_DURATION:
        return duration_suffixes;
    case SET_BYTES:
        return byte_suffixes;
    case SET_TEXT:
    case SET_CHOICE:
    case SET_NUMBER:
        return no_suffixes;
    }
    return no_suffixes;
}

static const char *suffixes_text(enum setting_type type)
{
    if (type == SET_DURATION)
        return " (ms, s, min or h)";
    return type == SET_BYTES ? " (Ki, Mi or Gi)" : "";
}

static bool number_of(const struct setting *row, const char *value, int64_t *out)
{
    const struct suffix *suffix = suffixes_of(row->type);
    char *end;
    long long number;

    if (*value < '0' || *value > '9')
        return false;
    errno = 0;
    number = strtoll(value, &end, 10);
    if (errno != 0 || number < 0)
        return false;
    end += strspn(end, " ");
    while (suffix->text && strcmp(suffix->text, end) != 0)
        suffix++;
    if (!suffix->text || __builtin_mul_overflow((int64_t)number, suffix->times, out))
        return false;
    return *out >= row->least && *out <= row->most;
}

static bool is_choice(const char *choices, const char *value)
{
    size_t length = strlen(value);
    const char *at = choices;

    while (length > 0 && (at = strstr(at, value))) {
        bool starts = at == choices || at[-1] == ' ';
        bool ends = at[length] == ' ' || at[length] == '\0';

        if (starts && ends && !strchr(value, ' '))
            return true;
        at++;
    }
    return false;
}

static bool set_text(struct settings *settings, const struct setting *row, const char *value,
                     char why[200])
{
    char **slot = (char **)(void *)((char *)settings + row->offset);
    char *copy = strdup(value);

    if (!copy) {
        (void)snprintf(why, 200, "out of memory");
        return false;
    }
    free(*slot);
    *slot = copy;
    return true;
}

bool setting_set(struct settings *settings, const struct setting *row, const char *value,
                 char why[200])
{
    int64_t number = 0;

    switch (row->type) {
    case SET_CHOICE:
        if (is_choice(row->choices, value))
            return set_text(settings, row, value, why);
        (void)snprintf(why, 200, "%s.%s is one of: %s", row->section, row->name, row->choices);
        return false;
    case SET_TEXT:
        return set_text(settings, row, value, why);
    case SET_NUMBER:
    case SET_DURATION:
    case SET_BYTES:
        if (number_of(row, value, &number)) {
            memcpy((char *)settings + row->offset, &number, sizeof(number));
            return true;
        }
        (void)snprintf(why, 200, "%s.%s is a whole number%s from %" PRId64 " to %" PRId64 "%s",
                       row->section, row->name, suffixes_text(row->type), row->least, row->most,
                       row->type == SET_DURATION ? " ms" : "");
        return false;
    }
    return false;
}

const struct setting *setting_find(const char *section, const char *name)
{
    for (size_t i = 0; i < setting_count; i++)
        if (strcmp(setting_table[i].section, section) == 0 &&
            strcmp(setting_table[i].name, name) == 0)
            return &setting_table[i];
    return NULL;
}

enum status settings_initial(struct settings *settings)
{
    char why[200];

    *settings = (struct settings){0};
    for (size_t i = 0; i < setting_count; i++)
        if (!setting_set(settings, &setting_table[i], setting_table[i].initial, why)) {
            settings_clear(settings);
            return STATUS_NO_MEMORY;
        }
    return STATUS_OK;
}

void settings_clear(struct settings *settings)
{
    for (size_t i = 0; i < setting_count; i++) {
        char **slot = (char **)(void *)((char *)settings + setting_table[i].offset);

        if (setting_table[i].type != SET_TEXT && setting_table[i].type != SET_CHOICE)
            continue;
        free(*slot);
        *slot = NULL;
    }
}
