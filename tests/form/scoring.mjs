// scoring.mjs - (c) the early-warning score by the edges and the worked examples of the project's clinical pack (5.5, 5.6: arithmetic
// from the published table of RCP17; none of them is a published example), through score.js.
import {decimalRead} from '../../daemon/web/form/decimal.js';
import {judgeSet} from '../../daemon/web/form/judge.js';
import {scoreSet} from '../../daemon/web/form/score.js';
import {same} from './support.mjs';

const NOW = Date.parse('2026-11-25T09:30:00+01:00');
const LEVELS = {A: 'alert', C: 'confusion', V: 'voice', P: 'pain', U: 'unresponsive'};
const INPUTS = ['respirations', 'saturation', 'oxygen', 'systolic', 'pulse', 'consciousness', 'temperature'];

// respirations, scale/saturation, oxygen, systolic, pulse, level, °C, points, total
const EXAMPLES = `
16 1/98 air 124 72 A 36.8 0+0+0+0+0+0+0 0
12 1/96 air 111 51 A 36.1 0+0+0+0+0+0+0 0
20 1/100 air 219 90 A 38.0 0+0+0+0+0+0+0 0
9 1/94 air 101 41 A 35.1 1+1+0+1+1+0+1 5
11 1/95 air 110 50 A 36.0 1+1+0+1+1+0+1 5
14 1/97 yes 118 84 A 36.6 0+0+2+0+0+0+0 2
21 1/96 air 130 80 A 37.0 2+0+0+0+0+0+0 2
24 1/96 air 130 91 A 37.0 2+0+0+0+1+0+0 3
25 1/97 air 128 88 A 37.2 3+0+0+0+0+0+0 3
8 1/96 air 120 60 A 36.5 3+0+0+0+0+0+0 3
18 1/91 air 130 80 A 36.9 0+3+0+0+0+0+0 3
18 1/92 air 130 80 A 36.9 0+2+0+0+0+0+0 2
18 1/93 yes 130 80 A 36.9 0+2+2+0+0+0+0 4
16 1/97 air 90 88 A 36.7 0+0+0+3+0+0+0 3
16 1/97 air 91 110 A 36.7 0+0+0+2+1+0+0 3
18 1/97 air 100 111 A 37.4 0+0+0+2+2+0+0 4
16 1/98 air 220 80 A 36.8 0+0+0+3+0+0+0 3
14 1/97 air 125 40 A 36.4 0+0+0+0+3+0+0 3
20 1/96 air 115 130 A 38.1 0+0+0+0+2+0+1 3
18 1/97 air 120 131 A 37.0 0+0+0+0+3+0+0 3
17 1/97 air 135 82 C 36.9 0+0+0+0+0+3+0 3
14 1/96 air 120 66 A 35.0 0+0+0+0+0+0+3 3
18 1/97 air 118 95 A 39.0 0+0+0+0+1+0+1 2
19 1/96 air 112 112 A 39.1 0+0+0+0+2+0+2 4
21 1/95 air 112 96 A 37.5 2+1+0+0+1+0+0 4
22 1/94 air 108 104 A 37.9 2+1+0+1+1+0+0 5
23 1/94 air 105 112 A 38.0 2+1+0+1+2+0+0 6
22 1/93 yes 109 88 A 37.6 2+2+2+1+0+0+0 7
26 1/92 yes 88 128 C 39.4 3+2+2+3+2+3+2 17
7 1/89 yes 98 52 V 36.0 3+3+2+2+0+3+1 14
30 1/85 yes 80 140 U 34.5 3+3+2+3+3+3+3 20
20 2/90 air 134 88 A 36.9 0+0+0+0+0+0+0 0
20 1/90 air 134 88 A 36.9 0+3+0+0+0+0+0 3
22 2/88 yes 130 92 A 37.1 2+0+2+0+1+0+0 5
20 2/92 yes 130 86 A 37.1 0+0+2+0+0+0+0 2
20 2/93 yes 130 86 A 37.1 0+1+2+0+0+0+0 3
20 2/93 air 130 86 A 37.1 0+0+0+0+0+0+0 0
20 2/95 yes 130 86 A 37.1 0+2+2+0+0+0+0 4
20 2/97 yes 130 86 A 37.1 0+3+2+0+0+0+0 5
20 2/99 air 130 86 A 37.1 0+0+0+0+0+0+0 0
20 2/87 air 130 86 A 37.1 0+1+0+0+0+0+0 1
24 2/85 yes 130 96 A 37.1 2+2+2+0+1+0+0 7
25 2/83 yes 104 112 A 37.1 3+3+2+1+2+0+0 11
21 2/84 air 130 90 A 37.1 2+2+0+0+0+0+0 4`;

