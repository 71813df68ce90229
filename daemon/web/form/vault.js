// vault.js - what this device keeps for a person while the daemon is out of reach: sealed bytes in IndexedDB, nothing else.
//
// Each person has a key on each device (AES-GCM, 256 bits, not extractable). It is in memory while its person is there; in the store
// only wrapped: by a key derived from the PIN, and that once more by a key of this device which no script can read. So the right PIN
// opens it on this device without the daemon, and copied bytes are of no use elsewhere. Why so many rounds: a PIN is short, each guess
// must cost. Why a salt a person and device: one guess serves for one of them only. (600,000 rounds of PBKDF2-SHA-256: OWASP password
// storage cheat sheet, from memory.) Whoever has the device opened and much time can still guess; the device itself must be encrypted.
//
// Between sign-in and lock the opened key also stands in the store, as an object that cannot be read, so that a page that was
// reloaded goes on; locking and signing out take it away.
import {jsonText} from './decimal.js';
import {now} from './state.js';

const ROUNDS = 600000;
const FREE_TRIES = 5; // as the daemon counts (users.h)
const TRIES = 10;
const WAITS = [30, 60, 120, 240, 480, 900]; // seconds

let databaseOpened = null; // the database
let personKey = null; // {id, name, key}
let opening = Promise.resolve();

export const vaultThere = () => Boolean(globalThis.crypto?.subtle && globalThis.indexedDB);

function database() {
    databaseOpened ??= new Promise((done, failed) => {
        const asked = indexedDB.open('wardpost', 1);
        asked.onupgradeneeded = () => ['device', 'keys', 'held'].forEach((name) => asked.result.createObjectStore(name, {keyPath: 'id'}));
        asked.onsuccess = () => {
            asked.result.onclose = () => { databaseOpened = null; }; // its data were cleared in the browser's settings
            done(asked.result);
        };
        asked.onerror = () => failed(asked.error);
    });
    return databaseOpened;
}

async function inStore(name, mode, does) {
    const transaction = (await database()).transaction(name, mode, {durability: 'strict'});
    return new Promise((done, failed) => {
        const request = does(transaction.objectStore(name));
        transaction.oncomplete = () => done(request.result);
        transaction.onabort = () => failed(transaction.error);
    });
}

// A store that cannot be opened (a private window, blocked) has nothing in it: the form works without. Only a put says so.
export const vaultGet = (store, id) => inStore(store, 'readonly', (all) => all.get(id)).catch(() => undefined);
export const vaultAll = (store) => vaultThere() ? inStore(store, 'readonly', (all) => all.getAll()).catch(() => []) : Promise.resolve([]);
export const vaultPut = (store, value) => inStore(store, 'readwrite', (all) => all.put(value));
export const vaultDrop = (store, id) => inStore(store, 'readwrite', (all) => all.delete(id)).catch(() => undefined);

// ---- keys ----

const bytesOf = (text) => new TextEncoder().encode(text);
const chance = (count) => crypto.getRandomValues(new Uint8Array(count));
const gcm = (iv, about) => ({name: 'AES-GCM', iv, additionalData: bytesOf(about)});

async function deviceKey() {
    const there = await vaultGet('device', 'key');
    if (there) return there.key;
    const key = await crypto.subtle.generateKey({name: 'AES-GCM', length: 256}, false, ['encrypt', 'decrypt']);
    await vaultPut('device', {id: 'key', key});
    return key;
}

async function keyOfPin(pin, salt, rounds) {
    const raw = await crypto.subtle.importKey('raw', bytesOf(pin), 'PBKDF2', false, ['deriveKey']);
    return crypto.subtle.deriveKey({name: 'PBKDF2', hash: 'SHA-256', salt, iterations: rounds}, raw, {name: 'AES-GCM', length: 256}, false, ['wrapKey', 'unwrapKey']);
}

async function wrapped(record, key, pin) {
    const [salt, iv, outer] = [chance(16), chance(12), chance(12)];
    const inner = await crypto.subtle.wrapKey('raw', key, await keyOfPin(pin, salt, ROUNDS), gcm(iv, record.id));
    return {...record, salt, iv, outer, rounds: ROUNDS, sealed: await crypto.subtle.encrypt(gcm(outer, record.id), await deviceKey(), inner), wrong: 0, until: 0};
}

// Throws when the PIN is another.
async function unwrapped(record, pin, extractable = false) {
    const inner = await crypto.subtle.decrypt(gcm(record.outer, record.id), await deviceKey(), record.sealed);
    return crypto.subtle.unwrapKey('raw', inner, await keyOfPin(pin, record.salt, record.rounds), gcm(record.iv, record.id), 'AES-GCM', extractable, ['encrypt', 'decrypt']);
}

// The keys of a person on this device, newest first. There is more than one only while something is sealed under a PIN of before.
export const keysOf = async (name) => (await vaultAll('keys')).filter((one) => one.name === name).sort((a, b) => b.made - a.made);

async function useKey(record, key) {
    personKey = {id: record.id, name: record.name, key};
    await vaultPut('device', {id: 'open', ofKey: record.id, name: record.name, key});
}

async function newKey(person, pin) {
    const key = await crypto.subtle.generateKey({name: 'AES-GCM', length: 256}, true, ['encrypt', 'decrypt']);
    const [before] = await keysOf(person.name);
    const made = Math.max(Date.now(), (before?.made ?? 0) + 1); // the newest, also when the clock was set back
    const record = await wrapped({id: crypto.randomUUID(), name: person.name, display: person.display, made}, key, pin);
    await vaultPut('keys', record);
    await useKey(record, await unwrapped(record, pin));
}

