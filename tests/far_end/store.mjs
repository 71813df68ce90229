// The store: every version of every resource as JSON text, two indexes, and the journal behind it.
//
// Changes happen inside transaction(): all of them become one journal line, or none happens.
// Transactions nest (an inner one that fails undoes only its own changes). Callers take turns (see
// fhir.mjs), so there is never more than one open at a time.
//
// A record is one resource with its history: {type, id, versions: [text or undefined where deleted], keys}.
// Text, not objects, and no search keys but those of the indexes: 100,000 Observations fit a small machine.

import { randomUUID } from 'node:crypto';

import { Index } from './index.mjs';
import { Journal } from './journal.mjs';
import { keysOf, matcher, tokenOf } from './match.mjs';
import { parametersOf, valuesAt } from './parameters.mjs';

export class Store {
  #types = new Map(); // type -> Map of id -> record, in the order first stored
  #index = new Index(); // "Observation identifier VALUE", "Observation patient Patient/ID" -> records
  #journal;
  #changes = []; // of the open transaction, oldest first
  #depth = 0;
  #clock = 0;

  static async open(folder, options) {
    const store = new Store();
    store.#journal = await Journal.open(folder, { ...options, replay: (commit) => store.#replay(commit) });
    return store;
  }

  settled() {
    return this.#journal.settled();
  }

  close() {
    return this.#journal.close();
  }

  newId() {
    return randomUUID();
  }

  /** The current record, also of a deleted resource (its last version is then undefined). */
  find(type, id) {
    return this.#types.get(type)?.get(id);
  }

  /** The current resource, or undefined. */
  read(type, id) {
    const text = this.find(type, id)?.versions.at(-1);
    return text && JSON.parse(text);
  }

  get size() {
    let size = 0;
    for (const records of this.#types.values()) size += records.size;
    return size;
  }

  /** Keep a resource as its next version. Returns it with id and meta filled in. */
  put(resource) {
    const { resourceType: type, id } = resource;
    const version = (this.find(type, id)?.versions.length ?? 0) + 1;
    const meta = { ...resource.meta, versionId: String(version), lastUpdated: this.#now() };
    const { resourceType, id: _, meta: __, ...rest } = resource;
    const kept = { resourceType, id, meta, ...rest };
    this.#apply(type, id, JSON.stringify(kept), kept);
    return kept;
  }

  delete(type, id) {
    this.#apply(type, id, undefined, undefined);
  }

  async transaction(work) {
    const mark = this.#changes.length;
    this.#depth += 1;
    try {
      const result = await work();
      if (this.#depth === 1) this.#commit();
      return result;
    } catch (error) {
      while (this.#changes.length > mark) this.#changes.pop().undo();
      throw error;
    } finally {
      this.#depth -= 1;
    }
  }

  /** The records that meet every filter, in the order first stored. */
  search(type, filters) {
    const test = matcher(type, filters);
    const found = [];
    for (const record of this.#candidates(type, filters)) {
      const text = record.versions.at(-1);
      if (text !== undefined && (filters.length === 0 || test(keysOf(JSON.parse(text))))) found.push(record);
    }
    return found;
  }

  /** Each identifier of a type, as system|value, with the ids of the resources that carry it. */
  *identifiers(type) {
    const start = `${type} identifier `;
    for (const key of this.#index.keys()) {
      if (!key.startsWith(start)) continue;
      const value = key.slice(start.length);
      const ids = new Map(); // by system
      for (const { id } of this.#index.get(key)) {
        for (const { system = '', value: own } of this.read(type, id).identifier) {
          if (own === value) ids.set(system, (ids.get(system) ?? new Set()).add(id));
        }
      }
      for (const [system, set] of ids) yield { identifier: `${system}|${value}`, ids: [...set] };
    }
  }

  /** A search by identifier, the way of every conditional create, looks only at its namesakes; by id, at one. */
  #candidates(type, filters) {
    const filter = (name, ...operators) => filters.find(({ code, operator, value }) => code === name && operators.includes(operator) && !value.includes(','))?.value;
    const identifier = filter('identifier', 'eq') && tokenOf(filter('identifier', 'eq'))[1];
    if (identifier) return this.#index.get(`${type} identifier ${identifier}`);
    const id = filter('_id', 'eq');
    if (id) return [this.find(type, id)].filter(Boolean);
    const patient = filter('patient', 'eq', 'Patient');
    if (/^(Patient\/)?[A-Za-z0-9.-]+$/.test(patient ?? '')) return this.#index.get(`${type} patient Patient/${patient.replace(/^Patient\//, '')}`);
    return this.#types.get(type)?.values() ?? [];
  }

  #apply(type, id, text, resource) {
    const records = this.#types.get(type) ?? new Map();
    this.#types.set(type, records);
    const before = records.get(id);
    const record = { type, id, versions: [...(before?.versions ?? []), text], keys: indexKeys(resource) };
    this.#forget(before);
    records.set(id, record); // an id already there keeps its place in the order
    this.#remember(record);
    this.#changes.push({
      type,
      id,
      text,
      undo: () => {
        this.#forget(record);
        if (before) records.set(id, before);
        else records.delete(id);
        this.#remember(before);
      },
    });
  }

  #commit() {
    if (this.#changes.length === 0) return;
    const parts = this.#changes.map(({ type, id, text }) =>
      text === undefined ? `{"delete":${JSON.stringify(`${type}/${id}`)}}` : `{"put":${text}}`,
    );
    this.#journal.append(`[${parts}]`);
    this.#changes = [];
  }

  #replay(commit) {
    for (const { put, delete: gone } of commit) {
      if (put) this.#apply(put.resourceType, put.id, JSON.stringify(put), put);
      else this.#apply(...gone.split('/'), undefined, undefined);
    }
    this.#changes = [];
  }

  #remember(record) {
    for (const key of record?.keys ?? []) this.#index.add(key, record);
  }

  #forget(record) {
    for (const key of record?.keys ?? []) this.#index.remove(key, record);
  }

  /** Never back, so that _lastUpdated orders what happened even when the machine's clock is set. */
  #now() {
    this.#clock = Math.max(Date.now(), this.#clock);
    return new Date(this.#clock).toISOString();
  }
}

function indexKeys(resource) {
  if (!resource) return [];
  const { resourceType: type } = resource;
  const patients = parametersOf(type).patient?.paths.flatMap((path) => valuesAt(resource, path)) ?? [];
  return [
    ...valuesAt(resource, 'identifier').map((one) => `${type} identifier ${one?.value}`),
    ...patients.map((one) => `${type} patient ${one?.reference}`),
  ];
}
