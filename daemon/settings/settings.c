/* settings.c - the command line and the settings file become one struct; every fault is told with
 * file and line. */
#include <confuse.h>
#include <getopt.h>
#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>
#include <unistd.h>

#include "settings/settings_text.h"
#include "wardpost/settings.h"

#define SECTIONS_MOST 12
#define FAULT_ROOM    800

/* libConfuse calls back without a context of ours: one file is read at a time, at start, before any
 * thread. */
static struct reading_file {
    const char *path;
    struct settings *settings;
    settings_complain *complain;
    void *context;
    unsigned faults;
} file;

/* line 0: of the file as a whole. */
static void complain(int line, const char *what)
{
    char text[PATH_MAX + FAULT_ROOM + 20], place[20] = "";

    if (line > 0)
        (void)snprintf(place, sizeof(place), ":%d", line);
    (void)snprintf(text, sizeof(text), "%.*s%s: %s", PATH_MAX, file.path, place, what);
    file.faults++;
    file.complain(file.context, text);
}

static bool is_section(const char *name)
{
    for (size_t i = 0; i < setting_count; i++)
        if (strcmp(setting_table[i].section, name) == 0)
            return true;
    return false;
}

/* The settings of a section; of what is none, the sections. */
static void list_known(const char *section, char *out, size_t room)
{
    bool inside = is_section(section);
    const char *last = "";
    size_t used = 0;

    for (size_t i = 0; i < setting_count; i++) {
        const struct setting *row = &setting_table[i];
        const char *name = inside ? row->name : row->section;

        if ((inside && strcmp(row->section, section) != 0) || strcmp(name, last) == 0 ||
            used + strlen(name) + 3 > room)
            continue;
        used += (size_t)snprintf(out + used, room - used, "%s%s", used ? ", " : "", name);
        last = name;
    }
}

__attribute__((format(printf, 2, 0))) static void on_confuse_error(cfg_t *cfg, const char *format,
                                                                   va_list arguments)
{
    char text[256], known[400], what[FAULT_ROOM];
    bool inside = is_section(cfg_name(cfg));

    (void)vsnprintf(text, sizeof(text), format, arguments);
    list_known(cfg_name(cfg), known, sizeof(known));
    if (strstr(text, "no such option"))
        (void)snprintf(what, sizeof(what), "%s; %s%s: %s", text,
                       inside ? cfg_name(cfg) : "the sections", inside ? " knows" : " are", known);
    else
        (void)snprintf(what, sizeof(what), "%s", text);
    complain(cfg->line, what);
}

static int on_value(cfg_t *cfg, cfg_opt_t *option)
{
    const struct setting *row = setting_find(cfg_name(cfg), cfg_opt_name(option));
    const char *value = cfg_opt_getnstr(option, cfg_opt_size(option) - 1);
    char why[200] = "not a setting";

    if (!row || !value || !setting_set(file.settings, row, value, why))
        complain(cfg->line, why);
    return 0; /* go on: all faults in one reading */
}

static size_t section_rows(const char *section, cfg_opt_t *options)
{
    size_t count = 0;

    for (size_t i = 0; i < setting_count; i++) {
        cfg_opt_t one = CFG_STR(setting_table[i].name, NULL, CFGF_NODEFAULT);

        if (strcmp(setting_table[i].section, section) == 0)
            options[count++] = one;
    }
    options[count] = (cfg_opt_t)CFG_END();
    return count;
}

/* Each fault was said when libConfuse met it; only when it lacks memory it says nothing. */
static void parse(cfg_t *cfg, char *text, size_t length)
{
    FILE *stream = fmemopen(text, length, "r");

    if ((!stream || cfg_parse_fp(cfg, stream) != CFG_SUCCESS) && file.faults == 0)
        complain(0, "out of memory");
    if (stream)
        (void)fclose(stream);
}

static void read_with(cfg_t *cfg, const cfg_opt_t *sections)
{
    size_t length = 0;
    char name[100], *text;

    for (const cfg_opt_t *section = sections; section->name; section++)
        for (const cfg_opt_t *option = section->subopts; option->name; option++) {
            (void)snprintf(name, sizeof(name), "%s|%s", section->name, option->name);
            (void)cfg_set_validate_func(cfg, name, on_value);
        }
    (void)cfg_set_error_function(cfg, on_confuse_error);
    text = settings_text(file.path, &length, complain);
    if (text)
        parse(cfg, text, length);
    free(text);
}

bool settings_read_file(const char *path, struct settings *settings, settings_complain *to,
                        void *context)
{
    cfg_opt_t options[SECTIONS_MOST][40];
    cfg_opt_t sections[SECTIONS_MOST + 1];
    size_t count = 0;
    const char *last = "";
    cfg_t *cfg;

    file = (struct reading_file){path, settings, to, context, 0};
    for (size_t i = 0; i < setting_count; i++) {
        if (strcmp(setting_table[i].section, last) == 0)
            continue;
        last = setting_table[i].section;
        section_rows(last, options[count]);
        sections[count] = (cfg_opt_t)CFG_SEC(last, options[count], CFGF_NONE);
        count++;
    }
    sections[count] = (cfg_opt_t)CFG_END();
    cfg = cfg_init(sections, CFGF_NONE);
    if (!cfg) {
        complain(0, "out of memory");
        return false;
    }
    read_with(cfg, sections);
    cfg_free(cfg);
    return file.faults == 0;
}

static void print_complaint(void *context, const char *line)
{
    (void)context;
    (void)fprintf(stderr, "%s\n", line);
}

