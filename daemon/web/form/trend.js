// trend.js - what was measured over time, a panel a sign, and the same as a table. Plain SVG of our own: what is needed (a line, a bar,
// a band, two axes) is some 150 lines, less than the loader of any chart library, and it knows marks that those do not: struck, not
// taken, told apart by route. Everything is drawn from the kind table.
import {decimalOf, jsonText} from './decimal.js';
import {dueOf} from './due.js';
import {el, swap, theirs} from './dom.js';
import {contextNode, contextOf, contextText, counts, flagMarks, flagsOf, readRecord, scoreNow, sentOf, setsOf, dayAndTime, struckNode, struckWords, takenAt, takenBy, valueOf} from './record.js';
import {screen} from './shell.js';
import {listen, now, soonOnce} from './state.js';
import {unitConvert} from './table.js';
import {told} from './told.js';
import {say, timeText} from './words.js';

const HOUR_MS = 3600000;
const PERIODS = [['day', 24 * HOUR_MS], ['three', 72 * HOUR_MS], ['all', null]];
const ROUND_INTERVAL = 720; // minutes, where nothing asks for another: NICE CG50, clinical pack 8.1
const LEFT = 44, RIGHT = 14, TOP = 10, BOTTOM = 34, PLOT = 104, LANE = 34, EMPTY = 24, TEXT_MOST = 120, SCALE_MOST = 20;

const drawn = (name, given, ...inside) => el(name, {svg: true, ...given}, ...inside);

// ---- what a panel shows ----

// Long texts of somebody's are whole on the screen of their set.
const contextHere = (table, reading) => contextOf(table, reading).map((row) => row.text.length > TEXT_MOST ? {...row, text: `${row.text.slice(0, TEXT_MOST)}…`} : row);

// For the place on the paper only; in words a value stays in the unit in which it is kept.
function placed(table, part, value, code) {
    const from = table.unit(code), to = part.unit;
    const there = from && to && from !== to && table.way(from, to) ? unitConvert(table, decimalOf(value), from, to) : value;
    return Number(there);
}

function apartOf(table, kind, reading) {
    return kind.fields.filter((row) => row.apart).map((row) => {
        const word = sentOf(reading)[row.path];
        return word ? told(table.word(row.list, word)?.text ?? word) : say('trend.unsaid');
    }).join(', ');
}

function bandsOf(table, kind, reading) {
    return (reading.flags ?? []).filter((flag) => flag.range && (flag.range.low !== undefined || flag.range.high !== undefined)).map((flag) => {
        const part = kind.part(flag.part);
        const side = (value) => value === undefined ? undefined : placed(table, part, value, flag.range.unit);
        return {part: flag.part, low: side(flag.range.low), high: side(flag.range.high)};
    });
}

function pointOf(table, kind, reading, intervals) {
    const numbers = kind.parts.filter((part) => Array.isArray(reading.values?.[part.name])).map((part) => ({value: placed(table, part, ...reading.values[part.name]), code: reading.values[part.name][1], part}));
    const word = kind.parts.filter((part) => part.list && typeof reading.values?.[part.name] === 'string').map((part) => reading.values[part.name])[0];
    return {
        reading, at: takenAt(reading).getTime(), stands: counts(reading), notTaken: Boolean(sentOf(reading)['not-taken']), values: numbers.map((one) => one.value), word,
        group: apartOf(table, kind, reading), bands: bandsOf(table, kind, reading), interval: intervals.get(reading.set) ?? ROUND_INTERVAL,
        text: valueOf(table, reading), more: contextText(contextHere(table, reading)), flags: flagsOf(table, reading),
        struck: counts(reading) ? '' : struckWords(table, reading), by: takenBy(reading),
    };
}

// A short scale (0 to 10) is shown whole: a 4 is not at its top because nothing was higher yet.
function scaleOf(kind) {
    const ends = (kind.parts.find((part) => part.unit && part.whole)?.limits ?? []).find((row) => row.grade === 'refuse' && row.above - row.below <= SCALE_MOST);
    return ends ? {least: ends.below, most: ends.above} : {};
}

function signPanel(table, kind, readings, intervals) {
    const points = readings.filter((one) => one.kind === kind.name).map((one) => pointOf(table, kind, one, intervals)).sort((one, other) => one.at - other.at);
    const lanes = kind.parts.find((part) => part.list) && !points.some((point) => point.values.length)
        ? table.words(kind.parts.find((part) => part.list).list).filter((row) => points.some((point) => point.word === row.word)).map((row) => ({word: row.word, text: told(row.text)})) : null;
    const [first] = kind.parts.filter((part) => part.unit);
    return {key: kind.name, title: told(kind.title), unit: told(first?.unit.text ?? ''), points, lanes, whole: kind.parts.every((part) => part.whole), ...(lanes ? {} : scaleOf(kind)), groups: [...new Set(points.filter((point) => point.values.length).map((point) => point.group))]};
}

