// screens_c.mjs - the screens that look back: what became of a set, corrections, the trend, the round, the handover, people.
// screens_c.mjs BUILD_DIR [FOLDER for pictures]
import {mkdirSync, readFileSync} from 'node:fs';
import {spawnSync} from 'node:child_process';
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
let newest = null;
for (const [minutes, signs] of course)
    newest = await must(setOf('MRN-1', minutes, signs));
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
        // No store for sets here: these screens keep none, and with one the PIN would be asked for its key.
        Object.defineProperty(window, 'indexedDB', {value: undefined});
        Object.defineProperty(Navigator.prototype, 'serviceWorker', {value: undefined});
    }, [theme, language]);
    const page = await context.newPage();
    page.on('pageerror', (error) => faults.push(error.stack));
    page.on('console', (line) => line.type() === 'error' && !/Failed to load resource/.test(line.text()) && faults.push(line.text()));
    await page.route('**/v1/session', (route) => route.fulfill({json: as}));
    for (const [where, does] of Object.entries(routes)) await page.route(where, does);
    await page.goto(daemon.base);
    // A handle for what other screens would have set: who was identified. The form's own module gives it.
    await page.evaluate(async () => {
        const {now, tell, go, listen} = await import('/form.js');
        globalThis.inside = {now, tell, go, listenTo: listen};
    });
    await page.waitForFunction(() => inside.now.whole);
    await page.evaluate(async () => Object.assign(inside, await import('/later.js')));
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


const WORDS = JSON.parse(readFileSync(new URL('../../daemon/web/words/en/later/record.json', import.meta.url), 'utf8'));

// ---- after ----

async function afterScreen() {
    for (const [shape, theme, language] of [['tablet', 'day', 'en'], ['phone', 'night', 'es'], ['narrow', 'day', 'es'], ['wide', 'night', 'en']]) {
        const page = await openPage({viewport: SHAPES[shape], theme, language});
        await openPatient(page, known('MRN-1'), 'after');
        await page.waitForSelector('.taken');
        await axe(page, `after ${shape} ${theme}`);
        await noSideways(page, `after ${shape}`);
        await picture(page, `after-${shape}-${theme}`);
        await page.context().close();
    }
    const page = await openPage();
    await openPatient(page, known('MRN-1'), 'after');
    await page.waitForSelector('.taken');
    same('signs in the order of the table', await page.locator('.taken h2').allTextContents(), ['Pain', 'Oxygen saturation', 'Temperature', 'Pulse', 'Respirations', 'Blood pressure', 'Consciousness']);
    const line = async (what) => (await page.locator('.taken', {hasText: what}).textContent()).replace(/\s+/g, ' ');
    check('pressure as two figures', (await line('Blood pressure')).includes('104/62 mmHg'), await line('Blood pressure'));
    check('temperature keeps its decimal, with its route and its flag', /38\.4 °C.*▲ fever.*Oral/.test(await line('Temperature')), await line('Temperature'));
    check('waiting is said as a nurse would', (await line('Pulse')).includes(WORDS['state.waiting']), await line('Pulse'));
    same('the score is the daemon\'s', await page.locator('.score .total .number').textContent(), String(newest.score.total));
    check('its response stands there', (await page.locator('.score').textContent()).includes(newest.score.response));
    for (const caution of newest.score.cautions) check(`caution: ${caution.slice(0, 30)}`, (await page.locator('.score').textContent()).includes(caution));
    check('the credit stands there', (await page.locator('.score').textContent()).includes(newest.score.credit));
    same('only what is odd is offered to be looked at again', await page.locator('.remind strong').allTextContents(), ['Oxygen saturation', 'Temperature', 'Pulse', 'Respirations', 'Pain']);
    same('an earlier set opens', await page.locator('.earlier button').count(), course.length + 1);
    await page.locator('.earlier button').nth(1).click();
    check('with its own numbers', (await line('Temperature')).includes('38.9 °C'), await line('Temperature'));
    await page.context().close();
}

