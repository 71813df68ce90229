// One broken Observation for each row of reference/fhir-vitals.md 1.1, 1.2 and its invariant table, and
// for the rules of shape beneath them. Each is HL7's own example with one thing broken on purpose; it is
// sent to the running far end, which must take the unbroken twin and refuse the broken one for that reason alone.

import assert from 'node:assert/strict';
import { after, before, test } from 'node:test';

import { example, startFarEnd } from '../testing.mjs';

const VITALS = 'http://hl7.org/fhir/StructureDefinition/';
const UCUM = 'http://unitsofmeasure.org';
const quantity = (value, code) => ({ value, unit: code, system: UCUM, code });
const loinc = (code) => ({ coding: [{ system: 'http://loinc.org', code }] });
const component = (code, rest) => ({ code: loinc(code), ...rest });
const absent = { coding: [{ system: 'http://terminology.hl7.org/CodeSystem/data-absent-reason', code: 'not-performed' }] };
const claim = (profile) => (o) => (o.meta = { profile: [VITALS + profile] });
const with_ = (o, more) => void Object.assign(o, more);

let farEnd;
before(async () => {
  farEnd = await startFarEnd();
  // Two that a panel may refer to: a vital sign, and one that is none.
  const pulse = await farEnd.ask('PUT', '/Observation/demo-pulse', { ...example('heart-rate'), id: 'demo-pulse' });
  const score = await farEnd.ask('PUT', '/Observation/demo-score', { ...example('gcs-qa'), id: 'demo-score' });
  assert.deepEqual([pulse.status, score.status], [201, 201]);
});
after(async () => {
  await farEnd.stop();
  farEnd.remove();
});

/** A row: its name, the example it starts from, what is broken, and what must be said.
 * `also` is done to both twins. `says`: [path, text] of every finding there may be. */
function row(name, from, broken, says, also = () => {}) {
  test(name, async () => {
    const twin = example(from);
    also(twin);
    const accepted = await farEnd.ask('POST', '/Observation', twin);
    assert.equal(accepted.status, 201, `the unbroken twin: ${accepted.text}`);

    const bad = structuredClone(twin);
    broken(bad);
    assert.notDeepEqual(bad, twin, 'nothing was broken');
    const refused = await farEnd.ask('POST', '/Observation', bad);
    assert.equal(refused.status, 422, refused.text);
    assert.equal(refused.body.resourceType, 'OperationOutcome');
    const found = refused.body.issue.map(({ severity, expression: [path], details: { text } }) => ({ severity, path, text }));
    assert.equal(found.length, says.length, JSON.stringify(found));
    for (const [path, text] of says) {
      assert.ok(found.some((one) => one.severity === 'error' && one.path === path && text.test(one.text)), `${path} ${text} in ${JSON.stringify(found)}`);
    }
  });
}

// --- 1.1 common rules -------------------------------------------------------------------------

