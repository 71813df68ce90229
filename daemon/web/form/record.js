// record.js - what has been taken of a patient, as the daemon keeps it: readings, the sets they make, and each in words. For the
// screens that show the past; knows no kind by name.
import {ask} from './api.js';
import {el, theirs} from './dom.js';
import {judgeSet} from './judge.js';
import {scoreSet} from './score.js';
import {now} from './state.js';
import {told} from './told.js';
import {dayText, say, timeText} from './words.js';

const RECORD_PAGE = 200;
const RECORD_PAGES = 10; // at most so many readings are asked for at once: ten pages

// Newest first. -> {readings, more: there are older ones}, or null when the daemon does not say.
export async function readRecord(identifier, {since = null, pages = RECORD_PAGES} = {}) {
    const readings = [];
    let after;
    for (let page = 0; page < pages; page++) {
        const answer = await ask('/v1/readings/_search', {patient: identifier, count: RECORD_PAGE, sent: true, ...(since ? {since} : {}), ...(after ? {after} : {})});
        if (!answer.ok) return page ? {readings, more: true} : null;
        readings.push(...answer.body.readings);
        after = answer.body.after;
        if (!after) return {readings, more: false};
    }
    return {readings, more: true};
}

// The body as it was sent of this reading alone ({} of one that was worked out), and what holds for its set.
export const sentOf = (reading) => reading.sent?.readings?.[0] ?? {};
export const takenBy = (reading) => shownName(sentOf(reading).by ?? reading.sent?.by ?? '');
const shownName = (by) => by && by === now.session?.person.practitioner ? now.session.person.display : by; // of others only the number is known here
export const takenAt = (reading) => new Date(reading.taken);

// A reading counts unless a newer one or nothing stands in its place.
export const counts = (reading) => !['superseded', 'retracted', 'discarded'].includes(reading.state);

// {by, at, why} of the correction that took its place; null: none.
export function correctionOf(reading, table) {
    const found = reading.corrected ?? {reason: reading.reason, by: reading.by}; // of one that was discarded
    if (counts(reading)) return null;
    const row = (table.document.corrections?.reasons ?? []).find((one) => one.word === found.reason);
    return {by: found.by ?? '', at: found.at ? new Date(found.at) : null, why: [row ? told(row.text) : found.reason, found.text].filter(Boolean).join(': ')};
}

// ---- sets, newest first ----

const bySign = (table) => (one, other) => (table.kind(one.kind)?.order ?? 999) - (table.kind(other.kind)?.order ?? 999) || one.accepted.localeCompare(other.accepted);

export function setsOf(table, readings) {
    const sets = new Map();
    for (const reading of readings) {
        if (!sets.has(reading.set)) sets.set(reading.set, {id: reading.set, readings: []});
        sets.get(reading.set).readings.push(reading);
    }
    for (const set of sets.values()) {
        set.readings.sort(bySign(table));
        set.taken = new Date(Math.min(...set.readings.map((one) => takenAt(one))));
        set.by = set.readings.map(takenBy).find(Boolean) ?? '';
    }
    return [...sets.values()].sort((one, other) => other.taken - one.taken);
}

// The score of what counts in a set now, worked out here by the same table and rules as the daemon's.
export function scoreNow(table, set) {
    const counting = set.readings.filter((one) => counts(one) && one.sent?.readings);
    const [first] = counting;
    if (!first) return null;
    const {patient, context, taken, by} = first.sent;
    const body = {patient, taken, by, ...(context ? {context} : {}), readings: counting.map((one) => ({...sentOf(one), confirmed: true}))};
    return scoreSet(table, body, judgeSet(table, body, {now: Date.now(), offset: -new Date().getTimezoneOffset(), late: Infinity}));
}

// ---- words and figures ----

const unitText = (unit) => unit?.text ? ` ${told(unit.text)}` : '';

function quantityText(table, value) {
    const [number, code] = value;
    const unit = table.unit(code);
    const figure = String(number), places = unit?.places ?? 0;
    return {figure: (figure.split('.')[1]?.length ?? 0) >= places ? figure : Number(figure).toFixed(places), unit}; // filled up, never cut
}

// "104/62 mm Hg", "Alert", or why there is no value.
export function valueOf(table, reading) {
    const kind = table.kind(reading.kind);
    const sent = sentOf(reading);
    if (sent['not-taken']) return say('record.not-taken', {why: told(table.reason(sent['not-taken'])?.text ?? sent['not-taken'])});
    const numbers = kind.parts.filter((part) => Array.isArray(reading.values?.[part.name])).map((part) => quantityText(table, reading.values[part.name]));
    const words = kind.parts.filter((part) => part.list && typeof reading.values?.[part.name] === 'string').map((part) => told(table.word(part.list, reading.values[part.name])?.text ?? reading.values[part.name]));
    return [numbers.length ? numbers.map((one) => one.figure).join('/') + unitText(numbers[0].unit) : '', ...words].filter(Boolean).join(', ') || '–';
}

