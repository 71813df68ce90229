// reading.js - the body of POST /v1/readings, as far as it is typed, read by the table: values with their unit, words,
// counts, sums, times. What is not there yet is `missing`; what is there and cannot be is a problem. Nothing is repaired.

import {decimalCompare, decimalOf, exactCompare, exactOf, exactRound} from './decimal.js';
import {momentAt, momentRead, dayExists} from './moment.js';
import {sayAll, sayDigits, sayings} from './say.js';
import {unitExact, unitHere} from './table.js';

const isMissing = (value) => value === undefined || value === null || value === '';
const isObject = (value) => typeof value === 'object' && value !== null && !Array.isArray(value) && !decimalOf(value);
const EACH_READING = ['id', 'patient', 'taken', 'age', 'kind', 'unit', 'by', 'device', 'note', 'confirmed', 'override', 'not-taken'];

// A problem as judgeSet() gives it. `early`: found on reading; the daemon does not judge a set that has such ones.
export function problemOf(pointer, code, says, more) {
    return {pointer, code, says, say: sayAll(says), ...more};
}

function wrongAt(to, pointer, code, template = sayings.table, parts = {}) {
    to.problems.push(problemOf(pointer, code, [{template, parts}], {early: true}));
}

function dueAt(to, pointer, value) {
    if (isMissing(value))
        to.missing.push(pointer);
    return !isMissing(value);
}

// ---- words, texts, numbers ----

function readWord(table, to, pointer, list, value) {
    const word = typeof value === 'string' ? table.word(list, value) : undefined;

    if (typeof value !== 'string')
        wrongAt(to, pointer, 'wrong-type');
    else if (!word)
        wrongAt(to, pointer, 'unknown-word');
    return word;
}

function readText(to, pointer, value, most) {
    if (typeof value !== 'string')
        wrongAt(to, pointer, 'wrong-type');
    else if ([...value].length > most)
        wrongAt(to, pointer, 'too-long', sayings.long, {most: sayDigits(most)});
    else
        return value;
    return undefined;
}

function readNumber(to, pointer, value) {
    const number = decimalOf(value);

    if (!number)
        wrongAt(to, pointer, 'wrong-type');
    return number;
}

function readWhole(to, pointer, value, least, most) {
    const number = readNumber(to, pointer, value);

    if (!number || (number.scale === 0 && number.digits >= least && number.digits <= most))
        return number && Number(number.digits);
    wrongAt(to, pointer, 'implausible', sayings.wholeFrom, {least: sayDigits(least), most: sayDigits(most)});
    return null;
}

function readUnit(table, to, pointer, part, sent) {
    if (isMissing(sent) && part['unit-optional'] && part.unit)
        return part.unit;
    if (!dueAt(to, pointer, sent))
        return undefined;
    const unit = unitHere(table, part, sent);

    if (!unit)
        wrongAt(to, pointer, 'unknown-unit');
    return unit;
}

function readReason(table, to, pointer, value) {
    const reason = table.reason(value);

    if (!reason)
        wrongAt(to, pointer, 'unknown-word');
    return reason;
}

// ---- parts ----

function readPartNotTaken(table, to, part, value) {
    const pointer = `/${part.name}`;

    if (!part['not-taken'])
        wrongAt(to, pointer, 'wrong-type');
    else if (dueAt(to, `${pointer}/not-taken`, value['not-taken']))
        return {reason: readReason(table, to, `${pointer}/not-taken`, value['not-taken'])};
    return undefined;
}

function readParts(table, to, sent) {
    const numbers = to.kind.parts.filter((part) => part.type === 'quantity');
    const isNumber = (part) => !isMissing(sent[part.name]) && !isObject(sent[part.name]);
    const first = numbers.find(isNumber) ?? (isMissing(sent.unit) ? undefined : numbers[0]); // one unit stands beside all of them
    const unit = first && readUnit(table, to, '/unit', first, sent.unit);

    if (!numbers.length && !isMissing(sent.unit))
        wrongAt(to, '/unit', 'unknown-field');
    for (const part of to.notTaken ? [] : to.kind.parts) {
        const value = sent[part.name];

        if (isMissing(value))
            continue;
        if (isObject(value)) {
            to.parts[part.name] = readPartNotTaken(table, to, part, value);
        } else if (part.type === 'quantity') {
            const number = readNumber(to, `/${part.name}`, value);

            if (number && unit)
                to.parts[part.name] = {value: number, unit};
        } else {
            const word = readWord(table, to, `/${part.name}`, part.list, value);

            if (word)
                to.parts[part.name] = {word};
        }
    }
}

function readSum(to, sent, part) {
    const words = part.sum.map((name) => to.parts[name]);

    if (!words.every(Boolean))
        return;
    const known = words.every(({word}) => word?.points !== undefined);
    const total = decimalOf(words.reduce((sum, {word}) => sum + (word?.points ?? 0), 0));
    const number = to.parts[part.name];

    if (number?.value && !known)
        wrongAt(to, `/${part.name}`, 'inconsistent', sayings.noPoints);
    else if (number?.value && decimalCompare(number.value, total) !== 0)
        wrongAt(to, `/${part.name}`, 'inconsistent', sayings.sum, {total: sayDigits(total)});
    else if (!number && known && isMissing(sent[part.name]))
        to.parts[part.name] = {value: total, unit: part.unit, workedOut: true};
}