function scorePanel(sets) {
    const scored = sets.map((set) => ({set, score: scoreNow(now.table, set)})).filter((one) => one.score?.total !== undefined);
    if (!scored.length) return null;
    const points = scored.map(({set, score}) => ({
        at: set.taken.getTime(), stands: true, values: [score.total], group: '', bands: [], interval: score['interval-minutes'] || 60, text: String(score.total), more: told(score.risk ?? ''),
        flags: score['single-trigger'] ? [{shape: '◆', text: say('after.single')}] : [], struck: '', by: set.by,
    })).reverse();
    return {key: 'score', title: told(scored[0].score.title), unit: '', points, lanes: null, groups: [''], least: 0, whole: true};
}

// How soon a set asks for the next one, by set.
const intervalsOf = (sets) => new Map(sets.map((set) => [set.id, scoreNow(now.table, set)]).filter(([, score]) => score?.['interval-minutes'] !== undefined).map(([id, score]) => [id, score['interval-minutes'] || 60]));

// ---- axes ----

const niceStep = (span, most) => [1, 2, 5].flatMap((digit) => [-1, 0, 1, 2, 3].map((power) => digit * 10 ** power)).sort((one, other) => one - other).find((step) => span / step <= most) ?? span;

function valueAxis(panel) {
    const values = panel.points.flatMap((point) => [...point.values, ...point.bands.flatMap((band) => [band.low, band.high])]).filter((value) => Number.isFinite(value));
    if (!values.length) return {low: 0, high: 1, ticks: []};
    const low = Math.min(panel.least ?? Infinity, ...values), high = Math.max(panel.most ?? -Infinity, ...values);
    const step = Math.max(panel.whole ? 1 : 0, niceStep(Math.max(high - low, 1), 5));
    const from = Math.floor(low / step) * step, to = Math.max(from + step, Math.ceil(high / step) * step);
    return {low: from, high: to, ticks: Array.from({length: Math.round((to - from) / step) + 1}, (_, index) => Number((from + index * step).toFixed(2)))};
}

const TIME_STEPS = [1, 2, 3, 4, 6, 12, 24, 48, 96, 168, 336, 720, 2160].map((hours) => hours * HOUR_MS);

// On whole local hours; a new day is named.
function timeTicks(from, to, width) {
    const step = TIME_STEPS.find((one) => width / ((to - from) / one) >= 52) ?? TIME_STEPS.at(-1);
    const day = new Date(from);
    day.setHours(0, 0, 0, 0);
    const ticks = [];
    for (let at = day.getTime(); at <= to; at += step) if (at >= from) ticks.push(new Date(at));
    return ticks.map((at, index) => ({at, time: step < 24 * HOUR_MS ? timeText(at) : '', day: index === 0 || step >= 24 * HOUR_MS || at.getDate() !== ticks[index - 1].getDate() ? dayAndTime(at).slice(0, 6) : ''}));
}

// ---- marks ----

const SHAPES = [
    (x, y, r) => `M${x - r} ${y}a${r} ${r} 0 1 0 ${2 * r} 0a${r} ${r} 0 1 0 ${-2 * r} 0Z`,
    (x, y, r) => `M${x} ${y - r - 1}L${x + r + 1} ${y + r}L${x - r - 1} ${y + r}Z`,
    (x, y, r) => `M${x - r} ${y - r}h${2 * r}v${2 * r}h${-2 * r}Z`,
    (x, y, r) => `M${x} ${y - r - 2}L${x + r + 2} ${y}L${x} ${y + r + 2}L${x - r - 2} ${y}Z`,
    (x, y, r) => `M${x} ${y + r + 1}L${x + r + 1} ${y - r}L${x - r - 1} ${y - r}Z`,
];
const shapeOf = (panel, point) => SHAPES[Math.max(0, panel.groups.indexOf(point.group)) % SHAPES.length];

