// form.mjs BUILD_DIR [--quick] - measures what issue-level figures are asked of the bedside form, in a real browser before a running daemon,
// and prints a table. Not a test: it says what it saw.
//
// Actions are real events counted in the page: a press of a key, a tap; the scanner's own keys are not counted, the scan is one action.
// The operator is arithmetic over the same run: 0.4 s an action and 1.2 s a field; what the page itself took is measured beside it.
// The network and the processor are slowed by the browser: 4 times slower, 1.6 Mbit/s down, 0.75 Mbit/s up, 150 ms latency.
import os from 'node:os';

process.env.PW_EXPERIMENTAL_SERVICE_WORKER_NETWORK_EVENTS = '1'; // what the service worker fetches is counted too
const {Nurse, comes, known, openBrowser, startWard, wait} = await import('../form/ward.mjs');

const build = process.argv[2];
if (!build) {
    console.error('usage: form BUILD_DIR [--quick]');
    process.exit(64);
}
const RUNS = process.argv.includes('--quick') ? 1 : 5;
const SLOW = {offline: false, latency: 150, downloadThroughput: 1.6e6 / 8, uploadThroughput: 0.75e6 / 8};
const ROSA = known('WP-10234', 'Alvarez', 'Rosa', '1951-03-14', 'female');
const median = (list) => [...list].sort((a, b) => a - b)[Math.floor(list.length / 2)];
const rows = [];
const row = (what, seen, asked, is) => rows.push([what, seen, asked, is === undefined ? '' : is ? 'yes' : 'NO']);

const ward = await startWard({build, patients: [ROSA]});
const base = ward.daemon.base; // no wire in between: what is measured is the daemon's
const browser = await openBrowser();

// ---- a set of plain numbers ----

// Counts in the page; a key of the scanner is one that comes while `scanning` is set.
const countActions = (page) => page.addInitScript(() => {
    globalThis.seen = {actions: 0, fields: new Set(), scanning: false};
    const count = (event) => {
        if (!event.isTrusted || seen.scanning) return;
        seen.actions++;
    };
    addEventListener('keydown', count, true);
    addEventListener('click', (event) => event.detail > 0 && count(event), true);
});

async function plainSet() {
    const nurse = await Nurse.at(browser, base, {watch: countActions, hasTouch: true});
    await nurse.signIn();
    await nurse.page.evaluate(() => { location.hash = '#patients'; });
    await nurse.page.waitForSelector('.scan');
    await nurse.page.evaluate(() => Object.assign(seen, {actions: 1, scanning: true})); // the scan
    const begun = Date.now();
    await nurse.scan(ROSA.identifier.value);
    await nurse.page.waitForSelector('form.confirm');
    await nurse.page.evaluate(() => { seen.scanning = false; });
    const tap = (selector) => nurse.page.locator(selector).first().click();
    const digits = async (text) => {
        for (const key of text) await tap(`.key[data-key="${key}"]`);
    };
    await tap('form.confirm .main');
    await nurse.page.waitForSelector('.pad:not(.idle)');
    await digits('0');
    await tap('.key-next');
    await digits('97');
    await tap('[data-kind=oxygen-saturation] .chip[data-word=room-air]');
    await digits('36.8');
    await tap('[data-kind=body-temperature] .chip[data-word=oral]');
    await digits('72');
    await tap('.key-next');
    await digits('16');
    await tap('.key-next');
    await digits('124');
    await tap('.key-next');
    await digits('78');
    await tap('[data-kind=consciousness] .chip[data-word=alert]');
    await tap('.save');
    await tap('dialog[open] .main');
    await nurse.page.waitForFunction(() => document.body.dataset.screen === 'after');
    const took = Date.now() - begun;
    const actions = await nurse.page.evaluate(() => seen.actions);
    await comes('the set', async () => (await ward.script.readings(ROSA)).length === 7);
    await nurse.over();
    return {actions, took, fields: 8}; // pain, saturation, temperature, pulse, respirations, systolic, diastolic, consciousness
}

