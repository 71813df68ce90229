// Batches and transactions, around the engine's own processing of entries.
//
// What the engine leaves out and R4 http.html#transaction asks for is done here: rollback, conditional
// references, only references (not identifiers) being rewritten, complete entry answers.

import { part } from './parts.mjs';
import { refuse, refuseWith, statusOf } from './outcome.mjs';
import { randomUUID } from 'node:crypto';

const { isOk, parseSearchRequest } = await part('@medplum/core');
const { processBatch } = await part('@medplum/fhir-router');

const REASON = { 200: '200 OK', 201: '201 Created', 204: '204 No Content' };

/** Answer a Bundle that was POSTed to the base. */
export async function answerBundle(request, repository, router, options) {
  const bundle = request.body;
  const transaction = bundle.type === 'transaction';
  if (bundle.type !== 'batch' && !transaction) {
    throw refuse(400, 'value', `A Bundle of type "${bundle.type}" cannot be processed; batch or transaction can`, 'Bundle.type');
  }
  if (transaction && options.noTransaction) throw refuse(400, 'not-supported', 'This server does not support transactions');
  if (!Array.isArray(bundle.entry) || bundle.entry.length === 0) throw refuse(400, 'required', 'The Bundle has no entry', 'Bundle.entry');
  if (options.maxEntries && bundle.entry.length > options.maxEntries) {
    throw refuse(413, 'too-costly', `A Bundle may have ${options.maxEntries} entries here, not ${bundle.entry.length}`);
  }

  return transaction ? runTransaction(request, repository, router, options) : runBatch(request, repository, router);
}

async function runBatch(request, repository, router) {
  renameFullUrls(request.body);
  return dress(await processBatch(request, repository, router, request.body), 'batch-response', repository, request.body);
}

/** All or nothing. The engine stops a transaction at its first failure and leaves the undoing to the
 * repository. It also allows 8 entries at most when one is conditional, and 50 updates; unless those
 * limits are wanted, it gets the Bundle as a batch, and the first entry that failed undoes the whole. */
async function runTransaction(request, repository, router, { medplumLimits }) {
  const bundle = request.body;
  return repository.withTransaction(async () => {
    renameFullUrls(bundle);
    if (medplumLimits) {
      request.config = { transactions: true };
      await resolveConditionalReferences(bundle, repository);
      return dress(await processBatch(request, repository, router, bundle), 'transaction-response', repository, bundle);
    }
    refuseDuplicateIdentities(bundle);
    await resolveConditionalReferences(bundle, repository);
    const result = await processBatch(request, repository, router, { ...bundle, type: 'batch' });
    const failed = result.entry.findIndex((entry) => !isOk(entry.response.outcome));
    if (failed >= 0) {
      const { outcome } = result.entry[failed].response;
      for (const issue of outcome.issue) issue.expression = [`Bundle.entry[${failed}]`, ...(issue.expression ?? [])];
      throw refuseWith(outcome);
    }
    return dress(result, 'transaction-response', repository, bundle);
  });
}

/** The engine rewrites every string that holds an entry's fullUrl, and so also an identifier
 * `urn:uuid:...` that happens to be the same. R4 asks for references and URIs only. We rewrite those
 * to a fresh name first; then no other string can be hit. */
function renameFullUrls(bundle) {
  const names = new Map();
  for (const entry of bundle.entry) {
    if (!/^urn:uuid:/.test(entry?.fullUrl ?? '')) continue;
    if (!names.has(entry.fullUrl)) names.set(entry.fullUrl, `urn:uuid:${randomUUID()}`);
    entry.fullUrl = names.get(entry.fullUrl);
  }
  if (names.size === 0) return;
  for (const entry of bundle.entry) {
    eachReference(entry?.resource, (holder, key) => {
      if (names.has(holder[key])) holder[key] = names.get(holder[key]);
    });
  }
}

/** R4 http.html#trules: `Patient?identifier=...` as a reference must match exactly one. */
async function resolveConditionalReferences(bundle, repository) {
  const wanted = [];
  bundle.entry.forEach((entry, index) =>
    eachReference(entry?.resource, (holder, key) => {
      if (/^[A-Z][A-Za-z]+\?/.test(holder[key])) wanted.push({ holder, key, index });
    }),
  );
  for (const { holder, key, index } of wanted) {
    const search = parseSearchRequest(holder[key]);
    if (!search.filters?.length) throw refuse(400, 'invalid', 'Conditional reference without a search parameter', `Bundle.entry[${index}]`);
    const matches = await repository.searchResources({ ...search, count: 2 });
    if (matches.length !== 1) {
      throw refuse(412, matches.length > 1 ? 'multiple-matches' : 'not-found', `Conditional reference matches ${matches.length === 0 ? 'nothing' : 'more than one'}`, `Bundle.entry[${index}]`);
    }
    holder[key] = `${matches[0].resourceType}/${matches[0].id}`;
  }
}

function eachReference(node, visit) {
  if (Array.isArray(node)) node.forEach((item) => eachReference(item, visit));
  else if (typeof node === 'object' && node !== null) {
    for (const [key, value] of Object.entries(node)) {
      if (typeof value === 'object') eachReference(value, visit);
      else if (typeof value === 'string' && /^(reference|value(Uri|Url|Uuid|Oid))$/.test(key)) visit(node, key);
    }
  }
}

/** R4 http.html#trules: a transaction may name a resource only once. */
function refuseDuplicateIdentities(bundle) {
  const seen = new Set();
  for (const { request } of bundle.entry.filter((entry) => typeof entry?.request?.url === 'string')) {
    const name = ['PUT', 'DELETE', 'PATCH'].includes(request.method) && request.url.includes('/') ? request.url : undefined;
    if (name && seen.has(name)) throw refuse(400, 'duplicate', `${name} is in the transaction twice`);
    if (name) seen.add(name);
  }
}

/** Complete the engine's entry answers: our status, ETag, Last-Modified, a versioned location. */
function dress(result, type, repository, bundle) {
  result.type = type;
  result.entry.forEach((entry, index) => {
    const { response, resource } = entry;
    let status = statusOf(response.outcome);
    if (resource?.meta?.versionId && resource.resourceType !== 'Bundle') {
      const name = `${resource.resourceType}/${resource.id}`;
      if (bundle.entry[index].request.method === 'PUT' && repository.created.delete(name)) status = 201;
      response.location = `${name}/_history/${resource.meta.versionId}`;
      response.etag = `W/"${resource.meta.versionId}"`;
      response.lastModified = resource.meta.lastUpdated;
    }
    response.status = REASON[status] ?? String(status);
    if (isOk(response.outcome)) delete response.outcome;
    if (!resource) delete entry.resource;
    if (!response.location) delete response.location;
  });
  return result;
}
