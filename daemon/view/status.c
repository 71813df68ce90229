/* status.c - how things stand: what waits, what is held, how the destination is. */
#include "view/view_private.h"

static void destination_out(struct courier *courier, struct json_out *out)
{
    struct courier_status status;

    courier_status_get(courier, &status);
    out_name(out, "destination");
    out_object(out);
    out_member(out, "state", destination_state_text(status.state));
    out_member_if(out, "why", status.why[0] ? status.why : NULL);
    if (status.since_ms > 0)
        time_out(out, "since", status.since_ms);
    if (status.next_try_ms > 0)
        time_out(out, "next-try", status.next_try_ms);
    out_member_if(out, "way", status.way[0] ? status.way : NULL);
    out_member_bool(out, "batches", status.batches);
    out_object_end(out);
}

enum status view_status(struct outbox_reader *reader, struct courier *courier,
                        const struct kinds *kinds, struct json_out *out)
{
    struct outbox_counts counts;
    enum status status = outbox_count(reader, &counts);

    if (status != STATUS_OK)
        return status;
    out_object(out);
    out_member(out, "version", WARDPOST_VERSION);
    out_member(out, "table", kinds_version(kinds));
    out_member_integer(out, "waiting", counts.waiting);
    out_member_integer(out, "held", counts.held);
    out_member_integer(out, "charted", counts.charted);
    out_member_integer(out, "discarded", counts.discarded);
    out_member_integer(out, "refusals", counts.refusals);
    if (counts.oldest_waiting_ms > 0)
        time_out(out, "oldest-waiting", counts.oldest_waiting_ms);
    out_member_integer(out, "free-bytes", counts.free_bytes);
    destination_out(courier, out);
    out_object_end(out);
    return STATUS_OK;
}
