// invented.mjs - sets that nobody took, made from the table alone: at every bound and one last digit beside it, in every unit,
// at the edges of every age band, every check fired and just not, with and without earlier readings. The seed is fixed.
import {Decimal, decimalOf, decimalRead, jsonText, exactAdd, exactOf, exactOver, exactRound, exactTimes} from '../../daemon/web/form/decimal.js';
import {momentAt} from '../../daemon/web/form/moment.js';
import {unitExact} from '../../daemon/web/form/table.js';

export const SYSTEM = 'https://clinic.example/mrn';
const DAY = 86400000;
const BOUNDS = ['below', 'above', 'at-least', 'at-most', 'low', 'high', 'low-critical', 'high-critical', 'from', 'to'];

// ---- numbers ----

const plus = (value, digits) => new Decimal(value.digits + BigInt(digits), value.scale);
const scaled = (value, scale) => (scale <= value.scale ? value : new Decimal(value.digits * 10n ** BigInt(scale - value.scale), scale));

// One last digit beside a bound, also of a finer last digit.
const besides = (chance, value) => plus(scaled(value, value.scale + chance.of([0, 0, 1, 2])), chance.of([-1, 0, 0, 1]));

// What has to be entered in `unit` to mean `value` in the part's own: the table's way walked backwards, coarsely.
function enteredIn(table, part, value, unit, places) {
    if (!part.unit || unit === part.unit)
        return value;
    const way = table.way(unit, part.unit);
    const exact = exactAdd(exactOver(exactTimes(exactOf(value), exactOf(way.over ?? 1)), exactOf(way.times ?? 1)),
        exactTimes(exactOf(way.add ?? 0), exactOf(-1)));

    return exactRound(exact, places);
}

// ---- what the table says of a path ----

const boundsIn = (row) => BOUNDS.filter((name) => row[name] !== undefined).map((name) => decimalOf(row[name]));

function pathsOf(condition) {
    return [...(condition.sum ?? []).map(([, path]) => path), ...(condition.ratio ?? []), ...(condition.change ?? []),
        ...(condition['digits-exchanged'] ?? []), ...['entered', 'word', 'present', 'absent', 'odd', 'days-since-last']
            .map((name) => condition[name]).filter(Boolean)];
}

// Every bound that anything in the table sets for a part: {value, unit: code or null}.
function boundsOfPart(table, kind, part) {
    const rows = [...part.limits ?? [], ...part.ranges ?? [], ...part.names ?? []];
    const found = rows.flatMap((row) => boundsIn(row).map((value) => ({value, unit: row.in ?? null})));
    const name = part.path ?? part.name;

    for (const [checks, path] of [[kind.checks ?? [], name], [table.checks, `${kind.name}.${name}`]])
        for (const condition of checks.flatMap((check) => check.if))
            if (pathsOf(condition).join() === path && (condition.sum || condition.entered))
                found.push(...boundsIn(condition).map((value) => ({value, unit: condition.unit ?? null})));
    for (const score of table.scores)
        for (const input of score.inputs)
            if (input.kind === kind.name && input.part === name && input.bands)
                found.push(...input.bands.flatMap((band) => boundsIn(band).map((value) => ({value, unit: input.in}))));
    return found;
}

// A value that nobody has anything against, as a rule: between the asked bounds of a grown-up, or in the middle of a range.
export function usualIn(table, part, unit) {
    const isGrown = (row) => !row.ages || row.ages.unknown || row.ages.from === 'P18Y' || row.ages.from === 'P16Y';
    const range = (part.ranges ?? []).filter((row) => isGrown(row) && !row.when && row.low !== undefined && row.high !== undefined).at(-1);
    const limits = (part.limits ?? []).filter((row) => isGrown(row) && (!row.in || row.in === unit.code));
    const side = (name) => limits.map((row) => row[name]).filter((bound) => bound !== undefined).map(Number);
    const [low, high] = range ? [Number(range.low), Number(range.high)] : [Math.max(...side('below')), Math.min(...side('above'))];
    const middle = decimalRead(String(Math.round(low + (Math.min(high, low * 4 + 20) - low) * 0.6)));

    return enteredIn(table, part, middle, unit, unit.places);
}

// Rows for grown-ups that are not asked about again for a while: [kind, part, row].
export const answeredRows = (table) => table.kinds.flatMap((kind) => kind.parts.flatMap((part) => (part.limits ?? [])
    .filter((row) => row['unless-last-minutes'] && (!row.ages || row.ages.unknown)).map((row) => [kind, part, row])));

// ---- the maker ----