function markOf(panel, point, x, yOf, height) {
    const struck = point.stands ? '' : ' struck-mark';
    if (point.notTaken) return drawn('path', {class: `mark absent${struck}`, d: `M${x - 4} ${height - 12}l8 8m0 -8l-8 8`});
    if (!point.values.length && !point.word) return null;
    const ys = point.word && panel.lanes ? [yOf(point.word)] : point.values.map(yOf);
    const top = Math.min(...ys), bottom = Math.max(...ys);
    const flagged = point.flags.length && point.stands ? ' out' : '';
    const body = ys.length > 1
        ? [drawn('path', {class: `mark bar${flagged}${struck}`, d: `M${x} ${top}V${bottom}M${x - 5} ${top}h10M${x - 5} ${bottom}h10`}), ys.filter((y) => y !== top && y !== bottom).map((y) => drawn('path', {class: `mark bar${struck}`, d: `M${x - 3} ${y}h6`}))]
        : drawn('path', {class: `mark${flagged}${struck}`, d: shapeOf(panel, point)(x, top, 4)});
    return [body, point.stands ? null : drawn('path', {class: 'mark strike', d: `M${x - 8} ${(top + bottom) / 2 + 5}l16 -10`})];
}

// Joined while the next came before it was late; a corrected one is no part of the line.
function linePath(points, xOf, yOf) {
    const standing = points.filter((point) => point.stands && point.values.length === 1);
    const isLate = (one, other) => ['late', 'missed'].includes(dueOf({last: one.at, interval: one.interval, now: other.at}).state);
    return standing.map((point, index) => `${index && !isLate(standing[index - 1], point) ? 'L' : 'M'}${xOf(point.at).toFixed(1)} ${yOf(point.values[0]).toFixed(1)}`).join('');
}

const sameBands = (point, before) => jsonText(point.bands) === jsonText(before?.bands ?? null);

// From each reading to the next; the ages and routes that a range is for may change on the way.
function bandNodes(points, xOf, yOf, axis, end) {
    const standing = points.filter((point, index, all) => point.stands && point.bands.length && !sameBands(point, all.slice(0, index).findLast((one) => one.stands && one.bands.length)));
    return standing.flatMap((point, index) => point.bands.map((band) => {
        const x = index ? xOf(point.at) : LEFT, until = index + 1 < standing.length ? xOf(standing[index + 1].at) : end;
        const top = yOf(Math.min(band.high ?? axis.high, axis.high)), bottom = yOf(Math.max(band.low ?? axis.low, axis.low));
        return drawn('rect', {class: 'band', x, y: top, width: Math.max(0, until - x), height: Math.max(0, bottom - top)});
    }));
}

function drawPanel(panel, frame) {
    const {width, from, to} = frame;
    const height = TOP + (panel.lanes ? panel.lanes.length * LANE || EMPTY : panel.groups.length ? PLOT : EMPTY);
    const end = width - RIGHT;
    const axis = valueAxis(panel);
    const xOf = (at) => LEFT + (at - from) / (to - from) * (end - LEFT);
    const yOf = panel.lanes ? (word) => TOP + (panel.lanes.findIndex((one) => one.word === word) + .7) * LANE : (value) => height - 8 - (value - axis.low) / (axis.high - axis.low) * (height - TOP - 8);
    const svg = drawn('svg', {class: 'plot', viewBox: `0 0 ${width} ${height + BOTTOM}`, role: 'slider', tabindex: 0});
    const ticks = timeTicks(from, to, end - LEFT);
    const points = panel.points.map((point) => ({...point, x: xOf(point.at)}));
    const here = drawn('path', {class: 'here'});

    svg.append(...[panel.lanes ? null : bandNodes(points, xOf, yOf, axis, end),
        ticks.map(({at, time, day}) => [drawn('path', {class: 'grid', d: `M${xOf(at)} ${TOP}V${height}`}), drawn('text', {x: xOf(at), y: height + 14, 'text-anchor': 'middle'}, time), drawn('text', {x: xOf(at), y: height + (time ? 28 : 14), 'text-anchor': 'middle', class: 'day'}, day)]),
        panel.lanes ? panel.lanes.map(({word}) => drawn('path', {class: 'grid', d: `M${LEFT} ${yOf(word)}H${end}`}))
            : axis.ticks.map((value) => [drawn('path', {class: 'grid', d: `M${LEFT} ${yOf(value)}H${end}`}), drawn('text', {x: LEFT - 6, y: yOf(value) + 4, 'text-anchor': 'end'}, String(value))]),
        drawn('path', {class: 'axis', d: `M${LEFT} ${TOP}V${height}H${end}`}),
        panel.lanes ? null : panel.groups.map((group) => drawn('path', {class: 'line', d: linePath(points.filter((point) => point.group === group), xOf, yOf)})),
        here, points.map((point) => markOf(panel, point, point.x, yOf, height)),
        panel.lanes ? panel.lanes.map(({word, text}) => drawn('text', {x: LEFT + 4, y: yOf(word) - 9, class: 'lane'}, text)) : null].flat(9).filter(Boolean));
    return {svg, points, here, height};
}

