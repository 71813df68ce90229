// main.js - the start. Words and whoever is here are enough for the first screen; the kind table and the other screens (later.js)
// come behind it, and what needs them waits.
import {look} from './api.js';
import {el, swap} from './dom.js';
import {startOffline, unsent} from './offline.js';
import {watchPerson, whoIsHere} from './session.js';
import {drawTop, screen, showScreen, shownScreen} from './shell.js';
import {listen, now} from './state.js';
import {language, loadWords, say} from './words.js';

// The kind table and what takes a set. False: not yet.
async function loadTable() {
    const [more, answer] = await Promise.all([import('./more.js').catch(() => null), look(`/v1/kinds?for=form&language=${language()}`)]);
    if (more && answer.ok) more.useTable(answer.body);
    return Boolean(more && answer.ok);
}

const laterStyle = () => new Promise((load, error) => document.head.append(el('link', {rel: 'stylesheet', href: '/later.css', on: {load, error}})));

async function loadLater() {
    now.whole = await Promise.all([loadWords('later'), laterStyle(), import('./later.js')]).then(() => true, () => false);
    return now.whole;
}

// What needs the kind table, or is one of the later screens, before it has come.
screen('waiting', {
    title: 'waiting.title', needs: 'none',
    show(root) {
        swap(root, el('h1', {tabindex: -1}, say('waiting.title')), now.live === 'away' ? el('p', {}, say('away.paper')) : null);
    },
});

// Tried until it is there; the screen that waits looks each time whether what was wanted can be shown by now.
async function untilThere(load) {
    for (let there = false; !there;) {
        there = await load();
        if (shownScreen() === 'waiting') showScreen();
        if (!there) await new Promise((again) => setTimeout(again, 3000));
    }
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
    if (!registration) return; // a browser that was told to take none
    navigator.serviceWorker.addEventListener('controllerchange', () => controlled && idle() && location.reload());
    navigator.serviceWorker.addEventListener('message', ({data}) => data === 'kinds' && idle() && loadTable());
    listen('session', () => takeNewer(registration));
    listen('patient', () => takeNewer(registration));
    takeNewer(registration);
}

async function start() {
    await untilThere(() => loadWords('form').then(() => true, () => false));
    await whoIsHere();
    watchPerson();
    showScreen();
    startOffline();
    await untilThere(loadTable);
    await untilThere(loadLater);
    drawTop();
    startWorker().catch(() => {});
}

listen('language', () => location.reload());
start();
