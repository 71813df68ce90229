// count.js - counting a pulse or breaths against the clock: tap along, or count and say the number. What is counted goes into the
// reading as it was counted; the rate follows from it by the table.
import {el, question, swap} from './dom.js';
import {told} from './told.js';
import {say} from './words.js';

function lengthChoice(lengths, chosen, wanted) {
    return el('fieldset', {class: 'choice'}, el('legend', {}, say('count.over')), el('div', {class: 'chips'}, lengths.map((seconds) => el('button', {
        type: 'button', class: 'chip', 'aria-pressed': String(seconds === chosen), on: {click: () => wanted(seconds)},
    }, say('count.seconds', {seconds})))));
}

// {title, lengths, longest} -> {beats, seconds}; null when it was called off; {missing} when there was no length or number to take. longest: an irregular one is counted over the
// longest time, and the text that says so.
export function countBeats({title, lengths, longest}) {
    const state = {seconds: longest ? Math.max(...lengths) : null, taps: 0, began: 0, done: false};
    const left = el('p', {class: 'count-left number', role: 'timer'});
    const ended = el('p', {class: 'soft', role: 'status'});
    const tap = el('button', {type: 'button', class: 'count-tap'});
    const inside = el('div', {class: 'count'});
    const typed = el('input', {type: 'text', inputmode: 'numeric', autocomplete: 'off', id: 'count-typed', maxlength: 3});
    let ticking = 0;

    const stop = () => clearInterval(ticking);
    const gone = () => (performance.now() - state.began) / 1000;
    const draw = () => {
        const lacks = state.began ? Math.max(0, Math.ceil(state.seconds - gone())) : state.seconds;
        left.textContent = state.seconds ? say('count.left', {seconds: lacks}) : '';
        swap(tap, el('span', {class: 'count-number number'}, String(state.taps)),
            el('span', {}, say(state.done ? 'count.over.now' : !state.began ? 'count.start' : 'count.tap')));
        tap.disabled = !state.seconds || state.done;
    };
    const end = () => {
        state.done = true;
        stop();
        ended.textContent = say('count.ended', {seconds: state.seconds});
        typed.value = state.taps ? String(state.taps) : '';
        typed.focus();
        draw();
    };
    const begin = () => {
        state.began = performance.now();
        ticking = setInterval(() => (gone() >= state.seconds ? end() : draw()), 100);
    };
    // The first tap starts the clock and is nought, as at the first beat of a count; each later one is a beat.
    const beat = () => {
        if (state.done || !state.seconds) return;
        if (!state.began) begin();
        else if (gone() >= state.seconds) end();
        else state.taps++;
        draw();
    };
    const choose = (seconds) => {
        stop();
        Object.assign(state, {seconds, taps: 0, began: 0, done: false});
        typed.value = '';
        ended.textContent = '';
        build();
        tap.focus();
    };
    const build = () => {
        swap(inside, longest ? el('p', {class: 'doubt'}, told(longest)) : null, lengthChoice(lengths, state.seconds, choose), left, tap, ended,
            el('div', {class: 'field'}, el('label', {for: 'count-typed'}, say('count.number')), typed));
        draw();
    };

    tap.addEventListener('click', beat);
    build();
    return question(say('count.title', {title}), inside, [{word: 'take', text: say('count.take'), main: true}, {word: '', text: say('count.cancel')}]).then((answer) => {
        stop();
        const beats = Number(typed.value.trim());
        if (answer !== 'take') return null;
        return state.seconds && /^\d{1,3}$/.test(typed.value.trim()) && beats > 0 ? {beats, seconds: state.seconds} : {missing: true};
    });
}
