// after.js - what became of a set: each reading on its way to the record, live; its score; what should be looked at again; and the way
// to mend a slip. The newest set of the patient who is open, or an earlier one.
import {jsonText} from './decimal.js';
import {ask} from './api.js';
import {closePatient, identifierSame} from './identify.js';
import {correctReading} from './correct.js';
import {button, el, swap, theirs} from './dom.js';
import {contextNode, contextOf, counts, everyText, flagMarks, flagsOf, heldText, readRecord, scoreNow, scoreText, sentOf, setsOf, dayAndTime, stateNode, struckNode, valueOf} from './record.js';
import {sayWithheld} from './score.js';
import {go, notice, screen} from './shell.js';
import {listen, mayDo, now, soonOnce} from './state.js';
import {told} from './told.js';
import {momentText, say, timeText, zoned} from './words.js';

const RECHECK_MINUTES = [15, 30, 60]; // to choose from; no publication names one
const AFTER_PAGES = 2;

let afterSet = null; // id of the set that is looked at; null: the newest

// ---- one reading ----

function whatToDo(reading) {
    if (reading.state !== 'held') return null;
    return el('p', {class: 'doubt'}, heldText(reading), ' ', mayDo('decide') ? el('a', {href: '#people'}, say('stop.decide')) : say('stop.tell'));
}

function readingItem(view, reading) {
    const {table} = now;
    const title = told(table.kind(reading.kind).title);
    const stands = counts(reading);
    return el('li', {class: `taken is-${reading.state}`},
        el('h2', {}, title),
        el('div', {class: 'what'},
            el(stands ? 'span' : 's', {class: 'number value'}, stands ? null : el('span', {class: 'unseen'}, `${say('record.struck.word')} `), valueOf(table, reading)),
            stands ? flagMarks(flagsOf(table, reading)) : null,
            el('p', {class: 'soft'}, contextNode(contextOf(table, reading))),
            stands || reading.state === 'discarded' ? null : el('p', {class: 'soft'}, struckNode(table, reading)),
            whatToDo(reading)),
        el('div', {class: 'where'}, stateNode(reading),
            stands && mayDo('send') ? el('button', {type: 'button', class: 'quiet', 'data-key': `correct-${reading.id}`, 'aria-label': say('after.correct.of', {what: title}), on: {click: () => correctOne(view, reading)}}, say('after.correct')) : null));
}

async function correctOne(view, reading) {
    if (!await correctReading(now.table, reading)) return;
    notice(say('after.corrected'));
    await loadAfter(view);
}

// ---- the set ----

function tallyText(readings) {
    const standing = readings.filter(counts);
    const count = (state) => standing.filter((one) => one.state === state).length;
    if (standing.length && count('charted') === standing.length) return say('after.all');
    return ['charted', 'waiting', 'held'].filter(count).map((state) => say(`after.tally.${state}`, {count: count(state)})).join(' · ');
}

// A set that is not in the record yet is on this device: said first, and what to do.
function notYet() {
    const saved = now.saved;
    if (saved?.state !== 'here' || !identifierSame(saved.patient?.identifier, now.patient.identifier)) return null;
    return el('p', {class: 'stopped'}, say('after.here', {since: momentText(new Date(saved.since))}));
}

function pointsTable(score, row) {
    return el('table', {class: 'pointlist'}, el('caption', {class: 'unseen'}, say('after.points')), el('tbody', {}, row.inputs.filter((input) => score.points[input.input] !== undefined).map((input) =>
        el('tr', {}, el('th', {scope: 'row'}, told(input.title)), el('td', {class: 'number'}, String(score.points[input.input]))))));
}

