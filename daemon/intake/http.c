/* http.c - libmicrohttpd started, its callbacks, the deadlines it does not keep itself, and an
 * orderly end.
 *
 * Its own time-out is for idleness only: a sender that drips one byte now and then would hold a
 * connection for ever (design 12). So each connection has a deadline, moved on at each stage, and
 * the thread at the door shuts down the socket of whoever missed it. While the disk is waited for
 * there is none. */
#include <arpa/inet.h>
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <netinet/tcp.h>
#include <poll.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

#include "intake/exchange.h"
#include "intake/live.h"
#include "intake/tls.h"
#include "wardpost/log.h"
#include "wardpost/metrics.h"
#include "wardpost/moment.h"

/* ---- connections and their deadlines ---- */

void intake_deadline(struct connection *connection, struct intake *intake, int64_t in_ms)
{
    pthread_mutex_lock(&intake->lock);
    connection->deadline_ms = in_ms == INT64_MAX ? INT64_MAX : clock_monotonic_ms() + in_ms;
    pthread_mutex_unlock(&intake->lock);
}

static void count_on_way(struct intake *intake, long more)
{
    pthread_mutex_lock(&intake->lock);
    if (intake->on_way + more >= 0)
        intake->on_way += more;
    pthread_mutex_unlock(&intake->lock);
}

static void connection_begin(struct intake *intake, struct MHD_Connection *mhd, void **slot)
{
    const union MHD_ConnectionInfo *info =
        MHD_get_connection_info(mhd, MHD_CONNECTION_INFO_CONNECTION_FD);
    struct connection *connection = calloc(1, sizeof(*connection));

    count_on_way(intake, -1);
    if (!connection)
        return; /* no request of it will be taken; the idle time-out remains */
    connection->fd = info ? info->connect_fd : -1;
    connection->deadline_ms = clock_monotonic_ms() + intake->parts.settings->headers_deadline_ms;
    pthread_mutex_lock(&intake->lock);
    connection->next = intake->connections;
    if (connection->next)
        connection->next->previous = connection;
    intake->connections = connection;
    intake->inside++;
    pthread_mutex_unlock(&intake->lock);
    *slot = connection;
}

static void connection_end(struct intake *intake, struct connection *connection)
{
    if (!connection)
        return;
    pthread_mutex_lock(&intake->lock);
    if (connection->next)
        connection->next->previous = connection->previous;
    if (connection->previous)
        connection->previous->next = connection->next;
    else
        intake->connections = connection->next;
    intake->inside--;
    pthread_mutex_unlock(&intake->lock);
    body_clear(&connection->exchange.body);
    free(connection);
}

/* shutdown() does not block; the entry is still in the list, so its descriptor is still this
 * connection's. */
static void cut_the_late(struct intake *intake)
{
    int64_t now = clock_monotonic_ms();

    pthread_mutex_lock(&intake->lock);
    for (struct connection *connection = intake->connections; connection;
         connection = connection->next) {
        if (connection->cut || connection->deadline_ms > now)
            continue;
        connection->cut = true;
        shutdown(connection->fd, SHUT_RDWR);
        metric_add(METRIC_CONNECTIONS_CUT, 1);
    }
    pthread_mutex_unlock(&intake->lock);
}

/* ---- the door: one thread lets connections in, and cuts off the late ---- */

#define DOOR_MS 250   /* between two looks at the deadlines */
#define FULL_MS 5     /* between two looks for room */
#define LOST_MS 60000 /* whoever was let in and has not begun for so long is not waited for */

/* Those for whom there is no room wait before the door (in the kernel's queue): libmicrohttpd
 * (0.9.75) must not come to a limit of its own, there a thread of it stops for ever. One that waits
 * for the disk takes nobody up meanwhile, so those on their way count as well. */
static bool has_room(struct intake *intake)
{
    bool room;

    pthread_mutex_lock(&intake->lock);
    room = intake->inside + intake->on_way < intake->parts.settings->connections_most;
    pthread_mutex_unlock(&intake->lock);
    return room;
}

