/* address.c - "host:port" as it stands in settings. */
#include <arpa/inet.h>
#include <errno.h>
#include <stdlib.h>
#include <string.h>

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
