// whole.mjs BUILD_DIR [PATTERN] - the whole way, from sign-in to charted, by a real browser before a real daemon and a real far end: nothing
// is answered by anyone else. Over all of it: no fault, no violation of the content security policy, no request elsewhere, nobody's data
// in an address. Names, numbers and PINs are invented. Last line: N passed, N failed.
import {spawnSync} from 'node:child_process';
import {startFarEnd} from '../far_end/testing.mjs';
import {requireThere} from './bedside.mjs';
import {Count} from './support.mjs';
import {Nurse, PINS, comes, known, openBrowser, startWard, wait} from './ward.mjs';

const [build, pattern] = process.argv.slice(2);
if (!build) throw new Error('usage: whole.mjs BUILD_DIR [PATTERN]');

const ROSA = known('WP-10234', 'Alvarez', 'Rosa', '1951-03-14', 'female');
const OLE = known('WP-20303', 'Lund', 'Ole', '1960-05-05', 'male', {bed: '4'});
const NILS = known('WP-20304', 'Berg', 'Nils', '1958-02-02', 'male', {bed: '5'});
const IRA = known('WP-20305', 'Sand', 'Ira', '1949-08-21', 'male', {bed: '6'});
const HOSTILE = known('WP-20666', '<script>hurt=1</script>\u202Egnissem', '<img src=x onerror=hurt=1>', '1970-01-01', 'male', {bed: '7'});
const people = [ROSA, OLE, NILS, IRA, HOSTILE];

const counted = new Count();
const check = (what, is, seen) => counted.check(what, is ? true : `not so${seen === undefined ? '' : `: ${JSON.stringify(seen)}`}`);
const equal = (what, is, due) => check(what, JSON.stringify(is) === JSON.stringify(due), {is, due});

const far = await startFarEnd();
const ward = await startWard({build, patients: people, sections: `courier { server = "${far.url}" request_timeout = "2 s" retry_first = "50 ms" retry_most = "300 ms" }\n`});
const browser = await openBrowser();

// ---- what is watched over all ----

const faults = [], addresses = [];

async function watch(page) {
    page.on('pageerror', (error) => faults.push(String(error.stack).slice(0, 400)));
    page.on('console', (line) => line.type() === 'error' && !/Failed to load resource|net::ERR/.test(line.text()) && faults.push(line.text()));
    page.on('request', (request) => addresses.push(request.url()));
    await page.addInitScript(() => addEventListener('securitypolicyviolation', (event) => console.error(`policy: ${event.violatedDirective} ${event.blockedURI} ${event.sample}`)));
}

async function someone({name = 'ana', ...given} = {}) {
    const nurse = await Nurse.at(browser, ward.wire.base, {watch, ...given});
    await nurse.signIn(name);
    return nurse;
}

const pulses = async (patient) => (await ward.script.readings(patient)).filter((one) => one.kind === 'heart-rate').map((one) => one.values.value[0]).sort((a, b) => a - b);
const inChart = async (patient) => {
    const answer = await far.ask('GET', `/Observation?_count=200`);
    return answer.body.entry?.map((one) => one.resource).filter((one) => JSON.stringify(one.subject ?? '').includes(patient.identifier.value)) ?? [];
};
const axeSource = requireThere('axe-core').source;

