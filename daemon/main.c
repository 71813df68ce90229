/* main.c - wardpostd: from the far end of the road to its start, so that nobody can send before
 * there is a place to keep it. */
#include <dlfcn.h>
#include <errno.h>
#include <signal.h>
#include <sodium.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>
#include <time.h>
#include <unistd.h>

#include "wardpost/access.h"
#include "wardpost/courier.h"
#include "wardpost/intake.h"
#include "wardpost/kind.h"
#include "wardpost/log.h"
#include "wardpost/mappings_path.h"
#include "wardpost/moment.h"
#include "wardpost/outbox.h"
#include "wardpost/service.h"
#include "wardpost/settings.h"
#include "wardpost/users.h"

struct daemon {
    struct settings settings;
    struct kinds *kinds;
    struct outbox *outbox;
    struct courier *courier;
    struct access *access;
    struct users *users;
    struct intake *intake;
    char mappings[4096];
    char first_token[TOKEN_TEXT_ROOM];
};

static void set_log_level(const char *word)
{
    static const struct {
        const char *word;
        enum log_level level;
    } levels[] = {
        {"error",   LOG_LEVEL_ERROR  },
        {"warning", LOG_LEVEL_WARNING},
        {"info",    LOG_LEVEL_INFO   },
        {"debug",   LOG_LEVEL_DEBUG  }
    };

    for (size_t i = 0; i < sizeof(levels) / sizeof(levels[0]); i++)
        if (strcmp(levels[i].word, word) == 0)
            log_threshold(levels[i].level);
}

/* ---- the parts, one after the other ---- */

static int load_kinds(const char *path, struct kinds **out)
{
    struct kinds_fault fault;
    char text[KINDS_FAULT_ROOM];
    enum status status = kinds_load(path, out, &fault);

    if (status == STATUS_OK)
        return EX_OK;
    if (status == STATUS_INVALID)
        log_line(LOG_LEVEL_ERROR, "kind table is broken: %s/%s", path,
                 kinds_fault_text(&fault, text));
    else
        log_line(LOG_LEVEL_ERROR, "kind table %s: %s", path, status_text(status));
    return status == STATUS_INVALID ? EX_CONFIG : EX_NOINPUT;
}

static int find_kinds(struct daemon *daemon)
{
    if (!mappings_path(daemon->settings.mappings, daemon->mappings, sizeof(daemon->mappings))) {
        log_line(
            LOG_LEVEL_ERROR,
            "no kind table found beside the program or where it was installed; see --mappings");
        return EX_NOINPUT;
    }
    return load_kinds(daemon->mappings, &daemon->kinds);
}

static int start_outbox(struct daemon *daemon)
{
    struct outbox_options options = {.path = daemon->settings.store,
                                     .room_least = daemon->settings.room_least};
    enum status status = outbox_start(&options, &daemon->outbox);

    if (status == STATUS_OK)
        return EX_OK;
    log_line(LOG_LEVEL_ERROR, "store %s: %s", options.path,
             status == STATUS_BUSY ? "another wardpostd has it" : status_text(status));
    return status == STATUS_BUSY ? EX_TEMPFAIL : EX_CANTCREAT;
}

static bool server_is_loopback(const char *server)
{
    static const char *const schemes[] = {"http://", "https://"};
    char host[128];

    for (size_t i = 0; i < 2; i++) {
        const char *start = server + strlen(schemes[i]);
        size_t length;

        if (strncmp(server, schemes[i], strlen(schemes[i])) != 0)
            continue;
        length = start[0] == '[' ? strcspn(++start, "]") : strcspn(start, ":/?#");
        if (length == 0 || length >= sizeof(host) || memchr(start, '@', length))
            return false;
        memcpy(host, start, length);
        host[length] = '\0';
        return address_is_loopback(host);
    }
    return false;
}

/* Until patients are resolved on the server, a server elsewhere could chart on the wrong one:
 * refused (design 3). */
static int start_courier(struct daemon *daemon)
{
    const struct settings *settings = &daemon->settings;
    struct courier_options options = {
        .server = settings->server[0] ? settings->server : NULL,
        .way = way_named(settings->way),
        .batch_most = (size_t)settings->batch_most,
        .transfers_most = (size_t)settings->transfers_most,
        .request_timeout_ms = settings->request_timeout_ms,
        .connect_timeout_ms = settings->connect_timeout_ms,
        .retry_first_ms = settings->retry_first_ms,
        .retry_most_ms = settings->retry_most_ms,
        .server_error_tries = (unsigned)settings->server_error_tries,
    };
    enum status status = courier_start(&options, daemon->outbox, &daemon->courier);

    if (status == STATUS_OK)
        return EX_OK;
    log_line(LOG_LEVEL_ERROR, "courier: %s", status_text(status));
    return EX_OSERR;
}