const EDGES = {
    respirations: '8>3 9>1 11>1 12>0 20>0 21>2 24>2 25>3',
    saturation: '1/91>3 1/92>2 1/93>2 1/94>1 1/95>1 1/96>0 1/100>0',
    'saturation air': '2/83>3 2/84>2 2/85>2 2/86>1 2/87>1 2/88>0 2/92>0 2/93>0 2/94>0 2/95>0 2/96>0 2/97>0 2/100>0',
    'saturation yes': '2/83>3 2/84>2 2/85>2 2/86>1 2/87>1 2/88>0 2/92>0 2/93>1 2/94>1 2/95>2 2/96>2 2/97>3 2/100>3',
    oxygen: 'air>0 yes>2',
    systolic: '90>3 91>2 100>2 101>1 110>1 111>0 219>0 220>3',
    pulse: '40>3 41>1 50>1 51>0 90>0 91>1 110>1 111>2 130>2 131>3',
    consciousness: 'A>0 C>3 V>3 P>3 U>3',
    temperature: '35.0>3 35.1>1 36.0>1 36.1>0 38.0>0 38.1>1 39.0>1 39.1>2',
    // between two bands: rounded half up first (mappings/README.md, scores)
    'respirations halves': '8.5>1 8.4>3 20.5>2 24.5>3',
    'systolic halves': '90.5>2 100.5>1 110.5>0',
    'pulse halves': '40.5>1 50.5>0 90.5>1 110.5>2 130.5>3',
    'temperature halves': '35.05>1 35.04>3 38.05>1 39.05>2',
    'temperature [degF]': '95.0>3 95.1>1 96.8>1 96.9>0 100.4>0 100.5>1 102.2>1 102.3>2',
};

// The response rows of 5.2: risk and minutes.
const response = (total, single) => (total >= 7 ? ['high', 0] : total >= 5 ? ['medium', 60] : single ? ['low-medium', 60]
    : total > 0 ? ['low', 240] : ['low', 720]);

const PLAIN = ['16', '1/98', 'air', '124', '72', 'A', '36.8'];

function setOf([respirations, saturation, oxygen, systolic, pulse, level, temperature], unit = 'Cel') {
    const [scale, percent] = saturation.split('/');
    const device = oxygen === 'air' ? {device: 'room-air'} : {device: 'nasal-cannula', flow: {value: 2, unit: 'L/min'}};
    const readings = [
        {kind: 'respiratory-rate', value: decimalRead(respirations), unit: '/min'},
        {kind: 'oxygen-saturation', value: decimalRead(percent), unit: '%', oxygen: device},
        {kind: 'blood-pressure', systolic: decimalRead(systolic), diastolic: Math.round(Number(systolic) * 0.6), unit: 'mm[Hg]'},
        {kind: 'heart-rate', value: decimalRead(pulse), unit: '/min'},
        {kind: 'consciousness', value: LEVELS[level]},
        {kind: 'body-temperature', value: decimalRead(temperature), unit},
    ];

    return {
        patient: {identifier: {system: 'https://clinic.example/mrn', value: 'S-1'}, birthDate: '1958-06-02'}, taken: '2026-11-25T09:20:00+01:00',
        context: {'saturation-scale': {scale: Number(scale), by: 'Dr Invented', date: '2026-11-20'}},
        readings: readings.map((reading) => ({...reading, confirmed: true})),
    };
}

function scored(table, set) {
    return scoreSet(table, set, judgeSet(table, set, {now: NOW}));
}

export function checkScoring(table, count) {
    EXAMPLES.trim().split('\n').forEach((line, index) => {
        const words = line.split(' ');
        const points = words[7].split('+').map(Number);
        const answer = scored(table, setOf(words));
        const single = points.some((one) => one === 3);
        const got = [INPUTS.map((name) => answer.points[name]), answer.total, answer['single-trigger'], [answer.risk, answer['interval-minutes']]];
        const wanted = [points, Number(words[8]), single, response(Number(words[8]), single)];

        count(`worked example ${index + 1}`, same(got, wanted) || `${JSON.stringify(got)} instead of ${JSON.stringify(wanted)}`);
    });
    for (const [what, edges] of Object.entries(EDGES))
        for (const edge of edges.split(' ')) {
            const [input, more] = what.split(' ');
            const [value, points] = edge.split('>');
            const words = PLAIN.map((plain, index) => (INPUTS[index] === input ? value : plain));

            if (more === 'yes')
                words[2] = 'yes';
            const got = scored(table, setOf(words, more === '[degF]' ? more : 'Cel')).points[input];

            count(`${what} ${edge}`, got === Number(points) || `${got} points`);
        }
    withheld(table, count);
}

function withheld(table, count) {
    const cases = {
        'one missing': [(set) => set.readings.splice(3, 1), 'missing: Pulse', ['pulse']],
        'a reason is no value': [(set) => set.readings.splice(3, 1, {kind: 'heart-rate', 'not-taken': table.reasons[0].word}), 'missing: Pulse', ['pulse']],
        'one waits': [(set) => Object.assign(set.readings[3], {value: 160, confirmed: false}), 'waiting for a decision: Pulse', ['pulse']],
        child: [(set) => Object.assign(set.patient, {birthDate: '2010-11-26'}), 'Adult score withheld: under 16. Use the chart for this group.'],
        'age not known': [(set) => delete set.patient.birthDate, 'Adult score withheld: birth date not known.'],
        pregnant: [(set) => Object.assign(set.context, {pregnant: true}), 'Adult score withheld: pregnant. Use the chart for this group.'],
    };

    for (const [what, [change, why, missing]] of Object.entries(cases)) {
        const set = setOf(['25', ...PLAIN.slice(1)]);

        change(set);
        const answer = scored(table, set);
        const shows = missing ? answer['single-trigger'] === true && answer.points.respirations === 3 : !answer['single-trigger'] && same(answer.points, {});

        count(`withheld, ${what}`, (answer.withheld === why && answer.total === undefined && same(answer.missing, missing) && shows) || JSON.stringify(answer));
    }
    count('sixteen today is scored', scored(table, {...setOf(PLAIN), patient: {birthDate: '2010-11-25'}}).total === 0 || 'it is not');
}
