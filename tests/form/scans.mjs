// scans.mjs - (d) the text of a wristband: check digits against the same algorithm worked in another way, and what a scanner sends.
import {gs1CheckDigit, isGsrn, readScan} from '../../daemon/web/form/gs1.js';
import {chanceOf, same} from './support.mjs';

const GS = '\x1D';

// The published algorithm from the left, by positions: odd ones of 17 threefold; the digit fills up to the next ten by counting.
function otherCheckDigit(seventeen) {
    let odd = 0, even = 0, digit = 0;

    for (let position = 1; position <= seventeen.length; position++)
        if (position % 2)
            odd += seventeen.charCodeAt(position - 1) - 48;
        else
            even += seventeen.charCodeAt(position - 1) - 48;
    while ((3 * odd + even + digit) % 10)
        digit++;
    return String(digit);
}

// A GSRN: 123456789012345675, the 8018 of the tests of GS1's own barcode engine (GS1 AISBL). From memory, other keys with the same check
// digit: an EAN-13, a GTIN-14, an SSCC.
const PUBLISHED = ['123456789012345675', '4006381333931', '10614141000415', '106141412345678908'];

export function checkScans(count) {
    const chance = chanceOf(8018);

    for (const key of PUBLISHED)
        count(`published ${key}`, gs1CheckDigit(key.slice(0, -1)) === key.at(-1) || gs1CheckDigit(key.slice(0, -1)));
    for (let i = 0; i < 2000; i++) {
        const number = Array.from({length: 17}, () => chance.whole(0, 9)).join('');
        const digit = otherCheckDigit(number);
        const wrong = String((Number(digit) + chance.whole(1, 9)) % 10);

        count(`check digit of ${number}`, gs1CheckDigit(number) === digit || gs1CheckDigit(number));
        count(`GSRN ${number}${digit}, and not ${wrong}`, (isGsrn(number + digit) && !isGsrn(number + wrong)) || 'otherwise');
    }
    sent(count, '123456789012345675');
    sent(count, '38011234567890123' + otherCheckDigit('38011234567890123'));
    slips(count, chance);
}

function sent(count, gsrn) {
    const other = '38011234567890999' + otherCheckDigit('38011234567890999');
    const cases = [
        [`]d28018${gsrn}`, 'gsrn', gsrn], [`]C18018${gsrn}`, 'gsrn', gsrn], [`]Q38018${gsrn}`, 'gsrn', gsrn],
        [`${GS}8018${gsrn}`, 'gsrn', gsrn], [`8018${gsrn}`, 'gsrn', gsrn], [`  ]d28018${gsrn}\r\n`, 'gsrn', gsrn],
        [`]d28018${gsrn}${GS}8019${'1'.repeat(3)}`, 'gsrn', gsrn],
        [`]d201095060001343528018${gsrn}`, 'gsrn', gsrn], // a predefined length before it: no separator
        [`]d21730010110AB-8018-C${GS}8018${gsrn}`, 'gsrn', gsrn], // 8018 within a batch is no identifier
        [`]d221${'8018' + gsrn}`, 'broken', ''], // nor within a serial number
        [`]d200${'1'.repeat(18)}8018${gsrn}`, 'gsrn', gsrn], [`]d23100000123${'8018' + gsrn}`, 'gsrn', gsrn],
        [`]d24109501101530003${'8018' + gsrn}`, 'gsrn', gsrn],
        [`(8018)${gsrn}`, 'gsrn', gsrn], [`(01)09506000134352(8018)${gsrn}(21)A-1`, 'gsrn', gsrn], [`]d2(8018)${gsrn}`, 'gsrn', gsrn],
        [`(8018)${gsrn}(8018)${gsrn}`, 'gsrn', gsrn], [`(8018)${gsrn}(8018)${other}`, 'broken', gsrn],
        [`]d28018${gsrn.slice(0, 17)}`, 'broken', gsrn.slice(0, 17)], [`]d28018${gsrn}0`, 'broken', `${gsrn}0`],
        [`]d28018${gsrn.slice(0, 17)}X`, 'broken', `${gsrn.slice(0, 17)}X`], ['(8018)', 'broken', ''],
        [']d20109506000134352', 'broken', ''], [`]d28017${gsrn}`, 'broken', ''], ['', 'broken', ''], [']d2', 'broken', ''], [' \r\n', 'broken', ''],
        ['XQ-77120-Z', 'plain', 'XQ-77120-Z'], [gsrn, 'plain', gsrn], ['8018', 'plain', '8018'], [']C0XQ-77120-Z', 'plain', 'XQ-77120-Z'],
        [`8018${gsrn.slice(0, 17)}${(Number(gsrn[17]) + 1) % 10}`, 'plain', `8018${gsrn.slice(0, 17)}${(Number(gsrn[17]) + 1) % 10}`],
        ['<script>alert(1)</script>', 'plain', '<script>alert(1)</script>'], ['Bed 12 (window)', 'plain', 'Bed 12 (window)'],
    ];

    for (const [text, kind, value] of cases) {
        const {why, ...got} = readScan(text);

        count(`scan ${JSON.stringify(text)}`, (same(got, {kind, value}) && (why !== '') === (kind === 'broken')) || JSON.stringify({...got, why}));
    }
}

// The check digit finds every single wrong digit. Of neighbours exchanged it cannot see those that differ by 5 (the weights do not).
function slips(count, chance) {
    for (let i = 0; i < 300; i++) {
        const number = Array.from({length: 17}, () => chance.whole(0, 9)).join('');
        const good = number + otherCheckDigit(number);
        const at = chance.whole(0, 17);
        const wrong = good.slice(0, at) + (Number(good[at]) + chance.whole(1, 9)) % 10 + good.slice(at + 1);

        count(`one wrong digit in ${good}`, readScan(`]d28018${wrong}`).kind === 'broken' || wrong);
        const from = chance.whole(0, 16);
        const turned = good.slice(0, from) + good[from + 1] + good[from] + good.slice(from + 2);
        const seen = Math.abs(Number(good[from]) - Number(good[from + 1])) % 5 !== 0;

        count(`neighbours exchanged in ${good}`, (readScan(`]d28018${turned}`).kind === 'broken') === seen || turned);
    }
}
