// Checks between fields and against the last reading (clinical pack 4.3): each fires on the slip it is for, and an ordinary set is
// left in peace. Conditions are worked out by conditions.mjs, apart from the daemon.

import { fired, wrongHoles } from './conditions.mjs';
import { compare, over, rounded, times } from './exact.mjs';
import { grade } from './flag.mjs';
import { between, facts, fields, kinds, lists } from './table.mjs';
import { holds, same } from './testing.mjs';

const ADULT = 40 * 365;
const one = (kind, values, more = {}) => ({ readings: { [kind]: values }, age: ADULT, ...more });
const again = (kind, value, last, days, unit) => one(kind, { value: [value, unit] }, { last: { [kind]: { value: [last, unit] } }, days });
const temperature = (value, unit) => one('body-temperature', { value: [value, unit] });
const weight = (value, last, days = '40') => again('body-weight', value, last, days, 'kg');
const height = (value, last) => again('body-height', value, last, '400', 'cm');
const tall = (value, unit, age = ADULT) => one('body-height', { value: [value, unit] }, { age });
const saturation = (value, more = {}) => one('oxygen-saturation', { value: [value, '%'], ...more });
const flow = (device, amount) => saturation('95', { 'oxygen.device': device, 'oxygen.flow': [amount, 'L/min'] });
const pressure = (systolic, diastolic, more = {}, set = {}) => one('blood-pressure', { systolic: [systolic, 'mm[Hg]'], diastolic: [diastolic, 'mm[Hg]'], ...more }, set);
const mean = (systolic, diastolic, value) => pressure(systolic, diastolic, { mean: [value, 'mm[Hg]'] });
const set = (readings, last) => ({ readings, last, age: ADULT });
const rate = (value) => ({ value: [String(value), '/min'] });
const percent = (value) => ({ value: [String(value), '%'] });
const oximeter = (value, pulse) => ({ ...percent(value), pulse: [String(pulse), '/min'] });
const round = (days, pulse) => ({ ...set({ 'heart-rate': rate(pulse), 'respiratory-rate': rate(16) }, { 'heart-rate': rate(72), 'respiratory-rate': rate(18) }), days });

