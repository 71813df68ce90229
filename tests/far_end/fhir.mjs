// FHIR's REST rules around the engine: what is asked (with the switches), what is answered
// (status, Location, ETag, Prefer). Knows no sockets and no faults.

import { part } from './parts.mjs';
import { answerBundle } from './bundles.mjs';
import { capabilityStatement } from './capability.mjs';
import { resourceTypes } from './definitions.mjs';
import { outcome, refuse, statusOf } from './outcome.mjs';
import { Repository } from './repository.mjs';

const { normalizeOperationOutcome } = await part('@medplum/core');
const { FhirRouter } = await part('@medplum/fhir-router');

const METHODS = ['GET', 'HEAD', 'POST', 'PUT', 'PATCH', 'DELETE'];

/** Answers {method, path, query (URLSearchParams), headers, body} with {status, headers, body}. */
export class Fhir {
  #store;
  #check;
  #options;
  #router = new FhirRouter();
  #turn = Promise.resolve();

  constructor(store, check, options) {
    this.#store = store;
    this.#check = check;
    this.#options = options;
  }

  async answer(request) {
    let made;
    try {
      made = request.path === 'metadata' ? this.#metadata(request) : await this.#inTurn(() => this.#process(request));
    } catch (error) {
      made = { result: [normalizeOperationOutcome(error)] };
    }
    // Whatever this answer tells, also of others' writes, is on disk before it is told.
    await this.#store.settled();
    return this.#dress(request, made);
  }

  /** One request at a time: the engine awaits between looking and creating, and two conditional
   * creates of one identifier must not both see nothing. */
  #inTurn(work) {
    const result = this.#turn.then(work);
    this.#turn = result.catch(() => {});
    return result;
  }

  #metadata({ method }) {
    if (!['GET', 'HEAD'].includes(method)) throw refuse(405, 'not-supported', `${method} on /metadata`);
    const { baseUrl } = this.#options;
    return { result: [outcome(200, 'informational', 'All OK'), capabilityStatement([...resourceTypes].sort(), baseUrl, this.#options)] };
  }

  async #process(request) {
    const { method, path, query, headers, body } = request;
    if (!METHODS.includes(method)) throw refuse(405, 'not-supported', `${method} is not supported`);
    const repository = new Repository(this.#store, this.#check, this.#options);
    const [type, ...rest] = path.split('/');
    if (type && !resourceTypes.has(type)) throw refuse(404, 'not-supported', `There is no resource type "${type}"`);
    if (rest.length > 3) throw refuse(404, 'not-found', 'There is nothing at this path');

    const engineRequest = {
      method: method === 'HEAD' ? 'GET' : method,
      url: path,
      pathname: '',
      params: {},
      query: queryOf(query),
      headers,
      body,
    };

    if (!type) {
      if (method !== 'POST') throw refuse(method === 'GET' ? 400 : 405, 'not-supported', 'Search over all types is not supported');
      if (this.#options.noBatch) throw refuse(405, 'not-supported', 'This server does not support batch or transaction');
      requireResource(body, 'Bundle');
      return { result: [outcome(200, 'informational', 'All OK'), await answerBundle(engineRequest, repository, this.#router, this.#options)] };
    }

    if (method === 'POST' && rest[0] === '_search') engineRequest.body = queryOf(query, body);
    else if (method === 'POST' || method === 'PUT') {
      requireResource(body, type);
      if (method === 'PUT' && rest.length === 1 && body.id !== rest[0]) throw refuse(400, 'invalid', `The id in the body must be "${rest[0]}"`, `${type}.id`);
    }
    const result = await this.#router.handleRequest(engineRequest, repository);
    const created = method === 'PUT' && result[1] && repository.created.has(`${type}/${result[1].id}`);
    return { result, created };
  }

  /** Status, headers and body of an answer. R4 http.html#create, #update, #return. */
  #dress({ method, path, query, headers: asked, body: sent }, { result: [verdict, resource], created }) {
    const status = created ? 201 : statusOf(verdict);
    const headers = {};
    const write = ['POST', 'PUT', 'PATCH'].includes(method) && !path.endsWith('/_search');
    const { versionId, lastUpdated } = resource?.meta ?? {};
    if (versionId) {
      headers.etag = `W/"${versionId}"`;
      headers['last-modified'] = new Date(lastUpdated).toUTCString();
      if (write) headers.location = `${this.#options.baseUrl}/${resource.resourceType}/${resource.id}/_history/${versionId}`;
    }
    if (status >= 400 || !resource) return { status, headers, body: verdict };
    if (resource.type === 'searchset') addLinks(resource, this.#options.baseUrl, path, queryOf(query, path.endsWith('/_search') ? sent : undefined));
    const prefer = write ? /\breturn=(minimal|representation|OperationOutcome)\b/.exec(asked.prefer ?? '')?.[1] : undefined;
    if (prefer === 'OperationOutcome') return { status, headers, body: verdict };
    if (prefer === 'minimal') {
      if (resource.resourceType !== 'Bundle') return { status, headers };
      for (const entry of resource.entry) delete entry.resource;
    }
    return { status, headers, body: resource };
  }
}

function requireResource(body, type) {
  if (typeof body !== 'object' || body === null || Array.isArray(body)) throw refuse(400, 'structure', 'The body must be a JSON object');
  if (body.resourceType !== type) throw refuse(400, 'invalid', `The body must be a ${type}, not "${body.resourceType}"`, 'resourceType');
}

/** {name: value or [values]}, from the URL and, for _search, the form. */
function queryOf(query, form = []) {
  const result = {};
  for (const [name, value] of [...query, ...form]) {
    if (name === '_format' || name === '_pretty') continue;
    result[name] = name in result ? [result[name], value].flat() : value;
  }
  return result;
}

/** R4 search.html#links: self, next and previous. */
function addLinks(bundle, baseUrl, path, query) {
  const url = (change) => {
    const pairs = Object.entries({ ...query, ...change }).flatMap(([name, value]) => [value].flat().map((one) => [name, String(one)]));
    const text = new URLSearchParams(pairs).toString();
    return `${baseUrl}/${path.replace('/_search', '')}${text && '?' + text}`;
  };
  const offset = Number(query._offset ?? 0);
  const size = bundle.entry?.length ?? 0;
  bundle.link = [{ relation: 'self', url: url({}) }];
  if (size > 0 && offset + size < bundle.total) bundle.link.push({ relation: 'next', url: url({ _offset: offset + size }) });
  if (offset > 0) bundle.link.push({ relation: 'previous', url: url({ _offset: Math.max(0, offset - Number(query._count ?? size)) }) });
  for (const entry of bundle.entry ?? []) entry.fullUrl = `${baseUrl}/${entry.resource.resourceType}/${entry.resource.id}`;
}