// What the record has done meanwhile shows without a reload: charted, then held, told by an event.
async function afterLive() {
    const states = new Map();
    let send = null;
    const page = await openPage({routes: {
        '**/v1/readings/_search': async (route) => {
            const answer = await route.fetch();
            const body = JSON.parse(await answer.text());
            for (const one of body.readings) Object.assign(one, states.get(one.kind) ?? {});
            await route.fulfill({response: answer, json: body});
        },
    }});
    await page.evaluate(() => { inside.now.session.person.may = ['send', 'read']; });
    await openPatient(page, known('MRN-1'), 'after');
    await page.waitForSelector('.taken');
    send = (name, detail) => page.evaluate(([event, data]) => inside.tell(event, data), [name, detail]);
    states.set('heart-rate', {state: 'charted'});
    await send('reading', {id: newest.readings[3].id, state: 'charted'});
    await page.waitForSelector('.taken.is-charted');
    same('one is in the record', await page.locator('.tally').textContent(), '1 in the record · 6 on the way (nothing to do)');
    await page.locator('.taken', {hasText: 'Temperature'}).locator('button').focus();
    states.set('body-temperature', {state: 'held', reason: 'the server refuses it'});
    await send('reading', {id: newest.readings[2].id, state: 'held'});
    await page.waitForSelector('.taken.is-held');
    check('held says why and what to do', /did not accept.*Tell the nurse in charge/.test(await page.locator('.taken.is-held').textContent()), await page.locator('.taken.is-held').textContent());
    same('the focus stays where it was', await page.evaluate(() => document.activeElement.getAttribute('aria-label')), 'Correct Temperature');
    states.set('heart-rate', {state: 'superseded', 'superseded-by': newest.readings[0].id, corrected: {reason: 'wrong-number', by: 'N-18', at: ago(1)}});
    await send('reload', null);
    await page.waitForSelector('.taken.is-superseded s');
    check('the original stays, struck, with who and why', /112 \/min.*Corrected \d\d-\w{3}-\d{4} \d\d:\d\d: .*N-18/.test((await page.locator('.taken.is-superseded').textContent()).replace(/\s+/g, ' ')), await page.locator('.taken.is-superseded').textContent());
    check('and counts no more: the score is withheld', (await page.locator('.score').textContent()).includes('missing: Pulse'), await page.locator('.score .total').textContent());
    await axe(page, 'after, held and corrected');
    await picture(page, 'after-held');
    await page.context().close();
}

const corrections = {reasons: [{word: 'wrong-number', text: 'Wrong number typed'}, {word: 'wrong-unit', text: 'Wrong unit'}, {word: 'other', text: 'Other reason', 'says-why': true}]};

async function correcting() {
    const sent = [];
    let answers = [];
    const page = await openPage({routes: {
        '**/v1/kinds*': async (route) => {
            const answer = await route.fetch();
            await route.fulfill({response: answer, json: {...JSON.parse(await answer.text()), corrections}});
        },
        '**/corrections': async (route) => {
            sent.push(route.request().postDataJSON());
            await route.fulfill(answers.shift() ?? {status: 201, json: {id: 'new', corrects: 'old', state: 'waiting', flags: []}});
        },
    }});
    await openPatient(page, known('MRN-1', {family: HOSTILE.slice(0, 90)}), 'after');
    const open = async (what) => {
        await page.locator('.taken', {hasText: what}).locator('button').click();
        await page.waitForSelector('dialog.correct[open]');
    };
    const dialog = page.locator('dialog.correct');
    await page.waitForSelector('.taken');
    await open('Blood pressure');
    await axe(page, 'a correction');
    await picture(page, 'correct-tablet');
    await dialog.locator('button.main').click();
    same('without a reason nothing is sent', [sent.length, await dialog.locator('.slip:not(:empty)').first().textContent()], [0, WORDS['correct.noreason']]);
    await dialog.getByLabel(WORDS['correct.reason']).selectOption('wrong-number');
    await dialog.locator('button.main').click();
    same('nor without a change', [sent.length, await dialog.locator('.doubt').textContent()], [0, WORDS['correct.nothing']]);
    await dialog.getByLabel('Systolic').fill('14..0');
    await dialog.locator('button.main').click();
    same('nor what is no number', [sent.length, await dialog.locator('[aria-invalid="true"]').count()], [0, 1]);
    await dialog.getByLabel('Systolic').fill('140');
    answers = [{status: 422, json: {title: 'no', status: 422, errors: [{pointer: '/reading/systolic', code: 'confirm', detail: 'far from the last one'}]}}];
    await dialog.locator('button.main').click();
    await dialog.locator('.slip:not(:empty)').waitFor();
    same('what is asked lands at its field', await dialog.locator('.field:has(.slip:not(:empty)) label').textContent(), 'Systolic blood pressure (mmHg)');
    same('only what was changed is sent', sent.at(-1), {by: 'N-17', reason: 'wrong-number', reading: {systolic: 140}});
    await dialog.getByRole('button', {name: WORDS['correct.keep']}).click();
    await dialog.waitFor({state: 'detached'});
    same('a deliberate press confirms it', sent.at(-1).reading, {systolic: 140, confirmed: true});
    await open('Oxygen saturation');
    await dialog.getByLabel(WORDS['correct.reason']).selectOption('other');
    await dialog.getByLabel('Oxygen flow').fill('2');
    await dialog.locator('button.main').click();
    same('another reason is said in words', await dialog.locator('.slip:not(:empty)').textContent(), WORDS['correct.nowhy']);
    await dialog.getByLabel(WORDS['correct.why']).fill('was on the nose piece');
    await dialog.getByLabel('Oxygen by').selectOption('nasal-cannula');
    await dialog.locator('button.main').click();
    await dialog.waitFor({state: 'detached'});
    same('a group is sent whole', sent.at(-1), {by: 'N-17', reason: 'other', text: 'was on the nose piece', reading: {oxygen: {device: 'nasal-cannula', flow: {value: 2, unit: 'L/min'}}}});
    await open('Pain');
    await dialog.getByLabel(WORDS['correct.reason']).selectOption('wrong-number');
    await dialog.locator('.field', {hasText: 'Location'}).getByLabel(WORDS['correct.remove']).check();
    await dialog.locator('button.main').click();
    await dialog.waitFor({state: 'detached'});
    same('a field can be taken away', sent.at(-1), {by: 'N-17', reason: 'wrong-number', reading: {location: null}});
    await open('Temperature');
    await dialog.getByLabel(WORDS['correct.reason']).selectOption('wrong-number');
    await dialog.getByRole('button', {name: WORDS['correct.strike'], exact: true}).click();
    const sure = page.locator('dialog', {hasText: 'Strike through: Temperature?'}).last();
    await sure.waitFor();
    await axe(page, 'striking through');
    await page.keyboard.press('Escape');
    await sure.waitFor({state: 'detached'});
    same('leaving the question strikes nothing', sent.length, 4);
    await dialog.getByRole('button', {name: WORDS['correct.strike'], exact: true}).click();
    await page.locator('dialog button.stop', {hasText: WORDS['correct.strike.yes']}).last().click();
    await dialog.waitFor({state: 'detached'});
    same('a second press does', sent.at(-1), {by: 'N-17', reason: 'wrong-number', 'entered-in-error': true});
    same('a hostile name did nothing', await page.evaluate(() => window.hurt), undefined);
    await page.context().close();
}

