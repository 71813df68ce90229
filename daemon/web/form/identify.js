// identify.js - the right patient. Nothing opens before two identifiers were confirmed; a room or a bed is never one. A scanned band is
// one, and the birth date the patient states is compared with the record by a deliberate tap. Without a scan the second one is typed,
// and what must be typed is not on the screen. Told: 'patient'.
//
//   now.patient            a known patient; now.identity {checked, how, at, confirmedMs}; now.hygiene {hands, equipment}
//   identityFresh()        two identifiers were confirmed, no longer than 10 min ago, with no gap since
//   identityAgain()        asks once more for the patient who is open -> true, or false (then ask to stop)
//   identityLine()         the patient in one line, for the step before saving
//   bedside()              the member "bedside" of the set; sentPatient() the member "patient"
//   closePatient()         no patient is open (after a set was saved, or another is wanted)
import {ask} from './api.js';
import {button, byId, el, field, question, swap, theirs} from './dom.js';
import {readScan, scanFaults} from './gs1.js';
import {forgetDraft, patientsHere, rememberPatients, sameText} from './offline.js';
import {isLocked} from './session.js';
import {go, notice, screen, shownScreen} from './shell.js';
import {listen, now, tell} from './state.js';
import {ageText, dayText, say, zoned} from './words.js';

const FRESH_MS = 600000;
const TYPED_TRIES = 3;

// What was ticked goes with one set, or until another patient is looked for.
export function untick() {
    now.hygiene = {hands: false, equipment: false};
}
untick();
let left = null; // a half-entered set whose patient is asked for again
let pending = null; // a text scanned on another screen

// ---- a day as typed ----

// 14-Mar-1951, 14/03/1951, 14 3 1951, 14031951 or 1951-03-14 -> 1951-03-14; else null. The day stands first; the month is shown as a word.
function readDay(text) {
    const months = say('months').toLowerCase().split(' ');
    const parts = text.trim().toLowerCase().match(/^(\d{4})-(\d{1,2})-(\d{1,2})$/) ? text.trim().split('-').reverse()
        : text.trim().toLowerCase().match(/^(\d{2})(\d{2})(\d{4})$/)?.slice(1) ?? text.trim().toLowerCase().split(/[\s./-]+/);
    if (parts.length !== 3 || !/^\d{4}$/.test(parts[2]) || !/^\d{1,2}$/.test(parts[0])) return null;
    const named = months.findIndex((month) => parts[1].startsWith(month)) + 1;
    const [day, month, year] = [Number(parts[0]), named || Number(parts[1]), Number(parts[2])];
    const date = new Date(Date.UTC(year, month - 1, day));
    if (date.getUTCMonth() + 1 !== month || date.getUTCDate() !== day || date > Date.now() || year < 1880) return null;
    return date.toISOString().slice(0, 10);
}

function dayField(label) {
    const node = field({label, hint: say('find.day.hint'), inputmode: 'text', autocomplete: 'off', maxlength: 20});
    const echo = el('p', {class: 'echo', 'aria-live': 'polite'});
    node.append(echo);
    node.day = () => readDay(node.input.value);
    node.input.addEventListener('input', () => {
        node.problem('');
        echo.textContent = node.day() ? dayText(node.day()) : '';
    });
    return node;
}

// ---- a patient in words ----

const unknown = (key) => el('span', {class: 'soft'}, say(key));
const genders = ['female', 'male', 'other'];
const genderText = (one) => genders.includes(one.gender) ? say(`gender.${one.gender}`) : null;
const familyText = (one) => one.family ? theirs(one.family.toUpperCase(), {class: 'theirs family'}) : unknown('who.nofamily');
const givenText = (one) => one.given ? theirs(one.given) : unknown('who.nogiven');
const bornText = (one) => one.birthDate ? el('span', {class: 'number'}, `${say('who.born')} ${dayText(one.birthDate)} (${ageText(one.birthDate)})`) : unknown('who.noborn');
const numberText = (one) => el('span', {class: 'number'}, `${say('who.number')} `, theirs(one.identifier.value));
const placeText = (one) => [one.ward, one.bed ? say('who.bed', {bed: one.bed}) : null].filter(Boolean).join(', ');
const nameLine = (one) => [familyText(one), one.family ? ', ' : ' ', givenText(one)];