static const char usage_text[] =
    "wardpostd - takes vital-sign readings and sees them safely into the chart\n"
    "\n"
    "  wardpostd --config FILE\n"
    "  wardpostd --listen ADDR:PORT --store PATH [--server URL]   without a file\n"
    "\n"
    "  --config FILE      settings file (see wardpost.conf(5))\n"
    "  --listen ADDR:PORT address and port; loopback, unless the file has TLS or a proxy\n"
    "  --server URL       base URL of the FHIR server; without it readings stay here\n"
    "  --store PATH       file that keeps every reading\n"
    "  --mappings DIR     folder of the kind table\n"
    "  --demo             for trying out: no token is needed on loopback\n"
    "  --check            read everything, say what is wrong with file and line, and stop\n"
    "  --help, --version\n"
    "\n"
    "A record-keeping aid, not a monitor, not an alarm and no diagnosis. Local policy and licensed "
    "judgement come first.\n";

enum { OPTION_CONFIG = 1, OPTION_DEMO, OPTION_CHECK, OPTION_HELP, OPTION_VERSION, OPTION_SETTING };

static const struct {
    const char *option, *section, *name;
} option_settings[] = {
    {"listen",   "intake",  "listen"},
    {"server",   "courier", "server"},
    {"store",    "store",   "path"  },
    {"mappings", "mapping", "table" },
};

static const struct option long_options[] = {
    {"listen",   required_argument, NULL, OPTION_SETTING + 0},
    {"server",   required_argument, NULL, OPTION_SETTING + 1},
    {"store",    required_argument, NULL, OPTION_SETTING + 2},
    {"mappings", required_argument, NULL, OPTION_SETTING + 3},
    {"config",   required_argument, NULL, OPTION_CONFIG     },
    {"demo",     no_argument,       NULL, OPTION_DEMO       },
    {"check",    no_argument,       NULL, OPTION_CHECK      },
    {"help",     no_argument,       NULL, OPTION_HELP       },
    {"version",  no_argument,       NULL, OPTION_VERSION    },
    {NULL,       0,                 NULL, 0                 },
};

static int wrong_use(const char *why)
{
    (void)fprintf(stderr, "wardpostd: %s; see wardpostd --help\n", why);
    return EX_USAGE + 1;
}

static int load_config(const char *path, struct settings *settings)
{
    if (!path)
        return 0;
    return settings_read_file(path, settings, print_complaint, NULL) ? 0 : EX_CONFIG + 1;
}

/* The file first, then the command line over it, whatever their order was. */
static int apply_options(int argc, char **argv, struct settings *settings, bool settings_too)
{
    char why[200];
    int option;

    optind = 1;
    while ((option = getopt_long(argc, argv, "", long_options, NULL)) != -1) {
        switch (option) {
        case OPTION_HELP:
            (void)fputs(usage_text, stdout);
            return EX_OK + 1;
        case OPTION_VERSION:
            puts("wardpostd " WARDPOST_VERSION);
            return EX_OK + 1;
        case OPTION_DEMO:
            settings->demo = true;
            break;
        case OPTION_CHECK:
            settings->check_only = true;
            break;
        case OPTION_CONFIG:
            if (!settings_too && load_config(optarg, settings) != 0)
                return EX_CONFIG + 1;
            settings->one_time_token = false;
            break;
        case '?':
            return EX_USAGE + 1;
        default: {
            const struct setting *row =
                setting_find(option_settings[option - OPTION_SETTING].section,
                             option_settings[option - OPTION_SETTING].name);

            if (settings_too && !setting_set(settings, row, optarg, why))
                return wrong_use(why);
        }
        }
    }
    return optind < argc ? wrong_use("no arguments are taken") : 0;
}

/* Invented people never come among those of a ward: unless told otherwise they have a file beside
 * the store. */
static bool set_up_demo(struct settings *settings)
{
    const char *usual = setting_find("access", "users")->initial;
    size_t room = strlen(settings->store) + sizeof("-users.json");
    char *path;

    settings->one_time_token = false;
    if (strcmp(settings->users, usual) != 0)
        return true;
    if (!(path = malloc(room)))
        return false;
    (void)snprintf(path, room, "%s-users.json", settings->store);
    free(settings->users);
    settings->users = path;
    return true;
}

/* Who may come in, and how: NULL, or why that cannot be. */
static const char *door_fault(const struct settings *settings)
{
    const bool tls = settings->certificate[0] != '\0', proxy = settings->proxy[0] != '\0';
    char host[128];
    uint16_t port;
    bool near = address_split(settings->listen, host, &port) && address_is_loopback(host);

    if (tls != (settings->key[0] != '\0'))
        return "intake.certificate and intake.key go together";
    if (!addresses_are_fine(settings->proxy))
        return "intake.proxy is a list of addresses, without names and ports";
    if (settings->demo && (!near || proxy))
        return "--demo is for loopback only, without a proxy in front";
    if (!near && !tls && !proxy)
        return "anything but loopback needs TLS: intake.certificate and intake.key, or "
               "intake.proxy";
    return NULL;
}

int settings_load(int argc, char **argv, struct settings *settings)
{
    const char *fault;
    int code;

    if (settings_initial(settings) != STATUS_OK)
        return EX_OSERR + 1;
    settings->one_time_token = true;
    if ((code = apply_options(argc, argv, settings, false)) != 0 ||
        (code = apply_options(argc, argv, settings, true)) != 0)
        return code;
    if (settings->demo && !set_up_demo(settings))
        return EX_OSERR + 1;
    if (!address_split(settings->listen, (char[128]){0}, &(uint16_t){0}))
        return wrong_use("intake.listen is ADDRESS:PORT");
    fault = door_fault(settings);
    if (!fault)
        return 0;
    (void)fprintf(stderr, "wardpostd: %s\n", fault);
    return EX_CONFIG + 1;
}
