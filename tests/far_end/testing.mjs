// For the self tests, and for any test that wants a far end: start one, ask it, end it.

import { spawn } from 'node:child_process';
import { randomUUID } from 'node:crypto';
import { mkdtempSync, readFileSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { createInterface } from 'node:readline';
import { fileURLToPath } from 'node:url';

import { examples } from './definitions.mjs';

const program = (name) => fileURLToPath(new URL(name, import.meta.url));
export const FHIR = { 'content-type': 'application/fhir+json' };

/** A server on a free port over a data folder (a new one when none is given). */
export async function startFarEnd(switches = [], { data = mkdtempSync(join(tmpdir(), 'far_end-')) } = {}) {
  const child = spawn(process.execPath, [program('server.mjs'), '--data', data, ...switches], { stdio: ['ignore', 'pipe', 'inherit'] });
  const ended = new Promise((done) => child.once('exit', (code, signal) => done(signal ?? code)));
  const lines = createInterface({ input: child.stdout })[Symbol.asyncIterator]();
  const first = await Promise.race([lines.next(), ended.then((how) => Promise.reject(new Error(`the far end ended: ${how}`)))]);
  const ready = JSON.parse(first.value);

  const end = async (signal) => {
    child.kill(signal); // by pid, and only the one started here
    return ended;
  };
  return {
    ...ready,
    data,
    stop: () => end('SIGTERM'),
    kill: () => end('SIGKILL'),
    remove: () => rmSync(data, { recursive: true, force: true }),
    ask: (method, path, body, headers) => ask(`${ready.url}${path}`, method, body, headers),
    controlled: (method, path, body) => ask(`${ready.control}${path}`, method, body, {}),
  };
}

/** One request; rejects when no whole answer comes. A body that is no string goes as JSON. */
export async function ask(url, method, body, headers = body === undefined ? {} : FHIR) {
  const answer = await fetch(url, { method, headers, body: body === undefined || typeof body === 'string' || body instanceof Uint8Array ? body : JSON.stringify(body) });
  const text = await answer.text();
  return { status: answer.status, headers: answer.headers, text, body: parsed(text) };
}

function parsed(text) {
  try {
    return JSON.parse(text);
  } catch {
    return undefined;
  }
}

/** Run one of the programs here to its end: {code, out, lines}. */
export async function run(name, args, input) {
  const child = spawn(process.execPath, [program(name), ...args], { stdio: ['pipe', 'pipe', 'pipe'] });
  child.stdin.end(input ?? '');
  const chunks = [];
  child.stdout.on('data', (chunk) => chunks.push(chunk));
  let errors = '';
  child.stderr.on('data', (chunk) => (errors += chunk));
  const code = await new Promise((done) => child.once('close', done));
  const out = Buffer.concat(chunks).toString('utf8');
  return { code, out, errors, lines: out.split('\n').filter(Boolean).map(parsed) };
}

/** HL7's example Observation of that id. */
export function example(id) {
  return JSON.parse(readFileSync(join(examples, `Observation-${id}.json`), 'utf8'));
}

/** An invented heart rate with an identifier. */
export function heartRate(identifier, changes = {}) {
  return {
    resourceType: 'Observation',
    identifier: [{ system: 'urn:ietf:rfc:3986', value: identifier }],
    status: 'final',
    category: [{ coding: [{ system: 'http://terminology.hl7.org/CodeSystem/observation-category', code: 'vital-signs' }] }],
    code: { coding: [{ system: 'http://loinc.org', code: '8867-4' }] },
    subject: { reference: 'Patient/demo-1' },
    effectiveDateTime: '2026-11-25T09:30:00+01:00',
    valueQuantity: { value: 72, unit: '/min', system: 'http://unitsofmeasure.org', code: '/min' },
    ...changes,
  };
}

export const ifNoneExist = (identifier) => `identifier=urn:ietf:rfc:3986|${identifier}`;

export const uuid = () => `urn:uuid:${randomUUID()}`;

export function bundleOf(type, resources, request = (resource) => ({ method: 'POST', url: resource.resourceType, ifNoneExist: ifNoneExist(resource.identifier[0].value) })) {
  return { resourceType: 'Bundle', type, entry: resources.map((resource) => ({ resource, request: request(resource) })) };
}
