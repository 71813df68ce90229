// set_draft.js - the set as far as it is typed, and the body of POST /v1/readings it becomes. Pure: no clock, no screen.
//
// draft {id, patient, begun, context, signs: {kind: sign}, taken: when it was not now}; plain values only, so that it can be kept as JSON.
// sign  {id, typed: {slot: digits}, units: {slot: code}, words: {part: word}, said: {field: ...}, partNotTaken: {part: reason},
//        notTaken, note, at, kept, override}
// A slot is what takes a number: a part by its name, or a context field by its path. All parts of a kind share one unit.
import {decimalRead} from './decimal.js';

const isAnswered = (value) => value !== null && value !== undefined && value !== '' && !(Array.isArray(value) && !value.length);

export const newDraft = (id, patient, begun) => ({id, patient, begun, context: {}, signs: {}});

export const newSign = (id) => ({id, typed: {}, units: {}, words: {}, said: {}, partNotTaken: {}, notTaken: null, note: '', at: null, kept: '', override: null});

export function isTouched(sign) {
    return !!sign && (!!sign.notTaken || [sign.typed, sign.words, sign.said, sign.partNotTaken].some((group) => Object.values(group).some(isAnswered)));
}

// So long ago that the daemon asks whether the time is right.
export const isLate = ({taken}) => !!taken && Date.now() - new Date(taken) > 35e5;

// What a person measured, not only said about it.
export function hasValue(kind, sign) {
    return !!sign && kind.parts.some((part) => sign.typed[part.name] || sign.words[part.name]) || kind.fields.some((one) => one.type === 'count' && sign?.said[one.path]);
}

// The unit of a slot: what was chosen, else the canonical one. Where the table has none, nobody has chosen yet: null.
export const unitOf = (sign, slot) => sign?.units[slot.field ? slot.name : ''] ?? slot.row.unit?.code ?? null;

function putAt(reading, row, value) {
    if (row.group) (reading[row.group] ??= {})[row.name] = value;
    else reading[row.name] = value;
}

function fieldValue(row, sign) {
    if (row.type !== 'quantity') return sign.said[row.path];
    const number = decimalRead(sign.typed[row.path] ?? '');
    return number ? {value: number, unit: unitOf(sign, {field: true, name: row.path, row})} : null;
}

export function readingOf(kind, sign) {
    const reading = {id: sign.id, kind: kind.name};
    const numbers = kind.parts.filter((part) => decimalRead(sign.typed[part.name] ?? ''));

    if (sign.at) reading.taken = sign.at;
    if (sign.notTaken) reading['not-taken'] = sign.notTaken;
    for (const part of sign.notTaken ? [] : kind.parts) {
        if (sign.partNotTaken[part.name]) reading[part.name] = {'not-taken': sign.partNotTaken[part.name]};
        else if (numbers.includes(part)) reading[part.name] = decimalRead(sign.typed[part.name]);
        else if (sign.words[part.name]) reading[part.name] = sign.words[part.name];
    }
    if (numbers.length && !sign.notTaken) reading.unit = unitOf(sign, {row: numbers[0]}) ?? undefined;
    for (const row of kind.fields) {
        const value = fieldValue(row, sign);
        if (isAnswered(value) && !(sign.notTaken && row.type === 'count')) putAt(reading, row, value);
    }
    if (sign.note) reading.note = sign.note;
    if (sign.kept) reading.confirmed = true;
    if (sign.override) reading.override = sign.override;
    return reading;
}

export const touchedKinds = (table, draft) => table.kinds.filter((kind) => isTouched(draft.signs[kind.name]));

// `given`: {by, bedside}. Readings stand in the order of the table; touchedKinds() gives their kinds in that order.
export function bodyOf(table, draft, given = {}) {
    const readings = touchedKinds(table, draft).map((kind) => readingOf(kind, draft.signs[kind.name]));
    const times = readings.map((reading) => reading.taken).filter(Boolean).sort();
    const body = {id: draft.id, patient: draft.patient, taken: draft.taken ?? times.at(-1), ...given, readings};

    if (draft.taken) readings.forEach((reading) => { delete reading.taken; });

    if (Object.keys(draft.context).length) body.context = draft.context;
    return body;
}

// ---- keys ----

const digitsIn = (number) => String(Math.trunc(Number(number))).length;

// How many digits a slot takes: one more than the largest number that is not refused, so that a slip can still be named.
export function digitsOf(row, unit) {
    const tops = (row.limits ?? []).filter((limit) => limit.grade === 'refuse' && limit.above !== undefined && (!limit.in || limit.in === unit?.code));
    const canonical = !row.unit || row.unit === unit;
    const places = unit ? unit.places : Math.max(0, ...row.accepts.map((one) => one.places)); // no unit is chosen yet

    return {
        before: canonical && tops.length ? Math.max(...tops.map((limit) => digitsIn(limit.above))) + 1 : 6,
        behind: row.whole || !places ? 0 : places + 1,
    };
}

// One key into what is typed: {text} or {text, blocked: why}. What cannot be a number is never let in, and never mended.
export function typeKey(text, key, digits) {
    const [before, behind] = text.split('.');
    const no = (blocked) => ({text, blocked});

    if (key === 'back') return {text: text.slice(0, -1)};
    if (key === '.') {
        if (digits.behind === 0) return no('whole');
        if (behind !== undefined) return no('second-point');
        return text === '' ? no('point-first') : {text: `${text}.`};
    }
    if (!/^\d$/.test(key)) return no('no-digit');
    if (text === '0') return no('nought');
    if (behind !== undefined) return behind.length < digits.behind ? {text: text + key} : no('places');
    return before.length < digits.before ? {text: text + key} : no('digits');
}