row('1.1 status: 1..1', 'heart-rate', (o) => delete o.status, [['Observation.status', /at least 1 needed/]]);
row('1.1 status: required binding', 'heart-rate', (o) => (o.status = 'done'), [['Observation.status', /"done" is not in the required value set .*observation-status/]]);
row('1.1 category: 1..*', 'heart-rate', (o) => delete o.category, [
  ['Observation.category', /at least 1 needed/],
  ['Observation.category:VSCat', /at least 1 needed/],
]);
row('1.1 category: VSCat there', 'heart-rate', (o) => (o.category[0].coding[0].code = 'exam'), [['Observation.category:VSCat', /at least 1 needed, 0 found/]]);
row('1.1 category: VSCat exactly once', 'heart-rate', (o) => o.category.push(structuredClone(o.category[0])), [['Observation.category:VSCat', /at most 1 allowed, 2 found/]]);
row('1.1 category: system', 'heart-rate', (o) => (o.category[0].coding[0].system = 'http://hl7.org/fhir/observation-category'), [['Observation.category:VSCat', /at least 1 needed/]]);
row('1.1 code: 1..1', 'map-sitting', (o) => delete o.code, [['Observation.code', /at least 1 needed/]], (o) => {
  // No code that pulls a profile in, so that code alone is missing.
  claim('vitalsigns')(o);
  with_(o, { category: example('heart-rate').category });
});
row('1.1 subject: 1..1', 'heart-rate', (o) => delete o.subject, [['Observation.subject', /at least 1 needed/]]);
row('1.1 subject: Patient only', 'heart-rate', (o) => (o.subject.reference = 'Device/d1'), [['Observation.subject', /refers to a Device; Patient may stand here/]]);
row('1.1 effective[x]: 1..1', 'heart-rate', (o) => delete o.effectiveDateTime, [['Observation.effective[x]', /at least 1 needed/]]);
row('1.1 effective[x]: no instant', 'heart-rate', (o) => {
  delete o.effectiveDateTime;
  o.effectiveInstant = '2026-11-25T09:30:00Z';
}, [['Observation.effectiveInstant', /instant is not allowed .* dateTime, Period/], ['Observation.effective[x]', /at least 1 needed/]]);
row('1.1 effective[x]: no Timing', 'heart-rate', (o) => {
  delete o.effectiveDateTime;
  o.effectiveTiming = { event: ['2026-11-25T09:30:00Z'] };
}, [['Observation.effectiveTiming', /Timing is not allowed/], ['Observation.effective[x]', /at least 1 needed/]]);
row('1.1 value[x]: 0..1', 'mbp', (o) => (o.valueString = 'eighty'), [['Observation.value[x]', /only one of/]], claim('vitalsigns'));
row('1.1 value[x]: Quantity in a concrete profile', 'heart-rate', (o) => {
  delete o.valueQuantity;
  o.valueString = '44';
}, [['Observation.valueString', /string is not allowed .* Quantity may stand here/]]);
row('1.1 dataAbsentReason: 0..1', 'heart-rate', (o) => (o.dataAbsentReason = [absent, absent]), [['Observation.dataAbsentReason', /must not be an array/]], (o) => {
  delete o.valueQuantity;
  o.dataAbsentReason = absent;
});
row('1.1 hasMember: targets', 'vitals-panel', (o) => (o.hasMember[0].reference = 'Patient/demo-1'), [['Observation.hasMember[0]', /refers to a Patient; .*Observation/]]);
row('1.1 hasMember: an Observation that is a vital sign', 'vitals-panel', (o) => o.hasMember.push({ reference: 'Observation/demo-score' }), [['Observation.hasMember[5]', /does not meet .*vitalsigns/]], (o) =>
  o.hasMember.push({ reference: 'Observation/demo-pulse' }));
row('1.1 derivedFrom: targets', 'bmi-using-related', (o) => (o.derivedFrom[0].reference = 'Device/d1'), [['Observation.derivedFrom[0]', /refers to a Device/]]);
row('1.1 component.code: 1..1', 'blood-pressure', (o) => o.component.push({ valueQuantity: quantity(80, 'mm[Hg]') }), [['Observation.component[2].code', /at least 1 needed/]]);
row('1.1 component.value[x]: required units', 'satO2', (o) => (o.component[0].valueQuantity = quantity(2, 'L/min')), [['Observation.component[0].valueQuantity', /"L\/min" is not in the required value set .*ucum-vitals-common/]], (o) =>
  (o.component = [component('3150-0', { valueQuantity: quantity(40, '%') })]));
row('1.1 component.value[x]: no CodeableConcept', 'blood-pressure', (o) => {
  delete o.component[2].valueQuantity;
  o.component[2].valueCodeableConcept = { coding: [{ system: 'http://loinc.org', code: 'LA11868-9' }] };
}, [['Observation.component[2].valueCodeableConcept', /LA11868-9.* is not in the required value set/]], (o) => o.component.push(component('8478-0', { valueQuantity: quantity(80, 'mm[Hg]') })));
row('1.1 component.value[x]: 0..1', 'blood-pressure', (o) => (o.component[2].valueString = 'eighty'), [['Observation.component[2].value[x]', /only one of/]], (o) =>
  o.component.push(component('8478-0', { valueQuantity: quantity(80, 'mm[Hg]') })));
