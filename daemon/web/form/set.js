// set.js - the screen on which a set is taken: a ruled sheet of signs made from the kind table, a pad that writes into it, the score
// so far. What is typed lives in now.draft and is kept at every change; judge.js says what is doubtful while it is typed.
import {ask} from './api.js';
import {button, el, field, question, swap} from './dom.js';
import {identifierSame, sentPatient} from './identify.js';
import {agesFit} from './moment.js';
import {keepDraft} from './offline.js';
import {makePad} from './pad.js';
import {scorePart} from './set_score.js';
import {askUnit, makeRow, slotUnit} from './set_row.js';
import {findIn} from './set_found.js';
import {hasValue, isTouched, newDraft, newSign, typeKey} from './set_draft.js';
import {askSecond, lateLine, saveSet} from './set_save.js';
import {watchSet} from './set_presence.js';
import {notice, screen} from './shell.js';
import {now} from './state.js';
import {told} from './told.js';
import {say, zoned} from './words.js';

// The set that was begun for this patient, or a fresh one. What nobody typed into is not kept.
const draftHere = () => now.draft && identifierSame(now.draft.patient.identifier, now.patient.identifier) ? now.draft : newDraft(crypto.randomUUID(), sentPatient(), Date.now());

// ---- what the rows ask of the sheet ----

// Kinds that are computed from others are never typed.
const takenKinds = (table) => table.kinds.filter((kind) => !kind.computed);

// A part of several says more than its kind; a field says little without it.
const padTitle = ({kind, field, title}) => field ? `${told(kind.title)} · ${title}` : title;

function makeSheet(table, draft) {
    const sheet = {table, draft, lasts: {}, rows: [], shown: new Set(), active: null, activeKind: null, pad: null, found: null};

    sheet.peek = (name) => draft.signs[name];
    sheet.read = (name) => sheet.found?.judged.read.readings.find((one) => one.kind?.name === name);
    sheet.row = (name) => sheet.rows.find((row) => row.kind.name === name);
    // Every change goes through here: what others doubted or vouched for was of the sign as it was.
    sheet.change = (kind, does) => {
        const sign = draft.signs[kind.name] ??= newSign(crypto.randomUUID());
        does(sign);
        Object.assign(sign, {at: zoned(), override: null, server: []});
        sheet.refresh();
    };
    sheet.look = () => {
        sheet.judge();
        sheet.draw();
    };
    sheet.refresh = () => {
        now.draft = draft;
        sheet.look();
        keepDraft(draft);
    };
    sheet.judge = () => {
        sheet.found = findIn(table, draft, {by: now.session?.person.practitioner}, {
            now: Date.now(), late: Infinity, offset: -new Date().getTimezoneOffset(), last: (kind) => sheet.lasts[kind] ?? null});
    };
    sheet.draw = () => {
        sheet.rows.forEach((row) => row.refresh());
        sheet.pad.show(sheet.active && {title: padTitle(sheet.active), text: sheet.active.input.value, unit: sheet.active.unitText});
        sheet.score.refresh();
    };
    return Object.assign(sheet, typing(sheet), saying(sheet));
}

// ---- typing: slots, the pad, the way from one sign to the next ----

