// The code (L, N, H) and the name of a value say the same, for every patient, route and site; and named bands have no gap.
//
// A value is charted with the digits that were sent, so no precision can be counted on: every bound of the table is tried, the
// smallest step the table knows beside it, and the middle between two bounds.

import { compare, minus, over, plus } from './exact.mjs';
import { flag } from './flag.mjs';
import { bandOf, fields, kinds, lists } from './table.mjs';
import { holds, same } from './testing.mjs';

/** What each name says of a value. */
const SAYS = {
  bradycardia: 'L', bradypnoea: 'L', hypothermia: 'L', 'low reading': 'L', 'underweight range': 'L',
  tachycardia: 'H', tachypnoea: 'H', fever: 'H', 'high reading': 'H', 'overweight range': 'H', 'obesity range': 'H',
};

/** Where names begin at some distance from the usual range, and why. */
const APART = new Map([['body-temperature value', 'a raised temperature is no fever yet, a low one no hypothermia']]);

const STEP = '0.000000001';

export default function check() {
  const apart = new Set();
  for (const [kind, { parts }] of Object.entries(kinds))
    for (const [path, part] of Object.entries(parts)) {
      if (!part.names) continue;
      for (const { name } of part.names) holds(SAYS[name], `${kind} ${path}: does "${name}" say high or low?`);
      for (const sent of patients(kinds[kind], part)) checkPatient(`${kind} ${path}`, [kind, path], part, sent, apart);
    }
  same([...apart], [...APART.keys()], 'named bands that lie apart from the usual range');
}

function checkPatient(what, [kind, path], part, sent, apart) {
  const flags = values(part).map((value) => [value, flag(kind, path, { ...sent, value })]);
  const who = `${what}, ${sent.age ?? 'unknown'} days, ${JSON.stringify(sent.context)}`;
  const wrong = flags.find(([, { interpretation, name }]) => interpretation && name && interpretation[0] !== SAYS[name]);
  holds(!wrong, `${who}: ${wrong && text(wrong[0])} is ${wrong?.[1].interpretation} and called ${wrong?.[1].name}`);
  for (const side of ['L', 'H']) checkSide(`${who}, ${side}`, what, outward(flags, side), apart);
}

/** From the usual range outwards: all are named, or none; where names begin later, they do not stop again. */
function checkSide(who, what, flags, apart) {
  const first = flags.findIndex(([, { name }]) => name);
  if (first < 0) return;
  if (first > 0 && APART.has(what)) apart.add(what);
  else holds(first === 0, `${who}: ${text(flags[0][0])} lies between the usual range and "${flags[first][1].name}" and has no name`);
  const gap = flags.slice(first).find(([, { name }]) => !name);
  holds(!gap, `${who}: ${gap && text(gap[0])} lies between two names and has none`);
}

function outward(flags, side) {
  const found = flags.filter(([, { interpretation }]) => interpretation?.[0] === side);
  return side === 'L' ? found.reverse() : found;
}

const text = ([over, under]) => String(Number(over) / Number(under));

function values(part) {
  const rows = [...(part.ranges ?? []), ...part.names];
  const bounds = rows.flatMap((row) => ['low', 'high', 'low-critical', 'high-critical', 'below', 'above', 'at-most', 'at-least'].map((name) => row[name])).filter((value) => value !== undefined);
  const near = bounds.flatMap((value) => [minus(value, STEP), plus(value, 0), plus(value, STEP)]).sort(compare);
  const middles = near.slice(1).map((value, i) => over(plus(value, near[i]), 2));
  return [minus(near[0], 1), ...near, ...middles, plus(near.at(-1), 1)].sort(compare);
}

/** On both sides of every age bound and without an age, with every word that a row asks for and without it, in every unit. */
function* patients(kind, part) {
  const rows = [...(part.ranges ?? []), ...part.names];
  const ages = new Set([0, 30000, undefined, ...rows.flatMap(bandOf).filter((days) => days > 0 && days < Infinity).flatMap((days) => [days - 1, days])]);
  for (const age of ages) for (const context of contexts(kind, [...new Set(rows.flatMap((row) => Object.keys(row.when ?? {})))])) for (const unit of part.unit ? [part.unit] : part.accepts) yield { age, context, unit };
}

function* contexts(kind, [path, ...others]) {
  if (!path) return yield {};
  const { list } = fields(kind).find(([one]) => one === path)[1];
  for (const rest of contexts(kind, others)) {
    yield rest;
    for (const { word } of lists[list].words) yield { ...rest, [path]: word };
  }
}
