// The REST interface: what R4 http.html and search.html ask of a server, and the switches that take things away.

import assert from 'node:assert/strict';
import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { after, before, describe, test } from 'node:test';
import { gzipSync } from 'node:zlib';

import { Fhir } from '../fhir.mjs';
import { Store } from '../store.mjs';
import { bundleOf, FHIR, heartRate, ifNoneExist, startFarEnd, uuid } from '../testing.mjs';
import { validate } from '../validate.mjs';

const conditional = (identifier) => ({ ...FHIR, 'if-none-exist': ifNoneExist(identifier) });
const patient = (id, changes = {}) => ({ resourceType: 'Patient', id, identifier: [{ system: 'https://clinic.example/mrn', value: `WP-${id}` }], name: [{ family: 'Demo', given: ['Dora'] }], birthDate: '1951-03-14', ...changes });
const statuses = (bundle) => bundle.entry.map(({ response }) => response.status);

/** A far end for the tests of one block. */
function farEndFor(...switches) {
  const holder = {};
  before(async () => Object.assign(holder, await startFarEnd(switches)));
  after(async () => {
    await holder.stop();
    holder.remove();
  });
  return holder;
}

describe('single resources', () => {
  const server = farEndFor();

  test('create: 201, Location, ETag, Last-Modified, and an id from the server', async () => {
    const made = await server.ask('POST', '/Observation', { ...heartRate(uuid()), id: 'mine' });
    assert.equal(made.status, 201);
    assert.notEqual(made.body.id, 'mine');
    assert.equal(made.headers.get('location'), `${server.url}/Observation/${made.body.id}/_history/1`);
    assert.equal(made.headers.get('etag'), 'W/"1"');
    assert.ok(Date.parse(made.headers.get('last-modified')) > Date.now() - 60_000);
    assert.match(made.headers.get('content-type'), /^application\/fhir\+json/);
    const read = await server.ask('GET', `/Observation/${made.body.id}`);
    assert.equal(read.status, 200);
    assert.deepEqual(read.body, made.body);
  });

  test('conditional create: 201 once, then 200 with the same id; 412 when two have it', async () => {
    const name = uuid();
    const first = await server.ask('POST', '/Observation', heartRate(name), conditional(name));
    const second = await server.ask('POST', '/Observation', heartRate(name), conditional(name));
    assert.deepEqual([first.status, second.status], [201, 200]);
    assert.equal(second.headers.get('location'), first.headers.get('location'));
    await server.ask('POST', '/Observation', heartRate(name));
    const third = await server.ask('POST', '/Observation', heartRate(name), conditional(name));
    assert.equal(third.status, 412);
    assert.equal(third.body.issue[0].code, 'multiple-matches');
    const { body } = await server.controlled('GET', '/duplicates');
    assert.deepEqual(body.duplicates.map(({ identifier, ids }) => [identifier, ids.length]), [[`urn:ietf:rfc:3986|${name}`, 2]]);
  });

  test('conditional create: 50 at once make one', async () => {
    const name = uuid();
    const answers = await Promise.all(Array.from({ length: 50 }, () => server.ask('POST', '/Observation', heartRate(name), conditional(name))));
    assert.equal(answers.filter(({ status }) => status === 201).length, 1);
    assert.equal(answers.filter(({ status }) => status === 200).length, 49);
    assert.equal(new Set(answers.map(({ body }) => body.id)).size, 1);
  });

  test('conditional create: two in the same instant make one', async () => {
    // Over HTTP two requests hardly ever meet inside the engine; called directly they always do.
    const data = mkdtempSync(join(tmpdir(), 'far_end-'));
    const store = await Store.open(data);
    const fhir = new Fhir(store, () => {}, { baseUrl: 'http://far.example/fhir', conditionalCreate: true });
    const name = uuid();
    const create = () => fhir.answer({ method: 'POST', path: 'Observation', query: new URLSearchParams(), headers: { 'if-none-exist': ifNoneExist(name) }, body: heartRate(name) });
    const answers = await Promise.all([create(), create(), create()]);
    assert.deepEqual(answers.map(({ status }) => status), [201, 200, 200]);
    await store.close();
    rmSync(data, { recursive: true });
  });

  test('conditional create: a condition that cannot be met safely is refused, not ignored', async () => {
    for (const condition of ['', 'identifier=', 'identifer=x', 'Observation?identifier=x', 'value-quantity=1']) {
      const answer = await server.ask('POST', '/Observation', heartRate(uuid()), { ...FHIR, 'if-none-exist': condition });
      // An empty header is no header.
      assert.equal(answer.status, condition === '' ? 201 : 400, `${condition}: ${answer.text}`);
    }
  });

  test('identifiers match by case and by system', async () => {
    const name = uuid().toLowerCase();
    await server.ask('POST', '/Observation', heartRate(name));
    const total = async (query) => (await server.ask('GET', `/Observation?identifier=${encodeURIComponent(query)}`)).body.total;
    assert.equal(await total(`urn:ietf:rfc:3986|${name}`), 1);
    assert.equal(await total(name), 1);
    assert.equal(await total(`urn:ietf:rfc:3986|${name.toUpperCase()}`), 0);
    assert.equal(await total(`urn:other|${name}`), 0);
    assert.equal(await total(`|${name}`), 0);
    assert.equal(await total(`${name.toUpperCase()},urn:demo:none`), 0);
  });

  test('update as create: 201, then 200 with the next version; vread and history', async () => {
    const id = uuid().slice(9);
    const body = { ...heartRate(uuid()), id };
    const first = await server.ask('PUT', `/Observation/${id}`, body);
    const second = await server.ask('PUT', `/Observation/${id}`, { ...body, status: 'corrected' });
    assert.deepEqual([first.status, second.status], [201, 200]);
    assert.deepEqual([first.headers.get('etag'), second.headers.get('etag')], ['W/"1"', 'W/"2"']);
    assert.equal((await server.ask('GET', `/Observation/${id}/_history/1`)).body.status, 'final');
    assert.equal((await server.ask('GET', `/Observation/${id}/_history/2`)).body.status, 'corrected');
    assert.equal((await server.ask('GET', `/Observation/${id}/_history/3`)).status, 404);
    assert.equal((await server.ask('GET', `/Observation/${id}/_history`)).body.total, 2);
  });

  test('update: If-Match, ids that differ or are none', async () => {
    const id = uuid().slice(9);
    const body = { ...heartRate(uuid()), id };
    const put = (match, sent = body) => server.ask('PUT', `/Observation/${id}`, sent, match ? { ...FHIR, 'if-match': match } : FHIR);
    assert.equal((await put('W/"1"')).status, 404);
    assert.equal((await put()).status, 201);
    assert.equal((await put('W/"2"')).status, 412);
    assert.equal((await put('W/"1"')).status, 200);
    assert.equal((await put(undefined, { ...body, id: 'other' })).status, 400);
    assert.equal((await server.ask('PUT', '/Observation/a_b', { ...body, id: 'a_b' })).status, 400);
  });

  test('patch, delete, gone, and back', async () => {
    const made = await server.ask('POST', '/Observation', heartRate(uuid()));
    const path = `/Observation/${made.body.id}`;
    const patched = await server.ask('PATCH', path, [{ op: 'replace', path: '/status', value: 'amended' }], { 'content-type': 'application/json-patch+json' });
    assert.deepEqual([patched.status, patched.body.status, patched.body.meta.versionId], [200, 'amended', '2']);
    assert.equal((await server.ask('DELETE', path)).status, 200);
    assert.equal((await server.ask('GET', path)).status, 410);
    assert.equal((await server.ask('GET', `/Observation?_id=${made.body.id}`)).body.total, 0);
    assert.equal((await server.ask('PUT', path, { ...made.body })).status, 201);
    assert.equal((await server.ask('GET', path)).body.meta.versionId, '4');
  });

  test('Prefer: minimal has no body, OperationOutcome has one, representation is the default', async () => {
    const post = (prefer) => server.ask('POST', '/Observation', heartRate(uuid()), prefer ? { ...FHIR, prefer } : FHIR);
    const minimal = await post('return=minimal');
    assert.deepEqual([minimal.status, minimal.text], [201, '']);
    assert.match(minimal.headers.get('location'), /\/Observation\/.+\/_history\/1$/);
    assert.equal((await post('return=OperationOutcome')).body.resourceType, 'OperationOutcome');
    assert.equal((await post()).body.resourceType, 'Observation');
  });

  test('errors are OperationOutcomes that are themselves valid', async () => {
    const odd = heartRate(uuid(), { status: 'done', effectiveDateTime: 'today' });
    const answers = [
      [400, await server.ask('POST', '/Observation', '{"resourceType":', FHIR)],
      [400, await server.ask('POST', '/Observation', new Uint8Array([0x7b, 0xff, 0x7d]), FHIR)],
      [400, await server.ask('POST', '/Observation', '[]', FHIR)],
      [400, await server.ask('POST', '/Patient', heartRate(uuid()))],
      [422, await server.ask('POST', '/Observation', odd)],
      [404, await server.ask('GET', '/Observation/none')],
      [404, await server.ask('POST', '/Observations', heartRate(uuid()))],
      [404, await server.ask('GET', '/Observation/a/b/c/d/e')],
      [400, await server.ask('GET', '/Observation?bogus=1')],
      [400, await server.ask('GET', '/Observation?date=yesterday')],
      [405, await server.ask('PUT', '/', heartRate(uuid()))],
      [415, await server.ask('POST', '/Observation', heartRate(uuid()), { 'content-type': 'text/plain' })],
      [415, await server.ask('POST', '/Observation', heartRate(uuid()), { 'content-type': 'application/fhir+json; fhirVersion=5.0' })],
      [415, await server.ask('POST', '/Observation', heartRate(uuid()), { ...FHIR, 'content-encoding': 'rot13' })],
      [406, await server.ask('GET', '/Observation', undefined, { accept: 'application/fhir+xml' })],
      [406, await server.ask('GET', '/Observation?_format=xml')],
    ];
    for (const [status, answer] of answers) {
      assert.equal(answer.status, status, answer.text);
      assert.equal(answer.body?.resourceType, 'OperationOutcome', answer.text);
      assert.deepEqual(validate(answer.body), []);
    }
    assert.equal(answers[4][1].body.issue.length, 2, 'all faults in one answer');
  });

  test('media types: JSON by its names, gzip bodies', async () => {
    for (const type of ['application/fhir+json', 'application/json', 'application/fhir+json; charset=UTF-8; fhirVersion=4.0']) {
      assert.equal((await server.ask('POST', '/Observation', heartRate(uuid()), { 'content-type': type })).status, 201, type);
    }
    const packed = gzipSync(JSON.stringify(heartRate(uuid())));
    assert.equal((await server.ask('POST', '/Observation', packed, { ...FHIR, 'content-encoding': 'gzip' })).status, 201);
    assert.equal((await server.ask('POST', '/Observation', packed.subarray(0, 40), { ...FHIR, 'content-encoding': 'gzip' })).status, 400);
    for (const accept of ['*/*', 'application/fhir+xml;q=0.5, application/fhir+json', 'application/json']) {
      assert.equal((await server.ask('GET', '/Observation?_count=1', undefined, { accept })).status, 200, accept);
    }
  });

  test('outside the base there is nothing', async () => {
    const { status } = await fetch(server.url.replace('/fhir', '/else/Observation'));
    assert.equal(status, 404);
  });

  test('the log keeps the digits that were sent, and no token', async () => {
    const name = uuid();
    const text = JSON.stringify(heartRate(name)).replace('"value":72', '"value":72.50');
    await server.ask('POST', '/Observation', text, { ...FHIR, authorization: 'Bearer secret-word' });
    const { body, text: all } = await server.controlled('GET', '/log?last=1&bodies');
    assert.equal(body.requests[0].body, text);
    assert.deepEqual([body.requests[0].method, body.requests[0].path, body.requests[0].status], ['POST', '/fhir/Observation', 201]);
    assert.doesNotMatch(all, /secret-word/);
  });
});