async function reminding() {
    const sent = [];
    const page = await openPage({routes: {'**/v1/patients/_order': async (route) => {
        sent.push(route.request().postDataJSON());
        await route.fulfill({json: {}});
    }}});
    await openPatient(page, known('MRN-1'), 'after');
    await page.getByRole('button', {name: 'Pain: After an injection: 15–30 min'}).click();
    await page.waitForSelector('#notice p');
    const [order] = sent;
    same('a reminder names patient, sign and why', [order.patient.identifier.value, order.kind, order.reason], ['MRN-1', 'pain', 'After an injection']);
    const minutes = (Date.parse(order.at) - Date.now()) / 60000;
    check('15 minutes on', minutes > 13.9 && minutes <= 15.1, order.at);
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
        await axe(page, `trend table ${shape} ${theme}`);
        await noSideways(page, `trend table ${shape}`);
        await picture(page, `trend-table-${shape}-${theme}`);
        await page.context().close();
    }
    const page = await openPage();
    await openPatient(page, known('MRN-1'), 'trend');
    await page.waitForSelector('.panel');
    const panel = (what) => page.locator('.panel', {hasText: what}).first();
    same('a panel a sign that was taken, the score first', await page.locator('.panel h2').evaluateAll((all) => all.map((one) => one.firstChild.textContent)), [newest.score.title, 'Pain', 'Oxygen saturation', 'Temperature', 'Pulse', 'Respirations', 'Blood pressure', 'Consciousness', 'Weight']);
    same('pressure is a bar from its lowest to its highest part', await panel('Blood pressure').locator('path.bar').count(), 6);
    const lines = await panel('Temperature').locator('path.line').evaluateAll((all) => all.map((one) => [...one.getAttribute('d').matchAll(/[ML]/g)].map(([letter]) => letter).join('')));
    // of the last day by mouth: 1300, 1020 (joined: 12 h allowed), 420, 200, 40 (the score asked for an hour: late); in the armpit: 780
    same('by mouth and in the armpit are never joined, nor where a set was late', lines, ['MLMMM', 'M']);
    same('two shapes, named', await panel('Temperature').locator('.legend span').allTextContents(), ['Oral', 'Axillary']);
    same('what was not taken has its mark', await panel('Weight').locator('path.absent').count(), 1);
    check('with its reason in words', (await panel('Weight').locator('.readout').textContent()).includes('Patient refused'));
    const bands = await panel('Temperature').locator('rect.band').count();
    same('the range of mouth, of armpit, and of mouth again', bands, 3);
    const slider = panel('Temperature').locator('svg.plot');
    await slider.focus();
    const before = await slider.getAttribute('aria-valuetext');
    check('the newest first', before.includes('38.4 °C'), before);
    await page.keyboard.press('ArrowLeft');
    check('arrows step through', (await slider.getAttribute('aria-valuetext')).includes('38.9 °C'), await slider.getAttribute('aria-valuetext'));
    check('and show it', (await panel('Temperature').locator('.readout').textContent()).includes('38.9 °C'));
    await page.keyboard.press('Home');
    check('to the first', (await slider.getAttribute('aria-valuetext')).includes('37.6 °C'), await slider.getAttribute('aria-valuetext'));
    same('a reader of the screen has the table', await page.locator('table.record tbody tr').count(), 7);
    await page.getByRole('button', {name: 'All', exact: true}).click();
    await page.waitForFunction(() => document.querySelectorAll('table.record tbody tr').length === 10);
    same('all of it', await panel('Pulse').locator('path.mark').count(), 10);
    await picture(page, 'trend-all');
    const pdf = await page.pdf({format: 'A4', path: pictures ? path.join(pictures, 'trend-A4.pdf') : undefined});
    check('prints', pdf.length > 20000, pdf.length);
    same('a hostile note did nothing', await page.evaluate(() => window.hurt), undefined);
    await page.context().close();
}