/** [set, names of all checks that fire, words the text must have]. Of a kind's checks the kind's name is left out. */
const CASES = [
  // the wrong scale, and the decimal point
  [temperature('98.6', 'Cel'), 'fahrenheit-as-celsius', '98.6 °F would be 37.0 °C'],
  [temperature('113', 'Cel'), 'fahrenheit-as-celsius', '45.0 °C'],
  [temperature('37', '[degF]'), 'celsius-as-fahrenheit', '37 °C meant'],
  [temperature('370', 'Cel'), 'celsius-ten-times-too-high', '37.0 °C meant'],
  [temperature('3.7', 'Cel'), 'celsius-ten-times-too-low', 'was 37 °C meant'],
  [temperature('986', '[degF]'), 'fahrenheit-ten-times-too-high', '98.6 °F meant'],
  [temperature('9.86', '[degF]'), 'fahrenheit-ten-times-too-low', 'was 98.6 °F meant'],
  [temperature('37.0', 'Cel'), ''],
  [temperature('98.6', '[degF]'), ''],
  // pulse, respirations
  [again('heart-rate', '720', '72', '0.2', '/min'), 'tenfold-up', '72.0 /min?'],
  [again('heart-rate', '7', '72', '0.2', '/min'), 'tenfold-down', '70 /min?'],
  [again('heart-rate', '140', '72', '0.2', '/min'), ''],
  [again('respiratory-rate', '160', '16', '0.2', '/min'), 'tenfold-up', '16.0 /min?'],
  [again('respiratory-rate', '2', '20', '0.2', '/min'), 'tenfold-down', '20 /min?'],
  [one('heart-rate', { value: ['72', '/min'], site: 'apex', method: 'palpation' }), 'apex-felt'],
  [one('heart-rate', { value: ['72', '/min'], site: 'radial-artery', method: 'palpation' }), ''],
  [one('heart-rate', { value: ['72', '/min'], counted: { beats: 18 }, rhythm: 'irregular' }), 'irregular-counted-short'],
  // saturation and oxygen
  [saturation('0.97'), 'fraction-as-percent', 'was 97 % meant'],
  [saturation('9.7'), 'ten-times-too-low', 'was 97 % meant'],
  [saturation('97'), ''],
  [saturation('97', { 'oxygen.device': 'room-air' }), ''],
  [flow('room-air', '2'), 'room-air-with-flow', '2 L/min'],
  [flow('room-air', '0'), ''],
  [saturation('95', { 'oxygen.device': 'room-air', 'oxygen.concentration': ['28', '%'] }), 'room-air-with-concentration', '28 %'],
  [saturation('95', { 'oxygen.device': 'room-air', 'oxygen.concentration': ['21', '%'] }), ''],
  [saturation('95', { 'oxygen.device': 'simple-mask' }), 'oxygen-without-amount'],
  [saturation('95', { 'oxygen.device': 'cpap', 'oxygen.concentration': ['0.4', '%'] }), 'concentration-fraction-as-percent', 'was 40 % meant'],
  [flow('nasal-cannula', '0.2'), 'nasal-cannula-flow-low'],
  [flow('nasal-cannula', '8'), 'nasal-cannula-flow-high'],
  [flow('nasal-cannula', '2'), ''],
  [flow('simple-mask', '4'), 'simple-mask-flow-low'],
  [flow('simple-mask', '11'), 'simple-mask-flow-high'],
  [flow('reservoir-mask', '9'), 'reservoir-mask-flow-low'],
  [flow('reservoir-mask', '16'), 'reservoir-mask-flow-high'],
  [flow('venturi-mask', '1'), 'venturi-mask-flow-low'],
  [flow('venturi-mask', '16'), 'venturi-mask-flow-high'],
  [flow('high-flow-nasal-cannula', '9'), 'high-flow-nasal-cannula-flow-low'],
  [flow('high-flow-nasal-cannula', '71'), 'high-flow-nasal-cannula-flow-high'],
  [saturation('95', { 'oxygen.device': 'venturi-mask', 'oxygen.concentration': ['22', '%'] }), 'venturi-mask-concentration-low'],
  [saturation('95', { 'oxygen.device': 'venturi-mask', 'oxygen.concentration': ['61', '%'] }), 'venturi-mask-concentration-high'],
  // pressure
  [pressure('120', '80'), ''],
  [pressure('80', '120'), 'diastolic-not-under-systolic', 'systolic 80 mmHg is not above diastolic 120 mmHg: swapped?'],
  [pressure('80', '80'), 'diastolic-not-under-systolic'],
  [pressure('60', '46'), 'pulse-pressure-narrow'],
  [pressure('190', '69'), 'pulse-pressure-wide'],
  [pressure('100', '80'), 'pulse-pressure-under-a-quarter'],
  [pressure('100', '75'), ''],
  [pressure('100', '76'), 'pulse-pressure-under-a-quarter'],
  [pressure('130', '101'), 'pulse-pressure-under-a-quarter'],
  [pressure('130', '100'), ''],
  [mean('120', '80', '80'), 'mean-not-above-diastolic'],
  [mean('120', '80', '120'), 'mean-not-under-systolic'],
  [mean('120', '80', '93'), ''],
  [mean('120', '80', '109'), 'mean-higher-than-expected'],
  [mean('120', '80', '108'), ''],
  [mean('180', '80', '82'), 'mean-lower-than-expected'],
  [mean('180', '80', '84'), ''],
  [pressure('120', '80', { method: 'palpation' }), 'palpated-with-diastolic'],
  [one('blood-pressure', { systolic: ['120', 'mm[Hg]'], diastolic: { 'not-taken': 'unable' }, method: 'palpation' }), ''],
  [pressure('121', '80', { method: 'auscultation' }), 'systolic-odd-by-ear'],
  [pressure('120', '81', { method: 'auscultation' }), 'diastolic-odd-by-ear'],
  [pressure('121', '81', { method: 'automatic' }), ''],
  [pressure('1200', '80', {}, { last: { 'blood-pressure': { systolic: ['120', 'mm[Hg]'], diastolic: ['80', 'mm[Hg]'] } } }), 'pulse-pressure-wide tenfold-up-systolic', '120.0 mmHg?'],
  [pressure('12', '8', {}, { last: { 'blood-pressure': { systolic: ['120', 'mm[Hg]'], diastolic: ['80', 'mm[Hg]'] } } }), 'pulse-pressure-narrow tenfold-down-systolic tenfold-down-diastolic', '120 mmHg?'],
  [pressure('900', '800', {}, { last: { 'blood-pressure': { systolic: ['120', 'mm[Hg]'], diastolic: ['80', 'mm[Hg]'] } } }), 'tenfold-up-diastolic'],
  // weight
  [weight('70', '70'), ''],
  [weight('154', '70'), 'pounds-as-kilograms weight-change-in-3-months', '154 lb would be 69.85 kg'],
  [one('body-weight', { value: ['70', '[lb_av]'] }, { last: { 'body-weight': { value: ['70', 'kg'] } }, days: '800' }), 'kilograms-as-pounds', '70 kg'],
  [weight('70', '154', '800'), 'last-was-pounds-as-kilograms', '154 kg'],
  [weight('160', '60', '800'), 'off-by-100'],
  [weight('272', '72', '800'), 'off-by-200'],
  [weight('81', '18', '800'), 'digits-exchanged'],
  [weight('700', '70', '800'), 'tenfold-up', '70.0 kg?'],
  [weight('7.1', '71', '800'), 'tenfold-down', '? 71 kg?'],
  [weight('80', '70', '6'), 'weight-change-in-a-week-up'],
  [weight('62', '70', '6'), 'weight-change-in-a-week-down'],
  [weight('76', '70', '6'), ''],
  [weight('88', '70', '20'), 'weight-change-in-a-month'],
  [weight('85', '70', '20'), ''],
  [weight('112', '70', '150'), 'weight-change-in-6-months'],
  [weight('123', '70', '300'), 'weight-change-in-a-year'],
  [weight('135', '70', '600'), 'weight-change-in-2-years'],
  // height
  [tall('170', 'cm'), ''],
  [tall('67', 'cm'), 'inches-as-centimetres', '67 in would be 170.2 cm'],
  [tall('67', 'cm', 200), ''],
  [tall('67', '[in_i]'), ''],
  [tall('170', '[in_i]'), 'centimetres-as-inches', '170 cm meant'],
  [tall('1.7', 'cm'), 'metres-as-centimetres', '1.7 m would be 170.0 cm'],
  [tall('170', 'm'), 'centimetres-as-metres', '170 cm meant'],
  [tall('5.10', '[ft_i]'), 'feet', '155.4 cm'],
  [height('270', '170'), 'off-by-100 adult-height-changed'],
  [height('255', '55'), 'off-by-200 adult-height-changed'],
  [height('161', '116'), 'digits-exchanged adult-height-changed'],
  [height('17', '170'), 'tenfold-down adult-height-changed', '170 cm?'],
  [height('1700', '170'), 'tenfold-up adult-height-changed', '170.0 cm?'],
  [height('174', '170'), ''],
  // head circumference, glucose, urine, pain
  [again('head-circumference', '16.5', '42', '30', 'cm'), 'inches-as-centimetres smaller-than-last', '16.5 in would be 41.9 cm'],
  [one('head-circumference', { value: ['42', '[in_i]'] }), 'centimetres-as-inches', '42 cm meant'],
  [again('head-circumference', '36', '63', '30', 'cm'), 'smaller-than-last digits-exchanged'],
  [again('head-circumference', '420', '42', '30', 'cm'), 'tenfold-up', '42.0 cm?'],
  [again('head-circumference', '4.2', '42', '30', 'cm'), 'smaller-than-last tenfold-down', '? 42 cm?'],
  [again('head-circumference', '42.5', '42', '30', 'cm'), ''],
  [one('glucose', { value: ['5.5', 'mg/dL'] }), 'millimoles-as-milligrams', '5.5 mmol/L'],
  [one('glucose', { value: ['99', 'mmol/L'] }), 'milligrams-as-millimoles', '99 mg/dL'],
  [one('glucose', { value: ['99', 'mg/dL'] }), ''],
  [again('glucose', '350', '35', '0.1', 'mg/dL'), 'about-tenfold-up-milligrams', '35.0 mg/dL?'],
  [again('glucose', '45', '450', '0.1', 'mg/dL'), 'about-tenfold-down-milligrams', '450 mg/dL?'],
  [again('glucose', '20.0', '2.0', '0.1', 'mmol/L'), 'about-tenfold-up-millimoles', '2.00 mmol/L?'],
  [again('glucose', '2.5', '25.0', '0.1', 'mmol/L'), 'about-tenfold-down-millimoles', '? 25 mmol/L?'],
  [again('glucose', '180', '70', '0.1', 'mg/dL'), ''],
  [again('glucose', '90', '300', '0.1', 'mg/dL'), ''],
  [one('glucose', { value: ['200', 'mg/dL'] }, { last: { glucose: { value: ['20', 'mmol/L'] } }, days: '0.1' }), ''],
  [one('urine-output', { value: ['300', 'L'] }), 'millilitres-as-litres', '300 mL meant'],
  [again('urine-output', '500', '50', '0.1', 'mL'), 'tenfold-up', '50.0 mL?'],
  [again('urine-output', '50', '500', '0.1', 'mL'), 'tenfold-down', '500 mL?'],
  [one('urine-output', { value: ['0.5', 'L'] }, { last: { 'urine-output': { value: ['50', 'mL'] } }, days: '0.1' }), 'tenfold-up'],
  [again('urine-output', '0', '500', '0.1', 'mL'), ''],
  [again('urine-output', '500', '0', '0.1', 'mL'), ''],
  [again('urine-output', '400', '50', '0.1', 'mL'), ''],
  [one('pain', { value: ['6', '{score}'] }), 'pain-without-place'],
  [one('pain', { value: ['6', '{score}'], location: 'left knee' }), ''],
  [one('pain', { value: ['0', '{score}'] }), ''],
  // between kinds
  [set({ 'respiratory-rate': rate(72), 'heart-rate': rate(16) }), 'between: pulse-and-respirations-swapped', 'respirations 72 /min and pulse 16 /min: swapped?'],
  [set({ 'oxygen-saturation': percent(101), 'heart-rate': rate(97) }), 'between: saturation-and-pulse-swapped-high'],
  [set({ 'oxygen-saturation': percent(48), 'heart-rate': rate(97) }), 'between: saturation-and-pulse-swapped-low'],
  [set({ 'blood-pressure': { systolic: ['72', 'mm[Hg]'], diastolic: ['40', 'mm[Hg]'] }, 'heart-rate': rate(72) }, { 'blood-pressure': { systolic: ['124', 'mm[Hg]'], diastolic: ['80', 'mm[Hg]'] } }), 'between: pulse-as-systolic'],
  [set({ 'blood-pressure': { systolic: ['150', 'mm[Hg]'], diastolic: ['112', 'mm[Hg]'] }, 'heart-rate': rate(112) }, { 'blood-pressure': { systolic: ['124', 'mm[Hg]'], diastolic: ['80', 'mm[Hg]'] } }), 'between: pulse-as-diastolic'],
  [set({ 'body-weight': { value: ['170', 'kg'] }, 'body-height': { value: ['70', 'cm'] } }), 'body-height: inches-as-centimetres between: weight-and-height-swapped'],
  [set({ 'oxygen-saturation': percent(80), 'respiratory-rate': rate(16), 'heart-rate': rate(72), consciousness: { value: 'alert' } }), 'between: low-saturation-without-distress'],
  [set({ 'oxygen-saturation': oximeter(97, 61), 'heart-rate': rate(72) }), 'between: oximeter-and-pulse-apart', 'the oximeter counts 61 /min, the pulse is 72 /min'],
  [set({ 'oxygen-saturation': oximeter(97, 83), 'heart-rate': rate(72) }), 'between: oximeter-and-pulse-apart'],
  [set({ 'oxygen-saturation': oximeter(97, 62), 'heart-rate': rate(72) }), ''],
  [set({ 'oxygen-saturation': oximeter(97, 82), 'heart-rate': rate(72) }), ''],
  [round('0.0013888', 80), 'between: set-again-within-2-minutes'],
  [round('0', 80), 'between: set-again-within-2-minutes'],
  [round('0.0013889', 80), ''],
  [{ ...set({ 'heart-rate': rate(80), 'blood-pressure': { systolic: ['118', 'mm[Hg]'], diastolic: ['70', 'mm[Hg]'] } }, { 'heart-rate': rate(72), 'respiratory-rate': rate(18) }), days: '0.0007' }, ''],
  [set({ consciousness: { value: 'alert' }, 'glasgow-coma-scale': { total: ['13', '{score}'] } }), 'between: alert-with-low-coma-score'],
  [set({ consciousness: { value: 'unresponsive' }, 'glasgow-coma-scale': { total: ['9', '{score}'] } }), 'between: unresponsive-with-high-coma-score'],
  [set({ consciousness: { value: 'unresponsive' }, pain: { value: ['0', '{score}'] } }), 'between: pain-told-by-one-who-cannot-tell'],
  [set({ consciousness: { value: 'alert' }, pain: { value: ['0', '{score}'] }, 'glasgow-coma-scale': { total: ['15', '{score}'] } }), ''],
  [set({ 'heart-rate': rate(72), 'respiratory-rate': rate(16), 'oxygen-saturation': percent(97) }, { 'heart-rate': rate(72), 'respiratory-rate': rate(16), 'oxygen-saturation': percent(97) }), 'between: same-as-last-set'],
  [set({ 'heart-rate': rate(72), 'respiratory-rate': rate(16), 'oxygen-saturation': percent(97) }, { 'heart-rate': rate(73), 'respiratory-rate': rate(16), 'oxygen-saturation': percent(97) }), ''],
];

