// NEWS2: the table's bands against a scorer that reads the published chart for itself, at every edge and on whole sets.

import { compare, exact, minus, over, rounded, times } from './exact.mjs';
import { facts, scores } from './table.mjs';
import { holds, same } from './testing.mjs';

const published = facts('news2');
const table = scores.news2;
const ORDER = ['respirations', 'saturation', 'oxygen', 'systolic', 'pulse', 'consciousness', 'temperature'];

export default function check() {
  checkEdges();
  checkEveryValue();
  checkFahrenheit();
  checkWorked();
  checkRest();
}

/* ---- the published chart, read as printed ---- */

function cellFits(cell, value, air) {
  return cell.split(', ').some((text) => {
    if (/ on air$/.test(text) && !air) return false;
    if (/ on oxygen$/.test(text) && air) return false;
    const [, edge, from, to] = /^([≤≥])?([\d.]+)(?:–([\d.]+))?/.exec(text) ?? [];
    if (from === undefined) return false;
    if (edge === '≤') return compare(value, from) <= 0;
    if (edge === '≥') return compare(value, from) >= 0;
    return compare(value, from) >= 0 && compare(value, to) <= 0;
  });
}

function chartPoints(row, value, air) {
  const [, ...cells] = published.chart.find(([name]) => name === row);
  const found = cells.flatMap((cell, i) => (cellFits(cell, value, air) ? [Number(published.columns[i])] : []));
  if (found.length !== 1) throw new Error(`${row} ${value}: ${found.length} columns`);
  return found[0];
}

function chartScore(set) {
  return [
    chartPoints('respirations', set.respirations),
    chartPoints(`saturation ${set.scale}`, set.saturation, !set.oxygen),
    set.oxygen ? 2 : 0,
    chartPoints('systolic', set.systolic),
    chartPoints('pulse', set.pulse),
    set.consciousness === 'A' ? 0 : 3,
    chartPoints('temperature', set.temperature),
  ];
}

/* ---- the same by the table, as its README says ---- */

const inputOf = (name) => table.inputs.find((one) => one.input === name);

function tablePoints(name, value, scale, others) {
  const input = inputOf(name);
  if (input.words) return Number(input.words[value] ?? input.other);
  const looked = rounded(exact(value), Number(input.places), 'up');
  const band = input.bands.find(
    (one) =>
      (one.scale === undefined || one.scale === String(scale)) &&
      Object.entries(one.with ?? {}).every(([other, points]) => others[other] === Number(points)) &&
      (one.from === undefined || compare(looked, one.from) >= 0) &&
      (one.to === undefined || compare(looked, one.to) <= 0),
  );
  return band && Number(band.points);
}

const LEVELS = { A: 'alert', C: 'confusion', V: 'voice', P: 'pain', U: 'unresponsive' };

function tableScore(set) {
  const oxygen = tablePoints('oxygen', set.oxygen ? 'nasal-cannula' : 'room-air');
  return ORDER.map((name) =>
    name === 'oxygen' ? oxygen : tablePoints(name, name === 'consciousness' ? LEVELS[set.consciousness] : set[name], set.scale, { oxygen }),
  );
}

/* ---- checks ---- */

function checkEdges() {
  for (const [row, edges] of Object.entries(published.edges)) {
    const [name, scale, air] = row.split(' ');
    for (const edge of edges.split(', ')) {
      const [value, points] = edge.split('→');
      same(tablePoints(name, value, scale, { oxygen: air === 'oxygen' ? 2 : 0 }), Number(points), `${row} ${value}`);
      same(chartPoints(scale ? `${name} ${scale}` : name, value, air === 'air'), Number(points), `the chart: ${row} ${value}`);
    }
  }
  for (const [letter, word] of Object.entries(LEVELS)) same(tablePoints('consciousness', word), letter === 'A' ? 0 : 3, `consciousness ${word}`);
  for (const [device, points] of [['room-air', 0], ['nasal-cannula', 2], ['venturi-mask', 2], ['ventilator', 2]]) same(tablePoints('oxygen', device), points, device);
}

