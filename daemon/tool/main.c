/* main.c - wardpost: the operator's tool. */
#include <curl/curl.h>
#include <getopt.h>
#include <sodium.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

#include "tool/tool_private.h"

enum {
    OPTION_TEXT = 256,
    OPTION_ALL,
    OPTION_ATTENDED,
    OPTION_HELP,
    OPTION_JSON,
    OPTION_PRACTITIONER,
    OPTION_TOKEN_FILE,
    OPTION_VERSION
};

static const struct option options[] = {
    {"all",          no_argument,       NULL, OPTION_ALL         },
    {"attended",     no_argument,       NULL, OPTION_ATTENDED    },
    {"by",           required_argument, NULL, OPTION_TEXT        },
    {"clients",      required_argument, NULL, OPTION_TEXT        },
    {"daemon",       required_argument, NULL, OPTION_TEXT        },
    {"display",      required_argument, NULL, OPTION_TEXT        },
    {"help",         no_argument,       NULL, OPTION_HELP        },
    {"json",         no_argument,       NULL, OPTION_JSON        },
    {"kind",         required_argument, NULL, OPTION_TEXT        },
    {"mappings",     required_argument, NULL, OPTION_TEXT        },
    {"may",          required_argument, NULL, OPTION_TEXT        },
    {"practitioner", required_argument, NULL, OPTION_PRACTITIONER},
    {"reason",       required_argument, NULL, OPTION_TEXT        },
    {"role",         required_argument, NULL, OPTION_TEXT        },
    {"state",        required_argument, NULL, OPTION_TEXT        },
    {"token-file",   required_argument, NULL, OPTION_TOKEN_FILE  },
    {"users",        required_argument, NULL, OPTION_TEXT        },
    {"version",      no_argument,       NULL, OPTION_VERSION     },
    {NULL,           0,                 NULL, 0                  },
};

static void print_usage(FILE *out)
{
    (void)fputs("wardpost - look after a wardpostd\n\n", out);
    for (int i = 0; i < command_count; i++)
        (void)fprintf(out, "  wardpost %-8s %-34s %s\n", command_table[i].name,
                      command_table[i].arguments, command_table[i].about);
    (void)fputs(
        "\n"
        "  --daemon URL       where wardpostd listens (http://127.0.0.1:8642; WARDPOST_DAEMON)\n"
        "  --token-file FILE  holds the token (else WARDPOST_TOKEN)\n"
        "  --json             what the daemon answered, for scripts\n"
        "  --mappings DIR     kind table for map and check\n"
        "  --clients FILE     for device (/etc/wardpost/clients.json)\n"
        "  --may, --attended, --practitioner   for device add; see wardpost(1)\n"
        "  --users FILE       for user and check (/var/lib/wardpost/users.json)\n"
        "  --practitioner, --role, --display   for user add; see wardpost(1)\n"
        "  --help, --version\n\n"
        "A record-keeping aid, not a monitor, not an alarm and no diagnosis. Local policy and "
        "licensed judgement come first.\n",
        out);
}

static void take_text(struct tool *tool, const char *name)
{
    const struct {
        const char *name;
        const char **slot;
    } slots[] = {
        {"by",       &tool->by      },
        {"clients",  &tool->clients },
        {"daemon",   &tool->server  },
        {"display",  &tool->display },
        {"kind",     &tool->kind    },
        {"mappings", &tool->mappings},
        {"may",      &tool->may     },
        {"reason",   &tool->reason  },
        {"role",     &tool->role    },
        {"state",    &tool->state   },
        {"users",    &tool->users   },
    };

    for (size_t i = 0; i < sizeof(slots) / sizeof(slots[0]); i++)
        if (strcmp(slots[i].name, name) == 0)
            *slots[i].slot = optarg;
}

/* Never on a command line, where every process list shows it. */
static bool take_token_file(struct tool *tool, const char *path)
{
    FILE *file = fopen(path, "r");
    bool good = file && fgets(tool->token_room, sizeof(tool->token_room), file);

    if (file)
        (void)fclose(file);
    if (!good) {
        (void)fprintf(stderr, "wardpost: %s cannot be read\n", path);
        return false;
    }
    tool->token_room[strcspn(tool->token_room, "\r\n")] = '\0';
    tool->token = tool->token_room;
    return true;
}

static int read_options(int argc, char **argv, struct tool *tool)
{
    int option, index = 0;

    while ((option = getopt_long(argc, argv, "", options, &index)) != -1) {
        switch (option) {
        case OPTION_TEXT:
            take_text(tool, options[index].name);
            break;
        case OPTION_ALL:
            tool->all = true;
            break;
        case OPTION_ATTENDED:
            tool->attended = true;
            break;
        case OPTION_JSON:
            tool->json = true;
            break;
        case OPTION_PRACTITIONER:
            if (tool->practitioners_count < 16)
                tool->practitioners[tool->practitioners_count++] = optarg;
            break;
        case OPTION_TOKEN_FILE:
            if (!take_token_file(tool, optarg))
                return EX_NOINPUT + 1;
            break;
        case OPTION_HELP:
            print_usage(stdout);
            return EX_OK + 1;
        case OPTION_VERSION:
            puts("wardpost " WARDPOST_VERSION);
            return EX_OK + 1;
        default:
            return EX_USAGE + 1;
        }
    }
    return 0;
}

static int run_command(struct tool *tool, const char *name)
{
    for (int i = 0; i < command_count; i++) {
        const struct command *command = &command_table[i];

        if (strcmp(command->name, name) != 0)
            continue;
        if (tool->argc >= command->least && tool->argc <= command->most)
            return command->run(tool);
        (void)fprintf(stderr, "usage: wardpost %s %s\n", command->name, command->arguments);
        return EX_USAGE;
    }
    (void)fprintf(stderr, "wardpost: there is no '%s'; see wardpost --help\n", name);
    return EX_USAGE;
}

int main(int argc, char **argv)
{
    struct tool tool = {.server = getenv("WARDPOST_DAEMON"),
                        .token = getenv("WARDPOST_TOKEN"),
                        .clients = "/etc/wardpost/clients.json",
                        .users = "/var/lib/wardpost/users.json"};
    int code;

    if (!tool.server)
        tool.server = "http://127.0.0.1:8642";
    if (sodium_init() < 0)
        return EX_OSERR;
    if ((code = read_options(argc, argv, &tool)) != 0)
        return code - 1;
    if (optind >= argc) {
        print_usage(stderr);
        return EX_USAGE;
    }
    tool.argc = argc - optind - 1;
    tool.argv = argv + optind + 1;
    return run_command(&tool, argv[optind]);
}
