// say.js - what was found, in words: an English template and what stands in its holes, so that a template can be
// looked up in another language and filled there.
//
// One thing said is {template, parts}; a problem says one or two, joined by "; ". What stands in a hole is {digits, text},
// either of which may be missing: digits stand as they are, text is a text of the table (a unit, a word, a title).

import {Decimal, decimalOf} from './decimal.js';
import {unitConvert} from './table.js';

const limitEnds = {
    ask: ': is it right? Measure again, or confirm',
    override: ': taken only with an override, on the word of a second person or device',
    refuse: ', which cannot be',
};

export function limitTemplate(grade, side, workedOut) {
    return `{title} {value}${workedOut ? ', worked out from this set,' : ''} is ${side} {bound}${limitEnds[grade]}`;
}

// What this form itself says of a set; the rest stands in the table.
export const sayings = {
    cannotConvert: '{title} {value} is a number that cannot be converted',
    whole: '{title} is a whole number',
    tooLarge: 'these numbers are too large to be compared with one another',
    override: 'an override names who, a second other than the first, and a reason',
    sameSecond: 'the second person or device is another one than the first',
    noBirthDate: 'no birth date: ranges that depend on age were not looked at',
    table: 'this is not as the kind table has it', // which no form sends
    twice: 'this word stands twice',
    long: 'at most {most} characters',
    either: 'either a value or not-taken, not both',
    computed: 'this is computed, not taken: leave it out',
    noPoints: 'one of the parts has no points, so there is no sum',
    sum: 'the parts add up to {total}',
    wholeFrom: 'a whole number from {least} to {most} is due here',
    seconds: 'counted over one of these: {lengths} seconds',
    counted: '{beats} in {seconds} s is not the {part} that was sent with it',
    badTime: 'a time with seconds and zone is due here',
    badDay: 'a day that exists is due here, written YYYY-MM-DD',
    beforeBirth: "this lies before the patient's birth date",
    future: 'this lies in the future: look at the clock of the sender',
    late: 'taken more than {minutes} minutes ago: is the time right?',
};

export const sayDigits = (digits) => ({digits: String(digits)});
export const sayText = (text) => ({text});
export const sayQuantity = (value, unit) => ({digits: String(value), text: unit?.text});

export function fill(template, parts, translate = (text) => text) {
    return translate(template).replace(/\{([^}]*)\}/g, (hole, name) => {
        const {digits, text} = parts[name] ?? {};

        return [digits, text && translate(text)].filter((piece) => piece !== undefined).join(' ');
    });
}

export function sayAll(says, translate) {
    return says.map(({template, parts}) => fill(template, parts, translate)).join('; ');
}

// ---- holes of a text of the table: {path}, {path/10}, {path*100}, {path~U:V} ----

function movedPoint({value, unit}, how) {
    const places = how.length - 2; // noughts behind the 1
    let {digits, scale} = decimalOf(value);

    if (how[0] === '/')
        scale += places;
    else
        for (let i = 0; i < places; i++)
            if (scale)
                scale--;
            else
                digits *= 10n;
    return scale > 9 ? undefined : sayQuantity(new Decimal(digits, scale), unit);
}

function asIfEntered(table, {value}, how) {
    const [from, to] = how.slice(1).split(':').map(table.unit);
    const converted = from && to && unitConvert(table, value, from, to);

    return converted ? sayQuantity(converted, to) : undefined;
}

// `find` gives what stands at a path as it was entered: {value, unit} or {word}; or nothing, and the hole stays empty.
export function sayHoles(table, template, find) {
    const parts = {};

    for (const [, name, path, how] of template.matchAll(/\{(([^{}/*~]*)([^}]*))\}/g)) {
        const found = find(path);

        if (found?.word)
            parts[name] = sayText(found.word.text);
        else if (found)
            parts[name] = how === '' ? sayQuantity(found.value, found.unit)
                : how[0] === '~' ? asIfEntered(table, found, how) : movedPoint(found, how);
    }
    return {template, parts};
}
