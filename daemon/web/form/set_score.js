// set_score.js - the score as far as the set goes: a ruled list of its inputs with their points, what is missing, what it asks for.
import {el, field, question, swap} from './dom.js';
import {agesFit} from './moment.js';
import {sayWithheld} from './score.js';
import {wordChips} from './set_field.js';
import {now} from './state.js';
import {told} from './told.js';
import {dayText, say, zoned} from './words.js';

function intervalText(minutes) {
    if (minutes === 0) return say('score.continuous');
    return minutes % 60 ? say('score.minutes', {count: minutes}) : say('score.hours', {count: minutes / 60});
}

const answerFor = (sheet, score) => sheet.found.scores.find((one) => one.score === score.score);
const soFar = (answer) => Object.values(answer?.points ?? {}).reduce((sum, points) => sum + points, 0);
const singlePoints = (score) => Math.min(...score.responses.map((row) => row.single).filter(Boolean));

// ---- what was measured, beside its points ----

function measuredText(sheet, input) {
    const reading = sheet.found.judged.read.readings.find((one) => one.kind?.name === input.kind && !one.notTaken);
    const thing = input.field ? reading?.fields[input.field] : reading?.parts[input.part];
    if (thing?.value) return `${thing.value}\u00a0${thing.unit?.text ?? ''}`.trim();
    return told((thing?.word ?? thing?.words?.[0])?.text ?? '');
}

function inputRow(sheet, score, answer, input) {
    const points = answer?.points[input.input];
    const single = points >= singlePoints(score);
    return el('tr', {class: single ? 'single' : null}, el('th', {scope: 'row'}, told(input.title)), el('td', {}, measuredText(sheet, input)),
        el('td', {class: 'number points'}, points === undefined ? el('span', {class: 'soft'}, answer?.missing?.includes(input.input) ?? true ? say(measuredText(sheet, input) ? 'score.waits' : 'score.none') : '–') : [single ? '◆ ' : '', String(points)]));
}

// ---- what the score must know beside the signs ----

function pregnancyAsked(sheet, score) {
    const row = (score.withheld ?? []).find((one) => one.context === 'pregnant');
    const ask = row?.ask;
    const {birthDate} = sheet.draft.patient;
    return !!row && (!ask || (agesFit(ask.ages, birthDate ?? null, zoned().slice(0, 10)) && !(ask['not-gender'] ?? []).includes(now.patient?.gender)));
}

function pregnancy(sheet) {
    const words = [{word: 'no', text: say('no')}, {word: 'yes', text: say('yes')}, {word: 'unknown', text: say('score.unknown')}];
    const values = {no: false, yes: true, unknown: 'unknown'};
    return wordChips({
        label: say('score.pregnant'), words, get: () => words.map((one) => one.word).find((word) => values[word] === sheet.draft.context.pregnant) ?? null,
        put(word) {
            if (sheet.draft.context.pregnant === values[word]) delete sheet.draft.context.pregnant;
            else sheet.draft.context.pregnant = values[word];
            sheet.refresh();
        },
    });
}

async function askScale(sheet, score, scale) {
    const by = field({label: say('score.scale.by'), maxlength: 100, autocomplete: 'off'});
    const date = field({label: say('score.scale.date'), type: 'date', max: zoned().slice(0, 10)});
    const title = told(score.scale.scales[scale]);
    const answer = await question(say('score.scale.title', {scale: title}), [el('p', {}, say('caution.scale')), by, date],
        [{word: 'yes', text: say('score.scale.use', {scale: title}), main: true}, {word: '', text: say('set.back')}]);
    const decision = {scale: Number(scale), by: by.input.value.trim(), date: date.input.value};

    if (answer !== 'yes') return;
    if (!decision.by || !decision.date || decision.date > zoned().slice(0, 10)) {
        await question(say('score.scale.no'), el('p', {}, say('score.scale.lacks')), [{word: '', text: say('set.back'), main: true}]);
        return;
    }
    sheet.draft.context[score.scale.context] = decision;
    sheet.refresh();
}