row('1.1 component.dataAbsentReason: 0..1', 'blood-pressure-dar', (o) => (o.component[1].dataAbsentReason = [absent]), [['Observation.component[1].dataAbsentReason', /must not be an array/]]);

// --- invariants -------------------------------------------------------------------------------

row('vs-1: a day at least', 'heart-rate', (o) => (o.effectiveDateTime = '1999-07'), [['Observation.effectiveDateTime', /vs-1/]]);
row('vs-2: a value or a reason', 'heart-rate', (o) => delete o.valueQuantity, [['Observation', /vs-2/]]);
row('vs-3: a value or a reason in each component', 'blood-pressure', (o) => delete o.component[1].valueQuantity, [['Observation.component[1]', /vs-3/]]);
row('obs-3: low, high or text in a range', 'satO2', (o) => (o.referenceRange = [{ type: { text: 'normal' } }]), [['Observation.referenceRange[0]', /obs-3/]]);
row('obs-6: no reason beside a value', 'heart-rate', (o) => (o.dataAbsentReason = absent), [['Observation', /obs-6/]]);
row('obs-7: no component repeats a code that has a value', 'heart-rate', (o) => o.component[0].code.coding.push(structuredClone(o.code.coding[0])), [['Observation', /obs-7/]], (o) =>
  (o.component = [component('8478-0', { valueQuantity: quantity(80, 'mm[Hg]') })]));
row('qty-3: a code has a system', 'satO2', (o) => delete o.referenceRange[0].low.system, [['Observation.referenceRange[0].low', /qty-3/]]);

// --- 1.2 concrete profiles --------------------------------------------------------------------

// profile, HL7 example, its LOINC code, a unit that is valid UCUM and still not allowed, what is said
const MEASURED = [
  ['resprate', 'respiratory-rate', '9279-1', '{breaths}/min', /must be "\/min"/],
  ['heartrate', 'heart-rate', '8867-4', '{beats}/min', /must be "\/min"/],
  ['oxygensat', 'satO2', '2708-6', '1', /must be "%"/],
  ['bodytemp', 'body-temperature', '8310-5', 'K', /"K" is not in the required value set .*ucum-bodytemp/],
  ['bodyheight', 'body-height', '8302-2', 'm', /"m" is not in the required value set .*ucum-bodylength/],
  ['headcircum', 'head-circumference', '9843-4', 'mm', /"mm" is not in the required value set .*ucum-bodylength/],
  ['bodyweight', 'example', '29463-7', '[stone_av]', /is not in the required value set .*ucum-bodyweight/],
  ['bmi', 'bmi', '39156-5', 'g/m2', /must be "kg\/m2"/],
];
for (const [profile, id, code, unit, text] of MEASURED) {
  const slice = { resprate: 'RespRateCode', heartrate: 'HeartRateCode', oxygensat: 'OxygenSatCode', bodytemp: 'BodyTempCode', bodyheight: 'BodyHeightCode', headcircum: 'HeadCircumCode', bodyweight: 'BodyWeightCode', bmi: 'BMICode' }[profile];
  row(`1.2 ${profile}: LOINC ${code}`, id, (o) => (o.code = loinc('8478-0')), [[`Observation.code.coding:${slice}`, /at least 1 needed/]], claim(profile));
  row(`1.2 ${profile}: LOINC ${code} once`, id, (o) => o.code.coding.push({ system: 'http://loinc.org', code, display: 'again' }), [[`Observation.code.coding:${slice}`, /at most 1 allowed/]]);
  row(`1.2 ${profile}: unit`, id, (o) => with_(o.valueQuantity, { code: unit }), [['Observation.valueQuantity.code', text]]);
  row(`1.2 ${profile}: a Quantity`, id, (o) => {
    delete o.valueQuantity;
    o.valueInteger = 40;
  }, [
    ['Observation.valueInteger', /integer is not allowed/],
    ...(profile === 'bmi' ? [['Observation.value[x]:valueQuantity', /at least 1 needed/]] : []),
  ]);
}
row('1.2 bmi: Quantity 1..1, no reason instead', 'bmi', (o) => {
  delete o.valueQuantity;
  o.dataAbsentReason = absent;
}, [['Observation.value[x]:valueQuantity', /at least 1 needed/]]);

