// session.js - who is here: sign-in, the lock over the screen, changing the person on a shared tablet, the lock for wiping.
// Told: 'session' (who is here changed, or the same person gave the PIN again), 'locked', 'signed-out'; 'gap' when the screen was
// locked or out of sight so long that the patient must be asked for again.
import {ask, look} from './api.js';
import {button, el, field, question, swap} from './dom.js';
import {dropUnsent, flushDraft, forgetDraft, myUnsent, readUnsent, sendHeld, takeDraft, tellTabs, unsent} from './offline.js';
import {go, notice, screen, showScreen} from './shell.js';
import {listen, now, takeEarly, tell} from './state.js';
import {keepSealed, keysOf, openFormer, openOffline, openSealed, openVault, reopenVault, rewrapVault, shutVault, vaultAll, vaultDrop, vaultGet, vaultOpen, vaultPut, vaultThere} from './vault.js';
import {momentText, say} from './words.js';

const GAP_MS = 120000;
const HOLD_MS = 2000;
const PIN_MOST = 12;

// ---- a PIN ----

const clock = (seconds) => `${Math.floor(seconds / 60)}:${String(seconds % 60).padStart(2, '0')}`;

const troubles = {wrong: 'sign.wrong', disabled: 'sign.disabled', busy: 'sign.busy', none: 'sign.nokey', ended: 'sign.ended'};
const troubleOf = (result) => say(result.away ? 'sign.away' : troubles[result.reason] ?? 'sign.busy');

// No keyboard of the system comes up for it (inputmode none): it would cover the pad. A keyboard that is there can be used, and paste.
function pinEntry(label) {
    const node = field({label, type: 'password', inputmode: 'none', autocomplete: 'off', maxlength: PIN_MOST, required: true});
    const put = (value) => {
        node.input.value = value.slice(0, PIN_MOST);
        node.input.dispatchEvent(new Event('input'));
    };
    const key = (text, does, given = {}) => el('button', {type: 'button', tabindex: -1, ...given, on: {click: does}}, text);
    const digit = (text) => key(text, () => put(node.input.value + text));
    node.put = put;
    node.append(el('div', {class: 'pinpad', role: 'group', 'aria-label': say('sign.pad')},
        [...'123456789'].map(digit), key('×', () => put(''), {'aria-label': say('sign.clear')}), digit('0'),
        key('⌫', () => put(node.input.value.slice(0, -1)), {'aria-label': say('sign.back')})));
    node.input.addEventListener('input', () => {
        const digits = node.input.value.replace(/\D/g, '');
        node.problem(digits === node.input.value ? '' : say('sign.digits'));
        node.input.value = digits;
    });
    return node;
}

// Until the next try: said once, then counted where nobody is read to each second.
function waitOut(entry, submit, seconds) {
    const until = Date.now() + seconds * 1000;
    const left = el('span', {role: 'timer', class: 'number'});
    entry.problem(`${say('sign.wait')} `);
    entry.querySelector('.slip').append(left);
    submit.disabled = true;
    const tick = () => {
        const still = Math.ceil((until - Date.now()) / 1000);
        left.textContent = clock(Math.max(0, still));
        if (still > 0 && entry.isConnected) return;
        clearInterval(timer);
        submit.disabled = false;
        entry.problem('');
        if (entry.isConnected) entry.input.focus();
    };
    const timer = setInterval(tick, 250);
    tick();
}

// A form that ends in a PIN. does(pin) answers like ask(); what it refuses is said at the PIN.
function pinForm({above = [], label = say('sign.pin'), text, does}) {
    const entry = pinEntry(label);
    const submit = el('button', {type: 'submit', class: 'main'}, text);
    const form = el('form', {class: 'pinform', novalidate: true}, above, entry, el('div', {class: 'actions'}, submit));
    let busy = false;
    form.addEventListener('submit', async (event) => {
        event.preventDefault();
        if (busy || submit.disabled) return;
        const pin = entry.input.value;
        if (!pin) {
            entry.problem(say('sign.nopin'));
            entry.input.focus();
            return;
        }
        busy = true;
        submit.setAttribute('aria-disabled', 'true');
        const result = await does(pin).catch(() => ({reason: 'busy'})); // no room on this device
        busy = false;
        submit.removeAttribute('aria-disabled');
        entry.put('');
        if (!result || result.ok) return;
        if (result.wait) waitOut(entry, submit, result.wait);
        else entry.problem(result.said ?? troubleOf(result));
        if (!result.elsewhere) entry.input.focus();
    });
    form.entry = entry;
    return form;
}

// ---- in ----

