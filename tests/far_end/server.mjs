// The far end as a program: `node server.mjs --data DIR [switches]` (see options.mjs).
// Prints one JSON line when it is ready, and serves until SIGTERM or SIGINT.

import { createServer } from 'node:http';

import { control, isControl } from './control.mjs';
import { knownProfiles } from './definitions.mjs';
import { checkAccept, checkContentType, FHIR_JSON, parseJson, readBody, send } from './exchange.mjs';
import { Faults, identifiersOf } from './faults.mjs';
import { Fhir } from './fhir.mjs';
import { Log } from './log.mjs';
import { parseOptions, usage, UsageError } from './options.mjs';
import { outcome, refuse, statusOf } from './outcome.mjs';
import { Store } from './store.mjs';

const options = optionsOrExit();
const faults = new Faults(options.seed);
const log = new Log(options.logSize);
const store = await Store.open(options.data, { fsync: !options.noFsync });
const fhir = new Fhir(store, await checker(), options);

const main = createServer(serve);
const side = createServer(serveControl);
await listen(main, options.port);
if (options.controlPort !== undefined) await listen(side, options.controlPort);

const { port } = main.address();
const origin = `http://127.0.0.1:${port}`;
options.baseUrl = origin + options.basePath;
faults.onDown = goDown(port);
for (const fault of options.fault) faults.add(JSON.parse(fault));

console.log(
  JSON.stringify({
    url: options.baseUrl,
    control: side.address() ? `http://127.0.0.1:${side.address().port}` : origin,
    pid: process.pid,
    resources: store.size,
  }),
);
for (const signal of ['SIGTERM', 'SIGINT']) process.once(signal, stop);

async function serve(request, response) {
  try {
    const url = new URL(request.url, origin);
    if (isControl(url.pathname)) await serveControl(request, response);
    else await serveFhir(request, response, url);
  } catch (error) {
    // Ours, not the client's: say so on both sides.
    console.error(error);
    if (!response.headersSent) send(response, 500, {}, '');
    else response.destroy();
  }
}

async function serveControl(request, response) {
  const url = new URL(request.url, 'http://control');
  const { status, body } = control(request.method, url, await readBody(request, options.maxBody), { faults, log, store });
  send(response, status, { 'content-type': 'application/json' }, JSON.stringify(body) + '\n');
}

async function serveFhir(request, response, url) {
  const entry = log.begin(request, url.pathname + url.search);
  const lose = (fault) => {
    entry.fault = fault;
    request.socket.destroy();
  };
  const seen = { method: request.method, path: undefined, query: url.searchParams, headers: request.headers, body: undefined };
  let problem;
  try {
    seen.path = pathUnderBase(url.pathname);
    const bytes = await readBody(request, options.maxBody);
    log.body(entry, bytes);
    checkAccept(request.headers.accept, url.searchParams.get('_format'));
    seen.body = parsed(request, seen.path, bytes);
  } catch (error) {
    if (!error.outcome) return lose('client closed');
    problem = error.outcome;
  }
  const about = {
    method: request.method,
    path: seen.path ?? '',
    write: ['POST', 'PUT', 'PATCH', 'DELETE'].includes(request.method) && !url.pathname.endsWith('/_search'),
    identifiers: identifiersOf(seen.body),
  };
  if (seen.body?.resourceType === 'Bundle' && Array.isArray(seen.body.entry)) entry.entries = seen.body.entry.length;

  const slow = faults.strikes('slow', about);
  if (slow) await new Promise((resume) => setTimeout(resume, slow.ms));
  if (faults.strikes('drop', about)) return lose('drop');
  const blunt = faults.strikes('status', about);
  if (blunt) {
    entry.fault = 'status';
    const headers = blunt.retryAfter === undefined ? {} : { 'retry-after': String(blunt.retryAfter) };
    return answer(request, response, entry, { status: blunt.status, headers, body: outcome(blunt.status, blunt.code ?? CODES[blunt.status] ?? 'exception', blunt.text ?? 'A fault was asked for') });
  }
  if (options.token && request.headers.authorization !== `Bearer ${options.token}`) {
    return answer(request, response, entry, { status: 401, headers: { 'www-authenticate': 'Bearer' }, body: outcome(401, 'login', 'A bearer token is needed') });
  }
  if (problem) return answer(request, response, entry, { status: statusOf(problem), headers: {}, body: problem });

  const made = await fhir.answer(seen);
  if (faults.strikes('lose-answer', about)) {
    entry.stored = made.status;
    return lose('lose-answer');
  }
  return answer(request, response, entry, made, about);
}

