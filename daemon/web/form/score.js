// score.js - early-warning scores by their tables (mappings/README.md, scores); withheld, with the reason, whenever one
// would not be whole or is not meant for this patient.

import {decimalCompare, decimalOf, exactRound} from './decimal.js';
import {agesFit} from './moment.js';
import {unitExact} from './table.js';

const decisionGrades = ['ask', 'override', 'refuse'];

// What became of an input: {state, points}. blocked: which points it has depends on another that is missing.
function scoreWord(input, reading) {
    const thing = input.field ? reading.fields[input.field]?.words?.[0] : reading.parts[input.part]?.word;
    const points = thing && (input.words[thing.word] ?? input.other);

    if (!thing)
        return {state: 'missing'};
    return points === undefined ? {state: 'beyond'} : {state: 'scored', points};
}

function bandPoints(bands, value, scale, pointsOf) {
    for (const band of bands) {
        const isWithin = (band.scale === undefined || band.scale === scale) &&
            (band.from === undefined || decimalCompare(value, decimalOf(band.from)) >= 0) &&
            (band.to === undefined || decimalCompare(value, decimalOf(band.to)) <= 0);
        const [[other, points]] = Object.entries(band.with ?? {none: 0});

        if (!isWithin)
            continue;
        if (band.with && pointsOf(other) === undefined)
            return {state: 'blocked'};
        if (!band.with || pointsOf(other) === points)
            return {state: 'scored', points: band.points};
    }
    return {state: 'beyond'};
}

// From the exact value, rounded half up to the places the table has: 38.05 is 38.1 here, never 38.0.
function scoreNumber(table, input, reading, scale, pointsOf) {
    const measured = reading.parts[input.part];

    if (!measured?.value)
        return {state: 'missing'};
    const value = exactRound(unitExact(table, measured.value, measured.unit, table.unit(input.in)), input.places, true);

    return value ? bandPoints(input.bands, value, scale, pointsOf) : {state: 'beyond'};
}

// Two of a kind in one set: the first that was taken counts.
function scoreInput(table, read, input, scale, pointsOf) {
    const reading = read.readings.find((one) => one.kind?.name === input.kind && !one.notTaken);

    if (!reading)
        return {state: 'missing'};
    if (decisionGrades.includes(reading.grade))
        return {state: 'waiting'};
    return input.words ? scoreWord(input, reading) : scoreNumber(table, input, reading, scale, pointsOf);
}

// Those that ask for the points of another come after all others.
function scoreInputs(table, read, score, scale) {
    const found = new Map();
    const needsAnother = (input) => (input.bands ?? []).some((band) => band.with);

    for (const late of [false, true])
        for (const input of score.inputs)
            if (needsAnother(input) === late)
                found.set(input.input, scoreInput(table, read, input, scale, (name) => found.get(name)?.points));
    return score.inputs.map((input) => ({input, ...found.get(input.input)}));
}

// The adult points of a child are no news but noise: where the table says that the score is not for this patient, nothing is shown.
function notForPatient(read, score) {
    const {day} = read.taken;
    const isKnown = read.born !== null && day >= read.born;

    return (score.withheld ?? []).find((row) => (row.context === 'pregnant' && read.pregnant) || (row['age-unknown'] && !isKnown) ||
        (row.ages && isKnown && agesFit(row.ages, read.born, day)));
}

const stateHeads = {missing: 'missing', waiting: 'waiting for a decision', beyond: 'outside the table'};

export const scoreHeads = Object.values(stateHeads); // to be translated, as the titles of inputs are

export function sayWithheld(why, translate = (text) => text) {
    return why.map(({head, titles}) => translate(head) + (titles ? `: ${titles.map(translate).join(', ')}` : '')).join('; ');
}

function withheldFor(answer, why) {
    return {...answer, withheld: sayWithheld(why), why};
}

// The last row that fits: a higher total's row stands below that of a single trigger.
function responseOf(score, total, most) {
    return score.responses.filter((row) => total >= row.from && total <= row.to && !(row.single > most)).at(-1);
}

function scoreOne(table, read, score) {
    const wanted = String(read.scale ?? '');
    const scale = score.scale && (wanted in score.scale.scales ? Number(wanted) : score.scale.default);
    const answer = {score: score.score, title: score.title, scale: scale ?? 0, points: {}, 'single-trigger': false,
        credit: score.credit, cautions: score.cautions};
    const notMeant = notForPatient(read, score);

    if (notMeant)
        return withheldFor(answer, [{head: notMeant.say}]);
    const found = scoreInputs(table, read, score, scale);
    const lacking = found.filter(({state}) => stateHeads[state]);
    const singles = score.responses.map((row) => row.single).filter(Boolean);
    const most = Math.max(0, ...found.map(({points}) => points ?? 0));

    for (const {input, points} of found)
        if (points !== undefined)
            answer.points[input.input] = points;
    answer['single-trigger'] = most >= (singles.at(-1) ?? Infinity);
    if (found.some(({state}) => state !== 'scored'))
        return withheldFor({...answer, missing: lacking.map(({input}) => input.input)},
            Object.keys(stateHeads).map((state) => ({head: stateHeads[state],
                titles: lacking.filter((one) => one.state === state).map(({input}) => input.title)})).filter(({titles}) => titles.length));
    const total = found.reduce((sum, {points}) => sum + points, 0);
    const row = responseOf(score, total, most);

    return {...answer, total, risk: row?.risk, response: row?.say, 'interval-minutes': row?.['interval-minutes']};
}

// Every score whose inputs this set has one of, in the shape of the daemon's answer; besides, of one that is withheld:
// why: [{head, titles?}], for sayWithheld() in another language. `judged`: what judgeSet() gave of the set.
export function scoresOf(table, judged) {
    const {read} = judged;
    const isAsked = (score) => !read.single && score.inputs.some((input) => read.readings.some((one) => one.kind?.name === input.kind));

    return table.scores.filter(isAsked).map((score) => scoreOne(table, read, score));
}

export function scoreSet(table, set, judged) { // the first of them; null: there is none
    return scoresOf(table, judged)[0] ?? null;
}
