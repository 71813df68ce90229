/* step.c - what to do about one delivery, now that something has happened. */
#include <string.h>

#include "courier/decide.h"

#define TRIES_MOST 3 /* answers in one round that send a delivery round again; then it waits */

static struct deed deed(enum deed_type type, const char *reason)
{
    return (struct deed){.type = type, .reason = reason};
}

static struct deed wait_until(int64_t due_ms, bool ambiguous, const char *reason)
{
    return (struct deed){
        .type = DEED_WAIT, .due_ms = due_ms, .ambiguous = ambiguous, .reason = reason};
}

/* A try whose answer was lost may still be under way: only after the request's own time-out is a
 * look-up worth anything. */
static struct deed claimed(const struct delivery *delivery, const struct courier_options *options,
                           const struct event *event)
{
    int64_t settled_by = delivery->sent_ms + options->request_timeout_ms;

    if (!delivery->ambiguous)
        return deed(
            delivery->way == WAY_SEARCH_FIRST && !delivery->update ? DEED_LOOK_UP : DEED_SEND, "");
    if (delivery->sent_ms > 0 && event->now_ms < settled_by) {
        struct deed wait =
            wait_until(settled_by, true, "its answer was lost: waiting, then looking");

        wait.not_sent = true;
        return wait;
    }
    return deed(DEED_LOOK_UP, "");
}

static struct deed wait_after(struct delivery *delivery, const struct courier_options *options,
                              const struct event *event, bool unsure, const char *reason)
{
    int64_t wait =
        backoff_ms(options, delivery->server_errors, event->chance, event->retry_after_ms);

    if (unsure && wait < options->request_timeout_ms)
        wait = options->request_timeout_ms;
    return wait_until(event->now_ms + wait, unsure, reason);
}

/* An answer of 5xx says little: the server may be in trouble, or it may choke on this one reading.
 */
static struct deed server_error(struct delivery *delivery, const struct courier_options *options,
                                const struct event *event, const char *reason)
{
    delivery->server_errors++;
    if (delivery->server_errors >= options->server_error_tries && delivery->others_succeed)
        return deed(DEED_HOLD, "the server fails on this reading alone");
    return wait_after(delivery, options, event, true, reason);
}

static struct deed next_way(struct delivery *delivery, const char *reason)
{
    enum courier_way next = delivery->update ? WAY_BY_ABILITY : way_next(delivery->way);

    if (next == WAY_BY_ABILITY)
        return deed(DEED_HOLD, reason);
    delivery->way = next;
    return deed(DEED_SEND_NEXT_WAY, reason);
}

/* What is to be amended and is not there is a matter of that one, not of the address. */
enum verdict answer_verdict(const struct delivery *delivery, long status, bool in_bundle)
{
    const struct answer_rule *rule = answer_judge(status);

    if (delivery->update && status == 404)
        return VERDICT_LOOK_UP;
    return in_bundle ? rule->in_bundle : rule->alone;
}

/* There, and perhaps otherwise than we know it. A correction is never put over what somebody else
 * has written, unless a person says so. */
static struct deed found(struct delivery *delivery, const struct event *event)
{
    if (!delivery->update && !delivery->corrected)
        return deed(DEED_CHARTED, "found on the server");
    if (!delivery->update) { /* which text is it? one that was refused may be there all the same */
        delivery->update = true;
        return deed(DEED_LOOK_UP, "");
    }
    if (!delivery->corrected)
        return deed(DEED_SEND, "");
    if (event->same || delivery->accepted)
        return deed(DEED_CHARTED, "found on the server");
    if (event->changed && !delivery->released)
        return deed(DEED_HOLD, "somebody else has changed it on the server");
    return deed(DEED_SEND, "");
}

/* A conditional create that creates nothing (FHIR R4 http.html#ccreate): of a corrected one an
 * older text may be there. */
static bool was_there(const struct delivery *delivery, long status)
{
    return delivery->corrected && !delivery->update && delivery->way == WAY_CONDITIONAL_CREATE &&
           status == 200;
}