/** [kind, part, value, unit, context, grade by the limits]: the examples of the design, and no asking where all is usual. */
const GRADES = [
  ['body-temperature', 'value', '98.6', 'Cel', {}, 'refuse'],
  ['body-temperature', 'value', '98.6', '[degF]', { route: 'oral' }, 'fine'],
  ['body-temperature', 'value', '34.7', 'Cel', { route: 'axillary' }, 'ask'],
  ['body-temperature', 'value', '34.8', 'Cel', { route: 'axillary' }, 'fine'],
  ['body-temperature', 'value', '34.9', 'Cel', { route: 'temporal-artery' }, 'ask'],
  ['body-temperature', 'value', '34.9', 'Cel', { route: 'oral' }, 'ask'],
  ['body-temperature', 'value', '34.9', 'Cel', {}, 'ask'],
  ['body-temperature', 'value', '105.9', '[degF]', {}, 'ask'],
  ['body-temperature', 'value', '105.8', '[degF]', {}, 'fine'],
  ['oxygen-saturation', 'value', '101', '%', {}, 'refuse'],
  ['oxygen-saturation', 'value', '0.97', '1', {}, 'fine'],
  ['pain', 'value', '11', '{score}', {}, 'refuse'],
  ['pain', 'value', '10', '{score}', {}, 'fine'],
  ['heart-rate', 'value', '170', '/min', {}, 'ask'],
  ['heart-rate', 'value', '310', '/min', {}, 'override'],
  ['heart-rate', 'value', '391', '/min', {}, 'refuse'],
  ['heart-rate', 'value', '72', '/min', {}, 'fine'],
  ['blood-pressure', 'systolic', '16.0', 'kPa', {}, 'fine'],
  ['body-weight', 'value', '154', '[lb_av]', {}, 'fine'],
  ['glucose', 'value', '5.5', 'mmol/L', {}, 'fine'],
  ['glucose', 'value', '99', 'mg/dL', {}, 'fine'],
  ['glasgow-coma-scale', 'total', '2', '{score}', {}, 'refuse'],
];

