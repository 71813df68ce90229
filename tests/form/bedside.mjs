// bedside.mjs - a wardpostd of our own on loopback and a browser before it, for the tests of the form. Ends what it began.
import {spawn, spawnSync} from 'node:child_process';
import {mkdtempSync, rmSync, writeFileSync} from 'node:fs';
import {createRequire} from 'node:module';
import {tmpdir} from 'node:os';
import path from 'node:path';
import {fileURLToPath} from 'node:url';

const here = path.dirname(fileURLToPath(import.meta.url));
export const root = path.resolve(here, '../..');
export const modules = process.env.WARDPOST_FORM_MODULES ?? path.join(root, 'build/form-node');
export const requireThere = createRequire(path.join(modules, 'package.json'));

const running = new Set();
const folders = new Set();

function folder() {
    const made = mkdtempSync(path.join(tmpdir(), 'wardpost-form-'));
    folders.add(made);
    return made;
}

export function endAll() {
    for (const child of running) child.kill('SIGKILL');
    for (const made of folders) rmSync(made, {recursive: true, force: true});
}
process.on('exit', endAll);
for (const signal of ['SIGINT', 'SIGTERM']) process.on(signal, () => process.exit(1));

const lineOf = (text, pattern) => text.match(pattern)?.[1] ?? null;

// A daemon on a port of its own. `sections` is text of wardpost.conf beside what stands below.
//   .base "http://127.0.0.1:PORT"   .log()   .output()   .stop()   .kill()   .again() starts it on the same store and port
export async function startDaemon({build, sections = '', demo = false, home = folder(), port = 0}) {
    const conf = path.join(home, 'wardpost.conf');
    writeFileSync(conf, `intake { listen = "127.0.0.1:${port}" }\nstore { path = "${home}/store.db" }\n` +
        `access { clients = "${home}/clients.json" users = "${home}/users.json" }\n` +
        `mapping { table = "${root}/mappings" }\n${sections}`);
    const child = spawn(path.join(build, 'wardpostd'), ['--config', conf, ...(demo ? ['--demo'] : [])], {stdio: ['ignore', 'pipe', 'pipe']});
    let log = '', output = '';
    running.add(child);
    child.stderr.on('data', (piece) => { log += piece; });
    child.stdout.on('data', (piece) => { output += piece; });
    const ended = new Promise((done) => child.on('exit', () => {
        running.delete(child);
        done();
    }));
    const until = Date.now() + 10000;
    let base = null;
    while (!base && Date.now() < until && child.exitCode === null) {
        await new Promise((done) => setTimeout(done, 20));
        base = lineOf(log, /listens on (https?:\/\/[^\s]+)/);
    }
    if (!base) throw new Error(`wardpostd did not start: ${log}`);
    return {
        base, home, child, log: () => log, output: () => output,
        async stop() { child.kill('SIGTERM'); await ended; },
        async kill() { child.kill('SIGKILL'); await ended; },
        again: () => startDaemon({build, sections, demo, home, port: Number(new URL(base).port)}),
    };
}

// `wardpost ...`: {code, out, err}
export function tool(build, args, input = '') {
    const done = spawnSync(path.join(build, 'wardpost'), args, {input, encoding: 'utf8', timeout: 20000});
    return {code: done.status, out: done.stdout, err: done.stderr};
}

// Debian's browser. Without the switches it would look up hosts elsewhere at every start.
export async function startBrowser(options = {}) {
    const {chromium} = requireThere('playwright-core');
    return chromium.launch({
        executablePath: process.env.WARDPOST_CHROMIUM ?? '/usr/bin/chromium',
        args: ['--no-sandbox', '--disable-gpu', '--disable-quic', '--no-first-run', '--disable-background-networking', '--disable-component-update', '--disable-sync'],
        ...options,
    });
}
