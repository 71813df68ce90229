// decimal.js - numbers that keep the digits they were typed with, and fractions that round once, at the end.
//
// The limits are those of the daemon (15 digits, 9 decimals, fractions of 127 bits), so that what it cannot work out
// is not worked out here either. An exact is {over, under}, reduced, under > 0; null where there is none.

const DIGITS_MOST = 15;
const PLACES_MOST = 9;
const WIDE_MOST = (1n << 127n) - 1n;

export class Decimal { // digits × 10^-scale: 98.60 is {9860n, 2}
    constructor(digits, scale) {
        this.digits = digits;
        this.scale = scale;
    }

    toString() {
        const text = String(this.digits < 0n ? -this.digits : this.digits).padStart(this.scale + 1, '0');
        const point = text.length - this.scale;

        return (this.digits < 0n ? '-' : '') + text.slice(0, point) + (this.scale ? '.' + text.slice(point) : '');
    }
}

// As a JSON number without exponent; null for anything else ("3..7", "0986", ".5", "5."), which is never repaired.
export function decimalRead(text) {
    const found = /^(-?)(0|[1-9]\d*)(?:\.(\d+))?$/.exec(text);
    const places = found?.[3] ?? '';

    if (!found || places.length > PLACES_MOST || found[2].length + places.length > DIGITS_MOST)
        return null;
    return new Decimal(BigInt(found[1] + found[2] + places), places.length);
}

export function decimalOf(value) { // what a body or a table has in the place of a number
    if (value instanceof Decimal)
        return value;
    return typeof value === 'number' ? decimalRead(String(value)) : null;
}

export function decimalCompare(a, b) { // by value: 98.6 and 98.60 are equal
    const scale = Math.max(a.scale, b.scale);
    const left = a.digits * 10n ** BigInt(scale - a.scale);
    const right = b.digits * 10n ** BigInt(scale - b.scale);

    return left < right ? -1 : left > right ? 1 : 0;
}

export function decimalIsWhole(value) {
    return value.digits % 10n ** BigInt(value.scale) === 0n;
}

// ---- fractions ----

const magnitudeOf = (whole) => (whole < 0n ? -whole : whole);
const fits = (...wholes) => wholes.every((whole) => magnitudeOf(whole) <= WIDE_MOST);

function reduced(over, under) {
    let a = magnitudeOf(over);
    let b = under;

    while (b)
        [a, b] = [b, a % b];
    return a > 1n ? {over: over / a, under: under / a} : {over, under};
}

export function exactOf(value) { // of a number or a Decimal
    const decimal = decimalOf(value);

    return decimal && reduced(decimal.digits, 10n ** BigInt(decimal.scale));
}

export function exactAdd(a, b) {
    if (!a || !b)
        return null;
    const left = a.over * b.under;
    const right = b.over * a.under;
    const under = a.under * b.under;

    return fits(left, right, under, left + right) ? reduced(left + right, under) : null;
}

export function exactTimes(a, b) {
    if (!a || !b)
        return null;
    const over = a.over * b.over;
    const under = a.under * b.under;

    return fits(over, under) ? reduced(over, under) : null;
}

export function exactOver(a, b) {
    if (!b?.over)
        return null;
    return exactTimes(a, {over: b.over < 0n ? -b.under : b.under, under: magnitudeOf(b.over)});
}

export function exactMinus(a, b) {
    return exactAdd(a, b && {over: -b.over, under: b.under});
}

export function exactMagnitude(a) {
    return a && {over: magnitudeOf(a.over), under: a.under};
}

export function exactCompare(a, b) {
    const left = a.over * b.under;
    const right = b.over * a.under;

    return left < right ? -1 : left > right ? 1 : 0;
}

// Half to even (conversions), or half up: away from zero (scores). All places are kept: 37 at one place is 37.0.
export function exactRound(value, places, halfUp = false) {
    const over = value && value.over * 10n ** BigInt(places);

    if (!value || !fits(over))
        return null;
    let whole = over / value.under;
    const rest = magnitudeOf(over % value.under);
    const lacks = value.under - rest;

    if (rest > lacks || (rest === lacks && (halfUp || whole % 2n !== 0n)))
        whole += over < 0n ? -1n : 1n;
    return magnitudeOf(whole) < 10n ** BigInt(DIGITS_MOST) ? new Decimal(whole, places) : null;
}

// ---- JSON that keeps digits ----

// Whole numbers stay numbers; one with a point becomes a Decimal, for JSON.parse() would drop the nought of 37.0.
export function jsonRead(text) {
    const decimals = [];
    const marked = text.replace(/"(?:[^"\\]|\\.)*"|-?\d+\.\d+(?:[eE][+-]?\d+)?/g, (piece) =>
        piece[0] === '"' ? piece : `{"decimal in text":${decimals.push(piece) - 1}}`);
    const put = (name, value) => {
        const index = value?.['decimal in text'];

        return index === undefined ? value : decimalRead(decimals[index]) ?? Number(decimals[index]);
    };

    return JSON.parse(marked, put);
}

export function jsonText(value) {
    if (value instanceof Decimal)
        return String(value);
    if (Array.isArray(value))
        return `[${value.map(jsonText)}]`;
    if (!value || typeof value !== 'object')
        return JSON.stringify(value) ?? 'null';
    return `{${Object.entries(value).filter(([, of]) => of !== undefined)
        .map(([name, of]) => `${JSON.stringify(name)}:${jsonText(of)}`)}}`;
}
