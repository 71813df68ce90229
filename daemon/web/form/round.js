// round.js - who is due. The daemon sorts; here it is said in words and shapes, filtered by ward or bed, and kept fresh by events and by
// the minute. A tap on a patient leads to the two identifiers, never straight into the chart, so neither is on this list.
import {ask} from './api.js';
import {el, field, question, swap, theirs} from './dom.js';
import {dueOf} from './due.js';
import {everyText, scoreText} from './record.js';
import {go, notice, screen} from './shell.js';
import {listen, mayDo, now, soonOnce} from './state.js';
import {told} from './told.js';
import {ageText, momentText, say, timeText} from './words.js';

const ROUND_EVERY_MS = 60000;
const ORDER_MINUTES = [15, 30, 60, 120, 240, 360, 480, 720];
const DUE_SHAPES = {missed: '■', late: '◆', due: '●', soon: '◐', continuous: '◎', never: '◇', later: '○'};

export const dueNode = (state) => el('span', {class: `dueword is-${state}`}, el('span', {'aria-hidden': 'true'}, `${DUE_SHAPES[state] ?? '○'} `), say(`due.${state}`));

export const nameNode = (one) => el('span', {class: 'name'}, one.family ? theirs(one.family.toUpperCase(), {class: 'theirs family'}) : say('round.noname'), one.given ? [', ', theirs(one.given)] : null);
export const placeNode = (one) => one.ward || one.bed ? theirs([one.ward, one.bed && say('round.bed', {bed: one.bed})].filter(Boolean).join(', ')) : null;

// "13:20, 45 min ago" or "16:00, in 2 h 5 min"; `at` is the daemon's clock.
function spanText(ms) {
    const minutes = Math.round(Math.abs(ms) / 60000);
    return minutes < 60 ? say('every.minutes', {count: minutes}) : say('round.span', {hours: Math.floor(minutes / 60), minutes: minutes % 60});
}

export function dueText(due, at) {
    if (!due) return '';
    const moment = new Date(due);
    return say(moment < at ? 'round.ago' : 'round.in', {when: momentText(moment, at), span: spanText(moment - at)});
}

function whyText(row) {
    const minutes = row['interval-minutes'];
    return row.why === 'none' || !minutes ? '' : say(`round.why.${row.why}`, {every: everyText(minutes)}); // all the time is said already
}

export function reminderLine(reminder, at) {
    const kind = reminder.kind && now.table.kind(reminder.kind);
    return [el('span', {'aria-hidden': 'true'}, '◷ '), `${kind ? told(kind.title) : say('round.set')}: ${dueText(reminder.due, at)}`, reminder.reason ? [' · ', theirs(told(reminder.reason))] : null];
}

// ---- an order of frequency ----

async function sendOrder(row, body) {
    const answer = await ask('/v1/patients/_order', {patient: {identifier: row.patient.identifier}, kind: null, by: now.session.person.practitioner, ...body});
    notice(answer.ok ? say('round.order.done') : say(answer.away ? 'round.order.away' : 'round.order.no'), answer.ok ? '' : 'doubt');
    return answer.ok;
}

async function orderOf(view, row, trouble = '', before = {}) {
    const pick = el('select', {id: 'order-every'}, el('option', {value: ''}, say('round.order.choose')), ORDER_MINUTES.map((minutes) => el('option', {value: minutes, selected: String(minutes) === before.minutes}, everyText(minutes))));
    const reason = field({label: say('round.order.reason'), maxlength: 100, autocomplete: 'off'});
    reason.input.value = before.reason ?? '';
    const word = await question(say('round.order.title'), [trouble ? el('p', {class: 'stopped', role: 'alert'}, trouble) : null, el('p', {}, nameNode(row.patient)), el('p', {class: 'soft'}, say('round.order.hint')),
        el('div', {class: 'field'}, el('label', {for: 'order-every'}, say('round.order.every')), pick), reason],
    [{word: 'set', text: say('round.order.set'), main: true}, ...(row.why === 'order' ? [{word: 'end', text: say('round.order.end'), stop: true}] : []), {word: '', text: say('correct.back')}]);
    const given = {minutes: pick.value, reason: reason.input.value.trim()};
    if (!word) return;
    if (!given.reason || (word === 'set' && !given.minutes)) {
        await orderOf(view, row, say('round.order.lacks'), given);
        return;
    }
    if (await sendOrder(row, {reason: given.reason, ...(word === 'set' ? {'interval-minutes': Number(given.minutes)} : {})})) await loadRound(view);
}

// ---- the list ----

// Proposed only: identify.js asks for two identifiers before anything opens.
function propose(patient) {
    now.proposed = patient;
    go('patients');
}

function roundLast(row, at) {
    if (!row.last) return say('round.nolast');
    return [say('round.last', {when: momentText(new Date(row.last.taken), at)}), row.last.score && scoreText(row.last.score)].filter(Boolean).join(' · ');
}

