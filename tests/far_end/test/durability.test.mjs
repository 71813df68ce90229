// What was acknowledged is there after kill -9, once; a torn last line costs nothing that was told;
// damage anywhere else is not passed over. Counted by count.mjs, which shares no code with the server's store.

import assert from 'node:assert/strict';
import { appendFileSync, readFileSync, truncateSync, writeFileSync } from 'node:fs';
import { test } from 'node:test';

import { journalPath } from '../journal.mjs';
import { bundleOf, FHIR, heartRate, ifNoneExist, run, startFarEnd, uuid } from '../testing.mjs';

const count = async (place) => (await run('count.mjs', [place, '--list'])).lines[0];

/** Write until the server dies: singles, batches and transactions from several clients at once. */
async function load(server, acknowledged) {
  const single = async () => {
    const name = uuid();
    const { status } = await server.ask('POST', '/Observation', heartRate(name), { ...FHIR, 'if-none-exist': ifNoneExist(name) });
    if (status === 201) acknowledged.push(name);
  };
  const bundle = (type) => async () => {
    const names = Array.from({ length: 10 }, uuid);
    const { body } = await server.ask('POST', '', bundleOf(type, names.map((name) => heartRate(name))));
    body.entry.forEach(({ response }, i) => response.status.startsWith('201') && acknowledged.push(names[i]));
  };
  const client = async (work) => {
    for (;;) await work();
  };
  await Promise.allSettled([single, single, bundle('batch'), bundle('transaction')].map(client));
}

test('kill -9 under load, 5 times: every acknowledged one is there once', async () => {
  const acknowledged = [];
  let server = await startFarEnd(['--no-validate']);
  for (let round = 0; round < 5; round += 1) {
    const loading = load(server, acknowledged);
    await new Promise((resume) => setTimeout(resume, 200 + 70 * round));
    assert.equal(await server.kill(), 'SIGKILL');
    await loading;
    server = await startFarEnd(['--no-validate'], { data: server.data });
  }
  const [asked, read] = [await count(server.url), await count(server.data)];
  await server.stop();
  assert.ok(acknowledged.length > 100, `${acknowledged.length} acknowledged`);
  for (const counted of [asked, read]) {
    const there = new Set(counted.list);
    assert.deepEqual(acknowledged.filter((name) => !there.has(`urn:ietf:rfc:3986|${name}`)), []);
    assert.deepEqual(counted.duplicates, []);
  }
  assert.deepEqual(asked.list.sort(), read.list.sort());
  // A transaction is whole or not there: batches and singles aside, each line of the journal is one commit.
  const commits = readFileSync(journalPath(server.data), 'utf8').trim().split('\n').map((line) => JSON.parse(line));
  assert.deepEqual([...new Set(commits.map(({ length }) => length))].sort((a, b) => a - b), [1, 10]);
  server.remove();
});

test('a torn last line is cut off, the rest stays, and writing goes on', async () => {
  const first = await startFarEnd();
  const names = [uuid(), uuid(), uuid()];
  for (const name of names) assert.equal((await first.ask('POST', '/Observation', heartRate(name))).status, 201);
  await first.stop();
  const path = journalPath(first.data);
  const whole = readFileSync(path, 'utf8');
  truncateSync(path, whole.length - 40);
  const second = await startFarEnd([], { data: first.data });
  assert.equal(second.resources, 2);
  assert.equal((await second.ask('POST', '/Observation', heartRate(names[2]))).status, 201);
  await second.stop();
  assert.deepEqual((await count(first.data)).list.map((name) => name.split('|')[1]).sort(), [...names].sort());

  // A line that lost its newline alone is whole.
  const text = readFileSync(path, 'utf8');
  writeFileSync(path, text.trimEnd());
  const third = await startFarEnd([], { data: first.data });
  assert.equal(third.resources, 3);
  assert.equal((await third.ask('POST', '/Observation', heartRate(uuid()))).status, 201);
  await third.stop();
  assert.equal((await count(first.data)).resources, 4);
  first.remove();
});

test('damage in the middle stops the start', async () => {
  const server = await startFarEnd();
  await server.ask('POST', '/Observation', heartRate(uuid()));
  await server.stop();
  appendFileSync(journalPath(server.data), '{"half\n[{"delete":"Observation/x"}]\n');
  const { code, errors } = await run('server.mjs', ['--data', server.data]);
  assert.notEqual(code, 0);
  assert.match(errors, /line 2 is damaged and is not the last/);
  server.remove();
});

test('versions, deletions and order survive a restart', async () => {
  const first = await startFarEnd();
  const made = (await first.ask('POST', '/Observation', heartRate(uuid()))).body;
  const path = `/Observation/${made.id}`;
  await first.ask('PUT', path, { ...made, status: 'amended' });
  const gone = (await first.ask('POST', '/Observation', heartRate(uuid()))).body;
  await first.ask('DELETE', `/Observation/${gone.id}`);
  const before = (await first.ask('GET', path)).body;
  await first.stop();
  const second = await startFarEnd([], { data: first.data });
  assert.deepEqual((await second.ask('GET', path)).body, before);
  assert.equal((await second.ask('GET', `${path}/_history/1`)).body.status, 'final');
  assert.equal((await second.ask('GET', `/Observation/${gone.id}`)).status, 410);
  await second.stop();
  first.remove();
});

test('count.mjs: both ways see duplicates and what has no identifier, over several pages', async () => {
  const server = await startFarEnd(['--no-validate']);
  const name = uuid();
  const { identifier: _, ...nameless } = heartRate(uuid());
  const many = Array.from({ length: 1100 }, () => heartRate(uuid()));
  await server.ask('POST', '', bundleOf('batch', many));
  for (const one of [heartRate(name), heartRate(name), nameless]) await server.ask('POST', '/Observation', one);
  for (const place of [server.url, server.data]) {
    const { code, lines } = await run('count.mjs', [place]);
    assert.equal(code, 1);
    const { resources, identifiers, withoutIdentifier, duplicates } = lines[0];
    assert.deepEqual([resources, identifiers, withoutIdentifier], [1103, 1101, 1]);
    assert.deepEqual(duplicates.map(({ identifier, ids }) => [identifier, ids.length]), [[`urn:ietf:rfc:3986|${name}`, 2]]);
  }
  await server.stop();
  server.remove();
});

test('a client that knows FHIR (fhir-kit-client) creates, reads, searches and is refused', async () => {
  const { part } = await import('../parts.mjs');
  const { Client } = await part('fhir-kit-client');
  const server = await startFarEnd();
  const client = new Client({ baseUrl: server.url });
  const statement = await client.capabilityStatement();
  assert.equal(statement.fhirVersion, '4.0.1');
  const name = uuid();
  const made = await client.create({ resourceType: 'Observation', body: heartRate(name) });
  assert.deepEqual(await client.read({ resourceType: 'Observation', id: made.id }), made);
  const found = await client.search({ resourceType: 'Observation', searchParams: { identifier: `urn:ietf:rfc:3986|${name}` } });
  assert.deepEqual(found.entry.map(({ resource }) => resource.id), [made.id]);
  const sent = await client.transaction({ body: bundleOf('transaction', [heartRate(uuid())]) });
  assert.equal(sent.entry[0].response.status, '201 Created');
  await assert.rejects(client.create({ resourceType: 'Observation', body: heartRate(uuid(), { status: 'done' }) }), ({ response }) => {
    assert.equal(response.status, 422);
    assert.equal(response.data.issue[0].expression[0], 'Observation.status');
    return true;
  });
  await server.stop();
  server.remove();
});