/** The codes of OperationOutcome issues that fit a bare status. */
const CODES = { 401: 'login', 403: 'forbidden', 404: 'not-found', 409: 'conflict', 412: 'conflict', 422: 'processing', 429: 'throttled', 503: 'transient', 504: 'timeout' };

function answer(request, response, entry, { status, headers, body }, about) {
  entry.status = status;
  let text = body ? JSON.stringify(body) : '';
  let type = FHIR_JSON + '; charset=utf-8';
  if (about && faults.strikes('malformed', about)) {
    entry.fault = 'malformed';
    text = '{"resourceType": "Bundle", "entry": [{]';
  }
  const other = about && faults.strikes('content-type', about);
  if (other) {
    entry.fault = 'content-type';
    type = other.type ?? 'text/html';
    text = '<html><body>Please sign in</body></html>';
  }
  if (about && faults.strikes('truncate', about)) {
    entry.fault = 'truncate';
    const bytes = Buffer.from(text);
    response.writeHead(status, { ...headers, 'content-type': type, 'content-length': bytes.length || 100 });
    response.write(bytes.subarray(0, bytes.length / 2), () => request.socket.destroy());
    return;
  }
  send(response, status, text ? { ...headers, 'content-type': type } : headers, request.method === 'HEAD' ? '' : text);
}

function pathUnderBase(pathname) {
  const base = options.basePath === '/' ? '' : options.basePath;
  if (pathname !== base && !pathname.startsWith(base + '/')) throw refuse(404, 'not-found', `FHIR is under ${options.basePath}`);
  return decodeURIComponent(pathname.slice(base.length)).replace(/^\/+|\/+$/g, '');
}

/** The body as the path wants it: a form for _search, JSON else. */
function parsed(request, path, bytes) {
  if (path.endsWith('_search') && request.method === 'POST') {
    checkContentType(request.headers['content-type'], ['application/x-www-form-urlencoded']);
    return new URLSearchParams(bytes.toString('utf8'));
  }
  if (!['POST', 'PUT', 'PATCH'].includes(request.method)) return undefined;
  checkContentType(request.headers['content-type'], request.method === 'PATCH' ? ['application/json-patch+json'] : undefined);
  return parseJson(bytes);
}

/** What stands between a write and the store: an asked-for refusal, validation, references. */
async function checker() {
  const checks = [
    (resource) => {
      const rule = faults.strikes('refuse', { method: 'POST', path: '', write: true, identifiers: identifiersOf(resource) });
      if (rule) throw refuse(rule.status ?? 422, rule.code ?? 'processing', rule.text ?? 'Refused, as a fault asked for', resource.resourceType);
    },
  ];
  if (options.enforceReferences) {
    const { checkReferences } = await import('./references.mjs');
    checks.push((resource) => checkReferences(resource, store));
  }
  if (!options.noValidate) {
    const { checkValid } = await import('./validate.mjs');
    checks.push((resource) => checkValid(resource, options.invalidStatus, (type, id) => store.read(type, id)));
  }
  return (resource) => checks.forEach((check) => check(resource));
}

/** Refuse connections for so many milliseconds: the listener is closed and what is open is cut. */
function goDown(at) {
  let timer;
  const up = () => {
    clearTimeout(timer);
    timer = undefined;
    if (!main.listening) main.listen(at, '127.0.0.1');
  };
  return (rule) => {
    if (!rule) return timer && up();
    clearTimeout(timer);
    timer = setTimeout(up, rule.ms);
    // After this turn of the event loop, so that the answer to POST /faults still leaves.
    setTimeout(() => {
      if (!main.listening) return;
      main.close();
      main.closeAllConnections();
    }, 20);
  };
}

function listen(server, at) {
  server.keepAliveTimeout = 60_000;
  return new Promise((listening, failed) => server.once('error', failed).listen(at, '127.0.0.1', listening));
}

async function stop() {
  main.close();
  side.close();
  main.closeAllConnections();
  side.closeAllConnections();
  await store.close();
  process.exit(0);
}

function optionsOrExit() {
  try {
    const given = parseOptions(process.argv.slice(2));
    return {
      ...given,
      conditionalCreate: !given.noConditionalCreate,
      updateCreate: !given.noUpdateCreate,
      profiles: knownProfiles,
    };
  } catch (error) {
    if (!(error instanceof UsageError)) throw error;
    console.error(`far_end: ${error.message}\n${usage()}`);
    process.exit(64); // EX_USAGE
  }
}
