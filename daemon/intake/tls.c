/* tls.c - the certificate and its key: read from their files, looked at before they are used, and
 * copied for each handshake.
 *
 * A handshake owns its copy, so that another certificate can come into force at any time and
 * nothing has to be counted; the copy costs some microseconds beside a signature's millisecond. */
#include "intake/tls.h"

#include <errno.h>
#include <fcntl.h>
#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "wardpost/moment.h"

#define FILE_MOST    ((off_t)1 << 20)
#define SOON_MS      ((int64_t)30 * 86400000) /* before the end of a certificate */
#define KEY_ID_BYTES 64

struct certificate {
    gnutls_x509_crt_t *chain;
    unsigned count;
    gnutls_x509_privkey_t key;
};

/* GnuTLS asks without a context of ours: one intake of a process has TLS. */
static struct {
    pthread_mutex_t lock;
    struct certificate *certificate;
} in_use = {.lock = PTHREAD_MUTEX_INITIALIZER};

/* ---- from the files ---- */

static enum status fault(char why[CERTIFICATE_WHY], const char *path, const char *what)
{
    (void)snprintf(why, CERTIFICATE_WHY, "%.120s: %.70s", path, what);
    return STATUS_INVALID;
}

static enum status read_all(int fd, const char *path, gnutls_datum_t *out,
                            char why[CERTIFICATE_WHY])
{
    unsigned used = 0;

    while (used < out->size) {
        ssize_t got = read(fd, out->data + used, out->size - used);

        if (got < 0 && errno == EINTR)
            continue;
        if (got <= 0)
            return fault(why, path, "cannot be read");
        used += (unsigned)got;
    }
    return STATUS_OK;
}

static void text_clear(gnutls_datum_t *text)
{
    if (text->data)
        explicit_bzero(text->data, text->size);
    free(text->data);
    *text = (gnutls_datum_t){0};
}

/* `forbidden`: bits its mode may not have, looked at on the open file. */
static enum status read_file(const char *path, mode_t forbidden, gnutls_datum_t *out,
                             char why[CERTIFICATE_WHY])
{
    int fd = open(path, O_RDONLY | O_CLOEXEC | O_NONBLOCK);
    enum status status = STATUS_OK;
    struct stat about;

    if (fd < 0)
        return fault(why, path, strerror(errno));
    if (fstat(fd, &about) != 0 || !S_ISREG(about.st_mode) || about.st_size == 0 ||
        about.st_size > FILE_MOST)
        status = fault(why, path, "is no file of 1 byte to 1 MiB");
    else if (about.st_mode & forbidden)
        status = fault(why, path, "others may read it: chmod o-rwx,g-w");
    else if (!(out->data = calloc(1, (size_t)about.st_size)))
        status = STATUS_NO_MEMORY;
    if (status == STATUS_OK) {
        out->size = (unsigned)about.st_size;
        status = read_all(fd, path, out, why);
    }
    close(fd);
    if (status != STATUS_OK)
        text_clear(out);
    return status;
}

static enum status status_of_gnutls(int code, const char *path, char why[CERTIFICATE_WHY])
{
    if (code >= 0)
        return STATUS_OK;
    return code == GNUTLS_E_MEMORY_ERROR ? STATUS_NO_MEMORY
                                         : fault(why, path, gnutls_strerror(code));
}

static enum status read_chain(const char *path, struct certificate *out, char why[CERTIFICATE_WHY])
{
    gnutls_datum_t text = {0};
    enum status status = read_file(path, 0, &text, why);

    if (status == STATUS_OK)
        status = status_of_gnutls(
            gnutls_x509_crt_list_import2(&out->chain, &out->count, &text, GNUTLS_X509_FMT_PEM,
                                         GNUTLS_X509_CRT_LIST_FAIL_IF_UNSORTED),
            path, why);
    text_clear(&text);
    return status;
}

static enum status read_key(const char *path, struct certificate *out, char why[CERTIFICATE_WHY])
{
    gnutls_datum_t text = {0};
    enum status status = read_file(path, S_IRWXO | S_IWGRP, &text, why);

    if (status == STATUS_OK)
        status = status_of_gnutls(gnutls_x509_privkey_init(&out->key), path, why);
    if (status == STATUS_OK)
        status = status_of_gnutls(gnutls_x509_privkey_import2(out->key, &text, GNUTLS_X509_FMT_PEM,
                                                              NULL, GNUTLS_PKCS_PLAIN),
                                  path, why);
    text_clear(&text);
    return status;
}

/* ---- do they fit, and for how long ---- */