describe('search', () => {
  const server = farEndFor();
  const ids = (answer) => answer.body.entry?.map(({ resource }) => resource.id).sort() ?? [];
  const find = async (query) => {
    const answer = await server.ask('GET', `/${query}`);
    assert.equal(answer.status, 200, answer.text);
    return ids(answer);
  };
  const ours = { a: ['2026-11-25T09:30:00+01:00', 'p1'], b: ['2026-11-25T23:30:00-05:00', 'p1'], c: ['2026-11', 'p2'] };

  before(async () => {
    for (const id of ['p1', 'p2']) await server.ask('PUT', `/Patient/${id}`, patient(id));
    for (const [id, [effectiveDateTime, who]] of Object.entries(ours)) {
      const mean = { coding: [{ system: 'http://loinc.org', code: '8478-0' }] };
      const pulse = heartRate(`urn:demo:${id}`, { id, effectiveDateTime, subject: { reference: `Patient/${who}` }, ...(id === 'c' && { code: mean }) });
      const { status, text } = await server.ask('PUT', `/Observation/${id}`, pulse);
      assert.equal(status, 201, text);
    }
    const logical = heartRate('urn:demo:d', { id: 'd', subject: { type: 'Patient', identifier: { system: 'https://clinic.example/mrn', value: 'WP-p1' } } });
    assert.equal((await server.ask('PUT', '/Observation/d', logical)).status, 201);
  });

  test('patient, subject', async () => {
    assert.deepEqual(await find('Observation?patient=p1'), ['a', 'b']);
    assert.deepEqual(await find('Observation?patient=Patient/p1'), ['a', 'b']);
    assert.deepEqual(await find('Observation?subject=Patient/p2'), ['c']);
    assert.deepEqual(await find('Observation?subject:Patient=p2'), ['c']);
    assert.deepEqual(await find('Observation?patient:identifier=https://clinic.example/mrn%7CWP-p1'), ['d']);
    assert.deepEqual(await find('Observation?patient=p'), []);
    const meter = { resourceType: 'Device', id: 'meter', patient: { reference: 'Patient/p1' } };
    assert.equal((await server.ask('PUT', '/Device/meter', meter)).status, 201);
    assert.deepEqual(await find('Device?patient=p1'), ['meter']);
  });

  test('code, category, status, _id, several values', async () => {
    assert.deepEqual(await find('Observation?code=8867-4'), ['a', 'b', 'd']);
    assert.deepEqual(await find('Observation?code=http://loinc.org%7C8867-4&patient=p1'), ['a', 'b']);
    assert.deepEqual(await find('Observation?code=http://loinc.org%7C8478-0,http://loinc.org%7C8867-4'), ['a', 'b', 'c', 'd']);
    assert.deepEqual(await find('Observation?code=http://other.example%7C8867-4'), []);
    assert.deepEqual(await find('Observation?category=Vital-Signs'), []);
    assert.deepEqual(await find('Observation?category=vital-signs&status=final&_id=a'), ['a']);
    assert.deepEqual(await find('Observation?identifier=urn:demo:a,urn:ietf:rfc:3986%7Curn:demo:b'), ['a', 'b']);
  });

  test('date: prefixes, precision, zones', async () => {
    assert.deepEqual(await find('Observation?date=2026-11-25&patient=p1'), ['a'], 'b is the 26th in UTC');
    assert.deepEqual(await find('Observation?date=2026-11&code=8867-4,8478-0'), ['a', 'b', 'c', 'd']);
    assert.deepEqual(await find('Observation?date=gt2026-11-25T08:30:00Z&patient=p1'), ['b']);
    assert.deepEqual(await find('Observation?date=ge2026-11-25T08:30:00Z&date=lt2026-11-26&patient=p1'), ['a']);
    assert.deepEqual(await find('Observation?_lastUpdated=gt2100'), []);
  });

  test('Patient by identifier, birth date, name; POST _search', async () => {
    assert.deepEqual(await find('Patient?identifier=https://clinic.example/mrn%7CWP-p1'), ['p1']);
    assert.deepEqual(await find('Patient?birthdate=1951-03-14&family=DEM'), ['p1', 'p2']);
    assert.deepEqual(await find('Patient?name:exact=dor'), []);
    const form = await server.ask('POST', '/Patient/_search', 'identifier=https%3A%2F%2Fclinic.example%2Fmrn%7CWP-p2', { 'content-type': 'application/x-www-form-urlencoded' });
    assert.deepEqual(ids(form), ['p2']);
    assert.equal((await server.ask('POST', '/Patient/_search', '{}', FHIR)).status, 415);
  });

  test('paging by next links, _count, _sort, _summary=count', async () => {
    const seen = [];
    let url = `${server.url}/Observation?_count=2&_sort=-_id`;
    for (let pages = 0; url; pages += 1) {
      assert.ok(pages < 5);
      const bundle = await (await fetch(url)).json();
      assert.deepEqual(validate(bundle), []);
      assert.equal(bundle.total, 4);
      seen.push(...bundle.entry.map(({ resource }) => resource.id));
      url = bundle.link.find(({ relation }) => relation === 'next')?.url;
    }
    assert.deepEqual(seen, ['d', 'c', 'b', 'a']);
    const counted = (await server.ask('GET', '/Observation?_summary=count')).body;
    assert.deepEqual([counted.total, counted.entry], [4, undefined]);
  });
});