row('1.2 Quantity: value 1..1', 'heart-rate', (o) => delete o.valueQuantity.value, [['Observation.valueQuantity.value', /at least 1 needed/]]);
row('1.2 Quantity: unit 1..1', 'heart-rate', (o) => delete o.valueQuantity.unit, [['Observation.valueQuantity.unit', /at least 1 needed/]]);
row('1.2 Quantity: system 1..1', 'heart-rate', (o) => delete o.valueQuantity.system, [
  ['Observation.valueQuantity.system', /at least 1 needed/],
  ['Observation.valueQuantity', /qty-3/],
]);
row('1.2 Quantity: system is UCUM', 'heart-rate', (o) => (o.valueQuantity.system = 'urn:iso:std:iso:11073:10101'), [['Observation.valueQuantity.system', /must be "http:\/\/unitsofmeasure.org"/]]);
row('1.2 Quantity: code 1..1', 'heart-rate', (o) => delete o.valueQuantity.code, [['Observation.valueQuantity.code', /at least 1 needed/]]);

row('1.2 vitalspanel: no value', 'vitals-panel', (o) => (o.valueQuantity = quantity(1, '/min')), [['Observation.value[x]', /must not be there/]]);
row('1.2 vitalspanel: hasMember 1..*', 'vitals-panel', (o) => {
  delete o.hasMember;
  o.dataAbsentReason = absent;
}, [['Observation.hasMember', /at least 1 needed/]]);

row('1.2 bp: LOINC 85354-9', 'blood-pressure', (o) => (o.code = loinc('8478-0')), [['Observation.code.coding:BPCode', /at least 1 needed/]], claim('bp'));
row('1.2 bp: no value', 'blood-pressure', (o) => (o.valueQuantity = quantity(107, 'mm[Hg]')), [['Observation.value[x]:valueQuantity', /must not be there/]]);
row('1.2 bp: two components', 'blood-pressure', (o) => o.component.pop(), [
  ['Observation.component', /at least 2 needed/],
  ['Observation.component:DiastolicBP', /at least 1 needed/],
]);
row('1.2 bp component: systolic exactly one, none', 'blood-pressure', (o) => (o.component[0].code = loinc('8478-0')), [['Observation.component:SystolicBP', /at least 1 needed/]]);
row('1.2 bp component: systolic exactly one, two', 'blood-pressure', (o) => o.component.push(structuredClone(o.component[0])), [['Observation.component:SystolicBP', /at most 1 allowed/]]);
row('1.2 bp component: diastolic exactly one, none', 'blood-pressure', (o) => (o.component[1].code = loinc('8478-0')), [['Observation.component:DiastolicBP', /at least 1 needed/]]);
row('1.2 bp component: diastolic exactly one, two', 'blood-pressure', (o) => o.component.push(structuredClone(o.component[1])), [['Observation.component:DiastolicBP', /at most 1 allowed/]]);
row('1.2 bp component: mm[Hg]', 'blood-pressure', (o) => (o.component[0].valueQuantity.code = '%'), [['Observation.component[0].valueQuantity.code', /must be "mm\[Hg\]"/]]);
row('1.2 bp component: kPa is outside the required value set, too', 'blood-pressure', (o) => (o.component[0].valueQuantity.code = 'kPa'), [
  ['Observation.component[0].valueQuantity.code', /must be "mm\[Hg\]"/],
  ['Observation.component[0].valueQuantity', /"kPa" is not in the required value set/],
]);
row('1.2 bp component: unit 1..1', 'blood-pressure', (o) => delete o.component[1].valueQuantity.unit, [['Observation.component[1].valueQuantity.unit', /at least 1 needed/]]);