/** No value is left without points, and the chart says the same of each. */
function checkEveryValue() {
  for (const [name, from, to, step] of [['respirations', 1, 80, 1], ['saturation', 30, 100, 1], ['systolic', 30, 300, 1], ['pulse', 20, 300, 1], ['temperature', 250, 450, 0.1]])
    for (let i = from; i <= to; i += 1)
      for (const [scale, oxygen] of name === 'saturation' ? [[1, 0], [1, 2], [2, 0], [2, 2]] : [[1, 0]]) {
        const value = step === 1 ? String(i) : `${Math.floor(i / 10)}.${i % 10}`;
        const row = name === 'saturation' ? `saturation ${scale}` : name;
        if (!same(tablePoints(name, value, scale, { oxygen }), chartPoints(row, value, oxygen === 0), `${row} ${value} oxygen ${oxygen}`)) return;
      }
}

/** Fahrenheit is converted exactly, then rounded half up to a tenth, then looked up. */
function checkFahrenheit() {
  for (const [entered, celsius, points] of published.fahrenheit) {
    const value = over(times(minus(entered, 32), 5), 9);
    same(rounded(value, 1, 'up'), celsius, `${entered} °F`);
    same(tablePoints('temperature', value), Number(points), `${entered} °F: points`);
  }
  same([tablePoints('temperature', '35.05'), tablePoints('temperature', '38.05')], [1, 1], 'a twentieth of a degree goes up: 35.05, 38.05');
}

const WORDS = { ROUTINE: [0, 720], WARD: [1, 240], 'URGENT WARD (single 3)': [2, 60], URGENT: [3, 60], EMERGENCY: [4, 0] };

function checkWorked() {
  same(published.worked.length, 44, 'worked sets');
  for (const set of published.worked) {
    const what = `worked set ${set.n} (${set.case})`;
    const wanted = set.points.map(Number);
    same(chartScore(set), wanted, `${what}: the chart`);
    same(tableScore(set), wanted, `${what}: the table`);
    const total = wanted.reduce((a, b) => a + b);
    same(total, Number(set.total), `${what}: total`);
    same(wanted.includes(3), set.three, `${what}: a single 3`);
    const fits = table.responses.filter((row) => total >= Number(row.from ?? 0) && total <= Number(row.to) && (!row.single || wanted.includes(Number(row.single))));
    const [place, minutes] = WORDS[set.response];
    same([table.responses.indexOf(fits.at(-1)), Number(fits.at(-1)?.['interval-minutes'])], [place, minutes], `${what}: ${set.response}`);
  }
}

function checkRest() {
  const most = ORDER.map((name) => {
    const input = inputOf(name);
    return Math.max(...(input.bands ?? []).map((band) => Number(band.points)), Number(input.other ?? 0));
  });
  same(most.reduce((a, b) => a + b), 20, 'the highest total');
  same(table.withheld.map((row) => [row.ages?.to, row['age-unknown'], row.context, row.is]), [['P16Y', null, null, null], [null, true, null, null], [null, null, 'pregnant', [true]]].map((row) => row.map((one) => one ?? undefined)), 'withheld: under 16, age unknown, pregnant');
  same([table.scale.default, Object.keys(table.scale.scales)], ['1', ['1', '2']], 'scale 1 unless somebody decided');
  same(table.responses.map((row) => [row.single, row.from, row.to]), [[undefined, '0', '0'], [undefined, '1', '4'], ['3', '3', '4'], [undefined, '5', '6'], [undefined, '7', '20']], 'the rows of responses');
  holds(table.cautions.some((text) => text.includes('Scale 2 only on a named clinician')), 'the caution about scale 2');
  holds(table.inputs.every((one) => one.code.system === 'wardpost-scores'), 'the local code system, for no LOINC code exists');
}
