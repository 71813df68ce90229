// set_field.js - what is said about a reading: a control for each type of context field of the table.
import {el} from './dom.js';
import {told} from './told.js';
import {say} from './words.js';

// Words as chips, those of `often` at once and the others behind one more tap (`folds`: once one is chosen, all others are). Nothing is
// chosen beforehand; a second tap takes a choice back. get() gives what is chosen, put(word) changes it, and refresh() shows it.
export function wordChips({label, words, often = null, quiet = false, folds = false, get, put}) {
    const isChosen = (word) => [get()].flat().includes(word);
    let all = !folds && (!often || often.length >= words.length);
    const isFirst = (word) => folds ? !isThere() : often.includes(word);
    const isThere = () => [get()].flat().some(Boolean);
    const chip = ({word, text}) => el('button', {type: 'button', class: 'chip', 'data-word': word, on: {click: (event) => put(word, event)}}, told(text));
    const chips = words.map((word) => ({...word, node: chip(word)}));
    const rest = el('button', {type: 'button', class: 'chip more', 'aria-expanded': 'false', on: {click: () => open()}}, say('set.chips.more'));
    const node = el('fieldset', {class: 'choice'}, el('legend', {class: quiet ? 'unseen' : null}, label), el('div', {class: 'chips'}, chips.map((one) => one.node), rest));
    const open = () => {
        const first = chips.find((one) => one.node.hidden);
        all = true;
        node.refresh();
        first?.node.focus();
    };

    node.refresh = () => {
        if (folds && !isThere()) all = false;
        chips.forEach((one) => {
            one.node.setAttribute('aria-pressed', String(isChosen(one.word)));
            one.node.hidden = !all && !isFirst(one.word) && !isChosen(one.word);
        });
        rest.hidden = all || !chips.some((one) => one.node.hidden);
    };
    node.refresh();
    return node;
}

function textField(row, hold) {
    const id = `said-${hold.kind}-${row.path}`;
    const input = el('textarea', {id, rows: 1, maxlength: 500, dir: 'auto', on: {input: () => hold.put(row, input.value)}});
    const node = el('div', {class: 'field'}, el('label', {for: id}, told(row.ask ?? row.title)), input);

    node.refresh = () => {
        if (input !== document.activeElement) input.value = hold.get(row) ?? '';
    };
    node.refresh();
    return node;
}

function wordField(row, hold) {
    const many = row.type === 'words';

    return wordChips({
        label: told(row.ask ?? row.title), words: hold.words(row.list), often: row.often, get: () => hold.get(row) ?? [],
        put(word, event) {
            const chosen = [hold.get(row) ?? []].flat();
            const rest = chosen.filter((one) => one !== word);
            if (many) hold.put(row, chosen.includes(word) ? rest : [...chosen, word], event);
            else hold.put(row, chosen.includes(word) ? null : word, event);
        },
    });
}

// `hold`: {kind, words(list), get(row), put(row, value, event), slot(row) makes a slot for a number, count(row) makes the button of a count}
const fieldMakers = {word: wordField, words: wordField, text: textField, quantity: (row, hold) => hold.slot(row), count: (row, hold) => hold.count(row)};

export const contextField = (row, hold) => fieldMakers[row.type](row, hold);