// A total whose words are all due, or all there, is not missed itself; nor is what was counted.
function isToldOtherwise(to, sent, part) {
    const words = part.sum ?? [];

    return to.kind.fields.some((field) => field.gives === part.name && !isMissing(sent[field.group ?? field.name])) ||
        (words.length > 0 && (words.every((name) => to.kind.part(name).required !== false) || words.every((name) => to.parts[name])));
}

// ---- context ----

function readWords(table, to, pointer, field, value) {
    const words = [];

    if (!Array.isArray(value))
        wrongAt(to, pointer, 'wrong-type');
    else
        value.forEach((item, index) => {
            const word = readWord(table, to, `${pointer}/${index}`, field.list, item);

            if (word && words.includes(word))
                wrongAt(to, `${pointer}/${index}`, 'inconsistent', sayings.twice);
            else if (word)
                words.push(word);
        });
    return words.length ? {words} : undefined;
}

function readQuantity(table, to, pointer, field, value) {
    const number = dueAt(to, `${pointer}/value`, value.value) ? readNumber(to, `${pointer}/value`, value.value) : null;
    const unit = readUnit(table, to, `${pointer}/unit`, field, value.unit);

    return number && unit ? {value: number, unit} : undefined;
}

// N × 60 ÷ S, half to even, in place of the part it gives; beside a value it must say the same.
function giveRate(table, to, field, said, sent) {
    const part = to.kind.part(field.gives);
    const rate = exactRound({over: BigInt(said.beats * 60), under: BigInt(said.seconds)}, 0);
    const measured = to.parts[part.name];

    if (isMissing(sent[part.name])) {
        to.parts[part.name] = {value: rate, unit: part.unit, workedOut: true};
    } else if (measured?.value && part.unit) {
        const value = unitExact(table, measured.value, measured.unit, part.unit);

        if (!value || exactCompare(value, exactOf(rate)) !== 0)
            wrongAt(to, `/${field.name}`, 'inconsistent', sayings.counted,
                {beats: sayDigits(said.beats), seconds: sayDigits(said.seconds), part: sayDigits(part.name)});
    }
}

function readCount(table, to, pointer, field, value, sent) {
    const beats = dueAt(to, `${pointer}/beats`, value.beats) && readWhole(to, `${pointer}/beats`, value.beats, 1, 1000);
    let seconds = dueAt(to, `${pointer}/seconds`, value.seconds) && readWhole(to, `${pointer}/seconds`, value.seconds, 1, 3600);

    if (seconds && !field.seconds.includes(seconds)) {
        wrongAt(to, `${pointer}/seconds`, 'implausible', sayings.seconds, {lengths: sayDigits(field.seconds.join(', '))});
        seconds = null;
    }
    if (!beats || !seconds)
        return undefined;
    if (!to.notTaken)
        giveRate(table, to, field, {beats, seconds}, sent);
    return {beats, seconds};
}

function readField(table, to, pointer, field, value, sent) {
    if (field.type === 'word') {
        const word = readWord(table, to, pointer, field.list, value);

        return word && {words: [word]};
    }
    if (field.type === 'words')
        return readWords(table, to, pointer, field, value);
    if (field.type === 'text') {
        const text = readText(to, pointer, value, 500);

        return text === undefined ? undefined : {text};
    }
    if (!isObject(value))
        return wrongAt(to, pointer, 'wrong-type');
    return field.type === 'count' ? readCount(table, to, pointer, field, value, sent) : readQuantity(table, to, pointer, field, value);
}

function readContext(table, to, sent) {
    const groups = new Set(to.kind.fields.map((field) => field.group).filter(Boolean));

    for (const group of groups)
        if (!isMissing(sent[group]) && !isObject(sent[group]))
            wrongAt(to, `/${group}`, 'wrong-type');
        else
            noStrangers(to, `/${group}`, sent[group] ?? {},
                to.kind.fields.filter((field) => field.group === group).map((field) => field.name));
    for (const field of to.kind.fields) {
        const value = field.group ? sent[field.group]?.[field.name] : sent[field.name];

        if (!isMissing(value))
            to.fields[field.path] = readField(table, to, `/${field.path.replace('.', '/')}`, field, value, sent);
    }
}

function noStrangers(to, pointer, sent, names) {
    for (const name of Object.keys(sent))
        if (!names.includes(name) && sent[name] !== undefined)
            wrongAt(to, `${pointer}/${name}`, 'unknown-field');
}

// ---- one reading ----

function notTakenAlone(to, sent) {
    for (const {name} of [...to.kind.parts, ...to.kind.fields.filter((field) => field.type === 'count')])
        if (!isMissing(sent[name]))
            wrongAt(to, `/${name}`, 'inconsistent', sayings.either);
    if (to.kind.computed)
        wrongAt(to, '/not-taken', 'inconsistent', sayings.computed);
}

