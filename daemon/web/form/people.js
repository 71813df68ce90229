// people.js - for those who decide: accounts of people, readings that are stopped, and what a device sent that could not be taken.
import {jsonText} from './decimal.js';
import {ask, look} from './api.js';
import {button, el, field, question, swap, theirs} from './dom.js';
import {flagMarks, flagsOf, heldText, dayAndTime, takenAt, takenBy, valueOf} from './record.js';
import {wordChips} from './set_field.js';
import {notice, screen} from './shell.js';
import {listen, mayDo, now, soonOnce} from './state.js';
import {told} from './told.js';
import {say} from './words.js';

const ROLES = ['assistant', 'nurse', 'lead', 'administrator'];

const troubleText = (answer) => answer.away ? say('people.away') : answer.errors[0]?.detail ?? say('people.failed');

// ---- accounts ----

// Shown once: the daemon keeps no PIN that could be read.
const showPin = (display, pin) => question(say('people.pin.title'), [el('p', {}, theirs(display)), el('p', {class: 'pin number'}, pin), el('p', {}, say('people.pin.hint'))], [{word: 'ok', text: say('people.pin.done'), main: true}]);

async function changed(view, path, body, done) {
    const answer = await ask(path, body);
    if (answer.ok && answer.body.pin) await showPin(body.display ?? body.name, answer.body.pin);
    notice(answer.ok ? done : troubleText(answer), answer.ok ? '' : 'doubt');
    await loadUsers(view);
    return answer;
}

async function sureOf(title, user) {
    return await question(title, el('p', {}, theirs(user.display), ' · ', theirs(user.name)), [{word: '', text: say('correct.back'), main: true}, {word: 'yes', text: title, stop: true}]) === 'yes';
}

function userRow(view, user) {
    const own = user.name === now.session.person.name;
    const act = (text, does, given = {}) => button(text, does, {class: 'quiet', 'aria-label': `${text}: ${user.display}`, ...given});
    return el('tr', {}, el('th', {scope: 'row'}, theirs(user.display), el('small', {class: 'soft'}, ' ', theirs(user.name))), el('td', {}, say(`role.${user.role}`)), el('td', {}, theirs(user.practitioner)),
        el('td', {}, user.disabled ? say('people.disabled') : user['must-change'] ? say('people.mustchange') : say('people.active')),
        el('td', {class: 'acts'}, own ? null : [
            act(say('people.reset'), async () => await sureOf(say('people.reset'), user) && changed(view, '/v1/users/_reset', {name: user.name}, say('people.reset.done'))),
            mayDo('accounts') ? act(say(user.disabled ? 'people.enable' : 'people.disable'), async () => await sureOf(say(user.disabled ? 'people.enable' : 'people.disable'), user) && changed(view, '/v1/users/_change', {name: user.name, disabled: !user.disabled}, say('people.changed'))) : null]));
}

function addForm(view) {
    const fields = {
        name: field({label: say('people.name'), hint: say('people.name.hint'), autocomplete: 'off', autocapitalize: 'none', maxlength: 64}),
        display: field({label: say('people.display'), autocomplete: 'off', maxlength: 100}),
        practitioner: field({label: say('people.practitioner'), hint: say('people.practitioner.hint'), autocomplete: 'off', maxlength: 100})};
    const trouble = el('p', {class: 'slip', role: 'alert'});
    let role = null;
    const roles = wordChips({label: say('people.role'), words: ROLES.map((word) => ({word, text: say(`role.${word}`)})), get: () => role, put: (word) => {
        role = role === word ? null : word;
        roles.refresh();
    }});
    const form = el('form', {novalidate: true}, Object.values(fields), roles, trouble,
        el('div', {class: 'actions'}, el('button', {type: 'submit', class: 'main'}, say('people.add'))));
    form.addEventListener('submit', async (event) => {
        event.preventDefault();
        const body = {...Object.fromEntries(Object.entries(fields).map(([name, one]) => [name, one.input.value.trim()])), role};
        for (const [name, one] of Object.entries(fields)) one.problem(body[name] ? '' : say('people.lacks'));
        trouble.textContent = role ? '' : say('people.norole');
        const [lacking] = Object.values(fields).filter((one) => !one.input.value.trim());
        if (lacking) return lacking.input.focus();
        if (!role || form.dataset.busy) return null;
        form.dataset.busy = 'yes';
        const answer = await changed(view, '/v1/users', body, say('people.added'));
        delete form.dataset.busy;
        for (const {pointer, detail} of answer.errors) fields[pointer.slice(1)]?.problem(detail);
        return null;
    });
    return el('details', {}, el('summary', {}, say('people.new')), form);
}

async function loadUsers(view) {
    if (!mayDo('accounts') && !mayDo('reset')) return;
    const answer = await look('/v1/users');
    if (!view.root.isConnected) return;
    if (!answer.ok) swap(view.users, el('h2', {}, say('people.accounts')), el('p', {class: 'doubt'}, troubleText(answer)));
    else swap(view.users, el('h2', {}, say('people.accounts')), el('div', {class: 'tablebox', tabindex: 0, role: 'region', 'aria-label': say('people.accounts')}, el('table', {class: 'accounts'}, el('thead', {}, el('tr', {}, ['people.display', 'people.role', 'people.practitioner', 'people.state', 'people.do'].map((key) => el('th', {scope: 'col'}, say(key))))),
        el('tbody', {}, answer.body.users.map((user) => userRow(view, user))))), mayDo('accounts') ? view.adding ??= addForm(view) : null);
}

