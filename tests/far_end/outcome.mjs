// OperationOutcomes and the HTTP status each one travels with.
//
// The engine derives a status from a few outcome ids and knows neither 405 nor 422 (it would say 400),
// so a refusal of ours carries its own status, kept beside the outcome and looked up when answering.

import { part } from './parts.mjs';

const { OperationOutcomeError, getStatus } = await part('@medplum/core');

const statuses = new WeakMap();

export function statusOf(outcome) {
  return statuses.get(outcome) ?? getStatus(outcome);
}

/** An OperationOutcome with one issue. Codes: http://hl7.org/fhir/issue-type. */
export function outcome(status, code, text, expression) {
  return outcomeOf(status, [{ severity: 'error', code, details: { text }, ...(expression && { expression: [expression] }) }]);
}

export function outcomeOf(status, issue) {
  const made = { resourceType: 'OperationOutcome', issue };
  statuses.set(made, status);
  return made;
}

/** The same as an error, for the engine to carry to the answer or to a Bundle entry's response. */
export function refuse(status, code, text, expression) {
  return new OperationOutcomeError(outcome(status, code, text, expression));
}

export function refuseWith(made) {
  return new OperationOutcomeError(made);
}
