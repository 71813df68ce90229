/* role.c - what each role may do. A local choice of who does what at a bedside: one row each. */
#include <string.h>

#include "wardpost/users.h"

static const struct {
    const char *word;
    enum role role;
    unsigned rights;
} roles[] = {
    {"assistant",     ROLE_ASSISTANT,     RIGHT_SEND | RIGHT_READ                                 },
    {"nurse",         ROLE_NURSE,         RIGHT_SEND | RIGHT_READ | RIGHT_DECIDE                  },
    {"lead",          ROLE_LEAD,          RIGHT_SEND | RIGHT_READ | RIGHT_DECIDE | RIGHT_RESET    },
    {"administrator", ROLE_ADMINISTRATOR, RIGHT_READ | RIGHT_DECIDE | RIGHT_RESET | RIGHT_ACCOUNTS},
};

#define ROLES (sizeof(roles) / sizeof(roles[0]))

enum role role_named(const char *word)
{
    for (size_t i = 0; i < ROLES; i++)
        if (strcmp(roles[i].word, word) == 0)
            return roles[i].role;
    return ROLE_NONE;
}

const char *role_word(enum role role)
{
    for (size_t i = 0; i < ROLES; i++)
        if (roles[i].role == role)
            return roles[i].word;
    return "none";
}

unsigned role_rights(enum role role)
{
    for (size_t i = 0; i < ROLES; i++)
        if (roles[i].role == role)
            return roles[i].rights;
    return RIGHT_NONE;
}

const char *right_word(size_t index, enum right *right)
{
    static const struct {
        const char *word;
        enum right right;
    } words[] = {
        {"send",     RIGHT_SEND    },
        {"read",     RIGHT_READ    },
        {"decide",   RIGHT_DECIDE  },
        {"reset",    RIGHT_RESET   },
        {"accounts", RIGHT_ACCOUNTS},
    };

    if (index >= sizeof(words) / sizeof(words[0]))
        return NULL;
    *right = words[index].right;
    return words[index].word;
}