// ---- what is stopped ----

// A reason is asked for: it stays beside the decision.
async function reasonFor(title, text, word, stop) {
    const reason = field({label: say('people.reason'), maxlength: 500, autocomplete: 'off'});
    for (let trouble = null; ; trouble = say('correct.nowhy')) {
        reason.problem(trouble ?? '');
        const answer = await question(title, [el('p', {}, text), reason], [{word: 'yes', text: word, main: !stop, stop}, {word: '', text: say('correct.back')}]);
        if (answer !== 'yes') return null;
        if (reason.input.value.trim()) return reason.input.value.trim();
    }
}

async function decide(view, path, body, done) {
    const answer = await ask(path, {...body, by: now.session.person.practitioner});
    notice(answer.ok ? done : troubleText(answer), answer.ok ? '' : 'doubt');
    await loadHeld(view);
}

function heldItem(view, reading) {
    const {table} = now;
    const kind = table.kind(reading.kind);
    const title = kind ? told(kind.title) : reading.kind;
    const patient = reading.sent?.patient ?? {};
    const acts = {
        release: [say('stop.release'), say('stop.release.text'), false, say('stop.released')],
        discard: [say('stop.discard'), say('stop.discard.text'), true, say('stop.discarded')]};
    return el('li', {class: 'heldrow'}, el('h3', {}, title, ' ', el('span', {class: 'number'}, kind ? valueOf(table, reading) : '')), kind ? flagMarks(flagsOf(table, reading)) : null,
        el('p', {}, theirs((patient.family ?? '').toUpperCase()), ' · ', theirs(patient.identifier?.value ?? ''), ` · ${dayAndTime(takenAt(reading))} · `, theirs(takenBy(reading))),
        el('p', {class: 'doubt'}, heldText(reading)),
        reading.reason ? el('p', {class: 'soft'}, say('stop.said'), ' ', theirs(reading.reason)) : null,
        el('div', {class: 'chips'}, Object.entries(acts).map(([act, [text, about, stop, done]]) => button(text, async () => {
            const reason = await reasonFor(text, about, text, stop);
            if (reason) await decide(view, `/v1/readings/${encodeURIComponent(reading.id)}/${act}`, {reason}, done);
        }, {class: stop ? 'stop' : '', 'aria-label': `${text}: ${title}`}))));
}

function refusalItem(view, refusal) {
    const sent = typeof refusal.sent === 'string' ? refusal.sent : jsonText(refusal.sent);
    return el('li', {class: 'heldrow'}, el('h3', {}, say('refusal.title', {when: dayAndTime(new Date(refusal.received))}), ' ', theirs(refusal.client)),
        el('ul', {}, (refusal.problems ?? []).map((one) => el('li', {}, theirs(one.detail ?? one.code ?? '')))),
        el('details', {}, el('summary', {}, say('refusal.sent')), el('pre', {class: 'sent', tabindex: 0}, theirs(sent.slice(0, 20000)))),
        button(say('refusal.done'), async () => {
            const reason = await reasonFor(say('refusal.done'), say('refusal.done.text'), say('refusal.done'), false);
            if (reason) await decide(view, '/v1/refusals/_done', {number: refusal.number, reason}, say('refusal.gone'));
        }));
}

async function loadHeld(view) {
    if (!mayDo('decide')) return;
    const [held, refused] = await Promise.all([ask('/v1/readings/_search', {state: 'held', sent: true, count: 100}), look('/v1/refusals')]);
    if (!view.root.isConnected || document.querySelector('dialog[open]')) return;
    const list = (answer, items, none) => !answer.ok ? el('p', {class: 'doubt'}, troubleText(answer)) : items.length ? el('ul', {class: 'bare'}, items) : el('p', {class: 'soft'}, none);
    swap(view.held, el('h2', {}, say('stop.title')), el('p', {class: 'hint'}, say('stop.hint')), list(held, held.ok ? held.body.readings.map((one) => heldItem(view, one)) : [], say('stop.none')),
        el('h2', {}, say('refusal.heading')), el('p', {class: 'hint'}, say('refusal.hint')), list(refused, refused.ok ? refused.body.refusals.map((one) => refusalItem(view, one)) : [], say('refusal.none')));
}

screen('people', {
    title: 'people.title', link: 'people.link', may: ['decide', 'accounts', 'reset'],
    show(root) {
        const view = {root, users: el('section'), held: el('section'), adding: null};
        swap(root, el('h1', {tabindex: -1}, say('people.title')), view.held, view.users);
        loadHeld(view);
        loadUsers(view);
        const again = soonOnce(() => loadHeld(view), 500);
        const heard = ['reading', 'reload'].map((name) => listen(name, again));
        return () => heard.forEach((end) => end());
    },
});
