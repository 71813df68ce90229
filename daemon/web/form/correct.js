// correct.js - a slip is mended or a reading struck through. The fields come from the kind table; an empty one stays as it was, so
// only what was changed is sent, and null for what was taken away. The daemon keeps the original readable with name, time and reason.
import {ask} from './api.js';
import {Decimal, decimalRead, jsonText} from './decimal.js';
import {el, field, question, swap, theirs} from './dom.js';
import {judgeSet} from './judge.js';
import {contextNode, contextOf, sentOf, takenAt, takenBy, valueOf} from './record.js';
import {sayAll} from './say.js';
import {now} from './state.js';
import {told} from './told.js';
import {momentText, say, zoned} from './words.js';

const atPath = (object, path) => path.split('.').reduce((inner, name) => inner?.[name], object);

function putPath(object, path, value) {
    const [name, ...rest] = path.split('.');
    object[name] = rest.length ? putPath({...object[name]}, rest.join('.'), value) : value;
    return object;
}

// ---- one control a field: node, pointers (where a refusal of it may land), read() -> undefined (as it was) | value | 'malformed' ----

const wasText = (text) => say('correct.was', {was: text});

function numberControl({title, was, pointer, make = (number) => number}) {
    const node = field({label: title, hint: wasText(was), inputmode: 'decimal', autocomplete: 'off', maxlength: 16});
    const read = () => {
        const text = node.input.value.trim();
        return text === '' ? undefined : decimalRead(text) ? make(decimalRead(text)) : 'malformed';
    };
    return {node, pointer, read};
}

function pickControl({title, was, pointer, options}) {
    const node = field({label: title});
    const pick = el('select', {id: node.input.id, 'aria-describedby': node.input.getAttribute('aria-describedby')},
        el('option', {value: ''}, was ? wasText(was) : say('correct.unsaid')), options.map(({word, text}) => el('option', {value: word}, text)));
    node.input.replaceWith(pick);
    node.input = pick;
    return {node, pointer, read: () => pick.value || undefined};
}

function manyControl({title, was, pointer, options}) {
    const boxes = options.map(({word, text}) => el('label', {class: 'tick'}, el('input', {type: 'checkbox', value: word, checked: was.includes(word)}), text));
    const node = el('details', {class: 'field'}, el('summary', {}, title), boxes, el('p', {class: 'slip', role: 'alert'}));
    const chosen = () => boxes.map((box) => box.firstChild).filter((box) => box.checked).map((box) => box.value);
    node.input = boxes[0].firstChild;
    node.problem = (text) => { node.lastChild.textContent = text; };
    return {node, pointer, read: () => chosen().join() === was.join() ? undefined : chosen().length ? chosen() : null};
}

function textControl({title, was, pointer, most = 500}) {
    const node = field({label: title, hint: was ? wasText(was) : null, autocomplete: 'off', maxlength: most, dir: 'auto'});
    return {node, pointer, read: () => node.input.value.trim() || undefined};
}

function countControl({title, was, pointer, seconds}) {
    const beats = numberControl({title, was: say('record.counted', was), pointer});
    const length = el('select', {'aria-label': say('correct.seconds')}, seconds.map((one) => el('option', {value: one, selected: one === was.seconds}, `${one} s`)));
    beats.node.append(length);
    return {...beats, read: () => {
        const read = beats.read();
        return read === undefined && Number(length.value) === was.seconds ? undefined : read === 'malformed' ? read : {beats: read ?? was.beats, seconds: Number(length.value)};
    }};
}

// What was said can be taken away again: null.
function removable({node, read, ...control}) {
    const box = el('input', {type: 'checkbox'});
    node.append(el('label', {class: 'tick'}, box, say('correct.remove')));
    return {...control, node, read: () => box.checked ? null : read()};
}

function fieldControl(table, sent, row) {
    const control = plainControl(table, sent, row);
    return atPath(sent, row.path) === undefined || ['count', 'words'].includes(row.type) ? control : removable(control);
}

