// bits.mjs - what the rest stands on: decimals and JSON that keep digits, days, what is said in another language, half-typed sets, dues.
import {readFileSync} from 'node:fs';
import {Script} from 'node:vm';
import {Decimal, decimalRead, exactOf, exactOver, exactRound, jsonRead, jsonText} from '../../daemon/web/form/decimal.js';
import {dueOf} from '../../daemon/web/form/due.js';
import {judgeSet} from '../../daemon/web/form/judge.js';
import {agesFit, momentAt, momentRead} from '../../daemon/web/form/moment.js';
import {fill, sayAll} from '../../daemon/web/form/say.js';
import {scoreSet} from '../../daemon/web/form/score.js';
import {same} from './support.mjs';

const NOW = Date.parse('2026-11-25T09:30:00Z');

const is = (count, what, got, wanted) => count(what, same(got, wanted) || `${JSON.stringify(got)}, not ${JSON.stringify(wanted)}`);

function decimals(count) {
    for (const text of ['0', '37.0', '98.60', '-273.15', '0.453592370', '123456789012345'])
        count(`decimal ${text}`, String(decimalRead(text)) === text || String(decimalRead(text)));
    for (const text of ['', '-', '.5', '5.', '3..7', '0986', '1e3', '+3', '3,7', ' 3', '1234567890123456', '0.1234567891', 'NaN'])
        count(`no decimal ${text}`, decimalRead(text) === null || 'it was read');
    const third = exactOver(exactOf(1), exactOf(3));

    for (const [value, places, halfUp, wanted] of [[0.5, 0, false, '0'], [1.5, 0, false, '2'], [2.5, 0, false, '2'], [2.5, 0, true, '3'],
        [-2.5, 0, true, '-3'], [38.05, 1, false, '38.0'], [38.05, 1, true, '38.1'], [37, 1, false, '37.0']])
        is(count, `round ${value} to ${places}`, String(exactRound(exactOf(value), places, halfUp)), wanted);
    count('a third', String(exactRound(third, 3)) === '0.333' || 'no');
    const text = '{"value":37.0,"note":"37.0 \\"and\\" 1.50","list":[1,2.50,-0.5],"none":null}';

    count('JSON keeps its digits', jsonText(jsonRead(text)) === text || jsonText(jsonRead(text)));
    count('a number with a point is a Decimal', jsonRead('{"a":37.0,"b":37}').a instanceof Decimal || 'no');
}

function days(count) {
    const fits = (ages, born, today, wanted) => is(count, `${born} of ${JSON.stringify(ages)} on ${today}`, agesFit(ages, born, today), wanted);

    fits({from: 'P16Y'}, '2010-11-25', '2026-11-25', true);
    fits({from: 'P16Y'}, '2010-11-26', '2026-11-25', false);
    fits({to: 'P28D'}, '2026-10-28', '2026-11-25', false);
    fits({to: 'P28D'}, '2026-10-29', '2026-11-25', true);
    fits({from: 'P1Y'}, '2024-02-29', '2025-02-28', true);
    fits({from: 'P1Y'}, '2024-02-29', '2025-02-27', false);
    fits({from: 'P4Y'}, '2024-02-29', '2028-02-28', false);
    fits({from: 'P1M'}, '2026-01-31', '2026-02-28', true);
    fits({from: 'P16Y', unknown: true}, null, '2026-11-25', true);
    fits({from: 'P16Y'}, null, '2026-11-25', false);
    fits({from: 'P16Y', unknown: true}, '2027-01-01', '2026-11-25', true);
    for (const text of ['2026-02-30T09:00:00Z', '2026-11-25T24:00:00Z', '2026-11-25T09:30:00', '2026-11-25 09:30:00Z', '2026-11-25T09:30Z', ''])
        count(`no time ${text}`, momentRead(text) === null || 'it was read');
    count('the day is that of the writer', momentRead('2026-11-25T00:30:00+02:00').day === '2026-11-25' || 'no');
    for (const offset of [0, 60, -570, 345])
        count(`there and back, ${offset}`, momentRead(momentAt(NOW, offset).text).ms === NOW || momentAt(NOW, offset).text);
}

function dues(count) {
    const hour = 3600000;
    const states = [[59, 'soon'], [29, 'later'], [60, 'due'], [79, 'due'], [80, 'late'], [100, 'late'], [101, 'missed']]; // 33 %: 79.8; 67 %: 100.2

    for (const [minutes, state] of states)
        is(count, `due hourly, after ${minutes} min`, dueOf({last: NOW, interval: 60, now: NOW + minutes * 60000}).state, state);
    count('exactly 33 % over', dueOf({last: NOW, interval: 100, now: NOW + 133 * 60000}).state === 'late' || 'no');
    count('exactly 67 % over', dueOf({last: NOW, interval: 100, now: NOW + 167 * 60000}).state === 'missed' || 'no');
    count('one ms less', dueOf({last: NOW, interval: 100, now: NOW + 167 * 60000 - 1}).state === 'late' || 'no');
    count('never', dueOf({last: null, interval: 60, now: NOW}).state === 'never' || 'no');
    count('continuous', dueOf({last: NOW, interval: 0, now: NOW + hour}).state === 'continuous' || 'no');
}