let chosenElsewhere = null; // the PIN, from sign-in until a new one is chosen; never longer
let guest = null; // the name typed, so that it stays when the screen is drawn again

const sealSession = (session) => keepSealed(`session:${session.person.name}`, {what: 'session'}, session);

async function comeIn(session, pin) {
    now.session = session;
    chosenElsewhere = session['must-change'] ? pin : null;
    if (!session['must-change']) {
        openVault(pin, session.person).then(() => sealSession(session)).then(afterVault);
        if (vaultThere()) vaultPut('device', {id: 'here', name: session.person.name, display: session.person.display}).catch(() => {});
        navigator.storage?.persist?.();
    }
    tellTabs({kind: 'person', name: session.person.name});
    tell('session', session);
}

async function afterVault() {
    await readUnsent();
    await sendHeld();
    await offerDraft();
    await offerFormer();
}

async function signIn(name, pin) {
    const answer = await ask('/v1/session', {name, pin});
    if (answer.ok) await comeIn(answer.body, pin);
    return answer;
}

// What this person left half entered here. The patient is asked for again before it opens (identify.js).
async function offerDraft() {
    const left = now.draft ? null : await takeDraft();
    if (!left) return;
    const word = await question(say('draft.title'), el('p', {}, say('draft.text', {time: momentText(new Date(left.since))})),
        [{word: 'on', text: say('draft.on'), main: true}, {word: 'drop', text: say('draft.drop'), stop: true}, {word: 'later', text: say('draft.later')}]);
    if (word === 'drop') await forgetDraft();
    if (word === 'on') tell('draft-left', left);
}

// Sets that are sealed under a PIN of before: it was changed on another device, or given anew.
async function offerFormer() {
    const former = (await vaultAll('held')).some((one) => one.what === 'set' && one.name === now.session?.person.name) && (await keysOf(now.session.person.name)).length > 1;
    if (!former) return;
    const dialog = el('dialog', {'aria-labelledby': 'former-title'}, el('h2', {id: 'former-title'}, say('former.title')), el('p', {}, say('former.text')));
    dialog.append(pinForm({
        label: say('former.pin'), text: say('former.open'),
        async does(pin) {
            if (!await openFormer(pin)) return {said: say('former.wrong')};
            dialog.close();
            await sendHeld();
            return null;
        },
    }), button(say('draft.later'), () => dialog.close()));
    dialog.addEventListener('close', () => dialog.remove());
    document.body.append(dialog);
    dialog.showModal();
}

async function recentPeople() {
    const seen = new Map();
    for (const one of await vaultAll('keys')) seen.set(one.name, one.display);
    return [...seen];
}

function heldList() {
    const people = Map.groupBy(unsent(), (one) => one.display ?? one.name);
    return [...people].map(([display, sets]) => el('p', {class: 'doubt'}, say('kept.of', {display, count: sets.length, time: momentText(new Date(sets[0].since))})));
}

function signInForm(root) {
    const name = field({label: say('sign.name'), autocomplete: 'username', autocapitalize: 'none', spellcheck: 'false', maxlength: 100, required: true, value: guest ?? ''});
    const people = el('div', {class: 'chips people', role: 'group', 'aria-label': say('sign.people')});
    const form = pinForm({
        above: [name, people], text: say('sign.in'),
        async does(pin) {
            guest = name.input.value.trim();
            name.problem(guest ? '' : say('sign.noname'));
            if (guest) return signIn(guest, pin);
            name.input.focus();
            return {said: '', elsewhere: true};
        },
    });
    recentPeople().then((list) => swap(people, list.slice(-8).map(([account, display]) => el('button', {
        type: 'button', class: 'chip', on: {
            click: () => {
                name.input.value = account;
                name.problem('');
                form.entry.input.focus();
            },
        },
    }, el('bdi', {}, display)))));
    swap(root, el('h1', {tabindex: -1}, say('sign.title')), el('div', {class: 'heldlist'}, heldList()), form,
        el('p', {class: 'soft enrol'}, say('enrol.lead'), ' ', button(say('enrol.link'), () => enrolForm(root), {class: 'quiet'})));
    (guest ? form.entry : name).input.focus({preventScroll: true});
}

// Own PIN, twice: the second time is compared here, the daemon says whether it takes it.
function freshPin(label) {
    const [first, again] = [pinEntry(label), field({label: say('pin.again'), type: 'password', inputmode: 'numeric', autocomplete: 'off', maxlength: PIN_MOST, required: true})];
    again.input.addEventListener('input', () => { again.input.value = again.input.value.replace(/\D/g, ''); });
    const same = () => {
        const equal = first.input.value === again.input.value;
        first.problem(first.input.value ? '' : say('sign.nopin'));
        again.problem(equal ? '' : say('pin.differ'));
        return equal && first.input.value ? first.input.value : null;
    };
    return {first, again, same};
}

