// offline.js - nothing typed is lost. A half-entered set is kept sealed on this device (vault.js) for the one who entered it; a whole
// set is kept sealed before it is sent, and let go of only once the daemon has answered. So it is sent exactly once, whatever is cut,
// reloaded or pressed twice: its readings have ids of their own, and the daemon answers the same for the same.
//
//   keepDraft(draft)  takeDraft()  forgetDraft()      the half-entered set of whoever is signed in
//   deliverSet(body, label)   -> {state: 'saved', answer}     in the record
//                                {state: 'refused', result}   somebody must look; nothing is kept but the draft
//                                {state: 'here', since}       kept here, goes by itself when the daemon is back
//                                {state: 'nowhere'}           neither sent nor kept (this browser cannot): it is on the screen only
//   unsent()          -> [{id, name, display, since, stuck}]  whole sets on this device, of anybody; 'unsent' is told when it changes
//   'delivered' {label, answer}, 'stuck' {label, result}      what came of a set that was kept here
import {ask, look} from './api.js';
import {jsonRead, jsonText} from './decimal.js';
import {el, swap} from './dom.js';
import {notice} from './shell.js';
import {listen, now, tell} from './state.js';
import {keepSealed, openSealed, vaultAll, vaultDrop, vaultGet, vaultOpen, vaultPut, vaultThere} from './vault.js';
import {momentText, say} from './words.js';

const tabs = globalThis.BroadcastChannel ? new BroadcastChannel('wardpost') : null;
export const tellTabs = (message) => tabs?.postMessage(message);
tabs?.addEventListener('message', ({data}) => tell('tab', data));

const mine = (one) => one.name === now.session?.person.name;
const nameOf = () => now.session?.person.name;
const oneAtATime = (does, given = {}) => navigator.locks ? navigator.locks.request('wardpost-send', given, does) : does(true);

// ---- the half-entered set ----

let draftWaiting = null;
let draftTimer = 0;

// May be called at each keystroke.
export function keepDraft(draft) {
    draftWaiting = {name: nameOf(), kept: {draft, patient: now.patient, identity: now.identity}};
    draftTimer ||= setTimeout(flushDraft, 300);
}

export async function flushDraft() {
    clearTimeout(draftTimer);
    draftTimer = 0;
    const what = draftWaiting;
    draftWaiting = null;
    if (what && now.session && what.name === nameOf() && vaultThere()) await keepSealed(`draft:${what.name}`, {what: 'draft', since: new Date().toISOString()}, what.kept);
}

// {draft, patient, identity, since} or null; it stays kept
export async function takeDraft() {
    const record = vaultThere() && now.session && await vaultGet('held', `draft:${nameOf()}`);
    const kept = record ? await openSealed(record) : null;
    return kept && {...kept, since: record.since};
}

export const forgetDraftOf = async (name) => vaultThere() && vaultDrop('held', `draft:${name}`);

export async function forgetDraft() {
    clearTimeout(draftTimer);
    draftTimer = 0;
    draftWaiting = null;
    if (now.session) await forgetDraftOf(nameOf());
}

// ---- patients seen today, for when the daemon is away ----

const SEEN_MOST = 200;

export async function rememberPatients(list) {
    if (!vaultThere() || !list.length) return;
    const id = `patients:${nameOf()}`;
    const before = await openSealed(await vaultGet('held', id)) ?? [];
    const fresh = new Set(list.map((one) => one.identifier.value));
    await keepSealed(id, {what: 'patients'}, [...list, ...before.filter((one) => !fresh.has(one.identifier.value))].slice(0, SEEN_MOST));
}

const folded = (text) => (text ?? '').normalize('NFD').replace(/\p{M}/gu, '').toLowerCase().trim();
export const sameText = (one, other) => folded(one).replace(/\s/g, '') === folded(other).replace(/\s/g, '');

