// Each fault does what it says, when it says, to whom it says, and leaves the rest alone.

import assert from 'node:assert/strict';
import { connect } from 'node:net';
import { after, afterEach, before, test } from 'node:test';

import { bundleOf, FHIR, heartRate, ifNoneExist, startFarEnd, uuid } from '../testing.mjs';

let server;
before(async () => (server = await startFarEnd(['--control-port', '0', '--seed', '7'])));
afterEach(() => server.controlled('DELETE', '/faults'));
after(async () => {
  await server.stop();
  server.remove();
});

const fault = async (rule) => {
  const answer = await server.controlled('POST', '/faults', rule);
  assert.equal(answer.status, 200, answer.text);
};
const post = (name = uuid()) => server.ask('POST', '/Observation', heartRate(name), { ...FHIR, 'if-none-exist': ifNoneExist(name) });
const stored = async (name) => (await server.ask('GET', `/Observation?identifier=${name}`)).body.total;
const lastLogged = async () => (await server.controlled('GET', '/log?last=1')).body.requests[0];

for (const status of [500, 502, 503, 429, 401, 403, 404, 409, 412, 422]) {
  test(`status ${status} for the next 2, nothing stored`, async () => {
    await fault({ fault: 'status', status, next: 2 });
    const name = uuid();
    for (const expected of [status, status]) {
      const answer = await post(name);
      assert.equal(answer.status, expected);
      assert.equal(answer.body.resourceType, 'OperationOutcome');
      assert.equal(answer.headers.get('retry-after'), null);
    }
    assert.equal(await stored(name), 0);
    assert.equal((await post(name)).status, 201);
    const { body } = await server.controlled('GET', '/faults');
    assert.deepEqual(body.rules.map(({ left, struck }) => [left, struck]), [[0, 2]]);
  });
}

test('Retry-After, an own code and text', async () => {
  await fault({ fault: 'status', status: 429, retryAfter: 3, code: 'throttled', text: 'Slow down', next: 1 });
  const answer = await post();
  assert.deepEqual([answer.status, answer.headers.get('retry-after')], [429, '3']);
  assert.deepEqual(answer.body.issue, [{ severity: 'error', code: 'throttled', details: { text: 'Slow down' } }]);
});

test('skip, match by method and by path', async () => {
  await fault([
    { fault: 'status', status: 500, skip: 1, next: 1, match: { method: 'POST' } },
    { fault: 'status', status: 503, match: { path: '^metadata$' } },
  ]);
  assert.deepEqual([(await post()).status, (await post()).status, (await post()).status], [201, 500, 201]);
  assert.equal((await server.ask('GET', '/metadata')).status, 503);
  assert.equal((await server.ask('GET', '/Observation?_count=1')).status, 200);
});

test('probability: near what was asked, and the same again with the same seed', async () => {
  const pattern = async (seed) => {
    const other = await startFarEnd(['--seed', seed, '--no-validate', '--fault', '{"fault":"status","status":500,"probability":0.3}']);
    const seen = [];
    for (let i = 0; i < 200; i += 1) seen.push((await other.ask('GET', '/metadata')).status);
    await other.stop();
    other.remove();
    return seen.join();
  };
  const [one, same, different] = [await pattern('11'), await pattern('11'), await pattern('12')];
  const hits = one.split(',').filter((status) => status === '500').length;
  assert.ok(hits > 35 && hits < 90, `${hits} of 200`);
  assert.equal(one, same);
  assert.notEqual(one, different);
});

test('lose-answer: stored, and the client sees a cut connection', async () => {
  await fault({ fault: 'lose-answer', next: 1 });
  const name = uuid();
  await assert.rejects(post(name));
  assert.deepEqual([(await lastLogged()).fault, (await lastLogged()).stored], ['lose-answer', 201]);
  assert.equal(await stored(name), 1);
  assert.equal((await post(name)).status, 200, 'sending again finds it');
  assert.equal(await stored(name), 1);
});

test('drop: not stored, and the client sees a cut connection', async () => {
  await fault({ fault: 'drop', next: 1 });
  const name = uuid();
  await assert.rejects(post(name));
  assert.equal((await lastLogged()).fault, 'drop');
  assert.equal(await stored(name), 0);
});