export class Maker {
    constructor(table, chance, now) {
        Object.assign(this, {table, chance, now});
        this.spans = [...new Set(jsonText(table.document).match(/"P\d+[DWMY]"/g))].map((text) => JSON.parse(text));
    }

    // -- values --

    number(kind, part, unit) {
        const {chance, table} = this;
        const places = chance.of([unit.places, unit.places, 0, 1, 2]);

        if (chance.is(0.3))
            return usualIn(table, part, unit);
        if (chance.is(0.15))
            return decimalRead(String(chance.whole(0, 450)));
        const bound = chance.of(boundsOfPart(table, kind, part));

        if (!bound || (bound.unit && !table.unit(bound.unit)))
            return usualIn(table, part, unit);
        if (bound.unit && bound.unit !== unit.code && part.unit && table.unit(bound.unit) !== part.unit)
            return besides(chance, bound.value);
        const there = bound.unit === unit.code || !part.unit ? bound.value : enteredIn(table, part, bound.value, unit, places) ?? bound.value;

        return besides(chance, there);
    }

    spelling(unit) {
        return this.chance.is(0.8) ? unit.code : this.chance.of([unit.code, ...this.table.document.units.units[unit.code].also ?? []]);
    }

    parts(kind, reading) {
        const {chance, table} = this;
        const quantities = kind.parts.filter((part) => part.type === 'quantity');
        const unit = quantities.length && chance.of(quantities[0].accepts);

        for (const part of kind.parts) {
            if (part.required === false && chance.is(0.5))
                continue;
            if (part['not-taken'] && chance.is(0.1))
                reading[part.name] = {'not-taken': chance.of(table.reasons).word};
            else if (part.type === 'word')
                reading[part.name] = chance.of(table.words(part.list)).word;
            else
                reading[part.name] = this.number(kind, part, unit);
        }
        if (unit && quantities.some((part) => reading[part.name] instanceof Decimal) && !(quantities[0]['unit-optional'] && chance.is(0.5)))
            reading.unit = this.spelling(unit);
    }

    put(reading, field, value) {
        if (field.group)
            (reading[field.group] ??= {})[field.name] = value;
        else
            reading[field.name] = value;
    }

    field(kind, field, reading) {
        const {chance, table} = this;

        if (field.type === 'word')
            return chance.of(table.words(field.list)).word;
        if (field.type === 'words')
            return table.words(field.list).map((row) => row.word).filter(() => chance.is(0.4)).concat(table.words(field.list)[0].word)
                .filter((word, index, all) => all.indexOf(word) === index);
        if (field.type === 'text')
            return chance.of(['since this morning', 'left knee', 'ligeramente más', 'x'.repeat(500)]);
        if (field.type === 'count') {
            if (chance.is(0.8))
                delete reading[field.gives], delete reading.unit;
            return {beats: chance.whole(1, 160), seconds: chance.of(field.seconds)};
        }
        const unit = chance.of(field.accepts);

        return {value: this.number(kind, field, unit), unit: this.spelling(unit)};
    }

    reading(kind, share = 0.35) {
        const {chance, table} = this;
        const reading = {kind: kind.name};

        if (!kind.computed && chance.is(0.06))
            reading['not-taken'] = chance.of(table.reasons).word;
        else
            this.parts(kind, reading);
        for (const field of kind.fields)
            if (chance.is(share) && !(reading['not-taken'] && field.type === 'count'))
                this.put(reading, field, this.field(kind, field, reading));
        if (chance.is(0.35))
            reading.confirmed = true;
        if (chance.is(0.25))
            reading.override = {by: 'Nurse/n-1', second: chance.is(0.8) ? 'Nurse/n-2' : 'second pulse oximeter', reason: 'looked at twice'};
        return reading;
    }

    // -- whom, when --

    // Born so that this day is the edge of a band, the day before or after; or on 29 February; or some day; or nobody knows.
    born(taken) {
        const {chance} = this;
        const pick = chance.next();

        if (pick < 0.08)
            return undefined;
        if (pick < 0.45) {
            const span = chance.of(this.spans);
            const count = Number(span.slice(1, -1));
            const day = new Date(`${taken.day}T00:00:00Z`);

            if (span.endsWith('D'))
                day.setUTCDate(day.getUTCDate() - count);
            else
                day.setUTCMonth(day.getUTCMonth() - count * (span.endsWith('Y') ? 12 : 1));
            day.setUTCDate(day.getUTCDate() + chance.of([-1, 0, 0, 1]));
            return day.toISOString().slice(0, 10);
        }
        if (pick < 0.55)
            return chance.of(['2008-02-29', '2012-02-29', '2020-02-29', '2024-02-29', '1996-02-29']);
        return new Date(Date.parse(`${taken.day}T00:00:00Z`) - chance.whole(0, 33000) * DAY).toISOString().slice(0, 10);
    }

