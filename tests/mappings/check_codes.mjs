// Codes: LOINC check digits, names as read at their sources, HL7's own displays, word lists and what refers to them.

import { codings, facts, fields, files, hl7, hl7Names, kinds, lists, objects, panel, readme, reasons, scores, units } from './table.mjs';
import { holds, same } from './testing.mjs';

const LOINC = 'http://loinc.org';
const loinc = facts('loinc');
const names = new Map(loinc.rows.map(([code, name]) => [code, name]));

export default function check() {
  checkDigits();
  checkLoincNames();
  checkHl7Displays();
  checkLists();
  checkSources();
}

function luhn(digits) {
  const sum = [...digits].reverse().reduce((sofar, digit, i) => sofar + (i % 2 ? Number(digit) : ((2 * digit) % 10) + (digit >= 5 ? 1 : 0)), 0);
  return (10 - (sum % 10)) % 10;
}

/** Answer codes: Luhn of the digits plus 5 for four of them, plus 2 for five (standards pack 0). */
function digitIsRight(code) {
  const [, answer, digits, last] = /^(LA)?(\d+)-(\d)$/.exec(code) ?? [];
  if (!digits) return false;
  const plus = answer ? { 4: 5, 5: 2 }[digits.length] : 0;
  return (luhn(digits) + plus) % 10 === Number(last);
}

function checkDigits() {
  holds(!digitIsRight('3150-6') && digitIsRight('3150-0') && !digitIsRight('LA6556-1'), 'the check digit rule tells 3150-6 from 3150-0');
  for (const [code] of loinc.rows) holds(digitIsRight(code), `check digit of ${code} in the facts`);
  for (const [at, one] of codings(files)) if (one.system === LOINC) holds(digitIsRight(one.code), `${at}: check digit of ${one.code}`);
}

function checkLoincNames() {
  for (const [at, one] of codings(files)) {
    if (one.system !== LOINC) continue;
    if (!holds(names.has(one.code), `${at}: ${one.code} was read at no source`)) continue;
    same(one.display ?? '', names.get(one.code), `${at}: name of ${one.code}`);
  }
  for (const [, list] of Object.entries(lists).filter(([name]) => name.startsWith('glasgow-')))
    for (const word of list.words)
      if (word.codings) same(word.points, loinc['glasgow points'][word.codings[0].code], `points of ${word.word} (${word.codings[0].code})`);
}

/** Displays in HL7's package, by system and code: its code systems in whole, and codings in its examples and value sets. */
function hl7Displays() {
  const found = new Map();
  const add = (where, code, display) => found.set(`${where}|${code}`, (found.get(`${where}|${code}`) ?? new Set()).add(display));
  for (const file of hl7Names().filter((name) => /^(CodeSystem-(v2-0163|v2-0550|observation-category|data-absent-reason)|Observation-|ValueSet-observation-vitalsign)/.test(name))) {
    const resource = hl7(file.slice(0, -5));
    for (const [, one] of objects(resource)) {
      if (one.system && one.code && one.display) add(one.system, one.code, one.display);
      if (resource.resourceType === 'CodeSystem' && one.code && one.display) add(resource.url, one.code, one.display);
      for (const concept of one.system && one.concept ? one.concept : []) if (concept.display) add(one.system, concept.code, concept.display);
    }
  }
  return found;
}

/** HL7's examples print LOINC names by hand, some in lower case or shortened; where they carry the code, one of them is ours. */
const HL7_SPELLS_OTHERWISE = new Map([
  ['85353-1', 'R4 prints "&" for "and", LOINC prints "and"'],
  ['29463-7', 'the example has "Body Weight", LOINC "Body weight"'],
  ['9267-6', 'the glasgow example names the parts in its own words'],
  ['9268-4', 'the glasgow example names the parts in its own words'],
  ['9270-0', 'the glasgow example names the parts in its own words'],
]);

