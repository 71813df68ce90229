/* map.c - a reading in, its Observation out; never looks at a clock or at a store. And check: is
 * the kind table whole? */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

#include "tool/tool_private.h"
#include "wardpost/bundle.h"
#include "wardpost/json_in.h"
#include "wardpost/mappings_path.h"
#include "wardpost/observation.h"
#include "wardpost/problem_json.h"

static int load(struct tool *tool, struct kinds **kinds)
{
    struct kinds_fault fault;
    char path[4096], text[KINDS_FAULT_ROOM];
    enum status status;

    if (!mappings_path(tool->mappings, path, sizeof(path))) {
        (void)fprintf(stderr, "wardpost: no kind table found; see --mappings\n");
        return EX_NOINPUT;
    }
    status = kinds_load(path, kinds, &fault);
    if (status == STATUS_OK)
        return EX_OK;
    if (status == STATUS_INVALID)
        (void)fprintf(stderr, "%s/%s\n", path, kinds_fault_text(&fault, text));
    else
        (void)fprintf(stderr, "wardpost: %s: %s\n", path, status_text(status));
    return status == STATUS_INVALID ? EX_CONFIG : EX_NOINPUT;
}

int command_check(struct tool *tool)
{
    struct kinds *kinds = NULL;
    int code = load(tool, &kinds);
    int users = check_users(tool->users);

    if (code == EX_OK)
        printf("%zu kinds, table %s: in order\n", kinds_count(kinds), kinds_version(kinds));
    kinds_free(kinds);
    return code == EX_OK ? users : code;
}

static int print_problems(const struct problems *problems, const char *title)
{
    struct json_out out = JSON_OUT_INIT;

    problem_out(&out, strcmp(title, "not JSON") == 0 ? 400 : 422, title,
                "Each thing that is wrong is listed with where it stands.", problems);
    if (json_out_ok(&out))
        (void)fprintf(stderr, "%s\n", json_out_text(&out));
    json_out_clear(&out);
    return EX_DATAERR;
}

static int print_observations(const struct set *set, const struct observations *observations,
                              bool all)
{
    struct json_out out = JSON_OUT_INIT;
    bool good;

    if (all || !set->single)
        bundle_collection(observations, &out);
    else if (observations->count > 0)
        out_raw(&out, observations->items[0].json, observations->items[0].length);
    good = json_out_ok(&out);
    if (good && out.length > 0)
        puts(json_out_text(&out));
    json_out_clear(&out);
    return good ? EX_OK : EX_OSERR;
}

struct mapping { /* what the way of a reading leaves behind */
    struct set *set;
    struct judgement *judgements;
    struct score_answer *scores;
    size_t scores_count;
    struct observations observations;
    struct problems problems;
};

static enum status judge(struct mapping *mapping)
{
    struct judge_frame frame = {0};

    mapping->judgements = calloc(mapping->set->count, sizeof(*mapping->judgements));
    mapping->scores = calloc(kinds_score_count(mapping->set->kinds) + 1, sizeof(*mapping->scores));
    if (!mapping->judgements || !mapping->scores)
        return STATUS_NO_MEMORY;
    return set_judge(mapping->set, &frame, mapping->judgements, &mapping->problems);
}

static enum status map_all(struct mapping *mapping)
{
    struct set *set = mapping->set;
    struct worked_out worked_out[WORKED_OUT_MOST];
    size_t worked_out_count = set_work_out(set, mapping->judgements, worked_out);

    mapping->scores_count = set_scores(set, mapping->judgements, mapping->scores);
    return set_map(set, mapping->judgements, worked_out, worked_out_count, mapping->scores,
                   mapping->scores_count, &mapping->observations);
}

static void mapping_clear(struct mapping *mapping)
{
    for (size_t i = 0; mapping->set && mapping->judgements && i < mapping->set->count; i++)
        judgement_clear(&mapping->judgements[i]);
    free(mapping->judgements);
    free(mapping->scores);
    observations_clear(&mapping->observations);
    problems_clear(&mapping->problems);
    set_free(mapping->set);
}

static int map_text(struct kinds *kinds, const char *text, size_t length, bool all)
{
    struct reading_frame frame = {.readings_most = 1000};
    struct mapping mapping = {0};
    struct json_fault fault = {0};
    json_t *body = NULL;
    int code = EX_OSERR;
    enum status status = json_in(text, length, &body, &fault);

    if (status == STATUS_INVALID) {
        problem_add_fault(&mapping.problems, &fault);
        code = print_problems(&mapping.problems, "not JSON");
    }
    if (status == STATUS_OK)
        status = set_parse(body, kinds, &frame, &mapping.set, &mapping.problems);
    if (status == STATUS_OK && mapping.set)
        status = judge(&mapping);
    if (status == STATUS_OK && mapping.problems.count > 0)
        code = print_problems(&mapping.problems, "cannot be taken");
    else if (status == STATUS_OK && map_all(&mapping) == STATUS_OK)
        code = print_observations(mapping.set, &mapping.observations, all);
    mapping_clear(&mapping);
    json_decref(body);
    return code;
}

int command_map(struct tool *tool)
{
    struct kinds *kinds = NULL;
    size_t length = 0;
    char *text;
    int code = load(tool, &kinds);

    if (code != EX_OK)
        return code;
    text = read_input(tool->argv[0], &length);
    code = text ? map_text(kinds, text, length, tool->all) : EX_NOINPUT;
    free(text);
    kinds_free(kinds);
    return code;
}
