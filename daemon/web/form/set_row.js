// set_row.js - one sign of the sheet: its figures, the last one beside them, what is said about it, and what is doubtful.
import {button, el, question, swap} from './dom.js';
import {countBeats} from './count.js';
import {contextField, wordChips} from './set_field.js';
import {doubtsOf, offersOf} from './set_found.js';
import {digitsOf, hasValue, isTouched, unitOf} from './set_draft.js';
import {sayAll} from './say.js';
import {padKeyOf} from './pad.js';
import {notice} from './shell.js';
import {told} from './told.js';
import {momentText, say} from './words.js';

export const flagShapes = {HH: '▲▲', H: '▲', L: '▼', LL: '▼▼'};

// ---- a slot: a number that is typed ----

export const slotUnit = (sheet, slot) => unitOf(sheet.peek(slot.kind.name), slot);

function unitSwitch(sheet, slot) {
    const offers = slot.row.offers ?? [];
    if (offers.length < 2) return el('span', {class: 'unit'});
    const node = el('span', {class: 'units', role: 'group', 'aria-label': say('set.unit')}, offers.map((code) => el('button', {
        type: 'button', class: 'unit-choice', 'data-unit': code, on: {click: () => sheet.chooseUnit(slot, code)},
    }, sheet.table.unit(code).text)));
    return node;
}

function makeSlot(sheet, kind, row, isField) {
    const id = `slot-${kind.name}-${(isField ? row.path : row.name).replace('.', '-')}`;
    const slot = {kind, row, field: isField, name: isField ? row.path : row.name, title: told(row.title)};
    const alone = !isField && kind.parts.length === 1;
    const press = (key) => sheet.press(slot, key);

    slot.input = el('input', {
        id, class: 'figures number', type: 'text', inputmode: 'none', autocomplete: 'off', autocorrect: 'off', spellcheck: 'false', 'data-slot': slot.name,
        'aria-describedby': `about-${kind.name}`,
        on: {
            focus: () => sheet.activate(slot),
            blur: () => sheet.leave(slot),
            keydown: (event) => {
                const key = padKeyOf(event);
                if (key === null || event.isComposing) return;
                event.preventDefault();
                press(key);
            },
            // A band that was scanned into the slot: identify.js has put back what stood there before.
            input: () => sheet.putBack(slot, slot.input.value),
            // What does not come as keys (dictation, a paste, a keyboard of the device) is taken letter by letter.
            beforeinput: (event) => {
                event.preventDefault();
                if (event.inputType.startsWith('delete')) press('back');
                else if (event.inputType === 'insertFromPaste') sheet.refuseKey(slot, 'paste');
                else for (const letter of event.data ?? '') press(letter === ',' ? '.' : letter);
            },
        },
    });
    slot.unit = unitSwitch(sheet, slot);
    slot.node = el('div', {class: isField ? 'slot small' : 'slot'}, el('label', {for: id, class: alone ? 'unseen' : null}, told(row.ask ?? row.title)), el('span', {class: 'slot-line'}, slot.input, slot.unit));
    slot.refresh = () => {
        const sign = sheet.peek(kind.name);
        const unit = sheet.table.unit(slotUnit(sheet, slot));
        const given = sheet.read(kind.name)?.[isField ? 'fields' : 'parts'][slot.name];

        slot.text = sign?.typed[slot.name] ?? '';
        slot.input.value = slot.text || (given?.workedOut ? String(given.value) : '');
        slot.input.classList.toggle('worked-out', !slot.text && !!given?.workedOut);
        slot.unitText = unit?.text === '%' || !unit || unit.code === '{score}' ? (unit?.code === '{score}' ? '' : unit?.text ?? '') : unit.text;
        if (slot.unit.className === 'unit') slot.unit.textContent = slot.unitText;
        else slot.unit.querySelectorAll('button').forEach((one) => one.setAttribute('aria-pressed', String(one.dataset.unit === unit?.code)));
        slot.digits = digitsOf(row, unit);
    };
    return slot;
}

// ---- what was last ----

function lastText(sheet, kind, last) {
    if (last['not-taken']) return say('set.last.none', {when: momentText(new Date(last.taken))});
    const values = kind.parts.flatMap((part) => {
        const value = last.values?.[part.name];
        if (value === undefined || part.required === false) return [];
        return [Array.isArray(value) ? {digits: value[0], unit: sheet.table.unit(value[1])} : {word: told(sheet.table.word(part.list, value)?.text ?? value)}];
    });
    const digits = values.map((one) => one.word ?? String(one.digits)).join(values[0]?.word ? ' · ' : '/');
    const unit = values.find((one) => one.unit && one.unit.code !== '{score}')?.unit.text ?? '';
    return say('set.last', {value: `${digits} ${unit}`.trim(), when: momentText(new Date(last.taken))});
}

