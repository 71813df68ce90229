// main.js - the start: words and the kind table, whoever is signed in still, then the first screen.
import {look} from './api.js';
import {byId, el, swap} from './dom.js';
import {showScreen, screen} from './shell.js';
import {listen, now} from './state.js';
import {tableOf} from './table.js';
import {language, loadWords, say, useTexts} from './words.js';

async function loadTable() {
    const answer = await look(`/v1/kinds?language=${language()}`);
    if (answer.ok) {
        now.table = tableOf(answer.body);
        useTexts(answer.body);
    }
    return answer.ok;
}

async function whoIsThere() {
    const answer = await look('/v1/session');
    if (answer.ok) now.session = answer.body;
}

async function start() {
    await loadWords();
    const [table] = await Promise.all([loadTable(), whoIsThere()]);
    if (!table) swap(byId('screen'), el('h1', {}, say('away.title')), el('p', {}, say('away.paper')));
    else showScreen();
}

screen('about', {
    title: 'about.title', needs: 'none',
    show(root) {
        swap(root, el('h1', {tabindex: -1}, say('about.title')),
            ['caution.charting', 'caution.flag', 'caution.score', 'caution.scale', 'caution.monitor', 'caution.children', 'caution.device', 'caution.units',
                'caution.corrections', 'caution.downtime', 'caution.signoff', 'credit.score', 'credit.loinc'].map((key) => el('p', {}, say(key))));
    },
});

listen('language', () => location.reload());
start();