    taken() {
        const {chance, now} = this;
        const offset = chance.of([0, 60, -300, 330, 780, -570]);

        if (chance.is(0.06)) // the days around a leap day that is not
            return momentAt(Date.parse(chance.of(['2025-02-27', '2025-02-28', '2025-03-01', '2024-02-29', '2026-02-28'])) + 43200000, 0);
        if (chance.is(0.04)) // in the future, and so long ago that it is asked; also after the minutes that a run may last
            return momentAt(now + chance.of([110, 420, -3300, -3650]) * 1000, offset);
        return momentAt(now - chance.whole(0, 3000) * 1000, offset);
    }

    patient(birthDate, value = `X-${this.chance.whole(1, 1e9)}`) {
        return {identifier: {system: SYSTEM, value}, birthDate};
    }

    context() {
        const {chance} = this;
        const context = {};

        if (chance.is(0.3))
            context.pregnant = chance.of([true, false, 'unknown']);
        if (chance.is(0.3))
            context['saturation-scale'] = chance.of([{scale: 1}, {scale: 2, by: 'Dr Invented', date: '2026-11-20'}]);
        return Object.keys(context).length ? context : undefined;
    }

    setOf(readings, {born, taken, patient}) {
        return {patient: this.patient(born, patient), taken: taken.text, by: 'Nurse/n-1', context: this.context(), readings};
    }

    // Anything: some kinds, now and then two of one.
    anySet(known) {
        const {chance, table} = this;
        const taken = this.taken();
        const kinds = table.kinds.filter((kind) => chance.is(kind.computed ? 0.05 : 0.5));

        if (kinds.length === 0 || chance.is(0.1))
            kinds.push(chance.of(table.kinds));
        const readings = kinds.map((kind) => this.reading(kind));
        const patient = known && chance.is(0.5) ? chance.of(known) : null;
        const set = this.setOf(readings, {born: patient ? patient.born : this.born(taken), taken, patient: patient?.value});

        if (chance.is(0.1))
            readings[0].taken = this.taken().text;
        return chance.is(0.12) ? this.alone(set) : set;
    }

    // Every input of a score, so that there is a total: most near the edges of its bands.
    scoredSet() {
        const {chance, table} = this;
        const score = chance.of(table.scores);
        const taken = momentAt(this.now - 60000, 60);
        const readings = new Map();

        for (const input of score.inputs) {
            const kind = table.kind(input.kind);
            const reading = readings.get(kind) ?? {kind: kind.name, confirmed: true};

            readings.set(kind, reading);
            if (input.field)
                this.put(reading, kind.field(input.field), chance.of(table.words(kind.field(input.field).list)).word);
            else if (input.words)
                reading[input.part] = chance.of(table.words(kind.part(input.part).list)).word;
            else {
                const part = kind.part(input.part);
                const unit = chance.of(part.accepts);
                const edge = chance.of(input.bands.flatMap(boundsIn));

                for (const other of kind.parts.filter((one) => one.type === 'quantity' && one.required !== false))
                    reading[other.name] = usualIn(table, other, unit);
                reading[part.name] = chance.is(0.6) ? usualIn(table, part, unit)
                    : besides(chance, enteredIn(table, part, edge, unit, unit.places));
                reading.unit = unit.code;
            }
        }
        const born = chance.is(0.85) ? `${chance.whole(1930, 2008)}-0${chance.whole(1, 9)}-1${chance.whole(0, 9)}` : this.born(taken);

        return this.setOf([...readings.values()].filter(() => !chance.is(0.04)), {born, taken});
    }

    alone({readings: [reading], patient, taken, by}) {
        return {patient, taken, by, ...reading};
    }

    // -- checks --