static int start_access(struct daemon *daemon)
{
    struct access_options options = {.path = daemon->settings.clients,
                                     .demo = daemon->settings.demo};
    uint8_t hash[TOKEN_HASH_BYTES];
    enum status status;

    if (daemon->settings.one_time_token) {
        token_make(daemon->first_token, hash);
        options.first = daemon->first_token;
    }
    status = access_start(&options, &daemon->access);
    return status == STATUS_OK ? EX_OK : EX_OSERR;
}

static int start_users(struct daemon *daemon)
{
    const struct users_options options = {.path = daemon->settings.users,
                                          .pin_least = (size_t)daemon->settings.pin_least};

    return users_start(&options, clock_monotonic_ms(), &daemon->users) == STATUS_OK ? EX_OK
                                                                                    : EX_OSERR;
}

static int start_intake(struct daemon *daemon)
{
    struct intake_parts parts = {&daemon->settings, daemon->outbox, daemon->courier, daemon->access,
                                 daemon->users};
    enum status status = intake_start(&parts, daemon->kinds, &daemon->intake);

    if (status == STATUS_OK)
        return EX_OK;
    return status == STATUS_INVALID ? EX_CONFIG : EX_UNAVAILABLE;
}

/* ---- while it runs ---- */

/* An invented person, so that the form can be tried at once; in a file of its own (settings.c). */
static void add_demo_person(struct daemon *daemon)
{
    const struct user person = {.name = "demo",
                                .practitioner = "demo-nurse",
                                .display = "Demo Nurse (invented)",
                                .role = ROLE_NURSE};
    char pin[PIN_MADE_ROOM];
    enum status status = users_add(daemon->users, &person, clock_monotonic_ms(), pin);

    if (status == STATUS_OK)
        dprintf(STDOUT_FILENO, "to sign in, shown once: name %s, PIN %s\n", person.name, pin);
    else
        log_line(LOG_LEVEL_WARNING, "users file %s: %s; nobody can sign in", daemon->settings.users,
                 status_text(status));
    sodium_memzero(pin, sizeof(pin));
}

/* While nobody has an account. */
static void announce_people(struct daemon *daemon)
{
    char code[ENROLMENT_CODE_ROOM];

    if (!users_enrolment_code(daemon->users, code))
        return;
    if (daemon->settings.demo)
        add_demo_person(daemon);
    else
        dprintf(STDOUT_FILENO, "code to enrol the first administrator, shown once: %s\n", code);
    sodium_memzero(code, sizeof(code));
}

static void announce(struct daemon *daemon)
{
    const char *listen = daemon->settings.listen;
    int host = (int)(strrchr(listen, ':') - listen); /* the port may have been 0: any */

    log_line(LOG_LEVEL_INFO, "wardpostd " WARDPOST_VERSION " listens on %s://%.*s:%u",
             daemon->settings.certificate[0] ? "https" : "http", host, listen,
             intake_port(daemon->intake));
    if (daemon->first_token[0]) {
        dprintf(STDOUT_FILENO, "token for the first client, shown once: %s\n", daemon->first_token);
        sodium_memzero(daemon->first_token, sizeof(daemon->first_token));
    }
    announce_people(daemon);
    if (daemon->settings.demo)
        log_line(LOG_LEVEL_WARNING, "--demo: no token is needed; for trying out, not for patients");
}

/* A broken table or certificate keeps the old one in force and says so. */
static void reload(struct daemon *daemon)
{
    struct kinds *kinds = NULL;

    service_notify_reloading();
    if (load_kinds(daemon->mappings, &kinds) == EX_OK) {
        log_line(LOG_LEVEL_INFO, "kind table %s is in force", kinds_version(kinds));
        intake_use_kinds(daemon->intake, kinds);
        kinds_free(daemon->kinds);
        daemon->kinds = kinds;
    } else {
        log_line(LOG_LEVEL_ERROR, "the old kind table %s stays in force",
                 kinds_version(daemon->kinds));
    }
    intake_reload_certificate(daemon->intake);
    courier_nudge(daemon->courier);
    service_notify("READY=1");
}