// ---- one panel: title, what the cursor is at, the drawing ----

function readoutNodes(point) {
    if (!point) return say('trend.nothing');
    return [el('span', {class: 'number'}, dayAndTime(new Date(point.at))), ' · ', el(point.stands ? 'strong' : 's', {class: 'number'}, point.text), ' ', flagMarks(point.flags), point.struck ? ` ${point.struck}` : '', point.more ? [' · ', theirs(point.more)] : null];
}

const spoken = (point) => [dayAndTime(new Date(point.at)), point.struck, point.text, ...point.flags.map((flag) => flag.text), point.more].filter(Boolean).join(', ');

function panelNode(panel, frame) {
    const {svg, points, here, height} = drawPanel(panel, frame);
    const readout = el('p', {class: 'readout'});
    const id = `trend-${panel.key}`;
    let at = points.length - 1;
    const show = (index) => {
        at = Math.min(points.length - 1, Math.max(0, index));
        here.setAttribute('d', `M${points[at].x} ${TOP - 4}V${height}`);
        swap(readout, readoutNodes(points[at]));
        svg.setAttribute('aria-valuenow', at);
        svg.setAttribute('aria-valuetext', spoken(points[at]));
    };
    const steps = {ArrowLeft: -1, ArrowDown: -1, ArrowRight: 1, ArrowUp: 1, PageUp: 5, PageDown: -5, Home: -Infinity, End: Infinity};
    svg.setAttribute('aria-labelledby', id);
    svg.setAttribute('aria-valuemin', 0);
    svg.setAttribute('aria-valuemax', points.length - 1);
    svg.addEventListener('keydown', (event) => {
        if (!(event.key in steps)) return;
        event.preventDefault();
        show(at + steps[event.key]);
    });
    svg.addEventListener('pointerdown', (event) => {
        const box = svg.getBoundingClientRect();
        const x = (event.clientX - box.left) / box.width * frame.width;
        show(points.reduce((best, point, index) => Math.abs(point.x - x) < Math.abs(points[best].x - x) ? index : best, 0));
    });
    show(at);
    const groups = panel.groups.filter(Boolean);
    const legend = groups.length > 1 ? el('p', {class: 'legend'}, groups.map((group) => el('span', {}, drawn('svg', {viewBox: '0 0 16 16', class: 'swatch', 'aria-hidden': 'true'}, drawn('path', {class: 'mark', d: shapeOf(panel, {group})(8, 8, 4)})), group))) : null;
    return el('section', {class: 'panel', 'aria-labelledby': id}, el('h2', {id}, panel.title, panel.unit ? el('small', {class: 'soft'}, ` ${panel.unit}`) : null), readout, legend, svg);
}

// ---- the same as a table ----

function cellNodes(table, reading) {
    const stands = counts(reading);
    return el('div', {}, el(stands ? 'span' : 's', {class: 'number'}, stands ? null : el('span', {class: 'unseen'}, `${say('record.struck.word')} `), valueOf(table, reading)), ' ', stands ? flagMarks(flagsOf(table, reading)) : null,
        el('small', {class: 'soft'}, ' ', contextNode(contextHere(table, reading)), stands ? null : [' ', struckNode(table, reading)]));
}

function recordTable(table, sets) {
    const kinds = table.kinds.filter((kind) => sets.some((set) => set.readings.some((one) => one.kind === kind.name)));
    return el('table', {class: 'record'}, el('caption', {class: 'unseen'}, say('trend.table')),
        el('thead', {}, el('tr', {}, el('th', {scope: 'col'}, say('trend.when')), el('th', {scope: 'col'}, say('trend.score')), kinds.map((kind) => el('th', {scope: 'col'}, told(kind.title))))),
        el('tbody', {}, sets.map((set) => {
            const score = scoreNow(table, set);
            return el('tr', {}, el('th', {scope: 'row', class: 'number'}, dayAndTime(set.taken), el('small', {class: 'soft'}, ' ', theirs(set.by))), el('td', {class: 'number'}, score?.total ?? '–'),
                kinds.map((kind) => el('td', {}, set.readings.filter((one) => one.kind === kind.name).map((one) => cellNodes(table, one)))));
        })));
}

