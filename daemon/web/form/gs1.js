// gs1.js - the text that a scanner gives of a wristband: a GS1 element string, with FNC1 as <GS> or in brackets,
// "(8018)...", or a plain identifier. Application identifier 8018 is the GSRN of the subject of care: 18 digits, the last a
// check digit. Lengths, FNC1 and symbology identifiers: from memory of the GS1 General Specifications; which beginnings have a
// predefined length agrees with GS1's own barcode engine.

const GROUP_SEPARATOR = '\x1D';
const GSRN_PATIENT = '8018';

// Identifiers of two digits that begin one of predefined length (with the identifier): no <GS> is due behind it.
const predefinedLengths = {
    '00': 20, '01': 16, '02': 16, '03': 16, '04': 18, 11: 8, 12: 8, 13: 8, 14: 8, 15: 8, 16: 8, 17: 8, 18: 8, 19: 8, 20: 4,
    31: 10, 32: 10, 33: 10, 34: 10, 35: 10, 36: 10, 41: 16,
};

export const scanFaults = {
    empty: 'Nothing was read. Scan again.',
    none: "This code has no patient's number (8018). Is it the wristband?",
    digits: 'The number on this band is not 18 digits. Scan again, or type it.',
    check: 'The check digit of this number is wrong. Scan again, or type it.',
    two: "This code has two different patient's numbers. Do not use it.",
};

// Modulo 10 over all digits but the last: from the right threefold, once, threefold, ...
export function gs1CheckDigit(digits) {
    const sum = [...digits].reverse().reduce((total, digit, index) => total + Number(digit) * (index % 2 === 0 ? 3 : 1), 0);

    return String((10 - sum % 10) % 10);
}

export function isGsrn(text) {
    return /^\d{18}$/.test(text) && gs1CheckDigit(text.slice(0, 17)) === text[17];
}

// What stands at 8018 in an element string, each time it does. Where the lengths do not come out, nothing more is read.
function gsrnsOfElements(text) {
    const found = [];

    for (let at = 0; at < text.length;) {
        const end = text.indexOf(GROUP_SEPARATOR, at);
        const field = text.slice(at, end < 0 ? undefined : end);
        const length = predefinedLengths[field.slice(0, 2)] ?? field.length;

        if (field.startsWith(GSRN_PATIENT))
            found.push(field.slice(GSRN_PATIENT.length));
        at += Math.min(length, field.length);
        if (text[at] === GROUP_SEPARATOR)
            at++;
    }
    return found;
}

function gsrnsInBrackets(text) {
    return [...text.matchAll(/\((\d{2,4})\)([^(]*)/g)].filter(([, identifier]) => identifier === GSRN_PATIENT).map(([, , value]) => value);
}

function gsrnOf(values) {
    const value = values[0];
    const fault = value === undefined ? 'none' : values.some((other) => other !== value) ? 'two'
        : !/^\d{18}$/.test(value) ? 'digits' : isGsrn(value) ? null : 'check';

    return fault ? {kind: 'broken', value: value ?? '', why: scanFaults[fault]} : {kind: 'gsrn', value, why: ''};
}

// {kind: "gsrn" | "plain" | "broken", value, why}. A plain text is an identifier as it stands.
export function readScan(scanned) {
    const [symbology] = /^\][A-Za-z]\w/.exec(scanned.trim()) ?? [''];
    const text = scanned.trim().slice(symbology.length);
    const bare = text.startsWith(GROUP_SEPARATOR) ? text.slice(1) : text;

    if (bare === '')
        return {kind: 'broken', value: '', why: scanFaults.empty};
    if (/^\(\d{2,4}\)/.test(bare))
        return gsrnOf(gsrnsInBrackets(bare));
    if (/^\](d2|C1|Q3)$/.test(symbology) || text.includes(GROUP_SEPARATOR))
        return gsrnOf(gsrnsOfElements(bare));
    // Without any mark an element string is known only by its check digit; else it is a number of the house that begins so.
    if (bare.startsWith(GSRN_PATIENT) && isGsrn(bare.slice(GSRN_PATIENT.length)))
        return gsrnOf([bare.slice(GSRN_PATIENT.length)]);
    return {kind: 'plain', value: text, why: ''};
}