function scoreNodes(score, {points = true} = {}) {
    if (!score) return [];
    const row = now.table.scores.find((one) => one.score === score.score);
    const whole = score.total !== undefined;
    return [
        el('p', {class: 'total'}, whole ? [el('span', {class: 'number'}, String(score.total)), ' ', told(score.risk ?? ''), score['single-trigger'] ? el('span', {class: 'flag'}, ` ◆ ${say('after.single')}`) : null]
            : el('span', {class: 'doubt'}, `${say('record.score.withheld')}: ${score.why ? sayWithheld(score.why, told) : told(score.withheld)}`)),
        !whole && score['single-trigger'] ? el('p', {class: 'flag'}, `◆ ${say('after.single')}`) : null,
        row?.scale && score.scale && whole ? el('p', {class: 'soft'}, told(row.scale.scales[score.scale])) : null,
        whole ? el('p', {}, told(score.response)) : null,
        whole ? el('p', {}, score['interval-minutes'] ? say('after.every', {every: everyText(score['interval-minutes'])}) : say('after.continuous')) : null,
        points && Object.keys(score.points).length ? pointsTable(score, row) : null,
        el('div', {class: 'cautions'}, score.cautions.map((text) => el('p', {}, told(text))), el('p', {}, told(score.credit)))];
}

// ---- looked at again ----

const isOdd = (reading) => flagsOf(now.table, reading).length > 0 || sentOf(reading).confirmed || sentOf(reading).override || sentOf(reading)['not-taken'];
const isSome = (reading) => Object.values(reading.values ?? {}).some((value) => Array.isArray(value) && Number(value[0]) > 0);
const inMinutes = (minutes) => new Date(Date.now() + minutes * 60000);

async function remind(view, reading, minutes, reason) {
    const at = inMinutes(minutes);
    const answer = await ask('/v1/patients/_order', {patient: {identifier: now.patient.identifier}, kind: reading.kind, at: zoned(at), reason, by: now.session.person.practitioner});
    notice(answer.ok ? say('after.reminder.set', {what: told(now.table.kind(reading.kind).title), when: timeText(at)}) : say(answer.away ? 'after.reminder.away' : 'after.reminder.no'), answer.ok ? '' : 'doubt');
    await loadReminders(view);
}

function remindRow(view, reading, label, choices) {
    const title = told(now.table.kind(reading.kind).title);
    return el('li', {class: 'remind'}, el('span', {}, el('strong', {}, title), ' ', label), el('span', {class: 'chips'}, choices.map(({text, minutes, reason}) =>
        button(text, () => remind(view, reading, minutes, reason), {class: 'chip', 'aria-label': `${title}: ${text}`, 'data-key': `remind-${reading.id}-${reason}-${minutes}`}))));
}

function remindRows(view, readings) {
    const standing = readings.filter(counts);
    const odd = standing.filter(isOdd).map((reading) => remindRow(view, reading, [valueOf(now.table, reading), ' ', flagMarks(flagsOf(now.table, reading))],
        RECHECK_MINUTES.map((minutes) => ({text: say('after.in', {every: everyText(minutes)}), minutes, reason: 'look again'}))));
    const again = standing.filter((reading) => now.table.kind(reading.kind).again && isSome(reading)).map((reading) => remindRow(view, reading, [valueOf(now.table, reading), ' ', el('span', {class: 'soft'}, say('after.done'))],
        now.table.kind(reading.kind).again.map((row) => ({text: say('after.again', {what: told(row.text), from: row.from, to: row.to}), minutes: row.from, reason: row.text}))));
    return [...odd, ...again];
}

function reminderText(reminder) {
    const kind = reminder.kind && now.table.kind(reminder.kind);
    return `${kind ? told(kind.title) : say('round.set')} ${momentText(new Date(reminder.due))}${reminder.reason ? ` · ${told(reminder.reason)}` : ''}`;
}

// The reminders of this patient, as the round has them.
async function loadReminders(view) {
    const answer = await ask('/v1/round/_search', {});
    const row = answer.ok ? answer.body.patients.find((one) => identifierSame(one.patient.identifier, now.patient?.identifier)) : null;
    swap(view.reminders, row?.reminders?.length ? [el('p', {}, say('after.reminders')), el('ul', {class: 'bare'}, row.reminders.map((one) => el('li', {}, '◷ ', reminderText(one))))] : null);
}

