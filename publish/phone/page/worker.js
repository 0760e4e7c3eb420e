// Keeps the page itself at hand, so that it opens while the Wi-Fi is away. Data
// are never kept: old numbers must not look like new ones.

const SHELL = [
  '/', '/page.css', '/app.js', '/api.js', '/checks.js', '/day.js', '/dom.js', '/glance.js', '/ground.js', '/now.js', '/pair.js', '/ribbon.js',
  '/setup.js', '/sound.js', '/state.js', '/theme.js', '/units.js', '/words.js', '/manifest.webmanifest', '/icon.svg', '/icon.png',
];
const NAME = 'page-1';
const PATIENCE = 3000; // ms

self.addEventListener('install', (e) => {
  e.waitUntil(caches.open(NAME).then((c) => c.addAll(SHELL)).then(() => self.skipWaiting()));
});

self.addEventListener('activate', (e) => {
  e.waitUntil(caches.keys().then((all) => Promise.all(all.filter((n) => n !== NAME).map((n) => caches.delete(n)))).then(() => self.clients.claim()));
});

async function answer(request) {
  const cache = await caches.open(NAME);
  const kept = await cache.match(request, { ignoreSearch: true });
  const newest = fetch(request).then((r) => {
    if (r.ok) cache.put(request, r.clone());
    return r.ok ? r : kept ?? r;
  });
  if (!kept) return newest;
  // The newest if it comes soon: page and program belong together.
  newest.catch(() => {});
  return Promise.race([newest.catch(() => kept), new Promise((go) => setTimeout(go, PATIENCE, kept))]);
}

self.addEventListener('fetch', (e) => {
  const url = new URL(e.request.url);
  if (e.request.method !== 'GET' || url.origin !== location.origin || url.pathname.startsWith('/api/') || !SHELL.includes(url.pathname)) return;
  e.respondWith(answer(e.request));
});
