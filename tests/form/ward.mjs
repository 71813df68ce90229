// ward.mjs - a ward for the tests that go the whole way: a daemon (with a far end, where one is asked for) behind a wire, accounts, known
// patients; and a person before the form who does what hands do. Names, numbers and PINs are invented.
import {startBrowser, startDaemon} from './bedside.mjs';
import {startWire} from './wire.mjs';

export const SYSTEM = 'https://clinic.example/mrn';
export const PINS = {root: '731946', ana: '480251', bea: '480363'};
export const wait = (ms) => new Promise((done) => setTimeout(done, ms));
export const known = (value, family, given, birthDate, gender, more = {}) =>
    ({identifier: {system: SYSTEM, value}, family, given, birthDate, gender, ward: 'North', bed: '2', active: true, ...more});

export async function comes(what, is, ms = 30000) {
    const end = Date.now() + ms;
    while (Date.now() < end) {
        if (await is()) return true;
        await wait(25);
    }
    throw new Error(`waited in vain: ${what}`);
}

// A script with a session of its own; after a restart of the daemon it is the same one.
export class Script {
    cookie = '';
    csrf = '';
    constructor(base) {
        this.base = base;
    }

    async post(where, body, type = 'application/json') {
        const answer = await fetch(this.base + where, {method: 'POST', body: typeof body === 'object' ? JSON.stringify(body) : body,
            headers: {'Content-Type': type, Origin: this.base, ...(this.cookie ? {Cookie: this.cookie, 'Wardpost-Csrf': this.csrf} : {})}});
        this.cookie = answer.headers.get('set-cookie')?.split(';')[0] ?? this.cookie;
        const text = await answer.text();
        const json = /json\b/.test(answer.headers.get('content-type')?.replace('ndjson', '') ?? '') && text ? JSON.parse(text) : {text};
        this.csrf = json.csrf ?? this.csrf;
        return {status: answer.status, json};
    }

    async must(where, body, type) {
        const answer = await this.post(where, body, type);
        if (answer.status >= 300) throw new Error(`${where}: ${JSON.stringify(answer).slice(0, 600)}`);
        return answer.json;
    }

    async asSent(id) {
        return (await fetch(`${this.base}/v1/readings/${id}`, {headers: {Cookie: this.cookie}})).json();
    }

    signIn = (name) => this.must('/v1/session', {name, pin: PINS[name]});
    readings = async (patient) => (await this.must('/v1/readings/_search', {patient: patient.identifier, count: 500})).readings.filter((one) => one.role !== 'score');
}

// {daemon, wire, script, stop()}; `script` is signed in as ana, a nurse. `patients` are known.
export async function startWard({build, patients, sections = ''}) {
    const daemon = await startDaemon({build, sections: `patients { system = "${SYSTEM}" }\n${sections}`});
    const wire = await startWire(daemon.base);
    const root = new Script(daemon.base);
    const code = () => daemon.output().match(/\b([A-Z0-9]{4}(?:-[A-Z0-9]{4})+)\b/)?.[1];
    await comes('the code', code);
    await root.must('/v1/session/_enrol', {code: code(), name: 'root', practitioner: 'N-root', display: 'Ines Admin', pin: PINS.root});
    for (const name of ['ana', 'bea']) {
        const {pin} = await root.must('/v1/users', {name, display: `Nurse ${name}`, practitioner: `N-${name}`, role: 'nurse'});
        const own = new Script(daemon.base);
        await own.must('/v1/session', {name, pin});
        await own.must('/v1/session/_pin', {pin, fresh: PINS[name]});
        await own.must('/v1/session/_end');
    }
    await root.must('/v1/patients', patients.map((one) => JSON.stringify(one)).join('\n'), 'application/x-ndjson');
    const script = new Script(daemon.base);
    await script.signIn('ana');
    const ward = {daemon, wire, root, script, async stop() {
        wire.stop();
        await ward.daemon.stop();
    }};
    return ward;
}

export const openBrowser = startBrowser;

// ---- a person before the form ----

export class Nurse {
    constructor(page) {
        this.page = page;
    }

    // `watch(page)` is called before anything is loaded.
    static async at(browser, base, {watch = () => {}, ...given} = {}) {
        const context = await browser.newContext({viewport: {width: 1280, height: 800}, reducedMotion: 'reduce', ...given});
        context.setDefaultTimeout(30000);
        const page = await context.newPage();
        await watch(page, context);
        await page.goto(base);
        return new Nurse(page);
    }

    row = (kind) => this.page.locator(`.sign[data-kind="${kind}"]`);
    slot = (kind, name = 'value') => this.row(kind).locator(`[data-slot="${name}"]`);
    chip = (kind, word) => this.row(kind).locator(`.chip[data-word="${word}"]`).first();
    notice = () => this.page.locator('#notice').innerText();
    over = () => this.page.context().close();

    async signIn(name = 'ana') {
        await this.page.locator('.pinform input').first().fill(name);
        await this.page.locator('.pinform input[type=password]').fill(PINS[name]);
        await this.page.locator('.pinform button[type=submit]').click();
        await this.page.waitForFunction(() => !document.querySelector('.pinform') && document.body.dataset.screen !== 'waiting');
    }

    async unlock(name = 'ana') {
        await this.page.locator('.lock').waitFor();
        await this.page.locator('.lock input[type=password]').fill(PINS[name]);
        await this.page.locator('.lock button[type=submit]').click();
        await this.page.locator('.lock').waitFor({state: 'detached'});
    }

    // A scanner that types: 8 ms between characters, Enter behind them; however busy this machine is.
    async scan(band) {
        const wires = this.wires ??= await this.page.context().newCDPSession(this.page);
        const from = Date.now() / 1000;
        await Promise.all([...band, 'Enter'].map((key, index) => wires.send('Input.dispatchKeyEvent', {timestamp: from + index * 0.008,
            ...(key === 'Enter' ? {type: 'keyDown', key, code: key, text: '\r', windowsVirtualKeyCode: 13} : {type: 'keyDown', key, text: key})})));
    }

    async open(patient) {
        if (await this.page.locator('#strip button').isVisible()) await this.page.locator('#strip button').click(); // another patient
        else await this.page.evaluate(() => { location.hash = '#patients'; });
        await this.page.waitForSelector('.scan');
        await this.scan(patient.identifier.value);
        await this.page.locator('form.confirm .main').click();
        await this.page.waitForSelector('.set');
    }

    async type(kind, digits, part) {
        await this.slot(kind, part).focus();
        await this.page.keyboard.type(digits);
    }

    save = () => this.page.locator('.save').click();
    lastLook = () => this.page.locator('dialog[open] .last-look');
    async saveAll() {
        await this.save();
        await this.lastLook().waitFor();
        await this.page.locator('dialog[open] .main').click();
        await this.page.waitForFunction(() => document.body.dataset.screen === 'after');
    }

    // Until the focus is there, by the key alone.
    async tabTo(selector, most = 80) {
        for (let i = 0; i < most; i++) {
            if (await this.page.evaluate((one) => document.activeElement?.matches(one), selector)) return;
            await this.page.keyboard.press('Tab');
        }
        throw new Error(`the tab key does not come to ${selector}`);
    }
}