test('slow: the answer takes its time', async () => {
  await fault({ fault: 'slow', ms: 400, next: 1 });
  const timed = async () => {
    const from = performance.now();
    assert.equal((await post()).status, 201);
    return performance.now() - from;
  };
  assert.ok((await timed()) >= 395);
  assert.ok((await timed()) < 395);
});

test('malformed, content-type, truncate: stored, and the answer is of no use', async () => {
  await fault({ fault: 'malformed', next: 1 });
  const one = uuid();
  const broken = await post(one);
  assert.deepEqual([broken.status, broken.body], [201, undefined]);
  assert.ok(broken.text.length > 0);

  await fault({ fault: 'content-type', next: 1 });
  const two = uuid();
  const page = await post(two);
  assert.equal(page.headers.get('content-type'), 'text/html');
  assert.match(page.text, /^<html>/);

  await fault({ fault: 'truncate', next: 1 });
  const three = uuid();
  await assert.rejects(post(three));

  for (const name of [one, two, three]) assert.equal(await stored(name), 1);
});

test('refuse: the Observation with that identifier, alone and among others', async () => {
  const name = uuid();
  await fault({ fault: 'refuse', status: 422, text: 'Not this one', match: { identifier: name } });
  const alone = await post(name);
  assert.equal(alone.status, 422);
  assert.equal(alone.body.issue[0].details.text, 'Not this one');
  const others = [heartRate(uuid()), heartRate(name), heartRate(uuid())];
  const batch = await server.ask('POST', '', bundleOf('batch', others));
  assert.deepEqual(batch.body.entry.map(({ response }) => response.status), ['201 Created', '422', '201 Created']);
  assert.equal(batch.body.entry[1].response.outcome.issue[0].details.text, 'Not this one');
  const fresh = [heartRate(uuid()), heartRate(name)];
  assert.equal((await server.ask('POST', '', bundleOf('transaction', fresh))).status, 422);
  assert.equal(await stored(fresh[0].identifier[0].value), 0);
});

test('refuse: one entry of a batch fails, whichever', async () => {
  await fault({ fault: 'refuse', status: 500, code: 'exception', skip: 1, next: 1 });
  const sent = bundleOf('batch', [heartRate(uuid()), heartRate(uuid()), heartRate(uuid())]);
  const statuses = async () => (await server.ask('POST', '', sent)).body.entry.map(({ response }) => response.status);
  assert.deepEqual(await statuses(), ['201 Created', '500', '201 Created']);
  assert.deepEqual(await statuses(), ['200 OK', '201 Created', '200 OK']);
});

test('down: connections are refused for that long, then all is as before', async () => {
  const name = uuid();
  assert.equal((await post(name)).status, 201);
  await fault({ fault: 'down', ms: 700 });
  await new Promise((resume) => setTimeout(resume, 150));
  const { port } = new URL(server.url);
  const refused = await new Promise((seen) => connect(port, '127.0.0.1', () => seen('connected')).once('error', ({ code }) => seen(code)));
  assert.equal(refused, 'ECONNREFUSED');
  await assert.rejects(post());
  assert.equal((await server.controlled('GET', '/status')).status, 200, 'the control port stays up');
  await new Promise((resume) => setTimeout(resume, 900));
  assert.equal((await post(name)).status, 200);
});

test('down is ended by DELETE /faults', async () => {
  await fault({ fault: 'down', ms: 60_000 });
  await new Promise((resume) => setTimeout(resume, 150));
  await assert.rejects(post());
  await server.controlled('DELETE', '/faults');
  assert.equal((await post()).status, 201);
});

test('the control paths answer what is wrong with a fault', async () => {
  for (const wrong of [{ fault: 'meteor' }, { fault: 'status' }, { fault: 'slow' }, { fault: 'drop', ms: 3 }, { fault: 'drop', probability: 2 }, { fault: 'drop', next: 'x' }, { fault: 'drop', match: { path: '(' } }, 'text', '{']) {
    const answer = await server.controlled('POST', '/faults', wrong);
    assert.equal(answer.status, 400, JSON.stringify(wrong));
    assert.ok(answer.body.error);
  }
  assert.deepEqual((await server.controlled('GET', '/faults')).body.rules, []);
  assert.equal((await server.controlled('PUT', '/faults')).status, 405);
});
