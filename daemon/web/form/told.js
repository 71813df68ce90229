// told.js - texts of the kind table and of the judge by their English wording. A language is a catalogue (mappings/languages), no code.
import {limitTemplate, sayings} from './say.js';
import {scoreHeads} from './score.js';
import {say} from './words.js';

let texts = {};

export function useTexts(table) {
    texts = table.texts ?? {};
}

// What the judge says of its own: its English text -> the key of the message.
const judgedKeys = new Map([
    ...Object.entries(sayings).map(([name, text]) => [text, `judged.${name}`]),
    ...['ask', 'override', 'refuse'].flatMap((grade) => ['below', 'above'].flatMap((side) => [
        [limitTemplate(grade, side, false), `judged.${grade}.${side}`], [limitTemplate(grade, side, true), `judged.${grade}.${side}.worked`]])),
    ...scoreHeads.map((text, index) => [text, `judged.head.${index}`])]);

// A text of the kind table, or of the judge (English there).
export const told = (english) => texts[english] ?? (judgedKeys.has(english) ? say(judgedKeys.get(english)) : english);