export default function check() {
  const seen = new Set();
  for (const [sent, names, words] of CASES) {
    const all = fired(sent);
    const single = Object.keys(sent.readings).length === 1;
    const found = all.map(([name]) => (single ? name.slice(name.indexOf(' ') + 1) : name)).join(' ');
    all.forEach(([name]) => seen.add(name));
    if (!same(found, names, `checks on ${JSON.stringify(sent)}`) || !words) continue;
    holds(all.some(([, , text]) => text.includes(words)), `said of ${JSON.stringify(sent.readings)}: ${all.map(([, , text]) => text)}; wanted "${words}"`);
  }
  for (const [kind, rows] of [...Object.entries(kinds).map(([kind, one]) => [kind, one.checks ?? []]), ['between', between]])
    for (const row of rows) checkRow(kind, row, seen);
  checkNumbers();
  checkTenfoldGlucose();
  for (const [kind, part, value, unit, context, wanted] of GRADES) same(grade(kind, part, { value, unit, context, age: ADULT }), wanted, `${kind} ${value} ${unit}`);
  for (const [kind, one] of Object.entries(kinds)) for (const [path, part] of [...Object.entries(one.parts), ...fields(one)]) for (const row of part.limits ?? []) holds(!/[{}]/.test(row.say ?? ''), `${kind} ${path}: the text of a limit has no holes`);
}