static void block_signals(sigset_t *signals)
{
    sigemptyset(signals);
    sigaddset(signals, SIGTERM);
    sigaddset(signals, SIGINT);
    sigaddset(signals, SIGHUP);
    pthread_sigmask(SIG_BLOCK, signals, NULL);
    (void)signal(SIGPIPE, SIG_IGN);
    (void)signal(SIGXFSZ, SIG_IGN); /* a full quota is an error of a write, not our end */
}

static void run(struct daemon *daemon, const sigset_t *signals)
{
    int64_t watchdog_ms = service_watchdog_ms();
    struct timespec pause = {.tv_sec = 3600};

    if (watchdog_ms > 0)
        pause = (struct timespec){watchdog_ms / 2000, (watchdog_ms / 2 % 1000) * 1000000};
    service_notify("READY=1");
    for (;;) {
        int got = sigtimedwait(signals, NULL, &pause);

        if (got == SIGTERM || got == SIGINT)
            return;
        if (got == SIGHUP)
            reload(daemon);
        else if (got < 0 && errno == EAGAIN && watchdog_ms > 0)
            service_notify("WATCHDOG=1");
    }
}

static int complain_of(const char *path, enum status status, const char *why)
{
    if (status == STATUS_OK || status == STATUS_NOT_FOUND)
        return EX_OK;
    (void)fprintf(stderr, "%s: %s %s\n", path, status_text(status), why);
    return EX_CONFIG;
}

static int check_clients(const char *path)
{
    struct clients clients;
    char why[200];
    int code = complain_of(path, clients_read(path, &clients, why), why);

    clients_clear(&clients);
    return code;
}

static int check_users(const char *path)
{
    struct user_list users;
    char why[200];
    int code = complain_of(path, user_list_read(path, &users, why), why);

    user_list_clear(&users);
    return code;
}

static int check_certificate(const struct settings *settings)
{
    char why[200];
    enum status status = intake_check(settings, why);

    if (why[0])
        (void)fprintf(stderr, "%s\n", why);
    return status == STATUS_OK ? EX_OK : EX_CONFIG;
}

static int check(struct daemon *daemon)
{
    const int codes[] = {find_kinds(daemon), check_clients(daemon->settings.clients),
                         check_users(daemon->settings.users), check_certificate(&daemon->settings)};
    int code = EX_OK;

    for (size_t i = 0; i < sizeof(codes) / sizeof(codes[0]); i++)
        if (codes[i] != EX_OK)
            code = codes[i];
    if (code == EX_OK)
        puts("settings, kind table, clients, users and certificate are in order");
    return code;
}

static int refuse_distant_server(const struct settings *settings)
{
    if (!settings->server[0] || server_is_loopback(settings->server))
        return EX_OK;
    log_line(
        LOG_LEVEL_ERROR,
        "courier.server is not on loopback: refused until patients are resolved on the server");
    return EX_CONFIG;
}

int main(int argc, char **argv)
{
    struct daemon daemon = {0};
    sigset_t signals;
    int code;

    if (sodium_init() < 0)
        return EX_OSERR;
    if ((code = settings_load(argc, argv, &daemon.settings)) != 0) {
        settings_clear(&daemon.settings);
        return code - 1;
    }
    set_log_level(daemon.settings.log_level);
    block_signals(&signals);
    if ((code = refuse_distant_server(&daemon.settings)) != EX_OK)
        goto done;
    if (daemon.settings.check_only) {
        code = check(&daemon);
        goto done;
    }
    if ((code = find_kinds(&daemon)) != EX_OK)
        goto done;
    if ((code = start_outbox(&daemon)) != EX_OK)
        goto done;
    if ((code = start_courier(&daemon)) != EX_OK)
        goto done;
    if ((code = start_access(&daemon)) != EX_OK)
        goto done;
    if ((code = start_users(&daemon)) != EX_OK)
        goto done;
    if ((code = start_intake(&daemon)) != EX_OK)
        goto done;
    announce(&daemon);
    run(&daemon, &signals);
    log_line(LOG_LEVEL_INFO, "ending: nothing more is taken, what is under way is finished");
    service_notify("STOPPING=1");
done:
    intake_stop(daemon.intake); /* first nobody may send, */
    courier_stop(daemon.courier, daemon.settings.drain_ms);
    outbox_stop(daemon.outbox); /* last the disk is closed */
    users_stop(daemon.users);
    access_stop(daemon.access);
    kinds_free(daemon.kinds);
    settings_clear(&daemon.settings);
    return code;
}