// Struck ones stay to be seen and are no part of a line.
async function trendCorrected() {
    const page = await openPage({routes: {'**/v1/readings/_search': async (route) => {
        const answer = await route.fetch();
        const body = JSON.parse(await answer.text());
        const [pulse] = body.readings.filter((one) => one.kind === 'heart-rate' && one.values.value?.[0] === 108);
        Object.assign(pulse, {state: 'retracted', corrected: {reason: 'wrong-number', by: 'N-18', at: ago(1)}});
        await route.fulfill({response: answer, json: body});
    }}});
    await openPatient(page, known('MRN-1'), 'trend');
    const panel = page.locator('.panel', {hasText: 'Pulse'}).first();
    await panel.waitFor();
    same('one is crossed out', await panel.locator('path.strike').count(), 1);
    same('and not on the line', (await panel.locator('path.line').getAttribute('d')).match(/[ML]/g).length, 5);
    same('in the table too', await page.locator('table.record s').textContent(), 'Struck through: 108 /min');
    await picture(page, 'trend-corrected');
    await page.context().close();
}

// ---- the round ----

const inTime = (minutes) => ago(-minutes);
const scored = (total, more = {}) => ({score: 'news2', total, scale: 1, 'single-trigger': false, 'interval-minutes': 60, ...more});
function roundBody() {
    const row = (patient, state, due, more) => ({patient, state, due: due === null ? null : inTime(due), 'interval-minutes': 60, why: 'score', last: {set: 's', taken: ago(90), by: 'N-17', score: scored(5)}, over: 0, reminders: [], ...more});
    return {now: inTime(0), wards: ['North', 'South'], patients: [
        row(known('MRN-2', {family: 'Alvarez', alike: true}), 'missed', -55, {over: .92, last: {set: 's', taken: ago(115), by: 'N-17', score: scored(6, {'single-trigger': true})}}),
        row(known('MRN-3', {family: HOSTILE, given: '\u202Eevil', bed: '3'}), 'late', -25),
        row(known('MRN-1', {family: 'Example'}), 'due', -3, {reminders: [{kind: 'pain', due: inTime(-2), state: 'due', reason: 'After an injection'}]}),
        row(known('MRN-4', {family: 'Ortiz', bed: '14'}), 'soon', 20, {why: 'order', 'interval-minutes': 240}),
        row(known('MRN-5', {family: 'Nuevo', bed: '15'}), 'never', null, {last: null, why: 'default', 'interval-minutes': 720}),
        row(known('MRN-6', {family: 'Zamora', bed: '16'}), 'continuous', null, {'interval-minutes': 0, last: {set: 's', taken: ago(30), by: 'N-17', score: scored(9)}}),
        row(known('MRN-7', {family: 'Ruiz', given: undefined, birthDate: undefined, bed: '17'}), 'later', 400, {why: 'default', 'interval-minutes': 720, last: {set: 's', taken: ago(320), by: 'N-17', score: {withheld: 'missing: Pulse'}}})]};
}
const roundRoutes = (asked = [], more = {}) => ({
    '**/v1/round/_search': async (route) => {
        asked.push(route.request().postDataJSON());
        await route.fulfill({json: roundBody()});
    }, ...more});

