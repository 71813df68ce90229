// handover.js - what the next shift must know, of the patient who is open or of the round, for the screen and for paper (A4, Letter). On
// paper the head with the patient and the foot with the cautions come on every page, and no row is cut.
import {askRound, dueNode, dueText, nameNode, placeNode, reminderLine} from './round.js';
import {el, swap, theirs} from './dom.js';
import {identifierSame} from './identify.js';
import {contextNode, contextOf, correctionOf, counts, everyText, flagMarks, flagsOf, readRecord, scoreNow, sentOf, setsOf, dayAndTime, struckNode, takenAt, valueOf} from './record.js';
import {screen} from './shell.js';
import {listen, now, soonOnce} from './state.js';
import {sayWithheld} from './score.js';
import {told} from './told.js';
import {ageText, dayText, momentText, say, timeText} from './words.js';

const OVER_DAY_MS = 86400000;
const AT_ONCE = 4; // records asked for side by side
const PATIENTS_MOST = 60;

// ---- what changed ----

const numbersOf = (table, reading) => table.kind(reading.kind).parts.map((part) => reading.values?.[part.name]).filter(Array.isArray);

// Like with like: the same words where the table keeps readings apart, the same units.
function isLike(table, one, other) {
    const apart = table.kind(one.kind).fields.filter((row) => row.apart);
    return one.kind === other.kind && apart.every((row) => sentOf(one)[row.path] === sentOf(other)[row.path]) &&
        numbersOf(table, one).map(([, unit]) => unit).join() === numbersOf(table, other).map(([, unit]) => unit).join();
}

function changeWord(from, to) {
    return to > from ? '▲ ' + say('over.up') : to < from ? '▼ ' + say('over.down') : '= ' + say('over.same');
}

// "▲ higher" against the one before, in words; each part of several.
function changeOf(table, last, before) {
    if (!before) return say('over.first');
    const was = numbersOf(table, before), is = numbersOf(table, last);
    if (!is.length || !was.length) return valueOf(table, last) === valueOf(table, before) ? '= ' + say('over.same') : '◆ ' + say('over.changed');
    const words = is.map(([value], index) => changeWord(Number(was[index]?.[0]), Number(value)));
    return new Set(words).size === 1 ? words[0] : words.join(' / ');
}

function signRows(table, readings) {
    return table.kinds.map((kind) => {
        const ofKind = readings.filter((one) => one.kind === kind.name && counts(one)).sort((one, other) => takenAt(other) - takenAt(one));
        const [last] = ofKind;
        if (!last) return null;
        const valued = ofKind.find((one) => !sentOf(one)['not-taken']);
        const before = valued && ofKind.slice(ofKind.indexOf(valued) + 1).find((one) => !sentOf(one)['not-taken'] && isLike(table, one, valued));
        return {kind, last, before, change: last === valued ? changeOf(table, last, before) : ''};
    }).filter(Boolean);
}

function signTable(table, patient, readings, newest) {
    // Paper that goes on says once more of whom.
    const whose = el('tr', {class: 'onlypaper'}, el('td', {colspan: 3}, nameNode(patient), ' · ', theirs(patient.identifier.value)));
    return el('table', {class: 'signs'}, el('thead', {}, whose, el('tr', {}, ['over.sign', 'over.last', 'over.change'].map((key) => el('th', {scope: 'col'}, say(key))))),
        el('tbody', {}, signRows(table, readings).map(({kind, last, before, change}) => el('tr', {}, el('th', {scope: 'row'}, told(kind.title)),
            el('td', {}, el('span', {class: 'number'}, valueOf(table, last)), ' ', flagMarks(flagsOf(table, last)), el('small', {class: 'soft'}, ' ', contextNode(contextOf(table, last).map((row) => ({...row, text: row.text.slice(0, 200)}))), last.set === newest.id ? null : ` · ${dayAndTime(takenAt(last))}`)),
            el('td', {}, change, before && change ? el('small', {class: 'soft'}, ` ${valueOf(table, before)}, ${dayAndTime(takenAt(before))}`) : null)))));
}

function scoreLine(sets) {
    const scored = sets.map((set) => scoreNow(now.table, set)).filter(Boolean);
    const [last, before] = scored.filter((one) => one.total !== undefined);
    const [newest] = scored;
    if (!newest) return null;
    if (newest.total === undefined) return el('p', {}, el('strong', {}, say('record.score.withheld')), `: ${newest.why ? sayWithheld(newest.why, told) : told(newest.withheld)}`);
    return el('p', {}, el('strong', {}, say('record.score.total', {total: last.total})), ` · ${told(last.risk ?? '')} · ${before ? changeWord(before.total, last.total) + ` (${before.total})` : say('over.first')}`,
        last['single-trigger'] ? el('span', {class: 'flag'}, ` ◆ ${say('after.single')}`) : null, el('br'), told(last.response ?? ''), ' ', last['interval-minutes'] ? say('after.every', {every: everyText(last['interval-minutes'])}) : say('after.continuous'));
}

// Corrections are part of what is handed over: somebody may have acted on the number before.
function correctionList(table, readings) {
    const corrected = readings.filter((one) => correctionOf(one, table));
    if (!corrected.length) return null;
    return [el('h3', {}, say('over.corrections')), el('ul', {}, corrected.map((one) =>
        el('li', {}, told(table.kind(one.kind).title), ' ', el('s', {class: 'number'}, valueOf(table, one)), ` (${dayAndTime(takenAt(one))}) · `, struckNode(table, one))))];
}