const metric = (o) => {
  delete o.encounter;
  with_(o, { meta: { profile: [VITALS + 'devicemetricobservation'] }, device: { reference: 'DeviceMetric/m1' } });
};
row('1.2 devicemetricobservation: device 1..1', 'heart-rate', (o) => delete o.device, [['Observation.device', /at least 1 needed/]], metric);
row('1.2 devicemetricobservation: device is a DeviceMetric', 'heart-rate', (o) => (o.device.reference = 'Device/d1'), [['Observation.device', /refers to a Device; DeviceMetric/]], metric);
row('1.2 devicemetricobservation: no encounter', 'heart-rate', (o) => (o.encounter = { reference: 'Encounter/e1' }), [['Observation.encounter', /must not be there/]], metric);
row('1.2 devicemetricobservation: no issued', 'heart-rate', (o) => (o.issued = '2026-11-25T09:30:00Z'), [['Observation.issued', /must not be there/]], metric);
row('1.2 devicemetricobservation: no dataAbsentReason', 'heart-rate', (o) => {
  o.dataAbsentReason = absent;
  delete o.valueQuantity;
}, [['Observation.dataAbsentReason', /must not be there/]], metric);

// --- 1.3, 1.4 ---------------------------------------------------------------------------------

row('1.4 a route code alone still means a body temperature', 'body-temperature', (o) => o.code.coding.shift(), [['Observation.code.coding:BodyTempCode', /at least 1 needed/]], (o) => {
  delete o.meta;
  o.code.coding = [{ system: 'http://loinc.org', code: '8310-5' }, { system: 'http://loinc.org', code: '8331-1' }];
});
row('1.4 a lone systolic is a broken blood pressure', 'mbp', (o) => (o.code = loinc('8480-6')), [
  ['Observation.code.coding:BPCode', /at least 1 needed/],
  ['Observation.component', /at least 2 needed/],
  ['Observation.component:SystolicBP', /at least 1 needed/],
  ['Observation.component:DiastolicBP', /at least 1 needed/],
  ['Observation.value[x]:valueQuantity', /must not be there/],
], (o) => delete o.meta);

// --- shape: JSON, types, units, codes, references ------------------------------------------------