function plainControl(table, sent, row) {
    const was = atPath(sent, row.path);
    const common = {title: told(row.title), pointer: `/${row.path.replace('.', '/')}`};
    const options = row.list ? table.words(row.list).map(({word, text}) => ({word, text: told(text)})) : [];
    const worded = (word) => options.find((one) => one.word === word)?.text ?? word;
    if (row.type === 'count') return was ? countControl({...common, was, seconds: row.seconds}) : null;
    if (row.type === 'word') return pickControl({...common, was: was && worded(was), options});
    if (row.type === 'words') return manyControl({...common, was: was ?? [], options});
    if (row.type === 'text') return textControl({...common, was});
    const code = was?.unit ?? row.unit?.code;
    const unit = table.unitSpelled(code);
    return numberControl({...common, title: `${common.title}${unit?.text ? ` (${unit.text})` : ''}`, was: was === undefined ? '–' : String(was.value ?? was), make: (value) => ({value, unit: code})});
}

function valueControls(table, kind, sent) {
    const counted = kind.fields.filter((row) => row.type === 'count' && atPath(sent, row.path)).map((row) => row.gives);
    const unit = table.unitSpelled(sent.unit);
    const parts = kind.parts.filter((part) => !counted.includes(part.name) && !(part.sum && sent[part.name] === undefined)).map((part) => part.list
        ? pickControl({title: told(part.title), was: told(table.word(part.list, sent[part.name])?.text ?? ''), pointer: `/${part.name}`, options: table.words(part.list).map(({word, text}) => ({word, text: told(text)}))})
        : numberControl({title: `${told(part.title)}${unit?.text ? ` (${unit.text})` : ''}`, was: String(sent[part.name] ?? '–'), pointer: `/${part.name}`}));
    const units = [...new Set(kind.parts.flatMap((part) => part.offers ?? (part.accepts ?? []).map((one) => one.code)))].map((code) => table.unit(code)).filter((one, at, all) => one?.text && all.findIndex((other) => other?.text === one.text) === at);
    return [...parts, units.length > 1 ? pickControl({title: say('correct.unit'), was: unit?.text, pointer: '/unit', options: units.map((one) => ({word: one.code, text: one.text}))}) : null];
}

function whenControl(reading) {
    const node = field({label: say('correct.when'), hint: wasText(momentText(takenAt(reading))), type: 'datetime-local', max: zoned().slice(0, 16)});
    return {node, pointer: '/taken', read: () => node.input.value ? zoned(new Date(node.input.value)) : undefined};
}

function controlsOf(table, reading) {
    const kind = table.kind(reading.kind);
    const sent = sentOf(reading);
    const notTaken = sent['not-taken'];
    const own = notTaken
        ? [pickControl({title: say('correct.not-taken'), was: told(table.reason(notTaken)?.text ?? notTaken), pointer: '/not-taken', options: table.reasons.map(({word, text}) => ({word, text: told(text)}))})]
        : [...valueControls(table, kind, sent), ...kind.fields.map((row) => fieldControl(table, sent, row))];
    const note = textControl({title: say('record.note'), was: sent.note, pointer: '/note', most: 2000});
    return [...own, sent.note ? removable(note) : note, whenControl(reading)].filter(Boolean);
}

// ---- the sheet ----