// ---- flags, doubts ----

const isFirstOf = (same) => (one, at, all) => all.findIndex((other) => same(other) === same(one)) === at;

// While the first digits are typed a number is low only because it is not whole.
const isWhole = (sheet, kind, flag) => sheet.active?.kind !== kind || sheet.active.name !== flag.part || !/^L/.test(flag.interpretation ?? 'L');

function flagNodes(sheet, kind, flags, open) {
    return flags.filter((flag) => (flagShapes[flag.interpretation] || flag.name) && isWhole(sheet, kind, flag)).map((flag, at, all) => el('p', {class: 'flagged'},
        el('span', {class: 'flag'}, flagShapes[flag.interpretation] ? `${flagShapes[flag.interpretation]} ` : '◆ ',
            kind.parts.length > 1 ? `${told(kind.part(flag.part).ask ?? kind.part(flag.part).title)}: ` : '', told(flag.name ?? say(`set.flag.${flag.interpretation}`))),
        flag.range && flag.range.text !== all[at + 1]?.range?.text ? el('span', {class: 'soft'}, ` ${told(flag.range.text)}`, open ? ` [${flag.range.source}]` : '') : null));
}

const slotAt = (row, pointer) => row.slots.find((slot) => pointer.startsWith(`/${slot.name.replace('.', '/')}`)) ?? null;

// While the first digits are typed, too small a number is not yet one.
const isEarly = (sheet, row, problem) => problem.side === 'below' && sheet.active && sheet.active === slotAt(row, problem.pointer);

function doubtNodes(sheet, row, found, sign) {
    const text = (one) => {
        const said = one.says ? sayAll(one.says, told) : told(one.detail);
        return said.charAt(0).toUpperCase() + said.slice(1);
    };
    const shown = [...found.problems.filter((one) => !isEarly(sheet, row, one)), ...sign.server ?? []].filter(isFirstOf(text));
    const asks = shown.filter((one) => one.code === 'confirm');
    const override = shown.some((one) => one.override);
    const what = row.what();
    const offers = shown.filter((one) => one.says).flatMap((one) => offersOf(sheet.table, one, slotUnit(sheet, slotAt(row, one.pointer) ?? row.slots[0] ?? {row: {}, kind: row.kind}))
        .map((offer) => ({...offer, slot: slotAt(row, one.pointer) ?? row.slots[0]})));

    if (!shown.length) return found.settled.length ? [el('p', {class: 'soft settled'}, `✓ ${say('set.kept')} `, found.settled.map(text).filter(isFirstOf(String)).join('; '))] : [];
    return [
        shown.map((one) => el('p', {class: one.code === 'confirm' ? 'doubt' : 'stopped'}, el('strong', {}, say(one.override ? 'set.grade.override' : one.code === 'confirm' ? 'set.grade.ask' : 'set.grade.refuse')), ' ', text(one))),
        el('div', {class: 'chips'},
            asks.length && asks.length === shown.length ? button(say('set.keep', {what}), () => sheet.keep(row, doubtsOf(found)), {class: 'keep'}) : null,
            override ? button(say('set.second'), () => sheet.second(row), {class: 'keep'}) : null,
            offers.map((offer) => button(say('set.offer', {what: `${offer.digits} ${offer.text}`.trim()}), () => sheet.takeOffer(offer.slot, offer))),
            hasValue(row.kind, sign) ? button(say('set.again'), () => sheet.again(row)) : null),
    ];
}

function lackText(row, found, sign) {
    const unfinished = row.slots.find((slot) => sign.typed[slot.name]?.endsWith('.'));
    if (unfinished) return say('set.unfinished', {what: unfinished.title});
    if (!found.missing.length) return '';
    if (found.missing.includes('/unit')) return say('set.choose-unit');
    const names = found.missing.map((pointer) => row.kind.part(pointer.slice(1))?.title ?? row.kind.field(pointer.slice(1).replace('/value', '').replace('/', '.'))?.title).filter(Boolean);
    return say('set.lacks', {what: [...new Set(names)].map(told).join(', ')});
}

// ---- not taken ----