// ---- the screen ----

let trendPeriod = 'day';
let trendAsTable = false;

function frameOf(view, readings) {
    const [, length] = PERIODS.find(([name]) => name === trendPeriod);
    const to = Date.now();
    const first = Math.min(to - HOUR_MS, ...readings.map((one) => takenAt(one).getTime()));
    return {width: Math.max(260, Math.round(view.charts.clientWidth || view.root.clientWidth)), to, from: length ? to - length : first - (to - first) * .02};
}

function drawTrend(view) {
    const {table} = now;
    const [, length] = PERIODS.find(([name]) => name === trendPeriod);
    const readings = view.readings.filter((one) => !length || takenAt(one) >= Date.now() - length);
    const sets = setsOf(table, readings);
    const intervals = intervalsOf(sets);
    const frame = frameOf(view, readings);
    const panels = [scorePanel(sets), ...table.kinds.map((kind) => signPanel(table, kind, readings, intervals)).filter((panel) => panel.points.length)].filter(Boolean);
    const focused = document.activeElement?.closest?.('.panel')?.getAttribute('aria-labelledby');

    view.buttons.forEach((one) => one.setAttribute('aria-pressed', String(one.dataset.period === trendPeriod)));
    view.toggle.setAttribute('aria-pressed', String(trendAsTable));
    view.charts.hidden = trendAsTable;
    view.table.classList.toggle('unseen', !trendAsTable);
    swap(view.charts, sets.length ? panels.map((panel) => panelNode(panel, frame)) : el('p', {}, say('trend.none')));
    swap(view.table, sets.length ? recordTable(table, sets) : trendAsTable ? el('p', {}, say('trend.none')) : null);
    if (trendAsTable) view.table.setAttribute('tabindex', 0);
    else view.table.removeAttribute('tabindex');
    view.more.hidden = !view.older || trendPeriod !== 'all';
    if (focused) view.charts.querySelector(`[aria-labelledby="${CSS.escape(focused)}"] svg.plot`)?.focus({preventScroll: true});
}

async function loadTrend(view) {
    const patient = now.patient;
    if (!patient) return; // closed while an event waited
    const [, length] = PERIODS.find(([name]) => name === trendPeriod);
    const record = await readRecord(patient.identifier, length ? {since: new Date(Date.now() - length).toISOString()} : {});
    if (!view.root.isConnected || now.patient !== patient) return;
    if (!record) {
        if (!view.readings) swap(view.charts, el('p', {class: 'doubt'}, say('record.away')));
        return;
    }
    view.readings = record.readings;
    view.older = record.more;
    drawTrend(view);
}

screen('trend', {
    title: 'trend.title', needs: 'patient', link: 'trend.link',
    show(root) {
        const view = {root, readings: null, older: false, charts: el('div', {class: 'charts'}, el('p', {class: 'soft'}, say('record.loading'))), table: el('div', {class: 'tablebox', role: 'region', 'aria-label': say('trend.table')}), more: el('p', {class: 'soft', hidden: true}, say('trend.more'))};
        view.buttons = PERIODS.map(([name]) => el('button', {type: 'button', class: 'chip', 'data-period': name, on: {click: () => {
            trendPeriod = name;
            loadTrend(view);
        }}}, say(`trend.period.${name}`)));
        view.toggle = el('button', {type: 'button', class: 'chip', on: {click: () => {
            trendAsTable = !trendAsTable;
            drawTrend(view);
        }}}, say('trend.astable'));
        swap(root, el('h1', {tabindex: -1}, say('trend.title')),
            el('div', {class: 'chips trendtools'}, el('div', {class: 'chips', role: 'group', 'aria-label': say('trend.period')}, view.buttons), view.toggle, el('button', {type: 'button', class: 'chip', on: {click: () => window.print()}}, say('print'))),
            el('p', {class: 'hint'}, say('trend.hint')), view.charts, view.table, view.more, el('p', {class: 'cautions'}, say('caution.flag'), ' ', say('caution.device')));
        const again = soonOnce(() => loadTrend(view));
        const heard = ['reading', 'set', 'reload'].map((name) => listen(name, again));
        let width = 0;
        const sized = new ResizeObserver(soonOnce(() => {
            if (!view.readings || width === root.clientWidth) return;
            width = root.clientWidth;
            drawTrend(view);
        }, 100));
        sized.observe(root);
        loadTrend(view);
        return () => {
            heard.forEach((end) => end());
            sized.disconnect();
        };
    },
});
