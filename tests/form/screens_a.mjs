// screens_a.mjs BUILD_DIR - who is here, which patient, and nothing lost when the wire is cut: the form in a real browser before a
// running daemon. Names, numbers and PINs are invented. Last line: N passed, N failed.
import {mkdirSync} from 'node:fs';
import path from 'node:path';
import {requireThere, startBrowser, startDaemon, tool} from './bedside.mjs';
import {startWire} from './wire.mjs';

const build = process.argv[2];
const only = process.argv[3] ? new RegExp(process.argv[3]) : null;
const pictures = process.env.WARDPOST_FORM_PICTURES;
if (!build) throw new Error('usage: screens_a.mjs BUILD_DIR [TEST]');

let passed = 0, failed = 0;
function check(what, right, seen = '') {
    if (right) passed++;
    else {
        failed++;
        console.log(`not so: ${what}${seen === '' ? '' : ` (${JSON.stringify(seen)})`}`);
    }
}
const wait = (ms) => new Promise((done) => setTimeout(done, ms));
async function until(what, is, ms = 8000) {
    const end = Date.now() + ms;
    while (Date.now() < end) {
        if (await is()) return check(what, true);
        await wait(30);
    }
    for (const page of browser.contexts().flatMap((context) => context.pages())) await picture(page, `in-vain-${what.slice(0, 20)}`);
    return check(what, false, 'waited in vain');
}

// ---- the cast ----

const SYSTEM = 'https://clinic.example/mrn';
const people = [
    {identifier: {system: SYSTEM, value: 'WP-10234'}, family: 'Alvarez', given: 'Rosa', birthDate: '1951-03-14', gender: 'female', ward: 'Ward 3', bed: '2', active: true, alike: true},
    {identifier: {system: SYSTEM, value: 'WP-10777'}, family: 'Álvarez', given: 'Ruben', birthDate: '1960-11-02', gender: 'male', ward: 'Ward 3', bed: '4', active: true, alike: true},
    {identifier: {system: SYSTEM, value: 'WP-20001'}, family: '<script>alert(1)</script>', given: 'Bo\u202Eby', gender: 'unknown', active: true},
    {identifier: {system: SYSTEM, value: '735005385000000011'}, family: 'Okoro', given: 'Ada', birthDate: '1988-07-30', gender: 'female', ward: 'Ward 3', bed: '7', active: true},
];
const NDJSON = people.map(({alike, ...one}) => JSON.stringify(one)).join('\n');

const daemon = await startDaemon({build, sections: `patients { system = "${SYSTEM}" }\n`});
const wire = await startWire(daemon.base);
const browser = await startBrowser();

class Api { // a script that is signed in
    cookie = '';
    csrf = '';
    async post(where, body, type = 'application/json') {
        const answer = await fetch(daemon.base + where, {method: 'POST', body: body === undefined || type !== 'application/json' ? body : JSON.stringify(body),
            headers: {'Content-Type': type, Origin: daemon.base, ...(this.cookie ? {Cookie: this.cookie, 'Wardpost-Csrf': this.csrf} : {})}});
        const set = answer.headers.get('set-cookie');
        if (set) this.cookie = set.split(';')[0];
        const json = await answer.json().catch(() => ({}));
        if (json.csrf) this.csrf = json.csrf;
        return {status: answer.status, json};
    }
}

const admin = new Api();
const code = daemon.output().match(/\b([A-Z0-9]{4}(?:-[A-Z0-9]{4})+)\b/)?.[1] ?? daemon.log().match(/code[^A-Z0-9]*([A-Z0-9-]{8,})/)?.[1];

async function newPage({base = wire.base, at = '/probe.html', viewport = {width: 800, height: 1280}, ...given} = {}) {
    const context = await browser.newContext({viewport, ...given});
    context.setDefaultTimeout(10000);
    const page = await context.newPage();
    page.faults = [];
    page.on('pageerror', (error) => page.faults.push(String(error)));
    page.on('console', (message) => message.type() === 'error' && !/Failed to load resource|net::ERR/.test(message.text()) && page.faults.push(message.text()));
    await page.goto(base + at);
    return page;
}

const pinOf = {};
async function account(name, role = 'nurse') {
    const made = await admin.post('/v1/users', {name, display: `Nurse ${name}`, practitioner: `N-${name}`, role});
    const own = new Api();
    await own.post('/v1/session', {name, pin: made.json.pin});
    pinOf[name] = String(480000 + name.length * 1117 + name.charCodeAt(0));
    const changed = await own.post('/v1/session/_pin', {pin: made.json.pin, fresh: pinOf[name]});
    if (changed.status !== 200) throw new Error(`no account: ${JSON.stringify([made, changed])}`);
    await own.post('/v1/session/_end');
    return own;
}

