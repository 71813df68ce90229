// probe.js - the form from its modules, with what is behind its screens open to a test (never built in).
import * as identify from '/form/identify.js';
import * as offline from '/form/offline.js';
import * as setDraft from '/form/set_draft.js';
import * as shell from '/form/shell.js';
import * as state from '/form/state.js';
import * as vault from '/form/vault.js';
import '/form/main.js';

globalThis.probe = {...offline, ...identify, ...setDraft, ...shell, ...state, ...vault, told: []};
for (const name of ['session', 'locked', 'signed-out', 'patient', 'unsent', 'delivered', 'stuck', 'gap', 'draft']) state.listen(name, (detail) => probe.told.push([name, detail]));