export async function patientsHere({identifier, birthDate, family}) {
    const all = vaultThere() ? await openSealed(await vaultGet('held', `patients:${nameOf()}`)) ?? [] : [];
    return all.filter((one) => (!identifier || sameText(one.identifier.value, identifier)) && (!birthDate || one.birthDate === birthDate) &&
        (!family || folded(one.family).startsWith(folded(family))));
}

// ---- a whole set ----

async function keyOf(text) {
    if (!globalThis.crypto?.subtle) return null;
    const digest = new Uint8Array(await crypto.subtle.digest('SHA-256', new TextEncoder().encode(text)));
    return [...digest].map((byte) => byte.toString(16).padStart(2, '0')).join('');
}

async function post(text) {
    const key = await keyOf(text);
    const send = () => ask('/v1/readings', text, {timeout: 10000, headers: key ? {'Idempotency-Key': key} : {}});
    const result = await send();
    if (result.reason !== 'csrf') return result;
    const session = await look('/v1/session'); // another tab has signed in again
    if (session.ok && mine(session.body.person)) now.session = session.body;
    return send();
}

const BUSY = [409, 429, 503, 507];
const NOT_THEIRS = ['csrf', 'must-change']; // the cookie is another person's by now: nobody has refused the set
const outcome = (result) => result.ok ? 'saved' : result.status === 401 ? 'locked'
    : result.away || NOT_THEIRS.includes(result.reason) || (BUSY.includes(result.status) && !result.errors.length) ? 'away' : 'refused';

function offlineForm(text) {
    const body = jsonRead(text);
    return jsonText({...body, bedside: {...body.bedside, offline: true}});
}

const holdSet = (id, item, more = {}) => vaultThere() ? keepSealed(`set:${id}`, {what: 'set', since: item.since, display: now.session?.person.display, ...more}, item) : false;
const letGo = (id) => vaultThere() ? vaultDrop('held', `set:${id}`) : null;

// The same person gave the PIN again: true. Somebody else is there, or nobody: false.
function personBack(name) {
    return new Promise((back) => {
        const stop = listen('session', () => {
            stop();
            back(nameOf() === name);
        });
    });
}

// Not on its way any more. It is not sealed anew: somebody else may be here by now.
async function stays(id) {
    const record = await vaultGet('held', `set:${id}`);
    if (record) await vaultPut('held', {...record, sending: false});
}

// Whoever comes to this tablet meanwhile sends nothing in the name of the first.
async function deliver(id, item) {
    const name = nameOf();
    const inTheirName = () => now.live === 'away' || nameOf() !== name ? {away: true} : post(item.text);
    const held = await holdSet(id, item, {sending: true});
    if (now.live === 'away') await look('/v1/session', {timeout: 2000});
    for (;;) {
        const result = await oneAtATime(inTheirName);
        const state = outcome(result);
        if (state === 'locked' && nameOf() === name && await personBack(name)) continue;
        if (state === 'saved' || (state === 'refused' && nameOf() === name)) {
            await letGo(id);
            return state === 'saved' ? {state, answer: result.body} : {state, result};
        }
        if (held) await stays(id);
        await readUnsent();
        return held ? {state: 'here', since: item.since} : {state: 'nowhere'};
    }
}

const underWay = new Map();

// The body is kept as the text that is sent: a number keeps its digits (37.0). label: how the screen names the set to its own person ("ALVAREZ Rosa, 14:05"); it is kept sealed with it.
export function deliverSet(body, label = '') {
    for (const one of body.readings) one.id ??= crypto.randomUUID();
    const id = body.readings[0].id;
    if (!underWay.has(id)) underWay.set(id, deliver(id, {text: jsonText(body), label, since: new Date().toISOString()}).finally(() => underWay.delete(id)));
    return underWay.get(id);
}

// ---- when the daemon is back ----

