// Codes: value set bindings, UCUM codes, LOINC check digits.

import { valueSet } from '../definitions.mjs';
import { shown } from './primitives.mjs';
import { isUcum, UCUM } from './units.mjs';

export const LOINC = 'http://loinc.org';

/** How to read the codings out of a bindable type; other types carry no code and are not bound. */
const CODINGS = {
  code: (value) => [{ code: value, anySystem: true }],
  uri: (value) => [{ code: value, anySystem: true }],
  string: (value) => [{ code: value, anySystem: true }],
  Coding: (value) => [value],
  Quantity: (value) => [value],
  CodeableConcept: (value) => value.coding ?? [],
};

/** What is wrong with a value under a binding, or undefined. A CodeableConcept needs one coding in the value set. */
export function bindingProblem({ valueSet: url, strength }, type, value) {
  const read = CODINGS[type];
  const set = read && valueSet(url);
  if (!set) return undefined;
  const codings = read(value);
  if (!Array.isArray(codings)) return undefined; // wrong JSON type, said elsewhere
  if (codings.some((coding) => contains(set, coding))) return undefined;
  // An extensible binding lets text, or a code for what the set lacks, stand instead.
  return `${shown(type === 'CodeableConcept' ? codings.map(({ code } = {}) => code) : codings[0]?.code ?? value)} is not in the ${strength} value set ${url}`;
}

function contains({ systems, open }, { system, code, anySystem } = {}) {
  if (code === undefined) return false;
  if (anySystem) return open.size > 0 || [...systems.values()].some((codes) => codes.has(code));
  return systems.get(system)?.has(code) || open.has(system) || false;
}

/** What is wrong with a Quantity's unit beyond its binding. */
export function unitProblem({ system, code }) {
  if (system !== UCUM || typeof code !== 'string' || isUcum(code)) return undefined;
  return `${shown(code)} is not a UCUM code`;
}

/** LOINC numbers end in a check digit (Luhn, mod 10, over the digits before the hyphen). */
export function loincProblem({ system, code }) {
  if (system !== LOINC || typeof code !== 'string' || /^L[A-Z]/.test(code)) return undefined;
  const [, digits, check] = /^(\d{1,7})-(\d)$/.exec(code) ?? [];
  if (!digits) return `${shown(code)} is not a LOINC code`;
  let sum = 0;
  [...digits].reverse().forEach((digit, place) => {
    const doubled = Number(digit) * (place % 2 === 0 ? 2 : 1);
    sum += doubled > 9 ? doubled - 9 : doubled;
  });
  return (10 - (sum % 10)) % 10 === Number(check) ? undefined : `${shown(code)} is not a LOINC code: its check digit is wrong`;
}