async function roundScreen() {
    for (const [shape, theme, language] of [['tablet', 'day', 'en'], ['phone', 'night', 'es'], ['narrow', 'day', 'en'], ['wide', 'night', 'en']]) {
        const page = await openPage({viewport: SHAPES[shape], theme, language, routes: roundRoutes()});
        await page.waitForSelector('.roundrow');
        await axe(page, `round ${shape} ${theme}`);
        await noSideways(page, `round ${shape}`);
        await picture(page, `round-${shape}-${theme}`);
        await page.context().close();
    }
    const asked = [], orders = [];
    const page = await openPage({routes: roundRoutes(asked, {'**/v1/patients/_order': async (route) => {
        orders.push(route.request().postDataJSON());
        await route.fulfill({json: {}});
    }})});
    await page.waitForSelector('.roundrow');
    same('it is the first screen', await page.evaluate(() => document.body.dataset.screen), 'round');
    same('in the order of the daemon, a word each', await page.locator('.dueword').allTextContents(), ['■ Missed', '◆ Late', '● Due now', '◐ Due soon', '◇ No set yet', '◎ Watch all the time', '○ Later']);
    const text = (await page.locator('.roundlist').textContent()).replace(/\s+/g, ' ');
    check('why, and since when', /due \d\d:\d\d, 55 min ago/.test(text) && text.includes('every 1 h, asked for by the last score') && text.includes('every 4 h, ordered'), text.slice(0, 400));
    check('a reminder stands with its patient', /◷ Pain: due \d\d:\d\d, 2 min ago · After an injection/.test(text), text);
    check('no identifier and no birth date is on the list', !text.includes('MRN-') && !/1951|Mar/.test(text));
    await page.getByLabel('Only bed').fill('14');
    same('one bed', await page.locator('.roundrow').count(), 1);
    await page.getByLabel('Only bed').fill('');
    await page.getByRole('button', {name: 'South'}).click();
    await page.waitForFunction(() => document.querySelector('[data-key="ward-South"]').getAttribute('aria-pressed') === 'true');
    same('a ward is asked for', asked.at(-1), {ward: 'South'});
    const before = asked.length;
    await page.evaluate(() => ['set', 'reading', 'reading'].forEach((name) => inside.tell(name, {})));
    await page.waitForTimeout(700);
    same('events ask once', asked.length, before + 1);
    await page.locator('[data-key="order-MRN-4"]').click();
    await page.getByRole('button', {name: 'Set this order'}).click();
    await page.waitForSelector('dialog .stopped');
    same('an order needs how often and why', orders.length, 0);
    await axe(page, 'an order');
    await page.getByLabel('Every').selectOption('120');
    await page.getByLabel('Who ordered it, and why').fill('Dr Prueba, after transfusion');
    await page.getByRole('button', {name: 'Set this order'}).click();
    await page.waitForFunction(() => document.querySelector('#notice').textContent.includes('kept'));
    same('and is sent', orders, [{patient: {identifier: {system, value: 'MRN-4'}}, kind: null, by: 'N-17', reason: 'Dr Prueba, after transfusion', 'interval-minutes': 120}]);
    await page.locator('[data-key="pick-MRN-2"]').click();
    await page.waitForSelector('form.confirm');
    same('a tap proposes, and opens nobody', await page.evaluate(() => [inside.now.patient, location.hash]), [null, '#patients']);
    check('what must be said is not on the screen', !/MRN-2|14-Mar-1951/.test(await page.locator('#screen').textContent()));
    await page.locator('form.confirm input[type=text]').first().fill('15-Mar-1951');
    await page.locator('form.confirm .main').click();
    same('another birth date opens nobody', await page.evaluate(() => inside.now.patient), null);
    await page.locator('form.confirm input[type=text]').first().fill('14-Mar-1951');
    await page.locator('form.confirm .main').click();
    await page.waitForFunction(() => inside.now.patient);
    same('the right one does, with two identifiers', await page.evaluate(() => [inside.now.patient.identifier.value, inside.now.identity.checked]), ['MRN-2', ['birth-date', 'family']]);
    same('a hostile name did nothing', await page.evaluate(() => window.hurt), undefined);
    await page.context().close();
}

async function roundAway() {
    let here = true;
    const page = await openPage({routes: {'**/v1/round/_search': (route) => here ? route.fulfill({json: roundBody()}) : route.abort()}});
    await page.waitForSelector('.roundrow');
    here = false;
    await page.evaluate(() => inside.tell('reload'));
    await page.waitForSelector('.roundtools .doubt');
    check('an old list says so', (await page.locator('.roundtools .doubt').textContent()).includes('cannot be reached'));
    same('and stays', await page.locator('.roundrow').count(), 7);
    await page.context().close();
}

// ---- the handover, on paper too ----

function pdfText(bytes) {
    const done = spawnSync('pdftotext', ['-layout', '-', '-'], {input: bytes, encoding: 'utf8'});
    return done.status === 0 ? done.stdout : null;
}

