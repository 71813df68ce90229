// moment.js - days and ages as people count them. A day is "YYYY-MM-DD": in this form earlier is less. Looks at no clock.

const DAY_MS = 86400000;
const dayOfMs = (ms) => new Date(ms).toISOString().slice(0, 10);
const twoDigits = (number) => String(number).padStart(2, '0');

export function dayExists(text) {
    const ms = typeof text === 'string' && /^\d{4}-\d\d-\d\d$/.test(text) ? Date.parse(`${text}T00:00:00Z`) : NaN;

    return !Number.isNaN(ms) && dayOfMs(ms) === text;
}

// "2026-11-25T09:30:00+01:00" as {ms, day, text}, where day is the one that its writer's clock showed; null: not such a time.
export function momentRead(text) {
    const found = /^(\d{4}-\d\d-\d\d)T([01]\d|2[0-3]):[0-5]\d:[0-5]\d(\.\d{1,9})?(Z|[+-]\d\d:[0-5]\d)$/.exec(text);

    return found && dayExists(found[1]) ? {ms: Date.parse(text), day: found[1], text} : null;
}

// The same of milliseconds, in a zone so many minutes east of Greenwich.
export function momentAt(ms, offset) {
    const local = new Date(ms + offset * 60000).toISOString().slice(0, 19);
    const east = Math.abs(offset);
    const zone = offset ? `${offset < 0 ? '-' : '+'}${twoDigits(Math.trunc(east / 60))}:${twoDigits(east % 60)}` : 'Z';

    return {ms, day: local.slice(0, 10), text: local + zone};
}

// A day so long after: "P28D", "P6W", "P1M", "P16Y". A day that the month lacks becomes its last one.
function dayAfter(day, span) {
    const count = Number(span.slice(1, -1));
    const unit = span.at(-1);

    if (unit === 'D' || unit === 'W')
        return dayOfMs(Date.parse(`${day}T00:00:00Z`) + count * (unit === 'W' ? 7 : 1) * DAY_MS);
    const [year, month, date] = day.split('-').map(Number);
    const total = year * 12 + month - 1 + count * (unit === 'Y' ? 12 : 1);
    const start = `${String(Math.trunc(total / 12)).padStart(4, '0')}-${twoDigits(total % 12 + 1)}-`;

    for (let last = date; ; last--)
        if (dayExists(start + twoDigits(last)))
            return start + twoDigits(last);
}

// Is somebody born on that day (null: not known) of these ages? From is included, to is not. A birth after today is none.
export function agesFit(ages, born, today) {
    if (!ages)
        return true;
    if (!born || today < born)
        return ages.unknown === true;
    return !(ages.from && today < dayAfter(born, ages.from)) && !(ages.to && today >= dayAfter(born, ages.to));
}
