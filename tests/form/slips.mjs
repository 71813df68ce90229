// slips.mjs - the seeded slips: what somebody meant, what the fingers did, and what must come of it before it is charted. Data, and
// a runner without I/O; a test of the screen types the same rows. Lines: those of the clinical pack, 4.2 and 4.3.
//
// {line, about, born, last: {kind: {days, values}}, readings, taken, expected: "refuse" | "ask"}. "refuse": not taken as typed, though an
// extreme but survivable value may pass on the word of two. Numbers are what is typed.
import {judgeSet} from '../../daemon/web/form/judge.js';
import {momentAt} from '../../daemon/web/form/moment.js';

const DAY = 86400000;
const ADULT = '1958-06-02';
const NEWBORN = '2026-11-15';
const INFANT = '2026-05-10';
const CHILD = '2022-02-01'; // of 4 years
const SCHOOL = '2018-03-03'; // of 8 years

const pulse = (value, more) => ({kind: 'heart-rate', value, unit: '/min', ...more});
const breaths = (value, more) => ({kind: 'respiratory-rate', value, unit: '/min', ...more});
const saturation = (value, more) => ({kind: 'oxygen-saturation', value, unit: '%', ...more});
const temperature = (value, unit = 'Cel', route = 'oral') => ({kind: 'body-temperature', value, unit, route});
const pressure = (systolic, diastolic, more) => ({kind: 'blood-pressure', systolic, diastolic, unit: 'mm[Hg]', ...more});
const level = (value) => ({kind: 'consciousness', value});
const weight = (value, unit = 'kg') => ({kind: 'body-weight', value, unit});
const height = (value, unit = 'cm') => ({kind: 'body-height', value, unit});
const pain = (value) => ({kind: 'pain', value});
const glucose = (value, unit) => ({kind: 'glucose', value, unit});
const coma = (eye, verbal, motor, total) => ({kind: 'glasgow-coma-scale', eye, verbal, motor, total});
const oxygen = (device, flow, concentration) => ({device, ...(flow !== undefined && {flow: {value: flow, unit: 'L/min'}}),
    ...(concentration !== undefined && {concentration: {value: concentration, unit: '%'}})});

const lastNumber = (kind, value, unit, days = 0.25) => ({[kind]: {days, values: {value: [value, unit]}}});
const lastPulse = (value) => lastNumber('heart-rate', value, '/min');
const lastBreaths = (value) => lastNumber('respiratory-rate', value, '/min');
const lastWeight = (value, days = 1) => lastNumber('body-weight', value, 'kg', days);
const lastHeight = (value) => lastNumber('body-height', value, 'cm', 200);
const lastPressure = (systolic, diastolic, days = 0.25) =>
    ({'blood-pressure': {days, values: {systolic: [systolic, 'mm[Hg]'], diastolic: [diastolic, 'mm[Hg]']}}});

const row = (expected) => (line, about, readings, more = {}) => ({line, about, born: ADULT, last: {}, readings: [readings].flat(), expected, ...more});
const refuse = row('refuse');
const ask = row('ask');

