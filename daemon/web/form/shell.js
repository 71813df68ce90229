// shell.js - the frame around every screen: who is signed in, where one can go, day and night, and which screen is shown. The
// address holds only the name of a screen, never of a person.
import {byId, button, el, swap} from './dom.js';
import {listen, mayDo, now, tell} from './state.js';
import {language, say} from './words.js';

const screens = new Map();
let shown = null;
let leave = null;

// A screen: show(root) fills the empty root and may return a function to be called when it is left.
//   needs  'session' or 'patient': what must be there before it can be shown
//   link   key of the words under which the navigation offers it; none: it is not offered
//   may    rights of which one must be there
export function screen(name, {show, needs = 'session', link = null, title, may = null}) {
    screens.set(name, {name, show, needs, link, title, may});
}

const lacking = (one) => {
    if (one.needs !== 'none' && !now.session) return 'sign-in';
    if (one.needs !== 'none' && now.session['must-change'] && one.name !== 'sign-in') return 'sign-in';
    if (one.needs !== 'none' && !now.table) return 'waiting';
    if (one.may && !one.may.some(mayDo)) return 'round';
    return one.needs === 'patient' && !now.patient ? 'patients' : null;
};

export function go(name) {
    if (location.hash === `#${name}`) showScreen();
    else location.hash = name;
}

export function showScreen() {
    const asked = location.hash.slice(1) || 'round';
    const wanted = screens.get(now.session ? asked : asked === 'about' ? 'about' : 'sign-in') ?? screens.get(now.whole ? 'round' : 'waiting');
    const other = lacking(wanted);
    const one = other ? screens.get(other) : wanted;
    const root = byId('screen');

    leave?.();
    shown = one.name;
    swap(root);
    document.body.dataset.screen = one.name;
    document.title = `${say(one.title)} · wardpost`;
    leave = one.show(root) ?? null;
    drawTop();
    window.scrollTo(0, 0);
    if (!root.contains(document.activeElement)) (root.querySelector('h1') ?? root).focus?.({preventScroll: true});
}

export const shownScreen = () => shown;

// One line that is seen and spoken: what has just happened. kind: '' or 'doubt'.
export function notice(text, kind = '') {
    swap(byId('notice'), text ? el('p', {class: `notice ${kind}`}, text) : null);
}

function toggleTheme() {
    const root = document.documentElement;
    root.dataset.theme = root.dataset.theme === 'night' ? 'day' : 'night';
    localStorage.setItem('theme', root.dataset.theme);
    drawTop();
}

function toggleLanguage() {
    localStorage.setItem('language', language() === 'en' ? 'es' : 'en');
    tell('language');
}

const reachable = (one) => one.link && !lacking(one);

export function drawTop() {
    const person = now.session?.person;
    swap(byId('skip'), say('skip'));
    swap(byId('top'),
        el('span', {class: 'mark'}, 'wardpost'),
        el('nav', {'aria-label': say('nav')}, [...screens.values()].filter(reachable).map((one) =>
            el('a', {href: `#${one.name}`, 'aria-current': one.name === shown ? 'page' : null}, say(one.link)))),
        el('div', {class: 'tools'},
            person ? el('button', {type: 'button', class: 'quiet who', 'aria-haspopup': 'dialog', on: {click: () => tell('person')}}, el('bdi', {}, person.display)) : null,
            person ? button(say('lock'), () => tell('lock'), {class: 'quiet'}) : null,
            person ? button(say('wipe'), () => tell('wipe'), {class: 'quiet'}) : null,
            button(say(document.documentElement.dataset.theme === 'night' ? 'theme.day' : 'theme.night'), toggleTheme, {class: 'quiet'}),
            button(say('language.other'), toggleLanguage, {class: 'quiet', lang: language() === 'en' ? 'es' : 'en'})));
    swap(byId('foot'),
        el('p', {}, say('caution.charting')),
        el('p', {}, say('caution.monitor')),
        el('p', {}, el('a', {href: '#about'}, say('about.link'))));
}

listen('session', drawTop);
listen('patient', drawTop);
window.addEventListener('hashchange', showScreen);