describe('batch and transaction', () => {
  const server = farEndFor();

  test('batch: each entry on its own, statuses in order', async () => {
    const [good, bad, again] = [heartRate(uuid()), heartRate(uuid(), { status: 'done' }), heartRate(uuid())];
    const sent = bundleOf('batch', [good, bad, again]);
    const first = await server.ask('POST', '', sent);
    assert.equal(first.status, 200);
    assert.deepEqual(statuses(first.body), ['201 Created', '422', '201 Created']);
    assert.equal(first.body.entry[1].response.outcome.issue[0].expression[0], 'Observation.status');
    assert.match(first.body.entry[0].response.location, /^Observation\/.+\/_history\/1$/);
    assert.equal(first.body.entry[0].response.etag, 'W/"1"');
    const second = await server.ask('POST', '', sent);
    assert.deepEqual(statuses(second.body), ['200 OK', '422', '200 OK']);
    assert.deepEqual(validate(second.body), []);
  });

  test('batch: the same identifier twice in one Bundle makes one', async () => {
    const name = uuid();
    const { body } = await server.ask('POST', '', bundleOf('batch', [heartRate(name), heartRate(name)]));
    assert.deepEqual(statuses(body), ['201 Created', '200 OK']);
    assert.equal(body.entry[0].resource.id, body.entry[1].resource.id);
  });

  test('batch of PUTs: 201, then 200; minimal leaves the resources out', async () => {
    const sent = bundleOf('batch', [1, 2].map(() => ({ ...heartRate(uuid()), id: uuid().slice(9) })), ({ id }) => ({ method: 'PUT', url: `Observation/${id}` }));
    assert.deepEqual(statuses((await server.ask('POST', '', sent)).body), ['201 Created', '201 Created']);
    const again = await server.ask('POST', '', sent, { ...FHIR, prefer: 'return=minimal' });
    assert.deepEqual(statuses(again.body), ['200 OK', '200 OK']);
    assert.deepEqual(again.body.entry.map(({ resource }) => resource), [undefined, undefined]);
  });

  test('transaction: all or nothing, also in the journal', async () => {
    const names = [uuid(), uuid(), uuid()];
    const total = async () => (await server.ask('GET', `/Observation?identifier=${names.join(',')}`)).body.total;
    const bad = await server.ask('POST', '', bundleOf('transaction', [heartRate(names[0]), heartRate(names[1]), heartRate(names[2], { status: 'done' })]));
    assert.equal(bad.status, 422);
    assert.deepEqual(bad.body.issue[0].expression, ['Bundle.entry[2]', 'Observation.status']);
    assert.equal(await total(), 0);
    const good = await server.ask('POST', '', bundleOf('transaction', names.map((name) => heartRate(name))));
    assert.equal(good.status, 200, good.text);
    assert.equal(good.body.type, 'transaction-response');
    assert.equal(await total(), 3);
  });

  test('transaction: an update and a delete are undone, too', async () => {
    const kept = (await server.ask('POST', '/Observation', heartRate(uuid()))).body;
    const gone = (await server.ask('POST', '/Observation', heartRate(uuid()))).body;
    const bundle = {
      resourceType: 'Bundle',
      type: 'transaction',
      entry: [
        { request: { method: 'DELETE', url: `Observation/${gone.id}` } },
        { resource: { ...kept, status: 'amended' }, request: { method: 'PUT', url: `Observation/${kept.id}` } },
        { resource: { ...kept, id: 'x', status: 'amended' }, request: { method: 'PUT', url: 'Observation/y' } },
      ],
    };
    assert.equal((await server.ask('POST', '', bundle)).status, 400);
    assert.deepEqual((await server.ask('GET', `/Observation/${kept.id}`)).body, kept);
    assert.deepEqual((await server.ask('GET', `/Observation/${gone.id}`)).body, gone);
    assert.equal((await server.ask('GET', `/Observation?identifier=${kept.identifier[0].value}`)).body.total, 1);
  });

  test('transaction: references between entries are resolved, identifiers left as they are', async () => {
    const [panel, pulse] = [uuid(), uuid()];
    const entry = (fullUrl, resource) => ({ fullUrl, resource, request: { method: 'POST', url: 'Observation', ifNoneExist: ifNoneExist(fullUrl) } });
    const { valueQuantity: _, ...empty } = heartRate(panel, { code: { coding: [{ system: 'http://loinc.org', code: '85353-1' }] }, hasMember: [{ reference: pulse }] });
    const bundle = { resourceType: 'Bundle', type: 'transaction', entry: [entry(panel, empty), entry(pulse, heartRate(pulse))] };
    const { status, body, text } = await server.ask('POST', '', bundle);
    assert.equal(status, 200, text);
    const [made, member] = body.entry.map(({ resource }) => resource);
    assert.equal(made.hasMember[0].reference, `Observation/${member.id}`);
    assert.deepEqual([made.identifier[0].value, member.identifier[0].value], [panel, pulse]);
    assert.deepEqual(statuses((await server.ask('POST', '', bundle)).body), ['200 OK', '200 OK']);
  });

  test('transaction: conditional references', async () => {
    await server.ask('PUT', '/Patient/p9', patient('p9'));
    const about = (reference) => server.ask('POST', '', bundleOf('transaction', [heartRate(uuid(), { subject: { reference } })]));
    const found = await about('Patient?identifier=https://clinic.example/mrn|WP-p9');
    assert.equal(found.body.entry?.[0].resource.subject.reference, 'Patient/p9', found.text);
    assert.equal((await about('Patient?identifier=https://clinic.example/mrn|nobody')).status, 412);
  });

  test('transaction: no limit of 8 conditional entries or 50 updates; a name only once', async () => {
    assert.equal((await server.ask('POST', '', bundleOf('transaction', Array.from({ length: 60 }, () => heartRate(uuid()))))).status, 200);
    const put = ({ id }) => ({ method: 'PUT', url: `Observation/${id}` });
    const updates = Array.from({ length: 51 }, () => ({ ...heartRate(uuid()), id: uuid().slice(9) }));
    assert.equal((await server.ask('POST', '', bundleOf('transaction', updates, put))).status, 200);
    assert.equal((await server.ask('POST', '', bundleOf('transaction', [updates[0], updates[0]], put))).status, 400);
  });

  test('no Bundle, no entries, another type', async () => {
    assert.equal((await server.ask('POST', '', heartRate(uuid()))).status, 400);
    assert.equal((await server.ask('POST', '', { resourceType: 'Bundle', type: 'batch' })).status, 400);
    assert.equal((await server.ask('POST', '', bundleOf('collection', [heartRate(uuid())]))).status, 400);
  });
});