function roundItem(view, row, at) {
    const {patient} = row;
    const single = row.last?.score?.['single-trigger'];
    return el('li', {class: `roundrow is-${row.state}`},
        el('button', {type: 'button', class: 'pick', 'data-key': `pick-${patient.identifier.value}`, on: {click: () => propose(patient)}},
            dueNode(row.state), el('span', {class: 'who'}, nameNode(patient), el('span', {class: 'soft'}, patient.birthDate ? `${ageText(patient.birthDate, at)} · ` : null, placeNode(patient))),
            el('span', {class: 'number when'}, row.due ? dueText(row.due, at) : ''),
            patient.alike ? el('span', {class: 'flag'}, `◆ ${say('round.alike')}`) : null,
            el('span', {class: 'soft'}, roundLast(row, at), single ? el('span', {class: 'flag'}, ` ◆ ${say('after.single')}`) : null),
            whyText(row) ? el('span', {class: 'soft why'}, whyText(row)) : null),
        mayDo('send') ? el('button', {type: 'button', class: 'quiet order', 'data-key': `order-${patient.identifier.value}`, 'aria-haspopup': 'dialog', on: {click: () => orderOf(view, row)}}, say('round.order'), el('span', {class: 'unseen'}, ' ', nameNode(patient))) : null,
        row.reminders?.length ? el('ul', {class: 'bare reminds'}, row.reminders.map((one) => el('li', {class: ['due', 'late', 'missed'].includes(one.state) ? 'flag' : 'soft'}, reminderLine(one, at)))) : null);
}

const bedFits = (view, row) => !view.bed.input.value.trim() || `${row.patient.bed ?? ''} ${row.patient.ward ?? ''}`.toLowerCase().includes(view.bed.input.value.trim().toLowerCase());

function tally(rows) {
    const counted = ['missed', 'late', 'due', 'soon'].map((state) => [state, rows.filter((row) => row.state === state).length]).filter(([, count]) => count);
    return counted.length ? counted.map(([state, count]) => `${count} ${say(`due.${state}`).toLowerCase()}`).join(' · ') : say('round.nobodydue');
}

// Out of reach of the daemon the list grows old: its states are worked out anew from what it said last.
function agedRow(row, at) {
    if (row.state === 'continuous' || !row.due || !row['interval-minutes']) return row;
    return {...row, state: dueOf({last: Date.parse(row.due) - row['interval-minutes'] * 60000, interval: row['interval-minutes'], now: at.getTime()}).state};
}

function drawRound(view) {
    if (!view.body) return;
    const at = new Date(Date.now() + view.skew);
    const rows = view.body.patients.filter((row) => bedFits(view, row)).map((row) => view.stale ? agedRow(row, at) : row);
    const key = document.activeElement?.dataset?.key;
    swap(view.wards, view.body.wards.length > 1 ? [null, ...view.body.wards].map((ward) => el('button', {
        type: 'button', class: 'chip', 'aria-pressed': String(view.ward === ward), 'data-key': `ward-${ward ?? ''}`,
        on: {click: () => {
            view.ward = ward;
            localStorage.setItem('ward', ward ?? '');
            loadRound(view);
        }},
    }, ward ?? say('round.allwards'))) : null);
    if (view.tally.textContent !== tally(rows)) swap(view.tally, tally(rows));
    swap(view.stand, view.stale ? el('span', {class: 'doubt'}, say('round.stale', {when: timeText(view.asked)})) : say('round.asof', {when: timeText(view.asked)}));
    swap(view.list, rows.map((row) => roundItem(view, row, at)), rows.length ? null : el('li', {}, say(view.body.patients.length ? 'round.nofit' : 'round.empty')), view.body.more ? el('li', {class: 'doubt'}, say('round.more')) : null);
    if (key && !document.querySelector('dialog[open]')) view.root.querySelector(`[data-key="${CSS.escape(key)}"]`)?.focus({preventScroll: true});
}

export const askRound = (ward, count) => ask('/v1/round/_search', {...(ward ? {ward} : {}), ...(count ? {count} : {})});

async function loadRound(view) {
    const answer = await askRound(view.ward);
    if (!view.root.isConnected) return;
    view.stale = !answer.ok;
    if (answer.ok) Object.assign(view, {body: answer.body, asked: new Date(), skew: Date.parse(answer.body.now) - Date.now()});
    if (view.body) drawRound(view);
    else swap(view.list, el('li', {}, el('p', {class: 'doubt'}, say(answer.away ? 'round.away' : 'round.failed'))));
}

screen('round', {
    title: 'round.title', link: 'round.link',
    show(root) {
        const view = {root, ward: localStorage.getItem('ward') || null, body: null, skew: 0, stale: false, asked: null, wards: el('div', {class: 'chips', role: 'group', 'aria-label': say('round.ward')}), tally: el('p', {class: 'tally', role: 'status'}),
            stand: el('p', {class: 'soft'}), list: el('ul', {class: 'bare roundlist'}, el('li', {class: 'soft'}, say('record.loading'))), bed: field({label: say('round.bedfilter'), autocomplete: 'off', maxlength: 40})};
        view.bed.input.addEventListener('input', () => drawRound(view));
        swap(root, el('h1', {tabindex: -1}, say('round.title')), view.tally,
            el('div', {class: 'roundtools'}, view.wards, view.bed), el('div', {class: 'roundtools'}, el('button', {type: 'button', class: 'main', on: {click: () => go('patients')}}, say('round.scan')), view.stand), view.list);
        const again = soonOnce(() => loadRound(view), 300);
        const heard = ['reading', 'set', 'reload', 'delivered'].map((name) => listen(name, again));
        const every = setInterval(again, ROUND_EVERY_MS);
        loadRound(view);
        return () => {
            heard.forEach((end) => end());
            clearInterval(every);
        };
    },
});
