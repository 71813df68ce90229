// live.js - what changes at the daemon is told here at once: 'reading', 'set', 'presence', 'server' as the daemon names them, and
// 'reload' when something may have been missed. Where the stream does not come, 'reload' is told every 15 s instead. Nothing is
// listened to while nobody is signed in or the screen is locked.
import {listen, now, tell} from './state.js';

const LIVE_EVENTS = ['reading', 'set', 'presence', 'server'];
const POLL_MS = 15000;
const RETRY_MS = 60000;

let stream = null;
let polling = 0;
let retrying = 0;
let listening = false;

const tellReload = () => {
    if (document.body.dataset.locked === undefined) tell('reload', null);
};

function pollInstead() {
    stream?.close();
    stream = null;
    polling ||= setInterval(tellReload, POLL_MS);
    clearTimeout(retrying);
    retrying = setTimeout(openStream, RETRY_MS);
}

function openStream() {
    if (!listening || stream) return;
    const opened = new EventSource('/v1/events');
    let came = false;
    stream = opened;
    opened.addEventListener('open', () => {
        came = true;
        if (polling) tellReload(); // what happened since the last poll
        clearInterval(polling);
        polling = 0;
    });
    for (const name of LIVE_EVENTS)
        opened.addEventListener(name, (event) => {
            try {
                tell(name, JSON.parse(event.data));
            } catch {
                tellReload();
            }
        });
    opened.addEventListener('reload', tellReload);
    // A stream that once came is opened again by the browser, with the number of the last event; one that never came is not waited for.
    opened.addEventListener('error', () => {
        if (stream === opened && (!came || opened.readyState === EventSource.CLOSED)) pollInstead();
    });
}

export function liveOn() {
    if (listening || !now.session || now.session['must-change']) return;
    listening = true;
    openStream();
}

export function liveOff() {
    listening = false;
    stream?.close();
    stream = null;
    clearInterval(polling);
    clearTimeout(retrying);
    polling = 0;
}

listen('session', () => now.session ? liveOn() : liveOff());
for (const end of ['lock', 'locked', 'signed-out']) listen(end, liveOff);
liveOn(); // this script comes when the first screen is there
