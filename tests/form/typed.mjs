// typed.mjs BUILD_DIR [PATTERN] - the seeded slips (slips.mjs), typed into the real sheet before a running daemon, by keyboard and by the
// number pad: each is stopped. Its keys are blocked, and it is said; or pressing save shows what is doubtful, and opens nothing. At the
// end the daemon is asked: nothing of any is there. Last line: N passed, N failed.
import {tableOf} from '../../daemon/web/form/table.js';
import {root} from './bedside.mjs';
import {SLIPS_NOW, slips} from './slips.mjs';
import {Count, kindsDocument} from './support.mjs';
import {Nurse, comes, known, openBrowser, startWard} from './ward.mjs';

const [build, pattern] = process.argv.slice(2);
if (!build) throw new Error('usage: typed.mjs BUILD_DIR [PATTERN]');

const DAY = 86400000;
const LEAST = 120; // of the slips there are so many hands can type; that number may not shrink unseen
const table = tableOf(kindsDocument(`${root}/mappings`));
const shift = Math.floor((Date.now() - SLIPS_NOW) / DAY); // ages as they are in the table, on whatever day this runs
const bornOf = (slip) => new Date(Date.parse(`${slip.born}T12:00:00Z`) + shift * DAY).toISOString().slice(0, 10);

// ---- what hands do for a reading: [what, where, ...] ----

class CannotBeTyped extends Error {}

function partActions(kind, reading) {
    const numbers = kind.parts.filter((part) => part.type === 'quantity' && reading[part.name] !== undefined);
    const words = kind.parts.filter((part) => part.type !== 'quantity' && reading[part.name] !== undefined);
    const summed = kind.parts.find((part) => part.sum && reading[part.name] !== undefined);
    const usual = numbers[0]?.unit?.code ?? null;

    if (summed) throw new CannotBeTyped(`${kind.name}: the form adds up ${summed.name} itself`);
    if (numbers.length && reading.unit && reading.unit !== usual && !(numbers[0].offers ?? []).includes(reading.unit)) throw new CannotBeTyped(`${kind.name}: ${reading.unit} is not offered`);
    return [...numbers.length && reading.unit && reading.unit !== usual ? [['unit', kind.name, reading.unit]] : [],
        ...numbers.map((part) => ['digits', kind.name, part.name, String(reading[part.name]), part.required === false]),
        ...words.map((part) => ['word', kind.name, reading[part.name]])];
}

function fieldActions(kind, reading) {
    return kind.fields.flatMap((field) => {
        const value = field.group ? reading[field.group]?.[field.name] : reading[field.name];
        if (value === undefined || value === null) return [];
        if (field.type === 'quantity') return [['digits', kind.name, field.path, String(value.value), true]];
        if (field.type !== 'count') return [['word', kind.name, value, true]];
        if (!field.seconds.includes(value.seconds)) throw new CannotBeTyped(`${kind.name}: no count over ${value.seconds} s is offered`);
        if (reading[field.gives] !== undefined) throw new CannotBeTyped(`${kind.name}: a typed number is never one that was counted`);
        return [['count', kind.name, value]];
    });
}

function actionsOf(slip) {
    if (slip.taken !== undefined) throw new CannotBeTyped('the form takes the time itself');
    return slip.readings.flatMap((reading) => {
        const kind = table.kind(reading.kind);
        return [...partActions(kind, reading), ...fieldActions(kind, reading)];
    });
}

// ---- the hands ----

const says = (nurse) => nurse.page.locator('.pad-said').innerText();

async function showRow(nurse, name, isMore) {
    if (!await nurse.row(name).isVisible()) await nurse.page.locator(`.due .chip[data-kind="${name}"]`).click();
    const more = nurse.row(name).locator('.row-tools button').first();
    if (isMore && await more.getAttribute('aria-expanded') === 'false') await more.click();
}

// True: a key was blocked.
async function digits(nurse, isPad, [, name, slot, text]) {
    await nurse.slot(name, slot).focus();
    for (const key of text) {
        if (isPad && /[\d.]/.test(key)) await nurse.page.locator(`.key[data-key="${key}"]`).click();
        else await nurse.page.keyboard.press(key);
        if (/^Not taken/.test(await says(nurse))) return true;
    }
    const shown = await nurse.slot(name, slot).inputValue();
    if (shown !== text) throw new Error(`${name}: ${text} was typed and ${shown} stands there`);
    return false;
}

async function word(nurse, [, name, value]) {
    const chip = nurse.chip(name, value);
    if (!await chip.isVisible()) await nurse.row(name).locator('fieldset', {has: nurse.page.locator(`[data-word="${value}"]`)}).locator('.more').first().click();
    await chip.click();
}

async function count(nurse, [, name, {beats, seconds}]) {
    await nurse.row(name).locator('.count-open').click();
    await nurse.page.locator('dialog[open] .chip', {hasText: `${seconds} s`}).click();
    await nurse.page.locator('#count-typed').fill(String(beats));
    await nurse.page.locator('dialog[open] .main').click();
}

// True: a key was blocked, and that was said; nobody types on.
async function enter(nurse, actions, isPad) {
    for (const action of actions) {
        const [what, name] = action;
        await showRow(nurse, name, action.at(-1) === true);
        if (what === 'digits' && await digits(nurse, isPad, action)) return true;
        if (what === 'unit') await nurse.row(name).locator(`[data-unit="${action[2]}"]`).first().click();
        if (what === 'word') await word(nurse, action);
        if (what === 'count') await count(nurse, action);
    }
    return false;
}