const wordsOf = (result) => result.errors[0]?.detail ?? troubleOf(result);

function ownPinForm(root, {before = null, done}) {
    const fresh = freshPin(say('pin.fresh'));
    const old = before === null ? pinEntry(say('pin.old')) : null;
    const form = el('form', {class: 'pinform', novalidate: true}, old, fresh.first, fresh.again,
        el('div', {class: 'actions'}, el('button', {type: 'submit', class: 'main'}, say('pin.change'))));
    form.addEventListener('submit', async (event) => {
        event.preventDefault();
        const chosen = fresh.same();
        if (!chosen) return;
        const pin = before ?? old.input.value;
        const answer = await ask('/v1/session/_pin', {pin, fresh: chosen});
        if (answer.ok) done(answer.body, pin, chosen);
        else (answer.status === 422 || !old ? fresh.first : old).problem(wordsOf(answer));
    });
    swap(root, el('h1', {tabindex: -1}, say('pin.title')), el('p', {}, say(before === null ? 'pin.why' : 'pin.must')), form);
    (old ?? fresh.first).input.focus({preventScroll: true});
}

async function pinChanged(session, pin, fresh) {
    await rewrapVault(pin, fresh, session.person);
    await comeIn(session, fresh);
    go('');
    notice(say('pin.changed'));
}

function enrolForm(root) {
    const fields = Object.fromEntries(['code', 'name', 'display', 'practitioner'].map((key) => [key,
        field({label: say(`enrol.${key}`), hint: say(`enrol.${key}.hint`), autocomplete: 'off', autocapitalize: 'none', spellcheck: 'false', maxlength: 200})]));
    const fresh = freshPin(say('pin.fresh'));
    const form = el('form', {class: 'pinform', novalidate: true}, Object.values(fields), fresh.first, fresh.again,
        el('div', {class: 'actions'}, el('button', {type: 'submit', class: 'main'}, say('enrol.do')), button(say('enrol.back'), () => signInForm(root))));
    form.addEventListener('submit', async (event) => {
        event.preventDefault();
        const empty = Object.values(fields).filter((one) => (one.problem(one.input.value.trim() ? '' : say('enrol.empty')), !one.input.value.trim()));
        const pin = fresh.same();
        if (empty.length || !pin) return;
        const answer = await ask('/v1/session/_enrol', {...Object.fromEntries(Object.entries(fields).map(([key, one]) => [key, one.input.value.trim()])), pin});
        if (answer.ok) await comeIn(answer.body, pin);
        else if (answer.errors.length) answer.errors.forEach(({pointer, detail}) => (fields[pointer.slice(1)] ?? fresh.first).problem(detail));
        else fields.code.problem(say(answer.away ? 'sign.away' : 'enrol.refused'));
    });
    swap(root, el('h1', {tabindex: -1}, say('enrol.title')), el('p', {}, say('enrol.text')), form);
    fields.code.input.focus({preventScroll: true});
}

screen('sign-in', {
    title: 'sign.title', needs: 'none',
    show(root) {
        if (now.session?.['must-change']) ownPinForm(root, {before: chosenElsewhere, done: pinChanged});
        else signInForm(root);
        return listen('unsent', () => root.querySelector('.heldlist') && swap(root.querySelector('.heldlist'), heldList()));
    },
});

screen('own-pin', {title: 'pin.title', show: (root) => ownPinForm(root, {done: pinChanged})});

// ---- the lock over the screen ----

let lockSheet = null;
let lockedAt = 0;
let closing = Promise.resolve();

export const isLocked = () => lockSheet !== null;

function sheet(...inside) {
    const dialog = el('dialog', {class: 'lock', 'aria-labelledby': 'lock-title', closedby: 'none'}, el('div', {}, inside));
    dialog.addEventListener('cancel', (event) => event.preventDefault());
    dialog.addEventListener('close', () => dialog === lockSheet && dialog.showModal()); // nothing but lift() takes it away
    return dialog;
}

function lay(dialog) {
    lockSheet = dialog;
    lockedAt = Date.now();
    document.body.append(dialog);
    document.body.dataset.locked = '';
    dialog.showModal();
}

function lift() {
    const dialog = lockSheet;
    lockSheet = null;
    delete document.body.dataset.locked;
    dialog?.close();
    dialog?.remove();
    if (Date.now() - lockedAt > GAP_MS) tell('gap');
}

