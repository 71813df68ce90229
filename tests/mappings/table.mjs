// The kind table as data. Numbers come as decimal text with their digits ("38.0"), so that nothing goes through a double.

import { readFileSync, readdirSync } from 'node:fs';
import { createRequire } from 'node:module';
import { join } from 'node:path';

const root = process.env.WARDPOST_MAPPINGS;
const parts = process.env.WARDPOST_PARTS;

/** JSON with numbers as text. A text of the file cannot be taken for one: numbers get a mark that no text here has. */
export function parse(text) {
  const marked = text.replace(/"(?:[^"\\]|\\.)*"|-?\d+(?:\.\d+)?(?:[eE][+-]?\d+)?/g, (token) => (token[0] === '"' ? token : `"\\u0001${token}"`));
  return JSON.parse(marked, (_, value) => (typeof value === 'string' && value[0] === '\u0001' ? value.slice(1) : value));
}

const read = (path) => parse(readFileSync(join(root, path), 'utf8'));
const folder = (name) =>
  Object.fromEntries(readdirSync(join(root, name)).filter((file) => file.endsWith('.json')).map((file) => [file.slice(0, -5), read(`${name}/${file}`)]));

export const units = read('units.json');
export const kinds = folder('kinds');
export const lists = folder('codings');
export const scores = folder('scores');
export const between = read('checks.json').checks;
export const panel = read('panel.json');
export const reasons = read('not-taken.json').reasons;
export const readme = readFileSync(join(root, 'README.md'), 'utf8');
export const files = { 'units.json': units, 'checks.json': between, 'panel.json': panel, 'not-taken.json': reasons, kinds, codings: lists, scores };

export const facts = (name) => parse(readFileSync(new URL(`facts/${name}.json`, import.meta.url), 'utf8'));

/** From the npm parts: HL7's definitions by file name; the UCUM library. */
export const hl7 = (name) => JSON.parse(readFileSync(join(parts, 'node_modules/hl7.fhir.r4.examples', `${name}.json`), 'utf8'));
export const hl7Names = () => readdirSync(join(parts, 'node_modules/hl7.fhir.r4.examples'));
export const ucum = createRequire(join(parts, 'package.json'))('@lhncbc/ucum-lhc').UcumLhcUtils.getInstance();

/** Every object below a value, with where it stands. */
export function* objects(value, at = '') {
  if (value === null || typeof value !== 'object') return;
  if (!Array.isArray(value)) yield [at, value];
  for (const [name, one] of Object.entries(value)) yield* objects(one, `${at}/${name}`);
}

export const system = (name) => units.systems[name] ?? name;

/** All codings of a value: an object with system and code is one. */
export const codings = (value) => [...objects(value)].filter(([, one]) => one.system && one.code).map(([at, one]) => [at, { ...one, system: system(one.system) }]);

/** The fields of a kind by path, groups opened. */
export function fields(kind) {
  return Object.entries(kind.context ?? {}).flatMap(([name, field]) =>
    field.type === 'group' ? Object.entries(field.fields).map(([inner, one]) => [`${name}.${inner}`, one]) : [[name, field]],
  );
}

/** Parts and quantity fields: whatever has limits. [kind, path, part] */
export const measured = () =>
  Object.entries(kinds).flatMap(([name, kind]) => [...Object.entries(kind.parts), ...fields(kind).filter(([, field]) => field.limits)].map(([path, part]) => [name, path, part]));

const MONTHS = { D: 0, W: 0, M: 1, Y: 12 };

/** Days from a birth on 2001-01-01 to the age. */
export function days(age) {
  const [, count, unit] = /^P(\d+)([DWMY])$/.exec(age);
  if (!MONTHS[unit]) return Number(count) * (unit === 'W' ? 7 : 1);
  return Math.round((Date.UTC(2001, Number(count) * MONTHS[unit], 1) - Date.UTC(2001, 0, 1)) / 86400000);
}

export const bandOf = (row) => [row.ages?.from ? days(row.ages.from) : 0, row.ages?.to ? days(row.ages.to) : Infinity];

/** Does a row hold at this age (in days)? */
export const holdsAt = (row, age) => age >= bandOf(row)[0] && age < bandOf(row)[1];

/** The conversion from one unit to another as listed; the same unit is its own. */
export const way = (from, to) => (from === to ? {} : units.conversions.find((one) => one.from === from && one.to === to));
