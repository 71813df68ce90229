/* answer.c - what a server's answer means for a reading, an entry of a Bundle, or a Bundle. Own policy as a table. */
#include <limits.h>

#include "courier/decide.h"

/* First match wins; the last row fits everything. Design 3; FHIR R4 http.html; RFC 9110 15; RFC 6585. */
static const struct answer_rule answer_rules[] = {
    {200,      203,      VERDICT_CHARTED,     VERDICT_CHARTED,     VERDICT_CHARTED,     "the server has it"                    },
    {303,      303,      VERDICT_CHARTED,     VERDICT_CHARTED,     VERDICT_WAIT,        "the server has it already"            },
    {400,      400,      VERDICT_NEXT_WAY,    VERDICT_NEXT_WAY,    VERDICT_NEXT_WAY,    "the server does not take it this way" },
    {401,      401,      VERDICT_SIGN_IN,     VERDICT_SIGN_IN,     VERDICT_SIGN_IN,     "the server does not know us"          },
    {403,      403,      VERDICT_PAUSE,       VERDICT_PAUSE,       VERDICT_PAUSE,       "the server does not let us"           },
    {404,      404,      VERDICT_PAUSE,       VERDICT_HOLD,        VERDICT_NEXT_WAY,    "wrong address, or no Observations there"},
    {405,      405,      VERDICT_NEXT_WAY,    VERDICT_NEXT_WAY,    VERDICT_NEXT_WAY,    "the server does not do it this way"   },
    {406,      406,      VERDICT_PAUSE,       VERDICT_PAUSE,       VERDICT_PAUSE,       "the server does not answer in FHIR JSON"},
    {408,      408,      VERDICT_WAIT_UNSURE, VERDICT_WAIT_UNSURE, VERDICT_WAIT_UNSURE, "interrupted"                          },
    {409,      409,      VERDICT_WAIT_UNSURE, VERDICT_WAIT_UNSURE, VERDICT_WAIT_UNSURE, "in conflict with something else"      },
    {412,      412,      VERDICT_LOOK_UP,     VERDICT_LOOK_UP,     VERDICT_WAIT_UNSURE, "there already, or changed meanwhile"  },
    {413,      413,      VERDICT_HOLD,        VERDICT_HOLD,        VERDICT_SPLIT,       "too large for the server"             },
    {415,      415,      VERDICT_PAUSE,       VERDICT_PAUSE,       VERDICT_PAUSE,       "the server does not take FHIR JSON"   },
    {429,      429,      VERDICT_WAIT,        VERDICT_WAIT,        VERDICT_WAIT,        "the server asks us to slow down"      },
    {501,      501,      VERDICT_NEXT_WAY,    VERDICT_NEXT_WAY,    VERDICT_NEXT_WAY,    "the server does not do that"          },
    {500,      599,      VERDICT_WAIT_UNSURE, VERDICT_WAIT_UNSURE, VERDICT_WAIT_UNSURE, "the server is in trouble"             },
    {400,      499,      VERDICT_HOLD,        VERDICT_HOLD,        VERDICT_SPLIT,       "the server refuses it"                },
    {LONG_MIN, LONG_MAX, VERDICT_WAIT_UNSURE, VERDICT_WAIT_UNSURE, VERDICT_WAIT_UNSURE, "no useful answer"                     },
};

const struct answer_rule *answer_judge(long status)
{
    const struct answer_rule *rule = answer_rules;

    while (status < rule->from || status > rule->to)
        rule++;
    return rule;
}
