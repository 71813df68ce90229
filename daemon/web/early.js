// Before anything is painted: night stays night (no white flash), and the language is the one chosen on this device. What the first
// screen needs is asked for now, so that it comes while the script is still on its way.
(() => {
    const hour = new Date().getHours();
    const chosen = localStorage.getItem('theme') ?? 'clock';
    const night = chosen === 'clock' ? hour < 7 || hour >= 20 : chosen === 'night';
    document.documentElement.dataset.theme = night ? 'night' : 'day';
    document.documentElement.lang = localStorage.getItem('language') ?? (navigator.language.startsWith('es') ? 'es' : 'en');
    globalThis.early = {};
    for (const path of [`/words/${document.documentElement.lang}/form.json`, '/v1/session']) {
        globalThis.early[path] = fetch(path, {credentials: 'same-origin', cache: 'no-cache', signal: AbortSignal.timeout(5000)});
        globalThis.early[path].catch(() => {});
    }
})();
