// screens_c.mjs - the screens that look back: what became of a set, corrections, the trend, the round, the handover, people.
// screens_c.mjs BUILD_DIR [FOLDER for pictures]
import {mkdirSync, readFileSync} from 'node:fs';
import path from 'node:path';
import {requireThere, startBrowser, startDaemon} from './bedside.mjs';

const [build, pictures] = process.argv.slice(2);
const axeSource = readFileSync(requireThere.resolve('axe-core/axe.min.js'), 'utf8');
const system = 'https://clinic.example/mrn';
let passed = 0, failed = 0;

function check(what, is, seen = '') {
    if (is) passed++;
    else {
        failed++;
        console.log(`FAILED ${what}${seen === '' ? '' : `: ${JSON.stringify(seen)}`}`);
    }
}
const same = (what, is, due) => check(what, JSON.stringify(is) === JSON.stringify(due), {is, due});

// ---- a daemon with two days of a patient who is not there ----

const HOSTILE = '<img src=x onerror="window.hurt=1"><script>window.hurt=1</script>\u202Egnissem ' + 'long '.repeat(40);
const patientOf = (value, more = {}) => ({identifier: {system, value}, family: 'Example', birthDate: '1951-03-14', ...more});
const known = (value, more = {}) => ({...patientOf(value), given: 'Rosa', gender: 'female', ward: 'North', bed: '12', active: true, source: 'import', alike: false, ...more});
const ago = (minutes) => new Date(Date.now() - minutes * 60000).toISOString().slice(0, 19) + 'Z';

function setOf(value, minutes, signs, more = {}) {
    const {pain = 2, saturation = 97, temperature = 36.8, route = 'oral', pulse = 78, breaths = 16, systolic = 124, diastolic = 74, mind = 'alert'} = signs;
    return {patient: patientOf(value), by: 'N-17', taken: ago(minutes), ...more, readings: [
        {kind: 'pain', value: pain, ...(pain ? {location: 'left hip'} : {})}, {kind: 'oxygen-saturation', value: saturation, unit: '%', oxygen: {device: 'room-air'}},
        {kind: 'body-temperature', value: temperature, unit: 'Cel', route}, {kind: 'heart-rate', value: pulse, unit: '/min'}, {kind: 'respiratory-rate', value: breaths, unit: '/min'},
        {kind: 'blood-pressure', systolic, diastolic, unit: 'mm[Hg]'}, {kind: 'consciousness', value: mind}].map((one) => ({...one, ...(minutes > 55 ? {confirmed: true} : {})}))};
}

const daemon = await startDaemon({build, demo: true});
const post = async (where, body) => {
    const answer = await fetch(daemon.base + where, {method: 'POST', headers: {'Content-Type': 'application/json'}, body: JSON.stringify(body)});
    return {status: answer.status, body: JSON.parse(await answer.text())};
};

async function must(set) {
    const answer = await post('/v1/readings', set);
    if (answer.status !== 201) throw new Error(JSON.stringify(answer));
    return answer.body;
}

const course = [
    [2800, {pulse: 88, temperature: 37.1}], [2300, {pulse: 92, temperature: 36.4, route: 'axillary'}], [1700, {pulse: 96, saturation: 95}],
    [1300, {pulse: 101, temperature: 37.6, systolic: 131}], [1020, {pulse: 108, temperature: 38.2, breaths: 20, saturation: 94}], [780, {pulse: 112, temperature: 37.2, route: 'axillary', breaths: 21, systolic: 112}],
    [420, {pulse: 118, temperature: 38.6, breaths: 22, saturation: 93, systolic: 104, diastolic: 62, mind: 'alert'}], [200, {pulse: 121, temperature: 38.9, breaths: 24, saturation: 92, systolic: 99, diastolic: 58, mind: 'voice'}],
    [40, {pulse: 112, temperature: 38.4, breaths: 22, saturation: 93, systolic: 104, diastolic: 62, pain: 4}]];
for (const [minutes, signs] of course)
    await must(setOf('MRN-1', minutes, signs));
await must({patient: patientOf('MRN-1'), by: 'N-17', taken: ago(600), readings: [{kind: 'body-weight', 'not-taken': 'refused', note: HOSTILE, confirmed: true}, {kind: 'heart-rate', 'not-taken': 'unable', confirmed: true}]});

// ---- a page: the real form; a session and what is not merged yet are answered here ----

const person = {name: 'ana', display: 'Ana Prueba', practitioner: 'N-17', role: 'lead', may: ['send', 'read', 'decide', 'reset', 'accounts']};
const session = {person, csrf: 'c', 'idle-seconds': 300, ends: ago(-600), 'must-change': false};
const browser = await startBrowser();
const faults = [];

