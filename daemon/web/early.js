// Before anything is painted: night stays night (no white flash), and the language is the one chosen on this device.
(() => {
    const hour = new Date().getHours();
    const chosen = localStorage.getItem('theme') ?? 'clock';
    const night = chosen === 'clock' ? hour < 7 || hour >= 20 : chosen === 'night';
    document.documentElement.dataset.theme = night ? 'night' : 'day';
    document.documentElement.lang = localStorage.getItem('language') ?? (navigator.language.startsWith('es') ? 'es' : 'en');
})();
