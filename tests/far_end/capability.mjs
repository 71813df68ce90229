// GET /metadata: what this server, with these switches, really does.

import { parametersOf } from './parameters.mjs';

export function capabilityStatement(types, url, options) {
  const system = [];
  if (!options.noBatch) system.push({ code: 'batch' });
  if (!options.noBatch && !options.noTransaction) system.push({ code: 'transaction' });
  const interactions = ['create', 'read', 'vread', 'update', 'patch', 'delete', 'history-instance', 'search-type'];
  return {
    resourceType: 'CapabilityStatement',
    status: 'active',
    date: '2026-11-25',
    kind: 'instance',
    software: { name: 'far end (test server)' },
    implementation: { description: 'A FHIR server for tests: demo data only', url },
    fhirVersion: '4.0.1',
    format: ['application/fhir+json', 'json'],
    patchFormat: ['application/json-patch+json'],
    rest: [
      {
        mode: 'server',
        ...(options.token && { security: { description: 'A bearer token is needed' } }),
        resource: types.map((type) => ({
          type,
          ...(!options.noValidate && type === 'Observation' && { supportedProfile: options.profiles }),
          interaction: interactions.map((code) => ({ code })),
          versioning: options.requireIfMatch ? 'versioned-update' : 'versioned',
          readHistory: true,
          updateCreate: options.updateCreate,
          conditionalCreate: options.conditionalCreate,
          conditionalUpdate: true,
          conditionalDelete: 'single',
          referencePolicy: ['literal', 'logical', ...(options.enforceReferences ? ['enforced'] : [])],
          searchParam: Object.entries(parametersOf(type)).map(([name, { type: kind }]) => ({ name, type: kind })),
        })),
        ...(system.length > 0 && { interaction: system }),
      },
    ],
  };
}