function checkRow(kind, row, seen) {
  const name = `${kind}: ${row.check}`;
  holds(seen.has(name), `${name}: no example makes it fire`);
  same(wrongHoles(kind === 'between' ? undefined : kind, row.say), [], `${name}: holes of its text`);
  holds({ refuse: ['implausible', 'inconsistent'], ask: ['confirm'], note: [undefined] }[row.grade]?.includes(row.code), `${name}: ${row.grade} with ${row.code}`);
  for (const condition of row.if)
    for (const word of condition.in ?? condition['not-in'] ?? []) {
      const path = kind === 'between' ? condition.word : `${kind}.${condition.word}`;
      const owner = kinds[path.slice(0, path.indexOf('.'))];
      const inner = path.slice(path.indexOf('.') + 1);
      const list = owner.parts[inner]?.list ?? fields(owner).find(([one]) => one === inner)?.[1].list;
      holds(lists[list]?.words.some((one) => one.word === word), `${name}: ${word} is no word of ${list}`);
    }
}

/** No value within 10 % of ten times, or of a tenth of, a last value that a meter can read goes through unasked: the limits or a check see it. */
function checkTenfoldGlucose() {
  for (const [unit, places, most, edges] of [['mg/dL', 0, 600, ['40', '400']], ['mmol/L', 1, 333, ['2.2', '22.2']]]) {
    const unasked = [];
    for (let steps = places ? 11 : 20; steps <= most; steps += 1) {
      const last = rounded(over(steps, `1${'0'.repeat(places)}`), places);
      const slips = ['9', '9.5', '10', '10.5', '11', '0.09', '0.095', '0.1', '0.105', '0.11'].map((by) => rounded(times(last, by), places)).concat(edges);
      for (const value of slips.filter((one) => isTenfold(one, last)))
        if (grade('glucose', 'value', { value, unit, age: ADULT }) === 'fine' && fired(again('glucose', value, last, '0.1', unit)).length === 0) unasked.push(`${value} after ${last}`);
    }
    same(unasked, [], `tenfold slips of a glucose in ${unit}`);
  }
}

