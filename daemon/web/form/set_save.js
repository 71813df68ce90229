// set_save.js - the end of a set: whose it is once more, what goes into the record, then out; a refusal lands at its field.
import {ask} from './api.js';
import {el, field, question, swap} from './dom.js';
import {bedside, hygieneTicks, identityAgain, identityFresh, identityLine, untick} from './identify.js';
import {deliverSet, forgetDraft, forgetDraftOf} from './offline.js';
import {isLate, isTouched} from './set_draft.js';
import {wordChips} from './set_field.js';
import {flagShapes} from './set_row.js';
import {go, notice} from './shell.js';
import {now, tell} from './state.js';
import {told} from './told.js';
import {momentText, say, timeText} from './words.js';

// ---- a second person or device ----

// {by, second, reason}, or null when it was called off.
export async function askSecond(what, trouble = '', before = {}) {
    let how = before.how ?? null;
    const chips = wordChips({label: say('second.who'), words: [{word: 'person', text: say('second.person')}, {word: 'device', text: say('second.device')}], get: () => how, put: (word) => {
        how = word;
        show();
    }});
    const name = field({label: say('second.name'), autocomplete: 'off', autocapitalize: 'none', maxlength: 64});
    const pin = field({label: say('second.pin'), type: 'password', inputmode: 'numeric', autocomplete: 'off', maxlength: 64});
    const device = field({label: say('second.device.name'), autocomplete: 'off', maxlength: 100});
    const reason = field({label: say('second.reason'), autocomplete: 'off', maxlength: 500});
    const show = () => {
        chips.refresh();
        name.hidden = pin.hidden = how !== 'person';
        device.hidden = how !== 'device';
    };

    reason.input.value = before.reason ?? '';
    name.input.value = before.name ?? '';
    show();
    const answer = await question(say('second.title', {what}), [trouble ? el('p', {class: 'stopped', role: 'alert'}, trouble) : null, el('p', {}, say('second.about')), chips, name, pin, device, reason],
        [{word: 'yes', text: say('second.vouch'), main: true}, {word: '', text: say('set.back')}]);
    if (answer !== 'yes') return null;
    const given = {how, reason: reason.input.value.trim(), name: name.input.value.trim(), device: device.input.value.trim()};
    if (!how || !given.reason || !(how === 'person' ? given.name && pin.input.value : given.device)) return askSecond(what, say('second.lacks'), given);
    const second = how === 'device' ? given.device : await vouch(given.name, pin.input.value);
    return second.trouble ? askSecond(what, second.trouble, given) : {by: now.session.person.practitioner, second, reason: given.reason};
}

async function vouch(name, pin) {
    const answer = await ask('/v1/session/_second', {name, pin});
    if (answer.ok) return answer.body.practitioner === now.session.person.practitioner ? {trouble: say('second.same')} : answer.body.practitioner;
    return {trouble: answer.away ? say('second.away') : answer.status === 429 ? say('second.wait', {seconds: answer.wait}) : say('second.wrong')};
}

// ---- what must be looked at before ----

function needsLook(sheet, kind) {
    const sign = sheet.peek(kind.name);
    const found = sheet.found.of(kind.name);
    return found.grade !== 'ok' || (sign.server ?? []).length > 0 || Object.values(sign.typed).some((text) => text.endsWith('.')) ||
        (sheet.table.reason(sign.notTaken)?.note && !sign.note.trim());
}

function lookAt(sheet, kinds) {
    const row = sheet.row(kinds[0].name);
    sheet.activate(null);
    sheet.draw();
    sheet.score.tell(say(kinds.length === 1 ? 'set.look.one' : 'set.look', {count: kinds.length, what: kinds.map((kind) => told(kind.title)).join(', ')}));
    row.node.scrollIntoView({block: 'center'});
    const wanted = row.node.querySelector('.doubts button') ?? row.node.querySelector('.reasons:not([hidden]) textarea') ?? row.slots.find((slot) => !slot.input.value)?.input ?? row.slots[0]?.input ?? row.node.querySelector('button');
    wanted.focus({preventScroll: true});
}

// ---- the last look ----

// When a set was not taken just now.
export const lateLine = ({taken}) => taken ? el('p', {class: 'doubt'}, say('set.late', {when: momentText(new Date(taken)), count: Math.round((Date.now() - new Date(taken)) / 6e4)})) : null;

function valueText(sheet, kind) {
    const sign = sheet.peek(kind.name);
    const said = kind.fields.flatMap((row) => [sign.said[row.path]].flat().filter((word) => row.list && word).map((word) => told(sheet.table.word(row.list, word).text)));
    if (sign.notTaken) return say('save.not-taken', {why: told(sheet.table.reason(sign.notTaken).text)});
    const row = sheet.row(kind.name);
    const numbers = row.slots.filter((slot) => !slot.field && slot.input.value);
    const words = row.chips.map(({part}) => sheet.table.word(part.list, sign.words[part.name])?.text).filter(Boolean).map(told);
    return [`${numbers.map((slot) => slot.input.value).join('/')} ${numbers[0]?.unitText ?? ''}`.trim(), ...words, ...said].filter(Boolean).join(' · ');
}

