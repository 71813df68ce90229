/* load_again.c - when a sign is looked at again after something was done about it. Only forms read
 * it: looked at like the rest, and then left in the file; see load.h. */
#include "clinical/load.h"

struct again {
    int from, to; /* minutes */
};

struct agains {
    const struct again *items;
    size_t count;
};

static bool read_again(const struct place *item, void *out)
{
    static const struct member members[] = {
        MEMBER("text", REQUIRED, take_said, NOWHERE),
        MEMBER("from", REQUIRED, take_whole, INTO(again, from)),
        MEMBER("to", REQUIRED, take_whole, INTO(again, to)),
        MEMBER("source", REQUIRED, take_said, NOWHERE),
    };
    const struct again *again = out;

    return SHAPE(item, members, out) && ((again->from > 0 && again->from <= again->to) ||
                                         place_fail(item, "from stands before to, in minutes"));
}

bool take_again(const struct place *at, const struct member *member, char *out)
{
    static const struct rows rows = {sizeof(struct again), 1, ROWS_MOST, read_again};
    static const struct member here =
        MEMBER("", REQUIRED, take_list, LISTED(agains, items, count, rows));
    struct agains agains;

    (void)member;
    (void)out;
    return take_list(at, &here, (char *)&agains);
}
