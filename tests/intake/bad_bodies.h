/* bad_bodies.h - what is wrong with each body, all of it and nothing else. ' stands for ", for the
 * eye's sake. */
#ifndef WARDPOST_TESTS_INTAKE_BAD_BODIES_H
#define WARDPOST_TESTS_INTAKE_BAD_BODIES_H

#define PATIENT "'patient':{'identifier':{'system':'https://clinic.example/mrn','value':'WP-1'}}"
#define BORN                                                     \
    "'patient':{'identifier':{'system':'https://clinic.example/" \
    "mrn','value':'WP-1'},'birthDate':'2026-11-25'}"
#define TAKEN "'taken':'2026-11-25T09:30:00+01:00'" /* one minute before now */
#define BOTH  PATIENT "," TAKEN
#define PULSE "'kind':'heart-rate','value':72,'unit':'/min'"
#define OTHER "{'kind':'pain','value':3}" /* a reading that is in order */

static const struct bad_body {
    const char *body, *problems; /* "code pointer" each, parted by blanks, in any order */
} bad_bodies[] = {
  /* the body */
    {"[]",                                                                                                "wrong-type ''"                                                  },
    {"[{" BOTH "," PULSE "}]",                                                                            "wrong-type ''"                                                  },
    {"{}",                                                                                                "missing-field /kind missing-field /patient missing-field /taken"},

 /* patient */
    {"{" TAKEN "," PULSE "}",                                                                             "missing-field /patient"                                         },
    {"{'patient':'WP-1'," TAKEN "," PULSE "}",                                                            "wrong-type /patient"                                            },
    {"{'patient':{}," TAKEN "," PULSE "}",                                                                "missing-field /patient/identifier"                              },
    {"{'patient':{'birthDate':'1951-03-14'}," TAKEN "," PULSE "}",
     "missing-field /patient/identifier"                                                                                                                                   },
    {"{'patient':{'identifier':'WP-1'}," TAKEN "," PULSE "}",                                             "wrong-type /patient/identifier"                                 },
    {"{'patient':{'identifier':[]}," TAKEN "," PULSE "}",                                                 "wrong-type /patient/identifier"                                 },
    {"{'patient':{'identifier':{}}," TAKEN "," PULSE "}",
     "missing-field /patient/identifier/system missing-field /patient/identifier/value"                                                                                    },
    {"{'patient':{'identifier':{'system':'a:b','value':''}}," TAKEN "," PULSE "}",
     "missing-field /patient/identifier/value"                                                                                                                             },
    {"{'patient':{'identifier':{'system':'a:b','value':'  '}}," TAKEN "," PULSE "}",
     "missing-field /patient/identifier/value"                                                                                                                             },
    {"{'patient':{'identifier':{'system':'a:b','value':10234}}," TAKEN "," PULSE "}",
     "wrong-type /patient/identifier/value"                                                                                                                                },
    {"{'patient':{'identifier':{'system':'a:b','value':'WP-1 '}}," TAKEN "," PULSE "}",
     "malformed /patient/identifier/value"                                                                                                                                 },
    {"{'patient':{'identifier':{'system':'a:b','value':'W|1'}}," TAKEN "," PULSE "}",
     "malformed /patient/identifier/value"                                                                                                                                 },
    {"{'patient':{'identifier':{'system':'a:b','value':'W\\n1'}}," TAKEN "," PULSE "}",
     "malformed /patient/identifier/value"                                                                                                                                 },
    {"{'patient':{'identifier':{'system':'mrn','value':'W'}}," TAKEN "," PULSE "}",
     "malformed /patient/identifier/system"                                                                                                                                },
    {"{'patient':{'identifier':{'system':'mrn:','value':'W'}}," TAKEN "," PULSE "}",
     "malformed /patient/identifier/system"                                                                                                                                },
    {"{'patient':{'identifier':{'system':'1a:b','value':'W'}}," TAKEN "," PULSE "}",
     "malformed /patient/identifier/system"                                                                                                                                },
    {"{'patient':{'identifier':{'system':'a:b c','value':'W'}}," TAKEN "," PULSE "}",
     "malformed /patient/identifier/system"                                                                                                                                },
    {"{'patient':{'identifier':{'system':'a:b|c','value':'W'}}," TAKEN "," PULSE "}",
     "malformed /patient/identifier/system"                                                                                                                                },
    {"{'patient':{'identifier':{'system':'a:b','value':'W','use':'usual'}}," TAKEN "," PULSE "}",
     "unknown-field /patient/identifier/use"                                                                                                                               },
    {"{'patient':{'identifier':{'system':'a:b','value':'W'},'given':'x'}," TAKEN "," PULSE "}",
     "unknown-field /patient/given"                                                                                                                                        },
    {"{'patient':{'identifier':{'system':'a:b','value':'W'},'birthDate':'1951-02-29'}," TAKEN
     "," PULSE "}",
     "bad-time /patient/birthDate"                                                                                                                                         },
    {"{'patient':{'identifier':{'system':'a:b','value':'W'},'birthDate':'14.03.1951'}," TAKEN
     "," PULSE "}",
     "bad-time /patient/birthDate"                                                                                                                                         },
    {"{'patient':{'identifier':{'system':'a:b','value':'W'},'birthDate':19510314}," TAKEN "," PULSE
     "}",                                                                                            "wrong-type /patient/birthDate"                                  },
    {"{'patient':{'identifier':{'system':'a:b','value':'W'},'family':''}," TAKEN "," PULSE "}",
     "missing-field /patient/family"                                                                                                                                       },
    {"{" BORN ",'taken':'2026-11-24T23:59:59+01:00','confirmed':true," PULSE "}",
     "inconsistent /taken"                                                                                                                                                 },

 /* taken */
    {"{" PATIENT "," PULSE "}",                                                                           "missing-field /taken"                                           },
    {"{" PATIENT ",'taken':'2026-11-25T09:30:00'," PULSE "}",                                             "bad-time /taken"                                                },
    {"{" PATIENT ",'taken':'2026-02-30T09:30:00+01:00'," PULSE "}",                                       "bad-time /taken"                                                },
    {"{" PATIENT ",'taken':'2026-11-25'," PULSE "}",                                                      "bad-time /taken"                                                },
    {"{" PATIENT ",'taken':'2026-11-25 09:30:00Z'," PULSE "}",                                            "bad-time /taken"                                                },
    {"{" PATIENT ",'taken':'yesterday'," PULSE "}",                                                       "bad-time /taken"                                                },
    {"{" PATIENT
     ",'taken':'2026-11-25T09:30:00.0000000000000000000000000000000000000000000000000000Z'," PULSE
     "}",                                                                                            "bad-time /taken"                                                },
    {"{" PATIENT ",'taken':1764059400," PULSE "}",                                                        "wrong-type /taken"                                              },
    {"{" PATIENT ",'taken':null," PULSE "}",                                                              "wrong-type /taken"                                              },
    {"{" PATIENT ",'taken':'2026-11-25T09:33:01+01:00'," PULSE "}",                                       "future-time /taken"                                             },
    {"{" PATIENT ",'taken':'2026-11-25T08:30:59+01:00'," PULSE "}",                                       "confirm /taken"                                                 },
    {"{" PATIENT ",'age':3601," PULSE "}",                                                                "confirm /age"                                                   },
    {"{" PATIENT ",'age':-1," PULSE "}",                                                                  "implausible /age"                                               },
    {"{" PATIENT ",'age':1.5," PULSE "}",                                                                 "implausible /age"                                               },
    {"{" PATIENT ",'age':'5'," PULSE "}",                                                                 "wrong-type /age"                                                },
    {"{" PATIENT ",'age':5," TAKEN "," PULSE "}",                                                         "inconsistent /age"                                              },

 /* kind, fields, ids, who */
    {"{" BOTH ",'value':72,'unit':'/min'}",                                                               "missing-field /kind"                                            },
    {"{" BOTH ",'kind':'hart-rate','value':72,'unit':'/min'}",                                            "unknown-kind /kind"                                             },
    {"{" BOTH ",'kind':7,'value':72,'unit':'/min'}",                                                      "wrong-type /kind"                                               },
    {"{" BOTH "," PULSE ",'sit':'radial-artery'}",                                                        "unknown-field /sit"                                             },
    {"{" BOTH "," PULSE ",'a/b~c':1}",                                                                    "unknown-field /a~1b~0c"                                         },
    {"{" BOTH "," PULSE ",'context':{}}",                                                                 "unknown-field /context"                                         },
    {"{" BOTH "," PULSE ",'id':'0b0e6f0e'}",                                                              "malformed /id"                                                  },
    {"{" BOTH "," PULSE ",'id':'0b0e6f0e-7a0e-4a52-9a3c-8c1f0d7c2b11-and-more'}",                         "malformed /id"                                                  },
    {"{" BOTH "," PULSE ",'id':'00000000-0000-0000-0000-000000000000'}",                                  "malformed /id"                                                  },
    {"{" BOTH "," PULSE ",'id':7}",                                                                       "wrong-type /id"                                                 },
    {"{" BOTH "," PULSE ",'by':''}",                                                                      "missing-field /by"                                              },
    {"{" BOTH "," PULSE ",'by':{'id':1}}",                                                                "wrong-type /by"                                                 },
    {"{" BOTH "," PULSE ",'device':' d'}",                                                                "malformed /device"                                              },
    {"{" BOTH "," PULSE ",'note':true,'confirmed':'yes'}",
     "wrong-type /note wrong-type /confirmed"                                                                                                                              },
    {"{" BOTH "," PULSE ",'override':true}",                                                              "wrong-type /override"                                           },
    {"{" BOTH "," PULSE ",'override':{'by':'a','second':'a','reason':'r','also':1}}",
     "inconsistent /override/second unknown-field /override/also"                                                                                                          },
    {"{" BOTH "," PULSE ",'override':{'by':'a'}}",
     "missing-field /override/second missing-field /override/reason"                                                                                                       },

 /* values and units */
    {"{" BOTH ",'kind':'heart-rate','value':'72','unit':'/min'}",                                         "wrong-type /value"                                              },
    {"{" BOTH ",'kind':'heart-rate','value':'seventy','unit':'/min'}",                                    "wrong-type /value"                                              },
    {"{" BOTH ",'kind':'heart-rate','value':null,'unit':'/min'}",                                         "wrong-type /value"                                              },
    {"{" BOTH ",'kind':'heart-rate','value':{},'unit':'/min'}",                                           "wrong-type /value"                                              },
    {"{" BOTH ",'kind':'heart-rate','value':{'not-taken':'unable'},'unit':'/min'}",
     "wrong-type /value"                                                                                                                                                   },
    {"{" BOTH ",'kind':'heart-rate','unit':'/min'}",                                                      "missing-field /value"                                           },
    {"{" BOTH ",'kind':'heart-rate','value':72}",                                                         "missing-field /unit"                                            },
    {"{" BOTH ",'kind':'heart-rate','value':72,'unit':'Hz'}",                                             "unknown-unit /unit"                                             },
    {"{" BOTH ",'kind':'heart-rate','value':72,'unit':'kg'}",
     "unknown-unit /unit"                                                                                                                                                  }, /* known, but not here */
    {"{" BOTH ",'kind':'heart-rate','value':72,'unit':'/MIN'}",
     "unknown-unit /unit"                                                                                                                                                  }, /* UCUM is case sensitive */
    {"{" BOTH ",'kind':'heart-rate','value':72,'unit':1}",                                                "wrong-type /unit"                                               },
    {"{" BOTH ",'kind':'heart-rate','value':'72','unit':'Hz'}",
     "wrong-type /value unknown-unit /unit"                                                                                                                                },
    {"{" BOTH ",'kind':'pain','value':3,'unit':'points'}",                                                "unknown-unit /unit"                                             },
    {"{" BOTH ",'kind':'glucose','value':101}",                                                           "missing-field /unit"                                            },
    {"{" BOTH ",'kind':'consciousness','value':'drowsy'}",                                                "unknown-word /value"                                            },
    {"{" BOTH ",'kind':'consciousness','value':4}",                                                       "wrong-type /value"                                              },
    {"{" BOTH ",'kind':'consciousness','value':'alert','unit':'{score}'}",                                "unknown-field /unit"                                            },
    {"{" BOTH ",'kind':'blood-pressure','systolic':120,'unit':'mmHg'}",                                   "missing-field /diastolic"                                       },
    {"{" BOTH ",'kind':'blood-pressure','unit':'mm[Hg]'}",
     "missing-field /systolic missing-field /diastolic"                                                                                                                    },
    {"{" BOTH ",'kind':'blood-pressure','systolic':120,'diastolic':80}",                                  "missing-field /unit"                                            },
    {"{" BOTH ",'kind':'blood-pressure','systolic':120,'diastolic':80,'unit':'psi'}",
     "unknown-unit /unit"                                                                                                                                                  },
    {"{" BOTH ",'kind':'blood-pressure','systolic':{'not-taken':'unable'},'diastolic':{'not-taken':"
     "'unabel'},'unit':'mmHg'}",                                                                     "wrong-type /systolic unknown-word /diastolic/not-taken"         },
    {"{" BOTH ",'kind':'blood-pressure','systolic':120,'diastolic':{'not-taken':'unable','why':1},'"
     "unit':'mmHg'}",                                                                                "unknown-field /diastolic/why"                                   },
    {"{" BOTH ",'kind':'blood-pressure','systolic':120,'diastolic':{},'unit':'mmHg'}",
     "missing-field /diastolic/not-taken"                                                                                                                                  },
    {"{" BOTH ",'kind':'blood-pressure','value':120,'unit':'mmHg'}",
     "unknown-field /value missing-field /systolic missing-field /diastolic"                                                                                               },

 /* counted */
    {"{" BOTH ",'kind':'heart-rate','counted':18}",                                                       "wrong-type /counted"                                            },
    {"{" BOTH ",'kind':'heart-rate','counted':{}}",
     "missing-field /counted/beats missing-field /counted/seconds"                                                                                                         },
    {"{" BOTH ",'kind':'heart-rate','counted':{'beats':0,'seconds':15}}",
     "implausible /counted/beats"                                                                                                                                          },
    {"{" BOTH ",'kind':'heart-rate','counted':{'beats':-3,'seconds':15}}",
     "implausible /counted/beats"                                                                                                                                          },
    {"{" BOTH ",'kind':'heart-rate','counted':{'beats':18.5,'seconds':15}}",
     "implausible /counted/beats"                                                                                                                                          },
    {"{" BOTH ",'kind':'heart-rate','counted':{'beats':'18','seconds':17}}",
     "wrong-type /counted/beats implausible /counted/seconds"                                                                                                              },
    {"{" BOTH ",'kind':'heart-rate','counted':{'beats':18,'seconds':15,'minutes':1}}",
     "unknown-field /counted/minutes"                                                                                                                                      },
    {"{" BOTH ",'kind':'heart-rate','value':71,'unit':'/min','counted':{'beats':18,'seconds':15}}",
     "inconsistent /counted"                                                                                                                                               },
    {"{" BOTH ",'kind':'heart-rate','unit':'Hz','counted':{'beats':18,'seconds':15}}",
     "unknown-unit /unit"                                                                                                                                                  },

 /* sums of points */
    {"{" BOTH ",'kind':'glasgow-coma-scale','eye':'spontaneous','verbal':'oriented','motor':'obeys'"
     ",'value':14}",                                                                                 "inconsistent /value"                                            },
    {"{" BOTH
     ",'kind':'glasgow-coma-scale','eye':'spontaneous','verbal':'orientated','motor':'obeys'}",      "unknown-word /verbal"                                           },
    {"{" BOTH ",'kind':'glasgow-coma-scale','value':14}",
     "missing-field /eye missing-field /verbal missing-field /motor"                                                                                                       },

 /* context */
    {"{" BOTH
     ",'kind':'glasgow-coma-scale','eye':'closed','verbal':'oriented','motor':'obeys','value':11}",  "inconsistent /value"                                            },
    {"{" BOTH "," PULSE ",'site':'radial artery'}",                                                       "unknown-word /site"                                             },
    {"{" BOTH "," PULSE ",'site':['radial-artery']}",                                                     "wrong-type /site"                                               },
    {"{" BOTH ",'kind':'pain','value':3,'quality':'burning'}",                                            "wrong-type /quality"                                            },
    {"{" BOTH ",'kind':'pain','value':3,'quality':[]}",                                                   "missing-field /quality"                                         },
    {"{" BOTH ",'kind':'pain','value':3,'quality':['burning','dul',7,'burning']}",
     "too-many /quality"                                                                                                                                                   },
    {"{" BOTH ",'kind':'pain','value':3,'quality':['burning','dul',7]}",
     "unknown-word /quality/1 wrong-type /quality/2"                                                                                                                       },
    {"{" BOTH ",'kind':'pain','value':3,'quality':['burning','burning']}",
     "inconsistent /quality/1"                                                                                                                                             },
    {"{" BOTH ",'kind':'pain','value':3,'location':7,'onset':'\\t'}",
     "wrong-type /location missing-field /onset"                                                                                                                           },
    {"{" BOTH ",'kind':'oxygen-saturation','value':97,'unit':'%','oxygen':'room-air'}",
     "wrong-type /oxygen"                                                                                                                                                  },
    {"{" BOTH ",'kind':'oxygen-saturation','value':97,'unit':'%','oxygen':{'devise':'room-air'}}",
     "unknown-field /oxygen/devise"                                                                                                                                        },
    {"{" BOTH
     ",'kind':'oxygen-saturation','value':97,'unit':'%','oxygen':{'device':'mask','flow':2}}",       "unknown-word /oxygen/device wrong-type /oxygen/flow"            },
    {"{" BOTH ",'kind':'oxygen-saturation','value':97,'unit':'%','oxygen':{'flow':{'value':'2'}}}",
     "wrong-type /oxygen/flow/value missing-field /oxygen/flow/unit"                                                                                                       },
    {"{" BOTH
     ",'kind':'oxygen-saturation','value':97,'unit':'%','oxygen':{'flow':{'unit':'gpm','rate':2}}}", "missing-field /oxygen/flow/value unknown-unit /oxygen/flow/unit unknown-field "
     "/oxygen/flow/rate"                                          },

 /* not taken */
    {"{" BOTH ",'kind':'heart-rate','not-taken':'refusd'}",                                               "unknown-word /not-taken"                                        },
    {"{" BOTH ",'kind':'heart-rate','not-taken':true}",                                                   "wrong-type /not-taken"                                          },
    {"{" BOTH ",'kind':'heart-rate','not-taken':'refused','value':72,'unit':'/min'}",
     "inconsistent /value"                                                                                                                                                 },
    {"{" BOTH ",'kind':'heart-rate','not-taken':'refused','counted':{'beats':18,'seconds':15}}",
     "inconsistent /counted"                                                                                                                                               },
    {"{" BOTH ",'kind':'heart-rate','not-taken':'refused','unit':'Hz'}",                                  "unknown-unit /unit"                                             },
    {"{" BOTH
     ",'kind':'blood-pressure','not-taken':'refused','systolic':120,'unit':'mmHg','site':'arm'}",    "inconsistent /systolic unknown-word /site"                      },
    {"{" BOTH ",'kind':'body-mass-index','not-taken':'refused'}",                                         "inconsistent /not-taken"                                        },

 /* sets */
    {"{" BOTH ",'readings':{}}",                                                                          "wrong-type /readings"                                           },
    {"{" BOTH ",'readings':[]}",                                                                          "missing-field /readings"                                        },
    {"{" BOTH ",'readings':[7," OTHER ",null]}",                                                          "wrong-type /readings/0 wrong-type /readings/2"                  },
    {"{" BOTH ",'readings':[" OTHER "," OTHER "," OTHER "," OTHER "," OTHER "," OTHER "]}",
     "too-many /readings"                                                                                                                                                  },
    {"{" BOTH ",'readings':[{'value':3}," OTHER ",{'kind':'pain'},{'kind':'pian','value':1}]}",
     "missing-field /readings/0/kind missing-field /readings/2/value unknown-kind "
     "/readings/3/kind"                                                                                                                                                    },
    {"{" BOTH ",'readings':[{" PULSE "," PATIENT "}]}",                                                   "not-allowed /readings/0/patient"                                },
    {"{" BOTH ",'kind':'pain','value':3,'readings':[" OTHER "]}",
     "unknown-field /kind unknown-field /value"                                                                                                                            },
    {"{" BOTH ",'bye':'x','readings':[" OTHER "]}",                                                       "unknown-field /bye"                                             },
    {"{" PATIENT ",'readings':[" OTHER "," OTHER "]}",                                                    "missing-field /taken"                                           },
    {"{" PATIENT ",'readings':[{" TAKEN "," PULSE "}," OTHER "]}",                                        "missing-field /taken"                                           },
    {"{" PATIENT ",'taken':'25.11.2026','readings':[" OTHER "," OTHER "]}",                               "bad-time /taken"                                                },
    {"{" PATIENT ",'taken':'2026-11-25T08:00:00+01:00','readings':[{" PULSE
     ",'confirmed':true}," OTHER "]}",
     "confirm /taken"                                                                                                                                                      },
    {"{" BOTH ",'readings':[{" PULSE ",'taken':'2026-11-25T08:00:00+01:00'}]}",
     "confirm /readings/0/taken"                                                                                                                                           },
    {"{" BORN ",'taken':'2026-11-25T09:30:00+01:00','readings':[{" PULSE
     ",'confirmed':true,'taken':'2026-11-24T09:30:00+01:00'}]}",                                     "inconsistent /readings/0/taken"                                 },
    {"{" BOTH ",'readings':[{" PULSE ",'id':'0b0e6f0e-7a0e-4a52-9a3c-8c1f0d7c2b11'}," OTHER
     ",{" PULSE ",'id':'0B0E6F0E-7A0E-4A52-9A3C-8C1F0D7C2B11'}]}",
     "inconsistent /readings/2/id"                                                                                                                                         },
    {"{" BOTH ",'id':'set','readings':[" OTHER "]}",                                                      "malformed /id"                                                  },
    {"{" BOTH ",'context':[],'readings':[" OTHER "]}",                                                    "wrong-type /context"                                            },
    {"{" BOTH ",'context':{'pregnant':'maybe','fasting':true},'readings':[" OTHER "]}",
     "unknown-word /context/pregnant unknown-field /context/fasting"                                                                                                       },
    {"{" BOTH ",'context':{'pregnant':1,'saturation-scale':2},'readings':[" OTHER "]}",
     "wrong-type /context/pregnant wrong-type /context/saturation-scale"                                                                                                   },
    {"{" BOTH ",'context':{'saturation-scale':{}},'readings':[" OTHER "]}",
     "missing-field /context/saturation-scale/scale"                                                                                                                       },
    {"{" BOTH ",'context':{'saturation-scale':{'scale':3,'why':'x'}},'readings':[" OTHER "]}",
     "implausible /context/saturation-scale/scale unknown-field /context/saturation-scale/why"                                                                             },
    {"{" BOTH ",'context':{'saturation-scale':{'scale':2}},'readings':[" OTHER "]}",
     "missing-field /context/saturation-scale/by missing-field /context/saturation-scale/date"                                                                             },
    {"{" BOTH ",'context':{'saturation-scale':{'scale':2,'by':'dr-1','date':'2026-13-01'}},'"
     "readings':[" OTHER "]}",
     "bad-time /context/saturation-scale/date"                                                                                                                             },
};

#endif
