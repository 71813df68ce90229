// Which profiles a resource must meet: those it claims, and those its codes pull in.
//
// R4 observation.html#core: a system that expresses these concepts SHALL conform to their profiles.
// HL7's validator finds them by code (class BasePolicyAdvisorForFullValidation, org.hl7.fhir.core);
// the LOINC lists are as read there, of its SNOMED lists three codes are known to us.

import { knownProfiles } from '../definitions.mjs';
import { LOINC } from './codes.mjs';

const SNOMED = 'http://snomed.info/sct';
const BASE = 'http://hl7.org/fhir/StructureDefinition/';

const BY_LOINC = {
  vitalspanel: '85353-1',
  resprate: '9279-1 76170-0 76172-6 76171-8 19840-8 33438-3 76270-8 11291-2',
  heartrate: '8867-4 8889-8 8890-6 8891-4 8892-2 8893-0 8886-4 60978-4 73795-7 73799-9 76476-1 76477-9 40443-4 55425-3 68999-2 69000-8 11328-2',
  oxygensat: '2708-6 59408-5 59417-6 20564-1 19224-5 2709-4 2710-2 2713-6 51733-4 89276-0 97549-0',
  bodytemp: '8310-5 8328-7 8329-5 8330-3 8331-1 8332-9 8333-7 8334-5 8309-7 60834-9 60835-6 60836-4 60838-0 60955-2 61009-7 75539-7 75987-8 76010-8 76011-6 76278-1 91371-5 98657-0 98663-8',
  bodyheight: '8302-2 3137-7 3138-5 8306-3 8308-9',
  headcircum: '9843-4 8287-5',
  bodyweight: '29463-7 3141-9 3142-7 75292-3 79348-9 8350-1 8351-9',
  bmi: '39156-5 89270-3',
  bp: '85354-9 35094-2 55284-4 76534-7 8459-0 8480-6',
};
const BY_SNOMED = { resprate: '86290005', bodytemp: '415882003', bp: '271649006' };

const table = new Map();
for (const [system, rows] of [[LOINC, BY_LOINC], [SNOMED, BY_SNOMED]]) {
  for (const [profile, codes] of Object.entries(rows)) {
    for (const code of codes.split(' ')) table.set(`${system}|${code}`, BASE + profile);
  }
}

/** Every code that pulls in a profile: [system|code, profile URL]. */
export const triggers = [...table];

/** Canonical URLs of the profiles a resource has to meet beside its type. */
export function profilesOf(resource) {
  const found = new Set();
  const claimed = resource.meta?.profile;
  for (const profile of Array.isArray(claimed) ? claimed : []) {
    const url = String(profile).split('|')[0];
    if (knownProfiles.includes(url)) found.add(url);
  }
  if (resource.resourceType === 'Observation') {
    const codings = resource.code?.coding;
    for (const { system, code } of Array.isArray(codings) ? codings.filter(Boolean) : []) {
      const profile = table.get(`${system}|${code}`);
      if (profile) found.add(profile);
    }
  }
  return [...found];
}
