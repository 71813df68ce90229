// parity.mjs - (b) some thousands of invented sets, each to POST /v1/preview of a daemon and to judgeSet(): the same problems with
// the same words, flags, notes, estimates, computed values and scores.
import {Decimal, decimalOf, jsonText} from '../../daemon/web/form/decimal.js';
import {judgeSet} from '../../daemon/web/form/judge.js';
import {scoresOf} from '../../daemon/web/form/score.js';
import {Maker, SYSTEM, answeredRows, usualIn} from './invented.mjs';
import {chanceOf, plain, problemsOf, same, sorted} from './support.mjs';

const SEED = 20261125;
const SETS = 3000;
const ANSWERED_SETS = 600; // of those who were asked before, besides
const AT_ONCE = 6;
const SECONDS_MOST = 240; // a guard: it takes 15 s where nothing else runs
// What the daemon says of a body that no form makes: there pointer and code are compared, the words are its own.
const OWN_WORDS = ['missing-field', 'wrong-type', 'unknown-unit', 'unknown-word', 'unknown-kind', 'unknown-field', 'too-long', 'bad-time'];

// ---- earlier readings ----

const DAYS_AGO = [0.0005, 0.0011, 0.02, 0.3, 3, 6.9, 12, 45, 120, 250, 500, 800];

function lastConditions(table) {
    return table.kinds.flatMap((kind) => (kind.checks ?? []).flatMap((check) => check.if)
        .filter((condition) => condition.entered?.startsWith('last.')).map((condition) => ({kind, condition})));
}

// Not the same number for everybody: `by` less, where the table has nothing against it.
function lessBy(table, kind, reading, name, by) {
    const value = decimalOf(reading[name]);

    for (let less = by; less > 0; less--) {
        const changed = {...reading, [name]: new Decimal(value.digits - BigInt(less) * 10n ** BigInt(value.scale), value.scale)};
        const judged = judgeSet(table, {taken: '2026-01-01T00:00:00Z', ...changed}, {now: Date.parse('2026-01-01T00:00:00Z')});

        if (judged.readings[0].grade === 'ok' || judged.readings[0].grade === 'incomplete')
            return changed[name];
    }
    return value;
}

function earlierReading(table, kind, unitIndex, index) {
    const reading = {kind: kind.name, confirmed: true, override: {by: 'Nurse/n-1', second: 'Nurse/n-2', reason: 'looked at twice'}};

    for (const part of kind.parts)
        if (part.type === 'word') {
            reading[part.name] = table.words(part.list)[0].word;
        } else if (part.required !== false) {
            const unit = part.accepts[unitIndex % part.accepts.length];

            Object.assign(reading, {[part.name]: usualIn(table, part, unit), unit: unit.code});
            reading[part.name] = lessBy(table, kind, reading, part.name, index % 10);
        }
    return reading;
}

// Beyond the bounds that are not asked about again for a while: this side of each part, as it would be entered in the part's own unit.
function askedReading(table, kind, side) {
    const reading = earlierReading(table, kind, 0, 0);

    for (const [of, part, row] of answeredRows(table).filter((one) => one[0] === kind && one[2][side] !== undefined && !one[2].when))
        reading[part.name] = new Decimal(decimalOf(row[side]).digits + (side === 'below' ? -1n : 1n), decimalOf(row[side]).scale);
    return reading;
}

async function keepEarlier(daemon, {value, born}, taken, readings) {
    const answer = await daemon.post('/v1/readings', jsonText({patient: {identifier: {system: SYSTEM, value}, birthDate: born}, taken, readings}));

    if (answer.status !== 201)
        throw new Error(`an earlier set was not taken: ${plain(answer.body)}`);
    const listed = await daemon.post('/v1/readings/_search', jsonText({patient: {system: SYSTEM, value}, count: 100}));
    const byKind = new Map(listed.body.readings.map((item) => [item.kind, item]));

    return {value, born, last: (name) => byKind.get(name)};
}

// Who was asked about everything that day, or the day before.
async function askedSets(daemon, table, now) {
    const kinds = [...new Set(answeredRows(table).map(([kind]) => kind))];
    const patients = [];

    for (const [i, days] of [0.02, 0.4, 0.98, 1.005, 1.02, 3].entries())
        for (const side of ['below', 'above'])
            patients.push(await keepEarlier(daemon, {value: `A-${i}-${side}`, born: `19${50 + i}-03-14`}, new Date(now - days * 86400000).toISOString(),
                kinds.map((kind) => askedReading(table, kind, side))));
    return patients;
}

