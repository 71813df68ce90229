// HL7's invariants, evaluated by fhirpath with its R4 model.

import { part, partFile } from '../parts.mjs';
import { pathToFileURL } from 'node:url';

const fhirpath = (await part('fhirpath')).default;
const r4 = (await import(pathToFileURL(partFile('fhirpath', 'fhir-context/r4/index.js')).href)).default;

// Done in walk.mjs or primitives.mjs, because the engine cannot (dom-3, txt-*) or because it would be
// asked for every single element (ele-1) or reference (ref-1).
const ELSEWHERE = ['ele-1', 'ref-1', 'dom-3', 'txt-1', 'txt-2'];

// Rules about contained resources: true of anything that contains none.
const ABOUT_CONTAINED = ['dom-2', 'dom-4', 'dom-5'];

export const isJudged = ({ key, expression }) => expression && !ELSEWHERE.includes(key);

const compiled = new Map();

/** 'holds', 'fails' or 'unknown' for a value; `base` is its FHIRPath type, e.g. "Quantity" or "Observation.component".
 * Unknown: the engine gave up, on data whose shape is wrong (said elsewhere) or on one regular
 * expression of ElementDefinition that is none in JavaScript. */
export function judge({ key, expression }, base, value, resource, root) {
  if (ABOUT_CONTAINED.includes(key) && value.contained === undefined) return 'holds';
  try {
    const [result] = evaluator(base, expression)(value, { resource, rootResource: root });
    return result === false ? 'fails' : 'holds'; // an empty answer (vs-1 about a Period) is not a no
  } catch {
    return 'unknown';
  }
}

function evaluator(base, expression) {
  const name = `${base}\n${expression}`;
  if (!compiled.has(name)) {
    const quiet = expression.replace(/\.trace\('[^']*'\)/g, ''); // trace() only prints
    compiled.set(name, fhirpath.compile(base ? { base, expression: quiet } : quiet, r4));
  }
  return compiled.get(name);
}
