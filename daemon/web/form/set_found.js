// set_found.js - what the judge makes of the draft at this moment: of each kind its problems, flags and what it asks for. Pure.
import {conditionHolds, pathOf} from './condition.js';
import {judgeSet} from './judge.js';
import {scoresOf} from './score.js';
import {bodyOf, touchedKinds} from './set_draft.js';

// What a person says yes to with "keep" is this, in these words; any other doubt is a new question.
export const doubtsOf = (reading) => 'kept: ' + [...reading.settled, ...reading.problems].filter((one) => one.code === 'confirm' && !one.early).map((one) => one.say).join(' | ');

function judgeOnce(table, draft, given, options) {
    const body = bodyOf(table, draft, given);
    return {body, kinds: touchedKinds(table, draft), judged: judgeSet(table, body, options)};
}

// A confirmation that was given to other doubts than there are now is taken back. True: some was.
function takeBackKept(draft, {kinds, judged}) {
    const stale = kinds.map((kind, index) => [draft.signs[kind.name], judged.readings[index]]).filter(([sign, reading]) => sign.kept && sign.kept !== doubtsOf(reading));
    stale.forEach(([sign]) => {
        sign.kept = '';
    });
    return stale.length > 0;
}

// {body, judged, scores, of(kind name) -> {grade, problems, settled, missing, flags, notes, estimates, index} or undefined}
export function findIn(table, draft, given, options) {
    let once = judgeOnce(table, draft, given, options);
    if (takeBackKept(draft, once)) once = judgeOnce(table, draft, given, options);
    const {body, kinds, judged} = once;
    const found = new Map(kinds.map((kind, index) => [kind.name, {...judged.readings[index], index}]));

    return {body, judged, kinds, scores: scoresOf(table, judged), of: (name) => found.get(name), holds: (kind, conditions) => conditionsHold(table, judged, kind, conditions)};
}

// Do all these conditions of the table hold for what is typed of a kind?
function conditionsHold(table, judged, kind, conditions) {
    const reading = judged.read.readings.find((one) => one.kind === kind);
    if (!reading) return false;
    const scope = {table, read: judged.read, reading, lastOf: () => undefined, path: (text) => pathOf(table, kind, text)};
    return conditions.every((condition) => conditionHolds(scope, condition));
}

// What a problem offers in place of what was typed: [{digits, unit}], from its text's {value/10}, {value*10}, {value~U:U}.
export function offersOf(table, problem, unit) {
    return problem.says.flatMap(({parts}) => Object.entries(parts).flatMap(([hole, given]) => {
        const moved = /^[^/*~]*[/*]\d+$/.test(hole);
        const [, as, to] = /~([^:]+):(.+)$/.exec(hole) ?? [];
        if (given.digits === undefined || (!moved && (!as || as !== to))) return [];
        const code = moved ? unit : to;
        return [{digits: table.unit(code)?.places ? given.digits : given.digits.replace(/\.0+$/, ''), unit: code, text: given.text ?? ''}];
    }));
}
