// worker.js - keeps the form on this device, so that it opens at once and also when the daemon is out of reach. It keeps documents and
// the kind table, never a person, a value or an answer. All documents of one version stand in one cache; a newer form is kept beside
// it and taken when the page says so ('take': nothing is open), the old one is dropped then.
const version = 'form-@version@';
const documents = ['/', '/form.js', '/more.js', '/later.js', '/form.css', '/later.css', '/early.js', '/icon.svg', '/form.webmanifest', ...['en', 'es'].flatMap((language) => ['form', 'later'].map((part) => `/words/${language}/${part}.json`))];
const table = '/v1/kinds';

const tables = ['en', 'es'].map((language) => `${table}?for=form&language=${language}`);

self.addEventListener('install', (event) => event.waitUntil(caches.open(version).then((cache) => cache.addAll([...documents, ...tables]))));

self.addEventListener('activate', (event) => event.waitUntil(caches.keys()
    .then((names) => Promise.all(names.filter((name) => name !== version).map((name) => caches.delete(name))))
    .then(() => self.clients.claim())));

self.addEventListener('message', ({data}) => data === 'take' && self.skipWaiting());

// The table of before is good enough to begin with (the daemon judges again); a page that has it is told of a newer one.
async function refresh(request, before) {
    const fresh = await fetch(request).catch(() => null);
    if (!fresh?.ok) return;
    const changed = before && fresh.headers.get('ETag') !== before.headers.get('ETag');
    await (await caches.open(version)).put(request, fresh);
    if (changed) (await self.clients.matchAll()).forEach((page) => page.postMessage('kinds'));
}

async function fromTable(event) {
    const kept = await caches.match(event.request.url);
    if (!kept) return fetch(event.request);
    event.waitUntil(refresh(event.request.url, kept.clone()));
    return kept;
}

self.addEventListener('fetch', (event) => {
    const url = new URL(event.request.url);
    if (event.request.method !== 'GET' || url.origin !== location.origin) return;
    if (url.pathname === table) event.respondWith(fromTable(event));
    else if (documents.includes(url.pathname)) event.respondWith(caches.match(url.pathname, {cacheName: version}).then((kept) => kept ?? fetch(event.request)));
});
