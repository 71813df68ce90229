// pad.js - the number pad: large keys that never move, and above them what they write into. Keys of a keyboard do the same.
import {el, swap} from './dom.js';
import {say} from './words.js';

const padKeys = ['1', '2', '3', 'back', '4', '5', '6', 'clear', '7', '8', '9', 'next', '.', '0'];
const keyFaces = {back: '⌫', clear: '', next: '', '.': '.'};
const keyWords = {back: 'set.key.back', clear: 'set.key.clear', next: 'set.key.next', '.': 'set.key.point'};

// A tap on a key must not take the focus from the field it writes into.
const holdFocus = {mousedown: (event) => event.preventDefault()};

// press(key): '0'..'9', '.', 'back', 'clear', 'next', 'leave'. pad.show({title, text, unit}), pad.tell(message).
export function makePad(press) {
    const title = el('span', {class: 'pad-title', 'aria-hidden': 'true'});
    const figures = el('span', {class: 'pad-figures number', 'aria-hidden': 'true'});
    const said = el('p', {class: 'pad-said', role: 'status', 'aria-live': 'assertive'});
    const keys = padKeys.map((key) => el('button', {
        type: 'button', tabindex: -1, class: `key key-${key === '.' ? 'point' : key}`, 'data-key': key, 'aria-label': keyWords[key] ? say(keyWords[key]) : null,
        on: {...holdFocus, click: () => press(key)},
    }, keyFaces[key] || (keyWords[key] ? say(keyWords[key]) : key)));
    const node = el('div', {class: 'pad', role: 'group', 'aria-label': say('set.pad')},
        el('div', {class: 'pad-head'}, el('div', {}, title, said), figures, el('button', {type: 'button', tabindex: -1, class: 'pad-close', on: {...holdFocus, click: () => press('leave')}}, say('set.key.close'))), el('div', {class: 'keys'}, keys));

    node.show = (slot) => {
        node.classList.toggle('idle', !slot);
        swap(title, slot?.title ?? say('set.pad.idle'));
        swap(figures, slot ? [slot.text || '–', slot.unit ? el('small', {}, ` ${slot.unit}`) : null] : null);
    };
    node.tell = (message) => {
        said.textContent = message;
    };
    return node;
}

// What a key of a keyboard means in a slot; null: nothing of ours, and the browser has it.
export function padKeyOf(event) {
    if (event.ctrlKey || event.metaKey || event.altKey) return null;
    if (event.key === ',' || event.key === 'Decimal') return '.';
    const named = {Enter: 'next', Backspace: 'back', Delete: 'clear', Escape: 'leave'}[event.key];
    return named ?? (event.key.length === 1 ? event.key : null);
}