// ---- all of it ----

function earlierNodes(view, shown) {
    if (view.sets.length < 2) return null;
    return [el('h2', {}, say('after.earlier')), el('ul', {class: 'bare earlier'}, view.sets.map((set) => el('li', {}, el('button', {
        type: 'button', class: 'quiet', 'aria-current': set === shown ? 'true' : null, 'data-key': `set-${set.id}`,
        on: {click: () => {
            afterSet = set === view.sets[0] ? null : set.id;
            drawAfter(view);
            view.title.focus();
        }},
    }, el('span', {class: 'number'}, dayAndTime(set.taken)), ' · ', theirs(set.by), ' · ', scoreText(scoreNow(now.table, set))))))];
}

function drawAfter(view) {
    const set = view.sets.find((one) => one.id === afterSet) ?? view.sets[0];
    const key = document.activeElement?.dataset?.key;
    const open = document.querySelector('dialog[open]');
    view.shown = set;
    if (!set) {
        swap(view.body, el('p', {}, say('after.none')));
        return;
    }
    const score = scoreNow(now.table, set);
    const rows = remindRows(view, set.readings);
    swap(view.title, say(set === view.sets[0] ? 'after.title.of' : 'after.title.earlier', {when: dayAndTime(set.taken)}));
    if (view.tally.textContent !== tallyText(set.readings)) swap(view.tally, tallyText(set.readings));
    swap(view.body,
        el('p', {class: 'soft'}, say('after.by'), ' ', theirs(set.by), set.readings[0].sent?.bedside?.offline ? ` · ${say('after.offline')}` : ''),
        el('ul', {class: 'bare takens'}, set.readings.map((reading) => readingItem(view, reading))),
        el('p', {class: 'cautions'}, say('caution.flag')),
        score ? el('section', {class: 'score', 'aria-labelledby': 'after-score'}, el('h2', {id: 'after-score'}, told(score.title)), scoreNodes(score)) : null,
        rows.length && mayDo('send') ? el('section', {'aria-labelledby': 'after-again'}, el('h2', {id: 'after-again'}, say('after.look')), el('p', {class: 'hint'}, say('after.look.hint')), el('ul', {class: 'bare'}, rows)) : null,
        view.reminders, earlierNodes(view, set));
    if (key && !open) view.root.querySelector(`[data-key="${CSS.escape(key)}"]`)?.focus({preventScroll: true});
}

async function loadAfter(view) {
    const patient = now.patient;
    if (!patient) return; // closed while an event waited
    const record = await readRecord(patient.identifier, {pages: AFTER_PAGES});
    if (!view.root.isConnected || now.patient !== patient) return;
    if (!record) {
        if (!view.sets.length) swap(view.body, el('p', {class: 'doubt'}, say('record.away')));
        return;
    }
    const seen = jsonText(record.readings);
    if (seen === view.seen) return;
    view.seen = seen;
    view.sets = setsOf(now.table, record.readings);
    drawAfter(view);
}

// After a set no patient stays open, unless another is begun already.
function doneWithPatient() {
    if (!now.draft) closePatient();
    go('round');
}

screen('after', {
    title: 'after.title', needs: 'patient',
    show(root) {
        const view = {root, sets: [], seen: '', title: el('h1', {tabindex: -1}, say('after.title')), tally: el('p', {class: 'tally', role: 'status'}), body: el('div', {}, el('p', {class: 'soft'}, say('record.loading'))), reminders: el('div', {class: 'reminders'})};
        const again = soonOnce(() => loadAfter(view));
        const heard = ['reading', 'set', 'reload', 'delivered'].map((name) => listen(name, again));
        afterSet = null;
        swap(root, view.title, notYet(), view.tally, el('div', {class: 'actions'},
            button(say('after.round'), doneWithPatient, {class: 'main'}), button(say('trend.link'), () => go('trend')), button(say('over.link'), () => go('handover'))), view.body);
        loadAfter(view);
        loadReminders(view);
        return () => heard.forEach((end) => end());
    },
});
