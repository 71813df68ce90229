// The search parameters the far end knows: per resource type, name -> how to match and where to look.
// /metadata lists exactly these; anything else is answered 400, so that no search is silently wider than asked.
//
// An engine's generic matcher would evaluate FHIRPath on every resource; these look at plain fields. Source of names and types: R4 search parameters of each resource.

const token = (...paths) => ({ type: 'token', paths });
const reference = (...paths) => ({ type: 'reference', paths });
const date = (...paths) => ({ type: 'date', paths });
const text = (...paths) => ({ type: 'string', paths });

const EVERY_TYPE = {
  _id: token('id'),
  _lastUpdated: date('meta.lastUpdated'),
  _profile: token('meta.profile'),
  _tag: token('meta.tag'),
  identifier: token('identifier'),
};

const BY_TYPE = {
  Observation: {
    subject: reference('subject'),
    patient: reference('subject'),
    encounter: reference('encounter'),
    performer: reference('performer'),
    device: reference('device'),
    'has-member': reference('hasMember'),
    'derived-from': reference('derivedFrom'),
    code: token('code.coding'),
    category: token('category.coding'),
    status: token('status'),
    date: date('effectiveDateTime', 'effectivePeriod', 'effectiveInstant'),
  },
  Patient: {
    birthdate: date('birthDate'),
    family: text('name.family'),
    given: text('name.given'),
    name: text('name.family', 'name.given', 'name.text'),
    gender: token('gender'),
    active: token('active'),
  },
  Practitioner: { family: text('name.family'), given: text('name.given'), name: text('name.family', 'name.given', 'name.text'), active: token('active') },
  PractitionerRole: { practitioner: reference('practitioner'), organization: reference('organization'), active: token('active') },
  Organization: { name: text('name', 'alias'), active: token('active') },
  Location: { name: text('name', 'alias'), status: token('status') },
  Encounter: { subject: reference('subject'), patient: reference('subject'), status: token('status'), class: token('class'), date: date('period') },
  Device: { patient: reference('patient'), type: token('type.coding'), status: token('status') },
  DeviceMetric: { source: reference('source'), type: token('type.coding'), category: token('category') },
  Provenance: { target: reference('target'), agent: reference('agent.who'), recorded: date('recorded') },
  AuditEvent: { date: date('recorded'), entity: reference('entity.what'), action: token('action'), outcome: token('outcome') },
};

/** What every R4 server type has; types not listed above are stored and found by these alone. */
export function parametersOf(type) {
  known[type] ??= { ...EVERY_TYPE, ...BY_TYPE[type] };
  return known[type];
}

const known = {};

/** The values at a dotted path, lists flattened: valuesAt(patient, 'name.given'). */
export function valuesAt(node, path) {
  let found = [node];
  for (const step of path.split('.')) {
    found = found.flatMap((value) => value?.[step] ?? []);
  }
  return found.flat();
}
