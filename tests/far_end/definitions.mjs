// HL7's definitions as prepare.mjs left them, read one by one when first asked for.

import { readFileSync } from 'node:fs';
import { join } from 'node:path';

import { home } from './parts.mjs';

const folder = join(home, 'hl7');
const index = readIndex();

/** Every concrete resource type of R4. */
export const resourceTypes = new Set(index.types);

/** The resource profiles we know: the vital-signs family and devicemetricobservation. */
export const knownProfiles = index.profiles;

/** The folder with HL7's own example resources. */
export const examples = join(folder, 'examples');

export const structure = once((url) => index.structures[url] && read('structures', index.structures[url]));

export const valueSet = once((url) => {
  const found = index.valueSets[url] && read('valuesets', index.valueSets[url]);
  if (!found) return undefined;
  const systems = new Map(Object.entries(found.systems).map(([system, codes]) => [system, new Set(codes)]));
  return { systems, open: new Set(found.open) };
});

/** "Quantity" and "http://hl7.org/fhir/StructureDefinition/Quantity" name the same. */
export function structureOfType(name) {
  return structure(name.includes('/') ? name : `http://hl7.org/fhir/StructureDefinition/${name}`);
}

/** "dateTime" is one, "Quantity" is not. Asked for every element of every resource. */
export const isPrimitive = once((type) => structureOfType(type)?.kind === 'primitive-type');

function read(kind, file) {
  return JSON.parse(readFileSync(join(folder, kind, file), 'utf8'));
}

function readIndex() {
  try {
    return JSON.parse(readFileSync(join(folder, 'index.json'), 'utf8'));
  } catch {
    console.error(`far_end: HL7's definitions are not in ${folder}; run tests/far_end/install ${home}`);
    process.exit(69); // EX_UNAVAILABLE
  }
}

function once(make) {
  const made = new Map();
  return (key) => {
    if (!made.has(key)) made.set(key, make(key));
    return made.get(key);
  };
}
