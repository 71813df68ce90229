// Children's numbers against the published tables, transcribed apart from the table: Fleming 2011 and the PALS card.

import { exact, plus, rounded, times } from './exact.mjs';
import { days, facts, holdsAt, kinds } from './table.mjs';
import { holds, same } from './testing.mjs';

const limits = facts('limits');

/** Where in days a band of the paper lies: "Birth" is asked at birth, the others in their middle. */
function ageOf(words) {
  if (words === 'Birth') return 0;
  const [, from, to, unit] = /^(\d+)–(\d+) (mo|y)$/.exec(words);
  return Math.round((days(`P${from}${unit === 'mo' ? 'M' : 'Y'}`) + days(`P${to}${unit === 'mo' ? 'M' : 'Y'}`)) / 2);
}

/** Shortest decimal text of an exact value with at most four places. */
const shortest = (value) => rounded(value, 4).replace(/\.?0+$/, '');

export default function check() {
  for (const [words, pulse, breaths] of limits.fleming.rows) {
    checkBand(words, 'heart-rate', pulse);
    checkBand(words, 'respiratory-rate', breaths);
  }
  for (const [from, to, words, ...pairs] of limits.pals.rows)
    for (const [i, part] of ['systolic', 'diastolic', 'mean'].entries()) {
      const row = kinds['blood-pressure'].parts[part].ranges.find((one) => (one.ages.from ?? 'P0D') === from && one.ages.to === to);
      same([row?.low, row?.high], pairs[i], `${words}: ${part}`);
    }
  checkPalsAsks();
}

function checkBand(words, kind, centiles) {
  const age = ageOf(words);
  const part = kinds[kind].parts.value;
  const range = part.ranges.find((row) => holdsAt(row, age));
  same([range.low, range.high], [centiles[0], centiles[6]], `${kind}, ${words}: 1st and 99th centile`);
  holds(range.source.includes('FLEM11'), `${kind}, ${words}: source ${range.source}`);
  if (age >= days('P16Y')) return;
  const ask = part.limits.find((row) => row.grade === 'ask' && holdsAt(row, age));
  same([shortest(exact(ask.below)), shortest(exact(ask.above))], [shortest(times(centiles[0], '0.85')), shortest(times(centiles[6], '1.15'))], `${kind}, ${words}: 15 % beyond`);
}

/** Asked below the hypotension line of the card, and more than 30 above its upper value. */
function checkPalsAsks() {
  const asks = kinds['blood-pressure'].parts.systolic.limits.filter((row) => row.grade === 'ask');
  for (const [from, to, words, systolic, , , line] of limits.pals.rows)
    for (let age = days(from); age < days(to); age += 61) {
      const years = [...Array(20).keys()].filter((y) => days(`P${y}Y`) <= age).at(-1);
      const row = asks.find((one) => holdsAt(one, age));
      if (!same([row?.below, row?.above], [line ?? String(70 + 2 * years), rounded(plus(systolic[1], 30), 0)], `${words} at ${age} days: asked`)) return;
    }
}