function checkHl7Displays() {
  const found = hl7Displays();
  let compared = 0;
  for (const [at, one] of codings(files)) {
    const theirs = found.get(`${one.system}|${one.code}`);
    if (one.system.includes('terminology.hl7.org')) holds(theirs, `${at}: ${one.code} is no code of ${one.system}`);
    if (!theirs || !one.display) continue;
    compared += 1;
    const ours = one.display;
    if (one.system === LOINC && HL7_SPELLS_OTHERWISE.has(one.code)) continue;
    holds(theirs.has(ours), `${at}: ${one.code} is "${ours}", HL7 prints ${[...theirs].map((text) => `"${text}"`).join(', ')}`);
  }
  holds(compared > 40, `only ${compared} displays could be compared with HL7's`);
}

function checkLists() {
  for (const [name, list] of Object.entries(lists)) {
    same(list.list, name, `codings/${name}.json names itself`);
    same(new Set(list.words.map((word) => word.word)).size, list.words.length, `${name}: words stand once`);
    for (const word of list.words) holds(/^[a-z][a-z0-9-]*$/.test(word.word) && word.text, `${name}: ${word.word} is a word with a text`);
  }
  const used = new Set();
  for (const [name, kind] of Object.entries(kinds)) {
    same(kind.kind, name, `kinds/${name}.json names itself`);
    for (const [path, one] of [...Object.entries(kind.parts), ...fields(kind)]) {
      if (one.list) {
        used.add(one.list);
        holds(lists[one.list], `${name} ${path}: list ${one.list}`);
      }
      if (one.as === 'component' || one.as === 'companion') holds(one.code?.length > 0, `${name} ${path}: a ${one.as} has a code`);
      if (one.as === 'code')
        for (const word of lists[one.list].words) holds(word.codings || word.as, `${name} ${path}: ${word.word} has no code and goes nowhere`);
    }
  }
  for (const name of Object.keys(lists)) holds(used.has(name), `list ${name} is used by no kind`);
  same(new Set(Object.values(kinds).map((kind) => kind.order)).size, Object.keys(kinds).length, 'every kind has a place of its own');
  for (const reason of reasons) holds(['asked-declined', 'not-performed'].includes(reason.coding.code), `reason ${reason.word}`);
  same(reasons.find((reason) => reason.word === 'refused').coding.code, 'asked-declined', 'refused');
  same(panel.code.map((one) => one.code), ['85353-1'], 'the panel');
  same(units.systems['wardpost-scores'], 'https://wardpost.example/CodeSystem/scores', 'the local code system');
  for (const [, score] of Object.entries(scores)) holds(score.credit.includes('© Royal College of Physicians 2017'), 'the credit line of NEWS2');
}

/** Whatever carries a number that somebody must answer for says where it is from; keys are explained in the README. */
function checkSources() {
  const numbered = ['below', 'above', 'low', 'high', 'at-most', 'at-least', 'grade', 'if', 'interval-minutes', 'times', 'over', 'add'];
  const keys = new Set([...readme.matchAll(/^\| ([A-Z0-9-]+(?:, [A-Z0-9-]+)*) \|/gm)].flatMap(([, list]) => list.split(', ')));
  for (const [at, one] of objects(files)) {
    const isCondition = /\/if\/\d+$/.test(at) || /\/estimate(\/|$)/.test(at);
    if (!isCondition && numbered.some((name) => name in one)) holds(typeof one.source === 'string' && one.source, `${at}: a number without a source`);
    if (typeof one.source !== 'string') continue;
    const named = [...one.source.matchAll(/\b[A-Z]{3,}[0-9]{0,3}(?:-[A-Z]+)?\b/g)].map(([key]) => key);
    for (const key of named.filter((word) => !['UCUM', 'LOINC', 'WHO', 'ERC', 'WMS'].includes(word))) holds(keys.has(key), `${at}: source ${key} is not explained in the README`);
    holds(named.length > 0 || /common practice|from memory|proposal|by definition/.test(one.source), `${at}: "${one.source}" is no source`);
  }
}