async function axe(nurse, what) {
    await nurse.page.evaluate(axeSource);
    const found = await nurse.page.evaluate(async () => (await axe.run(document, {runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice']})).violations
        .map((one) => `${one.id}: ${one.nodes.map((node) => node.html.slice(0, 80)).join(' | ')}`));
    equal(`axe finds nothing: ${what}`, found, []);
}

// The set of seven is in the record of this patient, and the far end has it.
async function charted(what, nurse, patient) {
    await comes(`${what}: the screen says that it is in the record`, async () => await nurse.page.locator('.taken.is-charted').count() === 7);
    const there = await ward.script.readings(patient);
    equal(`${what}: seven readings, each once and charted`, there.map((one) => `${one.kind} ${one.state}`).sort(),
        ['blood-pressure', 'body-temperature', 'consciousness', 'heart-rate', 'oxygen-saturation', 'pain', 'respiratory-rate'].map((kind) => `${kind} charted`));
    const codes = (await inChart(patient)).flatMap((one) => one.code.coding.map((coding) => coding.code));
    equal(`${what}: the far end has each once`, ['8867-4', '9279-1', '8310-5', '85354-9', '2708-6'].map((code) => codes.filter((one) => one === code).length), [1, 1, 1, 1, 1]);
}

// ---- the whole set ----

async function byKeyboard() {
    const nurse = await Nurse.at(browser, ward.wire.base, {watch});
    const {keyboard} = nurse.page;
    await nurse.page.waitForSelector('.pinform');
    await nurse.tabTo('.pinform input:not([type=password])');
    await keyboard.type('ana');
    await nurse.tabTo('.pinform input[type=password]');
    await keyboard.type(PINS.ana);
    await keyboard.press('Enter');
    await nurse.page.waitForFunction(() => !document.querySelector('.pinform') && document.body.dataset.screen === 'round');
    await nurse.tabTo('nav a[href="#patients"]');
    await keyboard.press('Enter');
    await nurse.page.waitForSelector('form.find');
    await nurse.tabTo('form.find input');
    await keyboard.type(ROSA.identifier.value, {delay: 60}); // as fingers type: no scan
    await keyboard.press('Enter');
    await nurse.page.waitForSelector('.found button');
    await nurse.tabTo('.found button');
    await keyboard.press('Enter');
    await nurse.page.waitForSelector('form.confirm input');
    await nurse.tabTo('form.confirm input:not([type=checkbox])');
    await keyboard.type('14-Mar-1951', {delay: 60});
    await keyboard.press('Enter');
    await nurse.page.waitForSelector('.set');
    await comes('the first slot has the focus', () => nurse.slot('pain').evaluate((one) => one === document.activeElement));
    const word = async (kind, name) => {
        await nurse.tabTo(`[data-kind="${kind}"] .chip[data-word="${name}"]`);
        await keyboard.press('Space');
    };
    await keyboard.type('0');
    await keyboard.press('Enter');
    await keyboard.type('97');
    await word('oxygen-saturation', 'room-air');
    await nurse.tabTo('#slot-body-temperature-value');
    await keyboard.type('36.8');
    await word('body-temperature', 'oral');
    await nurse.tabTo('#slot-heart-rate-value');
    for (const digits of ['72', '16', '124', '78']) {
        await keyboard.type(digits);
        await keyboard.press('Enter');
    }
    await word('consciousness', 'alert');
    await nurse.tabTo('.save');
    await keyboard.press('Enter');
    await nurse.lastLook().waitFor();
    await nurse.tabTo('dialog[open] .main');
    await keyboard.press('Enter');
    await nurse.page.waitForFunction(() => document.body.dataset.screen === 'after');
    await charted('keyboard only', nurse, ROSA);
    await nurse.over();
}

async function byTouch() {
    const nurse = await Nurse.at(browser, ward.wire.base, {watch, hasTouch: true, isMobile: true, viewport: {width: 360, height: 740}});
    const tap = (selector) => nurse.page.locator(selector).first().tap();
    const keys = async (digits) => {
        for (const digit of digits) await tap(`.key[data-key="${digit}"]`);
    };
    await tap('.pinform input:not([type=password])');
    await nurse.page.keyboard.insertText('ana'); // the tablet's own keyboard
    for (const digit of PINS.ana) await nurse.page.locator('.pinpad').getByText(digit, {exact: true}).tap();
    await tap('.pinform button[type=submit]');
    await tap('nav a[href="#patients"]');
    await tap('form.find input');
    await nurse.page.keyboard.insertText(OLE.identifier.value);
    await tap('form.find button[type=submit]');
    await tap('.found button');
    await tap('form.confirm input:not([type=checkbox])');
    await nurse.page.keyboard.insertText('05051960');
    await tap('form.confirm .main');
    await nurse.page.waitForSelector('.set');
    await tap('#slot-pain-value');
    await keys('0');
    await tap('.key-next');
    await keys('97');
    await tap('[data-kind=oxygen-saturation] .chip[data-word=room-air]');
    await keys('36.8');
    await tap('[data-kind=body-temperature] .chip[data-word=oral]');
    for (const digits of ['72', '16', '124']) {
        await keys(digits);
        await tap('.key-next');
    }
    await keys('78');
    await tap('[data-kind=consciousness] .chip[data-word=alert]');
    await tap('.save');
    await tap('dialog[open] .main');
    await nurse.page.waitForFunction(() => document.body.dataset.screen === 'after');
    await charted('touch only', nurse, OLE);
    await nurse.over();
}

async function plainSet(nurse) {
    await nurse.type('pain', '0');
    await nurse.type('oxygen-saturation', '97');
    await nurse.chip('oxygen-saturation', 'room-air').click();
    await nurse.type('body-temperature', '36.8');
    await nurse.chip('body-temperature', 'oral').click();
    await nurse.type('heart-rate', '72');
    await nurse.type('respiratory-rate', '16');
    await nurse.type('blood-pressure', '124', 'systolic');
    await nurse.type('blood-pressure', '78', 'diastolic');
    await nurse.chip('consciousness', 'alert').click();
}

async function bySlowWire() {
    const nurse = await Nurse.at(browser, ward.wire.base, {watch});
    const cdp = await nurse.page.context().newCDPSession(nurse.page);
    await cdp.send('Network.emulateNetworkConditions', {offline: false, latency: 400, downloadThroughput: 50000, uploadThroughput: 25000});
    ward.wire.delay = 600;
    await nurse.page.reload();
    await nurse.signIn();
    await nurse.open(NILS);
    await plainSet(nurse);
    await nurse.save();
    await nurse.lastLook().waitFor();
    const before = ward.wire.seen.length;
    await nurse.page.locator('dialog[open] .main').dblclick();
    await nurse.save(); // impatient: while the answer is under way
    await nurse.page.waitForFunction(() => document.body.dataset.screen === 'after');
    ward.wire.delay = 0;
    equal('slow wire: sent once', ward.wire.seen.slice(before).filter((one) => one.method === 'POST' && one.path === '/v1/readings').length, 1);
    await charted('slow wire', nurse, NILS);
    await nurse.over();
}

// ---- the wrong patient ----

async function wrongPatient() {
    const nurse = await someone();
    const before = {ole: await pulses(OLE), ira: await pulses(IRA)};
    const lastScan = async (band) => {
        await wait(300); // what was typed just before is not of the band
        await nurse.scan(band);
        await comes('the band is told', async () => await nurse.notice() !== '');
    };

    // Another band, mid-set: whoever stands there is another than the sheet's.
    await nurse.open(OLE);
    await nurse.type('heart-rate', '81');
    await lastScan(IRA.identifier.value);
    check('another band is told', /another patient/.test(await nurse.notice()), await nurse.notice());
    check('and the strip is still whose it was', /LUND/.test(await nurse.page.locator('#strip').innerText()));
    await nurse.save();
    await nurse.page.locator('dialog[open]').waitFor();
    check('before saving, one is asked who it is', await nurse.page.locator('dialog[open] form.confirm').count() === 1, await nurse.page.locator('dialog[open]').innerText());
    await nurse.page.locator('dialog[open] .stop').click();
    check('it is not: nothing goes out', await nurse.page.locator('dialog[open]').count() === 0 && /81/.test(await nurse.slot('heart-rate').inputValue()));
    await nurse.page.locator('#strip button').click();
    await nurse.page.locator('dialog[open] .stop').click();

    // A bed, and a second identifier that is somebody else's.
    await nurse.page.waitForSelector('form.find');
    const number = nurse.page.locator('form.find input').first();
    for (const place of [IRA.bed, `bed ${IRA.bed}`, IRA.ward]) {
        await number.fill(place);
        await number.press('Enter');
        await nurse.page.locator('.result .doubt').waitFor();
        check(`${place} finds nobody`, await nurse.page.locator('.found').count() === 0 && await nurse.page.locator('form.confirm').count() === 0);
    }
    await number.fill(IRA.identifier.value);
    await number.press('Enter');
    await nurse.page.locator('.found button').click();
    for (const wrong of [IRA.bed, '05-May-1960', 'Lund']) {
        await nurse.page.locator('form.confirm input:not([type=checkbox])').fill(wrong);
        await nurse.page.locator('form.confirm .main').click();
    }
    await nurse.page.waitForSelector('form.find');
    check('three that do not match open nothing', await nurse.page.locator('#strip').isHidden() && await nurse.page.locator('.set').count() === 0);

    // A gap: the lock was shut so long that somebody else may lie there.
    await nurse.page.clock.install();
    await nurse.open(IRA);
    await nurse.type('heart-rate', '82');
    await nurse.page.clock.fastForward(11 * 60000);
    await nurse.unlock(); // left alone so long it has locked itself
    await nurse.save();
    await nurse.page.locator('dialog[open] form.confirm').waitFor();
    check('after a gap one is asked who it is', true);
    await nurse.page.locator('dialog[open] .stop').click();
    await wait(200);
    check('it is not: the last look does not open', await nurse.page.locator('dialog[open]').count() === 0);
    await nurse.over();

    // Switched in another tab: each sheet stays with its own.
    const first = await someone();
    await first.open(OLE);
    await first.type('heart-rate', '83');
    const page = await first.page.context().newPage();
    await watch(page);
    await page.goto(ward.wire.base);
    const second = new Nurse(page);
    await page.waitForFunction(() => document.body.dataset.screen === 'round' || document.body.dataset.screen === 'patients');
    if (await page.locator('dialog[open]').count()) await page.locator('dialog[open] button').last().click();
    await second.open(IRA);
    await second.type('heart-rate', '84');
    await first.page.bringToFront();
    check('the first tab has its own', /LUND/.test(await first.page.locator('#strip').innerText()) && await first.slot('heart-rate').inputValue() === '83');
    await first.saveAll();
    await second.page.bringToFront();
    check('the second has its own', /SAND/.test(await page.locator('#strip').innerText()) && await second.slot('heart-rate').inputValue() === '84');
    await second.saveAll();
    await first.over();
    equal('each is where it belongs, and nothing else came', [await pulses(OLE), await pulses(IRA)], [[...before.ole, 83].sort((a, b) => a - b), [...before.ira, 84].sort((a, b) => a - b)]);
}

// ---- what the world does ----

async function offlineAndBack() {
    const nurse = await someone();
    const before = await pulses(IRA);
    const wanted = [];
    for (const [round, digits] of ['91', '92', '93'].entries()) {
        await nurse.open(IRA);
        await nurse.type('heart-rate', digits);
        await nurse.save();
        await nurse.lastLook().waitFor();
        const ends = round % 2 === 0 ? ward.daemon.kill() : null; // before it is sent, or while it is under way
        await ends;
        const pressed = nurse.page.locator('dialog[open] .main').click();
        if (!ends) await ward.daemon.kill();
        await pressed;
        await nurse.page.waitForFunction(() => document.body.dataset.screen === 'after');
        wanted.push(Number(digits));
        const held = nurse.page.locator('#held');
        if (ends) check('away: it is said that it is not in the record', /Not yet in the record/.test(await held.innerText()), await held.innerText());
        ward.daemon = await ward.daemon.again();
        await ward.script.signIn('ana');
        if (round > 0) await nurse.page.evaluate(() => dispatchEvent(new Event('online'))); // once it is found out by itself
        await comes('the daemon knows nobody any more: the PIN is asked for', async () => await nurse.page.locator('.lock').count() > 0, 60000);
        await nurse.unlock();
        await comes('what was kept goes by itself', async () => await held.isHidden(), 60000);
    }
    await comes('all are in the record', async () => (await pulses(IRA)).length >= before.length + wanted.length);
    await wait(500);
    equal('each set is there exactly once', await pulses(IRA), [...before, ...wanted].sort((a, b) => a - b));
    await comes('and in the chart', async () => (await ward.script.readings(IRA)).every((one) => one.state === 'charted'));
    const inIt = (await inChart(IRA)).filter((one) => one.code.coding.some(({code}) => code === '8867-4')).map((one) => one.valueQuantity.value).sort((a, b) => a - b);
    equal('the far end counts the same', inIt, await pulses(IRA));
    await nurse.over();
}

async function pressedTwiceAndBack() {
    const nurse = await someone();
    const before = await pulses(OLE);
    await nurse.open(OLE);
    await nurse.type('heart-rate', '86');
    await nurse.page.locator('.save').dblclick();
    await nurse.lastLook().waitFor();
    await nurse.page.locator('dialog[open] .main').dblclick();
    await nurse.page.waitForFunction(() => document.body.dataset.screen === 'after');
    await nurse.page.goBack();
    await nurse.page.waitForSelector('.set');
    check('back after saving: an empty sheet, not the old one', await nurse.slot('heart-rate').inputValue() === '');
    await nurse.type('heart-rate', '8');
    await nurse.page.goBack();
    await nurse.page.goForward();
    await nurse.page.waitForSelector('.set');
    check('back and forth: what is typed is there', await nurse.slot('heart-rate').inputValue() === '8');
    await wait(600); // it is kept a moment after the last key
    await nurse.page.reload();
    await nurse.page.locator('dialog[open] .main, form.confirm .main').first().click();
    if (!await nurse.page.locator('.set').count()) await nurse.page.locator('form.confirm .main').click();
    await nurse.page.waitForSelector('.set');
    check('reload: it is there, once the patient is confirmed', await nurse.slot('heart-rate').inputValue() === '8');
    await nurse.type('heart-rate', '7');
    await nurse.saveAll();
    await nurse.page.reload();
    await nurse.page.waitForFunction(() => document.body.dataset.screen && document.body.dataset.screen !== 'waiting');
    await wait(300);
    equal('each is there once', await pulses(OLE), [...before, 86, 87].sort((a, b) => a - b));
    await nurse.over();
}

async function twoPeople() {
    const ana = await someone();
    await ana.open(NILS);
    const bea = await someone({name: 'bea'});
    await bea.open(NILS);
    await comes('bea is told of ana', async () => /ana also has a set open/.test(await bea.page.locator('.others').innerText()));
    await comes('ana is told of bea', async () => /bea also has a set open/.test(await ana.page.locator('.others').innerText()), 15000); // sooner than it asks by itself
    check('both are told', true);
    await ana.type('heart-rate', '88');
    await ana.saveAll();
    await bea.type('heart-rate', '89');
    await bea.saveAll();
    const both = (await ward.script.readings(NILS)).filter((one) => one.kind === 'heart-rate' && [88, 89].includes(one.values.value[0]));
    const there = await Promise.all(both.map(async (one) => `${one.values.value[0]} ${(await ward.script.asSent(one.id)).sent?.by}`)).then((all) => all.sort());
    equal('both sets are there, each with its own name', there, ['88 N-ana', '89 N-bea']);
    await ana.over();
    await bea.over();
}

async function hostileText() {
    const nurse = await someone();
    const long = '<b>x</b>\u202E'.repeat(1200).slice(0, 10000);
    await nurse.open(HOSTILE);
    await nurse.type('pain', '3');
    const where = nurse.row('pain').locator('textarea').first();
    await where.fill(long);
    const taken = await where.inputValue();
    await nurse.saveAll();
    await comes('it is in the record', async () => (await ward.script.readings(HOSTILE)).length === 1);
    const reading = await ward.script.asSent((await ward.script.readings(HOSTILE))[0].id);
    check('what stood there is what is kept, letter by letter', JSON.stringify(reading).includes(JSON.stringify(taken).slice(1, -1)), [taken.length, reading]);
    for (const place of ['after', 'trend', 'handover', 'round']) {
        await nurse.page.evaluate((hash) => { location.hash = hash; }, place);
        await nurse.page.waitForFunction((hash) => document.body.dataset.screen === hash, place);
        await wait(300);
        check(`${place}: a name is text`, (await nurse.page.locator('body').innerText()).toLowerCase().includes('<script>hurt=1</script>'));
        check(`${place}: nothing of it runs, nor is it markup`, await nurse.page.evaluate(() => globalThis.hurt === undefined && !document.querySelector('#screen img, #screen b, #strip img, #screen script')));
        check(`${place}: nothing is wider than the screen`, await nurse.page.evaluate(() => document.documentElement.scrollWidth <= innerWidth));
    }
    await nurse.over();
}

// ---- every screen, day and night, and on paper ----

const SCREENS = ['patients', 'set', 'after', 'trend', 'round', 'handover', 'about'];

async function everyScreen() {
    const nurse = await someone({viewport: {width: 800, height: 1280}});
    await nurse.open(ROSA);
    for (const theme of ['day', 'night'])
        for (const place of SCREENS) {
            await nurse.page.evaluate(([hash, one]) => {
                document.documentElement.dataset.theme = one;
                location.hash = hash;
            }, [place, theme]);
            await nurse.page.waitForFunction((hash) => document.body.dataset.screen === hash, place);
            await nurse.page.waitForLoadState('networkidle', {timeout: 1500}).catch(() => {});
            await axe(nurse, `${place}, ${theme}`);
            if (theme === 'day' && !['about', 'patients', 'round'].includes(place)) {
                const text = spawnSync('pdftotext', ['-layout', '-', '-'], {input: await nurse.page.pdf({format: 'A4'}), encoding: 'utf8'}).stdout;
                check(`${place} prints, with whose it is`, /ALVAREZ/i.test(text) && /10234/.test(text), text.slice(0, 300));
            }
        }
    await nurse.over();
    const root = await Nurse.at(browser, ward.wire.base, {watch});
    await root.signIn('root');
    for (const theme of ['day', 'night']) {
        await root.page.evaluate((one) => {
            document.documentElement.dataset.theme = one;
            location.hash = 'people';
        }, theme);
        await root.page.waitForFunction(() => document.body.dataset.screen === 'people');
        await root.page.waitForTimeout(300);
        await axe(root, `people, ${theme}`);
    }
    await root.over();
}

function overAll() {
    const personal = [...people.flatMap((one) => [one.identifier.value, one.family, one.given, one.birthDate]), ...Object.values(PINS), 'Nurse', 'N-ana'];
    const folded = (text) => decodeURIComponent(text).toLowerCase();
    equal('no fault and no violation of the policy on any page', faults, []);
    check('requests were seen', addresses.length > 100, addresses.length);
    equal('none leaves for elsewhere', [...new Set(addresses.filter((one) => !/^(data|blob):/.test(one)).map((one) => new URL(one).origin))], [ward.wire.base]);
    equal('nobody\'s data is in an address', [...addresses, ...ward.wire.seen.map((one) => one.path)].filter((one) => personal.some((word) => folded(one).includes(word.toLowerCase()))), []);
}

for (const does of [byKeyboard, byTouch, bySlowWire, wrongPatient, offlineAndBack, pressedTwiceAndBack, twoPeople, hostileText, everyScreen, overAll]) {
    if (pattern && !new RegExp(pattern).test(does.name)) continue;
    const [before, begun] = [counted.failed, Date.now()];
    try {
        await does();
    } catch (error) {
        check(`${does.name} ran to its end`, false, String(error.stack).slice(0, 900));
        if (process.env.WARDPOST_FORM_PICTURES)
            for (const [index, page] of browser.contexts().flatMap((one) => one.pages()).entries()) await page.screenshot({path: `${process.env.WARDPOST_FORM_PICTURES}/broken-${does.name}-${index}.png`}).catch(() => {});
    }
    ward.wire.delay = 0;
    for (const context of browser.contexts()) await context.close();
    console.log(`${counted.failed === before ? 'ok    ' : 'FAILED'} ${does.name} (${((Date.now() - begun) / 1000).toFixed(1)} s)`);
}
await browser.close();
await ward.stop();
await far.stop();
far.remove();
console.log(`${counted.passed} passed, ${counted.failed} failed`);
process.exit(counted.failed ? 1 : 0);