describe('switches', () => {
  /** Run with a far end of its own. */
  const with_ = (switches, name, work) =>
    test(name, async () => {
      const server = await startFarEnd(switches);
      try {
        await work(server, (await server.ask('GET', '/metadata')).body);
      } finally {
        await server.stop();
        server.remove();
      }
    });
  const observation = (statement) => statement.rest[0].resource.find(({ type }) => type === 'Observation');
  const codes = (statement) => statement.rest[0].interaction?.map(({ code }) => code) ?? [];

  with_([], '/metadata with nothing switched off', async (server, statement) => {
    assert.deepEqual(validate(statement), []);
    assert.equal(statement.fhirVersion, '4.0.1');
    const { conditionalCreate, updateCreate, searchParam } = observation(statement);
    assert.deepEqual([conditionalCreate, updateCreate, codes(statement)], [true, true, ['batch', 'transaction']]);
    const names = searchParam.map(({ name }) => name);
    for (const name of ['identifier', 'patient', 'subject', 'code', 'date', '_id', '_lastUpdated']) assert.ok(names.includes(name), name);
  });

  with_(['--no-conditional-create'], '--no-conditional-create', async (server, statement) => {
    assert.equal(observation(statement).conditionalCreate, false);
    const name = uuid();
    assert.equal((await server.ask('POST', '/Observation', heartRate(name), conditional(name))).status, 400);
    assert.deepEqual(statuses((await server.ask('POST', '', bundleOf('batch', [heartRate(name)]))).body), ['400']);
    assert.equal((await server.ask('POST', '/Observation', heartRate(name))).status, 201);
  });

  with_(['--no-update-create'], '--no-update-create', async (server, statement) => {
    assert.equal(observation(statement).updateCreate, false);
    assert.equal((await server.ask('PUT', '/Patient/p1', patient('p1'))).status, 405);
    const made = (await server.ask('POST', '/Patient', patient('p1'))).body;
    assert.equal((await server.ask('PUT', `/Patient/${made.id}`, made)).status, 200);
  });

  with_(['--no-batch'], '--no-batch', async (server, statement) => {
    assert.deepEqual(codes(statement), []);
    assert.equal((await server.ask('POST', '', bundleOf('batch', [heartRate(uuid())]))).status, 405);
  });

  with_(['--no-transaction', '--max-entries', '2'], '--no-transaction, --max-entries', async (server, statement) => {
    assert.deepEqual(codes(statement), ['batch']);
    const sent = (type, size) => server.ask('POST', '', bundleOf(type, Array.from({ length: size }, () => heartRate(uuid()))));
    assert.deepEqual([(await sent('transaction', 1)).status, (await sent('batch', 2)).status, (await sent('batch', 3)).status], [400, 200, 413]);
  });

  with_(['--medplum-limits'], '--medplum-limits: 8 conditional entries, 50 updates, and still all or nothing', async (server) => {
    const sent = (size) => server.ask('POST', '', bundleOf('transaction', Array.from({ length: size }, () => heartRate(uuid()))));
    assert.deepEqual([(await sent(8)).status, (await sent(9)).status], [200, 400]);
    const updates = (size) => bundleOf('transaction', Array.from({ length: size }, () => ({ ...heartRate(uuid()), id: uuid().slice(9) })), ({ id }) => ({ method: 'PUT', url: `Observation/${id}` }));
    assert.deepEqual([(await server.ask('POST', '', updates(50))).status, (await server.ask('POST', '', updates(51))).status], [200, 400]);
    const names = [uuid(), uuid()];
    assert.equal((await server.ask('POST', '', bundleOf('transaction', [heartRate(names[0]), heartRate(names[1], { status: 'done' })]))).status, 422);
    assert.equal((await server.ask('GET', `/Observation?identifier=${names.join(',')}`)).body.total, 0);
  });

  with_(['--no-validate'], '--no-validate', async (server) => {
    assert.equal((await server.ask('POST', '/Observation', heartRate(uuid(), { status: 'done' }))).status, 201);
  });

  with_(['--invalid-status', '400', '--max-body', '2000'], '--invalid-status, --max-body', async (server) => {
    assert.equal((await server.ask('POST', '/Observation', heartRate(uuid(), { status: 'done' }))).status, 400);
    const large = heartRate(uuid(), { note: [{ text: 'x'.repeat(2000) }] });
    assert.equal((await server.ask('POST', '/Observation', large)).status, 413);
    assert.equal((await server.ask('POST', '/Observation', gzipSync(JSON.stringify(large)), { ...FHIR, 'content-encoding': 'gzip' })).status, 413);
  });

  with_(['--enforce-references', '--require-if-match', '--base-path', '/r4/'], '--enforce-references, --require-if-match, --base-path', async (server, statement) => {
    assert.match(server.url, /\/r4$/);
    assert.equal(observation(statement).versioning, 'versioned-update');
    assert.equal((await server.ask('POST', '/Observation', heartRate(uuid()))).status, 422);
    assert.equal((await server.ask('PUT', '/Patient/demo-1', patient('demo-1'))).status, 201);
    assert.equal((await server.ask('POST', '/Observation', heartRate(uuid()))).status, 201);
    assert.equal((await server.ask('PUT', '/Patient/demo-1', patient('demo-1'))).status, 400);
    assert.equal((await server.ask('PUT', '/Patient/demo-1', patient('demo-1'), { ...FHIR, 'if-match': 'W/"1"' })).status, 200);
  });

  test('--token', async () => {
    const server = await startFarEnd(['--token', 'demo-token']);
    try {
      assert.equal((await server.ask('GET', '/metadata')).status, 401);
      assert.equal((await server.ask('GET', '/metadata', undefined, { authorization: 'Bearer wrong' })).status, 401);
      assert.equal((await server.ask('GET', '/metadata', undefined, { authorization: 'Bearer demo-token' })).status, 200);
    } finally {
      await server.stop();
      server.remove();
    }
  });
});
