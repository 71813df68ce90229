// The engine's view of the store: what @medplum/fhir-router asks of a repository, kept strict.
//
// Its own MemoryRepository validates nothing, rolls nothing back, takes ids from clients on create,
// matches identifiers whatever their case and looks at every resource for each conditional create.

import { part } from './parts.mjs';
import { keysOf } from './match.mjs';
import { refuse } from './outcome.mjs';

const { FhirRepository } = await part('@medplum/fhir-router');
const { applyPatch } = await part('rfc6902');

const DEFAULT_COUNT = 50;
const MAX_COUNT = 1000;

export class Repository extends FhirRepository {
  #store;
  #check; // (resource) => void, throws when the resource may not be stored
  #options;
  /** Ids that an update made new; http.mjs turns their answer from 200 into 201. */
  created = new Set();

  constructor(store, check, options) {
    super();
    this.#store = store;
    this.#check = check;
    this.#options = options;
  }

  setMode() {}

  generateId() {
    return this.#store.newId();
  }

  withTransaction(work) {
    return this.#store.transaction(() => work(undefined));
  }

  /** R4 http.html#create: an id in the body is ignored. Inside a Bundle the engine assigned it
   * before, so that references between entries could be rewritten; then it stays. */
  async createResource(resource, options) {
    const id = options?.assignedId && resource.id ? resource.id : this.generateId();
    return this.#write({ ...resource, id });
  }

  async conditionalCreate(resource, search, options) {
    if (!this.#options.conditionalCreate) {
      throw refuse(400, 'not-supported', 'This server does not support conditional create (If-None-Exist)');
    }
    if (!search.filters?.length) throw refuse(400, 'invalid', 'If-None-Exist without a search parameter');
    const { id: _, ...body } = resource;
    return super.conditionalCreate(options?.assignedId ? resource : body, search, options);
  }

  async updateResource(resource, options) {
    const { resourceType: type, id } = resource;
    if (!/^[A-Za-z0-9.-]{1,64}$/.test(id)) throw refuse(400, 'value', `"${id}" is no FHIR id`);
    const existing = this.#store.find(type, id);
    if (options?.ifMatch) {
      if (!isHere(existing)) throw refuse(404, 'not-found', `${type}/${id} is not here`);
      if (options.ifMatch !== String(existing.versions.length)) {
        throw refuse(412, 'conflict', `${type}/${id} is at version ${existing.versions.length}, not ${options.ifMatch}`);
      }
    } else if (existing && this.#options.requireIfMatch) {
      throw refuse(400, 'required', 'An update needs If-Match here');
    }
    if (!existing && !this.#options.updateCreate) {
      throw refuse(405, 'not-supported', `${type}/${id} is not here, and this server takes no ids from clients`);
    }
    if (!isHere(existing)) this.created.add(`${type}/${id}`);
    return this.#write(resource);
  }

  async patchResource(type, id, patch) {
    const resource = await this.readResource(type, id);
    const failed = applyPatch(resource, patch).filter(Boolean);
    if (failed.length > 0) throw refuse(422, 'processing', failed.map((error) => error.message).join('; '));
    return this.updateResource(resource);
  }

  async deleteResource(type, id) {
    this.#current(type, id);
    await this.#store.transaction(() => this.#store.delete(type, id));
  }

  async readResource(type, id) {
    return JSON.parse(this.#current(type, id).versions.at(-1));
  }

  async readReference(reference) {
    const [type, id] = reference.reference?.split('/') ?? [];
    return this.readResource(type, id);
  }

  readReferences(references) {
    return Promise.all(references.map((reference) => this.readReference(reference).catch((error) => error)));
  }

  async readVersion(type, id, version) {
    const record = this.#store.find(type, id);
    const text = record?.versions[Number(version) - 1];
    if (!record || Number(version) > record.versions.length || !/^[1-9]\d*$/.test(version)) {
      throw refuse(404, 'not-found', `${type}/${id} has no version ${version}`);
    }
    if (text === undefined) throw refuse(410, 'deleted', `${type}/${id} was deleted in version ${version}`);
    return JSON.parse(text);
  }

  async readHistory(type, id) {
    const record = this.#store.find(type, id);
    if (!record) throw refuse(404, 'not-found', `${type}/${id} is not here`);
    const versions = record.versions.filter(Boolean).map((text) => JSON.parse(text)).reverse();
    return {
      resourceType: 'Bundle',
      type: 'history',
      total: versions.length,
      entry: versions.map((resource) => ({
        resource,
        request: { method: 'PUT', url: `${type}/${id}` },
        response: { status: '200', etag: `W/"${resource.meta.versionId}"`, lastModified: resource.meta.lastUpdated },
      })),
    };
  }

  async search({ resourceType, filters = [], count, offset = 0, sortRules = [], total }) {
    const found = sort(this.#store.search(resourceType, filters), sortRules);
    const size = total === 'count' ? 0 : Math.min(count ?? DEFAULT_COUNT, MAX_COUNT);
    const page = found.slice(offset, offset + size);
    return {
      resourceType: 'Bundle',
      type: 'searchset',
      total: found.length,
      // R4 bdl-* and JSON rules: an empty list is left out.
      ...(page.length > 0 && {
        entry: page.map((record) => ({ resource: JSON.parse(record.versions.at(-1)), search: { mode: 'match' } })),
      }),
    };
  }

  async searchByReference(search, field, references) {
    const result = {};
    for (const reference of references) {
      const filters = [...(search.filters ?? []), { code: field, operator: 'eq', value: reference }];
      result[reference] = await this.searchResources({ ...search, filters });
    }
    return result;
  }

  async #write(resource) {
    this.#check(resource);
    return this.#store.transaction(() => this.#store.put(resource));
  }

  #current(type, id) {
    const record = this.#store.find(type, id);
    if (!record) throw refuse(404, 'not-found', `${type}/${id} is not here`);
    if (!isHere(record)) throw refuse(410, 'deleted', `${type}/${id} was deleted`);
    return record;
  }
}

const isHere = (record) => record?.versions.at(-1) !== undefined;

function sort(records, rules) {
  if (rules.length === 0) return records;
  const keys = new Map(records.map((record) => [record, keysOf(JSON.parse(record.versions.at(-1)))]));
  const first = (record, code) => {
    const [key] = keys.get(record)[code] ?? [];
    return key?.from ?? key?.code ?? key?.reference ?? key;
  };
  return records.sort((a, b) => {
    for (const { code, descending } of rules) {
      const [x, y] = [first(a, code), first(b, code)];
      if (x === y) continue;
      if (x === undefined) return 1;
      if (y === undefined) return -1;
      return (x < y ? -1 : 1) * (descending ? -1 : 1);
    }
    return 0;
  });
}