function notTakenPart(sheet, row) {
    const {kind} = row;
    const note = el('textarea', {id: `why-${kind.name}`, rows: 1, maxlength: 2000, dir: 'auto', on: {input: () => sheet.say(row, (sign) => { sign.note = note.value; })}});
    const noteField = el('div', {class: 'field'}, el('label', {for: note.id}, say('set.why')), note);
    const chips = wordChips({
        label: say('set.not-taken.why'), words: sheet.table.reasons, folds: true, get: () => sheet.peek(kind.name)?.notTaken ?? null,
        put: (word) => sheet.notTaken(row, sheet.peek(kind.name)?.notTaken === word ? null : word),
    });
    const node = el('div', {class: 'reasons'}, chips, noteField);

    node.refresh = () => {
        const sign = sheet.peek(kind.name);
        chips.refresh();
        noteField.hidden = !sheet.table.reason(sign?.notTaken)?.note;
        if (note !== document.activeElement) note.value = sign?.note ?? '';
    };
    return node;
}

function partNotTaken(sheet, kind) {
    return kind.parts.filter((part) => part['not-taken']).map((part) => wordChips({
        label: say('set.part-not-taken', {part: told(part.title)}), words: sheet.table.reasons, get: () => sheet.peek(kind.name)?.partNotTaken[part.name] ?? null,
        put: (word) => sheet.change(kind, (sign) => {
            sign.partNotTaken[part.name] = sign.partNotTaken[part.name] === word ? null : word;
            delete sign.typed[part.name];
        }),
    }));
}

// ---- counting ----

function counter(sheet, kind, row) {
    const said = el('span', {class: 'soft'});
    const start = button(say('count.open'), async () => {
        const longest = row['longest-if']?.find(({if: conditions}) => sheet.found.holds(kind, conditions));
        const counted = await countBeats({title: told(kind.title), lengths: row.seconds, longest: longest?.say});
        if (counted?.missing) notice(say('count.nothing'), 'doubt');
        else if (counted) sheet.change(kind, (sign) => {
            delete sign.typed[row.gives];
            sign.said[row.path] = counted;
        });
    }, {class: 'count-open'});
    const node = el('div', {class: 'counted'}, start, said);

    node.refresh = () => {
        const counted = sheet.peek(kind.name)?.said[row.path];
        swap(said, counted ? ` ${say('count.was', counted)}` : '');
    };
    return node;
}

// ---- a row ----

const askOrder = (kind, row) => {
    const at = (kind.asks ?? []).findIndex((ask) => ask.fields.includes(row.path));
    return at < 0 ? 99 : at;
};

function contextNodes(sheet, row) {
    const {kind} = row;
    const hold = {
        kind: kind.name,
        words: (list) => sheet.table.words(list),
        get: (field) => sheet.peek(kind.name)?.said[field.path] ?? null,
        put: (field, value, event) => sheet.saidOf(row, field, value, event),
        slot: (field) => {
            const slot = makeSlot(sheet, kind, field, true);
            row.slots.push(slot);
            slot.node.refresh = slot.refresh;
            return slot.node;
        },
        count: (field) => counter(sheet, kind, field),
    };
    return [...kind.fields].sort((a, b) => askOrder(kind, a) - askOrder(kind, b)).map((field) => ({field, node: contextField(field, hold)}));
}

function isAsked(sheet, kind, field) {
    return (kind.asks ?? []).some((ask) => ask.fields.includes(field.path) && (!ask.if || sheet.found.holds(kind, ask.if)));
}

function isSaid(sign, field) {
    const value = sign?.said[field.path] ?? sign?.typed[field.path];
    return Array.isArray(value) ? value.length > 0 : !!value;
}

