// words.js - the messages of the form by key, and how figures, days and times are written. A language is a catalogue
// (daemon/web/words), no code. Texts of the kind table: told.js.
import {takeEarly} from './state.js';

const messages = {};

export const language = () => document.documentElement.lang;

// `part`: 'form' or 'later', as the scripts.
export async function loadWords(part) {
    const path = `/words/${language()}/${part}.json`;
    Object.assign(messages, await (await (takeEarly(path) ?? fetch(path))).json());
}

const fillIn = (text, given) => text.replace(/\{([\w-]+)\}/g, (whole, name) => given[name] ?? whole);

// A message of the form. A key that is missing shows itself, so that a test finds it.
export const say = (key, given = {}) => fillIn(messages[key] ?? `[${key}]`, given);

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