    // Towards each condition of a check, so that it holds or just does not. `last(path)`: what the patient had, or nothing.
    forCheck(kind, check, known) {
        const {chance, table} = this;
        const readings = new Map();
        const patient = chance.of(known);
        let taken = momentAt(this.now - chance.whole(1, 3000) * 1000, 60);
        const owner = (path) => (kind ? [kind, path] : [table.kind(path.slice(0, path.indexOf('.'))), path.slice(path.indexOf('.') + 1)]);
        const isLast = (path) => path.startsWith('last.');
        const readingOf = (of) => {
            if (!readings.has(of))
                readings.set(of, this.usual(of));
            return readings.get(of);
        };
        const lastOf = (path) => {
            const [of, name] = owner(path.replace('last.', ''));
            const kept = patient.last(of.name)?.values[name];

            return Array.isArray(kept) ? {value: decimalOf(kept[0]), unit: table.unit(kept[1])} : undefined;
        };
        const put = (path, value, unit) => {
            const [of, name] = owner(path);
            const part = of.part(name);
            const reading = readingOf(of);
            const measure = part ?? of.field(name);
            const there = unit ?? chance.of([measure.unit ?? measure.accepts[0], measure.unit ?? measure.accepts[0], ...measure.accepts]);
            const digits = unit || !measure.unit ? value : enteredIn(table, measure, value, there, Math.max(there.places, value.scale));

            if (part) {
                for (const other of of.parts.filter((one) => one !== part && reading[one.name] instanceof Decimal && reading.unit !== there.code))
                    reading[other.name] = enteredIn(table, other, reading[other.name], there, there.places + 1);
                reading[part.name] = digits;
                reading.unit = there.code;
            } else {
                this.put(reading, measure, {value: digits, unit: there.code});
            }
        };
        const valueAt = (path) => {
            if (isLast(path))
                return lastOf(path);
            const [of, name] = owner(path);
            const reading = readingOf(of);
            const measure = of.part(name) ?? of.field(name);
            const thing = of.part(name) ? {value: reading[name], unit: reading.unit}
                : (measure.group ? reading[measure.group]?.[measure.name] : reading[name]) ?? {};

            if (!thing.value)
                return undefined;
            const unit = table.unit(thing.unit) ?? measure.unit;

            return {value: thing.value, unit, exact: unitExact(table, thing.value, unit, measure.unit ?? unit)};
        };
        const exactLast = (path) => {
            const last = lastOf(path);
            const [of, name] = owner(path.replace('last.', ''));

            return last && unitExact(table, last.value, last.unit, of.part(name).unit ?? last.unit);
        };
        const exactOfPath = (path) => (isLast(path) ? exactLast(path) : valueAt(path)?.exact);
        // near a bound, or well within
        const target = (condition) => besides(chance, chance.of(boundsIn(condition)));
        const within = (condition) => {
            const low = Number(condition['at-least'] ?? condition.above ?? Number(condition['at-most'] ?? condition.below) * 0.9);
            const high = Number(condition['at-most'] ?? condition.below ?? low * 1.1 + 2);

            return chance.is(0.5) ? target(condition) : decimalRead((low + (high - low) * 0.5).toFixed(3));
        };

        const settled = new Set(); // paths that an earlier condition has set
        const isSumOfMore = (condition) => (condition.sum?.length ?? 0) > 1;

        for (const condition of [...check.if].sort((a, b) => isSumOfMore(a) - isSumOfMore(b))) {
            if (condition.sum) {
                const open = condition.sum.filter(([, one]) => !settled.has(one) && !isLast(one));
                const term = chance.of(open.length ? open : condition.sum);
                const [times, path] = term;
                let rest = exactOf(0);

                for (const [by, other] of condition.sum.filter((one) => one !== term)) {
                    readingOf(owner(other)[0]);
                    if (!valueAt(other))
                        put(other, usualIn(table, owner(other)[0].part(owner(other)[1]), owner(other)[0].part(owner(other)[1]).unit));
                    rest = exactAdd(rest, exactTimes(exactOfPath(other), exactOf(by)));
                }
                const want = exactRound(exactOver(exactAdd(exactOf(within(condition)), exactTimes(rest, exactOf(-1))), exactOf(times)),
                    chance.of([0, 1, 3]));

                put(path, want);
            } else if (condition.ratio || condition.change) {
                const [path, against] = condition.ratio ?? condition.change;
                const base = exactOfPath(against);

                if (!base)
                    continue;
                const exact = condition.ratio ? exactTimes(base, exactOf(within(condition)))
                    : exactAdd(base, exactTimes(exactOf(within(condition)), exactOf(chance.of([1, -1]))));

                put(path, exactRound(exact, chance.of([0, 1, 3])), condition.unit && table.unit(condition.unit));
                settled.add(path);
            } else if (condition.entered && !isLast(condition.entered)) {
                put(condition.entered, within(condition), table.unit(condition.unit));
            } else if (condition['digits-exchanged']) {
                const last = lastOf(condition['digits-exchanged'][1]);

                if (last)
                    put(condition['digits-exchanged'][0], exchanged(chance, last.value), last.unit);
            } else if (condition.odd) {
                put(condition.odd, decimalRead(String(chance.whole(50, 70) * 2 + chance.of([0, 1, 1]))));
            } else if (condition.word) {
                const [of, name] = owner(condition.word);
                const field = of.part(name) ?? of.field(name);
                const words = table.words(field.list).map((row) => row.word);
                const fits = condition.in ?? words.filter((word) => !condition['not-in'].includes(word));

                this.put(readingOf(of), field, chance.of(chance.is(0.85) ? fits : words));
            } else if (condition.present) {
                const [of, name] = owner(condition.present);

                this.put(readingOf(of), of.field(name), this.field(of, of.field(name), readingOf(of)));
            } else if (condition['days-since-last']) {
                const [of] = owner(condition['days-since-last']);
                const last = patient.last(of.name);
                const ms = last && Math.round(Date.parse(last.taken) + Number(within(condition)) * DAY) + chance.of([-1, 0, 1]);

                readingOf(of);
                if (ms && ms <= this.now)
                    taken = momentAt(ms, 60);
                if (ms && ms <= this.now && ms % 1000)
                    taken = {...taken, ms, text: taken.text.replace('+', `.${String(ms % 1000).padStart(3, '0')}+`)};
            } else if (condition['same-as-last']) {
                for (const of of table.kinds.filter((one) => patient.last(one.name)))
                    readings.set(of, this.again(of, patient.last(of.name).values));
            }
        }
        const list = [...readings.values()];

        for (const reading of list)
            if (chance.is(0.3))
                reading.confirmed = true;
        if (taken.ms < this.now - 3500000)
            list.forEach((reading) => Object.assign(reading, {confirmed: chance.is(0.7)}));
        const set = this.setOf(list.length ? list : [this.usual(table.kinds[0])], {born: patient.born, taken, patient: patient.value});

        return kind && chance.is(0.2) ? this.alone(set) : set;
    }