static struct deed answered(struct delivery *delivery, const struct courier_options *options,
                            const struct event *event)
{
    const struct answer_rule *rule = answer_judge(event->http_status);
    enum verdict verdict = answer_verdict(delivery, event->http_status, event->in_bundle);

    delivery->tries++;
    if (event->duplicate && verdict != VERDICT_CHARTED)
        verdict = VERDICT_LOOK_UP;
    switch (verdict) {
    case VERDICT_CHARTED:
        if (was_there(delivery, event->http_status))
            return deed(DEED_LOOK_UP, rule->reason);
        delivery->accepted = true;
        return deed(event->has_location ? DEED_CHARTED : DEED_LOOK_UP, rule->reason);
    case VERDICT_LOOK_UP:
        return delivery->tries < TRIES_MOST
                   ? deed(DEED_LOOK_UP, rule->reason)
                   : deed(DEED_HOLD, "there already, says the server, and is not found");
    case VERDICT_NEXT_WAY:
        return next_way(delivery, rule->reason);
    case VERDICT_WAIT_UNSURE:
        return server_error(delivery, options, event, rule->reason);
    case VERDICT_SIGN_IN:
        if (delivery->tries < 2)
            return deed(DEED_SEND,
                        rule->reason); /* once more; twice pauses the destination (design 3) */
        return wait_after(delivery, options, event, false, rule->reason);
    case VERDICT_PAUSE:
    case VERDICT_WAIT:
        return wait_after(delivery, options, event, false, rule->reason);
    case VERDICT_SPLIT:
    case VERDICT_HOLD:
        return deed(DEED_HOLD, rule->reason);
    }
    return deed(DEED_HOLD, rule->reason);
}

struct deed courier_step(struct delivery *delivery, const struct courier_options *options,
                         const struct event *event)
{
    struct deed wait;

    switch (event->type) {
    case EVENT_CLAIMED:
        return claimed(delivery, options, event);
    case EVENT_FOUND:
        return found(delivery, event);
    case EVENT_NOT_FOUND:
        if (delivery
                ->accepted) /* 202: it may never become readable (US Core, writing vital signs) */
            return deed(DEED_CHARTED, "accepted, and not to be seen");
        if (delivery->update)
            return deed(DEED_HOLD, "the server no longer has what is to be amended");
        return deed(DEED_SEND, "");
    case EVENT_CANNOT_LOOK:
        if (delivery->accepted)
            return deed(DEED_CHARTED, "accepted; the server does not say where");
        /* the other two ways may be repeated safely once the time-out is over */
        return delivery->way == WAY_SEARCH_FIRST
                   ? deed(DEED_HOLD, "the server cannot be searched: it may be there already")
                   : deed(DEED_SEND, "");
    case EVENT_ANSWER:
        return answered(delivery, options, event);
    case EVENT_NOT_SENT:
        wait = wait_until(event->now_ms, delivery->ambiguous, "the server cannot be reached");
        wait.not_sent = true;
        return wait;
    case EVENT_LOST:
        return wait_until(event->now_ms + options->request_timeout_ms, true, "no answer");
    }
    return deed(DEED_HOLD, "");
}

/* ---- ways ---- */

enum courier_way way_named(const char *word)
{
    if (strcmp(word, "update-as-create") == 0)
        return WAY_UPDATE_AS_CREATE;
    if (strcmp(word, "conditional-create") == 0)
        return WAY_CONDITIONAL_CREATE;
    return strcmp(word, "search-first") == 0 ? WAY_SEARCH_FIRST : WAY_BY_ABILITY;
}

enum courier_way way_choose(enum courier_way setting, const struct abilities *abilities)
{
    if (setting != WAY_BY_ABILITY)
        return setting;
    if (abilities->update_create)
        return WAY_UPDATE_AS_CREATE;
    return abilities->conditional_create ? WAY_CONDITIONAL_CREATE : WAY_SEARCH_FIRST;
}

enum courier_way way_next(enum courier_way way)
{
    switch (way) {
    case WAY_UPDATE_AS_CREATE:
        return WAY_CONDITIONAL_CREATE;
    case WAY_CONDITIONAL_CREATE:
        return WAY_SEARCH_FIRST;
    case WAY_SEARCH_FIRST:
    case WAY_BY_ABILITY:
        return WAY_BY_ABILITY;
    }
    return WAY_BY_ABILITY;
}

const char *way_text(enum courier_way way)
{
    switch (way) {
    case WAY_UPDATE_AS_CREATE:
        return "update as create";
    case WAY_CONDITIONAL_CREATE:
        return "conditional create";
    case WAY_SEARCH_FIRST:
        return "search before create";
    case WAY_BY_ABILITY:
        return "";
    }
    return "";
}
