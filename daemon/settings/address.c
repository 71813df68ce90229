/* address.c - "host:port" as it stands in settings. */
#include <arpa/inet.h>
#include <errno.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>

#include "wardpost/settings.h"

bool address_split(const char *address, char host[128], uint16_t *port)
{
    const char *colon = strrchr(address, ':');
    const char *start = address;
    size_t length;
    char *end;
    unsigned long number;

    if (!colon || colon[1] < '0' || colon[1] > '9')
        return false;
    errno = 0;
    number = strtoul(colon + 1, &end, 10);
    if (errno != 0 || *end != '\0' || number > 65535)
        return false;
    length = (size_t)(colon - address);
    if (length >= 2 && start[0] == '[' && start[length - 1] == ']') {
        start++;
        length -= 2;
    } else if (memchr(start, ':', length)) {
        return false; /* IPv6 needs its brackets */
    }
    if (length == 0 || length > 127)
        return false;
    memcpy(host, start, length);
    host[length] = '\0';
    *port = (uint16_t)number;
    return true;
}

bool address_is_loopback(const char *host)
{
    struct in_addr four;
    struct in6_addr six;

    if (inet_pton(AF_INET, host, &four) == 1)
        return (ntohl(four.s_addr) >> 24) == 127;
    if (inet_pton(AF_INET6, host, &six) == 1)
        return memcmp(&six, &in6addr_loopback, sizeof(six)) == 0;
    return strcmp(host, "localhost") == 0;
}

/* As IPv6, an IPv4 one mapped (RFC 4291 2.5.5.2). */
static struct in6_addr mapped(struct in_addr four)
{
    struct in6_addr six = {
        .s6_addr = {[10] = 0xff, [11] = 0xff}
    };

    memcpy(&six.s6_addr[12], &four, sizeof(four));
    return six;
}

static bool address_read(const char *text, size_t length, struct in6_addr *out)
{
    char one[INET6_ADDRSTRLEN];
    struct in_addr four;

    if (length >= sizeof(one))
        return false;
    memcpy(one, text, length);
    one[length] = '\0';
    if (inet_pton(AF_INET, one, &four) != 1)
        return inet_pton(AF_INET6, one, out) == 1;
    *out = mapped(four);
    return true;
}

/* The next of a list; false: it was the last, or is none. */
static bool address_next(const char **list, struct in6_addr *out)
{
    const char *start = *list + strspn(*list, " ");
    size_t length = strcspn(start, " ");

    if (!address_read(start, length, out))
        return false;
    *list = start + length;
    return true;
}

bool addresses_are_fine(const char *list)
{
    struct in6_addr one;

    while (address_next(&list, &one))
        continue;
    return list[strspn(list, " ")] == '\0';
}

bool address_is_listed(const char *list, const struct sockaddr *address)
{
    struct in6_addr from, one;

    if (address->sa_family == AF_INET)
        from = mapped(((const struct sockaddr_in *)(const void *)address)->sin_addr);
    else if (address->sa_family == AF_INET6)
        from = ((const struct sockaddr_in6 *)(const void *)address)->sin6_addr;
    else
        return false;
    while (address_next(&list, &one))
        if (memcmp(&one, &from, sizeof(from)) == 0)
            return true;
    return false;
}
