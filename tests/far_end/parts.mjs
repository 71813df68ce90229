// The npm parts, from the folder that ./install filled.
//
// They do not stand beside this source (nothing is vendored, the tree stays clean), and ES module
// imports cannot be told to look elsewhere, so we find a package's entry file ourselves.

import { existsSync, readFileSync } from 'node:fs';
import { dirname, join, resolve } from 'node:path';
import { fileURLToPath, pathToFileURL } from 'node:url';

const here = dirname(fileURLToPath(import.meta.url));

/** The installed folder: FAR_END_HOME, else build/far_end of this source tree. */
export const home = resolve(process.env.FAR_END_HOME ?? join(here, '..', '..', 'build', 'far_end'));

/** A package's module, e.g. `const { FhirRouter } = await part('@medplum/fhir-router')`. */
export async function part(name) {
  return import(pathToFileURL(entryOf(name)).href);
}

/** A file inside a package, e.g. `partFile('fhirpath', 'fhir-context/r4/index.js')`. */
export function partFile(name, path) {
  return join(folderOf(name), path);
}

function folderOf(name) {
  const folder = join(home, 'node_modules', name);
  if (!existsSync(folder)) {
    console.error(`far_end: ${name} is not in ${home}; run ${join(here, 'install')} ${home}`);
    process.exit(69); // EX_UNAVAILABLE
  }
  return folder;
}

function entryOf(name) {
  const about = JSON.parse(readFileSync(join(folderOf(name), 'package.json'), 'utf8'));
  let entry = about.exports?.['.'] ?? about.exports ?? about.main ?? 'index.js';
  while (typeof entry === 'object') entry = entry.import ?? entry.default ?? entry.require;
  return join(folderOf(name), entry);
}
