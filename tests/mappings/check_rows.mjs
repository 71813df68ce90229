// Rows with ages: no overlap, no gap where every age must be covered, and the grades lie inside one another at every age.

import { compare } from './exact.mjs';
import { bandOf, days, holdsAt, kinds, lists, measured } from './table.mjs';
import { holds, same } from './testing.mjs';

const AGES = [...Array(200).keys()].concat([...Array(400).keys()].map((i) => 200 + i * 17), [30000]);

export default function check() {
  for (const [kind, path, part] of measured()) {
    const name = `${kind} ${path}`;
    checkApart(name, part);
    if (part.limits) checkInside(name, part);
    checkRows(name, part);
  }
  checkWhole();
}

const groupOf = (row) => JSON.stringify([row.grade, row.when, row.unless, row.in]);

function checkApart(name, part) {
  for (const rows of [part.limits ?? [], part.ranges ?? []])
    for (const [i, a] of rows.entries())
      for (const b of rows.slice(0, i)) {
        if (groupOf(a) !== groupOf(b) || !a.ages || !b.ages) continue;
        const [[af, at], [bf, bt]] = [bandOf(a), bandOf(b)];
        holds(at <= bf || bt <= af, `${name}: ${JSON.stringify(a.ages)} and ${JSON.stringify(b.ages)} overlap`);
      }
}

/** Of rows for every reading (without `when`): refuse is outside override is outside ask is outside the usual range, at every age at which they hold. */
function checkInside(name, part) {
  const order = ['refuse', 'override', 'ask'];
  for (const age of AGES) {
    const rows = (grade) => part.limits.filter((row) => row.grade === grade && !row.when && holdsAt(row, age));
    const inner = (part.ranges ?? []).filter((row) => !row.when && holdsAt(row, age));
    for (const unit of [undefined, ...(part['code-by-unit'] ? Object.keys(part['code-by-unit']) : [])]) {
      const bounds = order.map((grade) => rows(grade).filter((row) => row.in === unit));
      const lows = [...bounds.map((list) => tightest(list, 'below', 1)), tightest(inner.filter((row) => row.in === unit), 'low', -1)].filter((one) => one !== undefined);
      const highs = [...bounds.map((list) => tightest(list, 'above', -1)), tightest(inner.filter((row) => row.in === unit), 'high', 1)].filter((one) => one !== undefined);
      if (!inOrder(lows, 1)) return holds(false, `${name} at ${age} days: lower bounds ${lows}`);
      if (!inOrder(highs, -1)) return holds(false, `${name} at ${age} days: upper bounds ${highs}`);
    }
  }
  return holds(true);
}

function tightest(rows, member, sign) {
  return rows.map((row) => row[member]).filter((value) => value !== undefined).sort((a, b) => -sign * compare(a, b))[0];
}

const inOrder = (values, sign) => values.every((value, i) => i === 0 || sign * compare(values[i - 1], value) <= 0);

function checkRows(name, part) {
  holds(!part.accepts || part.limits.some((row) => row.grade === 'refuse' && !row.ages && !row.when), `${name}: a refuse row for everybody`);
  for (const row of [...(part.limits ?? []), ...(part.ranges ?? []), ...(part.names ?? [])]) {
    if (row.low !== undefined && row.high !== undefined) holds(compare(row.low, row.high) <= 0, `${name}: ${row.low} to ${row.high}`);
    for (const words of Object.entries(row.when ?? {})) checkWhen(name, words);
    if (row.ages) holds(row.ages.from || row.ages.to, `${name}: ages without a bound`);
    if (row.ages?.from && row.ages?.to) holds(days(row.ages.from) < days(row.ages.to), `${name}: ${row.ages.from} to ${row.ages.to}`);
  }
  for (const row of [...(part.ranges ?? []), ...(part.names ?? [])]) holds(!row.ages?.unknown, `${name}: without a birth date there is no age-dependent flag`);
  for (const row of part.ranges ?? []) holds(!/breathing air|on oxygen/.test(row.text) || row.when?.['oxygen.device'], `${name}: "${row.text}" is said of every reading, and is not true of every one`);
  for (const row of part.ranges ?? []) holds(row['low-critical'] === undefined && row['high-critical'] === undefined, `${name}: a critical value without a published one`);
  for (const row of part.limits ?? []) {
    if (!row.ages) continue;
    same(row.ages.unknown === true, row.ages.from === 'P16Y' && !row.ages.to, `${name}: the adult row, and no other, stands for an unknown birth date (${JSON.stringify(row.ages)})`);
  }
}

function checkWhen(name, [path, words]) {
  const kind = kinds[name.split(' ')[0]];
  const [first, second] = path.split('.');
  const field = second ? kind.context[first]?.fields?.[second] : kind.context[first];
  if (!holds(field?.list, `${name}: when ${path}`)) return;
  for (const word of words) holds(lists[field.list].words.some((one) => one.word === word), `${name}: ${word} is no word of ${field.list}`);
}

/** These lists cover every age from birth on. */
const WHOLE = [
  ['heart-rate', 'value', 'override'], ['heart-rate', 'value', 'ask'], ['heart-rate', 'value', 'ranges'],
  ['respiratory-rate', 'value', 'override'], ['respiratory-rate', 'value', 'ask'], ['respiratory-rate', 'value', 'ranges'],
  ['blood-pressure', 'systolic', 'override'], ['blood-pressure', 'systolic', 'ask'], ['blood-pressure', 'systolic', 'ranges'],
  ['blood-pressure', 'diastolic', 'override'], ['blood-pressure', 'diastolic', 'ranges'], ['blood-pressure', 'mean', 'ranges'],
  ['body-weight', 'value', 'override'], ['body-height', 'value', 'override'],
];

function checkWhole() {
  for (const [kind, part, which] of WHOLE) {
    const rows = kinds[kind].parts[part][which === 'ranges' ? 'ranges' : 'limits'].filter((row) => which === 'ranges' || row.grade === which);
    const gap = AGES.find((age) => rows.filter((row) => holdsAt(row, age)).length !== 1);
    holds(gap === undefined, `${kind} ${part} ${which}: not one row at ${gap} days`);
  }
  for (const route of ['oral', 'axillary', 'rectal', 'tympanic']) {
    const rows = kinds['body-temperature'].parts.value.ranges.filter((row) => !row.when || row.when.route.includes(route));
    const gap = AGES.find((age) => !rows.some((row) => holdsAt(row, age)));
    holds(gap === undefined, `temperature ${route}: no range at ${gap} days`);
  }
}
