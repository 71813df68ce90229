// core.mjs BUILD_DIR - the pure core of the form: decimals, vectors, scores, scans, when a set is due, the seeded slips, and some thousands
// of invented sets compared with a wardpostd of its own on loopback.
import {readFileSync} from 'node:fs';
import {fileURLToPath} from 'node:url';
import {tableOf} from '../../daemon/web/form/table.js';
import {checkBits} from './bits.mjs';
import {checkParity} from './parity.mjs';
import {checkScans} from './scans.mjs';
import {checkScoring} from './scoring.mjs';
import {checkSlips} from './slips.mjs';
import {Count, daemonOf} from './support.mjs';
import {checkVectors} from './vectors.mjs';

const root = fileURLToPath(new URL('../..', import.meta.url));
const [build] = process.argv.slice(2);

if (!build) {
    console.error(readFileSync(new URL('core', import.meta.url), 'utf8').split('\n')[1].slice(2));
    process.exit(64);
}

const count = new Count();
const daemon = await daemonOf(build);

try {
    const table = tableOf(await daemon.get('/v1/kinds'));

    checkBits(table, count.check);
    checkVectors(table, `${root}/mappings`, count.check);
    checkScoring(table, count.check);
    checkScans(count.check);
    checkSlips(table, count.check);
    await checkParity(daemon, table, count.check);
} finally {
    await daemon.stop();
}
console.log(`${count.passed} passed, ${count.failed} failed`);
process.exitCode = count.failed ? 1 : 0;
