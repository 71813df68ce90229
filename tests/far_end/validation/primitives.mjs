// R4's primitive types in JSON: the JSON type, HL7's own regular expression (from each type's
// StructureDefinition), and what a regular expression cannot say (30 February).

import { structureOfType } from '../definitions.mjs';

const NUMBERS = { integer: [-(2 ** 31), 2 ** 31 - 1], positiveInt: [1, 2 ** 31 - 1], unsignedInt: [0, 2 ** 31 - 1], decimal: undefined };

// For these HL7's expression says no more than "not empty", at a price that grows with the text.
const FREE_TEXT = ['string', 'markdown', 'xhtml', 'base64Binary'];

const patterns = new Map();

/** What is wrong with a value as this type, or undefined. */
export function primitiveProblem(type, value) {
  if (type === 'boolean') return typeof value === 'boolean' ? undefined : `${shown(value)} is not true or false`;
  if (type in NUMBERS) return numberProblem(type, value);
  if (typeof value !== 'string') return `${shown(value)} is not a JSON string, as ${type} must be`;
  if (value === '') return 'is an empty string';
  if (FREE_TEXT.includes(type)) return textProblem(type, value);
  if (!patternOf(type).test(value)) return `${shown(value)} is not a valid ${type}${hint(type, value)}`;
  if (['date', 'dateTime', 'instant'].includes(type) && !dayExists(value)) return `${shown(value)} is a date that does not exist`;
  return undefined;
}

function numberProblem(type, value) {
  if (typeof value !== 'number') return `${shown(value)} is not a JSON number, as ${type} must be`;
  if (!Number.isFinite(value)) return `${value} is no number of FHIR`;
  if (type === 'decimal') return undefined;
  const [least, most] = NUMBERS[type];
  return Number.isInteger(value) && value >= least && value <= most ? undefined : `${value} is not a valid ${type}`;
}

function textProblem(type, value) {
  if (!/\S/.test(value)) return 'is nothing but white space';
  if (type === 'xhtml' && !/^\s*<div[^>]*xmlns=["']http:\/\/www\.w3\.org\/1999\/xhtml["'][^]*<\/div>\s*$/.test(value)) return 'is not an XHTML <div>';
  if (type === 'base64Binary' && !/^[\sA-Za-z0-9+/]*=?\s*=?\s*$/.test(value)) return 'is not base64';
  return undefined;
}

function patternOf(type) {
  if (!patterns.has(type)) {
    const { elements } = structureOfType(type);
    const regex = elements.find(({ id }) => id === `${type}.value`)?.types?.[0].regex;
    patterns.set(type, regex ? new RegExp(`^(?:${regex})$`) : /\S/);
  }
  return patterns.get(type);
}

function hint(type, value) {
  if (!['dateTime', 'instant'].includes(type) || !value.includes('T')) return '';
  return ' (with a time it needs seconds and a zone, Z or +hh:mm)';
}

function dayExists(value) {
  const [, year, month, day] = /^(\d{4})(?:-(\d\d)(?:-(\d\d))?)?/.exec(value);
  if (!day) return true;
  const date = new Date(Date.UTC(2000, Number(month) - 1, Number(day)));
  date.setUTCFullYear(Number(year), Number(month) - 1, Number(day));
  return date.getUTCMonth() + 1 === Number(month) && date.getUTCDate() === Number(day);
}

export function shown(value) {
  const text = JSON.stringify(value) ?? String(value);
  return text.length > 60 ? text.slice(0, 57) + '...' : text;
}
