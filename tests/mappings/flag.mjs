// Flags as the table's README words them, written a second time: first range that fits, first name that fits.

import { compare, exact, over, plus, rounded, times } from './exact.mjs';
import { holdsAt, kinds, units, way } from './table.mjs';

export function convertTo(value, from, to) {
  const one = way(from, to);
  if (!one) throw new Error(`no way from ${from} to ${to}`);
  return over(times(plus(exact(value), one.add ?? 0), one.times ?? 1), one.over ?? 1);
}

/** As charted in the canonical unit: unchanged digits, or converted and rounded. */
export const charted = (value, from, to) => (from === to ? value : rounded(convertTo(value, from, to), Number(units.units[to].places)));

const fits = (row, { age, context }) =>
  (!row.ages || (age === undefined ? row.ages.unknown === true : holdsAt(row, age))) && Object.entries(row.when ?? {}).every(([path, words]) => words.includes(context?.[path]));

const excepted = ({ unless }, { context }) => unless !== undefined && Object.entries(unless).every(([path, words]) => words.includes(context?.[path]));

const BOUNDS = { below: (order) => order < 0, above: (order) => order > 0, 'at-most': (order) => order <= 0, 'at-least': (order) => order >= 0 };

export const within = (row, value) => Object.entries(BOUNDS).every(([name, holds]) => row[name] === undefined || holds(compare(value, row[name])));

export function flag(kind, part, sent) {
  const { unit = sent.unit, ranges = [], names = [] } = kinds[kind].parts[part];
  const value = charted(sent.value, sent.unit, unit);
  const speaks = (row) => (!row.in || row.in === sent.unit) && fits(row, sent);
  const range = ranges.find(speaks);
  const name = names.find((row) => speaks(row) && within(row, value))?.name;
  if (!range) return name ? { name } : {};
  const low = range.low !== undefined && compare(value, range.low) < 0;
  const high = range.high !== undefined && compare(value, range.high) > 0;
  return { interpretation: low ? 'L' : high ? 'H' : 'N', ...(name && { name }) };
}

/** The worst grade of the limits, on the exact value as entered. */
export function grade(kind, part, sent) {
  const { unit, limits } = kinds[kind].parts[part];
  const value = unit ? convertTo(sent.value, sent.unit, unit) : exact(sent.value);
  const out = (row) => (row.below !== undefined && compare(value, row.below) < 0) || (row.above !== undefined && compare(value, row.above) > 0);
  const found = limits.filter((row) => (!row.in || row.in === sent.unit) && fits(row, sent) && !excepted(row, sent) && out(row)).map((row) => row.grade);
  return ['refuse', 'override', 'ask'].find((one) => found.includes(one)) ?? 'fine';
}
