// due.js - when the next set of a patient is due. Lateness as measured in research (Redfern et al., BMJ Open 2019;9:e032157):
// late from 33 % of the interval over, missed from 67 %.

const MINUTE_MS = 60000;

// last, now: ms, last null where there is none; interval: minutes, 0 is continuous, null is none; soon: minutes before it is due.
// Gives {state: "never" | "continuous" | "later" | "soon" | "due" | "late" | "missed", due (ms or null), over (of the interval, 0.41)}.
export function dueOf({last, interval, now, soon = 30}) {
    if (last === null || last === undefined || interval === null || interval === undefined)
        return {state: last === null || last === undefined ? 'never' : 'later', due: null, over: 0};
    if (interval === 0)
        return {state: 'continuous', due: null, over: 0};
    const due = last + interval * MINUTE_MS;
    const late = now - due;
    // in whole hundredths, so that 33 % of an hour is 33 % of it
    const isOver = (percent) => late * 100 >= percent * interval * MINUTE_MS;
    const state = isOver(67) ? 'missed' : isOver(33) ? 'late' : late >= 0 ? 'due' : now >= due - soon * MINUTE_MS ? 'soon' : 'later';

    return {state, due, over: Math.max(0, late) / (interval * MINUTE_MS)};
}
