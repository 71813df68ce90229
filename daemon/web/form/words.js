// words.js - every word on the screen: messages of the form by key, texts of the kind table by their English wording. A language
// is a catalogue (daemon/web/words, mappings/languages), no code.
import {limitTemplate, sayings} from './say.js';
import {scoreHeads} from './score.js';

const messages = {};
let texts = {};

export const language = () => document.documentElement.lang;

// `part`: 'form' or 'later', as the scripts.
export async function loadWords(part) {
    Object.assign(messages, await (await fetch(`/words/${language()}/${part}.json`)).json());
}

export function useTexts(table) {
    texts = table.texts ?? {};
}

const fillIn = (text, given) => text.replace(/\{([\w-]+)\}/g, (whole, name) => given[name] ?? whole);

// A message of the form. A key that is missing shows itself, so that a test finds it.
export const say = (key, given = {}) => fillIn(messages[key] ?? `[${key}]`, given);

// What the judge says of its own: its English text -> the key of the message.
const judgedKeys = new Map([
    ...Object.entries(sayings).map(([name, text]) => [text, `judged.${name}`]),
    ...['ask', 'override', 'refuse'].flatMap((grade) => ['below', 'above'].flatMap((side) => [
        [limitTemplate(grade, side, false), `judged.${grade}.${side}`], [limitTemplate(grade, side, true), `judged.${grade}.${side}.worked`]])),
    ...scoreHeads.map((text, index) => [text, `judged.head.${index}`])]);

// A text of the kind table, or of the judge (English there).
export const told = (english) => texts[english] ?? (judgedKeys.has(english) ? say(judgedKeys.get(english)) : english);

// ---- figures, days and times: one way to write each, whatever the language of the browser ----

const two = (number) => String(number).padStart(2, '0');

// 2026-11-25 or a Date -> 25-Nov-2026 (day, three letters of the month, year)
export function dayText(day) {
    const [year, month, date] = day instanceof Date ? [day.getFullYear(), day.getMonth() + 1, day.getDate()] : day.split('-').map(Number);
    return `${two(date)}-${say('months').split(' ')[month - 1]}-${year}`;
}

// 24 hours
export const timeText = (moment) => `${two(moment.getHours())}:${two(moment.getMinutes())}`;

// Today only the time; else day and time.
export function momentText(moment, at = new Date()) {
    return moment.toDateString() === at.toDateString() ? timeText(moment) : `${dayText(moment)} ${timeText(moment)}`;
}

// Whole years; under two years months; under four weeks days.
export function ageText(birthDate, at = new Date()) {
    const [year, month, day] = birthDate.split('-').map(Number);
    let months = (at.getFullYear() - year) * 12 + at.getMonth() + 1 - month;
    if (at.getDate() < day) months--;
    if (months >= 24) return say('age.years', {count: Math.floor(months / 12)});
    const days = Math.floor((at - new Date(year, month - 1, day)) / 864e5);
    return days < 28 ? say('age.days', {count: days}) : say('age.months', {count: months});
}

// A moment as the daemon takes it: local time with its zone.
export function zoned(moment = new Date()) {
    const minutes = -moment.getTimezoneOffset();
    const sign = minutes < 0 ? '-' : '+';
    const zone = `${sign}${two(Math.floor(Math.abs(minutes) / 60))}:${two(Math.abs(minutes) % 60)}`;
    return `${moment.getFullYear()}-${two(moment.getMonth() + 1)}-${two(moment.getDate())}T${two(moment.getHours())}:${two(moment.getMinutes())}:${two(moment.getSeconds())}${zone}`;
}