function typing(sheet) {
    const activate = (slot) => {
        if (sheet.active === slot) return;
        sheet.active = slot;
        sheet.activeKind = slot?.kind.name ?? null;
        document.body.classList.toggle('typing', !!slot);
        sheet.pad.tell('');
        sheet.draw();
        if (slot) requestAnimationFrame(() => bringUp(slot.node));
    };
    const refuseKey = (slot, why) => {
        sheet.pad.tell(say(`set.blocked.${why}`, {what: slot.title}));
        slot.node.classList.remove('blocked');
        void slot.node.offsetWidth; // the mark begins anew
        slot.node.classList.add('blocked');
    };
    const type = (slot, key) => {
        const typed = sheet.peek(slot.kind.name)?.typed[slot.name] ?? '';
        const result = key === 'clear' ? {text: ''} : typeKey(typed, key, slot.digits);

        if (result.blocked) return refuseKey(slot, result.blocked);
        sheet.pad.tell('');
        if (result.text === typed && key !== 'clear') return undefined;
        return sheet.change(slot.kind, (sign) => {
            sign.typed[slot.name] = result.text;
            const counted = slot.kind.fields.find((field) => field.type === 'count' && field.gives === slot.name);
            if (counted) delete sign.said[counted.path]; // a number that is typed is no longer one that was counted
        });
    };

    return {
        activate, refuseKey,
        leave: (slot) => setTimeout(() => {
            if (sheet.active === slot && document.activeElement !== slot.input && document.activeElement !== document.body) activate(null);
        }),
        press(slot, key) {
            if (key === 'next') next(sheet, slot);
            else if (key === 'leave') slot.input.blur(), activate(null);
            else {
                type(slot, key);
                inSight(slot.node);
            }
        },
        putBack: (slot, text) => sheet.change(slot.kind, (sign) => {
            sign.typed[slot.name] = text;
        }),
        again(row) {
            sheet.change(row.kind, (sign) => {
                row.slots.filter((slot) => !slot.field).forEach((slot) => delete sign.typed[slot.name]);
                Object.assign(sign, {words: {}, kept: ''});
                row.kind.fields.filter((field) => field.type === 'count').forEach((field) => delete sign.said[field.path]);
            });
            (row.slots[0]?.input ?? row.chips[0]?.node.querySelector('button')).focus();
        },
        takeOffer(slot, {digits, unit}) {
            sheet.change(slot.kind, (sign) => {
                sign.typed[slot.name] = digits;
                sign.units[slot.field ? slot.name : ''] = unit;
            });
            slot.input.focus();
        },
        async chooseUnit(slot, code) {
            const from = sheet.table.unit(slotUnit(sheet, slot));
            const to = sheet.table.unit(code);
            const typedSlots = sheet.row(slot.kind.name).slots.filter((one) => one.field === slot.field && (!one.field || one === slot) && sheet.peek(slot.kind.name)?.typed[one.name]);
            if (from === to) return;
            if (from && typedSlots.length && !await askUnit(`${typedSlots.map((one) => one.input.value).join('/')}`, from.text, to.text)) return;
            sheet.change(slot.kind, (sign) => {
                sign.units[slot.field ? slot.name : ''] = code;
                if (from) typedSlots.forEach((one) => delete sign.typed[one.name]);
            });
            slot.input.focus();
        },
    };
}

// The places a person comes by, in order: numbers that are due, words that are due, and what is asked about them.
function stopsOf(sheet) {
    return sheet.rows.filter((row) => sheet.shown.has(row.kind.name) && !sheet.peek(row.kind.name)?.notTaken).flatMap((row) => row.kind.parts.filter((part) => part.required !== false && !part.sum)
        .map((part) => {
            const slot = row.slots.find((one) => !one.field && one.name === part.name);
            const chips = row.chips.find((one) => one.part === part);
            const sign = sheet.peek(row.kind.name);
            return slot ? {slot, row, focus: slot.input, done: slot.input.value !== '' || !!sign?.partNotTaken[part.name]}
                : {row, focus: chips.node.querySelector('button'), done: !!sign?.words[part.name]};
        }).concat(row.slots.filter((slot) => slot.field && !slot.node.hidden && !row.open).map((slot) => ({slot, row, focus: slot.input, done: slot.input.value !== ''}))));
}

function next(sheet, from) {
    const stops = stopsOf(sheet);
    const at = stops.findIndex((one) => one.slot && one.slot === from);
    const stop = stops.slice(at + 1).find((one) => !one.done) ?? stops.slice(0, Math.max(at, 0)).find((one) => !one.done);

    if (stop) goTo(sheet, stop);
    else {
        sheet.activate(null);
        sheet.saveButton.focus();
    }
}

// Between the strip above and the pad below.
const inSight = (node, block = 'nearest') => node.scrollIntoView({block, behavior: matchMedia('(prefers-reduced-motion: reduce)').matches ? 'auto' : 'smooth'});

// Where the pad takes the lower half, what is typed into stands at the same height each time, and what is said of it below it.
const bringUp = (node) => inSight(node, matchMedia('(max-width: 40rem)').matches ? 'start' : 'nearest');