async function sessionKept(name) {
    const session = await openSealed(await vaultGet('held', `session:${name}`));
    return session && Date.parse(session.ends) > Date.now() ? session : null;
}

// Out of reach of the daemon only the key says whether the PIN is right, and only for who was here.
async function unlockOffline(person, pin) {
    if (!vaultThere()) return {away: true};
    await closing;
    const {state, wait} = await openOffline(pin, person.name);
    if (state !== 'open') return {reason: state, wait};
    const session = await sessionKept(person.name);
    if (!session) return {reason: 'ended'};
    now.session ??= session;
    return {ok: true, body: now.session};
}

async function unlock(person, pin) {
    let answer = await ask('/v1/session/_unlock', {pin});
    if (answer.status === 401 && answer.reason === 'none') answer = await ask('/v1/session', {name: person.name, pin});
    if (answer.away) answer = await unlockOffline(person, pin);
    if (!answer.ok) return answer;
    await closing;
    const before = now.session;
    now.session = answer.body;
    if (!vaultOpen()) openVault(pin, person).then(() => sealSession(answer.body)).then(before ? sendHeld : afterVault);
    else sealSession(now.session).then(sendHeld);
    lift();
    tellTabs({kind: 'person', name: person.name});
    tell('session', now.session);
    return answer;
}

function showLock(person) {
    if (lockSheet?.querySelector('form')) return;
    if (lockSheet) lift();
    const form = pinForm({text: say('lock.open'), does: (pin) => unlock(person, pin)});
    lay(sheet(el('h2', {id: 'lock-title'}, say('lock.title')), el('p', {class: 'whose'}, el('bdi', {}, person.display)),
        now.draft ? el('p', {class: 'soft'}, say('lock.kept')) : null, form,
        el('p', {class: 'others'}, button(say('lock.other'), somebodyElse, {class: 'quiet'}))));
    form.entry.input.focus();
    closing = flushDraft().then(shutVault); // what is half entered is sealed first, then the key goes
}

export async function lock({everywhere = true} = {}) {
    if (!now.session || lockSheet?.querySelector('form')) return;
    showLock(now.session.person);
    if (!everywhere) return;
    tellTabs({kind: 'lock'});
    await ask('/v1/session/_lock');
}

// ---- out ----

// A question that is open is theirs who leave: it is not answered by whoever comes.
function closeQuestions() {
    for (const one of document.querySelectorAll('dialog[open]')) if (one !== lockSheet) one.close('');
}

async function leavePerson() {
    closeQuestions();
    await flushDraft();
    await shutVault();
    const answer = await ask('/v1/session/_end');
    if (vaultThere()) {
        await vaultDrop('device', 'here');
        if (answer.away) await vaultPut('device', {id: 'owed'}).catch(() => {}); // the daemon is told when it is back
    }
    Object.assign(now, {session: null, patient: null, identity: null, draft: null, proposed: null, saved: null});
    chosenElsewhere = null;
    guest = null;
    tellTabs({kind: 'person', name: null});
    tell('patient', null);
    tell('session', null);
}

// Another person at the same tablet. What the first has half entered waits for them, sealed.
async function somebodyElse() {
    await leavePerson();
    lift();
    notice('');
    go('sign-in');
}

async function signOut() {
    await flushDraft();
    const own = unsent().filter((one) => one.name === now.session.person.name);
    const draft = await takeDraft();
    const said = [own.length ? say('out.unsent', {count: own.length, time: momentText(new Date(own[0].since))}) : null, draft ? say('out.draft') : null].filter(Boolean);
    const word = said.length ? await question(say('out.title'), said.map((text) => el('p', {class: 'doubt'}, text)),
        [{word: 'stay', text: say('out.stay'), main: true}, {word: 'out', text: say('out.anyway'), stop: true}]) : 'out';
    if (word === 'out') await somebodyElse();
}

async function showUnsent() {
    const rows = (await myUnsent()).map((one) => el('li', {}, el('bdi', {}, one.label ?? say('kept.sealed')), ` · ${momentText(new Date(one.since))}`,
        one.stuck ? [el('p', {class: 'stopped'}, say('kept.look')), button(say('kept.paper'), async (event) => {
            await dropUnsent(one.id);
            event.target.closest('li').remove();
        }, {class: 'stop'})] : null));
    await question(say('kept.title'), rows.length ? el('ul', {class: 'plain'}, rows) : el('p', {}, say('kept.none')), [{word: 'close', text: say('close'), main: true}]);
}