export const identityLine = (one = now.patient) => el('p', {class: 'identityline'}, `${say('who.for')} `, nameLine(one), ' · ', bornText(one), ' · ', numberText(one));

export const sentPatient = (one = now.patient) => ({identifier: one.identifier, ...(one.birthDate ? {birthDate: one.birthDate} : {}), ...(one.family ? {family: one.family} : {})});

export const bedside = () => ({identity: {checked: now.identity.checked, how: now.identity.how, at: now.identity.at}, hygiene: {...now.hygiene}});

function drawStrip() {
    const one = now.patient;
    byId('strip').hidden = !one;
    byId('strip').setAttribute('aria-label', say('who.strip'));
    swap(byId('strip'), one ? [
        el('span', {class: 'name'}, nameLine(one)), bornText(one), genderText(one) ? el('span', {}, genderText(one)) : unknown('who.nogender'),
        numberText(one), placeText(one) ? el('span', {class: 'place'}, theirs(placeText(one))) : unknown('who.noplace'),
        one.alike ? el('span', {class: 'alike'}, say('who.alike')) : null,
        one.byHand ? el('span', {class: 'alike'}, say('who.byhand')) : null,
        one.deceased ? el('span', {class: 'alike'}, say('who.deceased')) : null,
        button(say('who.other'), anotherPatient)] : null);
}

async function anotherPatient() {
    const word = now.draft ? await question(say('who.other'), el('p', {}, say('who.drop')),
        [{word: 'stay', text: say('out.stay'), main: true}, {word: 'go', text: say('draft.drop'), stop: true}]) : 'go';
    if (word !== 'go') return;
    now.draft = null;
    await forgetDraft();
    closePatient();
    go('patients');
}

export function closePatient() {
    Object.assign(now, {patient: null, identity: null});
    untick();
    tell('patient', null);
}

export const identifierSame = (one, other) => one?.system === other?.system && one?.value === other?.value;

// ---- confirmed ----

const sinceConfirmed = () => Date.now() - now.identity.confirmedMs; // below 0: the clock was set back
export const identityFresh = () => Boolean(now.patient && now.identity && !now.identity.gap && sinceConfirmed() >= 0 && sinceConfirmed() < FRESH_MS);

function confirmed(patient, checked, how) {
    now.identity = {checked: [...checked], how: [...how], at: zoned(), confirmedMs: Date.now()};
    now.patient = patient;
    tell('patient', patient);
}

// Two ticks, never in the way: what is ticked goes with the set.
export function hygieneTicks() {
    const tick = (key) => el('label', {class: 'tick'}, el('input', {type: 'checkbox', checked: now.hygiene[key], on: {change: (event) => { now.hygiene[key] = event.target.checked; }}}), say(`hygiene.${key}`));
    return el('div', {class: 'ticks', role: 'group', 'aria-label': say('hygiene')}, tick('hands'), tick('equipment'));
}