// ---- the start ----

async function slowed(page) {
    const cdp = await page.context().newCDPSession(page);
    await cdp.send('Network.enable');
    await cdp.send('Network.emulateNetworkConditions', SLOW);
    await cdp.send('Emulation.setCPUThrottlingRate', {rate: 4});
    return cdp;
}

// What moves and what blocks, from the first moment; and when the first field stands there and takes a key.
const watchStart = (page) => page.addInitScript(() => {
    globalThis.start = {shift: 0, blocked: 0, field: null};
    new PerformanceObserver((list) => list.getEntries().forEach((one) => { if (!one.hadRecentInput) start.shift += one.value; })).observe({type: 'layout-shift', buffered: true});
    new PerformanceObserver((list) => list.getEntries().forEach((one) => { start.blocked += Math.max(0, one.duration - 50); })).observe({type: 'longtask', buffered: true});
    const look = () => {
        const field = document.querySelector('.pinform input, form.find input, .set .figures');
        if (field && !field.disabled && field.getBoundingClientRect().height > 0) start.field ??= performance.now();
        else requestAnimationFrame(look);
    };
    look();
});

async function aStart(kind) { // 'cold': nothing is here; 'warm': the service worker has the form
    const context = await browser.newContext({viewport: {width: 800, height: 1280}});
    let page = await context.newPage();
    if (kind === 'warm') {
        await page.goto(base);
        await page.evaluate(() => navigator.serviceWorker.ready);
        await comes('the copy', () => page.evaluate(async () => (await caches.keys()).length === 1 && (await (await caches.open((await caches.keys())[0])).keys()).length >= 10));
        await page.close();
        page = await context.newPage();
    }
    await slowed(page);
    await watchStart(page);
    await page.goto(base);
    await page.waitForFunction(() => start.field !== null);
    await page.waitForLoadState('networkidle');
    await wait(500);
    const seen = await page.evaluate(() => start);
    await context.close();
    return seen;
}

// Bytes as they come over the wire: bodies, compressed; headers apart. Whose end lay before the first field was there; what the sheet
// of a set needs (the scripts and words that look back come behind it, needed or not); and what the service worker keeps for the next time.
const BEHIND = /later/;

async function coldBytes() {
    const context = await browser.newContext({viewport: {width: 800, height: 1280}});
    const kept = [];
    context.on('requestfinished', (request) => request.serviceWorker() && kept.push(request.sizes().then((one) => ({all: one.responseBodySize + one.responseHeadersSize, headers: one.responseHeadersSize}))));
    const page = await context.newPage();
    const cdp = await context.newCDPSession(page);
    const parts = new Map(); // by request
    await cdp.send('Network.enable');
    cdp.on('Network.requestWillBeSent', ({requestId, request, wallTime, timestamp}) => parts.set(requestId, {path: new URL(request.url).pathname, all: 0, headers: 0, offset: wallTime - timestamp}));
    cdp.on('Network.responseReceivedExtraInfo', ({requestId, headersText, headers}) => {
        const part = parts.get(requestId);
        if (part) part.headers = headersText?.length ?? Object.entries(headers).reduce((sum, [name, value]) => sum + name.length + String(value).length + 4, 19);
    });
    cdp.on('Network.loadingFinished', ({requestId, encodedDataLength, timestamp}) => {
        const part = parts.get(requestId);
        if (part) Object.assign(part, {all: encodedDataLength, ended: (timestamp + part.offset) * 1000});
    });
    await watchStart(page);
    const nurse = new Nurse(page);
    await page.goto(base);
    await page.waitForFunction(() => start.field !== null);
    const field = await page.evaluate(() => performance.timeOrigin + start.field);
    await nurse.signIn();
    await nurse.open(ROSA);
    const all = [...parts.values()].filter((one) => one.all);
    await comes('the copy on the device', () => page.evaluate(async () => (await caches.keys()).length === 1 && (await (await caches.open((await caches.keys())[0])).keys()).length >= 10));
    const copy = await Promise.all(kept);
    await context.close();
    return {list: all, first: all.filter((one) => one.ended <= field), needed: all.filter((one) => !BEHIND.test(one.path)), copy};
}

