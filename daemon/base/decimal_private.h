/* decimal_private.h - shared by decimal.c and exact.c. */
#ifndef WARDPOST_BASE_DECIMAL_PRIVATE_H
#define WARDPOST_BASE_DECIMAL_PRIVATE_H

#include "wardpost/decimal.h"

#define DECIMAL_DIGITS_MOST 15U

int64_t decimal_ten_to(unsigned places); /* places <= DECIMAL_PLACES_MOST */

#endif
