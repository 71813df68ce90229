// judge.js - a set is judged as the daemon judges it (design 5): refused, asked, flagged, in this order, by the table.
//
// The daemon decides again; this is for the person who is typing, also while no daemon can be reached.

import {decimalCompare, decimalIsWhole, exactAdd, exactCompare, exactMagnitude, exactMinus, exactOf, exactOver, exactRound, exactTimes} from './decimal.js';
import {boundHolds, conditionHolds, lastAt, pathOf, readKept, readingAt, rowFits, sayableAt} from './condition.js';
import {agesFit} from './moment.js';
import {problemOf, readSet} from './reading.js';
import {limitTemplate, sayAll, sayHoles, sayQuantity, sayText, sayings} from './say.js';
import {unitConvert, unitExact} from './table.js';

const gradeOrder = ['ok', 'incomplete', 'ask', 'override', 'refuse'];
const isWorse = (grade, than) => gradeOrder.indexOf(grade) > gradeOrder.indexOf(than);

// ---- what was found becomes a problem, a note, or a reason to wait ----

// finding: {reading, grade, code, pointer (within the reading), says, ...more for the problem}
function foundIn(finding) {
    const {reading, grade, pointer, says} = finding;
    const more = {check: finding.check, side: finding.side};

    if (grade === 'note') {
        reading.notes.push({says, say: sayAll(says)});
        return;
    }
    if (grade === 'ask' && reading.confirmed || grade === 'override' && reading.override) {
        reading.settled.push(problemOf(pointer, grade === 'ask' ? 'confirm' : 'implausible', says, more));
        return;
    }
    if (isWorse(grade, reading.grade))
        reading.grade = grade;
    if (grade === 'override')
        reading.problems.push(problemOf(pointer, 'implausible',
            reading.overridden ? [...says, {template: sayings.override, parts: {}}] : says, {...more, override: true}));
    else
        reading.problems.push(problemOf(pointer, grade === 'ask' ? 'confirm' : finding.code, says, more));
}

// What was counted was never sent as a number: the count is what can be mended.
function pointerOf(reading, path) {
    if (path.field)
        return `/${path.name.replace('.', '/')}`;
    const count = reading.parts[path.name]?.workedOut &&
        reading.kind.fields.find((field) => field.type === 'count' && field.gives === path.name && reading.fields[field.path]);

    return `/${count ? count.path : path.name}`;
}

// ---- limits ----

// In the unit of the row's numbers.
const asCompared = (table, part, row, {value, unit}) => row.in || !part.unit || part.unit === unit ? exactOf(value) : unitExact(table, value, unit, part.unit);

// On which side of a row's bounds a value lies outside; null: within, or the row does not speak of it. False: no way to its unit.
function sideOf(table, part, row, {value, unit}) {
    const number = asCompared(table, part, row, {value, unit});

    if (!number)
        return false;
    if (row.in && row.in !== unit?.code)
        return null;
    return row.below !== undefined && exactCompare(number, exactOf(row.below)) < 0 ? 'below'
        : row.above !== undefined && exactCompare(number, exactOf(row.above)) > 0 ? 'above' : null;
}

// What fits the last value is no slip.
function isNear(table, part, row, own, last) {
    const [one, other] = [own, last].map((measured) => asCompared(table, part, row, measured));
    const apart = row['unless-last-near'] !== undefined && one && other && exactMinus(one, other);

    return !!apart && exactCompare(exactMagnitude(apart), exactOf(row['unless-last-near'])) <= 0;
}

// The patient's last value, not long ago, lay outside the same bound (it was asked about then), or near this one.
function wasAnswered(table, part, row, own, side, last) {
    return !!row['unless-last-minutes'] && !!last && last.ago <= Number(row['unless-last-minutes']) * 60000 && (!row.in || row.in === last.unit?.code) &&
        (sideOf(table, part, row, last) === side || isNear(table, part, row, own, last));
}

// The worst row that a value breaks: {grade, row, side}; row is null where the value cannot be converted. `last`: as lastOfPart() gives it.
function worstLimit({table, read}, reading, part, own, last = null) {
    let worst = {grade: 'ok'};

    for (const row of part.limits ?? []) {
        const side = sideOf(table, part, row, own);

        if (side === false)
            return {grade: 'refuse', row: null};
        if (side && isWorse(row.grade, worst.grade) && rowFits(read, reading, row) && !wasAnswered(table, part, row, own, side, last))
            worst = {grade: row.grade, row, side};
    }
    return worst;
}

