// Limits and ranges against the published numbers and the proposal of the clinical pack (4.2): the table must not have drifted from what a clinician is asked to sign.

import { compare } from './exact.mjs';
import { facts, kinds } from './table.mjs';
import { holds, same } from './testing.mjs';

const limits = facts('limits');
const ranges = facts('ranges');
const part = (path) => kinds[path.split('.')[0]].parts[path.split('.')[1]];
const bounds = (row) => [row?.below ?? null, row?.above ?? null];
const outermost = (rows) => ['below', 'above'].map((side) => rows.find((row) => row[side] !== undefined)?.[side] ?? null);
const isAdult = (row) => !row.ages || row.ages.from === 'P16Y';
const wanted = (pair) => pair.map((value) => value ?? null);

export default function check() {
  for (const [path, pairs] of Object.entries(limits.hard))
    pairs.forEach((pair, i) => {
      const row = part(path).limits.find((one) => one.grade === 'override' && (one.ages?.from ?? 'P0D') === limits.bands[i] && one.ages?.to === limits.bands[i + 1]);
      same(bounds(row), wanted(pair), `${path} from ${limits.bands[i]}: hard limits`);
    });
  for (const [path, pair] of Object.entries(limits['hard adult']))
    same(bounds(part(path).limits.find((one) => one.grade === 'override' && isAdult(one))), wanted(pair), `${path}: hard limits`);
  for (const [path, [low, high]] of Object.entries(limits.never)) {
    const rows = part(path).limits.filter((one) => one.grade === 'refuse' && !one.ages);
    if (low !== null) same(rows.find((row) => row.below !== undefined)?.below, low, `${path}: never below`);
    if (high !== null) same(rows.find((row) => row.above !== undefined)?.above, high, `${path}: never above`);
  }
  for (const [path, pair] of Object.entries(limits['soft adult']))
    same(outermost(part(path).limits.filter((one) => one.grade === 'ask' && !one.when && isAdult(one))), wanted(pair), `${path}: soft limits`);
  for (const row of ranges.rows) checkRange(row);
}

function checkRange([path, from, to, route, low, high, source]) {
  const fits = (row) => (row.ages.from ?? '') === from && (row.ages.to ?? '') === to && (route ? row.when?.route.includes(route) : !row.when);
  const row = part(path).ranges.find(fits);
  const used = untilNamed(path, to, low, high);
  same([row?.low, row?.high], used, `${path} ${route} from ${from || 'birth'}: usual range`);
  holds(row?.source.includes(source), `${path} ${route} from ${from || 'birth'}: source "${row?.source}", wanted ${source}`);
  const published = [low, high].every((bound, i) => compare(bound, used[i]) === 0) || row?.source.includes(`${low} to ${high}`);
  holds(published, `${path} ${route} from ${from || 'birth'}: the source does not say what was published, ${low} to ${high}`);
}

/** What is published as usual, as far as no named state begins in it. */
function untilNamed(path, to, low, high) {
  const state = ranges.states.rows.find(([of, until]) => of === path && until === to) ?? ranges.states.rows.find(([of, until]) => of === path && !until);
  if (!state) return [low, high];
  return [compare(low, state[2]) < 0 ? state[2] : low, compare(high, state[3]) > 0 ? state[3] : high];
}