struct lost {
    long least; /* on their way at once, since the minute began */
    int64_t until_ms;
};

/* With a proxy in front nobody gets past it. */
static bool is_expected(const struct intake *intake, const struct sockaddr *from)
{
    const char *proxy = intake->parts.settings->proxy;

    return proxy[0] == '\0' || address_is_listed(proxy, from);
}

/* libmicrohttpd spreads them over its threads by the number of the descriptor; left to accept for
 * themselves, one thread ends up with most of them. */
static void let_in(struct intake *intake)
{
    const struct timespec pause = {.tv_nsec = 50000000};
    struct sockaddr_storage from;
    socklen_t length = sizeof(from);
    int fd = accept(intake->listening, (struct sockaddr *)&from, &length);

    if (fd >= 0 && !is_expected(intake, (struct sockaddr *)&from)) {
        metric_add(METRIC_CONNECTIONS_STRANGE, 1);
        close(fd);
    } else if (fd >= 0) {
        (void)fcntl(fd, F_SETFD, FD_CLOEXEC);
        count_on_way(intake, 1);
        if (MHD_add_connection(intake->daemon, fd, (struct sockaddr *)&from, length) != MHD_YES)
            count_on_way(intake, -1);
    } else if (errno != EAGAIN && errno != EINTR && errno != ECONNABORTED) {
        nanosleep(&pause, NULL); /* no descriptor or no memory left: whoever is here goes first */
    }
}

/* libmicrohttpd says nothing of one it had no memory for. So many as were on their way at every
 * look of a minute never came. */
static void forget_the_lost(struct intake *intake, struct lost *lost, int64_t now_ms)
{
    pthread_mutex_lock(&intake->lock);
    if (intake->on_way < lost->least)
        lost->least = intake->on_way;
    if (now_ms >= lost->until_ms) {
        intake->on_way -= lost->least;
        *lost = (struct lost){intake->on_way, now_ms + LOST_MS};
    }
    pthread_mutex_unlock(&intake->lock);
}

static void *keep_door(void *context)
{
    struct intake *intake = context;
    struct lost lost = {.until_ms = clock_monotonic_ms() + LOST_MS};
    int64_t look_at_ms = 0;

    while (!atomic_load(&intake->stopping)) {
        bool room = has_room(intake), open = room && !atomic_load(&intake->draining);
        struct pollfd door = {.fd = open ? intake->listening : -1, .events = POLLIN};

        if (poll(&door, 1, room ? DOOR_MS : FULL_MS) > 0)
            let_in(intake);
        if (clock_monotonic_ms() < look_at_ms)
            continue;
        cut_the_late(intake);
        forget_the_lost(intake, &lost, clock_monotonic_ms());
        look_at_ms = clock_monotonic_ms() + DOOR_MS;
    }
    return NULL;
}

/* ---- libmicrohttpd's callbacks ---- */

static void on_connection(void *cls, struct MHD_Connection *connection, void **slot,
                          enum MHD_ConnectionNotificationCode code)
{
    struct intake *intake = cls;

    if (code == MHD_CONNECTION_NOTIFY_STARTED)
        connection_begin(intake, connection, slot);
    else
        connection_end(intake, *slot);
}

static enum MHD_Result take(struct intake *intake, struct MHD_Connection *connection,
                            const char *url, const char *method, const char *piece,
                            size_t *piece_size, void **slot)
{
    struct exchange *exchange = *slot;

    if (!exchange)
        return exchange_begin(intake, connection, method, url, slot);
    if (*piece_size > 0)
        return exchange_take_piece(exchange, piece, piece_size);
    return exchange_answer(exchange);
}

/* Counted before the look at `stopping`: when intake_stop() has said so and sees nothing under way,
 * nothing can come to be suspended any more. */