// How much of a processor this run gets: on a busy machine the times below are longer than they would be.
function share() {
    const [begun, cpu] = [performance.now(), process.cpuUsage()];
    while (process.cpuUsage(cpu).user < 300000) Math.sqrt(performance.now());
    return 300 / (performance.now() - begun);
}

const bodies = (list) => list.reduce((sum, one) => sum + one.all - Math.min(one.headers, one.all), 0);
const kB = (bytes) => `${(bytes / 1000).toFixed(1)} kB`;
const sizes = (list) => `${kB(bodies(list))} + headers ${kB(list.reduce((sum, one) => sum + Math.min(one.headers, one.all), 0))}`;

try {
    const bytes = await coldBytes(); // first: nothing is in the record yet
    const set = await plainSet();
    row('keystrokes + taps, identity to saved', `${set.actions}`, '35', set.actions <= 35);
    const operator = set.actions * 0.4 + set.fields * 1.2;
    row('scripted operator (arithmetic)', `${operator.toFixed(1)} s (${set.actions} x 0.4 s + ${set.fields} fields x 1.2 s)`, '35 s', operator <= 35);
    row('  the page itself, beside it', `${(set.took / 1000).toFixed(2)} s for all of it, driven without a pause`, '');

    row('bytes, cold start to the sheet', sizes(bytes.needed), '70 kB', bodies(bytes.needed) <= 70000);
    row('  of them until the first field', sizes(bytes.first), '');
    for (const one of [...bytes.needed].sort((a, b) => b.all - a.all).slice(0, 8)) row(`    ${one.path}`, sizes([one]), '');
    row('  what comes behind, unasked', sizes(bytes.list.filter((one) => BEHIND.test(one.path))), '');
    row('  kept by the service worker for the next time', `${sizes(bytes.copy)}, ${bytes.copy.length} requests`, '');

    row('this machine', `load ${os.loadavg()[0].toFixed(1)} on ${os.cpus().length} processors; a busy loop gets ${Math.round(100 * share())} % of one`, '');
    const runs = {cold: [], warm: []};
    for (let i = 0; i < RUNS; i++) for (const kind of ['cold', 'warm']) runs[kind].push(await aStart(kind));
    for (const [kind, asked] of [['cold', 1000], ['warm', 300]]) {
        const seen = median(runs[kind].map((one) => one.field));
        row(`first field usable, ${kind}, 4x slower, 3G-like`, `${Math.round(seen)} ms (${runs[kind].map((one) => Math.round(one.field)).sort((a, b) => a - b).join(', ')})`, `${asked} ms`, seen <= asked);
    }
    for (const kind of ['cold', 'warm']) {
        const [shift, blocked] = ['shift', 'blocked'].map((what) => median(runs[kind].map((one) => one[what])));
        row(`layout shift, ${kind}`, shift.toFixed(4), '0.02', shift <= 0.02);
        row(`blocking time, ${kind}, 4x slower`, `${Math.round(blocked)} ms`, '50 ms', blocked <= 50);
    }
} finally { // what was seen before an interruption is said too
    await browser.close();
    await ward.stop();
    console.log(`${'what'.padEnd(48)} ${'seen'.padEnd(64)} ${'at most'.padEnd(8)} held`);
    for (const [what, seen, asked, is] of rows) console.log(`${what.padEnd(48)} ${seen.padEnd(64)} ${asked.padEnd(8)} ${is}`.trimEnd());
}
process.exit(0);
