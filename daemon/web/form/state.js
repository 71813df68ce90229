// state.js - what the form knows at this moment, and who wants to hear of changes. Nothing personal leaves the memory of this page
// but through offline.js (encrypted).
export const now = {
    session: null, // the session document of the daemon
    table: null, // tableOf(GET /v1/kinds)
    patient: null, // a known patient, once two identifiers were confirmed
    identity: null, // {checked, how, at, confirmedMs} of that confirmation
    proposed: null, // a known patient tapped in the round, of whom nothing is confirmed
    draft: null, // the set being taken (set.js)
    whole: false, // later.js is there: all screens are known
    live: 'unknown', // the daemon: 'here', 'away'
};

const listeners = new Map();

export function listen(name, does) {
    if (!listeners.has(name)) listeners.set(name, new Set());
    listeners.get(name).add(does);
    return () => listeners.get(name).delete(does);
}

export function tell(name, detail) {
    for (const does of [...(listeners.get(name) ?? [])]) does(detail);
}

export const mayDo = (right) => now.session?.person.may.includes(right) ?? false;

// What early.js asked for before these scripts were here: the promise of its answer, once; undefined: it was not asked for.
export function takeEarly(path) {
    const answer = globalThis.early?.[path];
    delete globalThis.early?.[path];
    return answer;
}

// Many events of one set ask once.
export function soonOnce(does, ms = 150) {
    let timer = 0;
    return () => {
        clearTimeout(timer);
        timer = setTimeout(does, ms);
    };
}
