// Faults: a list of rules, each saying what goes wrong, when, and for which requests.
//
//   {"fault": "status", "status": 503, "retryAfter": 2, "next": 3}
//   {"fault": "lose-answer", "probability": 0.1, "match": {"method": "POST"}}
//   {"fault": "refuse", "status": 422, "match": {"identifier": "urn:uuid:..."}}
//
// when   "next": N requests then no more; "probability": p of each; neither: each.
//        "skip": N lets the first N that match pass.
// which  "match": {"method", "path" (regular expression on the path under the FHIR base), "identifier"}.
//        `lose-answer`, `malformed`, `content-type`, `truncate` and `drop` look at writes only, unless match says otherwise.

import { randomFrom } from './random.mjs';

/** What each fault takes beside when and which. The order is the order in which they strike. */
const KINDS = {
  down: ['ms'], // stop listening for so long, cut what is open
  slow: ['ms'], // wait before doing anything
  drop: [], // close the connection before the write
  status: ['status', 'retryAfter', 'code', 'text'], // answer so, do nothing
  refuse: ['status', 'code', 'text'], // one Observation (also in a Bundle) is refused
  'lose-answer': [], // write, then close the connection
  malformed: [], // write, then answer with broken JSON
  'content-type': ['type'], // write, then answer as another content type
  truncate: [], // write, then send half of the answer
};
const WHEN = ['next', 'probability', 'skip', 'match'];
const WRITES_ONLY = ['drop', 'lose-answer', 'malformed', 'content-type', 'truncate'];

export class Faults {
  #rules = [];
  #seed;
  #number = 0;
  /** Called with a `down` rule, and with nothing to end it. */
  onDown = () => {};

  constructor(seed) {
    this.#seed = seed;
  }

  /** Add one rule or several. Throws RangeError with what is wrong. */
  add(given) {
    const rules = (Array.isArray(given) ? given : [given]).map(checked);
    for (const rule of rules) {
      if (rule.fault === 'down') {
        this.onDown(rule);
        continue;
      }
      this.#number += 1;
      // Each rule draws from its own stream: adding one does not change what another does.
      this.#rules.push({ ...rule, id: this.#number, left: rule.next, seen: 0, struck: 0, random: randomFrom(this.#seed * 1000 + this.#number) });
    }
  }

  clear() {
    this.#rules = [];
    this.onDown();
  }

  get state() {
    return { seed: this.#seed, rules: this.#rules.map(({ random, ...rule }) => rule) };
  }

  /** The rule of a kind that strikes this request ({method, path, write, identifiers}), if any. */
  strikes(kind, request) {
    return this.#rules.find((rule) => rule.fault === kind && meets(rule, request) && due(rule));
  }

  has(kind) {
    return this.#rules.some((rule) => rule.fault === kind);
  }
}

function meets({ fault, match = {} }, { method, path, write, identifiers = [] }) {
  if (match.method ? match.method !== method : WRITES_ONLY.includes(fault) && !write) return false;
  if (match.path && !new RegExp(match.path).test(path)) return false;
  if (match.identifier && !identifiers.includes(match.identifier)) return false;
  return true;
}

function due(rule) {
  rule.seen += 1;
  if (rule.seen <= (rule.skip ?? 0)) return false;
  if (rule.left === 0) return false;
  if (rule.probability !== undefined && rule.random() >= rule.probability) return false;
  if (rule.left !== undefined) rule.left -= 1;
  rule.struck += 1;
  return true;
}

function checked(rule) {
  const kind = KINDS[rule?.fault];
  if (!kind) throw new RangeError(`"fault" must be one of ${Object.keys(KINDS).join(', ')}`);
  const unknown = Object.keys(rule).find((name) => name !== 'fault' && !kind.includes(name) && !WHEN.includes(name));
  if (unknown) throw new RangeError(`a ${rule.fault} fault takes no "${unknown}"`);
  for (const name of ['ms', 'status', 'next', 'skip', 'retryAfter']) {
    if (rule[name] !== undefined && !(Number.isInteger(rule[name]) && rule[name] >= 0)) throw new RangeError(`"${name}" must be a whole number`);
  }
  if (rule.probability !== undefined && !(rule.probability >= 0 && rule.probability <= 1)) throw new RangeError('"probability" must be from 0 to 1');
  if (kind.includes('ms') && rule.ms === undefined) throw new RangeError(`a ${rule.fault} fault wants "ms"`);
  if (rule.fault === 'status' && !(rule.status >= 200 && rule.status <= 599)) throw new RangeError('a status fault wants "status"');
  if (rule.match?.path) new RegExp(rule.match.path);
  return rule;
}

/** The identifier values of a resource or of a Bundle's entries, for `match.identifier`. */
export function identifiersOf(body) {
  const resources = body?.resourceType === 'Bundle' && Array.isArray(body.entry) ? body.entry.map((entry) => entry?.resource) : [body];
  return resources.flatMap((resource) =>
    (Array.isArray(resource?.identifier) ? resource.identifier : []).flatMap(({ system, value } = {}) => [value, `${system ?? ''}|${value}`]),
  );
}