async function earlierSets(daemon, table, now) {
    const conditions = lastConditions(table);
    const patients = [];

    for (let i = 0; i < 26; i++) {
        const days = DAYS_AGO[i % DAYS_AGO.length];
        const readings = table.kinds.filter((kind) => !kind.computed).map((kind) => earlierReading(table, kind, i % 3, i));
        const {kind, condition} = conditions[i % Math.max(conditions.length, 1)] ?? {};

        if (kind) {
            const reading = readings.find((one) => one.kind === kind.name);

            reading[condition.entered.slice(5)] = decimalOf(i % 2 ? condition['at-least'] : condition['at-most']);
            reading.unit = condition.unit;
        }
        const patient = {value: `L-${i}`, born: `${1940 + i * 2}-03-1${i % 10}`};

        patients.push(await keepEarlier(daemon, patient, new Date(now - days * 86400000).toISOString(), readings));
    }
    return patients;
}

// ---- the comparison ----

const cut = (text) => { // the daemon has room for 255 bytes and cuts between characters
    let bytes = Buffer.from(text);

    if (bytes.length > 255) {
        let end = 255;

        while ((bytes[end] & 0xC0) === 0x80)
            end--;
        bytes = bytes.subarray(0, end);
    }
    return bytes.toString();
};

function saidBy({pointer, code, detail, override}) {
    return `${pointer} ${code}${override ? ' override' : ''}${OWN_WORDS.includes(code) ? '' : ` "${detail}"`}`;
}

function formSays(problem) {
    return saidBy({...problem, detail: problem.say === undefined ? '' : cut(problem.say)});
}

function compareProblems(judged, sent, errors) {
    const got = problemsOf(judged, sent).map(formSays).sort();
    const wanted = errors.map(saidBy).sort();

    return same(got, wanted) || `problems\n    form   ${got.join('\n           ')}\n    daemon ${wanted.join('\n           ')}`;
}

function compareReading(reading, answer) {
    const notes = reading.notes.map((note) => cut(note.say));
    const pairs = {grade: [reading.grade, 'ok'], flags: [reading.flags, answer.flags], notes: [notes, answer.notes ?? []],
        estimates: [reading.estimates, answer.estimates ?? {}]};

    for (const [what, [got, wanted]] of Object.entries(pairs))
        if (!same(got, wanted))
            return `${answer.kind} ${what}\n    form   ${plain(sorted(got))}\n    daemon ${plain(sorted(wanted))}`;
    return true;
}

const withoutWhy = ({why, ...score}) => score;

function compareScores(judged, table, answer) {
    const got = scoresOf(table, judged).map(withoutWhy);
    const wanted = answer.scores ?? (answer.score ? [answer.score] : []);

    return same(got, wanted) || `score\n    form   ${plain(sorted(got))}\n    daemon ${plain(sorted(wanted))}`;
}

// A computed kind is an Observation among the others, known by its text.
function compareComputed(judged, answer) {
    for (const {kind, value, flag} of judged.computed) {
        const found = (answer.observations?.entry ?? []).map((entry) => entry.resource).find((one) => one.code?.text === kind.title);
        const says = found?.interpretation?.[0].coding[0].code;

        if (!found || String(found.valueQuantity.value) !== String(value) || says !== flag?.interpretation)
            return `computed ${kind.name}: form ${value} ${flag?.interpretation}, daemon ${plain(found ?? null)}`;
    }
    return true;
}

function compare(judged, table, sent, {status, body}) {
    if (status === 422)
        return compareProblems(judged, sent, body.errors ?? []);
    if (status !== 200)
        return `the daemon answers ${status}: ${plain(body)}`;
    const results = [compareProblems(judged, sent, []), ...judged.readings.map((reading, index) => compareReading(reading, body.readings[index])),
        compareScores(judged, table, body), compareComputed(judged, body)];

    return results.find((result) => result !== true) ?? true;
}

// ---- all of it ----

function makeSets(table, maker, patients) {
    const own = table.kinds.flatMap((kind) => (kind.checks ?? []).map((check) => [kind, check]));
    const checks = [...own, ...table.checks.map((check) => [null, check])];
    const sets = [];

    for (let i = 0; sets.length < SETS; i++) {
        const [kind, check] = checks[i % checks.length];

        sets.push(maker.forCheck(kind, check, patients), maker.forCheck(kind, check, patients), maker.anySet(patients), maker.scoredSet());
    }
    return sets.slice(0, SETS);
}