row('time: a zone', 'satO2', (o) => (o.effectiveDateTime = '2014-12-05T09:30:10'), [['Observation.effectiveDateTime', /needs seconds and a zone/]]);
row('time: seconds', 'satO2', (o) => (o.effectiveDateTime = '2014-12-05T09:30+01:00'), [['Observation.effectiveDateTime', /needs seconds and a zone/]]);
row('time: a colon in the zone', 'satO2', (o) => (o.effectiveDateTime = '2014-12-05T09:30:10+0100'), [['Observation.effectiveDateTime', /not a valid dateTime/]]);
row('time: capital T', 'satO2', (o) => (o.effectiveDateTime = '2014-12-05t09:30:10Z'), [['Observation.effectiveDateTime', /not a valid dateTime/]]);
row('time: no 24:00', 'satO2', (o) => (o.effectiveDateTime = '2014-12-05T24:00:00Z'), [['Observation.effectiveDateTime', /not a valid dateTime/]]);
row('time: no 30 February', 'satO2', (o) => (o.effectiveDateTime = '2014-02-30'), [['Observation.effectiveDateTime', /does not exist/]]);
row('time: issued with a zone', 'satO2', (o) => (o.issued = '2014-12-05T09:30:10'), [['Observation.issued', /not a valid instant/]]);
row('shape: unknown property', 'heart-rate', (o) => (o.valueUnit = '/min'), [['Observation.valueUnit', /is not a property here/]]);
row('shape: unknown property deep down', 'heart-rate', (o) => (o.valueQuantity.units = '/min'), [['Observation.valueQuantity.units', /is not a property here/]]);
row('shape: a number as a string', 'heart-rate', (o) => (o.valueQuantity.value = '44'), [['Observation.valueQuantity.value', /"44" is not a JSON number/]]);
row('shape: a string as a number', 'heart-rate', (o) => (o.valueQuantity.unit = 44), [['Observation.valueQuantity.unit', /44 is not a JSON string/]]);
row('shape: a boolean as a string', 'heart-rate', (o) => (o.code.coding[0].userSelected = 'true'), [['Observation.code.coding[0].userSelected', /is not true or false/]]);
row('shape: an array that must be one', 'heart-rate', (o) => (o.category = o.category[0]), [['Observation.category', /must be an array/]]);
row('shape: an object that must be one', 'heart-rate', (o) => (o.code = 'pulse'), [['Observation.code', /is not a JSON object/]], claim('vitalsigns'));
row('shape: an empty array', 'heart-rate', (o) => (o.note = []), [['Observation.note', /is an empty array/]]);
row('shape: an empty string', 'heart-rate', (o) => (o.code.text = ''), [['Observation.code.text', /is an empty string/]]);
row('shape: an empty object', 'heart-rate', (o) => (o.method = {}), [['Observation.method', /ele-1/]]);
row('shape: null', 'heart-rate', (o) => (o.issued = null), [['Observation.issued', /null/]]);
row('shape: a code with white space', 'heart-rate', (o) => (o.code.coding[0].code = '8867-4 '), [
  ['Observation.code.coding[0].code', /is not a valid code/],
  ['Observation.code.coding[0].code', /is not a LOINC code/],
], (o) => {
  claim('vitalsigns')(o);
  o.code.coding = [{ system: 'http://loinc.org', code: '8478-0' }, ...o.code.coding.slice(1)];
});
row('unit: UCUM, where no profile says which', 'mbp', (o) => (o.valueQuantity.code = 'mmHg'), [['Observation.valueQuantity.code', /"mmHg" is not a UCUM code/]]);
row('unit: no blank in the code', 'mbp', (o) => (o.valueQuantity.code = '/min '), [
  ['Observation.valueQuantity.code', /is not a valid code/],
  ['Observation.valueQuantity.code', /is not a UCUM code/],
]);
row('code: LOINC check digit', 'mbp', (o) => o.code.coding.push({ system: 'http://loinc.org', code: '3150-6' }), [['Observation.code.coding[1].code', /check digit/]]);
row('reference: performer', 'heart-rate', (o) => (o.performer[0].reference = 'Device/d1'), [['Observation.performer[0]', /refers to a Device; CareTeam, .*Practitioner/]], (o) => (o.performer = [{ reference: 'Practitioner/n1' }]));
row('reference: nothing contained under that id', 'heart-rate', (o) => (o.device.reference = '#other'), [
  ['Observation.device', /ref-1/],
  ['Observation.contained[0]', /dom-3/],
], (o) => with_(o, { contained: [{ resourceType: 'Device', id: 'meter', deviceName: [{ name: 'Demo meter', type: 'user-friendly-name' }] }], device: { reference: '#meter' } }));
row('contained: a resource is judged as such', 'heart-rate', (o) => (o.contained[0].status = 'on'), [['Observation.contained[0].status', /"on" is not in the required value set/]], (o) =>
  with_(o, { contained: [{ resourceType: 'Device', id: 'meter' , status: 'active' }], device: { reference: '#meter' } }));
row('extension: type of a known one', 'blood-pressure', (o) => {
  delete o.extension[0].valueCodeableConcept;
  o.extension[0].valueString = 'sitting';
}, [['Observation.extension[0].valueString', /string is not allowed/], ['Observation.extension[0].value[x]', /at least 1 needed/]], (o) => (o.extension = [{ url: VITALS + 'observation-bodyPosition', valueCodeableConcept: { text: 'sitting' } }]));
row('extension: none of that name in R4', 'blood-pressure', (o) => (o.extension[0].url = VITALS + 'observation-position'), [['Observation.extension[0]', /is no extension of R4/]], (o) =>
  (o.extension = [{ url: VITALS + 'observation-bodyPosition', valueCodeableConcept: { text: 'sitting' } }]));