async function menu() {
    const word = await question(now.session.person.display, el('p', {class: 'soft'}, say(`role.${now.session.person.role}`)), [
        {word: 'else', text: say('lock.other')}, {word: 'unsent', text: say('kept.title')}, {word: 'pin', text: say('pin.link')},
        {word: 'out', text: say('out')}, {word: 'close', text: say('close')}]);
    const does = {else: signOut, unsent: showUnsent, pin: () => go('own-pin'), out: signOut};
    await does[word]?.();
}

// ---- the lock for wiping: takes nothing until it is held for two seconds ----

function wiping() {
    if (lockSheet) return;
    const key = el('button', {type: 'button', class: 'hold'}, say('wipe.hold'));
    let timer = 0;
    const stop = () => {
        clearTimeout(timer);
        timer = 0;
        key.classList.remove('held');
    };
    const begin = () => {
        if (timer) return;
        key.classList.add('held');
        timer = setTimeout(lift, HOLD_MS);
    };
    // A cloth moves: whatever leaves the spot, or a second finger, begins anew.
    key.addEventListener('pointerdown', (event) => event.isPrimary ? begin() : stop());
    ['pointerup', 'pointerleave', 'pointercancel', 'blur'].forEach((name) => key.addEventListener(name, stop));
    key.addEventListener('keydown', (event) => [' ', 'Enter'].includes(event.key) && !event.repeat && begin());
    key.addEventListener('keyup', stop);
    key.addEventListener('contextmenu', (event) => event.preventDefault());
    lay(sheet(el('h2', {id: 'lock-title'}, say('wipe.title')), el('p', {}, say('wipe.text')), key));
    key.focus();
}

// ---- when ----

let lastDone = Date.now();
let hiddenAt = 0;

function idleCheck() {
    const session = now.session;
    const away = hiddenAt && Date.now() - hiddenAt > GAP_MS;
    const idle = Date.now() - lastDone;
    if (session && (away || idle < 0 || idle > session['idle-seconds'] * 1000)) lock(); // below 0: the clock was set back
}

function watchIdle() {
    for (const name of ['pointerdown', 'keydown', 'wheel'])
        window.addEventListener(name, () => { lastDone = Date.now(); }, {capture: true, passive: true});
    document.addEventListener('visibilitychange', () => {
        idleCheck();
        hiddenAt = document.hidden ? Date.now() : 0;
    });
    setInterval(idleCheck, 1000);
}

listen('lock', () => lock());
listen('wipe', wiping);
listen('person', menu);
listen('locked', (answer) => showLock(now.session?.person ?? answer.person));
// The daemon does not know this session any more (it was started again, or the longest time is over): the same PIN opens a new one.
listen('signed-out', () => now.session && showLock(now.session.person));
// Another tab: locked there is locked here; another person there is another person here.
listen('tab', async ({kind, name}) => {
    if (kind === 'lock') await lock({everywhere: false});
    if (kind !== 'person') return;
    const own = now.session?.person.name ?? null;
    if (name === own && isLocked() && await reopenVault(name)) {
        const answer = await look('/v1/session');
        if (!answer.ok) return;
        now.session = answer.body;
        lift();
        tell('session', now.session);
    } else if (name !== own) location.reload();
});

async function payOwed() {
    const owed = vaultThere() && await vaultGet('device', 'owed');
    if (!owed) return false;
    const answer = await ask('/v1/session/_end');
    if (!answer.away) await vaultDrop('device', 'owed');
    return true;
}

async function settle(answer, here) {
    if (here && answer.away) showLock(here);
    if (!answer.ok) return;
    now.session = answer.body;
    tell('session', now.session);
    if (now.session['must-change']) return;
    if (!vaultThere() || await reopenVault(now.session.person.name)) afterVault();
    else lock(); // the key is asked for: without it nothing could be kept
}

// At the start of the page: who is here already? Where nobody was left signed in, the first screen does not wait for the answer.
export async function whoIsHere() {
    watchIdle();
    if (await payOwed()) takeEarly('/v1/session'); // asked before that
    const asked = look('/v1/session');
    const here = vaultThere() ? await vaultGet('device', 'here') : null;
    const settled = asked.then((answer) => settle(answer, here));
    if (here) await settled;
}

// Whoever is here is drawn anew only when it is somebody else: what is half entered stays as it is.
let drawnFor = null;
export function watchPerson() {
    listen('session', (session) => {
        const name = session && !session['must-change'] ? session.person.name : null;
        if (name === drawnFor && name) return;
        drawnFor = name;
        if (location.hash === '#sign-in' && name) go('');
        else showScreen();
    });
    drawnFor = now.session?.person.name ?? null;
}