async function handoverScreen() {
    for (const [shape, theme, language] of [['tablet', 'day', 'en'], ['phone', 'night', 'es'], ['narrow', 'day', 'en']]) {
        const page = await openPage({viewport: SHAPES[shape], theme, language, routes: roundRoutes()});
        await openPatient(page, known('MRN-1'), 'handover');
        await page.waitForSelector('.signs');
        await axe(page, `handover ${shape} ${theme}`);
        await noSideways(page, `handover ${shape}`);
        await picture(page, `handover-${shape}-${theme}`);
        await page.context().close();
    }
    const page = await openPage({routes: roundRoutes()});
    await openPatient(page, known('MRN-1'), 'handover');
    await page.waitForSelector('.signs');
    const row = async (what) => (await page.locator('.signs tbody tr', {hasText: what}).first().textContent()).replace(/\s+/g, ' ');
    check('lower than before, in words', (await row('Temperature')).includes('38.4 °C') && (await row('Temperature')).includes('▼ lower'), await row('Temperature'));
    check('higher than before', (await row('Blood pressure')).includes('▲ higher'), await row('Blood pressure'));
    check('words changed', (await row('Consciousness')).includes('◆ changed'), await row('Consciousness'));
    check('the score against the one before', /score 8.*▼ lower \(12\)/.test((await page.locator('.over').textContent()).replace(/\s+/g, ' ')), await page.locator('.over').textContent());
    check('what is due', (await page.locator('.overdue').textContent()).includes('Due now'));
    for (const format of ['A4', 'Letter']) {
        const pages = pdfText(await page.pdf({format})).split('\f').slice(0, -1);
        check(`${format}: the patient, the cautions and who printed it are on each of ${pages.length} pages`, pages.length >= 1 && pages.every((one) => one.includes('EXAMPLE') && one.includes('MRN-1') && one.includes('not a diagnosis') && one.includes('Ana Prueba')), pages.map((one) => one.slice(0, 90)));
    }
    await page.getByRole('button', {name: 'The round'}).click();
    await page.waitForFunction(() => document.querySelectorAll('.over').length === 7);
    await axe(page, 'handover of the round');
    await picture(page, 'handover-round');
    for (const format of ['A4', 'Letter']) {
        const pdf = await page.pdf({format, path: pictures ? path.join(pictures, `round-${format}.pdf`) : undefined});
        const pages = pdfText(pdf).split('\f').slice(0, -1);
        const all = pages.join(' ');
        check(`${format}: several pages, each with head and foot`, pages.length > 1 && pages.length < 12 && pages.every((one) => one.includes('Handover') && one.includes('not a diagnosis') && one.includes('Ana Prueba')), [pages.length, pages.map((one) => one.slice(0, 60))]);
        check(`${format}: everybody is on it`, ['ALVAREZ', 'EXAMPLE', 'ORTIZ', 'NUEVO', 'ZAMORA', 'RUIZ'].every((name) => all.includes(name)));
    }
    same('a hostile name did nothing', await page.evaluate(() => window.hurt), undefined);
    await page.context().close();
}

// ---- people and decisions ----

const users = [{name: 'ana', display: 'Ana Prueba', practitioner: 'N-17', role: 'lead', disabled: false, 'must-change': false}, {name: 'luis', display: HOSTILE.slice(0, 80), practitioner: 'N-18', role: 'nurse', disabled: false, 'must-change': true}];
function peopleRoutes(sent) {
    const keep = (json) => async (route) => {
        sent.push([new URL(route.request().url()).pathname, route.request().postDataJSON()]);
        await route.fulfill({json});
    };
    return {
        '**/v1/users': async (route) => route.request().method() === 'GET' ? route.fulfill({json: {users}}) : keep({pin: '482913'})(route),
        '**/v1/users/_reset': keep({pin: '771204'}), '**/v1/users/_change': keep({}), '**/release': keep({}), '**/discard': keep({}), '**/v1/refusals/_done': keep({}),
        '**/v1/readings/_search': async (route) => {
            const body = {...route.request().postDataJSON()};
            if (body.state !== 'held') return route.continue();
            delete body.state;
            const answer = await route.fetch({postData: JSON.stringify({...body, count: 2})});
            const got = JSON.parse(await answer.text());
            got.readings.forEach((one) => Object.assign(one, {state: 'held', reason: 'the server refuses it'}));
            return route.fulfill({response: answer, json: got});
        },
        '**/v1/refusals': (route) => route.fulfill({json: {refusals: [{number: 7, client: 'monitor-3', received: ago(30), problems: [{pointer: '/value', code: 'implausible', detail: HOSTILE}], sent: {kind: 'heart-rate', value: 999}}]}}),
    };
}