export const slips = [
    // ---- 4.2: beyond what a sign can be ----
    refuse('pulse', '72 with a nought too many', pulse(720)),
    refuse('pulse', '72, the second digit not hit', pulse(7)),
    refuse('pulse', '0 for one that cannot be felt', pulse(0)),
    refuse('pulse', '86 typed as 386', pulse(386)),
    ask('pulse', '76 typed as 176', pulse(176)),
    ask('pulse', '83 typed as 38, digits exchanged', pulse(38)),
    ask('pulse', '140 of a newborn typed as 40', pulse(40), {born: NEWBORN}),
    ask('pulse', "an adult's 72 on a newborn's page", pulse(72), {born: NEWBORN}),
    refuse('respirations', '16 with a nought too many', breaths(160)),
    refuse('respirations', '12, the first digit alone', breaths(1)),
    refuse('respirations', '0 for not breathing', breaths(0)),
    ask('respirations', '14 typed as 41, digits exchanged', breaths(41)),
    ask('respirations', "an adult's 16 on a newborn's page", breaths(16), {born: NEWBORN}),
    ask('respirations', 'counted 15 in half a minute of a child of 8, typed as a rate of 60', breaths(60), {born: SCHOOL}),
    refuse('saturation', '98 typed as 9.8', saturation(9.8)),
    refuse('saturation', '98 typed as 980', saturation(980)),
    refuse('saturation', '0.98 for 98 %', saturation(0.98)),
    refuse('saturation', '97 typed as 17', saturation(17)),
    ask('saturation', '97 typed as 79, digits exchanged', saturation(79)),
    refuse('pressure', '120 with a nought too many', pressure(1200, 80)),
    refuse('pressure', '80 with a nought too many', pressure(120, 800)),
    refuse('pressure', '120 without its nought', pressure(12, 8)),
    refuse('pressure', '80 without its nought', pressure(120, 8)),
    ask('pressure', '122 typed as 212, digits exchanged', pressure(212, 118)),
    ask('pressure', '81 typed as 18', pressure(124, 18)),
    refuse('pressure', 'kPa typed as mmHg', pressure(16, 10.7)),
    refuse('pressure', 'mmHg typed as kPa', pressure(120, 80, {unit: 'kPa'})),
    ask('pressure', "an adult's 124 over 76 on a newborn's page", pressure(124, 76), {born: NEWBORN}),
    refuse('weight', '70 with a nought too many', weight(700)),
    refuse('weight', '70 without its nought', weight(7)),
    refuse('weight', 'grams of a newborn typed as kilograms', weight(3400), {born: NEWBORN}),
    refuse('weight', '3.4 of a newborn typed as 34', weight(34), {born: NEWBORN}),
    refuse('weight', '16.0 of a child of 4 typed as 160', weight(160), {born: CHILD}),
    refuse('weight', '7.2 of an infant typed as 72', weight(72), {born: INFANT}),
    refuse('height', '172 with a nought too many', height(1720)),
    refuse('height', '172 typed as 17.2', height(17.2)),
    refuse('height', '104 of a child of 4 typed as 14', height(14), {born: CHILD}),
    refuse('coma scale', '15 typed as 51', coma('spontaneous', 'oriented', 'obeys', 51)),
    refuse('pain', '5 typed as 55', pain(55)),
    refuse('pain', '11 on a scale to 10', pain(11)),
    refuse('pain', '5 to 6, as 5.5', pain(5.5)),
    refuse('pain', 'a minus for a dash', pain(-3)),

    // ---- 4.3 ----
    refuse('systolic and diastolic', '120 over 80, the other way round', pressure(80, 120)),
    refuse('systolic and diastolic', 'the same number twice', pressure(120, 120)),
    ask('pulse pressure', '130 over 85, as 95', pressure(107, 95)),
    ask('pulse pressure', '150 over 80, as 195', pressure(195, 70)),
    ask('pulse pressure', 'under a quarter of the systolic', pressure(160, 122)),
    refuse('mean in between', 'mean under the diastolic', pressure(120, 80, {mean: 39})),
    refuse('mean in between', 'mean over the systolic', pressure(120, 80, {mean: 193})),
    ask('mean and formula', '80 typed as 108', pressure(120, 60, {mean: 108})),
    ask('mean and formula', '93 typed as 62', pressure(160, 60, {mean: 62})),
    ask('palpated', 'a diastolic beside a palpated pressure', pressure(110, 70, {method: 'palpation'})),
    refuse('°F as °C', '98.6', temperature(98.6)),
    refuse('°F as °C', '101.5', temperature(101.5)),
    refuse('°C as °F', '37.0', temperature(37, '[degF]')),
    refuse('decimal slip', '370 °C', temperature(370)),
    refuse('decimal slip', '3.7 °C', temperature(3.7)),
    refuse('decimal slip', '986 °F', temperature(986, '[degF]')),
    refuse('decimal slip', '9.86 °F', temperature(9.86, '[degF]')),
    refuse('decimal slip', '36.7 as 63.7, digits exchanged', temperature(63.7)),
    ask('decimal slip', '37.4 as 41.4', temperature(41.4)),
    ask('decimal slip', '36.2 as 33.2', temperature(33.2)),
    ask('lb as kg', '70 kg are 154 lb', weight(154), {last: lastWeight(70)}),
    ask('lb as kg', '52 kg are 115 lb, last a year ago', weight(115), {last: lastWeight(52, 360)}),
    ask('kg as lb', '70 typed with lb chosen', weight(70, '[lb_av]'), {last: lastWeight(70)}),
    ask('lb as kg', 'no last weight, but the height', [weight(190), height(165)]),
    ask('kg as lb', 'no last weight, but the height', [weight(80, '[lb_av]'), height(178)]),
    refuse('inches as cm', '67 in an adult', height(67)),
    refuse('cm as inches', '170 with in chosen', height(170, '[in_i]')),
    refuse('metres as cm', '1.72', height(1.72)),
    refuse('cm as metres', '172 with m chosen', height(172, 'm')),
    ask('feet and inches', '5 ft 10 in as 5.10 ft', height(5.1, '[ft_i]')),
    refuse('feet and inches', '5.10 as cm', height(5.1)),
    refuse('weight and height', 'exchanged', [weight(172), height(70)]),
    ask('off by 100', '72 as 172 kg', weight(172), {last: lastWeight(72)}),
    ask('off by 200', '60 as 260 kg', weight(260), {last: lastWeight(60)}),
    ask('off by 100', '102 as 202 cm', height(202), {last: lastHeight(102)}),
    ask('digits exchanged', '85 as 58 kg, months ago', weight(58), {last: lastWeight(85, 80)}),
    ask('digits exchanged', '183 as 138 cm', height(138), {last: lastHeight(183)}),
    ask('tenfold', 'glucose 35 as 350', glucose(350, 'mg/dL'), {last: lastNumber('glucose', 35, 'mg/dL')}),
    ask('tenfold', 'glucose 2.2 as 22', glucose(22, 'mmol/L'), {last: lastNumber('glucose', 2.2, 'mmol/L')}),
    ask('tenfold', 'respirations 30 as 3', breaths(3), {last: lastBreaths(30)}),
    ask('weight change', 'more than a tenth in a week', weight(91), {last: lastWeight(81, 5)}),
    ask('weight change', 'less by more than a tenth in a week', weight(71), {last: lastWeight(80, 5)}),
    ask('weight change', '80 as 60, three weeks after', weight(60), {last: lastWeight(80, 21)}),
    ask('weight change', '95 as 59, two months after', weight(59), {last: lastWeight(95, 60)}),
    ask('weight change', '80 as 130, five months after', weight(130), {last: lastWeight(80, 150)}),
    ask('weight change', '80 as 133, ten months after', weight(133), {last: lastWeight(80, 300)}),
    ask('adult height', '172 as 162', height(162), {last: lastHeight(172)}),
    ask('pulse in the pressure', 'the pulse as systolic', [pulse(98), pressure(98, 60)], {last: lastPressure(142, 84)}),
    ask('pulse in the pressure', 'the pulse as diastolic', [pulse(104), pressure(146, 104)], {last: lastPressure(140, 70)}),
    refuse('pulse and respirations', 'exchanged', [pulse(16), breaths(72)]),
    refuse('pulse and respirations', 'exchanged, fast', [pulse(24), breaths(110)]),
    refuse('saturation and pulse', 'exchanged, pulse over 100', [saturation(104), pulse(97)]),
    refuse('saturation and pulse', 'exchanged, pulse under 50', [saturation(48), pulse(98)]),
    ask('oximeter and pulse', '72 felt, the oximeter says 96', [pulse(72), saturation(97, {pulse: {value: 96, unit: '/min'}})]),
    refuse('oxygen', 'room air and 2 L/min', saturation(96, {oxygen: oxygen('room-air', 2)})),
    refuse('oxygen', 'room air and 28 %', saturation(96, {oxygen: oxygen('room-air', undefined, 28)})),
    ask('oxygen', 'a cannula, and no flow', saturation(96, {oxygen: oxygen('nasal-cannula')})),
    refuse('oxygen', '28 % as 0.28', saturation(92, {oxygen: oxygen('venturi-mask', 4, 0.28)})),
    refuse('oxygen', '18 %', saturation(92, {oxygen: oxygen('venturi-mask', 4, 18)})),
    refuse('oxygen', '28 % as 280', saturation(92, {oxygen: oxygen('venturi-mask', 4, 280)})),
    ask('flow and device', 'a cannula at 2, as 20', saturation(96, {oxygen: oxygen('nasal-cannula', 20)})),
    ask('flow and device', 'a simple mask at 2', saturation(96, {oxygen: oxygen('simple-mask', 2)})),
    ask('flow and device', 'a reservoir mask at 15, as 1.5', saturation(96, {oxygen: oxygen('reservoir-mask', 1.5)})),
    ask('flow and device', 'high flow at 40, as 4', saturation(96, {oxygen: oxygen('high-flow-nasal-cannula', 4)})),
    ask('flow and device', 'a Venturi mask at 82 for 28 %', saturation(91, {oxygen: oxygen('venturi-mask', 4, 82)})),
    refuse('flow and device', 'a cannula at 2, as 200', saturation(96, {oxygen: oxygen('nasal-cannula', 200)})),
    ask('low saturation, no distress', '98 as 83, the probe half off', [saturation(83), breaths(16), pulse(78), level('alert')]),
    ask('level and coma scale', 'alert with 13', [level('alert'), coma('to-voice', 'confused', 'obeys')]),
    ask('level and coma scale', 'unresponsive with 12', [level('unresponsive'), coma('to-voice', 'words', 'obeys')]),
    refuse('level and coma scale', 'the sum is wrong', coma('spontaneous', 'confused', 'obeys', 15)),
    refuse('pain and level', '4 told by one who is unresponsive', [pain(4), level('unresponsive')]),
    refuse('pain and level', '6 told by one who responds to pain', [pain(6), level('pain')]),
    ask('route', 'axilla 34.6', temperature(34.6, 'Cel', 'axillary')),
    ask('route', 'temporal artery 34.2, a sweating brow', temperature(34.2, 'Cel', 'temporal-artery')),
    ask('identical set', 'all as four hours ago', [pulse(78), breaths(16), pressure(128, 76), saturation(96)],
        {last: {...lastPulse(78), ...lastBreaths(16), ...lastPressure(128, 76), ...lastNumber('oxygen-saturation', 96, '%')}}),
    refuse('time', 'tomorrow', pulse(78), {taken: 1440}),
    refuse('time', 'in ten minutes', pulse(78), {taken: 10}),
    ask('time', '09:20 typed as 07:20', pulse(78), {taken: -130}),
    refuse('time', 'before the birth', pulse(140), {born: NEWBORN, taken: -14 * 1440}),
    ask('time', 'again after one minute', [pulse(78), breaths(16)],
        {last: {...lastNumber('heart-rate', 81, '/min', 0.0006), ...lastNumber('respiratory-rate', 15, '/min', 0.0006)}}),

    // ---- wrong field, wrong unit, counts ----
    refuse('count', '18 in 15 s, and 60 typed beside it', pulse(60, {counted: {beats: 18, seconds: 15}})),
    refuse('count', 'counted over 20 s', {kind: 'heart-rate', counted: {beats: 24, seconds: 20}}),
    ask('count', 'the beats of a minute told as those of half', {kind: 'heart-rate', counted: {beats: 78, seconds: 30}}),
    refuse('unit', 'mg/dL typed as mmol/L', glucose(110, 'mmol/L')),
    refuse('unit', 'mmol/L typed as mg/dL', glucose(5.6, 'mg/dL')),
    refuse('unit', 'millilitres of urine typed as litres', {kind: 'urine-output', value: 350, unit: 'L'}),
    refuse('unit', 'head in cm typed as inches', {kind: 'head-circumference', value: 36, unit: '[in_i]'}, {born: INFANT}),
    refuse('wrong field', 'the temperature as pulse', pulse(3.7)),
    refuse('wrong field', 'the systolic as saturation', saturation(128)),
    refuse('wrong field', 'the pulse as temperature', temperature(78)),
    refuse('wrong field', 'the pulse as pain', pain(78)),
    ask('wrong field', 'the pulse as respirations', [breaths(72), pulse(72)]),
];

