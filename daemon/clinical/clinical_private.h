/* clinical_private.h - what the loader (kinds.c and its neighbours) builds and judge, checks and
 * score read. */
#ifndef WARDPOST_CLINICAL_PRIVATE_H
#define WARDPOST_CLINICAL_PRIVATE_H

#include "wardpost/judgement.h"
#include "wardpost/kind.h"
#include "wardpost/score.h"

/* Where a path of a check points. `last` asks for the patient's last reading of the kind. */
struct path {
    const struct kind *kind;
    bool last;
    bool is_field; /* else a part */
    size_t index;  /* of the part or the field */
};

struct term {
    struct decimal times;
    struct path path;
};

enum condition_type {
    CONDITION_SUM,     /* terms within bound */
    CONDITION_RATIO,   /* a over b within bound */
    CONDITION_CHANGE,  /* |a - b| within bound */
    CONDITION_ENTERED, /* digits of a as entered, when entered in `unit`, within bound */
    CONDITION_WORD_IN, /* the word at a is one of words */
    CONDITION_WORD_NOT_IN,
    CONDITION_PRESENT,
    CONDITION_ABSENT,
    CONDITION_ODD,
    CONDITION_DIGITS_EXCHANGED, /* a and b */
    CONDITION_DAYS_SINCE_LAST,  /* of a's kind, within bound */
    CONDITION_SAME_AS_LAST
};

struct condition {
    enum condition_type type;
    struct path a, b;
    const struct term *terms;
    size_t terms_count;
    const struct unit *unit;
    const char *const *words;
    size_t words_count;
    struct bound bound;
};

struct check {
    const char *name;
    enum grade grade; /* GRADE_NOTE, GRADE_ASK or GRADE_REFUSE */
    enum problem_code code;
    struct ages ages;
    const struct condition *conditions;
    size_t conditions_count;
    const struct path *at;
    size_t at_count;
    const char *say, *source;
    const struct kind *kind; /* it belongs to; NULL: between kinds */
};

struct score_band {
    bool has_from, has_to; /* both included */
    struct decimal from, to;
    int scale;   /* 0: any */
    size_t with; /* other input whose points must be with_points; SIZE_MAX: none */
    int with_points;
    int points;
};

struct score_word {
    const char *word;
    int points;
};

struct score_rule { /* how one input of a score gets its points; parallel to score_table.inputs */
    struct path path;
    const struct unit *in;
    unsigned places;
    const struct score_band *bands;
    size_t bands_count;
    const struct score_word *words;
    size_t words_count;
    bool has_other;
    int other;
};

struct score_response {
    int from, to; /* both included */
    int single;   /* 0: by total; else some input has so many points */
    const char *risk, *say, *source;
    int interval_minutes;
};

struct score_withhold {
    struct ages ages;
    bool age_unknown;
    bool pregnant; /* context "pregnant" is true */
    const char *say;
};

struct score {
    struct score_table table;
    const struct score_rule *rules;
    const struct score_response *responses;
    size_t responses_count;
    const struct score_withhold *withheld;
    size_t withheld_count;
    int scale_default; /* 0: the score has no scales */
    struct {
        int scale;
        const char *text;
    } scales[4];
    size_t scales_count;
    int single_points; /* points that make a single trigger; 0: none */
};

struct kinds {
    _Atomic unsigned references;
    json_t *files;        /* all strings above live in here */
    struct chunk *memory; /* arena of everything else */
    char version[17];
    const struct unit *units;
    size_t units_count;
    const struct spelling *spellings; /* sorted: spelling -> unit */
    size_t spellings_count;
    const struct conversion *conversions;
    size_t conversions_count;
    const struct word_list *lists;
    size_t lists_count;
    const struct kind **by_order;
    const struct kind **by_name;
    size_t count;
    const struct check *checks; /* between kinds */
    size_t checks_count;
    const struct reason *reasons;
    size_t reasons_count;
    const struct correction_reason *corrections;
    size_t corrections_count;
    struct panel panel;
    const struct score *scores;
    size_t scores_count;
    const struct language *languages;
    size_t languages_count;
};

struct spelling {
    const char *text;
    const struct unit *unit;
};

/* Does the whens hold for this reading? A field that was not sent does not fit. */
bool whens_fit(const struct whens *whens, const struct reading *reading);
bool bound_holds(const struct bound *bound,
                 struct exact value); /* every bound it has; true when it has none */

#endif