async function dropEmptyKeys(name) {
    const used = new Set((await vaultAll('held')).map((one) => one.key));
    for (const one of (await keysOf(name)).slice(1))
        if (!used.has(one.id)) await vaultDrop('keys', one.id);
}

async function openOrMake(pin, person) {
    const [record] = await keysOf(person.name);
    const key = record && await unwrapped(record, pin).catch(() => null);
    if (!key) await newKey(person, pin);
    else {
        await vaultPut('keys', {...record, wrong: 0, until: 0});
        await useKey(record, key);
    }
    await dropEmptyKeys(person.name);
}

// After the daemon took this PIN. Goes on in the background; what needs the key waits for it.
export function openVault(pin, person) {
    if (vaultThere()) opening = navigator.locks.request('wardpost-keys', () => openOrMake(pin, person)).catch(() => {});
    return opening;
}

// A new PIN of one's own: the same key, wrapped anew.
export function rewrapVault(pin, fresh, person) {
    if (vaultThere())
        opening = navigator.locks.request('wardpost-keys', async () => {
            const [record] = await keysOf(person.name);
            const key = record && await unwrapped(record, pin, true).catch(() => null);
            if (key) await vaultPut('keys', await wrapped(record, key, fresh));
            await openOrMake(fresh, person);
        }).catch(() => {});
    return opening;
}

// The page was reloaded while its person was there.
export async function reopenVault(name) {
    const there = vaultThere() && await vaultGet('device', 'open');
    if (there && there.name === name) personKey = {id: there.ofKey, name, key: there.key};
    return vaultOpen();
}

export async function shutVault() {
    await opening;
    personKey = null;
    if (vaultThere()) await vaultDrop('device', 'open');
}

export const vaultOpen = () => personKey !== null;

// ---- the PIN without the daemon ----

const waitAfter = (wrong) => wrong < FREE_TRIES ? 0 : WAITS[Math.min(wrong - FREE_TRIES, WAITS.length - 1)];

// Ten wrong ones: the key goes, and with it what was half entered, which is worth less than its secrecy. Not while a whole set waits
// for the daemon under it: a set that was taken must not be lost to somebody playing with a PIN; the wait stays at its longest.
async function giveUp(record) {
    const under = (await vaultAll('held')).filter((one) => one.key === record.id);
    if (under.some((one) => one.what === 'set')) return false;
    for (const one of under) await vaultDrop('held', one.id);
    await vaultDrop('keys', record.id);
    return true;
}

// {state: 'open' | 'wrong' | 'wait' | 'none', wait: seconds}. The try is counted before it is made: a reload gains nothing.
export const openOffline = (pin, name) => navigator.locks.request('wardpost-keys', async () => {
    const [record] = await keysOf(name);
    if (!record) return {state: 'none', wait: 0};
    const left = Math.min(Math.ceil((record.until - Date.now()) / 1000), waitAfter(record.wrong)); // no longer for a clock that was set back
    if (left > 0) return {state: 'wait', wait: left};
    const wrong = record.wrong + 1;
    const wait = waitAfter(wrong);
    await vaultPut('keys', {...record, wrong, until: Date.now() + wait * 1000});
    const key = await unwrapped(record, pin).catch(() => null);
    if (key) {
        await vaultPut('keys', {...record, wrong: 0, until: 0});
        await useKey(record, key);
        return {state: 'open', wait: 0};
    }
    if (wrong >= TRIES && await giveUp(record)) return {state: 'none', wait: 0};
    return {state: wait ? 'wait' : 'wrong', wait};
});

// ---- sealing ----

// Keep `value` sealed as `id` in 'held'; `clear` is what may be read by anybody (whose it is, since when). False: it could not be kept.
export async function keepSealed(id, clear, value) {
    await opening;
    if (!personKey || personKey.name !== now.session?.person.name) return false;
    const iv = chance(12);
    try {
        const sealed = await crypto.subtle.encrypt(gcm(iv, id), personKey.key, bytesOf(jsonText(value)));
        await vaultPut('held', {...clear, id, name: personKey.name, key: personKey.id, iv, sealed});
        return true;
    } catch {
        return false; // no room on the device
    }
}

// null: not there, or sealed under another key
export async function openSealed(record) {
    await opening;
    if (!record || !personKey || record.key !== personKey.id) return null;
    try {
        return JSON.parse(new TextDecoder().decode(await crypto.subtle.decrypt(gcm(record.iv, record.id), personKey.key, record.sealed)));
    } catch {
        return null;
    }
}

// What is sealed under a PIN of before (it was changed elsewhere, or given anew) comes under the key of now. False: not that PIN.
export async function openFormer(pin) {
    const [, ...former] = await keysOf(personKey.name);
    for (const record of former) {
        const key = await unwrapped(record, pin).catch(() => null);
        if (!key) continue;
        for (const one of (await vaultAll('held')).filter((held) => held.key === record.id)) {
            const text = await crypto.subtle.decrypt(gcm(one.iv, one.id), key, one.sealed);
            const {sealed, iv, key: _, name, id, ...clear} = one;
            await keepSealed(id, clear, JSON.parse(new TextDecoder().decode(text)));
        }
        await vaultDrop('keys', record.id);
        return true;
    }
    return false;
}
