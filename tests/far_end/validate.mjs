// Validation against HL7's R4 definitions: as a function for other scripts, and as a program.
//
//   import { validate } from '.../validate.mjs'      validate(resource) -> findings
//   node validate.mjs FILE|DIR|- ... [--warnings] [--second-opinions]
//
// The program reads JSON resources, Bundles (each entry counts) and NDJSON, prints one JSON line a
// resource, and exits 0 when all are valid, 1 when one is not, 65 when something is no JSON.

import { readFileSync, readdirSync, statSync } from 'node:fs';
import { join } from 'node:path';
import { pathToFileURL } from 'node:url';

import { outcomeOf, refuseWith } from './outcome.mjs';
import { Walk } from './validation/walk.mjs';

/** All that is wrong with a resource: [{severity, code, path, text, profile}]; empty when valid. */
export function validate(resource, options) {
  const walk = new Walk(options);
  walk.resource(resource);
  return walk.findings;
}

/** For the server: throws an OperationOutcome that lists every error. */
export function checkValid(resource, status, resolve) {
  const findings = validate(resource, { resolve });
  if (findings.length === 0) return;
  throw refuseWith(
    outcomeOf(
      status,
      findings.map(({ severity, code, path, text, profile }) => ({
        severity,
        code,
        details: { text: `${path}: ${text}` },
        diagnostics: profile && `by ${profile}`,
        ...(path && { expression: [path] }),
      })),
    ),
  );
}

async function main(args) {
  const options = { warnings: args.includes('--warnings') };
  const secondOpinions = args.includes('--second-opinions') ? (await import('./second_opinions.mjs')).secondOpinions : () => [];
  const names = args.filter((word) => !word.startsWith('--'));
  if (names.length === 0) {
    console.error('usage: node validate.mjs FILE|DIR|- ... [--warnings] [--second-opinions]');
    return 64; // EX_USAGE
  }
  let exit = 0;
  for (const { where, resource, broken } of names.flatMap(filesIn).flatMap((name) => [...documentsIn(name)])) {
    if (broken) {
      console.log(JSON.stringify({ where, error: broken }));
      exit = 65; // EX_DATAERR
      continue;
    }
    const findings = [...validate(resource, options), ...secondOpinions(resource)];
    if (!isValid(findings)) exit ||= 1;
    for (const line of byEntry(where, resource, findings)) console.log(JSON.stringify(line));
  }
  return exit;
}

const isValid = (findings) => findings.every(({ severity }) => severity !== 'error');

/** One line for a resource; for a Bundle one line more for each resource in it. */
function* byEntry(where, resource, findings) {
  const line = (place, one, own) => ({ where: place, resource: `${one?.resourceType}/${one?.id ?? ''}`, valid: isValid(own), findings: own });
  const entries = resource?.resourceType === 'Bundle' && Array.isArray(resource.entry) ? resource.entry : [];
  let left = findings;
  for (const [i, entry] of entries.entries()) {
    if (!entry?.resource) continue;
    const inside = ({ path }) => path?.startsWith(`Bundle.entry[${i}].resource`);
    yield line(`${where}#entry[${i}]`, entry.resource, left.filter(inside));
    left = left.filter((finding) => !inside(finding));
  }
  yield line(where, resource, left);
}

function filesIn(name) {
  if (name === '-' || !statSync(name).isDirectory()) return [name];
  return readdirSync(name).filter((file) => /\.(nd)?json$/.test(file)).sort().map((file) => join(name, file));
}

/** The documents of a file: one JSON text, or else one on each line. */
function* documentsIn(name) {
  const text = readFileSync(name === '-' ? 0 : name, 'utf8');
  const whole = parse(text);
  const lines = text.split('\n').map((line, i) => ({ where: `${name}:${i + 1}`, line })).filter(({ line }) => line.trim());
  const parsed = whole.broken && lines.length > 1 ? lines.map(({ where, line }) => ({ where, ...parse(line) })) : [];
  if (parsed.some(({ broken }) => !broken)) yield* parsed;
  else yield { where: name, ...whole };
}

function parse(text) {
  try {
    return { resource: JSON.parse(text) };
  } catch (error) {
    return { broken: error.message };
  }
}

if (process.argv[1] && import.meta.url === pathToFileURL(process.argv[1]).href) {
  process.exitCode = await main(process.argv.slice(2));
}