async function openPage({viewport = {width: 800, height: 1280}, theme = 'day', language = 'en', as = session, routes = {}, touch = false} = {}) {
    const context = await browser.newContext({viewport, hasTouch: touch, serviceWorkers: 'block', timezoneId: 'Europe/Madrid', reducedMotion: 'reduce'});
    await context.addInitScript(([day, words]) => {
        localStorage.setItem('theme', day);
        localStorage.setItem('language', words);
    }, [theme, language]);
    const page = await context.newPage();
    page.on('pageerror', (error) => faults.push(String(error)));
    page.on('console', (line) => line.type() === 'error' && !/Failed to load resource/.test(line.text()) && faults.push(line.text()));
    // The form itself, with a handle for what other screens would have set: who was identified.
    await page.route('**/form.js', async (route) => {
        const answer = await route.fetch();
        await route.fulfill({response: answer, body: `${await answer.text()}\nglobalThis.inside = {now, tell, go};`});
    });
    await page.route('**/v1/session', (route) => route.fulfill({json: as}));
    for (const [where, does] of Object.entries(routes)) await page.route(where, does);
    await page.goto(daemon.base);
    await page.waitForFunction(() => globalThis.inside?.now.table);
    return page;
}

const openPatient = (page, patient, name) => page.evaluate(([one, where]) => {
    inside.now.patient = one;
    inside.now.identity = {checked: ['identifier', 'birth-date'], how: ['band-scanned'], confirmedMs: Date.now()};
    inside.tell('patient', one);
    inside.go(where);
}, [patient, name]);

async function axe(page, what) {
    const found = await page.evaluate(async (source) => {
        if (!globalThis.axe) (0, Function)(source)();
        return (await axe.run(document, {runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice']})).violations.map((one) => `${one.id}: ${one.nodes.slice(0, 3).map((node) => `${node.target} ${node.any[0]?.message ?? ''}`).join(' | ')}`);
    }, axeSource).catch(async () => {
        // CSP forbids evaluated text, as it should: axe comes by the driver
        const cdp = await page.context().newCDPSession(page);
        await cdp.send('Runtime.evaluate', {expression: axeSource});
        return page.evaluate(async () => (await axe.run(document, {runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice']})).violations.map((one) => `${one.id}: ${one.nodes.slice(0, 3).map((node) => `${node.target} ${node.any[0]?.message ?? ''}`).join(' | ')}`));
    });
    same(`axe finds nothing: ${what}`, found, []);
}

async function picture(page, name) {
    if (!pictures) return;
    mkdirSync(pictures, {recursive: true});
    await page.screenshot({path: path.join(pictures, `${name}.png`), fullPage: true});
}

const noSideways = async (page, what) => same(`nothing sticks out: ${what}`, await page.evaluate(() => document.documentElement.scrollWidth <= document.documentElement.clientWidth), true);
const SHAPES = {phone: {width: 360, height: 740}, narrow: {width: 320, height: 640}, tablet: {width: 800, height: 1280}, wide: {width: 1280, height: 800}};

// ---- after ----

async function afterScreen() {
    const page = await openPage();
    await openPatient(page, known('MRN-1'), 'after');
    await page.waitForSelector('.taken');
    same('signs in the order of the table', await page.locator('.taken h2').allTextContents(), ['Pain', 'Oxygen saturation', 'Temperature', 'Pulse', 'Respirations', 'Blood pressure', 'Consciousness'].map((one) => one));
    check('pressure as two figures', (await page.locator('.taken', {hasText: 'Blood pressure'}).textContent()).includes('104/62 mmHg'), await page.locator('.taken', {hasText: 'Blood pressure'}).textContent());
    await axe(page, 'after');
    await picture(page, 'after-tablet-day');
    await page.context().close();
}

// ---- the trend ----

async function trendScreen() {
    for (const [shape, theme] of [['tablet', 'day'], ['phone', 'night'], ['wide', 'night'], ['narrow', 'day']]) {
        const page = await openPage({viewport: SHAPES[shape], theme});
        await openPatient(page, known('MRN-1'), 'trend');
        await page.waitForSelector('.panel');
        await axe(page, `trend ${shape} ${theme}`);
        await noSideways(page, `trend ${shape}`);
        await picture(page, `trend-${shape}-${theme}`);
        await page.locator('button', {hasText: 'As a table'}).click();
        await picture(page, `trend-table-${shape}-${theme}`);
        await page.context().close();
    }
}

const only = process.env.SCREENS?.split(',');
for (const [name, does] of Object.entries({afterScreen, trendScreen})) {
    if (only && !only.includes(name)) continue;
    await does().catch((error) => check(`${name} ran to its end`, false, String(error.stack ?? error)));
}
same('no fault on any page', faults, []);
await browser.close();
await daemon.stop();
console.log(`${passed} passed, ${failed} failed`);
process.exit(failed ? 1 : 0);