// The last step: what the patient says is compared. found: {patient, checked: Set, how: Set}. done(true) confirmed, done(false) not.
function confirmSheet(found, done) {
    const {patient} = found;
    const {checked, how} = found;
    const both = how.has('band-scanned') || checked.size >= 2;
    const second = both ? null : field({label: say(checked.has('birth-date') ? 'confirm.number' : checked.has('identifier') ? 'confirm.day' : 'confirm.either'),
        hint: say('confirm.hint'), autocomplete: 'off', maxlength: 60, 'data-scan': 'yes'});
    let tries = 0;

    const typedRight = (text) => {
        if (!checked.has('birth-date') && patient.birthDate && readDay(text) === patient.birthDate) checked.add('birth-date');
        else if (!checked.has('identifier') && sameText(text, patient.identifier.value)) checked.add('identifier');
        else return false;
        return true;
    };
    const finish = (source) => {
        if (second && !typedRight(second.input.value)) {
            tries += second.input.value.trim() ? 1 : 0;
            if (tries >= TYPED_TRIES) done(false);
            second.problem(say(second.input.value.trim() ? 'confirm.wrong' : 'confirm.empty'));
            second.input.focus();
            return;
        }
        how.add(source);
        checked.add(both && patient.birthDate ? 'birth-date' : 'family'); // compared as stated
        if (patient.family) checked.add('family');
        confirmed(patient, checked, how);
        done(true);
    };
    const stated = both ? say(patient.birthDate ? 'confirm.stated' : 'confirm.stated.name', {day: patient.birthDate ? dayText(patient.birthDate) : ''}) : say('confirm.spoken');
    const shown = both ? [bornText(patient), ' · ', numberText(patient)] : [unknown('confirm.hidden')];
    const form = el('form', {class: 'confirm', novalidate: true},
        el('p', {class: 'big'}, nameLine(patient)), el('p', {}, shown, ' · ', genderText(patient) ?? unknown('who.nogender'), placeText(patient) ? [' · ', theirs(placeText(patient), {class: 'soft'})] : null),
        patient.alike ? el('p', {class: 'doubt'}, say('confirm.alike')) : null,
        patient.deceased ? el('p', {class: 'stopped'}, say('confirm.deceased')) : null,
        patient.active === false && !patient.deceased ? el('p', {class: 'doubt'}, say('confirm.inactive')) : null,
        patient.byHand ? el('p', {class: 'doubt'}, say('confirm.byhand')) : null,
        el('p', {}, say('confirm.ask')), second,
        el('div', {class: 'actions'}, el('button', {type: 'submit', class: 'main'}, stated)),
        el('div', {class: 'actions less'}, button(say('confirm.band'), () => finish('band-read')), button(say('confirm.person'), () => finish('second-person')),
            button(say('confirm.no'), () => done(false), {class: 'stop'})),
        hygieneTicks());
    form.addEventListener('submit', (event) => {
        event.preventDefault();
        finish('spoken');
    });
    form.first = second?.input ?? form.querySelector('.main');
    return form;
}

// The patient who is open, asked for again after a gap. A band scanned meanwhile is compared too.
let again = null;
export function identityAgain() {
    if (!now.patient) return Promise.resolve(false);
    again ??= new Promise((answer) => {
        const patient = now.patient;
        const dialog = el('dialog', {'aria-labelledby': 'again-title'}, el('h2', {id: 'again-title'}, say('again.title')), el('p', {}, say('again.text')));
        let right = false;
        dialog.append(confirmSheet({patient, checked: new Set(['identifier']), how: new Set(['band-scanned'].filter(() => now.identity?.how.includes('band-scanned')))}, (is) => {
            right = is;
            dialog.close();
        }));
        dialog.addEventListener('close', () => {
            dialog.remove();
            again = null;
            if (!right) notice(say('again.no'), 'doubt');
            answer(right);
        });
        document.body.append(dialog);
        dialog.showModal();
        dialog.querySelector('form').first.focus();
    });
    return again;
}

// ---- found ----

const matches = (query, one) => new Set([
    query.identifier && sameText(one.identifier.value, query.identifier) ? 'identifier' : null,
    query.birthDate && one.birthDate === query.birthDate ? 'birth-date' : null,
    query.family && sameText(one.family, query.family) ? 'family' : null].filter(Boolean));

async function findPatients(query) {
    const answer = await ask('/v1/patients/_search', query, {timeout: 8000});
    if (answer.ok) {
        const system = answer.body.system ?? answer.body.patients[0]?.identifier.system;
        if (system) localStorage.setItem('patient-system', system);
        rememberPatients(answer.body.patients);
        return answer.body;
    }
    return answer.away ? {patients: await patientsHere(query), server: 'here'} : {patients: [], server: 'refused', refused: answer};
}

function listOf(patients, query, pick) {
    return el('ul', {class: 'found'}, patients.map((one) => {
        const checked = matches(query, one);
        return el('li', {}, el('button', {type: 'button', on: {click: () => pick({patient: one, checked, how: new Set()})}},
            el('span', {class: 'name'}, nameLine(one)),
            el('span', {}, [genderText(one), one.birthDate ? checked.has('birth-date') ? dayText(one.birthDate) : ageText(one.birthDate) : say('who.noborn'), checked.has('identifier') ? one.identifier.value : null].filter(Boolean).join(' · ')),
            placeText(one) ? el('span', {class: 'soft'}, theirs(placeText(one))) : null,
            one.alike ? el('span', {class: 'flag'}, `◆ ${say('who.alike')}`) : null,
            one.deceased ? el('span', {class: 'flag'}, `■ ${say('who.deceased')}`) : null));
    }));
}

