// Does a stored resource meet a search? Tokens and references are case-sensitive, as R4 asks of
// identifiers; strings match their beginning, whatever the case; dates compare as intervals.
//
// keysOf() boils a resource down to what searches ask about; matcher() turns a search into a test of that.

import { parametersOf, valuesAt } from './parameters.mjs';
import { refuse } from './outcome.mjs';

/** {parameter: [key, ...]} of a resource. */
export function keysOf(resource) {
  const keys = {};
  for (const [name, { type, paths }] of Object.entries(parametersOf(resource.resourceType))) {
    const values = paths.flatMap((path) => valuesAt(resource, path)).map(KEY[type]).filter(Boolean);
    if (values.length > 0) keys[name] = values;
  }
  return keys;
}

const KEY = {
  token: (value) =>
    typeof value === 'object' && value !== null
      ? { system: value.system, code: value.code ?? value.value }
      : { code: String(value) },
  reference: (value) => ({ reference: value?.reference, identifier: value?.identifier }),
  date: (value) => (typeof value === 'string' ? interval(value) : period(value)),
  string: (value) => String(value).toLowerCase(),
};

/** Check the filters of one search and turn them into a predicate over keys. */
export function matcher(type, filters) {
  const known = parametersOf(type);
  const tests = filters.map(({ code: name, operator, value }) => {
    const parameter = known[name];
    if (!parameter) throw refuse(400, 'not-supported', `Unknown search parameter "${name}" for ${type}`);
    const alternatives = split(value, ',');
    if (alternatives.some((one) => one === '')) throw refuse(400, 'invalid', `Empty value for search parameter "${name}"`);
    const wanted = alternatives.map((one) => TEST[parameter.type](unescape(one), operator, one, name));
    const negated = operator === 'not';
    return (keys) => {
      const found = (keys[name] ?? []).some((key) => wanted.some((test) => test(key)));
      return found !== negated;
    };
  });
  return (keys) => tests.every((test) => test(keys));
}

const TEST = {
  token(value, operator, raw, name) {
    only(name, operator, ['eq', 'not']);
    const [system, code] = tokenOf(raw);
    return (key) => (system === undefined || (key.system ?? '') === system) && (code === '' ? key.system === system : key.code === code);
  },

  reference(value, operator, raw, name) {
    if (operator === 'identifier') {
      const [system, code] = tokenOf(raw);
      return (key) => key.identifier?.value === code && (system === undefined || (key.identifier.system ?? '') === system);
    }
    if (/^[A-Z]/.test(operator)) return (key) => key.reference === `${operator}/${value}`;
    only(name, operator, ['eq', 'not']);
    if (value.includes('/')) return (key) => key.reference === value;
    // A bare id: for `patient` of that type only, else of any type.
    return name === 'patient' ? (key) => key.reference === `Patient/${value}` : (key) => key.reference?.split('/').pop() === value;
  },

  date(value, operator, raw, name) {
    only(name, operator, ['eq', 'ne', 'gt', 'ge', 'lt', 'le', 'sa', 'eb']);
    const asked = interval(value);
    if (!asked) throw refuse(400, 'invalid', `"${value}" is no date (search parameter "${name}")`);
    // R4 search.html#prefix: the ranges of the resource and of the search value are compared.
    return (key) => {
      switch (operator) {
        case 'ne': return !(key.from >= asked.from && key.to <= asked.to);
        case 'gt': return key.to > asked.to;
        case 'ge': return key.to >= asked.from;
        case 'lt': return key.from < asked.from;
        case 'le': return key.from <= asked.to;
        case 'sa': return key.from > asked.to;
        case 'eb': return key.to < asked.from;
        default: return key.from >= asked.from && key.to <= asked.to;
      }
    };
  },

  string(value, operator, raw, name) {
    only(name, operator, ['eq', 'exact', 'contains']);
    const wanted = value.toLowerCase();
    if (operator === 'exact') return (key) => key === wanted;
    if (operator === 'contains') return (key) => key.includes(wanted);
    return (key) => key.startsWith(wanted);
  },
};

function only(name, operator, allowed) {
  if (!allowed.includes(operator)) throw refuse(400, 'not-supported', `Modifier or prefix "${operator}" is not supported for "${name}"`);
}

/** The first and last millisecond of a FHIR date, dateTime or instant; no zone means UTC. */
export function interval(text) {
  const parts = /^(\d{4})(?:-(\d\d)(?:-(\d\d)(?:T(\d\d):(\d\d)(?::(\d\d)(\.\d+)?)?(Z|[+-]\d\d:\d\d)?)?)?)?$/.exec(text);
  if (!parts) return undefined;
  const [, year, month, day, hour, minute, second, fraction, zone] = parts;
  const from = Date.parse(
    `${year}-${month ?? '01'}-${day ?? '01'}T${hour ?? '00'}:${minute ?? '00'}:${second ?? '00'}${fraction?.slice(0, 4) ?? ''}${zone ?? 'Z'}`,
  );
  if (Number.isNaN(from)) return undefined;
  let to;
  if (!month) to = Date.UTC(Number(year) + 1, 0, 1);
  else if (!day) to = Date.UTC(Number(year), Number(month), 1);
  else if (!hour) to = from + 24 * 3600_000;
  else if (!second) to = from + 60_000;
  else if (!fraction) to = from + 1000;
  else to = from + 1;
  return { from, to: to - 1 };
}

function period(value) {
  const from = value?.start ? interval(value.start)?.from : -Infinity;
  const to = value?.end ? interval(value.end)?.to : Infinity;
  return from === undefined || to === undefined ? undefined : { from, to };
}

/** [system, code] of a token parameter; system undefined when no `|` was given, '' for "no system". */
export function tokenOf(raw) {
  const parts = split(raw, '|');
  if (parts.length === 1) return [undefined, unescape(parts[0])];
  return [unescape(parts[0]), unescape(parts.slice(1).join('|'))];
}

/** R4 search.html#escaping: \, \| \$ and \\ stand for themselves. */
function split(text, separator) {
  const parts = [''];
  for (let at = 0; at < text.length; at += 1) {
    if (text[at] === '\\') parts[parts.length - 1] += text.slice(at, (at += 1) + 1);
    else if (text[at] === separator) parts.push('');
    else parts[parts.length - 1] += text[at];
  }
  return parts;
}

const unescape = (text) => text.replace(/\\([\\,|$])/g, '$1');