// ---- a slip ----

async function seed(ward, patient, last) {
    const identity = {checked: ['identifier', 'birth-date'], how: ['band-scanned'], at: new Date().toISOString()};
    for (const [kind, {days, values}] of Object.entries(last)) {
        const reading = {kind, confirmed: true, unit: Object.values(values)[0][1], ...Object.fromEntries(Object.entries(values).map(([part, [value]]) => [part, value]))};
        const body = (more) => ({patient: {identifier: patient.identifier, birthDate: patient.birthDate}, by: 'N-ana', bedside: {identity}, taken: new Date(Date.now() - days * DAY).toISOString(), readings: [{...reading, ...more}]});
        const first = await ward.script.post('/v1/readings', body({}));
        if (first.status !== 201) await ward.script.must('/v1/readings', body({override: {by: 'N-ana', second: 'D-2', reason: 'measured twice, invented'}}));
    }
}

const afresh = (page) => page.evaluate(async () => {
    inside.now.draft = null;
    await inside.forgetDraft();
    inside.go('set');
    await new Promise((next) => requestAnimationFrame(() => requestAnimationFrame(next)));
});

async function stopped(nurse, slip, actions, isPad) {
    for (const kind of Object.keys(slip.last)) await comes('the last value', async () => await nurse.row(kind).locator('.last').textContent() !== '');
    if (await enter(nurse, actions, isPad)) return slip.expected === 'refuse' ? 'blocked' : `a key of it is blocked: ${await says(nurse)}`;
    await nurse.save();
    await comes('save says something', async () => await nurse.notice() !== '' || await nurse.page.locator('dialog[open]').count() > 0);
    if (await nurse.page.locator('dialog[open]').count()) return 'the last look opened';
    const [refused, asked] = [await nurse.page.locator('.doubts .stopped:visible').count(), await nurse.page.locator('.doubts .doubt:visible').count()];
    if (slip.expected === 'refuse') return refused ? 'refused' : `no refusal stands there (${asked} questions)`;
    return asked && !refused ? 'asked' : `${asked} questions and ${refused} refusals stand there`;
}

// ---- all ----

const counted = new Count();
const ways = {blocked: 0, refused: 0, asked: 0};
const left = [];
const patients = new Map(); // one for each birth date and each last
const rows = slips.filter((slip) => !pattern || new RegExp(pattern).test(`${slip.line}: ${slip.about}`)).flatMap((slip) => {
    try {
        const actions = actionsOf(slip);
        const key = JSON.stringify([slip.born, slip.last]);
        if (!patients.has(key)) patients.set(key, known(`SLIP-${1000 + patients.size}`, `Example${patients.size}`, 'Rosa', bornOf(slip)));
        return [{slip, actions, patient: patients.get(key), key}];
    } catch (error) {
        if (!(error instanceof CannotBeTyped)) throw error;
        left.push(`${slip.line}, ${slip.about}: ${error.message}`);
        return [];
    }
}).sort((a, b) => (a.key < b.key ? -1 : a.key > b.key ? 1 : 0));

const ward = await startWard({build, patients: [...patients.values()]});
const browser = await openBrowser();
try {
    // The form itself, with a handle to begin a sheet afresh.
    const nurse = await Nurse.at(browser, ward.wire.base, {watch: async (page) => {
        await page.addInitScript(() => Object.defineProperty(Navigator.prototype, 'serviceWorker', {value: undefined})); // else it would answer in place of the route
        await page.route('**/form.js', async (route) => {
            const answer = await route.fetch();
            await route.fulfill({response: answer, body: `${await answer.text()}\nglobalThis.inside = {now, go, forgetDraft};`});
        });
    }});
    await nurse.signIn();
    let open = null;
    for (const [index, {slip, actions, patient}] of rows.entries()) {
        const name = `${slip.line}: ${slip.about}`;
        try {
            if (open !== patient) {
                await seed(ward, patient, slip.last);
                await nurse.page.evaluate(() => Object.assign(inside.now, {draft: null, patient: null, identity: null}));
                await nurse.open(patient);
                open = patient;
            }
            await afresh(nurse.page);
            const how = await stopped(nurse, slip, actions, index % 4 === 0);
            if (how in ways) ways[how]++;
            counted.check(name, how in ways || how);
        } catch (error) {
            counted.check(name, String(error).split('\n')[0]);
        }
    }
    counted.check('no set was sent', ward.wire.seen.filter((one) => one.method === 'POST' && one.path === '/v1/readings').length === 0 || 'it was');
    for (const [key, patient] of patients) {
        const [, last] = JSON.parse(key);
        const there = await ward.script.readings(patient);
        counted.check(`nothing of a slip is in the record of ${patient.identifier.value}`, there.map((one) => one.kind).sort().join() === Object.keys(last).sort().join() || JSON.stringify(there.map((one) => one.kind)));
    }
    counted.check('so many can be typed', pattern ? true : rows.length >= LEAST || rows.length);
} finally {
    await browser.close();
    await ward.stop();
}
console.log(`${slips.length} seeded slips; ${rows.length} typed: ${ways.blocked} blocked at the key, ${ways.refused} refused, ${ways.asked} asked; ${left.length} no hand can type:`);
for (const line of left) console.log(`    ${line}`);
console.log(`${counted.passed} passed, ${counted.failed} failed`);
process.exit(counted.failed ? 1 : 0);