function reasonPart(table) {
    const rows = table.document.corrections?.reasons ?? [];
    const pick = pickControl({title: say('correct.reason'), was: null, pointer: '/reason', options: rows.map(({word, text}) => ({word, text: told(text)}))});
    const why = textControl({title: say('correct.why'), was: null, pointer: '/text', most: 300});
    why.node.hidden = true;
    pick.node.input.addEventListener('change', () => { why.node.hidden = !rows.find((row) => row.word === pick.read())?.['says-why']; });
    pick.node.input.firstChild.textContent = say('correct.choose');
    // -> {reason, text?}, or null with the problem at its field
    const read = () => {
        pick.node.problem(pick.read() ? '' : say('correct.noreason'));
        why.node.problem(why.node.hidden || why.read() ? '' : say('correct.nowhy'));
        if (!pick.read()) pick.node.input.focus();
        else if (!why.node.hidden && !why.read()) why.node.input.focus();
        else return {reason: pick.read(), ...(why.node.hidden ? {} : {text: why.read()})};
        return null;
    };
    return {nodes: [pick.node, why.node], controls: [pick, why], read};
}

const pointerWithin = (pointer) => pointer.replace(/^\/reading(s\/0)?(?=\/|$)/, '');

// The words of the table for what the daemon said of a pointer, in the language of the screen; its own where there are none.
function wordsFor(table, reading, changed) {
    const body = {...reading.sent, readings: [{...sentOf(reading), ...changed}]};
    const problems = [...judgeSet(table, body, {now: Date.now(), offset: -new Date().getTimezoneOffset()}).readings[0]?.problems ?? []];
    return ({pointer, code, detail}) => {
        const at = problems.findIndex((one) => one.pointer === pointerWithin(pointer) && one.code === code);
        const [found] = at < 0 ? [] : problems.splice(at, 1); // each is said once
        return found?.says ? sayAll(found.says, told) : detail;
    };
}

function placeErrors(sheet, errors, textOf) {
    const left = [];
    const said = new Map();
    for (const error of errors) {
        const at = pointerWithin(error.pointer);
        const control = sheet.controls.find((one) => one.pointer === at) ?? sheet.controls.find((one) => at && (at.startsWith(`${one.pointer}/`) || one.pointer.startsWith(`${at}/`)));
        if (control) said.set(control, [...said.get(control) ?? [], textOf(error)]);
        else left.push(textOf(error));
    }
    said.forEach((texts, control) => control.node.problem(texts.join(' · ')));
    [...said.keys()][0]?.node.input.focus();
    swap(sheet.trouble, left.map((text) => el('p', {class: 'stopped'}, text)));
}

// What was changed, {} when nothing was; null with the problem at its field.
function readChanged(sheet) {
    const changed = {};
    let good = true;
    for (const {node, pointer, read} of sheet.fields) {
        const value = read();
        node.problem(value === 'malformed' ? say('correct.malformed') : '');
        if (value === 'malformed' && good) node.input.focus();
        good &&= value !== 'malformed';
        if (value !== undefined) putPath(changed, pointer.slice(1).replace('/', '.'), value);
    }
    return good ? changed : null;
}

const posted = (reading, body) => ask(`/v1/readings/${encodeURIComponent(reading.id)}/corrections`, jsonText({by: now.session.person.practitioner, ...body}));

// Not a matter of a field: who may, and whether it still counts.
const failedText = (answer) => say(answer.away ? 'correct.away' : answer.status === 403 ? 'correct.notyours' : answer.status === 409 ? 'correct.meanwhile' : 'correct.failed');

async function sendChanged(sheet, confirmed) {
    const reason = sheet.reason.read();
    const changed = reason && readChanged(sheet);
    if (!changed) return false;
    if (!Object.keys(changed).length) return swap(sheet.trouble, el('p', {class: 'doubt'}, say('correct.nothing'))), false;
    const answer = await posted(sheet.reading, {...reason, reading: {...sheet.groups(changed), ...(confirmed ? {confirmed: true} : {})}});
    if (answer.ok) return true;
    const asked = answer.errors.length > 0 && answer.errors.every((one) => one.code === 'confirm');
    placeErrors(sheet, answer.errors, wordsFor(sheet.table, sheet.reading, changed));
    sheet.keep.hidden = !asked;
    if (!answer.errors.length) swap(sheet.trouble, el('p', {class: 'stopped'}, failedText(answer)));
    return false;
}