// ---- the screen ----

let view = null; // {root, number, day, family, result}

function opened(found) {
    const draft = left && sameText(left.patient?.identifier.value, found.patient.identifier.value) ? left : null;
    left = null;
    if (draft) {
        now.draft = draft.draft;
        tell('draft', draft.draft);
    }
    notice('');
    go('set');
}

function confirmPatient(found) {
    untick();
    const form = confirmSheet(found, (right) => {
        if (right) return opened(found);
        notice(say('confirm.not'), 'doubt');
        drawFind(view.root);
        return null;
    });
    swap(view.root, el('h1', {tabindex: -1}, say('confirm.title')), form, button(say('confirm.back'), () => drawFind(view.root), {class: 'quiet'}));
    form.first.focus({preventScroll: true});
    window.scrollTo(0, 0);
}

// A number nobody knows. Where the record could be asked and does not know it, it is most likely a slip: it does not open. Out of
// reach of any record the number decides the chart, so it must be scanned or typed twice; birth date and name are what it will be
// compared with, once each. Whoever is entered so is marked on the strip until the record is back.
function byHand(number, scanned, system) {
    const again1 = scanned ? null : field({label: say('hand.again'), autocomplete: 'off', maxlength: 60});
    const first = scanned ? null : field({label: say('find.number'), autocomplete: 'off', maxlength: 60, value: number ?? ''});
    const day = dayField(say('find.day'));
    const family = field({label: say('find.family'), autocomplete: 'off', maxlength: 100});
    const form = el('form', {class: 'confirm', novalidate: true}, scanned ? el('p', {}, `${say('who.number')} `, theirs(number)) : [first, again1], day, family,
        el('div', {class: 'actions'}, el('button', {type: 'submit', class: 'main'}, say('hand.on'))));
    form.addEventListener('submit', (event) => {
        event.preventDefault();
        const value = scanned ? number : first.input.value.trim();
        const faults = [
            !scanned && !value ? [first, 'hand.nonumber'] : null, !scanned && again1.input.value.trim() !== value ? [again1, 'hand.differ'] : null,
            day.day() ? null : [day, 'find.day.wrong'], family.input.value.trim() ? null : [family, 'hand.nofamily']].filter(Boolean);
        [first, again1, day, family].forEach((one) => one?.problem(''));
        faults.forEach(([one, key]) => one.problem(say(key)));
        if (faults.length) return faults[0][0].input.focus();
        const patient = {identifier: {system, value}, family: family.input.value.trim(), birthDate: day.day(), byHand: true};
        return confirmPatient({patient, checked: new Set(['identifier', 'birth-date', 'family']), how: new Set(scanned ? ['band-scanned'] : [])});
    });
    swap(view.root, el('h1', {tabindex: -1}, say('hand.title')), el('p', {}, say('hand.text')), form, button(say('confirm.back'), () => drawFind(view.root), {class: 'quiet'}));
    (first ?? day).input.focus();
}

function nobody(body, query, scanned) {
    const away = body.server === 'away' || body.server === 'here' || body.server === 'none';
    const system = body.system ?? localStorage.getItem('patient-system'); // whose numbers they are; no person's
    swap(view.result, el('p', {class: 'doubt', role: 'alert'}, say(body.server === 'refused' ? 'find.refused' : away ? 'find.none.away' : 'find.none')),
        away && query.identifier && system ? button(say('hand.link'), () => byHand(query.identifier, scanned, system)) : null);
}

async function find(query, scanned = false) {
    notice('');
    swap(view.result, el('p', {class: 'soft', role: 'status'}, say('find.busy')));
    const body = await findPatients(query);
    if (shownScreen() !== 'patients') return;
    const [one, ...more] = body.patients;
    if (!one) nobody(body, query, scanned);
    else if (scanned && !more.length) confirmPatient({patient: one, checked: new Set(['identifier']), how: new Set(['band-scanned'])});
    else {
        swap(view.result, el('h2', {}, say('find.found', {count: body.patients.length})),
            body.server !== 'asked' && body.server !== 'none' ? el('p', {class: 'soft'}, say('find.copy')) : null,
            listOf(body.patients, query, confirmPatient));
        view.result.querySelector('button').focus();
    }
}