async function peopleScreen() {
    for (const [shape, theme, language] of [['tablet', 'day', 'en'], ['phone', 'night', 'es'], ['narrow', 'day', 'en']]) {
        const page = await openPage({viewport: SHAPES[shape], theme, language, routes: peopleRoutes([])});
        await page.evaluate(() => inside.go('people'));
        await page.waitForSelector('.accounts tbody tr');
        await page.waitForSelector('.heldrow');
        await axe(page, `people ${shape} ${theme}`);
        await noSideways(page, `people ${shape}`);
        await picture(page, `people-${shape}-${theme}`);
        await page.context().close();
    }
    const sent = [];
    const page = await openPage({routes: peopleRoutes(sent)});
    await page.evaluate(() => inside.go('people'));
    await page.waitForSelector('.accounts tbody tr');
    await page.locator('.heldrow').first().getByRole('button', {name: /^It is right/}).click();
    await page.locator('dialog button.main').click();
    await page.locator('dialog .slip:not(:empty)').waitFor();
    same('no decision without a reason', sent.length, 0);
    await page.getByLabel('Why? It stays').fill('checked with the patient');
    await page.locator('dialog button.main').click();
    await page.waitForFunction(() => document.querySelector('#notice').textContent.includes('on its way'));
    check('released with reason and name', /\/v1\/readings\/[0-9a-f-]{36}\/release/.test(sent[0][0]) && JSON.stringify(sent[0][1]) === JSON.stringify({reason: 'checked with the patient', by: 'N-17'}), sent);
    await page.locator('.heldrow').last().getByRole('button', {name: 'Dealt with'}).click();
    await page.getByLabel('Why? It stays').fill('a test of the device');
    await page.locator('dialog button.main').click();
    await page.waitForFunction(() => document.querySelector('#notice').textContent.includes('left the list'));
    same('a refusal is dealt with', sent[1], ['/v1/refusals/_done', {number: 7, reason: 'a test of the device', by: 'N-17'}]);
    await page.getByText('Add a person').click();
    await page.getByRole('button', {name: 'Add this person'}).click();
    same('nothing is added half filled in', [sent.length, await page.locator('.slip:not(:empty)').count()], [2, 4]);
    await page.getByLabel('Name to sign in with').fill('eva');
    await page.getByLabel('Name as shown').fill('Eva Ejemplo');
    await page.getByLabel('Staff number').fill('N-30');
    await page.getByRole('button', {name: 'Nurse', exact: true}).click();
    await page.getByRole('button', {name: 'Add this person'}).click();
    await page.waitForSelector('dialog .pin');
    same('the PIN is shown once', await page.locator('.pin').textContent(), '482913');
    await axe(page, 'a PIN');
    await page.locator('dialog button.main').click();
    await page.locator('dialog').waitFor({state: 'detached'});
    same('and is gone', await page.locator('text=482913').count(), 0);
    same('the account as typed', sent[2], ['/v1/users', {name: 'eva', display: 'Eva Ejemplo', practitioner: 'N-30', role: 'nurse'}]);
    await page.locator('.accounts button', {hasText: 'Shut out'}).click();
    await page.locator('dialog button.stop').click();
    await page.waitForFunction(() => document.querySelector('#notice').textContent.includes('changed'));
    same('shut out after a question', sent[3], ['/v1/users/_change', {name: 'luis', disabled: true}]);
    same('a hostile name did nothing', await page.evaluate(() => window.hurt), undefined);
    await page.context().close();
    const assistant = await openPage({as: {...session, person: {...person, role: 'assistant', may: ['send', 'read']}}, routes: roundRoutes()});
    await assistant.waitForSelector('.roundrow');
    same('who may not decide is not offered it', await assistant.locator('nav a', {hasText: 'Decisions'}).count(), 0);
    await assistant.evaluate(() => { location.hash = 'people'; });
    await assistant.waitForTimeout(200);
    same('nor let in by the address', await assistant.evaluate(() => document.body.dataset.screen), 'round');
    await assistant.context().close();
}

// ---- live ----

async function liveStream() {
    let polls = 0;
    const page = await openPage({routes: {...roundRoutes(), '**/v1/events': (route) => route.fulfill({headers: {'Content-Type': 'text/event-stream'}, body: 'retry: 100000\n\nid: 1\nevent: set\ndata: {"set":"a"}\n\nevent: reload\ndata: {}\n\n'})}});
    await page.evaluate(() => {
        globalThis.heard = [];
        for (const name of ['set', 'reload', 'reading']) inside.listenTo(name, (detail) => heard.push([name, detail]));
        inside.liveOff();
        inside.liveOn();
    });
    await page.waitForFunction(() => heard.length >= 2);
    same('events of the stream are told', await page.evaluate(() => heard.slice(0, 2)), [['set', {set: 'a'}], ['reload', null]]);
    await page.context().close();

    const none = await openPage({routes: {...roundRoutes(), '**/v1/events': (route) => {
        polls++;
        return route.fulfill({status: 404, body: ''});
    }}});
    await none.clock.install();
    await none.evaluate(() => {
        globalThis.heard = 0;
        inside.listenTo('reload', () => heard++);
        inside.liveOff();
        inside.liveOn();
    });
    await none.waitForTimeout(300);
    await none.clock.runFor(46000);
    same('without a stream it polls each 15 s', await none.evaluate(() => heard), 3);
    await none.evaluate(() => inside.tell('locked'));
    await none.clock.runFor(60000);
    same('and not while locked', await none.evaluate(() => heard), 3);
    await none.context().close();
}

// ---- the whole way, nothing answered in between: a person signs in, the round, two identifiers, an order, and a set that comes by itself ----

