// One HTTP exchange's wire work: reading a body, judging media types, sending an answer.

import { promisify } from 'node:util';
import { brotliDecompress, gunzip, inflate } from 'node:zlib';

import { refuse } from './outcome.mjs';

export const FHIR_JSON = 'application/fhir+json';
const JSON_TYPES = [FHIR_JSON, 'application/json'];
const DECODERS = { gzip: promisify(gunzip), deflate: promisify(inflate), br: promisify(brotliDecompress) };

/** All bytes of a body, decompressed; at most `limit` of them before and after. */
export async function readBody(request, limit) {
  const chunks = [];
  let size = 0;
  for await (const chunk of request) {
    size += chunk.length;
    if (size <= limit) chunks.push(chunk); // over the limit: drain, so that the client reads our answer
  }
  if (size > limit) throw refuse(413, 'too-long', `The body is larger than ${limit} bytes`);
  const bytes = Buffer.concat(chunks);
  const encoding = request.headers['content-encoding'];
  if (!encoding || encoding === 'identity') return bytes;
  const decode = DECODERS[encoding];
  if (!decode) throw refuse(415, 'not-supported', `Content-Encoding "${encoding}" is not understood`);
  try {
    return await decode(bytes, { maxOutputLength: limit });
  } catch (error) {
    if (error.code === 'ERR_BUFFER_TOO_LARGE') throw refuse(413, 'too-long', `The body is larger than ${limit} bytes`);
    throw refuse(400, 'structure', `The body is not valid ${encoding}`);
  }
}

/** R4 http.html#mime-type: application/fhir+json, plain JSON as well; fhirVersion must be ours. */
export function checkContentType(header, allowed = JSON_TYPES) {
  const { type, parameters } = mediaType(header ?? '');
  if (!allowed.includes(type)) throw refuse(415, 'not-supported', `Content-Type must be ${allowed.join(' or ')}`);
  if (!ourVersion(parameters)) throw refuse(415, 'not-supported', `fhirVersion must be 4.0, not ${parameters.fhirversion}`);
  if (parameters.charset && !/^utf-?8$/i.test(parameters.charset)) throw refuse(415, 'not-supported', 'The charset must be UTF-8');
}

export function checkAccept(header, format) {
  if (format !== null && format !== undefined) {
    if (!['json', ...JSON_TYPES].includes(mediaType(format.replace(' ', '+')).type)) throw refuse(406, 'not-supported', `_format "${format}" is not available`);
    return;
  }
  if (!header) return;
  const fits = header.split(',').map(mediaType).some(({ type, parameters }) =>
    Number(parameters.q ?? 1) > 0 && ourVersion(parameters) && ['*/*', 'application/*', ...JSON_TYPES].includes(type));
  if (!fits) throw refuse(406, 'not-supported', `${FHIR_JSON} is all there is`);
}

function mediaType(text) {
  const [type, ...rest] = text.split(';').map((piece) => piece.trim());
  const parameters = Object.fromEntries(rest.map((piece) => piece.split('=')).map(([name, value = '']) => [name.toLowerCase(), value.replace(/^"|"$/g, '')]));
  return { type: type.toLowerCase(), parameters };
}

const ourVersion = ({ fhirversion }) => fhirversion === undefined || /^4\.0(\.\d+)?$/.test(fhirversion);

/** JSON, strictly: UTF-8 only, and a place in the message where it broke. */
export function parseJson(bytes) {
  let text;
  try {
    text = new TextDecoder('utf-8', { fatal: true }).decode(bytes);
  } catch {
    throw refuse(400, 'structure', 'The body is not UTF-8');
  }
  try {
    return JSON.parse(text);
  } catch (error) {
    throw refuse(400, 'structure', `The body is not JSON: ${error.message}`);
  }
}

export function send(response, status, headers, body) {
  response.writeHead(status, body ? { 'content-length': Buffer.byteLength(body), ...headers } : { 'content-length': 0, ...headers });
  response.end(body);
}
