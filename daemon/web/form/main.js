// main.js - the start. Words and whoever is here are enough for the first screen; the kind table and the other screens (later.js)
// come behind it, and what needs them waits.
import {look} from './api.js';
import {el, swap} from './dom.js';
import {startOffline, unsent} from './offline.js';
import {watchPerson, whoIsHere} from './session.js';
import {notice, screen, showScreen, shownScreen} from './shell.js';
import {listen, now, tell} from './state.js';
import {tableOf} from './table.js';
import {language, loadWords, say, useTexts} from './words.js';

async function loadTable() {
    const answer = await look(`/v1/kinds?for=form&language=${language()}`);
    if (!answer.ok) return false;
    now.table = tableOf(answer.body);
    useTexts(answer.body);
    return true;
}

async function loadLater() {
    now.whole = await Promise.all([loadWords('later'), import('/later.js')]).then(() => true, () => false);
    return now.whole;
}

// What needs the kind table, or is one of the later screens, before it has come.
screen('waiting', {
    title: 'waiting.title', needs: 'none',
    show(root) {
        swap(root, el('h1', {tabindex: -1}, say('waiting.title')), now.live === 'away' ? el('p', {}, say('away.paper')) : null);
    },
});

async function tableAtLast() {
    while (!await loadTable() || !await loadLater()) {
        if (shownScreen() === 'waiting') showScreen();
        await new Promise((again) => setTimeout(again, 3000));
    }
    tell('table', now.table);
    if (shownScreen() === 'waiting') showScreen();
}

screen('about', {
    title: 'about.title', needs: 'none',
    show(root) {
        swap(root, el('h1', {tabindex: -1}, say('about.title')),
            ['caution.charting', 'caution.flag', 'caution.score', 'caution.scale', 'caution.monitor', 'caution.children', 'caution.device', 'caution.units',
                'caution.corrections', 'caution.downtime', 'caution.signoff', 'credit.score', 'credit.loinc'].map((key) => el('p', {}, say(key))));
    },
});

// ---- the copy of the form on this device (worker.js) ----

const idle = () => !now.draft && !now.patient && !unsent().length;

// A newer form is taken when nothing is open: never under somebody's hands.
function takeNewer(registration) {
    if (registration.waiting && idle()) registration.waiting.postMessage('take');
}

async function startWorker() {
    if (!navigator.serviceWorker) return;
    const controlled = Boolean(navigator.serviceWorker.controller);
    const registration = await navigator.serviceWorker.register('/worker.js');
    navigator.serviceWorker.addEventListener('controllerchange', () => controlled && idle() && location.reload());
    navigator.serviceWorker.addEventListener('message', ({data}) => data === 'kinds' && idle() && loadTable());
    listen('session', () => takeNewer(registration));
    listen('patient', () => takeNewer(registration));
    takeNewer(registration);
}

async function start() {
    const asked = look('/v1/session');
    await loadWords('form');
    await Promise.all([startOffline(), whoIsHere(asked)]);
    watchPerson();
    showScreen();
    await tableAtLast();
    startWorker().catch(() => {});
}

listen('language', () => location.reload());
start();
