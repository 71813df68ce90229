// Units: valid UCUM, and every conversion against the UCUM reference library and the worked conversions of the standards pack.

import { compare, exact, minus, number, over, plus, rounded, times } from './exact.mjs';
import { facts, kinds, measured, ucum, units, way } from './table.mjs';
import { holds, same } from './testing.mjs';

export default function check() {
  checkNames();
  checkPlaces();
  checkSpellings();
  checkConversions();
  checkWorked();
  checkAccepted();
}

const convert = (one, value) => over(times(plus(value, one.add ?? 0), one.times ?? 1), one.over ?? 1);

function checkNames() {
  for (const code of Object.keys(units.units)) same(ucum.validateUnitString(code).status, 'valid', `${code} by the UCUM library`);
  same(ucum.validateUnitString('mmHg').status, 'invalid', 'the UCUM library refuses mmHg');
}

/** Decimals of a converted value, as the design settles them (section 5) and for what it leaves open. */
const PLACES = { Cel: 1, 'mm[Hg]': 0, kg: 2, g: 0, cm: 1, 'kg/m2': 1, '/min': 0, '%': 0, '{score}': 0, mL: 0, 'L/min': 3 };

function checkPlaces() {
  for (const [code, places] of Object.entries(PLACES)) same(units.units[code].places, String(places), `decimals of a value converted to ${code}`);
}

/** A spelling that is taken as one unit must not be UCUM for another measure of the same sort ("ML" is a megalitre). */
function checkSpellings() {
  const seen = new Map(Object.keys(units.units).map((code) => [code, code]));
  for (const [code, unit] of Object.entries(units.units))
    for (const spelling of unit.also ?? []) {
      holds(!seen.has(spelling), `${spelling} stands for ${code} and for ${seen.get(spelling)}`);
      seen.set(spelling, code);
      if (spelling.includes(' ') || ucum.validateUnitString(spelling).status !== 'valid') continue; // UCUM has no blanks
      const answer = ucum.convertUnitTo(spelling, 1, code);
      holds(answer.status !== 'succeeded' || Math.abs(answer.toVal - 1) < 1e-12, `${spelling} is UCUM for ${answer.toVal} ${code}`);
    }
}

/** Values all over what can be sent: whole, with one and with two decimals, negative where a scale has it. */
const VALUES = [...Array(400).keys()].map((i) => String(i)).concat([...Array(300).keys()].map((i) => `${i}.${i % 10}`), ['0.25', '36.65', '98.60', '310.15', '7.125', '1000', '-40', '12345.6']);

function checkConversions() {
  for (const one of units.conversions) {
    let worst = 0;
    let unequal = 0;
    for (const value of VALUES) {
      const ours = convert(one, value);
      const theirs = ucum.convertUnitTo(one.from, Number(value), one.to);
      if (theirs.status !== 'succeeded') unequal += 1;
      worst = Math.max(worst, Math.abs(number(ours) - theirs.toVal) / Math.max(1, Math.abs(theirs.toVal)));
      const { places } = units.units[one.to];
      if (!isNearTie(ours, Number(places)) && Number(rounded(ours, Number(places))) !== roundDouble(theirs.toVal, Number(places))) unequal += 1;
    }
    holds(worst < 1e-12 && unequal === 0, `${one.from} to ${one.to}: off by ${worst}, ${unequal} of ${VALUES.length} differ from the UCUM library`);
  }
}

/** Where the library's double cannot tell which way to round, nothing can be learnt from it. */
function isNearTie(value, places) {
  const scaled = times(value, exact(`1${'0'.repeat(places)}`));
  const [a, b] = scaled;
  const part = Math.abs(Number(((2n * a) % (2n * b)) * 1000000n / (2n * b)) / 1000000);
  return Math.abs(part - 0.5) < 1e-5;
}

function roundDouble(value, places) {
  return Number((Math.round(value * 10 ** places) / 10 ** places).toFixed(places));
}

function checkWorked() {
  let done = 0;
  for (const [n, value, from, wanted, shown, to] of facts('conversions').rows) {
    const one = way(from, to);
    if (!one) continue;
    done += 1;
    const got = convert(one, value);
    const exactly = /\d{6,}$/.test(wanted.split('.')[1] ?? '') ? compare(magnitudeOf(got, wanted), exact('0.000001')) < 0 : compare(got, wanted) === 0;
    holds(exactly, `worked conversion ${n}: ${value} ${from} is ${number(got)}, wanted ${wanted}`);
    const { places } = units.units[to];
    if ((shown.split('.')[1] ?? '').length === Number(places)) same(rounded(got, Number(places)), shown, `worked conversion ${n}, rounded`);
  }
  same(done, 24, 'worked conversions that go the way of the table');
}

function magnitudeOf(got, wanted) {
  const [a, b] = minus(got, wanted);
  return [a < 0n ? -a : a, b];
}

/** Each unit a part takes can be brought to its own; a bound in another unit is in one it takes. */
function checkAccepted() {
  for (const [kind, path, part] of measured()) {
    if (!part.accepts) continue;
    for (const unit of part.accepts) {
      holds(units.units[unit], `${kind} ${path}: unit ${unit}`);
      holds(!part.unit || way(unit, part.unit), `${kind} ${path}: no way from ${unit} to ${part.unit}`);
      holds(part.unit || part['code-by-unit']?.[unit], `${kind} ${path}: ${unit} has no code`);
    }
    for (const unit of part['as-entered'] ?? []) holds(part.accepts.includes(unit), `${kind} ${path}: as-entered ${unit} is not taken at all`);
    if (part.unit) same(part.accepts[0], part.unit, `${kind} ${path}: accepts begins with its own unit`);
    for (const row of [...(part.limits ?? []), ...(part.ranges ?? [])]) if (row.in) holds(part.accepts.includes(row.in), `${kind} ${path}: row in ${row.in}`);
  }
  const [numerator] = kinds['body-mass-index'].computed.numerator;
  const [denominator] = kinds['body-mass-index'].computed.denominator;
  for (const factor of [numerator, denominator])
    for (const unit of kinds[factor.kind].parts[factor.part].accepts) holds(way(unit, factor.in), `body mass index: no way from ${unit} to ${factor.in}`);
}
