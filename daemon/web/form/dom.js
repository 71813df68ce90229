// dom.js - elements from values. Text only ever becomes text nodes: a name like "<script>" is shown as it is.

// el('button', {class: 'main', disabled: true, on: {click: f}}, 'Save', otherElement); null and false inside are left out.
export function el(name, given = {}, ...inside) {
    const node = name === 'svg' || given.svg ? document.createElementNS('http://www.w3.org/2000/svg', name) : document.createElement(name);
    for (const [key, value] of Object.entries(given)) {
        if (key === 'on')
            for (const [event, does] of Object.entries(value)) node.addEventListener(event, does);
        else if (key === 'value')
            node.value = value;
        else if (key !== 'svg' && value !== false && value !== null && value !== undefined)
            node.setAttribute(key, value === true ? '' : value);
    }
    node.append(...inside.flat(9).filter((one) => one !== null && one !== undefined && one !== false));
    return node;
}

export function swap(node, ...inside) {
    node.replaceChildren(...inside.flat(9).filter((one) => one !== null && one !== undefined && one !== false));
    return node;
}

export const byId = (id) => document.getElementById(id);

// Text that somebody typed (names, notes): its direction marks and length stay its own.
export const theirs = (text, given = {}) => el('bdi', {class: 'theirs', ...given}, text ?? '');

// A button that does one thing once: while it is at it, it takes no second click.
export function button(text, does, given = {}) {
    const node = el('button', {type: 'button', ...given}, text);
    node.addEventListener('click', async (event) => {
        if (node.getAttribute('aria-disabled') === 'true') return;
        node.setAttribute('aria-disabled', 'true');
        try {
            await does(event);
        } finally {
            node.removeAttribute('aria-disabled');
        }
    });
    return node;
}

let fieldCount = 0;
// A labelled input: {label, hint, ...attributes of the input}. field.input, field.problem(text or '').
export function field({label, hint, type = 'text', ...given}) {
    const id = `field-${++fieldCount}`;
    const input = el('input', {id, type, 'aria-describedby': `${id}-hint ${id}-problem`, ...given});
    const problem = el('p', {id: `${id}-problem`, class: 'slip', role: 'alert'});
    const node = el('div', {class: 'field'}, el('label', {for: id}, label), hint ? el('p', {id: `${id}-hint`, class: 'hint'}, hint) : null, input, problem);
    node.input = input;
    node.problem = (text) => {
        problem.textContent = text;
        input.setAttribute('aria-invalid', text ? 'true' : 'false');
    };
    return node;
}

// A question over the screen; answers the `word` of the button pressed, '' when it was closed. buttons: [{word, text, main?, stop?}]
export function question(title, inside, buttons) {
    return new Promise((answer) => {
        const dialog = el('dialog', {'aria-labelledby': 'question-title'},
            el('h2', {id: 'question-title'}, title), inside,
            el('div', {class: 'actions'}, buttons.map(({word, text, main, stop}) =>
                el('button', {type: 'button', class: main ? 'main' : stop ? 'stop' : '', on: {click: () => dialog.close(word)}}, text))));
        dialog.addEventListener('close', () => {
            dialog.remove();
            answer(dialog.returnValue);
        });
        document.body.append(dialog);
        dialog.showModal();
    });
}
