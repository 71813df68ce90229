// Facts of the trade that every nurse knows (common practice; no one source): what the table makes of them.

import { compare } from './exact.mjs';
import { convertTo, flag } from './flag.mjs';
import { same } from './testing.mjs';

const ADULT = 40 * 365;

/** [kind, part, value, unit, context, interpretation, name]; an adult unless an age in days follows. */
const FACTS = [
  ['body-temperature', 'value', '98.6', '[degF]', { route: 'oral' }, 'N'],
  ['body-temperature', 'value', '97.0', '[degF]', { route: 'oral' }, 'N'],
  ['body-temperature', 'value', '99.0', '[degF]', { route: 'oral' }, 'N'],
  ['body-temperature', 'value', '97.0', '[degF]', {}, 'N'],
  ['body-temperature', 'value', '99.0', '[degF]', {}, 'N'],
  ['body-temperature', 'value', '96.8', '[degF]', {}, 'L'],
  ['body-temperature', 'value', '100.4', '[degF]', { route: 'oral' }, 'H'],
  ['body-temperature', 'value', '100.5', '[degF]', { route: 'oral' }, 'H', 'fever'],
  ['body-temperature', 'value', '101', '[degF]', {}, 'H', 'fever'],
  ['body-temperature', 'value', '34.9', 'Cel', { route: 'rectal' }, 'L', 'hypothermia'],
  ['body-temperature', 'value', '38.0', 'Cel', { route: 'tympanic' }, 'H', 'fever', 365],
  ['body-temperature', 'value', '37.9', 'Cel', { route: 'tympanic' }, 'N', undefined, 365],
  ['body-temperature', 'value', '38.0', 'Cel', { route: 'rectal' }, 'N', undefined, 7 * 365],
  ['body-temperature', 'value', '34.9', 'Cel', { route: 'axillary' }, 'L', 'hypothermia'],
  ['body-temperature', 'value', '35.0', 'Cel', { route: 'axillary' }, 'N'],
  ['body-temperature', 'value', '38.1', 'Cel', { route: 'rectal' }, 'H', 'fever'],
  ['body-temperature', 'value', '38.0', 'Cel', { route: 'rectal' }, 'N'],
  ['body-mass-index', 'value', '18.4', 'kg/m2', {}, 'L', 'underweight range'],
  ['body-mass-index', 'value', '24.9', 'kg/m2', {}, 'N'],
  ['body-mass-index', 'value', '24.95', 'kg/m2', {}, 'H', 'overweight range'],
  ['body-mass-index', 'value', '25.0', 'kg/m2', {}, 'H', 'overweight range'],
  ['body-mass-index', 'value', '29.9', 'kg/m2', {}, 'H', 'overweight range'],
  ['body-mass-index', 'value', '29.95', 'kg/m2', {}, 'H', 'overweight range'],
  ['body-mass-index', 'value', '30.0', 'kg/m2', {}, 'H', 'obesity range'],
  ['heart-rate', 'value', '60', '/min', {}, 'N'],
  ['heart-rate', 'value', '100', '/min', {}, 'N'],
  ['heart-rate', 'value', '59', '/min', {}, 'L', 'bradycardia'],
  ['heart-rate', 'value', '101', '/min', {}, 'H', 'tachycardia'],
  ['heart-rate', 'value', '130', '/min', {}, 'N', undefined, 100],
  ['respiratory-rate', 'value', '12', '/min', {}, 'N'],
  ['respiratory-rate', 'value', '20', '/min', {}, 'N'],
  ['respiratory-rate', 'value', '11', '/min', {}, 'L', 'bradypnoea'],
  ['respiratory-rate', 'value', '21', '/min', {}, 'H', 'tachypnoea'],
  ['respiratory-rate', 'value', '40', '/min', {}, 'N', undefined, 30],
  ['oxygen-saturation', 'value', '95', '%', {}, 'N'],
  ['oxygen-saturation', 'value', '100', '%', {}, 'N'],
  ['oxygen-saturation', 'value', '94', '%', {}, 'L'],
  ['blood-pressure', 'systolic', '90', 'mm[Hg]', {}, 'N'],
  ['blood-pressure', 'systolic', '120', 'mm[Hg]', {}, 'N'],
  ['blood-pressure', 'systolic', '141', 'mm[Hg]', {}, 'H', 'high reading'],
  ['blood-pressure', 'systolic', '89', 'mm[Hg]', {}, 'L', 'low reading'],
  ['blood-pressure', 'systolic', '89', 'mm[Hg]', {}, 'L', 'low reading', 5860],
  ['blood-pressure', 'systolic', '109', 'mm[Hg]', {}, 'L', undefined, 5800],
  ['heart-rate', 'value', '101', '/min', {}, 'N', undefined, 6560],
  ['blood-pressure', 'diastolic', '60', 'mm[Hg]', {}, 'N'],
  ['blood-pressure', 'diastolic', '80', 'mm[Hg]', {}, 'N'],
  ['blood-pressure', 'diastolic', '91', 'mm[Hg]', {}, 'H', 'high reading'],
  ['blood-pressure', 'diastolic', '59', 'mm[Hg]', {}, 'L', 'low reading'],
];

export default function check() {
  for (const [kind, part, value, unit, context, interpretation, name, age] of FACTS) {
    const got = flag(kind, part, { value, unit, context, age: age ?? ADULT });
    same([got.interpretation, got.name ?? null], [interpretation, name ?? null], `${kind} ${part} ${value} ${unit} ${JSON.stringify(context)}`);
  }
  same(flag('heart-rate', 'value', { value: '59', unit: '/min', context: {} }), {}, 'without a birth date nothing is flagged by age');
  same(compare(convertTo('98.6', '[degF]', 'Cel'), 37), 0, '98.6 °F is 37 °C');
}