const isTenfold = (value, last) => [['9', '11'], ['0.09', '0.11']].some(([low, high]) => compare(value, times(last, low)) >= 0 && compare(value, times(last, high)) <= 0);

const checkNamed = (name) => {
  const [kind, check] = name.split(': ');
  return (kind === 'between' ? between : kinds[kind].checks).find((row) => row.check === check);
};

const numbersOf = (row) => row.if.flatMap((one) => ['below', 'above', 'at-least', 'at-most'].filter((bound) => bound in one).map((bound) => one[bound]).sort((a, b) => a - b));

/** What was written down for a clinician to sign is what the table asks. */
function checkNumbers() {
  const { rows, 'adults only': adults, 'weight steps': steps } = facts('checks');
  for (const [name, words, numbers] of rows) same(numbersOf(checkNamed(name) ?? { if: [] }), numbers, `${name} (${words})`);
  for (const name of adults) same(checkNamed(name)?.ages, { from: 'P16Y', unknown: true }, `${name}: adults only`);
  for (const [kind, { checks = [], context }] of Object.entries(kinds)) {
    for (const row of checks) if (row.check.startsWith('tenfold-')) same(numbersOf(row), row.check.startsWith('tenfold-up') ? ['9', '11'] : ['0.09', '0.11'], `${kind}: ${row.check} (within 10 % of 10 or 0.1)`);
    if (context?.counted) same(context.counted.seconds, ['15', '30', '60'], `${kind}: lengths of a count`);
  }
  steps.names.forEach((name, i) => {
    const numbers = numbersOf(checkNamed(`body-weight: weight-change-in-${name}`)).map(Number);
    const wanted = [i === 0 ? 7 : 30.4375 * Number(steps.months[i - 1]), 30.4375 * Number(steps.months[i]), Number((4 + 18 * Math.log(1 + Number(steps.months[i]))).toFixed(1))];
    same(numbers, wanted, `weight change in ${name} (${steps.source})`);
  });
}
