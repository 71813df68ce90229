// Profiles: that they exist at HL7, what they fix, and that no code we send pulls in a profile that does not fit.

import { facts, fields, hl7, hl7Names, kinds, lists, panel } from './table.mjs';
import { holds, same } from './testing.mjs';

const known = facts('profiles');
const BASE = 'http://hl7.org/fhir/StructureDefinition/';

export default function check() {
  const available = new Set(hl7Names());
  for (const [name, kind] of Object.entries(kinds)) {
    if (!kind.profile) continue;
    const short = kind.profile.slice(BASE.length);
    if (!holds(kind.profile.startsWith(BASE) && available.has(`StructureDefinition-${short}.json`), `${name}: profile ${kind.profile}`)) continue;
    checkProfile(name, kind, short);
  }
  same(hl7(`StructureDefinition-${panel.profile.slice(BASE.length)}`).url, panel.profile, 'the panel has a profile');
  same(hl7('StructureDefinition-vitalspanel').url, panel.profile, 'the panel is vitalspanel');
  checkTriggers();
  checkComponents();
}

function checkProfile(name, kind, short) {
  const definition = hl7(`StructureDefinition-${short}`);
  const elements = definition.snapshot.element;
  same(definition.url, kind.profile, `${name}: url of the profile`);
  same(fixedAt(elements, /^Observation\.code\.coding(:\w+)?\.code$/), [kind.code[0].code], `${name}: first code`);
  same([kind.code[0].code], [known.profiles[short][0]], `${name}: first code, as read in the standards pack`);
  same(fixedAt(elements, /^Observation\.category(:\w+)?\.coding\.code$/), [kind.category.code], `${name}: category`);
  for (const [path, part] of Object.entries(kind.parts)) {
    const allowed = unitsAllowed(elements, short);
    if (!allowed) continue;
    holds(allowed.includes(part.unit), `${name} ${path}: canonical unit ${part.unit}, the profile takes ${allowed}`);
    for (const unit of part['as-entered'] ?? []) holds(allowed.includes(unit), `${name} ${path}: ${unit} unconverted, the profile takes ${allowed}`);
    same([...allowed].sort(), [...known.profiles[short][1]].sort(), `${name} ${path}: units of the profile, as read in the standards pack`);
  }
  if (short === 'bp')
    for (const [path, code] of [['systolic', 'SystolicBP'], ['diastolic', 'DiastolicBP']])
      same(kind.parts[path].code[0].code, fixedAt(elements, new RegExp(`^Observation\\.component:${code}\\.code\\.coding(:\\w+)?\\.code$`))[0], `component ${path}`);
}

const fixedAt = (elements, pattern) => [...new Set(elements.filter((one) => pattern.test(one.id) && one.fixedCode).map((one) => one.fixedCode))];

/** What the profile fixes as the unit's code, else what its required binding holds. */
function unitsAllowed(elements, short) {
  const prefix = short === 'bp' ? /^Observation\.component:(Systolic|Diastolic)BP\.value\[x\](:valueQuantity)?\.code$/ : /^Observation\.value\[x\](:valueQuantity)?\.code$/;
  const fixed = fixedAt(elements, prefix);
  if (fixed.length > 0) return fixed;
  const bound = elements.find((one) => prefix.test(one.id) && one.binding?.strength === 'required')?.binding.valueSet.split('|')[0].split('/').pop();
  return bound ? hl7(`ValueSet-${bound}`).compose.include.flatMap((include) => include.concept.map((concept) => concept.code)) : undefined;
}

/** HL7's validator applies a profile to whatever carries one of these codes in Observation.code (standards pack 1.4). */
function checkTriggers() {
  const pulls = (code) => Object.keys(known.triggers).find((profile) => known.triggers[profile].split(' ').includes(code));
  for (const [name, kind] of Object.entries(kinds)) {
    const own = kind.profile?.slice(BASE.length);
    const asCode = fields(kind).filter(([, field]) => field.as === 'code').flatMap(([, field]) => lists[field.list].words.filter((word) => !word.as).flatMap((word) => word.codings ?? []));
    for (const { code } of [...kind.code, ...asCode]) {
      const pulled = pulls(code);
      holds(!pulled || pulled === own, `${name}: ${code} makes it a ${pulled}`);
    }
    for (const [path, field] of fields(kind)) if (field.as === 'companion') checkCompanion(`${name} ${path}`, kind, field, pulls);
  }
  holds(pulls('8480-6') === 'bp' && !pulls('8478-0'), 'the triggers tell 8480-6 from 8478-0');
}

/** A companion is an Observation of its own: with the profile that its codes pull in, or none. */
function checkCompanion(name, kind, field, pulls) {
  const own = field.profile?.slice(BASE.length);
  for (const { code } of field.code) same(pulls(code), own, `${name}: ${code} makes the companion what its profile says`);
  if (own) checkProfile(name, { profile: field.profile, code: field.code, category: field.category ?? kind.category, parts: { value: field } }, own);
}

/** Under base R4 a component of a vital sign has a value in one of these units or none (required binding; standards pack 1.3). */
function checkComponents() {
  const allowed = hl7('ValueSet-ucum-vitals-common').compose.include.flatMap((include) => include.concept.map((concept) => concept.code));
  holds(!allowed.includes('L/min'), 'L/min is not among the common vital-sign units');
  for (const [name, kind] of Object.entries(kinds)) {
    if (kind.category.code !== 'vital-signs') continue;
    for (const [path, field] of fields(kind)) holds(field.as !== 'component', `${name} ${path}: a component with ${field.unit ?? 'a concept'} fails base R4`);
    if (Object.keys(kind.parts).length > 1) for (const [path, part] of Object.entries(kind.parts)) holds(allowed.includes(part.unit), `${name} ${path}: ${part.unit} as a component`);
  }
}
