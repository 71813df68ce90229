// table.js - the kind table as GET /v1/kinds answers it, made ready to be looked up in. Knows no kind by name.

import {exactAdd, exactOf, exactOver, exactRound, exactTimes} from './decimal.js';

const membersOf = (object) => Object.entries(object ?? {}).filter(([name]) => name !== 'about'); // a remark for people

function unitsOf(file) {
    const units = new Map();
    const spelled = new Map();
    const ways = new Map();

    for (const [code, row] of membersOf(file.units)) {
        const unit = {code, text: row.text, places: row.places};

        units.set(code, unit);
        for (const spelling of [code, ...row.also ?? []])
            spelled.set(spelling, unit);
    }
    for (const way of file.conversions)
        ways.set(`${way.from} ${way.to}`, way);
    return {units, spelled, ways};
}

// A part, or a field that is a number: its units are looked up once.
function measureOf(units, name, row) {
    return {...row, name, unit: units.get(row.unit) ?? null, accepts: (row.accepts ?? []).map((code) => units.get(code))};
}

// Groups are flattened: "oxygen.flow" is a field with this path.
function fieldsOf(units, context) {
    return membersOf(context).flatMap(([name, row]) => row.type === 'group'
        ? membersOf(row.fields).map(([inner, field]) => ({...measureOf(units, inner, field), path: `${name}.${inner}`, group: name}))
        : [{...measureOf(units, name, row), path: name, group: null}]);
}

function kindOf(units, file) {
    const parts = membersOf(file.parts).map(([name, row]) => measureOf(units, name, row));
    const fields = fieldsOf(units, file.context);

    return {
        ...file,
        name: file.kind,
        parts,
        fields,
        part: (name) => parts.find((part) => part.name === name),
        field: (path) => fields.find((field) => field.path === path),
    };
}

export function tableOf(document) {
    const {units, spelled, ways} = unitsOf(document.units);
    const kinds = document.kinds.map((file) => kindOf(units, file)); // in the order of the bedside
    const byName = new Map(kinds.map((kind) => [kind.name, kind]));

    return {
        document,
        kinds,
        kind: (name) => byName.get(name),
        unit: (code) => units.get(code),
        unitSpelled: (text) => spelled.get(text),
        way: (from, to) => ways.get(`${from.code} ${to.code}`),
        words: (list) => document.codings[list]?.words ?? [],
        word: (list, word) => document.codings[list]?.words.find((row) => row.word === word),
        reasons: document['not-taken'].reasons,
        reason: (word) => document['not-taken'].reasons.find((row) => row.word === word),
        checks: document.checks.checks,
        scores: membersOf(document.scores).map(([, score]) => score),
    };
}

// The unit that a spelling means here; undefined: not one of this part.
export function unitHere(table, part, spelling) {
    return part.accepts.find((unit) => unit === table.unitSpelled(spelling));
}

// (value + add) × times ÷ over, exactly; null where the table has no way there.
export function unitExact(table, value, from, to) {
    const way = from === to ? {} : table.way(from, to);

    return way ? exactOver(exactTimes(exactAdd(exactOf(value), exactOf(way.add ?? 0)), exactOf(way.times ?? 1)), exactOf(way.over ?? 1))
        : null;
}

// Rounded once, half to even, to the places of `to`; the same digits where nothing is to be converted.
export function unitConvert(table, value, from, to) {
    return from === to ? value : exactRound(unitExact(table, value, from, to), to.places);
}