async function wholeWay() {
    const context = await browser.newContext({viewport: SHAPES.tablet, reducedMotion: 'reduce', serviceWorkers: 'block'});
    await context.addInitScript(() => Object.defineProperty(Navigator.prototype, 'serviceWorker', {value: undefined}));
    const page = await context.newPage();
    page.on('pageerror', (error) => faults.push(String(error)));
    page.setDefaultTimeout(15000);
    await page.goto(daemon.base);
    await page.locator('.pinform input').first().fill('demo');
    await page.locator('.pinform input[type=password]').fill(daemon.output().match(/PIN (\d+)/)[1]);
    await page.locator('.pinform button[type=submit]').click();
    await page.locator('.roundrow .pick', {hasText: 'EXAMPLE'}).click();
    await page.locator('form.confirm input[type=text]').first().fill('14 3 1951');
    await page.locator('form.confirm .main').click();
    await page.waitForSelector('#strip:not([hidden])');
    await page.evaluate(() => { location.hash = 'after'; });
    await page.waitForSelector('.taken');
    same('the readings of the newest set', await page.locator('.taken').count(), 7);
    const before = await page.locator('h1').textContent();
    await page.getByRole('button', {name: 'Pain: After an injection: 15–30 min'}).click();
    await page.waitForFunction(() => /Reminder: Pain at/.test(document.querySelector('#notice').textContent));
    await page.waitForFunction(() => /Pain \d\d:\d\d.*After an injection/.test(document.querySelector('.reminders')?.textContent ?? ''));
    check('the daemon keeps the reminder', true);
    await picture(page, 'whole-after');
    await must(setOf('MRN-1', 1, {temperature: 37.2, pulse: 84}));
    await page.waitForFunction((old) => document.querySelector('h1').textContent !== old, before, {timeout: 5000}); // less than a poll takes
    check('a set that somebody else took shows by itself', (await page.locator('.taken', {hasText: 'Temperature'}).textContent()).includes('37.2 °C'));
    const correct = async (what) => {
        await page.locator('.taken:not(.is-superseded)', {hasText: what}).locator('button').click();
        await page.waitForSelector('dialog.correct[open]');
        await page.getByLabel(WORDS['correct.reason']).selectOption('wrong-number');
    };
    await correct('Temperature');
    await page.locator('dialog.correct').getByLabel('Temperature').fill('98.4');
    await page.locator('dialog.correct button.main').click();
    await page.locator('dialog.correct .slip:not(:empty)').waitFor();
    check('what cannot be lands at its field, whole', /above 45 °C.*98\.4 °F would be 36\.9 °C/.test(await page.locator('dialog.correct .slip:not(:empty)').textContent()), await page.locator('dialog.correct .slip:not(:empty)').textContent());
    await page.locator('dialog.correct').getByLabel('Temperature').fill('37.4');
    await page.locator('dialog.correct button.main').click();
    await page.waitForSelector('.taken.is-superseded');
    check('the first stays, struck, with why and who', /37\.2 °C.*Corrected \d\d-\w{3}-\d{4} \d\d:\d\d: Wrong number typed · demo-nurse/.test((await page.locator('.taken.is-superseded').textContent()).replace(/\s+/g, ' ')), await page.locator('.taken.is-superseded').textContent());
    check('the new one counts', (await page.locator('.taken:not(.is-superseded)', {hasText: 'Temperature'}).textContent()).includes('37.4 °C'));
    await correct('Pulse');
    await page.locator('dialog.correct').getByRole('button', {name: WORDS['correct.strike'], exact: true}).click();
    await page.locator('dialog button.stop', {hasText: WORDS['correct.strike.yes']}).last().click();
    await page.waitForSelector('.taken.is-retracted');
    check('struck through it counts no more', (await page.locator('.score').textContent()).includes('missing: Pulse'), await page.locator('.score .total').textContent());
    await axe(page, 'after, corrected by the daemon');
    await picture(page, 'whole-corrected');
    await page.evaluate(() => { location.hash = 'handover'; });
    await page.waitForSelector('.over h3');
    check('corrections are handed over', /Corrected in the last day.*Temperature 37\.2 °C.*Pulse 84 \/min|Corrected in the last day.*Pulse 84 \/min.*Temperature 37\.2 °C/.test((await page.locator('.over').textContent()).replace(/\s+/g, ' ')), await page.locator('.over').textContent());
    await page.evaluate(() => { location.hash = 'after'; });
    await page.waitForSelector('.taken');
    await page.getByRole('button', {name: 'Done: back to the round'}).click();
    await page.waitForSelector('.roundrow');
    check('the reminder is on the round', /◷ Pain: due .* After an injection/.test((await page.locator('.roundrow').first().textContent()).replace(/\s+/g, ' ')), await page.locator('.roundrow').first().textContent());
    same('and no patient is open', await page.locator('#strip:not([hidden])').count(), 0);
    await page.locator('.roundrow .order').first().click();
    await page.getByLabel('Every').selectOption('120');
    await page.getByLabel('Who ordered it, and why').fill('Dr Prueba');
    await page.getByRole('button', {name: 'Set this order'}).click();
    await page.waitForFunction(() => document.querySelector('.roundlist').textContent.includes('every 2 h'));
    check('an order changes the round', true);
    await axe(page, 'the round of the daemon');
    await picture(page, 'whole-round');
    await context.close();
}

const only = process.env.SCREENS?.split(',');
for (const [name, does] of Object.entries({afterScreen, afterLive, correcting, reminding, trendScreen, trendCorrected, roundScreen, roundAway, handoverScreen, peopleScreen, liveStream, wholeWay})) {
    if (only && !only.includes(name)) continue;
    await does().catch((error) => check(`${name} ran to its end`, false, String(error.stack ?? error).slice(0, 900)));
}
same('no fault on any page', faults, []);
await browser.close();
await daemon.stop();
console.log(`${passed} passed, ${failed} failed`);
process.exit(failed ? 1 : 0);
