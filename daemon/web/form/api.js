// api.js - asking the daemon. Every answer has one shape: {ok, away, status, body, errors, reason, wait}.
//   away    nobody answered (or only a proxy did): the daemon is out of reach
//   errors  [{pointer, code, detail}] of a refusal; reason: the word beside them
import {jsonRead, jsonText} from './decimal.js';
import {now, takeEarly, tell} from './state.js';

const AWAY = [502, 503, 504];

async function call(method, path, body, {timeout = 15000, type = 'application/json', headers = {}} = {}) {
    const stop = AbortSignal.timeout(timeout);
    const sent = {...headers};
    if (body !== undefined) sent['Content-Type'] = type;
    if (method !== 'GET' && now.session) sent['Wardpost-Csrf'] = now.session.csrf;
    let response, answer;
    try {
        response = await (takeEarly(path) ?? fetch(path, {
            method, headers: sent, signal: stop, credentials: 'same-origin', cache: method === 'GET' ? 'no-cache' : 'no-store',
            body: body === undefined || typeof body === 'string' ? body : jsonText(body),
        }));
        answer = response.status === 204 ? {} : jsonRead(await response.text() || '{}');
    } catch {
        return reach(false, {ok: false, away: true, status: 0, body: null, errors: [], reason: '', wait: 0});
    }
    const away = AWAY.includes(response.status) && !answer.title; // with a title it is the daemon itself, and busy
    const result = {
        ok: response.ok, away, status: response.status, body: answer, errors: answer.errors ?? [],
        reason: answer.reason ?? (response.status === 401 ? 'none' : ''), // no cookie is left: the daemon takes us for a device
        wait: Number(response.headers.get('Retry-After') ?? 0),
    };
    if (response.status === 401 && (result.reason === 'locked' || result.reason === 'none')) tell(result.reason === 'locked' ? 'locked' : 'signed-out', answer);
    return reach(!away, result);
}

function reach(here, result) {
    const live = here ? 'here' : 'away';
    if (now.live !== live) {
        now.live = live;
        tell('live', live);
    }
    return result;
}

export const ask = (path, body, options) => call('POST', path, body, options);
export const look = (path, options) => call('GET', path, undefined, options);