function readByKind(table, to, sent) {
    const {kind} = to;

    noStrangers(to, '', sent, [...EACH_READING, ...kind.parts.map((part) => part.name),
        ...kind.fields.map((field) => field.group ?? field.name)]);
    if (!isMissing(sent['not-taken'])) {
        to.notTaken = readReason(table, to, '/not-taken', sent['not-taken']) ?? true;
        notTakenAlone(to, sent);
    }
    readParts(table, to, sent);
    readContext(table, to, sent);
    if (to.notTaken)
        return;
    for (const part of kind.parts)
        if (part.sum)
            readSum(to, sent, part);
    for (const part of kind.parts)
        if (part.required !== false && !isToldOtherwise(to, sent, part))
            dueAt(to, `/${part.name}`, sent[part.name]);
}

function readOverride(to, override) {
    if (!override)
        return;
    to.override = ['by', 'second', 'reason'].every((name) => dueAt(to, `/override/${name}`, override[name])) &&
        override.by !== override.second;
    if (!isMissing(override.by) && override.by === override.second)
        wrongAt(to, '/override/second', 'inconsistent', sayings.sameSecond);
}

function readOne(table, read, sent, index, frame) {
    const to = {index, at: read.single ? '' : `/readings/${index}`, sent, kind: table.kind(sent.kind), parts: {}, fields: {},
        problems: [], missing: [], confirmed: sent.confirmed === true, overridden: !!sent.override};

    to.taken = readTaken(to, sent, frame, read.born, to.confirmed) ?? read.taken;
    if (!isMissing(sent.note))
        readText(to, '/note', sent.note, 2000);
    readOverride(to, sent.override);
    if (to.kind)
        readByKind(table, to, sent);
    else if (dueAt(to, '/kind', sent.kind))
        wrongAt(to, '/kind', 'unknown-kind');
    return to;
}

// ---- when, of whom ----

// Null: none was said. A wrong one is a problem, and is then taken as now.
function readTaken(to, sent, frame, born, confirmed) {
    const name = isMissing(sent.age) ? 'taken' : 'age';

    if (isMissing(sent[name]))
        return null;
    const age = name === 'age' && readWhole(to, '/age', sent.age, 0, 31536000);
    const taken = name === 'taken' ? momentRead(sent.taken)
        : momentAt(frame.now - frame.now % 1000 - (age ?? 0) * 1000, frame.offset);

    if (!taken)
        wrongAt(to, '/taken', 'bad-time', sayings.badTime);
    else if (born && taken.day < born)
        wrongAt(to, `/${name}`, 'inconsistent', sayings.beforeBirth);
    if (taken && taken.ms > frame.now + frame.skew)
        wrongAt(to, `/${name}`, 'future-time', sayings.future);
    else if (taken && frame.late > 0 && taken.ms < frame.now - frame.late && !confirmed)
        wrongAt(to, `/${name}`, 'confirm', sayings.late, {minutes: sayDigits(Math.trunc(frame.late / 60000))});
    return taken ?? momentAt(frame.now, frame.offset);
}

function readBorn(read, patient) {
    const {birthDate} = patient ?? {};

    if (isMissing(birthDate) || dayExists(birthDate))
        return birthDate || null;
    wrongAt(read, '/patient/birthDate', 'bad-time', sayings.badDay);
    return null;
}

// Another scale only with who decided it and when.
function readSetContext(read, context) {
    const scale = context?.['saturation-scale'];

    read.pregnant = context?.pregnant === true;
    if (!scale)
        return;
    if (dueAt(read, '/context/saturation-scale/scale', scale.scale))
        read.scale = Number(scale.scale);
    for (const name of read.scale > 1 ? ['by', 'date'] : [])
        dueAt(read, `/context/saturation-scale/${name}`, scale[name]);
}

// frame: now (ms), offset of the place (minutes), skew and late (ms): how far ahead a time may lie, and from when on it is asked.
export function readSet(table, set, frame) {
    const read = {single: !Array.isArray(set.readings), problems: [], missing: []};
    const list = read.single ? [set] : set.readings;
    const onSetTime = list.filter((sent) => isMissing(sent.taken) && isMissing(sent.age));

    read.born = readBorn(read, set.patient);
    read.taken = momentAt(frame.now, frame.offset);
    if (!read.single) {
        read.taken = readTaken(read, set, frame, read.born, onSetTime.every((sent) => sent.confirmed === true)) ?? read.taken;
        readSetContext(read, set.context);
    }
    if (onSetTime.length > 0 && isMissing(set.taken) && isMissing(set.age))
        read.missing.push('/taken');
    read.readings = list.map((sent, index) => readOne(table, read, sent, index, frame));
    if (isMissing(set.taken) && isMissing(set.age) && read.readings.length > 0)
        read.taken = read.readings[0].taken;
    return read;
}
