// condition.js - what a check asks about: values by path, and whether a condition on them holds. Where something is
// missing it does not (mappings/README.md, Checks).
//
// A scope is {table, read, lastOf, reading}: `reading` is that of a kind's own check, null between kinds. Where the numbers
// do not fit the arithmetic, `cannot` is set on it.

import {decimalCompare, decimalIsWhole, decimalOf, exactAdd, exactCompare, exactMagnitude, exactMinus, exactOf, exactOver, exactRound, exactTimes} from './decimal.js';
import {agesFit} from './moment.js';
import {unitExact, unitHere} from './table.js';

// ---- paths ----

// "systolic", "oxygen.flow", "last.value" of a kind; between kinds its name stands before: "last.body-weight.value".
export function pathOf(table, kind, text) {
    const last = text.startsWith('last.');
    const rest = last ? text.slice(5) : text;
    const dot = kind ? -1 : rest.indexOf('.');
    const owner = kind ?? table.kind(rest.slice(0, Math.max(dot, 0)));
    const name = rest.slice(dot + 1);

    return {last, kind: owner, name, part: owner?.part(name), field: owner?.field(name)};
}

export function readingAt(scope, path) {
    if (scope.reading)
        return scope.reading.kind === path.kind ? scope.reading : undefined;
    return scope.read.readings.find((reading) => reading.kind === path.kind && !reading.notTaken);
}

// The last one before the one judged; what was taken later is not "last": a round may be entered late.
export function lastAt(scope, kind) {
    const last = scope.lastOf(kind);
    const {taken} = readingAt(scope, {kind}) ?? scope.read;

    return last && last.ms <= taken.ms ? last : undefined;
}

// As it was entered: {value, unit}, {word}, {words}, {text} ...; undefined: it is not there.
function thingAt(scope, path) {
    if (path.part)
        return path.last ? lastAt(scope, path.kind)?.parts[path.name] : readingAt(scope, path)?.parts[path.name];
    return path.field && !path.last ? readingAt(scope, path)?.fields[path.name] : undefined;
}

// What a text says of it: a number, or the first word.
export function sayableAt(scope, path) {
    const thing = thingAt(scope, path);
    const word = thing?.word ?? thing?.words?.[0];

    return thing?.value ? thing : word && {word};
}

const isThere = (thing) => !!(thing && (thing.value || thing.word || thing.reason || thing.words || thing.text || thing.beats));

function exactAt(scope, path) {
    const thing = thingAt(scope, path);

    return thing?.value ? unitExact(scope.table, thing.value, thing.unit, (path.part ?? path.field).unit ?? thing.unit) : null;
}

// The values of a reading as they are kept: {"value": [72, "/min"]}, words as texts. Undefined: not of this table any more.
export function readKept(table, kind, kept) {
    const parts = {};

    for (const [name, value] of Object.entries(kept)) {
        const part = kind.part(name);

        if (!part)
            return undefined;
        if (Array.isArray(value)) {
            const unit = value.length > 1 ? unitHere(table, part, value[1]) : null;

            if (unit === undefined)
                return undefined;
            parts[name] = {value: decimalOf(value[0]), unit};
        } else {
            const word = table.word(part.list, value);

            if (!word)
                return undefined;
            parts[name] = {word};
        }
    }
    return parts;
}

// ---- bounds, rows ----

export function boundHolds(bound, value) {
    const against = (name) => exactCompare(value, exactOf(bound[name]));

    return !(bound.below !== undefined && against('below') >= 0) && !(bound.above !== undefined && against('above') <= 0) &&
        !(bound['at-most'] !== undefined && against('at-most') > 0) && !(bound['at-least'] !== undefined && against('at-least') < 0);
}

// Does a row of the table speak of this patient and reading? A computed value has no reading, and so no context.
export function rowFits(read, reading, row) {
    const isSaid = ([path, list]) => (reading?.fields[path]?.words ?? []).some(({word}) => list.includes(word));

    return Object.entries(row.when ?? {}).every(isSaid) && !(row.unless && Object.entries(row.unless).every(isSaid)) &&
        agesFit(row.ages, read.born, (reading ?? read).taken.day);
}

// ---- conditions ----

function couldNot(scope) {
    scope.cannot = true;
    return false;
}

function holdsOf(scope, value, bound) {
    return value ? boundHolds(bound, value) : couldNot(scope);
}

function twoAt(scope, paths) {
    const two = paths.map((path) => exactAt(scope, scope.path(path)));

    return two[0] && two[1] ? two : null;
}

