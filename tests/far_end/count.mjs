// An independent count of what is in the chart: how often is each identifier there?
//
//   node count.mjs DIR              reads the journal in a data folder, without the server
//   node count.mjs http://.../fhir  asks the server through fhir-kit-client, page by page
//   switches: --type Observation   --list (also print every identifier)   --token T
//
// Prints one JSON object; exits 0 when every identifier is there once, 1 when one is there twice.
// Neither way shares the server's store, index or search.

import { journalPath, readJournal } from './journal.mjs';
import { part } from './parts.mjs';

const PAGE = 500;

/** Current resources of a type, from the journal in a folder. */
async function fromJournal(folder, type) {
  const current = new Map();
  for await (const { commit } of readJournal(journalPath(folder))) {
    for (const { put, delete: gone } of commit) {
      if (gone) current.delete(gone);
      else if (put.resourceType === type) current.set(`${type}/${put.id}`, put);
    }
  }
  return [...current.values()];
}

/** The same from a server, following its `next` links. */
async function fromServer(baseUrl, type, token) {
  const { Client } = await part('fhir-kit-client');
  const client = new Client({ baseUrl, ...(token && { bearerToken: token }) });
  const found = [];
  let bundle = await client.search({ resourceType: type, searchParams: { _count: PAGE } });
  while (bundle) {
    for (const { resource } of bundle.entry ?? []) found.push(resource);
    bundle = await client.nextPage({ bundle });
  }
  return found;
}

function summary(resources) {
  const ids = new Map(); // identifier -> ids of the resources that carry it
  let without = 0;
  for (const { id, identifier = [] } of resources) {
    if (identifier.length === 0) without += 1;
    for (const { system = '', value } of identifier) {
      const name = `${system}|${value}`;
      ids.set(name, [...(ids.get(name) ?? []), id]);
    }
  }
  const duplicates = [...ids].filter(([, list]) => list.length > 1).map(([identifier, list]) => ({ identifier, ids: list }));
  return { resources: resources.length, withoutIdentifier: without, identifiers: ids.size, duplicates, all: [...ids.keys()] };
}

const words = process.argv.slice(2);
const valueOf = (name) => (words.includes(name) ? words[words.indexOf(name) + 1] : undefined);
const [place] = words.filter((word, i) => !word.startsWith('--') && !['--type', '--token'].includes(words[i - 1]));
if (!place) {
  console.error('usage: node count.mjs DIR|URL [--type TYPE] [--list] [--token TOKEN]');
  process.exit(64); // EX_USAGE
}
const type = valueOf('--type') ?? 'Observation';
const resources = await (/^https?:/.test(place) ? fromServer(place, type, valueOf('--token')) : fromJournal(place, type));
const { all, ...counted } = summary(resources);
console.log(JSON.stringify({ type, ...counted, ...(words.includes('--list') && { list: all }) }));
process.exitCode = counted.duplicates.length > 0 ? 1 : 0;