export const SLIPS_NOW = Date.parse('2026-11-25T09:30:00+01:00');

// The set as it would be sent, and the patient's last readings.
export function setOfSlip(slip) {
    const taken = momentAt(SLIPS_NOW + (slip.taken ?? -2) * 60000, 60);

    return {patient: {identifier: {system: 'https://clinic.example/mrn', value: 'SLIP-1'}, birthDate: slip.born}, taken: taken.text, readings: slip.readings};
}

export function lastOfSlip(slip) {
    return (kind) => {
        const last = slip.last[kind];

        return last ? {taken: SLIPS_NOW - 120000 - last.days * DAY, values: last.values} : null;
    };
}

// "refuse", "ask" or "passes".
export function judgeSlip(table, slip) {
    const judged = judgeSet(table, setOfSlip(slip), {now: SLIPS_NOW, last: lastOfSlip(slip)});
    const problems = [...judged.problems, ...judged.readings.flatMap((reading) => reading.problems)];

    return problems.some((problem) => problem.code !== 'confirm') ? 'refuse' : problems.length ? 'ask' : 'passes';
}

export function checkSlips(table, count) {
    for (const slip of slips)
        count(`slip, ${slip.line}: ${slip.about}`, judgeSlip(table, slip) === slip.expected || `${judgeSlip(table, slip)}, not ${slip.expected}`);
    console.log(`${slips.length} seeded slips, ${slips.filter((slip) => judgeSlip(table, slip) !== 'passes').length} stopped`);
}