// Where a limit asks, confirmed or not.
const limitsAsked = (judged) => judged.readings.flatMap((reading, index) => [...reading.problems, ...reading.settled]
    .filter(({code, side}) => code === 'confirm' && side).map(({pointer}) => `${judged.read.readings[index].kind.name} ${pointer.slice(1)}`));

// What is asked of somebody with that last reading, and what would be asked if there were none.
function tallyAnswers(seen, table, set, judged, now) {
    const asked = limitsAsked(judged);
    const alone = limitsAsked(judgeSet(table, set, {now, last: () => null}));

    for (const where of alone)
        (asked.includes(where) ? seen.askedAgain : seen.answered).add(where);
}

function tally(seen, judged, status) {
    seen.answers[status] = (seen.answers[status] ?? 0) + 1;
    for (const problem of [...judged.problems, ...judged.readings.flatMap((reading) => [...reading.problems, ...reading.settled])]) {
        seen.codes[problem.code] = (seen.codes[problem.code] ?? 0) + 1;
        if (problem.check)
            seen.checks.add(problem.check);
    }
}

export async function checkParity(daemon, table, count) {
    const begun = Date.now();
    const seen = {answers: {}, codes: {}, checks: new Set(), units: new Set(), notes: new Set(), scores: 0, answered: new Set(), askedAgain: new Set()};
    const before = await askedSets(daemon, table, begun);
    const patients = await earlierSets(daemon, table, begun);
    const maker = new Maker(table, chanceOf(SEED), begun);
    const asker = new Maker(table, chanceOf(SEED + 1), begun);
    const sets = [...makeSets(table, maker, patients), ...Array.from({length: ANSWERED_SETS}, () => asker.forAnswered(before))];
    let next = 0;
    const one = async () => {
        while (next < sets.length && Date.now() - begun < SECONDS_MOST * 1000) {
            const index = next++;
            const set = sets[index];
            const text = jsonText(set);
            const patient = [...patients, ...before].find(({value}) => value === set.patient.identifier.value);
            const now = Date.now();
            const answer = await daemon.post('/v1/preview', text);
            const judged = judgeSet(table, set, {now, last: (kind) => patient?.last(kind)});

            tally(seen, judged, answer.status);
            if (index >= SETS)
                tallyAnswers(seen, table, set, judged, now);
            for (const reading of judged.read.readings)
                for (const [name, thing] of [...Object.entries(reading.parts), ...Object.entries(reading.fields)])
                    if (thing?.unit)
                        seen.units.add(`${reading.kind.name} ${name} ${thing.unit.code}`);
            for (const note of judged.readings.flatMap((reading) => reading.notes))
                seen.notes.add(note.says[0].template);
            seen.scores += (answer.body.score?.total !== undefined);
            const result = compare(judged, table, set, answer);

            count(`set ${index}`, result === true || `${result}\n    sent   ${text}`);
        }
    };

    await Promise.all(Array.from({length: AT_ONCE}, one));
    count('all sets were compared in time', next === sets.length || `${next} of ${sets.length} in ${SECONDS_MOST} s`);
    console.log(`${next} invented sets in ${((Date.now() - begun) / 1000).toFixed(1)} s: answers ${plain(seen.answers)}, problems ${plain(seen.codes)}, ` +
        `${seen.scores} whole scores`);
    everyCheck(table, seen, count);
    for (const where of new Set(answeredRows(table).map(([kind, part]) => `${kind.name} ${part.name}`))) {
        count(`${where}, not asked again`, seen.answered.has(where) || 'never');
        count(`${where}, asked all the same`, seen.askedAgain.has(where) || 'never');
    }
    for (const kind of table.kinds)
        for (const part of [...kind.parts, ...kind.fields])
            for (const unit of part.accepts)
                count(`${kind.name} ${part.path ?? part.name} in ${unit.code}`,
                    seen.units.has(`${kind.name} ${part.path ?? part.name} ${unit.code}`) || 'never sent');
}

// Each check of the table fired at least once, or what is said here of them is worth nothing.
function everyCheck(table, seen, count) {
    for (const [kind, check] of [...table.kinds.flatMap((kind) => (kind.checks ?? []).map((check) => [kind.name, check])),
        ...table.checks.map((check) => ['sets', check])])
        count(`${kind} ${check.check} fired`, seen.checks.has(check.check) || (check.grade === 'note' && seen.notes.has(check.say)) || 'never');
}