// What the patient's last reading has there: {value, unit, ago} in ms; null: no number.
function lastOfPart(scope, {kind, taken}, part) {
    const last = lastAt(scope, kind);
    const thing = last?.parts[part.name];

    return thing?.value ? {...thing, ago: taken.ms - last.ms} : null;
}

function withoutEndNoughts(value) {
    let text = String(value);

    while (text.includes('.') && /[.0]$/.test(text))
        text = text.slice(0, -1);
    return text;
}

// The bound in the unit of the one who typed the value, where the table's way there can be walked backwards. For a text only.
function boundForPerson(table, part, row, side, entered) {
    const own = row.in ? table.unit(row.in) : part.unit;
    const bound = row[side];
    const way = own && entered && own !== entered && table.way(entered, own);
    const exact = way && exactMinus(exactOver(exactTimes(exactOf(bound), exactOf(way.over ?? 1)), exactOf(way.times ?? 1)),
        exactOf(way.add ?? 0));
    const turned = exact && exactRound(exact, entered.places);

    if (!turned || (turned.digits === 0n && exact.over !== 0n)) // no way there, or too coarse a unit to say it in
        return sayQuantity(bound, own ?? entered);
    return sayQuantity(withoutEndNoughts(turned), entered);
}

function sayLimit(scope, kind, part, own, worst, workedOut) {
    const parts = {title: sayText(part.title), value: sayQuantity(own.value, own.unit)};

    if (!worst.row)
        return [{template: sayings.cannotConvert, parts}];
    parts.bound = boundForPerson(scope.table, part, worst.row, worst.side, own.unit);
    const says = [{template: limitTemplate(worst.grade, worst.side, workedOut), parts}];

    if (worst.row.say)
        says.push(sayHoles(scope.table, worst.row.say, (path) =>
            path === 'value' ? own : sayableAt(scope, pathOf(scope.table, kind, path))));
    return says;
}

// ---- ranges and names ----

function chartValue(judging, part, {value, unit}) {
    if (!part.unit || unit === part.unit || (judging.asEntered && part['as-entered']?.includes(unit.code)))
        return {value, unit};
    const converted = unitConvert(judging.table, value, unit, part.unit);

    return converted && {value: converted, unit: part.unit};
}

function interpretationOf(range, value) {
    const against = (name) => (range[name] === undefined ? 0 : decimalCompare(value, exactRound(exactOf(range[name]), 9)));

    if (against('low-critical') < 0)
        return 'LL';
    if (against('high-critical') > 0)
        return 'HH';
    return against('low') < 0 ? 'L' : against('high') > 0 ? 'H' : 'N';
}

// How what is charted lies in its range: {part, interpretation?, name?, range?}, as the daemon's answer has it; or nothing.
function flagOf(judging, reading, part, charted, entered) {
    const canonical = part.unit ? unitConvert(judging.table, charted.value, charted.unit, part.unit) : charted.value;
    const speaks = (row) => (row.in ? row.in === entered?.code && row.in === charted.unit?.code : canonical) &&
        rowFits(judging.read, reading, row);
    const valueFor = (row) => (row.in ? charted.value : canonical);
    const range = (part.ranges ?? []).find(speaks);
    const name = (part.names ?? []).find((row) => speaks(row) && boundHolds(row, exactOf(valueFor(row))))?.name;
    const flag = {part: part.name};

    if (range)
        flag.interpretation = interpretationOf(range, valueFor(range));
    if (name)
        flag.name = name;
    if (range)
        flag.range = {low: range.low, high: range.high, unit: charted.unit?.code, text: range.text, source: range.source};
    return range || name ? flag : null;
}

// ---- one value, one reading ----

