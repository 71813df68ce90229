// The server's command line: one row a switch.

const SWITCHES = [
  // name, kind, default, what it does
  ['port', 'number', 0, 'port on 127.0.0.1; 0 takes a free one'],
  ['control-port', 'number', undefined, 'a second port for the control paths, which stays up while the FHIR side is down'],
  ['data', 'text', undefined, 'folder of the journal; made when missing'],
  ['base-path', 'text', '/fhir', 'path under which FHIR is served'],
  ['medplum-limits', 'flag', false, "keep the engine's own limits: transactions of 8 entries when any is conditional, of 50 PUTs"],
  ['no-conditional-create', 'flag', false, 'If-None-Exist and ifNoneExist are answered 400'],
  ['no-update-create', 'flag', false, 'PUT of an unknown id is answered 405'],
  ['no-batch', 'flag', false, 'no batch and no transaction: POST to the base is answered 405'],
  ['no-transaction', 'flag', false, 'batch only: a transaction is answered 400'],
  ['no-validate', 'flag', false, 'take any resource whose JSON parses'],
  ['no-fsync', 'flag', false, 'write without waiting for the disk (for throughput, never for durability tests)'],
  ['enforce-references', 'flag', false, 'refuse literal references to resources that are not here'],
  ['require-if-match', 'flag', false, 'an update without If-Match is answered 400 (versioned-update)'],
  ['token', 'text', undefined, 'answer 401 to requests without this bearer token'],
  ['invalid-status', 'number', 422, 'status for a resource that fails validation (some servers say 400)'],
  ['max-body', 'number', 16 * 1024 * 1024, 'larger bodies (after decompression) are answered 413'],
  ['max-entries', 'number', undefined, 'Bundles with more entries are answered 413'],
  ['log-size', 'number', 1000, 'requests kept for GET /log'],
  ['seed', 'number', 1, 'seed of every random decision'],
  ['fault', 'list', [], 'a fault from the start, as the JSON that POST /faults takes; may be repeated'],
];

export function parseOptions(args) {
  const options = Object.fromEntries(SWITCHES.map(([name, , value]) => [camel(name), value]));
  const rest = [...args];
  while (rest.length > 0) {
    const word = rest.shift();
    const [name, inline] = word.replace(/^--/, '').split(/=(.*)/s);
    const row = SWITCHES.find(([known]) => word.startsWith('--') && known === name);
    if (!row) throw new UsageError(`unknown switch: ${word}`);
    const kind = row[1];
    const value = kind === 'flag' ? true : inline ?? rest.shift();
    if (value === undefined) throw new UsageError(`--${name} wants a value`);
    if (kind === 'number' && !Number.isFinite(Number(value))) throw new UsageError(`--${name} wants a number`);
    if (kind === 'list') options[camel(name)] = [...options[camel(name)], value];
    else options[camel(name)] = kind === 'number' ? Number(value) : value;
  }
  if (!options.data) throw new UsageError('--data DIR is needed');
  options.basePath = '/' + options.basePath.replace(/^\/+|\/+$/g, '');
  return options;
}

export function usage() {
  const rows = SWITCHES.map(([name, kind, value, text]) => {
    const left = `  --${name}${kind === 'flag' ? '' : ' ' + { number: 'N', text: 'TEXT', list: 'JSON' }[kind]}`;
    const standard = kind !== 'flag' && kind !== 'list' && value !== undefined ? ` [${value}]` : '';
    return left.padEnd(28) + text + standard;
  });
  return ['usage: node server.mjs --data DIR [switches]', ...rows].join('\n');
}

export class UsageError extends Error {}

const camel = (name) => name.replace(/-(.)/g, (_, letter) => letter.toUpperCase());
