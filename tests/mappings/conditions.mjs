// The conditions of checks as the table's README words them, written a second time, on exact fractions.
//
// A set here is {readings: {kind: values}, last: {kind: values}, days, age}; values are {path: ['98.6', 'Cel'] or 'word'}.

import { exact, magnitude, minus, over, plus, rounded, times } from './exact.mjs';
import { convertTo, within } from './flag.mjs';
import { between, fields, holdsAt, kinds, units, way } from './table.mjs';

function spot(set, kind, path) {
  const last = path.startsWith('last.');
  const rest = last ? path.slice(5) : path;
  const [name, inner] = kind ? [kind, rest] : [rest.slice(0, rest.indexOf('.')), rest.slice(rest.indexOf('.') + 1)];
  const part = kinds[name].parts[inner] ?? fields(kinds[name]).find(([one]) => one === inner)?.[1];
  if (!part) throw new Error(`${path}: no part or field of ${name}`);
  return { name, inner, part, sent: (last ? set.last : set.readings)?.[name]?.[inner] };
}

function value(set, kind, path) {
  const { part, sent } = spot(set, kind, path);
  if (!Array.isArray(sent)) return undefined;
  return part.unit ? convertTo(...sent, part.unit) : exact(sent[0]);
}

function sumOf(set, kind, terms) {
  const values = terms.map(([weight, path]) => [weight, value(set, kind, path)]);
  return values.some(([, one]) => one === undefined) ? undefined : values.map(([weight, one]) => times(weight, one)).reduce((a, b) => plus(a, b));
}

function pair(set, kind, paths, make) {
  const [a, b] = paths.map((path) => value(set, kind, path));
  return a === undefined || b === undefined ? undefined : make(a, b);
}

function exchanged(a, b) {
  const [sent, last] = [Number(rounded(a, 0)), Number(rounded(b, 0))];
  const [tens, ones] = [Math.floor(sent / 10) % 10, sent % 10];
  return sent > 9 && Math.abs(tens - ones) >= 3 && Math.abs(sent - 10 * tens - ones + 10 * ones + tens - last) <= 1;
}

const bounded = (one, found) => found !== undefined && within(one, found);

const CONDITIONS = {
  sum: (set, kind, one) => bounded(one, sumOf(set, kind, one.sum)),
  ratio: (set, kind, one) => bounded(one, pair(set, kind, one.ratio, (a, b) => (exact(b)[0] === 0n ? undefined : over(a, b)))),
  change: (set, kind, one) => bounded(one, pair(set, kind, one.change, (a, b) => magnitude(minus(a, b)))),
  'digits-exchanged': (set, kind, one) => pair(set, kind, one['digits-exchanged'], exchanged) === true,
  entered: (set, kind, one) => {
    const { sent } = spot(set, kind, one.entered);
    return Array.isArray(sent) && sent[1] === one.unit && within(one, sent[0]);
  },
  word: (set, kind, one) => {
    const { sent } = spot(set, kind, one.word);
    return typeof sent === 'string' && (one.in ? one.in.includes(sent) : !one['not-in'].includes(sent));
  },
  present: (set, kind, one) => spot(set, kind, one.present).sent !== undefined,
  absent: (set, kind, one) => spot(set, kind, one.absent).sent === undefined,
  odd: (set, kind, one) => /^\d*[13579]$/.test(spot(set, kind, one.odd).sent?.[0] ?? ''),
  'days-since-last': (set, kind, one) => {
    const { name, sent } = spot(set, kind, one['days-since-last']);
    return sent !== undefined && set.last?.[name] !== undefined && set.days !== undefined && within(one, set.days);
  },
  'same-as-last': (set) => Object.keys(set.readings).length >= 3 && Object.entries(set.readings).every(([name, values]) => JSON.stringify(set.last?.[name]) === JSON.stringify(values)),
};

const holdsFor = (set, kind, one) => CONDITIONS[Object.keys(CONDITIONS).find((name) => name in one)](set, kind, one);
const fitsAge = (check, age) => !check.ages || (age === undefined ? check.ages.unknown === true : holdsAt(check, age));

/** Every check that fires on a set: [name of the check with its kind, the check, its text]. */
export function fired(set) {
  const all = [...Object.keys(set.readings).flatMap((kind) => (kinds[kind].checks ?? []).map((check) => [kind, check])), ...between.map((check) => [undefined, check])];
  return all
    .filter(([kind, check]) => fitsAge(check, set.age) && check.if.every((one) => holdsFor(set, kind, one)))
    .map(([kind, check]) => [`${kind ?? 'between'}: ${check.check}`, check, say(set, kind, check.say)]);
}

const shown = (digits, unit) => `${digits} ${units.units[unit].text}`;

/** The text with its holes filled. */
export function say(set, kind, text) {
  return text.replace(/\{([^}~*/]+)(?:~([^}]+):([^}:]+)|([*/])(10+))?\}/g, (_, path, from, to, sign, by) => {
    const { sent } = spot(set, kind, path);
    if (!Array.isArray(sent)) return sent ?? '';
    if (from) return shown(from === to ? sent[0] : rounded(convertTo(sent[0], from, to), Number(units.units[to].places)), to);
    const places = (sent[0].split('.')[1] ?? '').length;
    if (sign === '*') return shown(rounded(times(sent[0], by), Math.max(0, places - by.length + 1)), sent[1]); // the digits stay
    return shown(sign ? rounded(over(sent[0], by), places + by.length - 1) : sent[0], sent[1]);
  });
}

/** Paths and unit pairs named in a text that do not exist. */
export function wrongHoles(kind, text) {
  return [...text.matchAll(/\{([^}]*)\}/g)].flatMap(([, hole]) => {
    const [, path, from, to] = /^([^~*/]+)(?:~(.+):([^:]+)|[*/]10+)?$/.exec(hole) ?? [];
    if (!path) return [hole];
    try {
      spot({ readings: {} }, kind, path);
    } catch {
      return [hole];
    }
    return from && !(units.units[from] && units.units[to] && way(from, to)) ? [hole] : [];
  });
}