static bool fits(const struct certificate *certificate)
{
    unsigned char ours[KEY_ID_BYTES], its[KEY_ID_BYTES];
    size_t our_length = sizeof(ours), its_length = sizeof(its);

    return gnutls_x509_privkey_get_key_id(certificate->key, GNUTLS_KEYID_USE_SHA256, ours,
                                          &our_length) >= 0 &&
           gnutls_x509_crt_get_key_id(certificate->chain[0], GNUTLS_KEYID_USE_SHA256, its,
                                      &its_length) >= 0 &&
           our_length == its_length && memcmp(ours, its, our_length) == 0;
}

static void look_at_times(const struct certificate *certificate, const char *path,
                          char why[CERTIFICATE_WHY])
{
    int64_t from = (int64_t)gnutls_x509_crt_get_activation_time(certificate->chain[0]) * 1000;
    int64_t until = (int64_t)gnutls_x509_crt_get_expiration_time(certificate->chain[0]) * 1000;
    int64_t now = clock_wall_ms();
    char text[MOMENT_TEXT_ROOM], what[70];

    if (from > now) {
        moment_text((struct moment){.ms = from}, text);
        (void)snprintf(what, sizeof(what), "is not valid before %s", text);
    } else if (until < now + SOON_MS) {
        moment_text((struct moment){.ms = until}, text);
        (void)snprintf(what, sizeof(what), "%s at %s", until < now ? "expired" : "expires", text);
    } else {
        return;
    }
    (void)fault(why, path, what);
}

enum status certificate_read(const struct settings *settings, struct certificate **out,
                             char why[CERTIFICATE_WHY])
{
    struct certificate *certificate = calloc(1, sizeof(*certificate));
    enum status status = certificate ? STATUS_OK : STATUS_NO_MEMORY;

    why[0] = '\0';
    if (status == STATUS_OK)
        status = read_chain(settings->certificate, certificate, why);
    if (status == STATUS_OK)
        status = read_key(settings->key, certificate, why);
    if (status == STATUS_OK && !fits(certificate))
        status = fault(why, settings->key, "is not the key of the certificate");
    if (status != STATUS_OK) {
        certificate_free(certificate);
        return status;
    }
    look_at_times(certificate, settings->certificate, why);
    *out = certificate;
    return STATUS_OK;
}

void certificate_free(struct certificate *certificate)
{
    if (!certificate)
        return;
    for (unsigned i = 0; i < certificate->count; i++)
        gnutls_x509_crt_deinit(certificate->chain[i]);
    gnutls_free(certificate->chain);
    if (certificate->key)
        gnutls_x509_privkey_deinit(certificate->key);
    free(certificate);
}

void certificate_use(struct certificate *certificate)
{
    struct certificate *old;

    pthread_mutex_lock(&in_use.lock);
    old = in_use.certificate;
    in_use.certificate = certificate;
    pthread_mutex_unlock(&in_use.lock);
    certificate_free(old);
}

/* ---- to a handshake ---- */

static void copies_free(gnutls_pcert_st *chain, unsigned count)
{
    for (unsigned i = 0; i < count; i++)
        gnutls_pcert_deinit(&chain[i]);
    gnutls_free(chain);
}

/* How many were copied. */
static unsigned copy_chain(const struct certificate *certificate, gnutls_pcert_st *out)
{
    unsigned count = 0;

    while (count < certificate->count &&
           gnutls_pcert_import_x509(&out[count], certificate->chain[count], 0) >= 0)
        count++;
    return count;
}

static bool copy_key(const struct certificate *certificate, gnutls_privkey_t *out)
{
    gnutls_privkey_t key;

    if (gnutls_privkey_init(&key) < 0)
        return false;
    if (gnutls_privkey_import_x509(key, certificate->key, GNUTLS_PRIVKEY_IMPORT_COPY) < 0) {
        gnutls_privkey_deinit(key);
        return false;
    }
    *out = key;
    return true;
}

static bool copy(const struct certificate *certificate, gnutls_pcert_st **chain,
                 unsigned *count_out, gnutls_privkey_t *key)
{
    unsigned count;

    *chain = certificate ? gnutls_calloc(certificate->count, sizeof(**chain)) : NULL;
    if (!*chain)
        return false;
    count = copy_chain(certificate, *chain);
    if (count < certificate->count || !copy_key(certificate, key)) {
        copies_free(*chain, count);
        return false;
    }
    *count_out = count;
    return true;
}

int certificate_show(gnutls_session_t session, const struct gnutls_cert_retr_st *info,
                     gnutls_pcert_st **chain, unsigned *count, gnutls_ocsp_data_st **ocsp,
                     unsigned *ocsp_count, gnutls_privkey_t *key, unsigned *flags)
{
    bool copied;

    (void)session;
    (void)info;
    pthread_mutex_lock(&in_use.lock);
    copied = copy(in_use.certificate, chain, count, key);
    pthread_mutex_unlock(&in_use.lock);
    *ocsp = NULL;
    *ocsp_count = 0;
    *flags = GNUTLS_CERT_RETR_DEINIT_ALL; /* the copies are the handshake's */
    return copied ? 0 : -1;
}
