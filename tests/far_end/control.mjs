// The control paths, outside the FHIR base, never touched by faults:
//   GET|POST|DELETE /faults   GET|DELETE /log   GET /duplicates   GET /status

export function isControl(path) {
  return ['/faults', '/log', '/duplicates', '/status'].includes(path);
}

/** {status, body} for a control request. */
export function control(method, url, body, { faults, log, store }) {
  const handler = HANDLERS[`${method} ${url.pathname}`];
  if (!handler) return { status: 405, body: { error: `${method} ${url.pathname} is not there` } };
  try {
    return { status: 200, body: handler({ url, body, faults, log, store }) };
  } catch (error) {
    if (!(error instanceof RangeError || error instanceof SyntaxError)) throw error;
    return { status: 400, body: { error: error.message } };
  }
}

const HANDLERS = {
  'GET /faults': ({ faults }) => faults.state,
  'POST /faults': ({ faults, body }) => {
    faults.add(JSON.parse(body.toString('utf8')));
    return faults.state;
  },
  'DELETE /faults': ({ faults }) => {
    faults.clear();
    return faults.state;
  },
  'GET /log': ({ log, url }) => log.read({ last: Number(url.searchParams.get('last')) || undefined, bodies: url.searchParams.has('bodies') }),
  'DELETE /log': ({ log }) => {
    log.clear();
    return log.read();
  },
  'GET /duplicates': ({ store, url }) => {
    const type = url.searchParams.get('type') ?? 'Observation';
    const all = [...store.identifiers(type)];
    return { type, identifiers: all.length, duplicates: all.filter(({ ids }) => ids.length > 1) };
  },
  'GET /status': ({ store }) => ({ pid: process.pid, resources: store.size, memory: process.memoryUsage().rss }),
};