function sumHolds(scope, condition) {
    let sum = exactOf(0);

    for (const [times, path] of condition.sum) {
        const one = exactAt(scope, scope.path(path));

        if (!one)
            return false;
        sum = exactAdd(sum, exactTimes(one, exactOf(times)));
        if (!sum)
            return couldNot(scope);
    }
    return boundHolds(condition, sum);
}

function ratioHolds(scope, condition) {
    const two = twoAt(scope, condition.ratio);

    return !!two && two[1].over !== 0n && holdsOf(scope, exactOver(...two), condition);
}

function changeHolds(scope, condition) {
    const two = twoAt(scope, condition.change);

    return !!two && holdsOf(scope, exactMagnitude(exactMinus(...two)), condition);
}

function enteredHolds(scope, condition) {
    const thing = thingAt(scope, scope.path(condition.entered));

    return !!thing?.value && thing.unit?.code === condition.unit && boundHolds(condition, exactOf(thing.value));
}

function wordHolds(scope, condition) {
    const word = sayableAt(scope, scope.path(condition.word))?.word?.word;

    return word !== undefined && (condition.in ? condition.in.includes(word) : !condition['not-in'].includes(word));
}

function oddHolds(scope, condition) {
    const value = thingAt(scope, scope.path(condition.odd))?.value;

    return !!value && decimalIsWhole(value) && exactRound(exactOf(value), 0).digits % 2n !== 0n;
}

// The digits that were typed, where both were typed in one unit; else both in the canonical one.
function twoAsTyped(scope, paths) {
    const two = paths.map((path) => thingAt(scope, scope.path(path)));

    if (!two[0]?.value || !two[1]?.value)
        return null;
    return two[0].unit === two[1].unit ? two.map((one) => exactOf(one.value)) : twoAt(scope, paths);
}

// Tens and ones of the one, exchanged, give the other within 1, and the two digits differ by 3 at least.
function exchangedHolds(scope, condition) {
    const two = twoAsTyped(scope, condition['digits-exchanged']);

    if (!two || two[0].over < 10n * two[0].under)
        return false;
    const [sent, last] = two;
    const tens = sent.over / sent.under / 10n % 10n;
    const ones = sent.over / sent.under % 10n;

    if (tens - ones < 3n && ones - tens < 3n)
        return false;
    const apart = exactMagnitude(exactMinus(exactAdd(sent, exactOf(Number(9n * (ones - tens)))), last));

    return apart ? exactCompare(apart, exactOf(1)) <= 0 : couldNot(scope);
}

function daysHold(scope, condition) {
    const {kind} = scope.path(condition['days-since-last']);
    const last = lastAt(scope, kind);
    const reading = readingAt(scope, {kind});

    return !!last && !!reading &&
        boundHolds(condition, exactOver(exactOf(reading.taken.ms - last.ms), exactOf(86400000)));
}

// ---- the whole set again ----

function sameNumber(table, part, a, b) {
    if (a.unit === b.unit)
        return decimalCompare(a.value, b.value) === 0;
    const two = part.unit && [a, b].map((one) => unitExact(table, one.value, one.unit, part.unit));

    return !!two && !!two[0] && !!two[1] && exactCompare(...two) === 0;
}

function sameThing(table, part, a, b) {
    if (a?.value && b?.value)
        return sameNumber(table, part, a, b);
    return !a?.value && !b?.value && a?.word === b?.word && !a?.reason === !b?.reason;
}

// Three kinds at least: fewer may well be the same twice.
function sameAsLast(scope) {
    const {readings} = scope.read;
    const isSame = (reading) => {
        const last = !reading.notTaken && reading.kind && lastAt(scope, reading.kind);

        return !!last && reading.kind.parts.every((part) => sameThing(scope.table, part, reading.parts[part.name], last.parts[part.name]));
    };

    return readings.every(isSame) && new Set(readings.map((reading) => reading.kind)).size >= 3;
}

const conditionTable = {
    sum: sumHolds,
    ratio: ratioHolds,
    change: changeHolds,
    entered: enteredHolds,
    word: wordHolds,
    present: (scope, condition) => isThere(thingAt(scope, scope.path(condition.present))),
    absent: (scope, condition) => !isThere(thingAt(scope, scope.path(condition.absent))),
    odd: oddHolds,
    'digits-exchanged': exchangedHolds,
    'days-since-last': daysHold,
    'same-as-last': sameAsLast,
};

export function conditionHolds(scope, condition) {
    const type = Object.keys(conditionTable).find((name) => name in condition);

    return !!type && conditionTable[type](scope, condition);
}