static enum MHD_Result on_request(void *cls, struct MHD_Connection *connection, const char *url,
                                  const char *method, const char *version, const char *piece,
                                  size_t *piece_size, void **slot)
{
    struct intake *intake = cls;
    enum MHD_Result result = MHD_NO;

    (void)version;
    atomic_fetch_add(&intake->under_way, 1);
    if (!atomic_load(&intake->stopping) || exchange_only_answers(*slot))
        result = take(intake, connection, url, method, piece, piece_size, slot);
    atomic_fetch_sub(&intake->under_way, 1);
    return result;
}

static void on_end(void *cls, struct MHD_Connection *connection, void **slot,
                   enum MHD_RequestTerminationCode why)
{
    struct exchange *exchange = *slot;

    (void)cls;
    (void)connection;
    (void)why;
    if (exchange)
        exchange_end(exchange);
    *slot = NULL;
}

/* What libmicrohttpd says of broken requests may hold pieces of them: it is counted, not logged. */
static void on_mhd_log(void *cls, const char *format, va_list arguments)
{
    (void)cls;
    (void)format;
    (void)arguments;
}

/* ---- start and end ---- */

struct kinds *intake_kinds(struct intake *intake)
{
    struct kinds *kinds;

    pthread_mutex_lock(&intake->lock);
    kinds = kinds_hold(intake->kinds);
    pthread_mutex_unlock(&intake->lock);
    return kinds;
}

void intake_use_kinds(struct intake *intake, struct kinds *kinds)
{
    struct kinds *old;

    kinds_hold(kinds);
    pthread_mutex_lock(&intake->lock);
    old = intake->kinds;
    intake->kinds = kinds;
    pthread_mutex_unlock(&intake->lock);
    kinds_free(old);
}

enum status intake_reader(struct intake *intake, struct outbox_reader **out)
{
    *out = pool_take(&intake->readers);
    return *out ? STATUS_OK : outbox_reader_open(intake->parts.outbox, out);
}

void intake_reader_done(struct intake *intake, struct outbox_reader *reader)
{
    if (!pool_give(&intake->readers, reader))
        outbox_reader_close(reader);
}

static bool socket_address(const char *host, uint16_t port, struct sockaddr_storage *out,
                           socklen_t *length)
{
    struct sockaddr_in *four = (struct sockaddr_in *)out;
    struct sockaddr_in6 *six = (struct sockaddr_in6 *)out;

    memset(out, 0, sizeof(*out));
    if (inet_pton(AF_INET, strcmp(host, "localhost") == 0 ? "127.0.0.1" : host, &four->sin_addr) ==
        1) {
        four->sin_family = AF_INET;
        four->sin_port = htons(port);
        *length = sizeof(*four);
        return true;
    }
    if (inet_pton(AF_INET6, host, &six->sin6_addr) != 1)
        return false;
    six->sin6_family = AF_INET6;
    six->sin6_port = htons(port);
    *length = sizeof(*six);
    return true;
}