// What was said beside the value: [{title, text, own}], own: somebody's own text.
export function contextOf(table, reading) {
    const kind = table.kind(reading.kind);
    const sent = sentOf(reading);
    const valueAt = (path) => path.split('.').reduce((object, name) => object?.[name], sent);
    const worded = (field, word) => told(table.word(field.list, word)?.text ?? String(word));
    const rows = kind.fields.filter((field) => ![undefined, null, ''].includes(valueAt(field.path))).map((field) => {
        const value = valueAt(field.path);
        if (field.list) return {title: told(field.title), text: [value].flat().map((word) => worded(field, word)).join(', ')};
        if (value.beats !== undefined) return {title: told(field.title), text: say('record.counted', value)};
        const {value: number, unit} = typeof value === 'object' ? value : {value, unit: null};
        return {title: told(field.title), text: `${number}${unitText(unit ? table.unitSpelled(unit) : field.unit)}`, own: typeof value === 'string'};
    });
    return sent.note ? [...rows, {title: say('record.note'), text: sent.note, own: true}] : rows;
}

// Words alone stand for themselves; a number or somebody's text needs its title.
export const contextNode = (rows) => rows.length ? el('span', {class: 'context'}, rows.flatMap((row, index) => [index ? ' · ' : '', row.own || /^\d/.test(row.text) ? [`${row.title} `, theirs(row.text)] : row.text])) : null;
export const contextText = (rows) => rows.map((row) => row.own || /^\d/.test(row.text) ? `${row.title} ${row.text}` : row.text).join(' · ');

const FLAG_SHAPES = {L: '▼', LL: '▼', H: '▲', HH: '▲', A: '◆', AA: '◆'};

// What is out of its published range, worst word first: [{shape, text, range}]
export function flagsOf(table, reading) {
    const kind = table.kind(reading.kind);
    return (reading.flags ?? []).filter((flag) => flag.name || FLAG_SHAPES[flag.interpretation]).map((flag) => {
        const part = kind.parts.length > 1 ? told(kind.part(flag.part)?.ask ?? kind.part(flag.part)?.title ?? '') : '';
        const side = flag.interpretation?.[0] ?? 'A';
        return {shape: FLAG_SHAPES[flag.interpretation] ?? '◆', text: [part, flag.name ? told(flag.name) : say(`flag.${side}`)].filter(Boolean).join(': '), range: flag.range?.text ? told(flag.range.text) : ''};
    });
}

export const flagMarks = (flags) => flags.map((flag) => el('span', {class: 'flag', title: flag.range || null}, el('span', {'aria-hidden': 'true'}, `${flag.shape} `), flag.text));

// Where days stand below one another: the day always, today's too.
export const dayAndTime = (moment) => `${dayText(moment)} ${timeText(moment)}`;

export function everyText(minutes) {
    if (minutes === 0) return say('every.continuous');
    return minutes % 60 ? say('every.minutes', {count: minutes}) : say('every.hours', {count: minutes / 60});
}

export function scoreText(score) {
    if (!score) return say('record.score.none');
    return score.total === undefined || score.total === null ? say('record.score.withheld') : say('record.score.total', {total: score.total});
}


// ---- where a reading is, in words ----

const STATE_SHAPES = {charted: '●', waiting: '○', held: '◆', discarded: '■', superseded: '↷', retracted: '✕'};

export const stateNode = (reading) => el('span', {class: `state is-${reading.state}`}, el('span', {'aria-hidden': 'true'}, `${STATE_SHAPES[reading.state] ?? '○'} `), say(`state.${reading.state}`));

// What the daemon says of one that is stopped, and the words a nurse would use for it.
const HELD_WORDS = [
    ['confirm', 'stop.confirm'], ['the server refuses', 'stop.refused'], ['too large', 'stop.refused'], ['the server fails', 'stop.refused'],
    ['there already', 'stop.there'], ['the server cannot be searched', 'stop.there'], ['the server no longer has', 'stop.gone'], ['damaged', 'stop.damaged'],
];

export function heldText(reading) {
    const [, key] = HELD_WORDS.find(([start]) => (reading.reason ?? '').startsWith(start)) ?? [];
    return key ? say(key) : say('stop.other', {why: reading.reason ?? ''});
}

// Struck through, when and why.
export function struckWords(table, reading) {
    const {at, why} = correctionOf(reading, table);
    return say(reading.state === 'superseded' ? 'record.corrected' : 'record.struck', {when: at ? dayAndTime(at) : '', why: why ?? ''});
}

// The same, with who did it.
export const struckNode = (table, reading) => el('span', {class: 'correction'}, struckWords(table, reading), ' · ', theirs(correctionOf(reading, table).by));
