// set_presence.js - who else has a set open for this patient: other people by the daemon, other tabs of this browser directly.
import {ask} from './api.js';
import {el, swap} from './dom.js';
import {listen, now} from './state.js';
import {momentText, say} from './words.js';

const PRESENCE_EVERY = 30000;

// Begins telling; returns what ends it.
export function watchSet(sheet) {
    const {draft} = sheet;
    const tab = crypto.randomUUID();
    const channel = new BroadcastChannel('wardpost-set');
    const mine = `${draft.patient.identifier.system}|${draft.patient.identifier.value}`;
    const state = {others: [], saved: null, tab: false, key: null};
    const show = () => swap(sheet.others, [
        ...state.others.map((one) => say('set.others', {who: one.display, when: momentText(new Date(one.since))})),
        state.saved ? say('set.others.saved', {who: state.saved.by ?? '', when: momentText(new Date(state.saved.taken))}) : null,
        state.tab ? say('set.others.tab') : null,
    ].filter(Boolean).map((text) => el('p', {class: 'doubt'}, text)));
    const here = async (body) => {
        const answer = await ask('/v1/presence', {patient: {identifier: draft.patient.identifier}, set: draft.id, ...body});
        if (!answer.ok || body.end) return;
        const last = answer.body['last-set'];
        state.others = answer.body.others ?? [];
        state.key = answer.body['patient-key'];
        state.saved = last && last.set !== draft.id && Date.parse(last.taken) > draft.begun - 600000 && last.by !== now.session?.person.practitioner ? last : null;
        show();
    };
    const every = setInterval(() => here({}), PRESENCE_EVERY);
    const unlisten = listen('presence', (told) => told['patient-key'] === state.key && here({})); // somebody has come or gone

    // A tab that opens asks the others; each that has the same patient open answers.
    channel.onmessage = ({data}) => {
        if (data.patient !== mine || data.tab === tab) return;
        state.tab = !data.end;
        if (data.asks) channel.postMessage({patient: mine, tab});
        show();
    };
    channel.postMessage({patient: mine, tab, asks: true});
    here({});
    const gone = () => channel.postMessage({patient: mine, tab, end: true});
    window.addEventListener('pagehide', gone);
    return () => {
        clearInterval(every);
        unlisten();
        window.removeEventListener('pagehide', gone);
        gone();
        channel.close();
        here({end: true});
    };
}