function judgeValue(judging, reading, part, path, own) {
    const scope = scopeOf(judging, reading);
    const pointer = pointerOf(reading, path);
    const tell = (worst) => foundIn({reading, grade: worst.grade, code: 'implausible', pointer, side: worst.side,
        says: sayLimit(scope, reading.kind, part, own, worst, false)});
    const worst = worstLimit(judging, reading, part, own, path.part && lastOfPart(scope, reading, part));
    const isWhole = !part.whole || decimalIsWhole(own.value);

    if (!isWhole)
        foundIn({reading, grade: 'refuse', code: 'implausible', pointer,
            says: [{template: sayings.whole, parts: {title: sayText(part.title)}}]});
    if (worst.grade !== 'ok')
        tell(worst);
    if (!isWhole || worst.grade === 'refuse')
        return;
    const charted = chartValue(judging, part, own);
    const flag = charted && path.part && flagOf(judging, reading, part, charted, own.unit);

    if (!charted)
        tell({grade: 'refuse', row: null});
    if (flag)
        reading.flags.push(flag);
}

function judgeReading(judging, reading) {
    const {kind} = reading;

    for (const part of kind.parts)
        if (reading.parts[part.name]?.value)
            judgeValue(judging, reading, part, {part, name: part.name}, reading.parts[part.name]);
    for (const field of kind.fields)
        if (field.type === 'quantity' && reading.fields[field.path]?.value)
            judgeValue(judging, reading, field, {field, name: field.path}, reading.fields[field.path]);
    for (const check of kind.checks ?? [])
        runCheck(judging, reading, check);
    if (!reading.notTaken)
        reading.estimates = estimatesOf(judging, reading);
    if (!reading.notTaken && !judging.read.born)
        reading.notes.push({says: [{template: sayings.noBirthDate, parts: {}}], say: sayings.noBirthDate});
}

// ---- checks ----

function scopeOf(judging, reading) {
    const {table, read, lastOf} = judging;

    return {table, read, lastOf, reading, cannot: false, path: (text) => pathOf(table, reading?.kind, text)};
}

// `reading` is null between kinds. What is to be mended may not be in this set: then it stands on the set's first reading.
function runCheck(judging, reading, check) {
    const scope = scopeOf(judging, reading);
    const {readings} = judging.read;
    const fires = agesFit(check.ages, judging.read.born, (reading ?? judging.read).taken.day) &&
        check.if.every((condition) => conditionHolds(scope, condition));

    if (!fires && !scope.cannot)
        return;
    const what = fires
        ? {grade: check.grade, code: check.code, check: check.check,
            says: [sayHoles(judging.table, check.say, (path) => sayableAt(scope, scope.path(path)))]}
        : {grade: 'refuse', code: 'implausible', check: check.check, says: [{template: sayings.tooLarge, parts: {}}]};
    const at = check.at.map(scope.path).map((path) => ({path, reading: readingAt(scope, path)})).filter((one) => one.reading);

    for (const {path, reading: where} of what.grade === 'note' ? at.slice(0, 1) : at) // a remark is made once
        foundIn({...what, reading: where, pointer: pointerOf(where, path)});
    if (at.length === 0)
        foundIn({...what, reading: readings[0], pointer: ''});
}

// ---- what follows from several readings ----

function multiplyFactors(judging, factors, inputs) {
    let product = exactOf(1);

    for (const {kind, part, in: code, power} of factors) {
        const reading = judging.read.readings.find((one) => one.kind?.name === kind && !one.notTaken &&
            one.parts[part]?.value && !isWorse(one.grade, 'incomplete'));
        const exact = reading && unitExact(judging.table, reading.parts[part].value, reading.parts[part].unit, judging.table.unit(code));

        if (!exact)
            return null;
        for (let i = 0; i < (power ?? 1); i++)
            product = exactTimes(product, exact);
        inputs.push({reading, path: {part, name: part}});
    }
    return product;
}

// Computed kinds that this set gives: {kind, value, unit, flag, inputs}.
function computedOf(judging) {
    const {table, read} = judging;

    return table.kinds.flatMap((kind) => {
        const rule = kind.computed;
        const inputs = [];

        if (!rule || read.readings.some((one) => one.kind === kind))
            return [];
        const over = multiplyFactors(judging, rule.numerator, inputs);
        const under = over && multiplyFactors(judging, rule.denominator, inputs);
        const value = exactRound(exactOver(over, under), rule.places);
        const unit = table.unit(rule.unit);

        return value ? [{kind, value, unit, inputs, flag: flagOf(judging, null, kind.parts[0], {value, unit}, unit)}] : [];
    });
}