function goTo(sheet, stop) {
    stop.focus.focus({preventScroll: true});
    if (!stop.slot) {
        sheet.activate(null);
        sheet.activeKind = stop.row.kind.name;
        sheet.draw();
    }
    (stop.slot ? bringUp : inSight)(stop.slot?.node ?? stop.row.node);
}

// ---- saying: words about a sign, and why it was not taken ----

function saying(sheet) {
    // A tap on a chip is the end of a sign whose number is there: on to the next one. A key press stays where it is.
    const onward = (row, event) => {
        const stops = stopsOf(sheet).filter((one) => one.row === row);
        const last = stops.at(-1);
        if (event?.detail > 0 && stops.every((one) => one.done) && !isWaiting(sheet, row)) next(sheet, last?.slot ?? null);
    };
    return {
        say: (row, does) => sheet.change(row.kind, does),
        saidOf(row, field, value, event) {
            sheet.change(row.kind, (sign) => {
                sign.said[field.path] = value;
            });
            if (field.type === 'word' && value) onward(row, event);
        },
        chooseWord(row, part, word, event) {
            const isNew = sheet.peek(row.kind.name)?.words[part.name] !== word;
            sheet.change(row.kind, (sign) => {
                sign.words[part.name] = isNew ? word : null;
            });
            if (isNew && row.kind.parts.length > 1) onward(row, event);
        },
        async notTaken(row, word) {
            const sign = sheet.peek(row.kind.name);
            if (word && sign && hasValue(row.kind, sign) && await question(say('set.not-taken'), el('p', {}, say('set.not-taken.clears', {what: row.what()})),
                [{word: 'yes', text: say('set.not-taken.yes'), main: true}, {word: '', text: say('set.back')}]) !== 'yes') return;
            sheet.change(row.kind, (one) => Object.assign(one, {notTaken: word, typed: {}, words: {}, partNotTaken: {}, kept: '',
                said: Object.fromEntries(Object.entries(one.said).filter(([path]) => row.kind.field(path)?.type !== 'count'))}));
            if (!word) row.why = false;
            sheet.draw();
        },
        keep(row, doubts) {
            const sign = sheet.peek(row.kind.name);
            Object.assign(sign, {kept: doubts, server: (sign.server ?? []).filter((one) => one.code !== 'confirm')});
            sheet.refresh();
        },
        async second(row) {
            const override = await askSecond(row.what());
            if (!override) return;
            sheet.peek(row.kind.name).override = override;
            sheet.peek(row.kind.name).server = [];
            sheet.refresh();
        },
    };
}

const isWaiting = (sheet, row) => (sheet.found.of(row.kind.name)?.problems.length ?? 0) > 0;

// ---- what was last ----

async function loadLasts(sheet) {
    const answer = await ask('/v1/readings/_search', {patient: sheet.draft.patient.identifier, count: 200});
    for (const reading of answer.ok ? answer.body.readings : [])
        if (reading.role !== 'score' && ['waiting', 'charted'].includes(reading.state) && reading.kind && !(reading.kind in sheet.lasts)) sheet.lasts[reading.kind] = reading;
    if (sheet.pad.isConnected) sheet.look();
}

// ---- the screen ----

function reveal(sheet, kind, chip) {
    sheet.shown.add(kind.name);
    sheet.row(kind.name).node.hidden = false;
    chip?.remove();
}

function whenDue(sheet) {
    const kinds = takenKinds(sheet.table).filter((kind) => !sheet.shown.has(kind.name));
    const chips = kinds.map((kind) => el('button', {type: 'button', class: 'chip', 'data-kind': kind.name, on: {click: (event) => {
        reveal(sheet, kind, event.currentTarget);
        const [stop] = stopsOf(sheet).filter((one) => one.row.kind === kind);
        goTo(sheet, stop);
    }}}, told(kind.title)));
    return el('fieldset', {class: 'choice due'}, el('legend', {}, say('set.due')), el('div', {class: 'chips'}, chips));
}

