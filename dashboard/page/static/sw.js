// Makes the page installable and lets it open while the station is away: the
// page's own files come from the network first, and from the last visit when
// there is none. What the station says (its API) is never kept: old readings
// must not look live.
const CACHE = 'meltstation-page';

self.addEventListener('install', () => self.skipWaiting());
self.addEventListener('activate', (event) => event.waitUntil(self.clients.claim()));

// The station's answers, and pairing, are never kept.
const kept = (path) => !/^\/(api|pair|metrics|healthz|readyz|sw\.js)\b/.test(path);

self.addEventListener('message', (event) => {
  const files = (event.data?.keep || []).filter(kept);
  event.waitUntil(caches.open(CACHE).then((cache) => Promise.allSettled(files.map((f) => cache.add(f)))));
});

self.addEventListener('fetch', (event) => {
  const { request } = event;
  const url = new URL(request.url);
  if (url.origin !== location.origin || request.method !== 'GET' || !kept(url.pathname)) return;
  event.respondWith((async () => {
    const cache = await caches.open(CACHE);
    try {
      const fresh = await fetch(request);
      if (fresh.status >= 500) throw new Error(`status ${fresh.status}`); // something between us answers for a station that is away
      if (fresh.ok && !fresh.redirected) await cache.put(request.mode === 'navigate' ? '/' : request, fresh.clone());
      return fresh;
    } catch (err) {
      const old = await cache.match(request.mode === 'navigate' ? '/' : request);
      if (old) return old;
      throw err;
    }
  })());
});

// A push message: the alarm or cue itself, put into words by the station.
self.addEventListener('push', (event) => {
  let m = {};
  try { m = event.data.json(); } catch { m = { title: event.data ? event.data.text() : '' }; }
  event.waitUntil(self.registration.showNotification(m.title || 'meltstation', {
    body: m.body || '',
    tag: m.tag || m.key || 'meltstation',
    renotify: true,
    requireInteraction: m.class === 'alarm',
    icon: '/icons/icon-192.png',
    badge: '/icons/icon-192.png',
    data: { url: m.url || '/#/' },
  }));
});

self.addEventListener('notificationclick', (event) => {
  event.notification.close();
  event.waitUntil((async () => {
    const pages = await self.clients.matchAll({ type: 'window', includeUncontrolled: true });
    if (pages.length > 0) return pages[0].focus();
    return self.clients.openWindow('/#/');
  })());
});
