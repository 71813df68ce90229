// screens_b.mjs BUILD_DIR [TEST] - a set is taken: the sheet, the pad, the count, doubt, the score and the save, in a real browser before
// a running daemon. Names, numbers and PINs are invented. Last line: N passed, N failed.
import {cpSync, mkdirSync, mkdtempSync, rmSync, writeFileSync} from 'node:fs';
import {tmpdir} from 'node:os';
import path from 'node:path';
import {requireThere, root, startBrowser, startDaemon} from './bedside.mjs';
import {startWire} from './wire.mjs';

const build = process.argv[2];
const only = process.argv[3] ? new RegExp(process.argv[3]) : null;
const pictures = process.env.WARDPOST_FORM_PICTURES;
if (!build) throw new Error('usage: screens_b.mjs BUILD_DIR [TEST]');

let passed = 0, failed = 0;
function check(what, right, seen = '') {
    if (right) passed++;
    else {
        failed++;
        console.log(`not so: ${what}${seen === '' ? '' : ` (${JSON.stringify(seen)})`}`);
    }
}
async function until(what, is, ms = 8000) {
    const end = Date.now() + ms;
    while (Date.now() < end) {
        if (await is()) return check(what, true);
        await new Promise((done) => setTimeout(done, 30));
    }
    return check(what, false, 'waited in vain');
}

// ---- the cast ----

const SYSTEM = 'https://clinic.example/mrn';
const known = (value, family, given, birthDate, gender) => ({identifier: {system: SYSTEM, value}, family, given, birthDate, gender, ward: 'Ward 3', bed: '2', active: true});
const people = [
    known('WP-10234', 'Alvarez', 'Rosa', '1951-03-14', 'female'),
    known('WP-20301', 'Okoro', 'Ada', '1988-07-30', 'female'),
    known('WP-20302', 'Lund', 'Ole', '2019-02-02', 'male'),
    known('WP-20666', '<script>alert(1)</script>', 'Bo\u202Eby', '1970-01-01', 'unknown'),
];
// LOINC 8280-0, a waist circumference: from memory; the table has no such kind.
const WAIST = {kind: 'waist', title: 'Waist', order: 35, routine: true, category: {system: 'category', code: 'exam', display: 'Exam'}, code: [{system: 'loinc', code: '8280-0'}],
    parts: {value: {title: 'Waist', type: 'quantity', unit: 'cm', accepts: ['cm', '[in_i]'], offers: ['cm', '[in_i]'], limits: [{grade: 'refuse', below: 10, above: 400, source: 'invented for this test'}]}},
    context: {side: {title: 'Measured from', type: 'word', list: 'sides', as: 'note'}}, asks: [{fields: ['side']}], hints: []};

const table = mkdtempSync(path.join(tmpdir(), 'wardpost-table-'));
process.on('exit', () => rmSync(table, {recursive: true, force: true}));
cpSync(path.join(root, 'mappings'), table, {recursive: true});
writeFileSync(path.join(table, 'kinds/waist.json'), JSON.stringify(WAIST));

const browser = await startBrowser();

// A daemon with an administrator and two nurses, and a wire before it that knows the patients.
async function ward(sections = '') {
    const daemon = await startDaemon({build, sections});
    const wire = await startWire(daemon.base);
    const api = {cookie: '', csrf: ''};
    const post = async (where, body) => {
        const answer = await fetch(daemon.base + where, {method: 'POST', body: JSON.stringify(body), headers: {'Content-Type': 'application/json', Origin: daemon.base, ...(api.cookie ? {Cookie: api.cookie, 'Wardpost-Csrf': api.csrf} : {})}});
        api.cookie = answer.headers.get('set-cookie')?.split(';')[0] ?? api.cookie;
        const json = await answer.json().catch(() => ({}));
        api.csrf = json.csrf ?? api.csrf;
        return json;
    };
    const account = async (name, pin) => {
        const made = await post('/v1/users', {name, display: `Nurse ${name}`, practitioner: `N-${name}`, role: 'nurse'});
        const admin = {...api};
        Object.assign(api, {cookie: '', csrf: ''});
        await post('/v1/session', {name, pin: made.pin});
        await post('/v1/session/_pin', {pin: made.pin, fresh: pin});
        await post('/v1/session/_end', {});
        Object.assign(api, admin);
    };
    const code = () => daemon.output().match(/\b([A-Z0-9]{4}(?:-[A-Z0-9]{4})+)\b/)?.[1];
    while (!code()) await new Promise((done) => setTimeout(done, 20));
    await post('/v1/session/_enrol', {code: code(), name: 'root', practitioner: 'N-root', display: 'Ines Admin', pin: '731946'});
    await account('ana', '480251');
    await account('bea', '480363');
    wire.answers['/v1/patients/_search'] = ({identifier}) => ({json: {patients: people.filter((one) => one.identifier.value === identifier), server: 'asked', system: SYSTEM}});
    return {daemon, wire, post};
}