// A computed value that cannot be (pounds taken for kilograms) is a fault of what it was computed from.
function judgeComputed(judging) {
    for (const {kind, value, unit, inputs} of computedOf(judging)) {
        const own = {value, unit};
        const worst = worstLimit(judging, null, kind.parts[0], own);

        if (worst.grade !== 'ok')
            for (const {reading, path} of inputs)
                foundIn({reading, grade: worst.grade, code: 'implausible', pointer: pointerOf(reading, path),
                    says: sayLimit(scopeOf(judging, null), kind, kind.parts[0], own, worst, true)});
    }
}

// A part that was not sent and can be estimated, by its name; for the person, never charted.
function estimatesOf(judging, reading) {
    const estimates = {};

    for (const {name, estimate} of reading.kind.parts) {
        if (!estimate || reading.parts[name])
            continue;
        let sum = exactOf(0);

        for (const {part, times} of estimate.terms) {
            const measured = reading.parts[part];

            sum = exactAdd(sum, exactTimes(measured?.value ? unitExact(judging.table, measured.value, measured.unit,
                reading.kind.part(part).unit) : null, exactOf(times)));
        }
        const value = exactRound(exactOver(sum, exactOf(estimate.over)), estimate.places);

        if (value)
            estimates[name] = value;
    }
    return estimates;
}

// ---- a set ----

// `last(kind, ms)`: the patient's last reading of a kind taken at that time or before, as a list of readings has it:
// {taken, values: {"value": [72, "/min"]}}; or null. Asked once a kind.
function lastsOf(table, read, last) {
    const known = new Map();

    return (kind) => {
        if (!known.has(kind)) {
            const first = read.readings.find((one) => one.kind === kind);
            const found = first && last?.(kind.name, first.taken.ms);
            const parts = found && readKept(table, kind, found.values);

            known.set(kind, parts ? {parts, ms: typeof found.taken === 'number' ? found.taken : Date.parse(found.taken)} : undefined);
        }
        return known.get(kind);
    };
}

function gradeEnd(reading) {
    const early = reading.problems.filter((problem) => problem.early);
    const worst = early.some((problem) => problem.code !== 'confirm') ? 'refuse' : early.length ? 'ask'
        : reading.missing.length ? 'incomplete' : 'ok';

    return isWorse(worst, reading.grade) ? worst : reading.grade;
}

// set: the JSON body of POST /v1/readings, as far as it is typed; numbers, or Decimals that keep their digits.
// options: now (ms); last; offset: minutes east of the place, for a time that is not said; skew, late (ms): as the daemon's
// intake.skew and intake.age_ask; asEntered: its mapping.units.
// Gives {readings: [{grade, problems, settled, missing, flags, notes, estimates}], problems, missing, computed, read}:
//   problem {pointer, code, say, says, override?, side?, check?, early?}, pointer within its reading, or within the set;
//   settled: what was asked and is confirmed, or passed with an override; missing: pointers;
//   side "below": more digits may mend it. `read` is for scoreSet().
export function judgeSet(table, set, options) {
    const {now, last, asEntered = false, offset = 0, skew = 120000, late = 3600000} = options;
    const read = readSet(table, set, {now, offset, skew, late});
    const judging = {table, read, asEntered, lastOf: lastsOf(table, read, last)};
    const known = read.readings.filter((reading) => reading.kind);

    for (const reading of read.readings)
        Object.assign(reading, {grade: 'ok', settled: [], flags: [], notes: [], estimates: {}});
    for (const reading of known)
        judgeReading(judging, reading);
    if (!read.single && read.readings.length > 0) {
        for (const check of table.checks)
            runCheck(judging, null, check);
        judgeComputed(judging);
    }
    for (const reading of read.readings)
        reading.grade = gradeEnd(reading);
    return {
        readings: read.readings.map(({grade, problems, settled, missing, flags, notes, estimates}) =>
            ({grade, problems, settled, missing, flags, notes, estimates})),
        problems: read.problems,
        missing: read.missing,
        computed: read.single ? [] : computedOf(judging),
        read,
    };
}