// By the daemon's usual intake.skew and intake.age_ask: two minutes ahead, an hour ago.
function takenWhen(table, count) {
    const codes = (seconds) => judgeSet(table, {kind: 'heart-rate', value: 72, unit: '/min', taken: momentAt(NOW + seconds * 1000, 60).text},
        {now: NOW}).readings[0].problems.map((problem) => problem.code);

    for (const [seconds, wanted] of [[0, []], [120, []], [121, ['future-time']], [-3600, []], [-3601, ['confirm']]])
        is(count, `taken ${seconds} s from now`, codes(seconds), wanted);
}

// While it is typed: what lacks is missing, what is there is judged.
function halfTyped(table, count) {
    const judge = (...readings) => judgeSet(table, {patient: {birthDate: '1958-06-02'}, readings}, {now: NOW});
    const [half] = judge({kind: 'blood-pressure', systolic: 128, unit: 'mm[Hg]'}).readings;
    const [high] = judge({kind: 'blood-pressure', systolic: 1280, diastolic: '', unit: 'mm[Hg]'}).readings;
    const [asked] = judge({kind: 'blood-pressure', systolic: 210, unit: 'mm[Hg]'}).readings;
    const [empty] = judge({kind: 'heart-rate'}).readings;
    const unitless = judge({kind: 'heart-rate', value: 72}).readings[0];

    is(count, 'half a pressure', [half.grade, half.missing, half.problems.length, half.flags.length], ['incomplete', ['/diastolic'], 0, 1]);
    count('a number that cannot be is refused at once', (high.grade === 'refuse' && high.problems.some((one) => one.side === 'above')) || high.grade);
    count('half, and asked', (asked.grade === 'ask' && same(asked.missing, ['/diastolic'])) || asked.grade);
    count('nothing yet', (empty.grade === 'incomplete' && empty.problems.length === 0) || empty.grade);
    count('no unit yet', (unitless.grade === 'incomplete' && same(unitless.missing, ['/unit'])) || JSON.stringify(unitless.missing));
    count('no readings', same(judgeSet(table, {readings: []}, {now: NOW}).readings, []) || 'no');
    const set = {patient: {birthDate: '1958-06-02'}, readings: [{kind: 'respiratory-rate', value: 26, unit: '/min'}]};
    const score = scoreSet(table, set, judgeSet(table, set, {now: NOW}));

    is(count, 'a score says what lacks', [score['single-trigger'], score.missing.length, score.why[0].titles.length], [true, 6, 6]);
}

// A translation of the template is filled with the same parts; words and units of the table are translated themselves.
function otherLanguage(table, count) {
    const says = (readings) => judgeSet(table, {patient: {birthDate: '1958-06-02'}, readings}, {now: NOW}).readings[0].problems[0].says;
    const spanish = {'{title} {value} is above {bound}, which cannot be': '{title}: {value} pasa de {bound}; no puede ser', Pulse: 'Pulso'};
    const said = sayAll(says([{kind: 'heart-rate', value: 720, unit: '/min'}]), (text) => spanish[text] ?? text);
    const temperature = sayAll(says([{kind: 'body-temperature', value: decimalRead('98.60'), unit: 'Cel'}]).slice(0, 1));

    count('a limit in Spanish', said === 'Pulso: 720 /min pasa de 390 /min; no puede ser' || said);
    count('digits are kept', temperature === 'Temperature 98.60 °C is above 45 °C, which cannot be' || temperature);
    count('a hole without its part stays empty', fill('a {b} c', {}) === 'a  c' || fill('a {b} c', {}));
}

// ---- the modules themselves ----

const form = new URL('../../daemon/web/form/', import.meta.url);
const textOf = (name) => readFileSync(new URL(name, form), 'utf8');
const PURE = ['decimal', 'moment', 'table', 'say', 'reading', 'condition', 'judge', 'score', 'gs1', 'due'];

// Joined as the build joins them (deploy/build/embed.cmake) they are one script: no name stands twice.
function oneScript(count) {
    const names = textOf('bundle').split('\n').filter((line) => /^\w+\.js$/.test(line));
    const joined = names.map(textOf).join('\n').replace(/^import .*$/gm, '').replace(/^export /gm, '');
    const fault = (() => {
        try {
            return new Script(joined) && true;
        } catch (error) {
            return String(error);
        }
    })();

    count('the bundle is one script', fault);
    for (const name of PURE)
        count(`${name}.js is in the bundle`, names.includes(`${name}.js`) || 'it is not');
}

// What is known of a kind stands in the table: no kind, part or field is named in the code.
function noKindByName(table, count) {
    const names = table.kinds.flatMap((kind) => [kind.name, ...[...kind.parts, ...kind.fields].map((part) => part.path ?? part.name)])
        .filter((name) => !['value', 'code', 'method', 'when', 'total', 'scale', 'side', 'counted'].includes(name)); // words of other things as well

    for (const module of PURE) {
        const code = textOf(`${module}.js`).replace(/\/\/.*$/gm, '');
        const named = names.filter((name) => new RegExp(`(['"\`.])${name.replace('.', '\\.')}\\b`).test(code));

        count(`${module}.js names no kind`, named.length === 0 || named.join(', '));
    }
}

export function checkBits(table, count) {
    oneScript(count);
    noKindByName(table, count);
    decimals(count);
    days(count);
    dues(count);
    takenWhen(table, count);
    halfTyped(table, count);
    otherLanguage(table, count);
}
