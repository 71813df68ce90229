/* commands.c - the subcommands. A repo test compares them with the man page. */
#include "tool/tool_private.h"

/* Keep alphabetical. */
const struct command command_table[] = {
    {"check",   "",                              "read kind table and users file, say what is wrong", 0, 0, command_check },
    {"device",  "add NAME | list | remove NAME", "enrol what may send; prints its token once",        1, 2,
     command_device                                                                                                       },
    {"discard", "ID --reason TEXT --by WHO",     "a held or waiting reading is not to be charted",    1, 1,
     command_discard                                                                                                      },
    {"list",    "[--state STATE] [--kind KIND]", "readings, newest first",                            0, 0, command_list  },
    {"map",     "FILE [--all]",                  "what a reading would become; needs no daemon",      1, 1, command_map   },
    {"patients", "FILE",                       "say who the patients are: NDJSON, or CSV (.csv)",     1, 1, command_patients},
    {"release", "ID --reason TEXT --by WHO",     "a held reading goes on its way",                    1, 1,
     command_release                                                                                                      },
    {"send",    "FILE",                          "post a reading, a set, or NDJSON",                  1, 1, command_send  },
    {"show",    "ID",                            "all that is known of a reading",                    1, 1, command_show  },
    {"status",  "",                              "what waits, what is held, how the server is",       0, 0, command_status},
    {"user",    "add|list|disable|enable|reset", "accounts to sign in with; prints a first PIN once",
     1,                                                                                                  2, command_user  },
};

const int command_count = (int)(sizeof(command_table) / sizeof(command_table[0]));