async function typeIn(page, name, pin = pinOf[name]) {
    await page.getByLabel('Name of your account').fill(name);
    await page.getByLabel('PIN', {exact: true}).fill(pin);
    await page.getByRole('button', {name: 'Sign in'}).click();
}
async function signIn(page, name) {
    await typeIn(page, name);
    await page.waitForFunction(() => probe.now.session && probe.now.table && probe.vaultOpen());
}
const told = (page, name) => page.evaluate((which) => probe.told.filter(([one]) => one === which).length, name);
const text = (page, where) => page.locator(where).innerText();
// A scanner that types: 8 ms between characters, Enter behind them; however busy this machine is.
async function scan(page, band) {
    page.wires ??= await page.context().newCDPSession(page);
    const from = Date.now() / 1000;
    await Promise.all([...band, 'Enter'].map((key, index) => page.wires.send('Input.dispatchKeyEvent', {timestamp: from + index * 0.008,
        ...(key === 'Enter' ? {type: 'keyDown', key, code: key, text: '\r', windowsVirtualKeyCode: 13} : {type: 'keyDown', key, text: key})})));
}
async function picture(page, name) {
    if (!pictures) return;
    mkdirSync(pictures, {recursive: true});
    await page.screenshot({path: path.join(pictures, `${name}.png`)});
}
async function axe(page, what) {
    await page.evaluate(requireThere('axe-core').source).catch(() => {});
    const found = await page.evaluate(() => axe.run(document, {runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice']}));
    check(`axe finds nothing: ${what}`, found.violations.length === 0, found.violations.map((one) => [one.id, one.nodes.map((node) => node.html.slice(0, 90))]));
}
const setOf = (page, value = 72) => page.evaluate((number) => ({
    patient: probe.sentPatient(), taken: new Date(Date.now() - 1000).toISOString(), by: probe.now.session.person.practitioner, bedside: probe.bedside(),
    readings: [{id: crypto.randomUUID(), kind: 'heart-rate', value: number, unit: '/min'}],
}), value);
const chartedSets = async () => (await fetch(`${daemon.base}/v1/readings/_search`, {method: 'POST', headers: {'Content-Type': 'application/json', Cookie: admin.cookie, 'Wardpost-Csrf': admin.csrf, Origin: daemon.base},
    body: JSON.stringify({kind: 'heart-rate'})})).json();

async function openRosa(page, how = 'WP-10234') {
    await page.evaluate(() => probe.go('patients'));
    await page.waitForSelector('.scan');
    await scan(page, how);
    await page.getByRole('button', {name: /Birth date stated: 14-Mar-1951/}).click();
    await page.waitForFunction(() => probe.now.patient);
}

// ---- the tests ----

const tests = [];
const test = (name, does) => tests.push([name, does]);

test('the first administrator enrols by the code, once', async () => {
    const page = await newPage();
    await picture(page, 'sign-in');
    await axe(page, 'sign-in');
    await page.getByRole('button', {name: 'Enrol the first administrator'}).click();
    await page.getByLabel('Code', {exact: true}).fill('AAAA-BBBB-CCCC');
    await page.getByLabel('Name of the account').fill('root');
    await page.getByLabel('Your name').fill('Ines Admin');
    await page.getByLabel('Your practitioner identifier').fill('N-root');
    await page.getByLabel('New PIN', {exact: true}).fill('731946');
    await page.getByLabel('New PIN once more').fill('731940');
    await page.getByRole('button', {name: 'Enrol'}).click();
    check('two PINs that differ are said', await page.getByText('The two are not the same.').isVisible());
    await axe(page, 'enrolment');
    await picture(page, 'enrol');
    await page.getByLabel('New PIN once more').fill('731946');
    await page.getByRole('button', {name: 'Enrol'}).click();
    await until('a wrong code is said at the code', () => page.getByText('This code is not taken', {exact: false}).isVisible());
    await page.getByLabel('Code', {exact: true}).fill(code);
    await page.getByRole('button', {name: 'Enrol'}).click();
    await page.waitForFunction(() => probe.now.session);
    check('the first administrator is signed in', await page.evaluate(() => probe.now.session.person.role) === 'administrator');
    check('no fault in the page', page.faults.length === 0, page.faults);
    await page.context().close();
});

test('accounts and patients for what follows', async () => {
    const in1 = await admin.post('/v1/session', {name: 'root', pin: '731946'});
    check('the administrator signs in by script', in1.status === 200, in1);
    for (const name of ['ana', 'bea']) await account(name);
    const taken = await admin.post('/v1/patients', NDJSON, 'application/x-ndjson');
    check('patients are imported', taken.status < 300, taken);
});

test('sign-in: wrong, by pad, waiting, a PIN of one\'s own', async () => {
    const page = await newPage();
    await typeIn(page, 'ana', '111111');
    await until('a wrong PIN is said', () => page.getByText('Name or PIN is not right.').isVisible());
    check('the PIN is gone', await page.getByLabel('PIN', {exact: true}).inputValue() === '');
    await page.getByLabel('PIN', {exact: true}).press('a');
    check('a letter is blocked and said', await page.getByText('A PIN has digits only.').isVisible());
    for (const digit of pinOf.ana) await page.locator('.pinpad').getByText(digit, {exact: true}).click();
    await page.getByRole('button', {name: 'Sign in'}).click();
    await page.waitForFunction(() => probe.now.session);
    check('the pad signs in', await page.evaluate(() => probe.now.session.person.name) === 'ana');
    check('"session" is told', await told(page, 'session') > 0);
    check('no fault in the page', page.faults.length === 0, page.faults);
    await page.context().close();

    const slow = await newPage();
    wire.answers['/v1/session'] = () => ({status: 429, json: {reason: 'wait'}, headers: {'Retry-After': '5'}});
    await typeIn(slow, 'ana');
    await until('the wait is counted', async () => /Next try in\s*0:0[1-5]/.test(await slow.locator('.pinform').innerText()));
    check('no try meanwhile', await slow.getByRole('button', {name: 'Sign in'}).isDisabled());
    delete wire.answers['/v1/session'];
    await until('the next try is open after it', () => slow.getByRole('button', {name: 'Sign in'}).isEnabled(), 15000);
    wire.answers['/v1/session'] = () => ({status: 403, json: {reason: 'disabled'}});
    await typeIn(slow, 'ana');
    await until('a closed account is said', () => slow.getByText('This account is closed.', {exact: false}).isVisible());
    delete wire.answers['/v1/session'];
    await slow.context().close();

    const made = await admin.post('/v1/users', {name: 'cleo', display: 'Nurse Cleo', practitioner: 'N-cleo', role: 'assistant'});
    const first = await newPage();
    await typeIn(first, 'cleo', made.json.pin);
    await first.getByText('Somebody else chose the PIN').waitFor();
    await picture(first, 'own-pin');
    await first.getByLabel('New PIN', {exact: true}).fill('1');
    await first.getByLabel('New PIN once more').fill('1');
    await first.getByRole('button', {name: 'Take this PIN'}).click();
    await until('why a PIN is not taken stands at it', async () => (await first.locator('.slip').first().innerText()).length > 5);
    await first.getByLabel('New PIN', {exact: true}).fill('592817');
    await first.getByLabel('New PIN once more').fill('592817');
    await first.getByRole('button', {name: 'Take this PIN'}).click();
    await first.waitForFunction(() => probe.now.session && !probe.now.session['must-change']);
    check('a PIN of one\'s own opens the form', await first.evaluate(() => probe.shownScreen() !== 'sign-in'));
    await first.context().close();
});

test('the right patient: scan, compare, open', async () => {
    const page = await newPage();
    await signIn(page, 'ana');
    await page.evaluate(() => probe.go('patients'));
    await page.waitForSelector('.scan');
    await picture(page, 'patients');
    await axe(page, 'patients');
    await scan(page, 'WP-10234');
    await page.getByRole('button', {name: /Birth date stated: 14-Mar-1951/}).waitFor();
    check('nothing is open before it is confirmed', await page.evaluate(() => probe.now.patient === null) && await page.locator('#strip').isHidden());
    await picture(page, 'confirm-scan');
    await axe(page, 'confirm after a scan');
    check('a name alike is said', await page.getByText('Another patient has the same family name.').isVisible());
    await page.getByLabel('Hands cleaned').check();
    await page.getByRole('button', {name: /Birth date stated: 14-Mar-1951/}).click();
    await page.waitForFunction(() => probe.now.patient);
    const identity = await page.evaluate(() => probe.now.identity);
    check('number, birth date and name are what was checked', ['identifier', 'birth-date', 'family'].every((one) => identity.checked.includes(one)), identity);
    check('how is kept', identity.how.includes('band-scanned') && identity.how.includes('spoken'), identity);
    check('hygiene goes with the set', await page.evaluate(() => probe.bedside().hygiene.hands && !probe.bedside().hygiene.equipment));
    const strip = await text(page, '#strip');
    check('the strip says who', /ALVAREZ, Rosa/.test(strip) && /born 14-Mar-1951 \(\d+ y\)/.test(strip) && /female/.test(strip) && /WP-10234/.test(strip) && /Ward 3, bed 2/.test(strip) && /alike/i.test(strip), strip);
    check('identity is fresh', await page.evaluate(() => probe.identityFresh()));
    check('the line for saving says who', /ALVAREZ, Rosa · born 14-Mar-1951 .* number WP-10234/.test(await page.evaluate(() => probe.identityLine().textContent)));
    await scan(page, 'WP-10777');
    await until('another band is told', () => page.getByText('This is another patient’s band', {exact: false}).or(page.getByText("This is another patient's band", {exact: false})).isVisible());
    check('and changes nothing', await page.evaluate(() => probe.now.patient.identifier.value) === 'WP-10234');
    const pulse = page.locator('input[data-slot]').first();
    await pulse.focus();
    await scan(page, '10777123');
    check('a band scanned into a measurement leaves it as it was', await pulse.inputValue() === '' && await page.evaluate(() => probe.now.patient.identifier.value) === 'WP-10234');
    await scan(page, 'WP-10234');
    await until('the same band says so', () => page.getByText('Same patient as on the strip.').isVisible());
    await page.evaluate(() => probe.closePatient());
    check('closed: no strip', await page.locator('#strip').isHidden());
    check('no fault in the page', page.faults.length === 0, page.faults);
    await page.context().close();
});

test('the right patient: wrong ways do not open', async () => {
    const page = await newPage();
    await signIn(page, 'ana');
    await page.evaluate(() => probe.go('patients'));
    await page.waitForSelector('.scan');
    await scan(page, ']d28018735005385000000010');
    await until('a wrong check digit is said', () => page.getByText('The check digit of this number is wrong', {exact: false}).isVisible());
    await scan(page, ']d28018735005385000000011');
    await until('a GSRN is found', () => page.getByText('OKORO').isVisible());
    await page.getByRole('button', {name: 'Does not match'}).click();
    check('does not match: nothing is open', await page.evaluate(() => probe.now.patient === null));
    await page.getByLabel('Family name').pressSequentially('alvarez', {delay: 60});
    await page.keyboard.press('Enter');
    await page.getByRole('heading', {name: 'Found: 2'}).waitFor();
    await picture(page, 'found');
    await axe(page, 'found');
    const list = await text(page, '.found');
    check('the list shows neither number nor birth date', !/WP-|1951|Mar/.test(list), list);
    await page.locator('.found button', {hasText: 'Rosa'}).click();
    await picture(page, 'confirm-typed');
    check('what must be typed is not on the screen', !/WP-10234|1951/.test(await text(page, '#screen')));
    await page.getByRole('button', {name: 'Said by the patient, matches'}).click();
    check('empty does not open', await page.getByText('Type it first.').isVisible() && await page.evaluate(() => probe.now.patient === null));
    for (const wrong of ['2', 'Ward 3', '02-Nov-1960']) {
        await page.getByLabel('Birth date or patient').fill(wrong);
        await page.getByRole('button', {name: 'Said by the patient, matches'}).click();
    }
    await until('three wrong ones go back to the search', () => page.locator('.scan').isVisible());
    check('a bed, a ward, another birth date did not open', await page.evaluate(() => probe.now.patient === null));
    await page.getByLabel('Birth date').fill('31021951');
    await page.getByRole('button', {name: 'Search'}).click();
    check('no such day', await page.getByText('This is not a day.', {exact: false}).isVisible());
    await page.getByLabel('Birth date').fill('14031951');
    check('a day is shown with its month as a word', (await text(page, '.echo')).includes('14-Mar-1951'));
    await page.getByLabel('Family name').fill('Alvarez');
    await page.getByRole('button', {name: 'Search'}).click();
    await page.locator('.found button', {hasText: 'Rosa'}).click();
    await page.getByRole('button', {name: 'Birth date stated: 14-Mar-1951, matches'}).click();
    check('birth date and family name typed: open by one more tap', await page.evaluate(() => probe.now.patient?.identifier.value) === 'WP-10234');
    check('two are checked', (await page.evaluate(() => probe.now.identity.checked)).length >= 2);
    await page.evaluate(() => { probe.closePatient(); probe.go('patients'); });
    await page.waitForSelector('.scan');
    await scan(page, 'WP-20001');
    await page.getByRole('button', {name: 'Name stated, matches'}).waitFor();
    check('a hostile name is text', (await text(page, '.confirm .big')).includes('<SCRIPT>ALERT(1)</SCRIPT>'));
    await page.getByRole('button', {name: 'Name stated, matches'}).click();
    await picture(page, 'strip-unknown');
    check('unknown is said in words', /birth date not known/.test(await text(page, '#strip')) && /gender not known/.test(await text(page, '#strip')));
    check('no fault in the page', page.faults.length === 0, page.faults);
    await page.context().close();
});

test('typing is no scan, a scan is no typing', async () => {
    const page = await newPage();
    await signIn(page, 'ana');
    await page.evaluate(() => probe.go('patients'));
    await page.waitForSelector('.scan');
    await page.getByLabel('Family name').focus();
    await scan(page, ']d28018735005385000000011');
    await until('a band scanned into another field is found', () => page.getByText('OKORO').isVisible());
    await page.getByRole('button', {name: 'Back to the search'}).click();
    check('and the field is as it was', await page.getByLabel('Family name').inputValue() === '');
    await page.getByLabel('Patient\'s number', {exact: true}).pressSequentially('WP-10234', {delay: 70});
    await page.keyboard.press('Enter');
    await page.getByRole('heading', {name: 'Found: 1'}).waitFor();
    await page.locator('.found button').click();
    check('a number that was typed asks for the birth date', await page.getByLabel('Birth date').isVisible());
    await page.context().close();
});

test('the camera, where the browser reads codes', async () => {
    const page = await newPage({permissions: ['camera']});
    check('no camera is offered without a reader', await page.evaluate(() => 'BarcodeDetector' in globalThis) || await page.getByText('Scan with the camera').count() === 0);
    await page.addInitScript(() => {
        globalThis.BarcodeDetector = class {
            constructor({formats}) { globalThis.formats = formats; }
            async detect() { return [{rawValue: 'WP-10234'}]; }
        };
        navigator.mediaDevices.getUserMedia = async () => document.createElement('canvas').captureStream();
    });
    await page.reload();
    await signIn(page, 'ana');
    await page.evaluate(() => probe.go('patients'));
    await page.getByRole('button', {name: 'Scan with the camera'}).click();
    await page.getByRole('button', {name: /Birth date stated/}).waitFor();
    check('formats', (await page.evaluate(() => formats)).join() === 'data_matrix,qr_code,code_128');
    await page.context().close();
});

test('asked again after a gap and after ten minutes', async () => {
    const page = await newPage();
    await page.clock.install();
    await page.reload();
    await signIn(page, 'ana');
    await openRosa(page);
    await page.evaluate(() => { probe.now.identity.confirmedMs -= 600001; });
    check('ten minutes later it is not fresh', await page.evaluate(() => probe.identityFresh()) === false);
    const answer = page.evaluate(() => probe.identityAgain());
    await page.getByText('Still the same patient?').waitFor();
    await picture(page, 'again');
    await axe(page, 'asked again');
    await page.getByRole('button', {name: /Birth date stated/}).click();
    check('confirmed again', await answer === true && await page.evaluate(() => probe.identityFresh()));
    const no = page.evaluate(() => probe.identityAgain());
    await page.getByText('Still the same patient?').waitFor();
    await page.keyboard.press('Escape');
    check('put away: not confirmed', await no === false);
    await page.getByRole('button', {name: 'Lock'}).click();
    await page.clock.fastForward(121000);
    await page.locator('.lock').getByLabel('PIN', {exact: true}).fill(pinOf.ana);
    await page.getByRole('button', {name: 'Unlock'}).click();
    await page.locator('.lock').waitFor({state: 'detached'});
    check('locked for two minutes: asked again', await page.evaluate(() => probe.identityFresh()) === false && await told(page, 'gap') === 1);
    await page.context().close();
});

test('the lock keeps what is half entered', async () => {
    const page = await newPage();
    await page.clock.install();
    await page.reload();
    await signIn(page, 'ana');
    await openRosa(page);
    await page.evaluate(() => {
        probe.screen('scratch', {title: 'find.title', show: (root) => root.append(Object.assign(document.createElement('input'), {id: 'half'}))});
        probe.go('scratch');
        probe.now.draft = probe.newDraft(crypto.randomUUID(), probe.sentPatient(), Date.now());
    });
    await page.locator('#half').fill('12');
    await page.clock.fastForward(270000);
    check('not yet', await page.locator('.lock').count() === 0);
    await page.clock.fastForward(40000);
    await page.locator('.lock').waitFor();
    await picture(page, 'lock');
    await axe(page, 'lock');
    check('nothing of the patient is seen', await page.locator('#strip').isHidden() && await page.locator('#half').isHidden());
    await page.keyboard.press('Escape');
    await page.keyboard.press('Escape');
    check('escape does not lift it', await page.locator('.lock').isVisible());
    await scan(page, 'WP-10777');
    check('a scan opens nothing, and is no wrong PIN', await page.locator('.lock').isVisible() && await text(page, '.lock .slip') === '');
    await page.locator('.lock').getByLabel('PIN', {exact: true}).fill('000001');
    await page.getByRole('button', {name: 'Unlock'}).click();
    await until('a wrong PIN does not lift it', () => page.locator('.lock').getByText('Name or PIN is not right.').isVisible());
    await page.locator('.lock').getByLabel('PIN', {exact: true}).fill(pinOf.ana);
    await page.getByRole('button', {name: 'Unlock'}).click();
    await page.locator('.lock').waitFor({state: 'detached'});
    check('what was half entered is there', await page.locator('#half').inputValue() === '12');
    check('the patient too', await page.evaluate(() => probe.now.patient.family) === 'Alvarez');
    await page.getByRole('button', {name: 'Lock'}).click();
    await page.reload();
    await page.locator('.lock').waitFor();
    check('the daemon locked it too', wire.seen.some((one) => one.path === '/v1/session/_lock' && one.status === 204) && (await page.evaluate(() => fetch('/v1/session').then((answer) => answer.json()))).reason === 'locked');
    check('reloaded while locked: locked', /Nurse ana/.test(await text(page, '.lock')));
    check('no fault in the page', page.faults.length === 0, page.faults);
    await page.context().close();
});

test('the lock for wiping takes two seconds', async () => {
    const page = await newPage({hasTouch: true});
    await signIn(page, 'ana');
    await page.getByRole('button', {name: 'Wipe'}).click();
    const key = page.getByRole('button', {name: 'Hold to go on'});
    await picture(page, 'wipe');
    await axe(page, 'wiping');
    await key.click({delay: 300});
    check('a short touch does nothing', await key.isVisible());
    for (let i = 0; i < 12; i++) await page.touchscreen.tap(60 + i * 50, 200 + i * 70);
    check('twelve touches do nothing', await key.isVisible());
    const box = await key.boundingBox();
    await page.mouse.move(box.x + box.width / 2, box.y + box.height / 2);
    await page.mouse.down();
    await wait(1000);
    await page.mouse.move(10, 10);
    await wait(1400);
    check('a cloth that moves on does nothing', await key.isVisible());
    await page.mouse.up();
    await page.mouse.move(box.x + box.width / 2, box.y + box.height / 2);
    await page.mouse.down();
    await wait(2300);
    await page.mouse.up();
    check('held for two seconds it lifts', await page.locator('.lock').count() === 0);
    await page.context().close();
});

test('somebody else on the tablet: the half-entered set waits for the first', async () => {
    const page = await newPage();
    await signIn(page, 'ana');
    await openRosa(page);
    await page.evaluate(() => { probe.now.draft = {...probe.newDraft(crypto.randomUUID(), probe.sentPatient(), Date.now()), mark: 'pulse 7'}; probe.keepDraft(probe.now.draft); });
    await wait(600);
    const stored = await page.evaluate(async () => (await probe.vaultAll('held')).map((one) => JSON.stringify({...one, sealed: new TextDecoder().decode(one.sealed)})).join());
    check('what is kept is sealed', stored.includes('draft:ana') && !stored.includes('Alvarez') && !stored.includes('pulse'), stored.slice(0, 200));
    await page.getByRole('button', {name: 'Lock'}).click();
    await page.getByRole('button', {name: 'Somebody else'}).click();
    await page.getByLabel('Name of your account').waitFor();
    check('the daemon ended it too', wire.seen.at(-1).status === 204 || wire.seen.some((one) => one.path === '/v1/session/_end' && one.status === 204));
    check('nobody is here, no patient is open', await page.evaluate(() => !probe.now.session && !probe.now.patient && !probe.now.draft));
    check('"signed out" is told', await page.evaluate(() => probe.told.some(([one, detail]) => one === 'session' && detail === null)));
    await signIn(page, 'bea');
    check('the other one is not offered it', await page.evaluate(() => probe.takeDraft()) === null);
    await page.getByRole('button', {name: 'Nurse bea'}).click();
    await picture(page, 'menu');
    await axe(page, 'the menu of a person');
    await page.getByRole('button', {name: 'Sign out'}).click();
    await page.getByRole('button', {name: 'Nurse ana'}).click();
    await page.getByLabel('PIN', {exact: true}).fill(pinOf.ana);
    await page.getByRole('button', {name: 'Sign in'}).click();
    await page.getByText('You left a set half entered').waitFor();
    await picture(page, 'draft-left');
    await page.getByRole('button', {name: 'Go on with it'}).click();
    await page.getByRole('button', {name: /Birth date stated/}).waitFor();
    check('the patient is asked for again before it opens', await page.evaluate(() => probe.now.patient === null && probe.now.draft === null));
    await page.getByRole('button', {name: /Birth date stated/}).click();
    await page.waitForFunction(() => probe.now.draft);
    check('it is as it was', await page.evaluate(() => probe.now.draft.mark) === 'pulse 7');
    check('no fault in the page', page.faults.length === 0, page.faults);
    await page.context().close();
});

test('a set is delivered once: pressed twice, answer lost, refused', async () => {
    const page = await newPage();
    await signIn(page, 'ana');
    await openRosa(page);
    const before = (await chartedSets()).readings.length;
    const body = await setOf(page, 72);
    const both = await page.evaluate((set) => Promise.all([probe.deliverSet(set, 'one'), probe.deliverSet(set, 'one')]), body);
    check('pressed twice: saved, the same answer', both[0].state === 'saved' && JSON.stringify(both[0]) === JSON.stringify(both[1]), both);
    check('once in the record', (await chartedSets()).readings.length === before + 1);
    check('nothing is kept', (await page.evaluate(() => probe.vaultAll('held'))).every((one) => one.what !== 'set'));
    const refused = await page.evaluate((set) => probe.deliverSet(set, 'two'), await setOf(page, 9000));
    check('refused comes back with its fields', refused.state === 'refused' && refused.result.errors[0].pointer.startsWith('/readings/0'), refused);
    const lost = await setOf(page, 74);
    wire.lose = ({path: where}) => where === '/v1/readings';
    const kept = await page.evaluate((set) => probe.deliverSet(set, 'ALVAREZ Rosa'), lost);
    check('answer lost: it is here', kept.state === 'here', kept);
    await until('the screen says so', () => page.getByText(/Not yet in the record\. Held on this device since \d\d:\d\d\. Tell the team by voice/).isVisible());
    await picture(page, 'held');
    await axe(page, 'held on this device');
    wire.lose = () => false;
    await page.evaluate(() => probe.sendHeld());
    await until('sent when the wire is whole', () => page.evaluate(() => probe.unsent().length === 0));
    check('once in the record, though it arrived twice', (await chartedSets()).readings.length === before + 2);
    check('what came of it is told', await told(page, 'delivered') === 1 && await page.getByText('In the record now: ALVAREZ Rosa').isVisible());
    check('no fault in the page', page.faults.length === 0, page.faults);
    await page.context().close();
});

test('away: kept over a reload, sent once and in order, two tabs', async () => {
    const page = await newPage();
    await signIn(page, 'bea');
    await openRosa(page);
    const before = (await chartedSets()).readings.length;
    wire.cut = true;
    const sets = [await setOf(page, 81), await setOf(page, 82), await setOf(page, 83), await setOf(page, 170)];
    const states = [];
    for (const one of sets) {
        states.push((await page.evaluate((set) => probe.deliverSet(set, 'x'), one)).state);
        await wait(20);
    }
    check('all are here', states.every((one) => one === 'here'), states);
    await page.getByRole('button', {name: 'Nurse bea'}).click();
    await page.getByRole('button', {name: 'Sign out'}).click();
    await until('leaving, one is told what is unsent', () => page.getByText(/Not yet in the record: 4, held on this device since/).isVisible());
    await picture(page, 'leaving');
    await page.getByRole('button', {name: 'Stay'}).click();
    const from = wire.seen.length;
    wire.lose = ({path: where}) => where === '/v1/readings';
    wire.cut = false;
    await page.reload();
    await page.waitForFunction(() => globalThis.probe?.now.session && probe.vaultOpen());
    check('kept over a reload', await page.evaluate(() => probe.readUnsent().then(() => probe.unsent().length)) === 4);
    const other = await page.context().newPage();
    await other.goto(`${wire.base}/probe.html`);
    await other.waitForFunction(() => globalThis.probe?.now.session && probe.vaultOpen() && probe.unsent().length === 4);
    wire.lose = () => false;
    await Promise.all([page.evaluate(() => probe.sendHeld()), other.evaluate(() => probe.sendHeld())]);
    await until('both tabs know that all is sent', async () => await page.evaluate(() => probe.unsent().length) === 0 && await other.evaluate(() => probe.unsent().length) === 0);
    const posts = wire.seen.slice(from).filter((one) => one.method === 'POST' && one.path === '/v1/readings' && !one.lost);
    check('each was answered once', posts.length === 4, posts.map((one) => one.status));
    check('in order', posts.map((one) => JSON.parse(one.body).readings[0].value).join() === '81,82,83,170', posts.map((one) => one.body.slice(-80)));
    check('marked as taken offline, with a key', posts.every((one) => JSON.parse(one.body).bedside.offline === true && one.headers['idempotency-key']));
    const after = (await chartedSets()).readings;
    check('each is there once', after.length === before + 4, after.length - before);
    check('what came of each is told in the tab that sent it', await told(page, 'delivered') + await told(other, 'delivered') === 4);
    const asked = page.getByText('1 of its values wait until somebody decides', {exact: false}), askedThere = other.getByText('1 of its values wait until somebody decides', {exact: false});
    check('what would have been asked is held, and said', await asked.isVisible() || await askedThere.isVisible());
    await page.context().close();
});

test('locked or ended while saving: the set goes on after the PIN', async () => {
    const page = await newPage();
    await signIn(page, 'ana');
    await openRosa(page);
    const body = await setOf(page, 77);
    await page.evaluate(() => fetch('/v1/session/_lock', {method: 'POST', headers: {'Wardpost-Csrf': probe.now.session.csrf}}));
    const saved = page.evaluate((set) => probe.deliverSet(set, 'x'), body);
    await page.locator('.lock').waitFor();
    await page.locator('.lock').getByLabel('PIN', {exact: true}).fill(pinOf.ana);
    await page.getByRole('button', {name: 'Unlock'}).click();
    check('locked by the daemon: saved after the PIN', (await saved).state === 'saved');
    const next = await setOf(page, 78);
    await page.evaluate(() => fetch('/v1/session/_end', {method: 'POST', headers: {'Wardpost-Csrf': probe.now.session.csrf}}));
    const again = page.evaluate((set) => probe.deliverSet(set, 'x'), next);
    await page.locator('.lock').waitFor();
    await page.locator('.lock').getByLabel('PIN', {exact: true}).fill(pinOf.ana);
    await page.getByRole('button', {name: 'Unlock'}).click();
    check('the session was gone: saved in a new one', (await again).state === 'saved');
    await page.context().close();
});

test('the offline lock opens to the same person only', async () => {
    const page = await newPage({at: '/'});
    await page.evaluate(() => navigator.serviceWorker.ready);
    await page.goto(`${wire.base}/probe.html`);
    await signIn(page, 'ana');
    await openRosa(page);
    await page.evaluate(() => { probe.now.draft = {...probe.newDraft(crypto.randomUUID(), probe.sentPatient(), Date.now()), mark: 'pulse 8'}; probe.keepDraft(probe.now.draft); });
    await wait(600);
    wire.cut = true;
    check('kept', (await page.evaluate((set) => probe.deliverSet(set, 'x'), await setOf(page, 79))).state === 'here');
    await page.getByRole('button', {name: 'Lock'}).click();
    await page.locator('.lock').getByLabel('PIN', {exact: true}).fill(pinOf.bea);
    await page.getByRole('button', {name: 'Unlock'}).click();
    await until('the PIN of another does not open it', () => page.locator('.lock').getByText('Name or PIN is not right.').isVisible(), 15000);
    await page.locator('.lock').getByLabel('PIN', {exact: true}).fill(pinOf.ana);
    await page.getByRole('button', {name: 'Unlock'}).click();
    await page.locator('.lock').waitFor({state: 'detached', timeout: 15000});
    check('the same person\'s opens it', await page.evaluate(() => probe.now.patient.family) === 'Alvarez');
    check('the key cannot be taken out', await page.evaluate(async () => {
        const {key} = await probe.vaultGet('device', 'open');
        return key.extractable === false && await crypto.subtle.exportKey('raw', key).then(() => false, () => true);
    }));
    const record = await page.evaluate(async () => (await probe.keysOf('ana'))[0]);
    check('600,000 rounds at least', record.rounds >= 600000);
    await page.getByRole('button', {name: 'Lock'}).click();
    for (let i = 0; i < 5; i++) {
        await page.locator('.lock').getByLabel('PIN', {exact: true}).fill('000000');
        await page.getByRole('button', {name: 'Unlock'}).click();
        await page.waitForFunction((count) => probe.keysOf('ana').then(([one]) => one.wrong === count), i + 1);
        await until('said', () => page.locator('.lock .slip').first().isVisible(), 15000);
    }
    await until('after five the next one waits', async () => /Next try in\s*0:[123]\d/.test(await text(page, '.lock')), 15000);
    await page.evaluate(async () => { // as if nine were wrong and the wait is over
        const [one] = await probe.keysOf('ana');
        await probe.vaultPut('keys', {...one, wrong: 9, until: 0});
    });
    check('ten wrong ones with a set unsent: the key stays', await page.evaluate(async () => {
        const answer = await probe.openOffline('000000', 'ana');
        return answer.state === 'wait' && answer.wait === 900 && (await probe.keysOf('ana')).length === 1;
    }));
    check('no try within the wait, not even the right one', await page.evaluate((pin) => probe.openOffline(pin, 'ana'), pinOf.ana).then((answer) => answer.state === 'wait'));
    check('ten wrong ones with nothing unsent: key and draft go', await page.evaluate(async () => {
        for (const one of await probe.vaultAll('held')) if (one.what === 'set') await probe.vaultDrop('held', one.id);
        const [one] = await probe.keysOf('ana');
        await probe.vaultPut('keys', {...one, wrong: 9, until: 0});
        const answer = await probe.openOffline('000000', 'ana');
        return answer.state === 'none' && (await probe.keysOf('ana')).length === 0 && (await probe.vaultAll('held')).every((held) => held.name !== 'ana');
    }));
    await page.getByRole('button', {name: 'Somebody else'}).click();
    await typeIn(page, 'bea');
    await until('nobody new signs in offline', () => page.getByText('Nobody new can sign in now', {exact: false}).isVisible(), 15000);
    wire.cut = false;
    check('no fault in the page', page.faults.length === 0, page.faults);
    await page.context().close();
});

test('somebody else comes while a set is on its way: it stays the first one\'s', async () => {
    const page = await newPage();
    await signIn(page, 'ana');
    await openRosa(page);
    const body = await setOf(page, 91);
    let asked, letGo;
    const underWay = new Promise((done) => { asked = done; });
    const gate = new Promise((done) => { letGo = done; });
    await page.route('**/v1/readings', async (route) => {
        asked();
        await gate;
        await route.abort();
    });
    const delivered = page.evaluate((set) => probe.deliverSet(set, 'ALVAREZ Rosa'), body);
    await underWay;
    await page.getByRole('button', {name: 'Lock'}).click();
    await page.getByRole('button', {name: 'Somebody else'}).click();
    await page.getByLabel('Name of your account').waitFor();
    await signIn(page, 'bea');
    letGo();
    check('it is here', (await delivered).state === 'here');
    await page.unroute('**/v1/readings');
    const record = await page.evaluate((id) => probe.vaultGet('held', `set:${id}`).then(({name, key, display}) => ({name, key, display})), body.readings[0].id);
    const keys = await page.evaluate(() => probe.keysOf('ana').then((all) => all.map((one) => one.id)));
    check('under the first one\'s key and name', record.name === 'ana' && record.display === 'Nurse ana' && keys.includes(record.key), record);
    check('the second one cannot read it', await page.evaluate(async (id) => await probe.openSealed(await probe.vaultGet('held', `set:${id}`)) === null && (await probe.myUnsent()).length === 0, body.readings[0].id));
    const from = wire.seen.length;
    await page.evaluate(() => probe.sendHeld());
    check('nor send it', wire.seen.slice(from).every((one) => one.path !== '/v1/readings'));
    await page.getByRole('button', {name: 'Nurse bea'}).click();
    await page.getByRole('button', {name: 'Sign out'}).click();
    await page.getByLabel('Name of your account').waitFor();
    await signIn(page, 'ana');
    await until('it goes when the first one is back', () => page.evaluate(() => probe.unsent().length === 0));
    check('and is in the record', (await chartedSets()).readings.some((one) => one.id === body.readings[0].id));
    check('no fault in the page', page.faults.length === 0, page.faults);
    await page.context().close();
});

test('somebody else comes while the patient of a half-entered set is asked for: it is not theirs', async () => {
    const page = await newPage();
    await signIn(page, 'ana');
    await openRosa(page);
    await page.evaluate(() => { probe.now.draft = {...probe.newDraft(crypto.randomUUID(), probe.sentPatient(), Date.now()), mark: 'pulse 9'}; probe.keepDraft(probe.now.draft); });
    await wait(600);
    const handOver = async () => {
        await page.getByRole('button', {name: 'Lock'}).click();
        await page.getByRole('button', {name: 'Somebody else'}).click();
        await page.getByLabel('Name of your account').waitFor();
    };
    await handOver();
    await signIn(page, 'ana');
    await page.getByRole('button', {name: 'Go on with it'}).click();
    await page.getByRole('button', {name: /Birth date stated/}).waitFor();
    await handOver();
    await signIn(page, 'bea');
    await openRosa(page);
    check('what the first has half entered does not open', await page.evaluate(() => probe.now.draft?.mark ?? null) === null);
    check('no fault in the page', page.faults.length === 0, page.faults);
    await page.context().close();
});

test('the cookie is another person\'s by now: a set is kept, not refused', async () => {
    const page = await newPage();
    await signIn(page, 'ana');
    await openRosa(page);
    const body = await setOf(page, 92);
    await page.evaluate((csrf) => { probe.now.session = {...probe.now.session, csrf}; }, 'x'.repeat(43));
    await page.route('**/v1/session', (route) => route.fulfill({status: 401, contentType: 'application/json', body: '{"reason":"other"}'}));
    check('it is here', (await page.evaluate((set) => probe.deliverSet(set, 'x'), body)).state === 'here');
    check('and not stuck', (await page.evaluate(() => probe.vaultAll('held'))).some((one) => one.what === 'set' && !one.stuck));
    await page.context().close();
});

test('a device that keeps nothing: the form works, and says what is not kept', async () => {
    for (const fails of ['throws', 'refuses']) {
        const page = await newPage();
        await page.addInitScript((how) => {
            const asked = () => {
                if (how === 'throws') throw new DOMException('blocked', 'SecurityError');
                const request = {error: new DOMException('blocked', 'InvalidStateError')};
                setTimeout(() => request.onerror?.());
                return request;
            };
            Object.defineProperty(IDBFactory.prototype, 'open', {value: asked});
        }, fails);
        await page.goto(`${wire.base}/probe.html`);
        await typeIn(page, 'bea');
        await page.waitForFunction(() => probe.now.session && probe.now.table, null, {timeout: 10000}).catch(() => {});
        check(`signed in: ${fails}`, await page.evaluate(() => probe.now.session?.person.name === 'bea'));
        await openRosa(page);
        check(`saved: ${fails}`, (await page.evaluate((set) => probe.deliverSet(set, 'x'), await setOf(page, 93))).state === 'saved');
        wire.cut = true;
        check(`nowhere: ${fails}`, (await page.evaluate((set) => probe.deliverSet(set, 'x'), await setOf(page, 94))).state === 'nowhere');
        wire.cut = false;
        await page.getByRole('button', {name: 'Nurse bea'}).click();
        await page.getByRole('button', {name: 'Sign out'}).click();
        await page.getByLabel('Name of your account').waitFor();
        check(`signed out: ${fails}`, await page.evaluate(() => probe.now.session === null));
        await page.context().close();
    }
});

test('a clock that was set back', async () => {
    const page = await newPage();
    await signIn(page, 'ana');
    await openRosa(page);
    check('no PIN waits longer than it would', await page.evaluate(async (pin) => {
        const [one] = await probe.keysOf('ana');
        await probe.vaultPut('keys', {...one, wrong: 1, until: Date.now() + 86400000});
        return (await probe.openOffline(pin, 'ana')).state;
    }, pinOf.ana) === 'open');
    check('and not shorter', await page.evaluate(async (pin) => {
        const [one] = await probe.keysOf('ana');
        await probe.vaultPut('keys', {...one, wrong: 5, until: Date.now() + 86400000});
        const {state, wait} = await probe.openOffline(pin, 'ana');
        await probe.vaultPut('keys', {...one, wrong: 0, until: 0});
        return `${state} ${wait}`;
    }, pinOf.ana) === 'wait 30');
    const keys = await page.evaluate(async () => {
        const [one] = await probe.keysOf('ana');
        await probe.vaultPut('keys', {...one, made: Date.now() + 86400000});
        await probe.openVault('846120', probe.now.session.person); // a PIN that was changed elsewhere
        return [(await probe.vaultGet('device', 'open')).ofKey, ...(await probe.keysOf('ana')).map((key) => key.id)];
    });
    check('the newest key is the one in use', keys.length >= 2 && keys[0] === keys[1], keys);
    check('the patient is asked for again', await page.evaluate(() => {
        const fresh = probe.identityFresh();
        probe.now.identity.confirmedMs = Date.now() + 3600000;
        return fresh && !probe.identityFresh();
    }));
    await page.evaluate(() => { const real = Date.now; Date.now = () => real() - 3600000; });
    await page.locator('.lock').waitFor({timeout: 5000});
    check('the screen is locked', true);
    await page.context().close();
});

test('the form opens from this device when the daemon is away', async () => {
    const page = await newPage({at: '/'});
    await page.evaluate(() => navigator.serviceWorker.ready);
    await page.getByLabel('Name of your account').fill('ana');
    await page.getByLabel('PIN', {exact: true}).fill(pinOf.ana);
    await page.getByRole('button', {name: 'Sign in'}).click();
    await page.getByRole('button', {name: 'Nurse ana'}).waitFor();
    await wait(1500);
    await page.goto(`${wire.base}/#patients`);
    await page.reload();
    await page.getByText('Scan the wristband now.').waitFor();
    check('reloaded while signed in: the same screen, no lock', await page.locator('.lock').count() === 0);
    await until('the copy is there', () => page.evaluate(async () => (await caches.keys()).length === 1 && (await (await caches.open((await caches.keys())[0])).keys()).length >= 10));
    check('it keeps no answers about people', await page.evaluate(async () => (await (await caches.open((await caches.keys())[0])).keys()).every((one) => !/session|patients|readings/.test(one.url))));
    await wait(1500);
    wire.cut = true;
    await page.reload();
    await page.locator('.lock').waitFor();
    check('locked to whoever was here', /Nurse ana/.test(await text(page, '.lock')));
    await page.locator('.lock').getByLabel('PIN', {exact: true}).fill(pinOf.ana);
    await page.getByRole('button', {name: 'Unlock'}).click();
    await page.locator('.lock').waitFor({state: 'detached', timeout: 15000});
    check('opened without the daemon', await page.getByRole('button', {name: 'Nurse ana'}).isVisible());
    wire.cut = false;
    check('no fault in the page', page.faults.length === 0, page.faults);
    await page.context().close();
});

test('what comes behind the first screen is asked for again when it did not come', async () => {
    wire.lose = ({path: where}) => where === '/more.js' || where === '/later.js';
    const page = await newPage({at: '/'});
    await page.getByLabel('Name of your account').fill('ana');
    await page.getByLabel('PIN', {exact: true}).fill(pinOf.ana);
    await page.getByRole('button', {name: 'Sign in'}).click();
    await until('it is waited for', () => page.getByRole('heading', {name: 'One moment'}).isVisible());
    await wait(1000);
    wire.lose = () => false;
    await until('it comes', () => page.getByRole('heading', {name: 'The round'}).isVisible(), 15000);
    await page.context().close();
});

test('a patient is found from this device, or entered by hand, when the daemon is away', async () => {
    const page = await newPage();
    await signIn(page, 'ana');
    await openRosa(page);
    await page.evaluate(() => { probe.closePatient(); probe.go('patients'); });
    await wait(300);
    wire.cut = true;
    await page.waitForSelector('.scan');
    await scan(page, 'WP-10234');
    await page.getByRole('button', {name: /Birth date stated/}).waitFor();
    check('known here from before', true);
    await page.getByRole('button', {name: 'Back to the search'}).click();
    await page.getByLabel('Patient\'s number', {exact: true}).fill('WP-555');
    await page.getByRole('button', {name: 'Search'}).click();
    await page.getByRole('button', {name: 'Enter the patient by hand'}).click();
    await page.getByLabel('Patient\'s number once more').fill('WP-556');
    await page.getByRole('button', {name: 'Go on'}).click();
    check('the number twice, the same', await page.getByText('The two numbers are not the same.').isVisible() && await page.getByText('The family name is missing.').isVisible());
    await picture(page, 'by-hand');
    await axe(page, 'by hand');
    await page.getByLabel('Patient\'s number once more').fill('WP-555');
    await page.getByLabel('Birth date').fill('02 May 1970');
    await page.getByLabel('Family name').fill('Novak');
    await page.getByRole('button', {name: 'Go on'}).click();
    await page.getByRole('button', {name: 'Birth date stated: 02-May-1970, matches'}).click();
    check('open, and marked', /By hand, not compared/.test(await text(page, '#strip')));
    check('under the system of this place', await page.evaluate(() => probe.sentPatient().identifier.system) === SYSTEM);
    wire.cut = false;
    await page.context().close();
});

test('in Spanish, at 320 px, at night', async () => {
    for (const [name, viewport] of [['phone', {width: 320, height: 640}], ['phone-360', {width: 360, height: 740}], ['tablet', {width: 1280, height: 800}]]) {
        const page = await newPage({viewport, locale: 'es-ES', at: '/'});
        await page.evaluate(() => localStorage.setItem('theme', 'night'));
        await page.goto(`${wire.base}/probe.html`);
        await page.getByLabel('Nombre de su cuenta').waitFor();
        await axe(page, `sign-in, night, ${name}`);
        await picture(page, `night-sign-in-${name}`);
        await page.getByLabel('Nombre de su cuenta').fill('ana');
        await page.getByLabel('PIN', {exact: true}).fill(pinOf.ana);
        await page.getByRole('button', {name: 'Entrar'}).click();
        await page.waitForFunction(() => probe.now.session && probe.now.table);
        await page.evaluate(() => probe.go('patients'));
        await page.waitForSelector('.scan');
        await axe(page, `patients, night, ${name}`);
        await picture(page, `night-patients-${name}`);
        await scan(page, 'WP-10234');
        await page.getByRole('button', {name: /Fecha dicha/}).waitFor();
        await picture(page, `night-confirm-${name}`);
        await page.getByRole('button', {name: /Fecha dicha/}).click();
        await page.waitForFunction(() => probe.now.patient);
        await picture(page, `night-strip-${name}`);
        await axe(page, `strip, night, ${name}`);
        const wide = await page.evaluate(() => document.documentElement.scrollWidth - innerWidth);
        check(`nothing sticks out at ${viewport.width} px`, wide <= 0, wide);
        check('every word is there', !/\[[a-z]+\.[a-z.]+\]/.test(await page.evaluate(() => document.body.innerText)));
        await page.context().close();
    }
});

for (const [name, does] of tests) {
    if (only && !only.test(name) && !/^(the first admin|accounts)/.test(name)) continue;
    const [before, began] = [failed, Date.now()];
    try {
        await does();
    } catch (error) {
        failed++;
        console.log(`broken: ${name}: ${String(error).split('\n').slice(0, 6).join(' | ')}`);
    }
    Object.assign(wire, {cut: false, delay: 0, lose: () => false});
    if (failed > before) for (const page of browser.contexts().flatMap((context) => context.pages())) await picture(page, `failed-${name.slice(0, 20)}`).catch(() => {});
    for (const context of browser.contexts()) await context.close();
    console.log(`${failed === before ? 'ok    ' : 'FAILED'} ${name} (${((Date.now() - began) / 1000).toFixed(1)} s)`);
}
await browser.close();
wire.stop();
await daemon.stop();
console.log(`${passed} passed, ${failed} failed`);
process.exit(failed ? 1 : 0);