// row {kind, node, slots, chips, refresh()}: `chips` are its parts that are words.
export function makeRow(sheet, kind) {
    const row = {kind, slots: [], chips: [], open: false, why: false};
    const optional = (part) => part.required === false;
    const aboutId = `about-${kind.name}`;
    const parts = kind.parts.filter((part) => !part.sum).map((part) => {
        if (part.type === 'quantity') {
            const slot = makeSlot(sheet, kind, part, false);
            row.slots.push(slot);
            return {part, node: slot.node, refresh: slot.refresh};
        }
        const chips = wordChips({
            label: told(part.title), quiet: kind.parts.length === 1, words: sheet.table.words(part.list), get: () => sheet.peek(kind.name)?.words[part.name] ?? null,
            put: (word, event) => sheet.chooseWord(row, part, word, event),
        });
        row.chips.push({part, node: chips});
        return {part, node: chips, refresh: chips.refresh};
    });
    const context = contextNodes(sheet, row);
    const last = el('p', {class: 'last soft'});
    const sums = el('p', {class: 'sums number'});
    const flags = el('div', {class: 'flags'});
    const doubts = el('div', {class: 'doubts', role: 'status'});
    const lack = el('p', {class: 'lack soft'});
    const hints = el('div', {class: 'hints'});
    const why = notTakenPart(sheet, row);
    const partWhys = partNotTaken(sheet, kind);
    const more = el('button', {type: 'button', class: 'quiet', 'aria-expanded': 'false', on: {click: () => toggle('open')}}, say('set.more'));
    const none = el('button', {type: 'button', class: 'quiet', 'aria-expanded': 'false', on: {click: () => toggle('why')}}, say('set.not-taken'));
    const toggle = (name) => {
        row[name] = !row[name];
        row.refresh();
    };
    const said = el('div', {class: 'said'}, context.map((one) => one.node), partWhys);

    row.values = el('div', {class: 'values'}, parts.map((one) => one.node));
    row.node = el('section', {class: 'sign', 'data-kind': kind.name, 'aria-labelledby': `title-${kind.name}`},
        el('div', {class: 'sign-head'}, el('h2', {id: `title-${kind.name}`}, told(kind.title)), last),
        row.values, el('div', {id: aboutId, class: 'about'}, sums, flags, doubts, lack), said, hints, why,
        el('div', {class: 'row-tools'}, more, none));
    row.what = () => [told(kind.title), row.slots.filter((slot) => !slot.field && slot.input.value).map((slot) => slot.input.value).join('/'),
        row.chips.map(({part}) => told(sheet.table.word(part.list, sheet.peek(kind.name)?.words[part.name])?.text ?? '')).filter(Boolean).join(', ')].filter(Boolean).join(' ');

    row.refresh = () => {
        const sign = sheet.peek(kind.name);
        const found = sheet.found.of(kind.name);
        const isActive = sheet.activeKind === kind.name;
        const fullHints = (kind.hints ?? []).filter((hint) => row.open || (hint.if && sheet.found.holds(kind, hint.if)));

        parts.forEach((one) => {
            one.refresh();
            one.node.hidden = optional(one.part) && !row.open && !sign?.typed[one.part.name];
        });
        context.forEach(({field, node}) => {
            node.refresh?.();
            node.hidden = !row.open && !isAsked(sheet, kind, field) && !isSaid(sign, field);
        });
        partWhys.forEach((node) => {
            node.refresh();
            node.hidden = !row.open;
        });
        row.values.hidden = said.hidden = !!sign?.notTaken;
        last.textContent = sheet.lasts[kind.name] ? lastText(sheet, kind, sheet.lasts[kind.name]) : '';
        swap(sums, kind.parts.filter((part) => part.sum && sheet.read(kind.name)?.parts[part.name]?.value).map((part) => `${told(part.title)} ${sheet.read(kind.name).parts[part.name].value}`));
        swap(flags, found ? flagNodes(sheet, kind, found.flags, row.open) : null);
        const nodes = found ? doubtNodes(sheet, row, found, sign) : [];
        const mark = nodes.flat(9).map((one) => one.textContent).join('\n');
        if (mark !== doubts.dataset.mark) { // said again only when it is another
            doubts.dataset.mark = mark;
            swap(doubts, nodes);
        }
        lack.textContent = found && !isActive ? lackText(row, found, sign) : '';
        swap(hints, fullHints.map((hint) => el('p', {class: 'hint'}, told(hint.say))));
        why.refresh();
        why.hidden = !row.why && !sign?.notTaken;
        more.setAttribute('aria-expanded', String(row.open));
        none.setAttribute('aria-expanded', String(!why.hidden));
        more.textContent = say(row.open ? 'set.less' : 'set.more');
        more.hidden = !!sign?.notTaken;
        row.node.classList.toggle('active', isActive);
        row.node.classList.toggle('touched', isTouched(sign));
        row.slots.forEach((slot) => slot.input.setAttribute('aria-invalid', String(!!found && found.problems.some((one) => slotAt(row, one.pointer) === slot && !isEarly(sheet, row, one)))));
    };
    return row;
}

// The number is typed in one unit; in another it is typed anew. Nothing is converted. True: leave the old one and type again.
export async function askUnit(what, from, to) {
    return await question(say('set.unit.title'), el('p', {}, say('set.unit.ask', {what, from, to})),
        [{word: 'again', text: say('set.unit.again', {to}), main: true}, {word: '', text: say('set.unit.leave', {from})}]) === 'again';
}