function scaleNodes(sheet, score) {
    const chosen = sheet.draft.context[score.scale?.context];
    if (!score.scale) return null;
    if (chosen) return el('p', {}, say('score.scale.chosen', {scale: told(score.scale.scales[chosen.scale]), by: chosen.by, date: dayText(chosen.date)}), ' ',
        el('button', {type: 'button', on: {click: () => {
            delete sheet.draft.context[score.scale.context];
            sheet.refresh();
        }}}, say('score.scale.back', {scale: told(score.scale.scales[score.scale.default])})));
    return el('p', {}, told(score.scale.scales[score.scale.default]), ' ', Object.keys(score.scale.scales).filter((scale) => Number(scale) !== score.scale.default)
        .map((scale) => el('button', {type: 'button', class: 'quiet', on: {click: () => askScale(sheet, score, scale)}}, say('score.scale.other', {scale: told(score.scale.scales[scale])}))));
}

// ---- the result in words ----

function resultNodes(sheet, score, answer) {
    const singles = score.inputs.filter((input) => answer?.points[input.input] >= singlePoints(score));
    if (!answer) return [el('p', {class: 'soft'}, say('score.nothing'))];
    return [
        answer.withheld === undefined ? el('p', {class: 'total'}, el('span', {class: 'number'}, String(answer.total)), ' ', told(answer.risk))
            : el('p', {class: 'withheld'}, say('score.withheld'), ' ', sayWithheld(answer.why, told)),
        singles.length ? el('p', {class: 'doubt'}, say('score.single', {what: singles.map((input) => told(input.title)).join(', '), points: singlePoints(score)})) : null,
        answer.response ? el('p', {}, told(answer.response)) : null,
        answer['interval-minutes'] !== undefined ? el('p', {}, say('score.interval'), ' ', el('strong', {}, intervalText(answer['interval-minutes']))) : null,
    ];
}

function lineText(score, answer) {
    if (!answer) return '';
    if (answer.withheld === undefined) return say('score.line.total', {total: answer.total, risk: told(answer.risk)});
    if (!answer.missing) return sayWithheld(answer.why, told);
    return say('score.line.sofar', {points: soFar(answer), count: score.inputs.length - answer.missing.length, all: score.inputs.length});
}

function oneScore(sheet, score) {
    const rows = el('tbody');
    const result = el('div', {class: 'score-result', role: 'status'});
    const scale = el('div');
    const asked = pregnancyAsked(sheet, score) ? pregnancy(sheet) : null;
    const node = el('section', {class: 'score', 'aria-label': told(score.title)}, el('h2', {}, told(score.title)), asked, scale,
        el('table', {}, el('thead', {class: 'unseen'}, el('tr', {}, ['score.input', 'score.value', 'score.points'].map((key) => el('th', {scope: 'col'}, say(key))))), rows),
        result, el('div', {class: 'cautions soft'}, score.cautions.map((text) => el('p', {}, told(text))), el('p', {}, told(score.credit))));

    node.refresh = () => {
        const answer = answerFor(sheet, score);
        const meant = !answer || answer.withheld === undefined || answer.missing;
        asked?.refresh();
        swap(scale, meant ? scaleNodes(sheet, score) : null);
        swap(rows, meant ? score.inputs.map((input) => inputRow(sheet, score, answer, input)) : null);
        swap(result, resultNodes(sheet, score, answer));
    };
    return node;
}

// {node: the section of the sheet, line: the same in one line for the pad's side, refresh()}
export function scorePart(sheet) {
    const nodes = sheet.table.scores.map((score) => oneScore(sheet, score));
    const line = el('p', {class: 'score-line', role: 'status'});
    return {
        node: el('div', {class: 'scores'}, nodes), line,
        tell: (text) => swap(line, el('span', {class: 'doubt', role: 'alert'}, text)), // stands until something is changed
        refresh() {
            nodes.forEach((node) => node.refresh());
            swap(line, sheet.table.scores.map((score) => lineText(score, answerFor(sheet, score))).filter(Boolean).join(' · '));
        },
    };
}