    // -- what was asked before --

    // A value beside a bound that is not asked about again for a while, of somebody who may have been asked lately.
    forAnswered(known) {
        const {chance, table} = this;
        const [kind, part, row] = chance.of(answeredRows(table));
        const patient = chance.of(known);
        const unit = row.in ? table.unit(row.in) : chance.of(part.accepts);
        const bound = decimalOf(row[chance.of(['below', 'above'].filter((side) => row[side] !== undefined))]);
        const there = row.in ? bound : enteredIn(table, part, bound, unit, unit.places + 1);
        const reading = {kind: kind.name, unit: unit.code};
        const edge = Date.parse(patient.last(kind.name).taken) + Number(row['unless-last-minutes']) * 60000 + chance.of([-1, 0, 0, 1]);
        const ms = edge <= this.now && chance.is(0.6) ? edge : this.now - chance.whole(1, 600) * 1000;
        const taken = momentAt(ms, 60);

        for (const other of kind.parts.filter((one) => one.type === 'quantity' && one.required !== false))
            reading[other.name] = usualIn(table, other, unit);
        reading[part.name] = chance.is(0.6) ? besides(chance, there) : plus(there, chance.of([-1, 1]) * chance.whole(1, 4));
        for (const path of Object.keys({...row.when, ...row.unless}))
            if (chance.is(0.8))
                this.put(reading, kind.field(path), chance.of(table.words(kind.field(path).list)).word);
        if (ms < this.now - 3500000)
            reading.confirmed = chance.is(0.3);
        return this.setOf([reading], {born: patient.born, patient: patient.value,
            taken: {...taken, text: taken.text.replace('+', `.${String(ms % 1000).padStart(3, '0')}+`)}});
    }

    usual(kind) {
        const reading = {kind: kind.name};

        for (const part of kind.parts)
            if (part.type === 'word')
                reading[part.name] = this.table.words(part.list)[0].word;
            else if (part.required !== false)
                Object.assign(reading, {[part.name]: usualIn(this.table, part, part.accepts[0]), unit: part.accepts[0].code});
        return reading;
    }

    again(kind, values) {
        const reading = {kind: kind.name};

        for (const [name, value] of Object.entries(values))
            if (Array.isArray(value))
                Object.assign(reading, {[name]: this.chance.is(0.98) ? value[0] : plus(decimalOf(value[0]), 1), unit: value[1]});
            else
                reading[name] = value;
        return reading;
    }
}

// Of a number near the last, so that it comes near the last again when they are exchanged back: within 1, exactly 1, 2.
function exchanged(chance, value) {
    const whole = value.digits / 10n ** BigInt(value.scale) + BigInt(chance.of([-2, -1, -1, 0, 0, 1, 1, 2]));
    const [tens, ones] = [whole / 10n % 10n, whole % 10n];

    return new Decimal(whole + 9n * (ones - tens), 0);
}