async function sendOne(record) {
    const item = await openSealed(record);
    if (!item) return 'sealed';
    const result = await post(offlineForm(item.text));
    const state = outcome(result);
    if (state === 'saved') {
        await vaultDrop('held', record.id);
        tell('delivered', {label: item.label, answer: result.body});
    } else if (state === 'refused' && mine(record)) {
        await vaultPut('held', {...record, stuck: true});
        tell('stuck', {label: item.label, result});
    }
    return state;
}

// What the loop takes: whole sets of the one who is here, oldest first; not one that this page is sending just now.
const waiting = (records) => records.filter((one) => one.what === 'set' && mine(one) && !one.stuck && !underWay.has(one.id.slice(4)))
    .sort((a, b) => a.since < b.since ? -1 : 1);

export async function sendHeld() {
    if (!vaultOpen() || !now.session || now.session['must-change']) return;
    await oneAtATime(async (lock) => {
        for (const record of lock ? waiting(await vaultAll('held')) : []) {
            const state = await sendOne(record);
            if (state === 'away' || state === 'locked') break;
        }
    }, {ifAvailable: true});
    await readUnsent();
}

let list = [];
export const unsent = () => list;

export async function readUnsent(fromTab = false) {
    const before = JSON.stringify(list);
    list = (await vaultAll('held')).filter((one) => one.what === 'set' && !(one.sending && underWay.has(one.id.slice(4))))
        .map(({id, name, display, since, stuck = false}) => ({id, name, display, since, stuck})).sort((a, b) => a.since < b.since ? -1 : 1);
    if (JSON.stringify(list) === before) return;
    tell('unsent', list);
    if (!fromTab) tellTabs({kind: 'unsent'});
}

// What is kept of the one who is here, opened: [{id, label, since, stuck, text}]
export async function myUnsent() {
    const records = (await vaultAll('held')).filter((one) => one.what === 'set' && mine(one));
    return Promise.all(records.map(async (one) => ({...await openSealed(one), id: one.id, since: one.since, stuck: one.stuck ?? false})));
}

// Charted on paper in its place, by a deliberate act.
export async function dropUnsent(id) {
    await vaultDrop('held', id);
    await readUnsent();
}

// ---- told on the screen ----

const bar = el('div', {id: 'held', role: 'status', hidden: true});

function drawBar() {
    const own = list.filter(mine);
    const stuck = own.filter((one) => one.stuck).length;
    bar.hidden = !own.length;
    swap(bar, own.length > stuck ? el('p', {class: 'doubt'}, say('kept.bar', {time: momentText(new Date(own.find((one) => !one.stuck).since))}),
        own.length - stuck > 1 ? ` ${say('kept.count', {count: own.length - stuck})}` : null) : null,
    stuck ? el('p', {class: 'stopped'}, say('kept.stuck', {count: stuck})) : null);
}

// Held for a person's decision, in the daemon: nobody was there to answer.
const undecided = (answer) => (answer.readings ?? []).filter((one) => one.state !== 'waiting' && one.state !== 'charted').length;

listen('delivered', ({label, answer}) => {
    const asked = undecided(answer);
    notice(say(asked ? 'kept.asked' : 'kept.saved', {label, count: asked}), asked ? 'doubt' : '');
});
listen('stuck', ({label}) => notice(say('kept.refused', {label}), 'doubt'));
listen('unsent', drawBar);
listen('session', drawBar);
listen('tab', ({kind}) => kind === 'unsent' && readUnsent(true));
listen('live', (live) => live === 'here' && sendHeld());

// Words are there: the bar may be shown, and what stands here goes when it can.
export function startOffline() {
    document.getElementById('notice').after(bar);
    setInterval(async () => {
        const own = list.some((one) => mine(one) && !one.stuck);
        if (now.live !== 'away' && !own) return;
        await look('/v1/session', {timeout: 5000});
        if (now.live === 'here') await sendHeld();
    }, 10000);
    window.addEventListener('online', () => look('/v1/session', {timeout: 5000}));
    window.addEventListener('pagehide', flushDraft);
    return readUnsent();
}