const isGroup = (value) => value && typeof value === 'object' && !Array.isArray(value) && !(value instanceof Decimal) && !('seconds' in value) && !('unit' in value);

// A group without what was taken out of it; null: nothing is left.
function leftOf(group) {
    const left = Object.entries(group).filter(([, one]) => one !== null);
    return left.length ? Object.fromEntries(left) : null;
}

// A field of a group replaces the group: what else stands in it is sent along.
function wholeGroups(reading) {
    return (changed) => Object.fromEntries(Object.entries(changed).map(([name, value]) => {
        const was = sentOf(reading)[name];
        return [name, isGroup(was) && isGroup(value) ? leftOf({...was, ...value}) : value];
    }));
}

async function strike(sheet) {
    const reason = sheet.reason.read();
    if (!reason) return false;
    const sure = await question(say('correct.strike.title', {what: told(sheet.kind.title)}), [
        el('p', {class: 'big'}, valueOf(sheet.table, sheet.reading)), el('p', {}, say('correct.strike.text')), el('p', {class: 'soft'}, say('caution.corrections'))],
    [{word: '', text: say('correct.back'), main: true}, {word: 'strike', text: say('correct.strike.yes'), stop: true}]);
    if (sure !== 'strike') return false;
    const answer = await posted(sheet.reading, {...reason, 'entered-in-error': true});
    if (!answer.ok) {
        placeErrors(sheet, answer.errors, ({detail}) => detail);
        if (!answer.errors.length) swap(sheet.trouble, el('p', {class: 'stopped'}, failedText(answer)));
    }
    return answer.ok;
}

// -> true when something was corrected or struck through.
export function correctReading(table, reading) {
    return new Promise((resolve) => {
        const kind = table.kind(reading.kind);
        const fields = controlsOf(table, reading);
        const reason = reasonPart(table);
        const sheet = {table, kind, reading, fields, reason, controls: [...reason.controls, ...fields], trouble: el('div', {role: 'alert'}), groups: wholeGroups(reading)};
        const dialog = el('dialog', {class: 'correct', 'aria-labelledby': 'correct-title'});
        let done = false;
        const once = (does) => async (event) => {
            const pressed = event.currentTarget;
            if (pressed.disabled) return;
            pressed.disabled = true;
            done = await does();
            pressed.disabled = false;
            if (done) dialog.close();
        };
        const press = (text, does, given = {}) => el('button', {type: 'button', ...given, on: {click: once(does)}}, text);
        sheet.keep = press(say('correct.keep'), () => sendChanged(sheet, true), {class: 'stop', hidden: true});
        swap(dialog, el('h2', {id: 'correct-title'}, say('correct.title', {what: told(kind.title)})),
            el('p', {class: 'correct-who'}, theirs(`${(now.patient.family ?? '').toUpperCase()} ${now.patient.given ?? ''}`.trim()), ' · ', theirs(now.patient.identifier.value)),
            el('p', {}, el('strong', {class: 'number'}, valueOf(table, reading)), ' ', contextNode(contextOf(table, reading)), ' · ', momentText(takenAt(reading)), ' · ', theirs(takenBy(reading))),
            reason.nodes, el('h3', {}, say('correct.right')), el('p', {class: 'hint'}, say('correct.hint')), fields.map((one) => one.node), sheet.trouble,
            el('div', {class: 'actions'}, press(say('correct.yes'), () => sendChanged(sheet, false), {class: 'main'}), sheet.keep,
                press(say('correct.strike'), () => strike(sheet), {class: 'stop'}), el('button', {type: 'button', on: {click: () => dialog.close()}}, say('correct.back'))),
            el('p', {class: 'soft'}, say('caution.corrections')));
        dialog.addEventListener('close', () => {
            dialog.remove();
            resolve(done);
        });
        document.body.append(dialog);
        dialog.showModal();
    });
}
