// support.mjs - counting, a comparison to the digit, chance that is always the same, the daemon.
import {readFileSync, readdirSync} from 'node:fs';
import {join} from 'node:path';
import {jsonRead, jsonText} from '../../daemon/web/form/decimal.js';
import {startDaemon} from './bedside.mjs';

export class Count {
    passed = 0;
    failed = 0;

    // `result`: true, or what is wrong.
    check = (what, result) => {
        if (result === true) {
            this.passed++;
            return;
        }
        this.failed++;
        if (this.failed <= 60)
            console.log(`${what}: ${result}`);
    };
}

// ---- comparing ----

export const plain = (value) => jsonText(value === undefined ? null : value);

// Members in any order; undefined is not there.
export function sorted(value) {
    if (Array.isArray(value))
        return value.map(sorted);
    if (!value || typeof value !== 'object' || value.constructor !== Object)
        return value;
    return Object.fromEntries(Object.entries(value).filter(([, of]) => of !== undefined).sort(([a], [b]) => (a < b ? -1 : 1))
        .map(([name, of]) => [name, sorted(of)]));
}

export const same = (a, b) => plain(sorted(a)) === plain(sorted(b));

// ---- what the form found, as the daemon would say it ----

// All problems with absolute pointers. The daemon does not judge what it could not read, nor what is not all there.
export function problemsOf(judged, sent) {
    const at = (index) => (sent.readings ? `/readings/${index}` : '');
    const missing = (pointers, before) => pointers.map((pointer) => ({pointer: before + pointer, code: 'missing-field', early: true}));
    const all = [...judged.problems, ...missing(judged.missing, ''), ...judged.readings.flatMap((reading, index) =>
        [...reading.problems.map((problem) => ({...problem, pointer: at(index) + problem.pointer})),
            ...missing(reading.missing, at(index))])];
    const isUnread = all.some((problem) => problem.early && problem.code !== 'confirm');

    return isUnread ? all.filter((problem) => problem.early) : all;
}

// ---- chance, always the same ----

export function chanceOf(seed) { // linear congruential with Knuth's numbers for MMIX (from memory); the upper half of its bits
    let state = BigInt(seed);
    const next = () => {
        state = BigInt.asUintN(64, state * 6364136223846793005n + 1442695040888963407n);
        return Number(state >> 32n) / 4294967296;
    };

    next(); // the first lies near the seed
    return {
        next,
        whole: (least, most) => least + Math.floor(next() * (most - least + 1)),
        of: (list) => list[Math.floor(next() * list.length)],
        is: (share) => next() < share,
    };
}

// ---- the table as the daemon answers it, without one ----

export function kindsDocument(mappings) {
    const read = (...path) => jsonRead(readFileSync(join(mappings, ...path), 'utf8'));
    const folder = (name) => Object.fromEntries(readdirSync(join(mappings, name)).sort().map((file) => [file.replace('.json', ''), read(name, file)]));

    return {version: 'files', kinds: Object.values(folder('kinds')).sort((a, b) => a.order - b.order), units: read('units.json'),
        codings: folder('codings'), checks: read('checks.json'), 'not-taken': read('not-taken.json'), scores: folder('scores')};
}

// ---- a daemon of our own, on loopback ----

export async function daemonOf(build) {
    const daemon = await startDaemon({build, demo: true});

    return {
        post: async (path, body) => {
            const answer = await fetch(daemon.base + path, {method: 'POST', headers: {'Content-Type': 'application/json'}, body});

            return {status: answer.status, body: jsonRead(await answer.text())};
        },
        get: async (path) => jsonRead(await (await fetch(daemon.base + path)).text()),
        stop: daemon.stop,
    };
}