// ---- one patient ----

const identityNodes = (one) => [nameNode(one), ' · ', one.birthDate ? `${say('over.born')} ${dayText(one.birthDate)} (${ageText(one.birthDate)})` : say('over.noborn'), ' · ', theirs(one.identifier.value, {class: 'theirs number'}), placeNode(one) ? [' · ', placeNode(one)] : null,
    one.alike ? el('strong', {}, ` ◆ ${say('round.alike')}`) : null];

function patientBlock(table, {patient, row, record}, at, withName) {
    const readings = record?.readings ?? [];
    const sets = setsOf(table, readings);
    const [newest] = sets.filter((set) => set.readings.some(counts));
    return el('article', {class: 'over', 'aria-label': patient.family ?? ''}, withName ? el('h2', {class: 'overwho'}, identityNodes(patient)) : null,
        row ? el('p', {class: 'overdue'}, dueNode(row.state), row.due ? ` · ${dueText(row.due, at)}` : '') : null,
        row?.reminders?.length ? el('ul', {class: 'bare'}, row.reminders.map((one) => el('li', {}, reminderLine(one, at)))) : null,
        !record ? el('p', {class: 'doubt'}, say('over.norecord')) : !newest ? el('p', {}, say('over.noset')) : [
            el('p', {}, say('over.lastset', {when: dayAndTime(newest.taken)}), ' ', theirs(newest.by)), scoreLine(sets), signTable(table, patient, readings, newest), correctionList(table, readings)]);
}

// ---- the sheet: a head and a foot that paper repeats ----

function paper(head, blocks) {
    const person = now.session.person;
    return el('table', {class: 'paper', role: 'presentation'},
        el('thead', {role: 'presentation'}, el('tr', {role: 'presentation'}, el('td', {role: 'presentation'}, head))),
        el('tfoot', {role: 'presentation'}, el('tr', {role: 'presentation'}, el('td', {role: 'presentation', class: 'paperfoot'}, el('p', {}, say('caution.charting'), ' ', say('caution.monitor')), el('p', {}, say('caution.score'), ' ', say('credit.score')),
            el('p', {}, say('over.printed', {when: `${dayText(new Date())} ${timeText(new Date())}`}), ' ', theirs(person.display), ' · ', say('over.stale'))))),
        el('tbody', {role: 'presentation'}, blocks.map((block) => el('tr', {role: 'presentation', class: 'block'}, el('td', {role: 'presentation'}, block)))));
}

let overRound = false; // of the round even while a patient is open

async function eachOf(list, does) {
    const results = [];
    const rest = list.map((one, index) => [one, index]);
    await Promise.all(Array.from({length: AT_ONCE}, async () => {
        for (let next = rest.shift(); next; next = rest.shift()) results[next[1]] = await does(next[0]);
    }));
    return results;
}

const recordOfDay = (patient) => readRecord(patient.identifier, {since: new Date(Date.now() - OVER_DAY_MS).toISOString(), pages: 2});

async function loadHandover(view) {
    const patient = overRound ? null : now.patient;
    const asked = await askRound(patient ? null : view.ward, patient ? null : PATIENTS_MOST);
    const at = asked.ok ? new Date(asked.body.now) : new Date();
    const rows = asked.ok ? asked.body.patients : [];
    const wanted = patient ? [{patient, row: rows.find((row) => identifierSame(row.patient.identifier, patient.identifier)) ?? null}] : rows.slice(0, PATIENTS_MOST).map((row) => ({patient: row.patient, row}));
    const all = await eachOf(wanted, async (one) => ({...one, record: await recordOfDay(one.patient)}));
    if (!view.root.isConnected || patient !== (overRound ? null : now.patient)) return;
    const head = patient ? el('p', {class: 'overwho onlypaper'}, identityNodes(patient)) : el('p', {class: 'overwho'}, say('over.ofround', {ward: view.ward ?? say('round.allwards')}), ` · ${momentText(at, new Date(0))}`);
    const missing = !patient && !asked.ok ? el('p', {class: 'doubt'}, say('round.failed')) : null;
    view.which?.forEach((one) => one.setAttribute('aria-pressed', String((one.dataset.which === 'round') === !patient)));
    swap(view.body, missing ?? (all.length ? paper(head, all.map((one) => patientBlock(now.table, one, at, !patient))) : el('p', {}, say('round.empty'))));
}

screen('handover', {
    title: 'over.title', link: 'over.link',
    show(root) {
        const view = {root, ward: localStorage.getItem('ward') || null, body: el('div', {class: 'overbody'}, el('p', {class: 'soft'}, say('record.loading'))), which: null};
        overRound = !now.patient;
        if (now.patient) view.which = ['patient', 'round'].map((which) => el('button', {type: 'button', class: 'chip', 'data-which': which, on: {click: () => {
            overRound = which === 'round';
            loadHandover(view);
        }}}, say(`over.which.${which}`)));
        swap(root, el('h1', {tabindex: -1}, say('over.title')), el('div', {class: 'chips overtools'}, view.which, el('button', {type: 'button', class: 'chip', on: {click: () => window.print()}}, say('print'))), view.body);
        const again = soonOnce(() => loadHandover(view), 1000);
        const heard = ['set', 'reload'].map((name) => listen(name, again));
        loadHandover(view);
        return () => heard.forEach((end) => end());
    },
});