function restNotTaken(sheet) {
    const left = () => sheet.rows.filter((row) => sheet.shown.has(row.kind.name) && !isTouched(sheet.peek(row.kind.name)));
    return el('button', {type: 'button', class: 'quiet', on: {click: async () => {
        const rows = left();
        if (!rows.length) return notice(say('set.rest.nothing'));
        const word = await question(say('set.rest'), el('p', {}, rows.map((row) => told(row.kind.title)).join(', ')),
            [...sheet.table.reasons.map((reason) => ({word: reason.word, text: told(reason.text)})), {word: '', text: say('set.back')}]);
        if (!word) return undefined;
        for (const row of rows) await sheet.notTaken(row, word);
        return undefined;
    }}}, say('set.rest'));
}

// A set that is written down later than it was taken.
async function askTaken(sheet) {
    const at = field({label: say('set.late.at'), hint: say('set.late.hint'), inputmode: 'numeric', autocomplete: 'off', maxlength: 5});
    const word = await question(say('set.late.ask'), at, [{word: 'at', text: say('set.late.use'), main: true},
        ...[5, 15, 30].map((count) => ({word: String(count), text: say('set.late.ago', {count})})), {word: '', text: say('set.late.now')}]);
    const [, hours, minutes] = /^([01]?\d|2[0-3])\W?([0-5]\d)$/.exec(at.input.value.trim()) ?? [];
    const taken = new Date(Date.now() - Number(word) * 6e4);

    if (word === 'at' && !hours) return sheet.score.tell(say('set.late.malformed'));
    if (word === 'at') taken.setTime(new Date().setHours(hours, minutes, 0, 0));
    if (taken > Date.now()) taken.setDate(taken.getDate() - 1);
    sheet.draft.taken = word ? zoned(taken) : undefined;
    sheet.late();
    return sheet.refresh();
}

function cautions(sheet) {
    const isChild = agesFit({to: 'P16Y'}, sheet.draft.patient.birthDate ?? null, zoned().slice(0, 10));
    return el('div', {class: 'cautions soft'}, ['flag', 'device', 'units', isChild && 'children', 'downtime'].filter(Boolean).map((name) => el('p', {}, say(`caution.${name}`))));
}

function draw(root, sheet) {
    const title = el('h1', {tabindex: -1}, say('set.title'));
    const others = el('div', {class: 'others', role: 'status'});
    const troubles = el('div', {class: 'troubles', role: 'alert'});
    const late = el('div', {role: 'status'});
    const save = el('button', {type: 'button', class: 'main save', on: {click: () => saveSet(sheet)}}, say('set.save'));

    sheet.saveButton = save;
    Object.assign(sheet, {others, troubles});
    sheet.late = () => swap(late, lateLine(sheet.draft));
    sheet.pad = makePad((key) => (sheet.active ? sheet.press(sheet.active, key) : key === 'next' && next(sheet, null)));
    sheet.score = scorePart(sheet);
    sheet.rows = takenKinds(sheet.table).map((kind) => makeRow(sheet, kind));
    for (const row of sheet.rows) {
        row.node.hidden = !(row.kind.routine || isTouched(sheet.peek(row.kind.name)));
        if (!row.node.hidden) sheet.shown.add(row.kind.name);
    }
    swap(root, el('div', {class: 'set'},
        el('div', {class: 'sheet'}, el('div', {class: 'sheet-head'}, title, button(say('set.late.open'), () => askTaken(sheet), {class: 'quiet'})), late, others, sheet.rows.map((row) => row.node), whenDue(sheet), restNotTaken(sheet), sheet.score.node, cautions(sheet), troubles),
        el('div', {class: 'desk'}, sheet.pad, el('div', {class: 'sum'}, sheet.score.line, save))));
    sheet.judge();
    sheet.draw();
    sheet.late();
}

screen('set', {
    title: 'set.title', needs: 'patient', link: 'set.link',
    show(root) {
        const sheet = makeSheet(now.table, draftHere());
        draw(root, sheet);
        loadLasts(sheet);
        const unwatch = watchSet(sheet);
        const [first] = stopsOf(sheet).filter((one) => !one.done);
        if (first && !Object.keys(sheet.draft.signs).length) requestAnimationFrame(() => { // the frame scrolls up first
            goTo(sheet, first);
            requestAnimationFrame(() => root.querySelector('h1').scrollIntoView());
        });
        return () => {
            document.body.classList.remove('typing');
            unwatch();
        };
    },
});