function scanFault(why) {
    const key = Object.keys(scanFaults).find((one) => scanFaults[one] === why) ?? 'empty';
    return say(`scan.${key}`);
}

function drawFind(root) {
    const number = field({label: say('find.number'), autocomplete: 'off', autocapitalize: 'none', spellcheck: 'false', maxlength: 60, 'data-scan': 'yes'});
    const day = dayField(say('find.day'));
    const family = field({label: say('find.family'), autocomplete: 'off', spellcheck: 'false', maxlength: 100});
    const result = el('div', {class: 'result'});
    const form = el('form', {class: 'find', novalidate: true}, number, day, family, el('div', {class: 'actions'}, el('button', {type: 'submit', class: 'main'}, say('find.go'))));
    form.addEventListener('submit', (event) => {
        event.preventDefault();
        const query = {identifier: number.input.value.trim(), birthDate: day.input.value.trim() ? day.day() : '', family: family.input.value.trim()};
        if (query.birthDate === null) {
            day.problem(say('find.day.wrong'));
            return day.input.focus();
        }
        if (!query.identifier && !query.birthDate && query.family.length < 2) {
            number.problem(say('find.empty'));
            return number.input.focus();
        }
        number.problem('');
        const sent = query.identifier ? ['identifier'] : query.birthDate ? ['birthDate', 'family'] : ['family'];
        return find(Object.fromEntries(sent.filter((key) => query[key]).map((key) => [key, query[key]])));
    });
    view = {root, result};
    swap(root, el('h1', {tabindex: -1}, say('find.title')),
        el('section', {class: 'scan'}, el('p', {class: 'ready'}, say('find.scan')), cameraThere() ? button(say('find.camera'), scanByCamera) : null),
        result,
        el('h2', {}, say('find.search')), el('p', {class: 'hint'}, say('find.hint')), form);
}

// Somebody is open already: nobody else is looked for under the same strip.
function drawOpen(root) {
    swap(root, el('h1', {tabindex: -1}, say('open.title')), identityLine(), hygieneTicks(),
        el('div', {class: 'actions'}, button(say('open.on'), () => go('set'), {class: 'main'}), button(say('who.other'), anotherPatient)));
}

screen('patients', {
    title: 'find.title', link: 'find.link',
    show(root) {
        if (now.patient) return drawOpen(root);
        drawFind(root);
        if (left?.patient) confirmPatient({patient: left.patient, checked: new Set(['identifier']), how: new Set(left.identity?.how.includes('band-scanned') ? ['band-scanned'] : [])});
        if (now.proposed) confirmPatient({patient: now.proposed, checked: new Set(), how: new Set()}); // from the round: nothing is confirmed yet
        now.proposed = null;
        if (pending) scanned(pending);
        pending = null;
        return () => { view = null; };
    },
});

listen('draft-left', (kept) => {
    if (!kept.patient) return;
    left = kept;
    if (shownScreen() === 'patients' && view) confirmPatient({patient: kept.patient, checked: new Set(['identifier']), how: new Set(kept.identity?.how.includes('band-scanned') ? ['band-scanned'] : [])});
    else go('patients');
});

// ---- a band was scanned ----

async function scanned(text) {
    if (!now.session || now.session['must-change'] || isLocked()) return;
    const scan = readScan(text);
    if (again) return compareAgain(scan);
    if (now.patient) return compareOpen(scan);
    if (shownScreen() !== 'patients' || !view) {
        pending = text;
        return go('patients');
    }
    if (scan.kind === 'broken') return swap(view.result, el('p', {class: 'stopped', role: 'alert'}, scanFault(scan.why)));
    left = null;
    return find({identifier: scan.value}, true);
}

const isOpen = (scan) => scan.kind !== 'broken' && sameText(scan.value, now.patient.identifier.value);

// While a patient is open: the same band says so; another band is told and changes nothing, but whoever scans it may stand at another
// bed: before saving the patient is asked for again.
function compareOpen(scan) {
    if (!isOpen(scan) && scan.kind !== 'broken') now.identity.gap = true;
    if (!isOpen(scan)) return notice(scan.kind === 'broken' ? scanFault(scan.why) : say('scan.other'), 'doubt');
    now.identity.how = [...new Set([...now.identity.how, 'band-scanned'])];
    now.identity.checked = [...new Set([...now.identity.checked, 'identifier'])];
    return notice(say('scan.same'));
}