async function lastLook(sheet) {
    const blank = sheet.rows.filter((row) => row.kind.routine && !isTouched(sheet.peek(row.kind.name)));
    const lines = sheet.found.kinds.map((kind) => el('tr', {}, el('th', {scope: 'row'}, told(kind.title)), el('td', {}, valueText(sheet, kind)),
        el('td', {class: 'flag'}, sheet.found.of(kind.name).flags.filter((flag) => flag.name || /[HL]/.test(flag.interpretation ?? '')).map((flag) => `${flagShapes[flag.interpretation] ?? '◆'} ${told(flag.name ?? say(`set.flag.${flag.interpretation}`))}`).join(', '))));
    return await question(say('save.title'), el('div', {class: 'last-look'}, el('div', {class: 'save-identity'}, identityLine()), lateLine(sheet.draft),
        el('table', {}, el('tbody', {}, lines)),
        blank.length ? el('p', {class: 'doubt'}, say('save.blank', {what: blank.map((row) => told(row.kind.title)).join(', ')})) : null, hygieneTicks()),
    [{word: 'save', text: say('save.yes'), main: true}, {word: '', text: say('set.back')}]) === 'save';
}

// ---- out ----

function wireBody(sheet) {
    const body = {...sheet.found.body, bedside: bedside()};
    // the time was asked for; nothing else is open when a set goes out
    return isLate(sheet.draft) ? {...body, readings: body.readings.map((one) => ({...one, confirmed: true}))} : body;
}

const labelOf = (known) => `${(known.family ?? '').toUpperCase()} ${known.given ?? ''}`.trim() + `, ${timeText(new Date())}`;

// The fields that the daemon spoke of; what it said of none of them comes back.
function putRefusals(sheet, kinds, errors) {
    return errors.filter(({pointer, code, detail, override}) => {
        const [, index, rest] = /^\/readings\/(\d+)(.*)$/.exec(pointer) ?? [];
        const kind = kinds[index];
        if (!kind) return true;
        (sheet.peek(kind.name).server ??= []).push({pointer: rest, code, override, detail: say(`refused.${code}`, {detail})});
        return false;
    });
}

async function refused(sheet, kinds, result) {
    const others = putRefusals(sheet, kinds, result.errors);
    const stops = kinds.filter((kind) => sheet.peek(kind.name).server?.length);

    sheet.refresh();
    swap(sheet.troubles, others.map(({code, detail}) => el('p', {class: 'stopped'}, say(`refused.${code}`, {detail}))),
        result.errors.length ? null : el('p', {class: 'stopped'}, say('refused.whole', {detail: result.body?.detail ?? result.body?.title ?? ''})));
    if (stops.length) lookAt(sheet, stops);
    else sheet.troubles.scrollIntoView({block: 'center'});
    if (others.some(({pointer}) => pointer.startsWith('/bedside/identity'))) await identityAgain();
}

async function done(sheet, outcome, label) {
    now.saved = {...outcome, label, set: sheet.draft.id, patient: now.patient};
    now.draft = null;
    untick();
    await forgetDraft();
    notice('');
    go('after');
}

async function send(sheet) {
    const {kinds} = sheet.found;
    const label = labelOf(now.patient);
    const {name} = now.session.person;
    const outcome = await deliverSet(wireBody(sheet), label);
    const isOut = outcome.state === 'saved' || outcome.state === 'here';

    if (now.session?.person.name !== name) { // the tablet has changed hands: the screen is another person's
        if (isOut) await forgetDraftOf(name);
        return;
    }
    swap(sheet.troubles);
    if (outcome.state === 'refused') await refused(sheet, kinds, outcome.result);
    else if (outcome.state === 'nowhere') swap(sheet.troubles, el('p', {class: 'stopped'}, say('save.nowhere', {since: momentText(new Date())})));
    else await done(sheet, outcome, label);
}

// One set is saved once, however often it is pressed.
export async function saveSet(sheet) {
    if (sheet.saving) return;
    sheet.saving = true;
    try {
        const stops = sheet.found.kinds.filter((kind) => needsLook(sheet, kind));
        if (!sheet.found.kinds.length) sheet.score.tell(say('save.nothing'));
        else if (stops.length) lookAt(sheet, stops);
        else if ((identityFresh() || await identityAgain()) && await lastLook(sheet)) await send(sheet);
    } finally {
        sheet.saving = false;
    }
}

