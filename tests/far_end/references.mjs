// --enforce-references: a literal reference to a resource of this server must lead somewhere.

import { refuse } from './outcome.mjs';

export function checkReferences(resource, store) {
  walk(resource, resource.resourceType);

  function walk(node, path) {
    if (Array.isArray(node)) node.forEach((item, index) => walk(item, `${path}[${index}]`));
    else if (typeof node === 'object' && node !== null) {
      const [, type, id] = /^([A-Z][A-Za-z]+)\/([A-Za-z0-9.-]{1,64})$/.exec(node.reference ?? '') ?? [];
      if (type) {
        if (!store.read(type, id)) throw refuse(422, 'not-found', `${type}/${id} is not here`, path);
      }
      for (const [name, value] of Object.entries(node)) walk(value, `${path}.${name}`);
    }
  }
}