static int listening_socket(const struct settings *settings, struct intake *intake)
{
    struct sockaddr_storage address;
    socklen_t length;
    int on = 1, fd, fault;

    if (!address_split(settings->listen, intake->host, &intake->port) ||
        !socket_address(intake->host, intake->port, &address, &length)) {
        errno = EINVAL;
        return -1;
    }
    fd = socket(address.ss_family, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
    if (fd < 0)
        return -1;
    setsockopt(fd, SOL_SOCKET, SO_REUSEADDR, &on, sizeof(on));
    if (bind(fd, (struct sockaddr *)&address, length) == 0 && listen(fd, 1024) == 0 &&
        getsockname(fd, (struct sockaddr *)&address, &length) == 0) {
        intake->port =
            ntohs(address.ss_family == AF_INET ? ((struct sockaddr_in *)&address)->sin_port
                                               : ((struct sockaddr_in6 *)&address)->sin6_port);
        return fd;
    }
    fault = errno;
    close(fd);
    errno = fault;
    return -1;
}

static struct MHD_Daemon *start_mhd(struct intake *intake)
{
    static char priorities[] = TLS_PRIORITIES; /* libmicrohttpd's item wants no const */
    const struct settings *settings = intake->parts.settings;
    const struct MHD_OptionItem tls[] = {
        {MHD_OPTION_HTTPS_PRIORITIES,     0, priorities                        },
        {MHD_OPTION_HTTPS_CERT_CALLBACK2, 0, (void *)(intptr_t)certificate_show},
        {MHD_OPTION_END,                  0, NULL                              }
    };

    return MHD_start_daemon(
        MHD_USE_EPOLL_INTERNAL_THREAD | MHD_ALLOW_SUSPEND_RESUME | MHD_USE_ERROR_LOG |
            MHD_USE_NO_LISTEN_SOCKET | (intake->ours ? MHD_USE_TLS : 0),
        0, NULL, NULL, on_request, intake, MHD_OPTION_EXTERNAL_LOGGER, on_mhd_log, NULL,
        MHD_OPTION_NOTIFY_CONNECTION, on_connection, intake, MHD_OPTION_NOTIFY_COMPLETED, on_end,
        NULL, MHD_OPTION_CONNECTION_LIMIT, (unsigned)INT_MAX /* the door's is reached first */,
        MHD_OPTION_CONNECTION_MEMORY_LIMIT, (size_t)16384, MHD_OPTION_CONNECTION_TIMEOUT,
        (unsigned)(settings->idle_ms / 1000), MHD_OPTION_THREAD_POOL_SIZE,
        (unsigned)settings->threads, intake->ours ? MHD_OPTION_ARRAY : MHD_OPTION_END, tls,
        MHD_OPTION_END);
}

enum status intake_check(const struct settings *settings, char why[CERTIFICATE_WHY])
{
    struct certificate *certificate = NULL;
    enum status status;

    why[0] = '\0';
    if (settings->certificate[0] == '\0')
        return STATUS_OK;
    status = certificate_read(settings, &certificate, why);
    certificate_free(certificate);
    return status;
}

static enum status use_certificate(struct intake *intake)
{
    struct certificate *certificate = NULL;
    char why[CERTIFICATE_WHY];
    enum status status = certificate_read(intake->parts.settings, &certificate, why);

    if (status == STATUS_OK)
        certificate_use(certificate);
    if (status != STATUS_OK || why[0])
        log_line(status == STATUS_OK ? LOG_LEVEL_WARNING : LOG_LEVEL_ERROR, "certificate %s",
                 why[0] ? why : status_text(status));
    return status;
}

void intake_reload_certificate(struct intake *intake)
{
    if (!intake->ours)
        return;
    if (use_certificate(intake) == STATUS_OK)
        log_line(LOG_LEVEL_INFO, "certificate %s is in force", intake->parts.settings->certificate);
    else
        log_line(LOG_LEVEL_ERROR, "the old certificate stays in force");
}

static void intake_free(struct intake *intake)
{
    struct outbox_reader *reader;
    struct submission *submission;

    live_stop(intake->live);
    while ((reader = pool_take(&intake->readers)))
        outbox_reader_close(reader);
    while ((submission = pool_take(&intake->submissions)))
        submission_destroy(submission);
    pthread_mutex_destroy(&intake->readers.lock);
    pthread_mutex_destroy(&intake->submissions.lock);
    pthread_mutex_destroy(&intake->lock);
    kept_kinds_clear(&intake->kept_kinds);
    kinds_free(intake->kinds);
    desk_stop(intake->desk);
    sessions_free(intake->sessions);
    if (intake->ours)
        certificate_use(NULL);
    if (intake->listening >= 0)
        close(intake->listening);
    free(intake);
}

#define VOUCHED_MS         600000 /* from the PIN to the set that is sent */
#define SESSIONS_MOST      512
#define SESSIONS_USER_MOST 8 /* a tablet, a desk and some that were left behind */

static enum status start_sessions(struct intake *intake)
{
    const struct sessions_options options = {.idle_ms = intake->parts.settings->idle_lock_ms,
                                             .longest_ms = intake->parts.settings->session_most_ms,
                                             .vouched_ms = VOUCHED_MS,
                                             .most = SESSIONS_MOST,
                                             .user_most = SESSIONS_USER_MOST};
    enum status status = sessions_new(&options, &intake->sessions);

    return status == STATUS_OK ? desk_start(&intake->desk) : status;
}

static enum status start_live(struct intake *intake)
{
    const struct settings *settings = intake->parts.settings;
    struct live_parts parts = {intake->parts.outbox, intake->parts.courier,
                               (size_t)settings->streams_most};

    if (settings->streams_most > settings->connections_most / 2)
        parts.streams_most = (size_t)settings->connections_most / 2;
    return live_start(&parts, &intake->live);
}

static enum status start_serving(struct intake *intake)
{
    enum status status = start_live(intake);

    if (status != STATUS_OK)
        return status;
    intake->daemon = start_mhd(intake);
    if (intake->daemon && pthread_create(&intake->door, NULL, keep_door, intake) == 0)
        return STATUS_OK;
    log_line(LOG_LEVEL_ERROR, "requests cannot be served: libmicrohttpd or its TLS is missing "
                              "something, or there is no memory");
    if (intake->daemon)
        MHD_stop_daemon(intake->daemon);
    return STATUS_IO;
}

static enum status open_door(struct intake *intake)
{
    if (intake->ours && use_certificate(intake) != STATUS_OK)
        return STATUS_INVALID;
    intake->listening = listening_socket(intake->parts.settings, intake);
    if (intake->listening >= 0)
        return start_serving(intake);
    log_line(LOG_LEVEL_ERROR, "cannot listen on %s: %s", intake->parts.settings->listen,
             strerror(errno));
    return STATUS_IO;
}

enum status intake_start(const struct intake_parts *parts, struct kinds *kinds, struct intake **out)
{
    struct intake *intake = calloc(1, sizeof(*intake));
    enum status status;

    if (!intake)
        return STATUS_NO_MEMORY;
    intake->parts = *parts;
    intake->as_entered = strcmp(parts->settings->units, "as-entered") == 0;
    intake->ours = parts->settings->certificate[0] != '\0';
    intake->tls = intake->ours || parts->settings->proxy[0] != '\0';
    intake->kinds = kinds_hold(kinds);
    intake->listening = -1;
    pthread_mutex_init(&intake->lock, NULL);
    pthread_mutex_init(&intake->readers.lock, NULL);
    pthread_mutex_init(&intake->submissions.lock, NULL);
    pthread_mutex_init(&intake->kept_kinds.lock, NULL);
    status = start_sessions(intake);
    if (status == STATUS_OK)
        status = open_door(intake);
    if (status == STATUS_OK)
        *out = intake;
    else
        intake_free(intake);
    return status;
}

uint16_t intake_port(const struct intake *intake)
{
    return intake->port;
}

/* Until the count is 0, or so long. */
static void wait_for_none(const atomic_long *count, int64_t most_ms)
{
    const struct timespec pause = {.tv_nsec = 10000000};
    const int64_t until = clock_monotonic_ms() + most_ms;

    while (atomic_load(count) > 0 && clock_monotonic_ms() < until)
        nanosleep(&pause, NULL);
}

#define DISK_MS   60000 /* what waits for the disk is waited for, in any case */
#define ANSWER_MS 1000  /* for an answer to leave, after that */

/* Suspended connections never time out and must all be resumed before MHD_stop_daemon: let nobody
 * in any more (a listening socket that is shut down refuses at once, and wakes the door), let what
 * is under way be answered (as long as a drain may take), begin nothing more, wait for the disk and
 * for the answers of those that waited for it, stop. */
void intake_stop(struct intake *intake)
{
    if (!intake)
        return;
    atomic_store(&intake->draining, true);
    shutdown(intake->listening, SHUT_RDWR);
    live_end(intake->live, ANSWER_MS);
    wait_for_none(&intake->active, intake->parts.settings->drain_ms);
    atomic_store(&intake->stopping, true);
    wait_for_none(&intake->under_way, DISK_MS);
    wait_for_none(&intake->active, ANSWER_MS);
    pthread_join(intake->door, NULL);
    MHD_stop_daemon(intake->daemon);
    intake_free(intake);
}
