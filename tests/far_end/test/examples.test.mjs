// Ground truth: HL7's own example resources. All of the 64 Observations are valid but two, and those for
// the reason that really is in them. Also: what is only a warning, every trigger code, the second opinions.

import assert from 'node:assert/strict';
import { readdirSync, readFileSync } from 'node:fs';
import { join } from 'node:path';
import { test } from 'node:test';

import { examples, resourceTypes, structureOfType, valueSet } from '../definitions.mjs';
import { example, heartRate, run, uuid } from '../testing.mjs';
import { validate } from '../validate.mjs';
import { triggers } from '../validation/triggers.mjs';

const filesOf = (type) => readdirSync(examples).filter((name) => name.startsWith(`${type}-`));
const read = (name) => JSON.parse(readFileSync(join(examples, name), 'utf8'));
const wrong = (names) => Object.fromEntries(names.map((name) => [name, validate(read(name)).map(({ path, text }) => `${path}: ${text}`)]).filter(([, found]) => found.length > 0));

test('the 64 example Observations: two are wrong, the rest valid', () => {
  const names = filesOf('Observation');
  assert.equal(names.length, 64);
  assert.deepEqual(wrong(names), {
    'Observation-clinical-gender.json': ['Observation.performer[0]: refers to a Encounter; CareTeam, Organization, Patient, Practitioner, PractitionerRole, RelatedPerson may stand here'],
    'Observation-f202.json': ['Observation.effective[x]: at least 1 needed, 0 found'],
  });
});

test('the examples of the other types: one device metric whose parent is a DeviceDefinition', () => {
  const names = ['AuditEvent', 'CapabilityStatement', 'Device', 'DeviceMetric', 'Encounter', 'Location', 'OperationOutcome', 'Organization', 'Patient', 'Practitioner', 'PractitionerRole', 'Provenance'].flatMap(filesOf);
  assert.ok(names.length > 90, `${names.length} examples`);
  assert.deepEqual(wrong(names), { 'DeviceMetric-example.json': ['DeviceMetric.parent: refers to a DeviceDefinition; Device may stand here'] });
});

test('the example Bundles: one entry with "tbl" as a UCUM code', () => {
  const names = filesOf('Bundle');
  assert.ok(names.length > 20, `${names.length} examples`);
  assert.deepEqual(Object.keys(wrong(names)), ['Bundle-father.json']);
});

test('dom-6 and extensible codes are warnings: said when asked for, refusing nothing', () => {
  const { text, ...noNarrative } = example('heart-rate');
  assert.deepEqual(validate(noNarrative), []);
  const warned = validate(noNarrative, { warnings: true });
  assert.deepEqual(warned.map(({ severity, path }) => [severity, path]), [['warning', 'Observation']]);
  assert.match(warned[0].text, /^dom-6/);
  const map = validate({ ...example('mbp'), meta: { profile: ['http://hl7.org/fhir/StructureDefinition/vitalsigns'] }, code: { text: 'mean pressure' } }, { warnings: true });
  assert.ok(map.some(({ severity, path, text: said }) => severity === 'warning' && path === 'Observation.code' && /extensible value set/.test(said)), JSON.stringify(map));
});

test('each trigger code pulls its profile in, without meta.profile', () => {
  assert.equal(triggers.length, 85, '82 LOINC codes and 3 of SNOMED');
  for (const [name, profile] of triggers) {
    const [system, code] = name.split('|');
    const { valueQuantity: _, ...lone } = heartRate(uuid(), { code: { coding: [{ system, code }] }, valueString: 'x' });
    const found = validate(lone);
    assert.ok(found.some((one) => one.profile === profile), `${name} should be judged by ${profile}: ${JSON.stringify(found)}`);
  }
  const map = heartRate(uuid(), { code: { coding: [{ system: 'http://loinc.org', code: '8478-0' }] } });
  assert.deepEqual(validate(map), [], 'a mean pressure triggers nothing');
});

test('every required binding has its value set, but one', () => {
  const missing = new Set();
  for (const type of [...resourceTypes, 'Quantity', 'Coding', 'Identifier', 'HumanName', 'ContactPoint']) {
    for (const { id, binding } of structureOfType(type).elements) {
      if (binding?.strength === 'required' && !valueSet(binding.valueSet)) missing.add(`${id} ${binding.valueSet}`);
    }
  }
  // One is kept by LOINC and is in no package of HL7.
  assert.deepEqual([...missing], ['MolecularSequence.structureVariant.variantType http://loinc.org/vs/LL379-9']);
});

test('the program: a file, a folder, NDJSON and a Bundle; exit codes', async () => {
  const good = await run('validate.mjs', [join(examples, 'Observation-heart-rate.json')]);
  assert.equal(good.code, 0, good.errors);
  assert.deepEqual([good.lines[0].resource, good.lines[0].valid], ['Observation/heart-rate', true]);

  const bad = { ...example('heart-rate'), status: 'done' };
  const lines = await run('validate.mjs', ['-'], `${JSON.stringify(example('mbp'))}\n${JSON.stringify(bad)}\n`);
  assert.deepEqual(lines.lines.map(({ valid }) => valid), [true, false]);
  assert.equal(lines.lines[1].findings[0].path, 'Observation.status');
  assert.equal(lines.code, 1);

  const bundle = { resourceType: 'Bundle', type: 'collection', entry: [{ resource: example('mbp') }, { resource: bad }] };
  const entries = await run('validate.mjs', ['-'], JSON.stringify(bundle));
  assert.deepEqual(entries.lines.map(({ valid }) => valid), [true, false, true]);
  assert.equal(entries.lines[1].findings[0].path, 'Bundle.entry[1].resource.status');
  assert.equal(entries.code, 1);

  assert.equal((await run('validate.mjs', ['-'], '{"resourceType":')).code, 65);
  assert.equal((await run('validate.mjs', [])).code, 64);
});

test('second opinions agree about the base types of the 64', async () => {
  const { secondOpinions } = await import('../second_opinions.mjs');
  const doubted = filesOf('Observation').filter((name) => secondOpinions(read(name)).length > 0);
  assert.deepEqual(doubted, ['Observation-clinical-gender.json']);
  const noZone = secondOpinions({ ...example('satO2'), effectiveDateTime: '2014-12-05T09:30:10' });
  assert.ok(noZone.some(({ by, path }) => by === 'HL7 JSON schema' && path === 'Observation.effectiveDateTime'), JSON.stringify(noZone));
  const wrongTarget = secondOpinions({ ...example('satO2'), subject: { reference: 'Medication/m' } });
  assert.ok(wrongTarget.some(({ by }) => by === 'fhir'), JSON.stringify(wrongTarget));
});