function compareAgain(scan) {
    const dialog = document.querySelector('dialog[open]:has(form.confirm)');
    if (!isOpen(scan)) return dialog.querySelector('p').replaceWith(el('p', {class: 'stopped', role: 'alert'}, scan.kind === 'broken' ? scanFault(scan.why) : say('scan.other')));
    const input = dialog.querySelector('form.confirm').first;
    if (input.tagName === 'INPUT') input.value = '';
    return dialog.querySelector('p').replaceWith(el('p', {role: 'status'}, say('scan.same')));
}

// A scanner that types (keyboard wedge): characters that come faster than fingers, ended by Enter or Tab. In a field where numbers of
// bands or of measurements are typed, and outside of fields, such a burst is a scan; in another field only with the marks of a band.
const BURST_GAP_MS = 100; // between two, at most
const BURST_MEAN_MS = 50; // over all: 20 characters a second
const BURST_LEAST = 6;
const noBurst = {text: '', from: 0, at: 0, target: null, field: null, before: ''};
let burst = noBurst;

const isField = (node) => node instanceof HTMLInputElement && node.type !== 'checkbox' || node instanceof HTMLTextAreaElement;
const takesScans = (node) => node.dataset.scan === 'yes' || (node.inputMode === 'none' && node.type === 'text');
const isBand = (text) => text.startsWith(']') || text.includes('\x1d') || readScan(text).kind === 'gsrn';

function burstKey(event) {
    if (!event.isTrusted || event.isComposing) return;
    const ends = event.key === 'Enter' || event.key === 'Tab';
    const character = event.ctrlKey && event.key === ']' ? '\x1d' : event.key; // FNC1 of scanners that type it as a control character
    if (!ends && character.length !== 1) return;
    if (event.timeStamp - burst.at > BURST_GAP_MS || event.target !== burst.target) // a scanner does not go from field to field
        burst = {...noBurst, from: event.timeStamp, target: event.target, field: isField(event.target) ? event.target : null, before: event.target.value ?? ''};
    if (ends) return endBurst(event);
    burst = {...burst, text: burst.text + character, at: event.timeStamp};
}

function endBurst(event) {
    const {text, from, field: into, before} = burst;
    burst = noBurst;
    if (text.length < BURST_LEAST || event.timeStamp - from > BURST_MEAN_MS * text.length) return;
    const strayed = isLocked() && (/\D/.test(text) || text.length > 12); // a band scanned at the lock is no wrong PIN
    if (into && !takesScans(into) && !isBand(text) && !strayed) return;
    event.preventDefault();
    event.stopImmediatePropagation();
    if (into) {
        into.value = before;
        into.dispatchEvent(new Event('input', {bubbles: true}));
    }
    scanned(text);
}

window.addEventListener('keydown', burstKey, {capture: true});

// ---- the camera, where the browser reads codes by itself ----

const cameraThere = () => 'BarcodeDetector' in globalThis && Boolean(navigator.mediaDevices?.getUserMedia);

async function scanByCamera() {
    const stream = await navigator.mediaDevices.getUserMedia({video: {facingMode: 'environment'}}).catch(() => null);
    if (!stream) return notice(say('camera.none'), 'doubt');
    const video = el('video', {playsinline: true, muted: true, 'aria-label': say('camera.picture')});
    const dialog = el('dialog', {class: 'camera', 'aria-label': say('find.camera')}, el('p', {}, say('camera.hold')), video, button(say('close'), () => dialog.close()));
    const detector = new BarcodeDetector({formats: ['data_matrix', 'qr_code', 'code_128']});
    let open = true;
    dialog.addEventListener('close', () => {
        open = false;
        stream.getTracks().forEach((track) => track.stop());
        dialog.remove();
    });
    document.body.append(dialog);
    dialog.showModal();
    video.srcObject = stream;
    video.play().catch(() => {});
    while (open) {
        const [code] = await detector.detect(video).catch(() => []);
        if (code && open) {
            dialog.close();
            return scanned(code.rawValue);
        }
        await new Promise((next) => setTimeout(next, 200));
    }
    return null;
}

listen('patient', drawStrip);
listen('session', (session) => { if (!session) left = pending = null; }); // theirs who left
listen('gap', () => { if (now.identity) now.identity.gap = true; });