const here = await ward();
const sent = (wire = here.wire) => wire.seen.filter((one) => one.method === 'POST' && one.path === '/v1/readings');

// ---- a person before the form ----

async function newPage({base = here.wire.base, viewport = {width: 1280, height: 800}, ...given} = {}) {
    const context = await browser.newContext({viewport, ...given});
    const page = await context.newPage();
    page.faults = [];
    page.on('pageerror', (error) => page.faults.push(String(error)));
    page.on('console', (message) => message.type() === 'error' && !/Failed to load resource|net::ERR/.test(message.text()) && page.faults.push(message.text()));
    await page.goto(base);
    return page;
}
async function signIn(page, name = 'ana', pin = '480251') {
    await page.locator('.pinform input').first().fill(name);
    await page.locator('.pinform input[type=password]').fill(pin);
    await page.locator('.pinform button[type=submit]').click();
    await page.waitForFunction(() => !document.querySelector('.pinform'));
}
async function openPatient(page, number = 'WP-10234') {
    await page.evaluate(() => { location.hash = '#patients'; });
    await page.waitForSelector('.scan');
    for (let tries = 0; tries < 5 && !await page.locator('form.confirm').count(); tries++) { // a busy machine types slower than a scanner
        await page.evaluate(() => document.activeElement?.blur());
        await page.keyboard.type(number, {delay: 4});
        await page.keyboard.press('Enter');
        await page.waitForSelector('form.confirm', {timeout: 1500}).catch(() => {});
    }
    await page.locator('form.confirm .main').click();
    await page.waitForSelector('.set');
}
async function ready(given = {}, number) {
    const page = await newPage(given);
    await signIn(page);
    await openPatient(page, number);
    return page;
}
const row = (page, kind) => page.locator(`.sign[data-kind="${kind}"]`);
const slot = (page, kind, name = 'value') => row(page, kind).locator(`[data-slot="${name}"]`);
const chip = (page, kind, word) => row(page, kind).locator(`.chip[data-word="${word}"]`);
async function tapDigits(page, text) {
    for (const key of text) await page.locator(`.key[data-key="${key}"]`).click();
}
async function typeAt(page, kind, text, name = 'value') {
    await slot(page, kind, name).focus();
    await page.keyboard.type(text);
}
const save = (page) => page.locator('.save').click();
const really = (page) => page.locator('dialog[open] .main').click();
const over = async (page, what, faultless = true) => {
    if (faultless) check(`no fault in the page: ${what}`, page.faults.length === 0, page.faults);
    await page.context().close();
};
async function picture(page, name) {
    if (!pictures) return;
    mkdirSync(pictures, {recursive: true});
    await page.screenshot({path: path.join(pictures, `${name}.png`)});
}
async function axe(page, what) {
    const source = requireThere('axe-core').source;
    await page.evaluate(source).catch(() => {});
    const found = await page.evaluate(() => axe.run(document, {runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice']}));
    check(`axe finds nothing: ${what}`, found.violations.length === 0, found.violations.map((one) => [one.id, one.nodes.map((node) => node.html.slice(0, 90))]));
}

const tests = [];
const test = (name, does) => tests.push([name, does]);

// ---- the tests ----

test('a plain set by touch', async () => {
    const page = await ready({hasTouch: true});
    await picture(page, 'set-empty');
    await tapDigits(page, '0');
    await page.locator('.key-next').click();
    await tapDigits(page, '97');
    await chip(page, 'oxygen-saturation', 'room-air').click();
    await tapDigits(page, '36.8');
    await chip(page, 'body-temperature', 'oral').click();
    await tapDigits(page, '72');
    await page.locator('.key-next').click();
    await tapDigits(page, '16');
    await page.locator('.key-next').click();
    await tapDigits(page, '124');
    await page.locator('.key-next').click();
    await tapDigits(page, '78');
    await chip(page, 'consciousness', 'alert').click();
    await picture(page, 'set-full');
    await save(page);
    await picture(page, 'save');
    await really(page);
    await until('the set went out', async () => sent().length === 1 && sent()[0].status === 201);
    if (sent()[0]) console.log(sent()[0].body, sent()[0].status);
    await over(page, 'plain set');
});

// ---- all of it ----

for (const [name, does] of tests)
    if (!only || only.test(name)) {
        try {
            await does();
        } catch (error) {
            check(`${name}: ${String(error.stack).slice(0, 900)}`, false);
        }
    }
await browser.close();
here.wire.stop();
await here.daemon.stop();
console.log(`${passed} passed, ${failed} failed`);
process.exit(failed ? 1 : 0);
